"""What a ladder or a bracket mends: the moves of the loudspeakers. Start at `hands()`.

The stance is that of `hall.best_stance()`; what it changes from front to back is forecast for the
very spots that were measured, and corrected by their takes. Where the takes part from any hall,
that is to be looked at before anything is moved: the move would be computed from a stage that is
not there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.level import front_minus_back_db, mid_mean_db
from evenhall.hall.pair import PairProposal, best_stance
from evenhall.hall.reach import what_would
from evenhall.hall.rows import RowsHeard, rows_heard
from evenhall.hall.search import Limits
from evenhall.hall.seats import Placed, Seats, usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room, check_setting
from evenhall.hall.stance_words import LIFTING, stance_text
from evenhall.hall.stances import Hearing, PairStance
from evenhall.verdict.corrected import MODEL_DB, Fitted, corrected_move
from evenhall.verdict.doubts import fits_of
from evenhall.verdict.evenness import Evenness
from evenhall.verdict.move import Figure, Move, Stage
from evenhall.verdict.take import SpotResponse, is_main

__all__ = ["Hands", "hands"]

# What a climb must gain from front to back; less is enough where a band is past the limit.
CLIMB_DB = 1.0
CLIMB_IF_UNEVEN_DB = 0.5
# A box that is not what or where it was said to be: no move can be computed for it.
OF_THE_BOX = ("dull", "aim")
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
    stage : Stage
    evenness : Evenness or None
        As measured.
    spots : sequence of SpotResponse
        Before the work; those of the mains correct the forecast.
    """
    speaker, audience, room = stage.speaker, stage.audience, stage.known_room
    if speaker is None or audience is None:
        return Hands()
    mains = [spot for spot in spots if is_main(spot.side)]
    lone = len({spot.side for spot in mains}) == 1
    try:
        placed, seats, found = _searched(speaker, room, audience, stage.max_height_m, lone)
    except InputError as error:
        return Hands((Move("check", f"The figures of the room do not fit together. {error}"),))
    late = _late(mains, speaker, room, audience)
    if late is not None:
        mains = [replace(spot, distance_m=None) for spot in mains]
    fits = fits_of(mains, speaker, room, audience)
    checks = [check for fit in fits for check in fit.checks]
    moves = [Move("check", check.text) for check in checks]
    if late is not None:
        moves.append(late)
    if any(check.kind in OF_THE_BOX for check in checks):
        return Hands(tuple(moves), rows_heard(placed, None, seats, room))
    rows = _measured_rows(mains, speaker, room, audience)
    change_db, sd_db = _change(found, placed[0], speaker, room, rows, fits)
    was_db = float(mid_mean_db(front_minus_back_db(speaker, room, rows)))
    if evenness is not None and np.isfinite(evenness.mean_db):
        was_db = evenness.mean_db
    uneven = evenness is not None and not evenness.holds
    raised = found.proposed.height_m > found.was.height_m
    enough_db = (CLIMB_IF_UNEVEN_DB if uneven else CLIMB_DB) if raised else 0.0
    stands = placed
    if found.proposed != found.was and -change_db >= enough_db:
        stands = found.pair
        text = stance_text(found, seats)
        if raised:
            text += f" The rows then differ less in distance, so the level evens out. {LIFTING}"
        expected: dict[str, Figure] = {
            "front_minus_back_db": was_db + change_db,
            "was_db": was_db,
            "uncertainty_db": sd_db,
            "seat_spread_db": found.proposed_db,
            "seat_spread_was_db": found.was_db,
        }
        if len(found.alone_db) > 1:
            for name, alone_db in found.alone_db.items():
                figure = name.rsplit("_", 1)[0]
                expected[f"{figure}_alone_db"] = alone_db - found.was_db
        figures = ["speaker_height_m", "speaker_down_deg"]
        figures += ["speaker_inwards_deg"] * (not lone)
        moves.append(
            Move(
                "raise" if raised else "aim",
                text,
                _figures(found.was, figures),
                _figures(found.proposed, figures),
                expected,
            )
        )
    else:
        change_db = 0.0
    rows_then = rows_heard(placed, None if stands is placed else stands, seats, room)
    if (
        evenness is not None
        and np.isfinite(evenness.mean_db)
        and evenness.mean_db + change_db > evenness.limit_db
    ):
        helps = what_would(stands, seats, room, limit_db=evenness.limit_db)
        moves += [
            Move(
                HELPS[one.kind],
                one.text,
                expected={"row_spread_db": one.spread_db, "was_db": one.was_db},
            )
            for one in helps
        ]
    return Hands(tuple(moves), rows_then)


