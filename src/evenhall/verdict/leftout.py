"""What a card does at a place it was not made for. Start at `left_out()`.

Each spot in turn is left out, a card is made of the others in the same way, and looked at there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from evenhall.verdict.card import Card, weighted_rms_db
from evenhall.verdict.common import CommonResponse, common_of

__all__ = ["WORSE_DB", "LeftOut", "left_out", "too_bold"]

# A card that makes a place it was not made for worse by more than this is too sure of itself.
WORSE_DB = 0.0


@dataclass(frozen=True)
class LeftOut:
    """Deviation from the target at a spot, without a card and with one made of the other spots."""

    side: str
    spot: str
    rms_before_db: float
    rms_after_db: float


def left_out(
    common: CommonResponse, card: Card, make: Callable[[CommonResponse], Card]
) -> tuple[LeftOut, ...]:
    """Leave out each place in turn; empty where there is only one.

    Parameters
    ----------
    common : CommonResponse
        Of all spots.
    card : Card
        Its target and weights are what each place is judged by.
    make : callable
        Makes a card of the common response of some spots.
    """
    places = list(dict.fromkeys(spot.spot for spot in common.spots))
    found = []
    for place in places if len(places) > 1 else ():
        kept = [k for k, spot in enumerate(common.spots) if spot.spot != place]
        others = make(common_of(common, kept))
        for k, spot in enumerate(common.spots):
            if spot.spot == place:
                level = common.aligned_db[k] - card.target
                before = weighted_rms_db(level, card.weight)
                after = weighted_rms_db(level + others.gain_db(spot.side), card.weight)
                found.append(LeftOut(spot.side, place, before, after))
    return tuple(found)


def too_bold(found: tuple[LeftOut, ...]) -> bool:
    """Whether a card makes a place it was not made for worse by more than `WORSE_DB`."""
    return any(spot.rms_after_db > spot.rms_before_db + WORSE_DB for spot in found)
