"""The way through the audience on which the microphone is carried. Start at `walk_path()`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.errors import InputError
from evenhall.hall.setting import Audience

__all__ = ["SHORTEST_S", "WalkPath", "walk_path"]

FloatArray = NDArray[np.float64]

# A slow stroll, as rooms are scanned by hand: steps and wind stay quiet. Half a minute a side at
# the least: that is some ten independent places at 63 Hz. Common practice, no source.
PACE_M_S = 0.8
SHORTEST_S, LONGEST_S = 30.0, 60.0
# Aisles left and right of the middle line, as shares of the width. Not as far out on one side as on
# the other: what one has as a node of the waves across the room, the other must not. Of five ways
# tried on bench/seats.py these and a slanted one told most about the seats.
AISLES = (-0.18, 0.32)
USUAL_WIDTH_M = 8.0  # where nobody gave it
LEGS = ("down the aisle", "across the back", "up the other aisle")
# The microphone stays with the people: off the boxes and off the end wall.
NEAREST_M, FROM_WALL_M = 1.0, 0.7


@dataclass(frozen=True, eq=False)
class WalkPath:
    """Down one aisle, across the back, up the other.

    Parameters
    ----------
    corner_m : ndarray, shape (4, 2)
        Along the floor from the line of the loudspeakers, and across from the middle line,
        positive to the audience's right as it faces the stage.
    """

    corner_m: FloatArray

    @cached_property
    def _walked_m(self) -> FloatArray:
        steps_m = np.hypot(*np.diff(self.corner_m, axis=0).T)
        return np.append(0.0, np.cumsum(steps_m))

    @property
    def length_m(self) -> float:
        """From end to end."""
        return float(self._walked_m[-1])

    @property
    def length_s(self) -> float:
        """How long to walk: at an easy pace, and half a minute at the least."""
        return float(np.clip(np.ceil(self.length_m / PACE_M_S), SHORTEST_S, LONGEST_S))

    def at(self, share: ArrayLike) -> FloatArray:
        """Where the microphone is after a share of the way, shape (..., 2)."""
        walked_m = np.asarray(share, dtype=np.float64) * self.length_m
        return np.stack(
            [np.interp(walked_m, self._walked_m, line) for line in self.corner_m.T], axis=-1
        )

    @property
    def legs(self) -> tuple[tuple[float, str], ...]:
        """Share of the way at which each leg begins, and where it leads.

        Examples
        --------
        >>> path = walk_path(Audience(2.0, 12.0), width_m=10.0)
        >>> [(round(begins, 2), words) for begins, words in path.legs]
        [(0.0, 'down the aisle'), (0.4, 'across the back'), (0.6, 'up the other aisle')]
        """
        begins = self._walked_m[:-1] / self.length_m
        return tuple(zip(begins.tolist(), LEGS, strict=True))

    def leg(self, share: float) -> str:
        """Say where to walk after a share of the way."""
        return [words for begins, words in self.legs if begins <= max(share, 0.0)][-1]

    @property
    def passes(self) -> dict[str, float]:
        """Share of the way at which front, middle and back are passed first."""
        down = float(self._walked_m[1]) / self.length_m
        return {"front": 0.0, "middle": 0.5 * down, "back": down}


def walk_path(
    audience: Audience, *, length_m: float | None = None, width_m: float | None = None
) -> WalkPath:
    """Lay the way through the audience.

    Parameters
    ----------
    length_m : float, optional
        From the line of the loudspeakers to the end wall.
    width_m : float, optional
        Of the room.

    Raises
    ------
    InputError
        Rows that leave no way.

    Examples
    --------
    >>> path = walk_path(Audience(2.0, 14.0), width_m=10.0)
    >>> path.corner_m.round(1).tolist(), round(path.length_m, 1), path.length_s
    ([[2.0, -1.8], [14.0, -1.8], [14.0, 3.2], [2.0, 3.2]], 29.0, 37.0)
    """
    first_m = max(audience.first_row_m, NEAREST_M)
    last_m = audience.last_row_m
    if length_m is not None:
        last_m = min(last_m, length_m - FROM_WALL_M)
    if not first_m < last_m < np.inf:
        raise InputError(
            f"Audience from {audience.first_row_m:g} to {audience.last_row_m:g} m leaves no way to "
            "walk. Give the first row 0 m or more, and the last well behind it."
        )
    down_m, up_m = (share * (USUAL_WIDTH_M if width_m is None else width_m) for share in AISLES)
    corners = (first_m, down_m), (last_m, down_m), (last_m, up_m), (first_m, up_m)
    return WalkPath(np.array(corners))
