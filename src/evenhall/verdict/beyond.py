"""What would help where the best height and aim leave the rows too far apart: `beyond()`."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.hall.reach import what_would
from evenhall.hall.seats import usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room

__all__ = ["Advice", "beyond"]

# How the contract calls what `what_would()` proposes.
KINDS = {"delay": "delay", "second": "relocate", "nearer": "relocate"}


@dataclass(frozen=True)
class Advice:
    """What would help: kind of move, sentence, and the figures expected."""

    kind: str
    text: str
    expected: dict[str, float]


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