@lru_cache(maxsize=16)  # asked again with every take that joins a visit
def _searched(
    speaker: Loudspeaker, room: Room, audience: Audience, max_height_m: float | None, lone: bool
) -> tuple[tuple[Placed, ...], Seats, PairProposal]:
    check_setting(speaker, room, audience)
    pair = usual_pair(speaker, room, audience)
    placed: tuple[Placed, ...] = pair[:1] if lone else pair
    seats = usual_seats(audience, room, behind_m=pair[0].along_m)
    found = best_stance(placed, seats, room, limits=Limits(max_height_m=max_height_m))
    return placed, seats, found


def _figures(stance: PairStance, names: Sequence[str]) -> dict[str, Figure]:
    return {name: getattr(stance, name.removeprefix("speaker_")) for name in names}


def _on_floor_m(slant_m: float, speaker: Loudspeaker, ear_height_m: float) -> float:
    drop_m = speaker.height_m - ear_height_m
    return float(np.sqrt(max(slant_m**2 - drop_m**2, 0.01)))


def _late(
    mains: Sequence[SpotResponse], speaker: Loudspeaker, room: Room, audience: Audience
) -> Move | None:
    """Doubt distances that no room of this size holds."""
    far_m = max((spot.distance_m or 0.0 for spot in mains), default=0.0)
    if room.length_m is None:
        return None
    most_m = math.hypot(room.length_m, room.width_m or room.length_m)
    if _on_floor_m(far_m, speaker, audience.ear_height_m) <= most_m:
        return None
    return Move(
        "check",
        f"By the takes the farthest spot is {far_m:.1f} m from its loudspeaker, and no place in "
        f"this room is: it is {room.length_m:g} m long. Something on the way, a digital mixer or a "
        "processor, delays the sound, or the length is wrong. Give distance_m of each take, or "
        "correct the length; meanwhile rows and height are forecast without the takes.",
    )


def _measured_rows(
    mains: Sequence[SpotResponse], speaker: Loudspeaker, room: Room, audience: Audience
) -> Audience:
    """Front and back as they were measured, where distances are known."""
    known = [spot.distance_m for spot in mains if spot.distance_m]
    if len(known) < 2 or max(known) <= min(known):
        return audience
    first_m, last_m = (
        # A spot aside may be farther than the room is long; rows are told along it.
        min(_on_floor_m(slant_m, speaker, audience.ear_height_m), room.length_m or math.inf)
        for slant_m in (min(known), max(known))
    )
    rows = Audience(first_m, last_m, audience.ear_height_m)
    try:
        check_setting(speaker, room, rows)
    except InputError:
        return audience  # mistyped, or no distances of this hall
    return rows


def _change(
    found: PairProposal,
    box: Placed,
    speaker: Loudspeaker,
    room: Room,
    rows: Audience,
    fits: Sequence[Fitted],
) -> tuple[float, float]:
    """Change of front less back of one loudspeaker at the measured rows, and its doubt, in dB.

    Of height and tilt as the takes correct it, of the turn as plainly forecast: they say nothing
    about what lies beside the axis.
    """
    was, then = found.was, found.proposed
    straight = replace(then, inwards_deg=was.inwards_deg)
    points = np.array(
        [
            [box.along_m + row_m, box.across_m, rows.ear_height_m]
            for row_m in (rows.first_row_m, rows.last_row_m)
        ]
    )
    hearing = Hearing((box,), points, room, middle_m=box.across_m + was.aside_m)

    def plain_db(stance: PairStance) -> float:
        aim = np.array([stance.down_deg]), np.array([stance.inwards_deg])
        level_db = hearing.mid_db(stance, *aim)[0]
        return float(level_db[0] - level_db[1])

    turned_db = plain_db(then) - plain_db(straight)
    if not fits:
        return plain_db(then) - plain_db(was), MODEL_DB
    moved = replace(speaker, height_m=then.height_m, down_deg=then.down_deg)
    each = [corrected_move(fit, speaker, moved, room, rows) for fit in fits]
    change_db = float(np.mean([move.change_db for move in each]))
    sd_db = float(np.sqrt(np.mean([move.change_sd_db**2 for move in each])))
    return change_db + turned_db, sd_db
