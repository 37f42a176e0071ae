"""How evenly a pair would play from many stances at once: the sums behind the search.

A stance is a height, a tilt, a turn inwards, a place along and a distance from the middle line,
shared by all loudspeakers of the pair. `Hearing.mid_db()` gives what every seat would hear,
`spill_db()` what goes onto walls and ceiling, `clarity_db()` early against late sound. Direct
sound and the room's diffuse field count here; single reflections are left to `field.py`, as they
move by centimetres and the search must not chase them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, MID_BANDS
from evenhall.hall.field import band_coherence, seat_factor
from evenhall.hall.level import reverberant_power
from evenhall.hall.seats import Placed, Seats, directions
from evenhall.hall.setting import Room

__all__ = ["Hearing", "PairStance", "hearing_of", "inward_sign", "place_pair", "stance_of"]

FloatArray = NDArray[np.float64]

ON_THE_LINE_M = 0.1  # nearer the middle line, a loudspeaker has no inwards
EARLY_S = 0.05  # what comes within 50 ms of the direct sound helps speech: C50, ISO 3382-1
SPILL_GRID = 5  # points along each side of a wall or ceiling


@dataclass(frozen=True)
class PairStance:
    """Where and how all loudspeakers of a pair stand.

    Parameters
    ----------
    inwards_deg : float
        Turn of each towards the middle line.
    along_m : float
        From the wall behind the stage.
    aside_m : float
        Of each from the middle line.
    """

    height_m: float
    down_deg: float
    inwards_deg: float
    along_m: float
    aside_m: float


def inward_sign(box: Placed, middle_m: float) -> float:
    """Sign of a turn towards the middle line; 0 on it."""
    offset_m = middle_m - box.across_m
    return 0.0 if abs(offset_m) < ON_THE_LINE_M else float(np.sign(offset_m))


def stance_of(pair: Sequence[Placed], middle_m: float) -> PairStance:
    """Stance of a pair as it stands: the mean of its loudspeakers."""
    signs = [inward_sign(box, middle_m) for box in pair]
    return PairStance(
        height_m=float(np.mean([box.height_m for box in pair])),
        down_deg=float(np.mean([box.down_deg for box in pair])),
        inwards_deg=float(
            np.mean([sign * box.turn_deg for sign, box in zip(signs, pair, strict=True)])
        ),
        along_m=float(np.mean([box.along_m for box in pair])),
        aside_m=float(np.mean([abs(box.across_m - middle_m) for box in pair])),
    )


def place_pair(pair: Sequence[Placed], stance: PairStance, middle_m: float) -> tuple[Placed, ...]:
    """Place the pair in a stance."""
    placed = []
    for box in pair:
        sign = inward_sign(box, middle_m)
        placed.append(
            replace(
                box,
                along_m=stance.along_m,
                across_m=middle_m - sign * stance.aside_m if sign else box.across_m,
                height_m=stance.height_m,
                down_deg=stance.down_deg,
                turn_deg=sign * stance.inwards_deg if sign else box.turn_deg,
            )
        )
    return tuple(placed)


@dataclass(frozen=True, eq=False)
class Hearing:
    """The seats of a room, and the pair that is to reach them.

    Parameters
    ----------
    point_m : ndarray, shape (n_points, 3)
    middle_m : float
        Middle line, across.
    room_db : float
        How much louder the room answers than its size and decay say.
    """

    pair: tuple[Placed, ...]
    point_m: FloatArray
    room: Room
    middle_m: float
    room_db: float = 0.0

    @property
    def _freq_hz(self) -> FloatArray:
        return EXACT_HZ[MID_BANDS]

    @cached_property
    def _q(self) -> tuple[FloatArray, ...]:
        return tuple(box.pattern.directivity_q(self._freq_hz) for box in self.pair)

    @cached_property
    def _air_db_per_m(self) -> FloatArray:
        return self.room.air_db_per_m(self._freq_hz)

    def _decay_s(self) -> FloatArray | None:
        return None if self.room.volume_m3 is None else self.room.decay_s(self._freq_hz)

    def _direct(
        self, box: Placed, point_m: FloatArray, down_deg: FloatArray, turn_deg: FloatArray
    ) -> FloatArray:
        """Power of one box's direct sound, shape (n_aims, n_points, n_bands)."""
        vector = point_m - box.point_m
        distance = np.linalg.norm(vector, axis=1)
        across, down = directions(vector, down_deg, turn_deg)
        air_db = self._air_db_per_m * (distance[:, None] - 1.0)
        steady_db = -20.0 * np.log10(distance)[:, None] - air_db
        off_axis = box.pattern.off_axis_db(across, down, freq_hz=self._freq_hz)
        return np.asarray(10.0 ** ((off_axis + steady_db + box.gain_db) / 10.0))

    def _turns(self, box: Placed, inwards_deg: FloatArray) -> FloatArray:
        sign = inward_sign(box, self.middle_m)
        return sign * inwards_deg if sign else np.full(inwards_deg.size, box.turn_deg)

    def _together(
        self, stance: PairStance, down_deg: FloatArray, inwards_deg: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Direct power of all boxes, (n_aims, n_points, n_bands), and the room's at its start."""
        pair = place_pair(self.pair, stance, self.middle_m)
        decay = self._decay_s()
        powers, room_power = [], np.zeros((len(self.point_m), self._freq_hz.size))
        for box, q in zip(pair, self._q, strict=True):
            powers.append(self._direct(box, self.point_m, down_deg, self._turns(box, inwards_deg)))
            if decay is not None and self.room.volume_m3 is not None:
                distance = np.linalg.norm(self.point_m - box.point_m, axis=1)
                room_power += 10.0 ** ((box.gain_db + self.room_db) / 10.0) * reverberant_power(
                    distance,
                    q,
                    volume_m3=self.room.volume_m3,
                    rt60_s=decay,
                    speed_m_s=self.room.speed_m_s,
                )
        direct = np.sum(powers, axis=0)
        for one in range(len(pair)):
            for other in range(one):
                joined = self._joined(pair[one], pair[other])
                direct += 2.0 * np.sqrt(powers[one] * powers[other]) * joined
        return direct, room_power

    def _joined(self, one: Placed, other: Placed) -> FloatArray:
        speed_m_s = self.room.speed_m_s
        vectors = [self.point_m - box.point_m for box in (one, other)]
        far_m = [np.linalg.norm(vector, axis=1) for vector in vectors]
        late_s = (far_m[0] - far_m[1]) / speed_m_s + one.delay_s - other.delay_s
        across = [vector[:, 1] / far for vector, far in zip(vectors, far_m, strict=True)]
        whole = band_coherence(late_s) * seat_factor(*across, speed_m_s=speed_m_s)
        return whole[:, MID_BANDS]

    def mid_db(
        self, stance: PairStance, down_deg: FloatArray, inwards_deg: FloatArray
    ) -> FloatArray:
        """Mean level of 200 Hz to 4 kHz at every seat, for many aims from one place.

        Parameters
        ----------
        stance : PairStance
            Its own tilt and turn are not looked at.
        down_deg, inwards_deg : ndarray, shape (n_aims,)

        Returns
        -------
        ndarray, shape (n_aims, n_points)
        """
        direct, room_power = self._together(stance, down_deg, inwards_deg)
        return np.asarray(10.0 * np.log10(direct + room_power).mean(axis=-1))

    def clarity_db(
        self, stance: PairStance, down_deg: FloatArray, inwards_deg: FloatArray
    ) -> FloatArray:
        """Early to late energy, mean over seats, shape (n_aims,); as `mid_db()` is called.

        Infinite where the room is not known.
        """
        decay = self._decay_s()
        if decay is None:
            return np.full(down_deg.size, np.inf)
        direct, room_power = self._together(stance, down_deg, inwards_deg)
        late = np.exp(-6.0 * np.log(10.0) * EARLY_S / decay)
        ratio = (direct + room_power * (1.0 - late)) / (room_power * late)
        return np.asarray(10.0 * np.log10(ratio)[..., self._freq_hz > 450.0].mean(axis=(1, 2)))

    def spill_db(
        self, stance: PairStance, down_deg: FloatArray, inwards_deg: FloatArray
    ) -> FloatArray:
        """Direct sound on ceiling, side walls and far wall, mean power re that at the seats.

        Shape (n_aims,), as `mid_db()` is called; minus infinity where the room's size is not
        known.
        """
        points = _bare_surfaces(self.room, float(self.point_m[:, 2].mean()))
        if points is None:
            return np.full(down_deg.size, -np.inf)
        levels = []
        for point_m in (points, self.point_m):
            power = np.zeros((down_deg.size, self._freq_hz.size))
            for box in place_pair(self.pair, stance, self.middle_m):
                turn_deg = self._turns(box, inwards_deg)
                power += self._direct(box, point_m, down_deg, turn_deg).mean(axis=1)
            levels.append(10.0 * np.log10(power).mean(axis=1))
        return np.asarray(levels[0] - levels[1])


def _bare_surfaces(room: Room, ear_height_m: float) -> FloatArray | None:
    """Points on ceiling, both side walls and the far wall, above people's heads."""
    if room.length_m is None or room.width_m is None or room.height_m is None:
        return None
    share = (np.arange(SPILL_GRID) + 0.5) / SPILL_GRID
    low_m = min(ear_height_m + 0.5, room.height_m)
    along, across = share * room.length_m, share * room.width_m
    up = low_m + share * (room.height_m - low_m)
    faces = [
        np.meshgrid(along, across, [room.height_m]),
        np.meshgrid(along, [0.0, room.width_m], up),
        np.meshgrid([room.length_m], across, up),
    ]
    return np.concatenate([np.stack(face, axis=-1).reshape(-1, 3) for face in faces])


def hearing_of(
    pair: Sequence[Placed],
    seats: Seats,
    room: Room,
    *,
    room_db: float = 0.0,
) -> Hearing:
    """Hearing of a grid of seats; the middle line is that of the pair, or of the seats for one."""
    across = [box.across_m for box in pair] if len(pair) > 1 else list(seats.across_m)
    middle_m = float(np.min(across) + np.max(across)) / 2.0
    return Hearing(tuple(pair), seats.point_m, room, middle_m, room_db)
