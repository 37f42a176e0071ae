"""What a ladder or a bracket mends: the moves of the loudspeakers. Start at `hands()`.

How they should stand, and whether that is worth the hands, is `stance.stand()`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenhall.cautions import LIFTING
from evenhall.errors import InputError
from evenhall.hall.reach import what_would
from evenhall.hall.rows import RowsHeard
from evenhall.hall.stance_words import stance_text
from evenhall.hall.stances import PairStance
from evenhall.verdict.evenness import Evenness
from evenhall.verdict.move import Figure, Move, Stage
from evenhall.verdict.stance.proposal import stand
from evenhall.verdict.take import SpotResponse

__all__ = ["Hands", "hands"]

# How the contract calls what `what_would()` proposes.
HELPS = {"delay": "delay", "second": "relocate", "nearer": "relocate"}


@dataclass(frozen=True)
class Hands:
    """What hands are to do, and what the rows then hear.

    Parameters
    ----------
    moves : tuple of Move
        What helps most first.
    rows : RowsHeard or None
        None where the figures for a forecast are missing, or do not fit together.
    """

    moves: tuple[Move, ...] = ()
    rows: RowsHeard | None = None


def hands(stage: Stage, evenness: Evenness | None, spots: Sequence[SpotResponse]) -> Hands:
    """Give the moves of the mains.

    Parameters
    ----------
    evenness : Evenness or None
        As measured.
    spots : sequence of SpotResponse
        Before the work; those of the mains correct the forecast.
    """
    if stage.speaker is None or stage.audience is None:
        return Hands()
    mains = [spot for spot in spots if spot.element.is_main]
    lone = len({spot.side for spot in mains}) == 1
    try:
        stood = stand(stage, mains, lone=lone)
    except InputError as error:
        return Hands((Move("check", f"Correct the figures of the room. {error}"),))
    found, change_db = stood.found, stood.change_db
    moves = [Move("check", text) for text in stood.checks]
    if stood.ask:
        moves.append(Move("check", stood.ask, expected={"seat_gain_db": stood.ask_db}))
    was_db = stood.was_db
    if evenness is not None and np.isfinite(evenness.mean_db):
        was_db = evenness.mean_db
    if stood.moves:
        # What is said of lifting stands first: a sheet may cut a long reason off.
        lifting = f"{LIFTING} " if found.raised else ""
        text = f"{stance_text(found, stood.seats)} {lifting}{stood.reason}"
        expected: dict[str, Figure] = {
            "front_minus_back_db": was_db + change_db,
            "was_db": was_db,
            "uncertainty_db": stood.sd_db,
            "seat_spread_db": found.was_db - found.gain_db,
            "seat_spread_was_db": found.was_db,
            "seat_uncertainty_db": found.gain_sd_db,
        }
        if len(found.alone_db) > 1:
            for name, gain_db in found.alone_gain_db.items():
                expected[f"{name.rsplit('_', 1)[0]}_alone_db"] = -gain_db
        figures = ["speaker_height_m", "speaker_down_deg"]
        figures += ["speaker_inwards_deg"] * (not lone)
        moves.append(
            Move(
                "raise" if found.raised else "aim",
                text,
                _figures(found.was, figures),
                _figures(found.proposed, figures),
                expected,
            )
        )
    if (
        evenness is not None
        and not stood.doubted
        and np.isfinite(evenness.mean_db)
        and evenness.mean_db + change_db > evenness.limit_db
    ):
        helps = what_would(found.pair, stood.seats, stage.known_room, limit_db=evenness.limit_db)
        moves += [
            Move(
                HELPS[one.kind],
                one.text,
                expected={"row_spread_db": one.spread_db, "was_db": one.was_db},
            )
            for one in helps
        ]
    return Hands(tuple(moves), stood.rows_heard)


def _figures(stance: PairStance, names: Sequence[str]) -> dict[str, Figure]:
    return {name: getattr(stance, name.removeprefix("speaker_")) for name in names}
