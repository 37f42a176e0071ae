"""Which spots to measure, in walking order, why each, and which to leave out first.

Start at `spots_for()`. Every spot is off the middle line (where left and right meet in step and
standing waves across the room have their dips and peaks), off places that mirror another, and off
whole fractions of the room's length; distances are those that a tape along the floor shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.seats import Placed
from evenhall.hall.setting import Audience, Room
from evenhall.hall.spots import FRONT_HIGH_M, FRONT_LOW_M

__all__ = ["WalkSpot", "spots_for"]

# Off the middle line by at least this, and off others' mirror places; half a wavelength at
# 430 Hz, above which a room of this size has many modes. Common practice, no source.
OFF_MIDDLE_M = 0.4
# Places along at which axial modes of low order have a node or a peak: halves, thirds, quarters.
FRACTIONS = (1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4)
OFF_FRACTION_M = 0.25
FROM_WALL_M = 0.7  # nearer a wall the bass is the wall's; common practice, no source


@dataclass(frozen=True)
class WalkSpot:
    """A place for the microphone.

    Parameters
    ----------
    along_m : float
        Along the floor from the line of the loudspeakers.
    across_m : float
        From the middle line, positive to the audience's right as it faces the stage.
    why : str
        One sentence.
    leave_out : int
        0 never; 1 is the first to leave out when time is short, 2 the next ...
    """

    label: str
    along_m: float
    across_m: float
    why: str
    leave_out: int


def _off_fractions(along_m: float, length_m: float | None, behind_m: float) -> float:
    """Step off the places where long waves have a node or a peak, forwards or back."""
    if length_m is None:
        return along_m
    for fraction in FRACTIONS:
        node_m = fraction * length_m - behind_m
        if abs(along_m - node_m) < OFF_FRACTION_M:
            return node_m + OFF_FRACTION_M * (1.0 if along_m >= node_m else -1.0)
    return along_m


def spots_for(audience: Audience, room: Room, pair: tuple[Placed, ...]) -> tuple[WalkSpot, ...]:
    """List the few spots worth measuring, front first, then back along the other side.

    Parameters
    ----------
    pair : tuple of Placed
        Left and right (or one loudspeaker); the middle line lies between them.

    Raises
    ------
    InputError
        No loudspeaker, or rows that leave no place.

    Examples
    --------
    >>> from evenhall.hall.seats import usual_pair
    >>> from evenhall.hall.setting import Loudspeaker
    >>> hall = Room(18.0, 10.0, 4.5)
    >>> found = spots_for(Audience(2.0, 14.0), hall, usual_pair(Loudspeaker(2.4), hall))
    >>> [(spot.label, spot.leave_out) for spot in found]
    [('front', 0), ('middle', 0), ('side', 2), ('back', 0), ('back aside', 1)]
    """
    first_m, last_m = audience.first_row_m, audience.last_row_m
    if not pair or not 0.0 <= first_m < last_m < np.inf:
        raise InputError(
            f"Audience from {first_m:g} to {last_m:g} m and {len(pair)} loudspeakers leave no "
            "place for spots. Give a loudspeaker, the first row 0 m or more, the last behind it."
        )
    behind_m = float(np.mean([box.along_m for box in pair]))
    aside_m = float(np.ptp([box.across_m for box in pair])) / 2.0
    half_m = 0.8 * max(aside_m, 2.0)
    if room.width_m is not None:
        half_m = min(half_m, room.width_m / 2.0 - FROM_WALL_M)
    half_m = max(half_m, OFF_MIDDLE_M)
    front_m = min(min(max(first_m, FRONT_LOW_M), FRONT_HIGH_M), 0.5 * (first_m + last_m))
    depth_m = last_m - front_m
    # Before one loudspeaker at the front, near the middle further back: no two mirror each other.
    before_m = min(max(0.75 * aside_m, OFF_MIDDLE_M), half_m)
    wanted = [
        ("front", front_m, -before_m,
         "The nearest people, in front of the left box: here one side leads.", 0),
        ("middle", front_m + 0.5 * depth_m, -max(0.3 * half_m, OFF_MIDDLE_M),
         "Most people sit near it; what shows here and at the others is the system's.", 0),
        ("side", front_m + 0.6 * depth_m, 0.85 * half_m,
         "The outer seats hear the far box off its axis.", 2),
        ("back", last_m, max(0.45 * half_m, OFF_MIDDLE_M),
         "The last row shows what distance and room leave.", 0),
        ("back aside", last_m - 0.12 * depth_m, -0.7 * half_m,
         "A second spot at the back tells the room's own dips from the system's.", 1),
    ]  # fmt: skip
    spots = []
    for label, along_m, across_m, why, leave_out in wanted:
        kept_m = along_m
        if label not in ("front", "back"):
            kept_m = _off_fractions(along_m, room.length_m, behind_m)
        # The microphone stays with the people and off the end wall.
        far_m = last_m if room.length_m is None else room.length_m - behind_m - FROM_WALL_M
        kept_m = round(min(kept_m, last_m, max(far_m, front_m)), 1)
        spots.append(WalkSpot(label, kept_m, round(across_m, 1), why, leave_out))
    return tuple(spots)
