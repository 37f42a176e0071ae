"""Where height and aim are not the answer: what to check first, and what would help instead.

`hall_checks_of()` for takes that no hall explains, `beyond()` for rows that stay too far
apart at the best height and aim.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.reach import what_would
from evenhall.hall.seats import usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.verdict.corrected import fit_to_takes
from evenhall.verdict.take import SpotResponse, is_main

__all__ = ["Advice", "beyond", "hall_checks_of"]

# How the contract calls what `what_would()` proposes.
KINDS = {"delay": "delay", "second": "relocate", "nearer": "relocate"}


@dataclass(frozen=True)
class Advice:
    """What would help: kind of move, sentence, and the figures expected."""

    kind: str
    text: str
    expected: dict[str, float]


def hall_checks_of(
    spots: Sequence[SpotResponse], speaker: Loudspeaker, room: Room, audience: Audience
) -> tuple[str, ...]:
    """Say what to look at where the takes part from any hall: a blocked horn, a wrong aim."""
    lines: list[str] = []
    for side in dict.fromkeys(spot.side for spot in spots if is_main(spot.side)):
        own = [spot for spot in spots if spot.side == side and spot.distance_m is not None]
        if len(own) < 2:
            continue
        try:
            fitted = fit_to_takes(
                speaker,
                room,
                ear_height_m=audience.ear_height_m,
                distance_m=np.array([spot.distance_m for spot in own], dtype=np.float64),
                level_db=np.array([spot.level_db for spot in own]),
                uncertainty_db=np.array([spot.uncertainty_db for spot in own]),
                name=f"the {side} loudspeaker",
                spots=tuple(spot.spot for spot in own),
            )
        except InputError:
            continue  # too few usable bands: the takes themselves say so already
        lines += [check.text for check in fitted.checks]
    return tuple(lines)


def beyond(
    speaker: Loudspeaker, room: Room, audience: Audience, *, limit_db: float, pair: bool
) -> tuple[Advice, ...]:
    """Say what would bring the rows within the limit where height and aim do not.

    The most even first; empty within the limit.
    """
    placed = usual_pair(speaker, room)
    helps = what_would(
        placed if pair else placed[:1], usual_seats(audience, room), room, limit_db=limit_db
    )
    return tuple(
        Advice(KINDS[one.kind], one.text, {"row_spread_db": one.spread_db, "was_db": one.was_db})
        for one in helps
    )
