"""Who sits where, and where the loudspeakers stand, in the coordinates of the room.

Along runs down the room from the wall behind the stage, across from the wall on the audience's
left as it faces the stage, heights are above the audience floor. `usual_pair()` and
`usual_seats()` put a pair and its listeners where they mostly are, when only the figures of
`setting.py` are known; `check_places()` refuses what cannot be built.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenhall.errors import InputError
from evenhall.hall.pattern import NominalPattern, Pattern
from evenhall.hall.setting import CLOSEST_M, Audience, Loudspeaker, Room

__all__ = [
    "BEHIND_M",
    "Placed",
    "Seats",
    "check_places",
    "directions",
    "half_apart_m",
    "usual_pair",
    "usual_seats",
]

FloatArray = NDArray[np.float64]

# Where a pair usually stands: 1 m off the wall behind it, at this share of half the width from
# the middle; 4 m apart where no width is known. Common practice, no source.
BEHIND_M = 1.0
LANE = 0.62
HALF_APART_M = 2.0
AISLE_M = 1.0  # from the side walls to the outer seats; common practice, no source


@dataclass(frozen=True, eq=False)
class Seats:
    """A grid of listeners.

    Parameters
    ----------
    along_m : ndarray, shape (n_rows,)
        Rising.
    across_m : ndarray, shape (n_seats,)
    """

    along_m: FloatArray
    across_m: FloatArray
    ear_height_m: float = 1.2

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, and seats in a row."""
        return self.along_m.size, self.across_m.size

    @property
    def point_m(self) -> FloatArray:
        """Ears, row by row, shape (n_rows * n_seats, 3)."""
        along, across = np.meshgrid(self.along_m, self.across_m, indexing="ij")
        height = np.full(along.size, self.ear_height_m)
        return np.column_stack((along.ravel(), across.ravel(), height))


@dataclass(frozen=True)
class Placed:
    """A loudspeaker in its place.

    Parameters
    ----------
    along_m, across_m, height_m : float
        Of its acoustic centre.
    down_deg : float
        Tilt, positive towards the floor.
    turn_deg : float
        Turn in plan, positive towards rising `across_m`.
    gain_db, delay_s : float
        Of the channel that feeds it.
    """

    name: str
    along_m: float
    across_m: float
    height_m: float
    down_deg: float = 0.0
    turn_deg: float = 0.0
    pattern: Pattern = field(default_factory=NominalPattern)
    gain_db: float = 0.0
    delay_s: float = 0.0

    @property
    def point_m(self) -> FloatArray:
        """Acoustic centre, shape (3,)."""
        return np.array([self.along_m, self.across_m, self.height_m])


