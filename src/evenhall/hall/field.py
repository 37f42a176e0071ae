"""What every seat hears of all loudspeakers: direct sound, first reflections, the room's rest.

Start at `forecast()`. Each loudspeaker reaches a seat straight and by way of one or two of the
six surfaces, as from a source behind the mirrors. `band_coherence()` says how far the direct
sounds and first reflections still add as pressures in a third octave, and how far as powers;
second reflections are powers. The rest of the room is the field of Barron and Lee (see
`level.py`), less what these reflections would give it.

Everything is in dB re one loudspeaker's direct sound on axis at 1 m. Known too little: heads,
balconies, pillars, and from how rough a wall it comes.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, MID_BANDS, UPPER_HZ
from evenhall.hall.level import reverberant_power
from evenhall.hall.seats import Placed, Seats, check_places, directions
from evenhall.hall.setting import Room
from evenhall.hall.surfaces import even_absorption

__all__ = ["Field", "band_coherence", "forecast", "forecast_points", "seat_factor"]

FloatArray = NDArray[np.float64]

SEAT_WIDTH_M = 0.5  # a listener is somewhere in it: no lobe narrower than that is forecast
# Least share of the diffuse field that is left beside the reflections, however strong.
LEAST_REST = 0.1


@dataclass(frozen=True, eq=False)
class Field:
    """Levels at points, all loudspeakers together, dB re direct sound at 1 m on axis.

    Parameters
    ----------
    shape : tuple of int
        Rows and seats; points are in rows.
    distance_m : ndarray, shape (n_points,)
        From the nearest loudspeaker.
    direct_db, total_db : ndarray, shape (n_points, 31)
        Direct sound; with the room's reflections.
    reverberant_db : ndarray, shape (n_points, 31), or None
        What the room adds beyond the first reflections; None where size or reverberation time are
        not known.
    """

    shape: tuple[int, int]
    distance_m: FloatArray
    direct_db: FloatArray
    total_db: FloatArray
    reverberant_db: FloatArray | None

    @property
    def mid_db(self) -> FloatArray:
        """Mean of 200 Hz to 4 kHz at every seat, shape (n_rows, n_seats)."""
        return np.asarray(self.total_db[:, MID_BANDS].mean(axis=-1).reshape(self.shape))


def band_coherence(
    delay_s: ArrayLike, *, lower_hz: ArrayLike = LOWER_HZ, upper_hz: ArrayLike = UPPER_HZ
) -> FloatArray:
    """Mean of cos(2 pi f delay) over the logarithm of frequency in each band.

    Two arrivals of one signal, `delay_s` apart, with powers p and q, give a band level of
    p + q + 2 sqrt(p q) times this: pressures add (1) where the delay is short against the band's
    period, powers (0) where delay times bandwidth is well over 1, and at half a period the two
    cancel (near -1).

    Parameters
    ----------
    delay_s : array_like, shape (...)
    lower_hz, upper_hz : array_like, shape (n_bands,)

    Returns
    -------
    ndarray, shape (..., n_bands)

    References
    ----------
    The integral of cos(a f) / f is the cosine integral, Abramowitz and Stegun, section 5.2.

    Examples
    --------
    At 1 kHz: at once, half a period, ten periods.

    >>> band_coherence([0.0, 0.0005, 0.01])[:, 17].round(2).tolist()
    [1.0, -0.98, 0.1]
    """
    from scipy.special import sici  # slow to load, and `evenhall --help` must not wait for it

    delay = np.maximum(np.abs(np.asarray(delay_s, dtype=np.float64)), 1e-9)[..., None]
    lower = np.asarray(lower_hz, dtype=np.float64)
    upper = np.asarray(upper_hz, dtype=np.float64)
    at_upper = sici(2.0 * np.pi * upper * delay)[1]
    at_lower = sici(2.0 * np.pi * lower * delay)[1]
    return np.asarray((at_upper - at_lower) / np.log(upper / lower))


def seat_factor(first: FloatArray, second: FloatArray, *, speed_m_s: float) -> FloatArray:
    """Share of their coherence that two arrivals keep over a seat's width, shape (n_points, 31).

    Told by the across components of the unit vectors in which they arrive: the mean of cos over a
    straight line is sin(x) / x.
    """
    slope_s = np.abs(first - second) * SEAT_WIDTH_M / speed_m_s
    return np.asarray(np.maximum(np.sinc(slope_s[:, None] * EXACT_HZ), 0.0))


@dataclass(frozen=True, eq=False)
class _Paths:
    """Arrivals of one loudspeaker: straight first, then by way of each surface."""

    delay_s: FloatArray  # (n_paths, n_points)
    power: FloatArray  # (n_paths, n_points, 31)
    arrives_across: FloatArray  # (n_paths, n_points)
    distance_m: FloatArray  # (n_points,)
    q: FloatArray  # (31,)
    twice: FloatArray  # (n_points, 31): power by way of two surfaces
    bare_reflected: FloatArray  # (n_points, 31): all reflections of an all-round source


@dataclass(frozen=True, eq=False)
class _Image:
    """A loudspeaker behind its mirrors: how often each surface, where, how departures flip."""

    met: NDArray[np.int64]  # (6,)
    point_m: FloatArray
    sign: FloatArray


def _images(box: Placed, room: Room) -> list[_Image]:
    """Over no, one and two surfaces, the fewest first."""
    lanes = []
    for axis, size_m in enumerate((room.length_m, room.width_m, room.height_m)):
        at = float(box.point_m[axis])
        lane = [((0, 0), at, 1.0)]
        if size_m is not None:
            lane += [((1, 0), -at, -1.0), ((0, 1), 2.0 * size_m - at, -1.0)]
            lane += [((1, 1), at + 2.0 * size_m, 1.0), ((1, 1), at - 2.0 * size_m, 1.0)]
        lanes.append(lane)
    found = []
    for each in itertools.product(*lanes):
        met = np.array([one for side, _, _ in each for one in side])
        if met.sum() <= 2:
            point_m, sign = np.array([one[1] for one in each]), np.array([one[2] for one in each])
            found.append(_Image(met, point_m, sign))
    return sorted(found, key=lambda image: int(image.met.sum()))


def _paths(box: Placed, point_m: FloatArray, room: Room, absorption: FloatArray | None) -> _Paths:
    air_db_per_m = room.air_db_per_m(EXACT_HZ)
    images = _images(box, room)[: None if absorption is not None else 1]
    kept = np.zeros((6, EXACT_HZ.size)) if absorption is None else 1.0 - absorption
    delay, power, across = [], [], []
    bare, twice = np.zeros((2, len(point_m), EXACT_HZ.size))
    for image in images:
        vector = point_m - image.point_m
        distance = np.linalg.norm(vector, axis=1)
        aim = directions(vector * image.sign, np.array([box.down_deg]), np.array([box.turn_deg]))
        off_axis = box.pattern.off_axis_db(aim[0][0], aim[1][0], freq_hz=EXACT_HZ)
        air_db = air_db_per_m * (distance[:, None] - 1.0)
        sent = np.prod(kept ** image.met[:, None], axis=0)
        round_power = sent * 10.0 ** (-air_db / 10.0) / distance[:, None] ** 2
        aimed_power = round_power * 10.0 ** ((box.gain_db + off_axis) / 10.0)
        bare += round_power * min(int(image.met.sum()), 1)
        if image.met.sum() == 2:
            twice += aimed_power
            continue
        power.append(aimed_power)
        delay.append(box.delay_s + distance / room.speed_m_s)
        across.append(vector[:, 1] / distance)
    return _Paths(
        delay_s=np.stack(delay),
        power=np.stack(power),
        arrives_across=np.stack(across),
        distance_m=np.linalg.norm(point_m - box.point_m, axis=1),
        q=box.pattern.directivity_q(EXACT_HZ),
        twice=twice,
        bare_reflected=bare,
    )


def _summed(
    delay_s: FloatArray, power: FloatArray, across: FloatArray, *, speed_m_s: float, at_seats: bool
) -> FloatArray:
    """Power of all arrivals together, shape (n_points, 31)."""
    total = power.sum(axis=0)
    for one in range(len(power)):
        for other in range(one):
            joined = band_coherence(delay_s[one] - delay_s[other])
            if at_seats:
                joined = joined * seat_factor(across[one], across[other], speed_m_s=speed_m_s)
            total = total + 2.0 * np.sqrt(power[one] * power[other]) * joined
    # Equal and opposed arrivals leave nothing; 40 dB below their powers is as good as that.
    return np.asarray(np.maximum(total, 1e-4 * power.sum(axis=0)))


def _rest(paths: _Paths, gain_db: float, room: Room, decay_s: FloatArray) -> FloatArray:
    """Power of the room's rest."""
    assert room.volume_m3 is not None  # the caller has looked
    whole = reverberant_power(
        paths.distance_m, 1.0, volume_m3=room.volume_m3, rt60_s=decay_s, speed_m_s=room.speed_m_s
    )
    rest = np.maximum(whole - paths.bare_reflected, LEAST_REST * whole)
    return np.asarray(rest / paths.q * 10.0 ** (gain_db / 10.0))


