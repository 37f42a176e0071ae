"""Where to put the microphone: three spots from front to back, and how far each is.

Distances run along the floor from the point under the loudspeaker. Start at `usual_spots()`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from evenhall.errors import InputError
from evenhall.hall.setting import Audience

__all__ = ["Spot", "distance_m", "usual_spots"]

# Nearer, one driver of the box is much closer than the other; farther, the room has its say.
# Common practice, no source.
FRONT_LOW_M, FRONT_HIGH_M = 1.0, 2.0


@dataclass(frozen=True)
class Spot:
    """A place for the microphone: its name, and how far it is along the floor."""

    label: str
    along_m: float


def usual_spots(audience: Audience) -> tuple[Spot, ...]:
    """Three spots from front to back, rounded to 0.1 m; common practice, no source.

    Parameters
    ----------
    audience : Audience
        First and last row.

    Returns
    -------
    tuple of Spot
        "front" at the first row, but no nearer than 1 m and no farther than 2 m from under the
        loudspeaker; "back" at the last row; "middle" halfway between the two. Where the last row
        itself is not past 1 m, "front" stays at the first row.

    Raises
    ------
    InputError
        The last row is not behind the first, or the first is behind the loudspeaker.

    Examples
    --------
    >>> [(spot.label, spot.along_m) for spot in usual_spots(Audience(1.5, 13.0))]
    [('front', 1.5), ('middle', 7.2), ('back', 13.0)]
    """
    first_m, last_m = audience.first_row_m, audience.last_row_m
    if not 0.0 <= first_m < last_m < math.inf:
        raise InputError(
            f"Audience from {first_m:g} to {last_m:g} m leaves no place for spots. "
            "Give the first row 0 m or more, and the last row behind it."
        )
    front_m = min(max(first_m, FRONT_LOW_M), FRONT_HIGH_M)
    if front_m >= last_m:
        front_m = first_m
    places = (("front", front_m), ("middle", (front_m + last_m) / 2), ("back", last_m))
    return tuple(Spot(label, round(along_m, 1)) for label, along_m in places)


def distance_m(
    along_m: float, *, speaker_height_m: float, ear_height_m: float, aside_m: float = 0.0
) -> float:
    """Straight from the loudspeaker to a microphone at ear height.

    Parameters
    ----------
    along_m : float
        From the point under the loudspeaker to the point under the microphone, down the room.
    speaker_height_m, ear_height_m : float
        Above the audience floor; NaN in any of the three gives NaN.
    aside_m : float
        How far beside the loudspeaker's axis that is.

    Examples
    --------
    >>> distance_m(4.0, speaker_height_m=4.2, ear_height_m=1.2)
    5.0
    """
    return math.hypot(along_m, aside_m, speaker_height_m - ear_height_m)