def directions(
    vector: FloatArray, down_deg: FloatArray, turn_deg: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Across and down angles, as `Pattern.off_axis_db()` wants them, of vectors from a box.

    Parameters
    ----------
    vector : ndarray, shape (n, 3)
        Along, across, up; of any length above 0.
    down_deg, turn_deg : ndarray, shape (n_aims,)

    Returns
    -------
    across_deg, down_deg : ndarray, shape (n_aims, n)
    """
    down, turn = np.radians(down_deg), np.radians(turn_deg)
    zero = np.zeros_like(down)
    ahead = np.stack(
        (np.cos(down) * np.cos(turn), np.cos(down) * np.sin(turn), -np.sin(down)), axis=-1
    )
    aside = np.stack((-np.sin(turn), np.cos(turn), zero), axis=-1)
    unit = (vector / np.linalg.norm(vector, axis=-1, keepdims=True)).T
    right = aside @ unit
    up = np.cross(ahead, aside) @ unit
    angle = np.degrees(np.arctan2(np.hypot(right, up), ahead @ unit))
    sine = np.maximum(np.hypot(right, up), 1e-12)
    return angle * right / sine, -angle * up / sine


def half_apart_m(apart_m: float | None, width_m: float | None) -> float:
    """From each of a pair to the middle line; as they usually stand where that is not known.

    Examples
    --------
    >>> [half_apart_m(*known) for known in ((4.6, 9.0), (None, 10.0), (None, None))]
    [2.3, 3.1, 2.0]
    """
    if apart_m is not None:
        return apart_m / 2.0
    return HALF_APART_M if width_m is None else LANE * width_m / 2.0


def usual_pair(
    speaker: Loudspeaker, room: Room, audience: Audience | None = None
) -> tuple[Placed, Placed]:
    """Left and right with the height and aim of `speaker`, where they stand.

    Where that is not known: 1 m from the wall, and 0.62 of the width apart, or 4 m where no width
    is known.

    Parameters
    ----------
    audience : Audience, optional
        Whose last row must fit in: the pair then stands nearer to the wall, if need be.
    """
    behind_m = BEHIND_M
    if audience is not None and room.length_m is not None:
        behind_m = min(behind_m, max(room.length_m - audience.last_row_m, 0.0))
    middle_m = HALF_APART_M if room.width_m is None else room.width_m / 2.0
    half_m = half_apart_m(speaker.apart_m, room.width_m)
    left, right = (
        Placed(
            name,
            behind_m if speaker.from_wall_m is None else speaker.from_wall_m,
            middle_m + side * half_m,
            speaker.height_m,
            speaker.down_deg,
            turn_deg=-side * speaker.inwards_deg,
            pattern=speaker.pattern,
        )
        for name, side in (("left", -1.0), ("right", 1.0))
    )
    return left, right


def usual_seats(
    audience: Audience,
    room: Room,
    *,
    rows: int = 12,
    seats: int = 9,
    behind_m: float = BEHIND_M,
) -> Seats:
    """Rows from the first to the last, seats from aisle to aisle.

    Parameters
    ----------
    audience, room : Audience, Room
        Rows are given from under the loudspeakers, which stand `behind_m` from the wall.
    rows, seats : int
        How many to forecast; one seat is the middle one.
    """
    width_m = 2.0 * (HALF_APART_M + AISLE_M) if room.width_m is None else room.width_m
    offset_m = (HALF_APART_M if room.width_m is None else width_m / 2.0) - width_m / 2.0
    edge_m = min(AISLE_M, 0.25 * width_m)
    across = np.linspace(edge_m, width_m - edge_m, seats) if seats > 1 else [width_m / 2.0]
    along = np.linspace(audience.first_row_m, audience.last_row_m, rows) + behind_m
    return Seats(along, np.asarray(across) + offset_m, audience.ear_height_m)


def check_places(placed: Sequence[Placed], seats: Seats, room: Room) -> None:
    """Refuse what cannot be built, one line a fault.

    No loudspeaker; one outside the room, at an impossible angle, or at somebody's ear; seats
    outside the room or none.
    """
    faults = [] if placed else ["No loudspeaker is given. Give at least one."]
    sides = (("length_m", room.length_m), ("width_m", room.width_m), ("height_m", room.height_m))
    point_m = seats.point_m
    if not point_m.size or not np.isfinite(point_m).all():
        raise InputError("No seats are given, or no figures for them. Give at least one seat.")
    for at, (side, size_m) in enumerate(sides):
        low, high = float(point_m[:, at].min()), float(point_m[:, at].max())
        if size_m is not None and not (low >= 0.0 and high <= size_m):
            faults.append(
                f"Seats from {low:g} to {high:g} m do not lie in the room ({side} = {size_m:g}). "
                "Measure along from the wall behind the stage, across from the left wall."
            )
    for box in placed:
        for at, ((side, size_m), name) in enumerate(
            zip(sides, ("along_m", "across_m", "height_m"), strict=True)
        ):
            value = float(box.point_m[at])
            inside = np.isfinite(value) and (size_m is None or 0.0 <= value <= size_m)
            if not inside:
                faults.append(
                    f"Loudspeaker {box.name} {name} = {value:g} is outside the room "
                    f"({side} {'not known' if size_m is None else f'= {size_m:g}'}). "
                    "Measure from the wall behind the stage, from the left wall, from the floor."
                )
        if not -90.0 <= box.down_deg <= 90.0:
            faults.append(
                f"Loudspeaker {box.name} down_deg = {box.down_deg:g} is not a tilt. "
                "Give -90 to 90 degrees, positive towards the floor."
            )
        if not -180.0 <= box.turn_deg <= 180.0:
            faults.append(
                f"Loudspeaker {box.name} turn_deg = {box.turn_deg:g} is not a turn. "
                "Give -180 to 180 degrees, 0 straight down the room."
            )
        if not faults and np.linalg.norm(point_m - box.point_m, axis=1).min() < CLOSEST_M:
            faults.append(
                f"Loudspeaker {box.name} stands within {CLOSEST_M:g} m of somebody's ear. "
                "Give where it and the nearest listener really are."
            )
    if faults:
        raise InputError(*faults)
