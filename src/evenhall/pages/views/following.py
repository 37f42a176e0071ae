"""Listening along while the card of a side is set: one figure, one arrow, one way."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.job.tune.result import Result
from evenhall.pages.guide import card_left
from evenhall.pages.views.frame import Frame
from evenhall.visits.visit import Visit

__all__ = ["FollowPage", "follow_page"]


@dataclass(frozen=True)
class FollowPage:
    """What stands around the live figure."""

    frame: Frame
    side: str
    left: int  # faders that do not stand yet
    goes_on: bool  # to the next fader by itself
    next_side: str  # to set after this one; empty if there is none, or it is set
    cable: int  # input that a cable behind the unit may be on; 0 where there can be none


def follow_page(
    visit: Visit,
    result: Result | None,
    frame: Frame,
    *,
    side: str,
    goes_on: bool,
    cable: int,
) -> FollowPage:
    """Make the page that listens along on a side."""
    left = card_left(visit, result)
    waiting = [other for other, faders in left.items() if other != side and faders]
    return FollowPage(
        frame=frame,
        side=side,
        left=len(left.get(side, ())),
        goes_on=goes_on,
        next_side=waiting[0] if waiting else "",
        cable=cable,
    )
