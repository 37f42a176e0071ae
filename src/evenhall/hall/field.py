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

from evenhall.acoustics.air import air_absorption_db_per_m, speed_of_sound_m_s
from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ
from evenhall.hall.level import MID_BANDS, reverberant_power
from evenhall.hall.seats import Placed, Seats, check_places, directions
from evenhall.hall.setting import Room
from evenhall.hall.surfaces import Surfaces, band_decay_s, even_surfaces

__all__ = ["Field", "band_coherence", "forecast", "forecast_points", "seat_factor"]

FloatArray = NDArray[np.float64]

SEAT_WIDTH_M = 0.5  # a listener is somewhere in it: no lobe narrower than that is forecast
EARLY_S = 0.05  # what comes within 50 ms of the direct sound helps speech: C50, ISO 3382-1
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
    direct_db, early_db, total_db : ndarray, shape (n_points, 31)
        Direct sound; with the first reflections; with the rest of the room.
    reverberant_db : ndarray, shape (n_points, 31), or None
        The rest; None where size or reverberation time are not known.
    c50_db : ndarray, shape (n_points,), or None
        Early to late energy, mean of 500 Hz to 4 kHz.
    """

    shape: tuple[int, int]
    distance_m: FloatArray
    direct_db: FloatArray
    early_db: FloatArray
    total_db: FloatArray
    reverberant_db: FloatArray | None
    c50_db: FloatArray | None

    @property
    def mid_db(self) -> FloatArray:
        """Mean of 200 Hz to 4 kHz at every seat, shape (n_rows, n_seats)."""
        return np.asarray(self.total_db[:, MID_BANDS].mean(axis=-1).reshape(self.shape))

    @property
    def spread_db(self) -> float:
        """Loudest seat less softest, mean of 200 Hz to 4 kHz."""
        return float(np.ptp(self.mid_db))

    @property
    def front_minus_back_db(self) -> float:
        """First row less last row, each the mean of its seats, 200 Hz to 4 kHz."""
        row_db = self.mid_db.mean(axis=1)
        return float(row_db[0] - row_db[-1])


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
    """Share of their coherence that two arrivals keep over the width of a seat, by band.

    Parameters
    ----------
    first, second : ndarray, shape (n_points,)
        Across component of the unit vectors in which they arrive.

    Returns
    -------
    ndarray, shape (n_points, 31)
        Mean of cos over a straight line: sin(x) / x.
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


def _paths(box: Placed, point_m: FloatArray, room: Room, surfaces: Surfaces | None) -> _Paths:
    speed_m_s = speed_of_sound_m_s(room.temperature_c)
    air_db_per_m = air_absorption_db_per_m(
        EXACT_HZ, temperature_c=room.temperature_c, humidity_pct=room.humidity_pct
    )
    images = _images(box, room)[: None if surfaces is not None else 1]
    kept = np.zeros((6, EXACT_HZ.size)) if surfaces is None else 1.0 - surfaces.absorption
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
        delay.append(box.delay_s + distance / speed_m_s)
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


def _rest(paths: _Paths, gain_db: float, room: Room, rt60_s: FloatArray, early: bool) -> FloatArray:
    """Power of the room's rest; `early` that within 50 ms of the direct sound alone."""
    assert room.volume_m3 is not None  # the caller has looked
    speed_m_s = speed_of_sound_m_s(room.temperature_c)
    whole = reverberant_power(
        paths.distance_m, 1.0, volume_m3=room.volume_m3, rt60_s=rt60_s, speed_m_s=speed_m_s
    )
    rest = np.maximum(whole - paths.bare_reflected, LEAST_REST * whole)
    late = whole * np.exp(-6.0 * np.log(10.0) * EARLY_S / rt60_s)
    part = np.maximum(rest - late, 0.0) if early else rest
    return np.asarray(part / paths.q * 10.0 ** (gain_db / 10.0))


def forecast_points(
    placed: Sequence[Placed],
    point_m: FloatArray,
    room: Room,
    *,
    surfaces: Surfaces | None = None,
    rt60_s: FloatArray | None = None,
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
    surfaces : Surfaces, optional
        All alike after the room's reverberation time without; none where that is not known.
    rt60_s : ndarray, shape (31,), optional
        As measured; from the room's mid-band time without.
    at_seats : bool
        Whether a listener is anywhere within a seat's width, or a microphone exactly there.
    shape : tuple of int, optional
        Rows and seats that the points are.
    """
    surfaces = even_surfaces(room) if surfaces is None else surfaces
    decay = band_decay_s(room) if rt60_s is None else rt60_s
    speed_m_s = speed_of_sound_m_s(room.temperature_c)
    every = [_paths(box, point_m, room, surfaces) for box in placed]

    def joined(paths: slice) -> FloatArray:
        return _summed(
            np.concatenate([one.delay_s[paths] for one in every]),
            np.concatenate([one.power[paths] for one in every]),
            np.concatenate([one.arrives_across[paths] for one in every]),
            speed_m_s=speed_m_s,
            at_seats=at_seats,
        )

    direct, early = joined(slice(1)), joined(slice(None))
    twice = np.sum([one.twice for one in every], axis=0)
    rest, c50 = None, None
    total = early + twice
    if room.volume_m3 is not None and decay is not None:
        gains = [box.gain_db for box in placed]
        rest, soon = (
            sum(
                (
                    _rest(one, gain, room, decay, when)
                    for one, gain in zip(every, gains, strict=True)
                ),
                np.zeros_like(early),
            )
            for when in (False, True)
        )
        total = early + twice + rest
        speech = (EXACT_HZ > 450.0) & (EXACT_HZ < 4500.0)
        ratio_db = 10.0 * np.log10((early + twice + soon) / np.maximum(rest - soon, 1e-12))
        c50 = np.asarray(ratio_db[:, speech].mean(axis=1))
    return Field(
        shape=(len(point_m), 1) if shape is None else shape,
        distance_m=np.min([one.distance_m for one in every], axis=0),
        direct_db=np.asarray(10.0 * np.log10(direct)),
        early_db=np.asarray(10.0 * np.log10(early)),
        total_db=np.asarray(10.0 * np.log10(total)),
        reverberant_db=None if rest is None else np.asarray(10.0 * np.log10(twice + rest)),
        c50_db=c50,
    )


def forecast(
    placed: Sequence[Placed],
    seats: Seats,
    room: Room,
    *,
    surfaces: Surfaces | None = None,
    rt60_s: FloatArray | None = None,
) -> Field:
    """Forecast what every seat hears of loudspeakers that play the same.

    Parameters
    ----------
    rt60_s : ndarray, shape (31,), optional
        See `forecast_points()`.

    Raises
    ------
    InputError
        The setting cannot be built.
    """
    check_places(placed, seats, room)
    return forecast_points(
        placed,
        seats.point_m,
        room,
        surfaces=surfaces,
        rt60_s=rt60_s,
        at_seats=True,
        shape=seats.shape,
    )
