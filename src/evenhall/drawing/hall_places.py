"""Where each element of the rig stands in a plan, as far as its name tells.

Left is left as the audience sees it. Start at `elements_of()`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenhall.drawing.hall_view import Frame, is_delay, is_sub, is_top
from evenhall.hall.seats import LANE

__all__ = ["Placed", "elements_of"]

# Shares of half the width, from the middle to the audience's left; only where boxes usually
# stand, for the job knows no more. Common practice, no source.
SUB_LANE, LONE_SUB_LANE = 0.3, 0.26
LANE_STEP, WIDEST_LANE = 0.2, 0.9
DELAY_SHARE = 0.55  # of the way to the last row
TOE_IN_SHARE = 0.5  # of the way to the middle, at the last row
SPOTS_APART_PX = 10.0  # from the middle, so that left and right spots do not touch


@dataclass(frozen=True)
class Placed:
    """One element as it stands in the plan: metres along, metres to the audience's left."""

    side: str
    along_m: float
    across_m: float
    turn_deg: float  # clockwise on the page
    spots_deg: float  # to where its spots lie: off the wall's side, never past the middle


def elements_of(frame: Frame) -> list[Placed]:
    """Where each element stands, as far as its name tells."""
    view, half_m = frame.view, frame.wide_m / 2
    last_m = max([view.last_row_m or 0.0, *(spot.along_m for spot in view.spots)]) or frame.far_m
    taken: list[tuple[bool, float]] = []
    found = []
    for side in view.sides:
        lane = _free_lane(
            _lane(side, view.sides), [at for far, at in taken if far == is_delay(side)]
        )
        taken.append((is_delay(side), lane))
        across_m = lane * half_m
        turn_deg = spots_deg = 0.0
        if is_top(side) and across_m:
            keep_m = SPOTS_APART_PX / frame.per_m
            inwards_m = max(0.0, min(TOE_IN_SHARE * abs(across_m), abs(across_m) - keep_m))
            spots_deg = -math.copysign(math.degrees(math.atan2(inwards_m, last_m)), across_m)
            turn_deg = -view.speaker_inwards_deg * math.copysign(1.0, across_m)
        along_m = DELAY_SHARE * last_m if is_delay(side) else 0.0
        found.append(Placed(side, along_m, across_m, turn_deg, spots_deg))
    return found


def _lane(side: str, sides: tuple[str, ...]) -> float:
    name = side.lower()
    size = SUB_LANE if is_sub(side) else LANE
    if "left" in name:
        return size
    if "right" in name:
        return -size
    in_the_way = any(is_top(other) and _lane(other, ()) == 0.0 for other in sides)
    return LONE_SUB_LANE if is_sub(side) and in_the_way else 0.0


def _free_lane(lane: float, taken: list[float]) -> float:
    """Find the lane wanted or the nearest that is free; the one wanted where none is."""
    steps = [sign * step * LANE_STEP for step in range(9) for sign in (1, -1)]
    for shifted in (lane + step for step in steps):
        if abs(shifted) <= WIDEST_LANE and all(abs(shifted - at) > LANE_STEP / 2 for at in taken):
            return shifted
    return lane