def forecast_points(
    placed: Sequence[Placed],
    point_m: FloatArray,
    room: Room,
    *,
    absorption: FloatArray | None = None,
    at_seats: bool = False,
    shape: tuple[int, int] | None = None,
) -> Field:
    """Forecast the levels at any points.

    Parameters
    ----------
    placed : sequence of Placed
        Fed the same signal.
    point_m : ndarray, shape (n_points, 3)
        Along, across, up.
    absorption : ndarray, shape (6, 31), optional
        As `even_absorption()` gives it where it is left out; no reflection where that is None.
    at_seats : bool
        Whether a listener is anywhere within a seat's width, or a microphone exactly there.
    shape : tuple of int, optional
        Rows and seats that the points are.
    """
    absorption = even_absorption(room) if absorption is None else absorption
    decay_s = room.decay_s(EXACT_HZ)
    every = [_paths(box, point_m, room, absorption) for box in placed]

    def joined(paths: slice) -> FloatArray:
        return _summed(
            np.concatenate([one.delay_s[paths] for one in every]),
            np.concatenate([one.power[paths] for one in every]),
            np.concatenate([one.arrives_across[paths] for one in every]),
            speed_m_s=room.speed_m_s,
            at_seats=at_seats,
        )

    direct, early = joined(slice(1)), joined(slice(None))
    twice = np.sum([one.twice for one in every], axis=0)
    rest = None
    total = early + twice
    if room.volume_m3 is not None and decay_s is not None:
        parts = (
            _rest(one, box.gain_db, room, decay_s) for one, box in zip(every, placed, strict=True)
        )
        rest = sum(parts, np.zeros_like(early))
        total = early + twice + rest
    return Field(
        shape=(len(point_m), 1) if shape is None else shape,
        distance_m=np.min([one.distance_m for one in every], axis=0),
        direct_db=np.asarray(10.0 * np.log10(direct)),
        total_db=np.asarray(10.0 * np.log10(total)),
        reverberant_db=None if rest is None else np.asarray(10.0 * np.log10(twice + rest)),
    )


def forecast(placed: Sequence[Placed], seats: Seats, room: Room) -> Field:
    """Forecast what every seat hears of loudspeakers that play the same.

    Raises
    ------
    InputError
        The setting cannot be built.
    """
    check_places(placed, seats, room)
    return forecast_points(placed, seats.point_m, room, at_seats=True, shape=seats.shape)
