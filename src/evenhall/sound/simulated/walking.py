"""A microphone that walks through the simulated room: start at `Walk`.

What it hears is the direct sound and the images around it, each at its exact, changing distance
(Doppler shift and all), then a diffuse tail of plane waves from all sides that pass over it: so
neighbouring places share the field as in a real room. `place_response()` is the impulse response
of the same field at one place, computed another way.

Two things are not exact. The images' filters (walls, air, directivity) are sums of a few filters
whose shares change along the way: within 0.1 dB. And samples are read between others by a cubic
through four, at twice the rate: within 0.02 dB up to 10 kHz and 0.12 dB at 16 kHz.

References
----------
Cook et al., J. Acoust. Soc. Am. 27 (1955) 1072: the correlation sin(kr)/(kr) of a diffuse field
(from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.air import speed_of_sound_m_s
from evenhall.sound.simulated.room import (
    ARRIVAL_S,
    LEAD_SAMPLES,
    MIX_S,
    TAIL_DB,
    Images,
    Mirrored,
    OffAxis,
    Room,
    decay_per_s,
    early_response,
    energies,
    even_fast_length,
    losses_db,
    minimum_phase,
    mirrored,
    mix,
    tail,
    taper,
)

__all__ = ["Source", "Walk", "Way", "place_response"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
# From part of a sound, and the frame of the sound at which it begins, to what the microphone hears
# of it from that frame on, in pieces: `Walk.heard()` is one.
Way = Callable[[Float32Array, int], Iterable[Float32Array]]

# Images give way to the waves between these times after the direct sound has reached the middle
# of the room. Which ones is decided there, for all places: so is the time at which a wave sets in.
WALK_MIX_S = (0.02, 0.035)
N_WAVES = 20  # from all sides: good for sin(kr)/(kr) up to kr = 5, then 1/sqrt(20) is left
LEVEL_AT = (0.2, 0.5, 0.8)  # shares of length, width, height where the tail's level is taken
N_FILTERS = 6  # of which the images' are made up
KNOT_M = 0.15  # between places for which they are made
BLOCK = 256  # samples over which distance and gain change along a straight line
OVER = 2  # times the rate at which the sound is kept to be read between samples
MARGIN = 128  # samples that filters without delay ring to either side


@dataclass(frozen=True, eq=False)
class Source:
    """What plays into the room.

    Parameters
    ----------
    position_m : tuple of float
    off_axis_db : callable, optional
        As for `room_response()`.
    impulse : ndarray, shape (n_samples,)
        Impulse response of all that goes before the room, or after it for every place alike.
    """

    position_m: tuple[float, float, float]
    off_axis_db: OffAxis | None = None
    impulse: FloatArray = field(default_factory=lambda: np.ones(1))


class Walk:
    """The way of a microphone through a room.

    Parameters
    ----------
    sources : sequence of Source
        They all play the same.
    time_s : ndarray, shape (n,)
        Rising, from the start of what is played; the microphone stands before and after.
    place_m : ndarray, shape (n, 3)
        Down the room from the front wall, across from the left wall, up, all within the room;
        straight lines between.
    """

    def __init__(
        self,
        room: Room,
        sources: Sequence[Source],
        time_s: ArrayLike,
        place_m: ArrayLike,
        *,
        rate_hz: float,
    ) -> None:
        self._rate_hz = rate_hz
        self._speed_m_s = speed_of_sound_m_s(room.temperature_c)
        self._middle_m = _middle_m(room)
        self._time_s = np.asarray(time_s, dtype=np.float64)
        self._place_m = np.asarray(place_m, dtype=np.float64)
        self._knot_s = self._knots()
        self._images = []
        filters, waves = [], []
        knots_m = self._at(self._knot_s)
        for source in sources:
            found, weight = _near_images(room, source)
            basis, share = _shared_filters(room, source, found, weight, knots_m, rate_hz)
            self._images.append((found, share))
            filters.append(_convolved(basis, source.impulse))
            waves.append(_convolved(_wave_impulses(room, source, rate_hz), source.impulse))
        n_taps = max(len(one[0]) for one in (*filters, *waves))
        padded = [np.pad(one, ((0, 0), (0, n_taps - len(one[0])))) for one in (*filters, *waves)]
        passing = np.sum(padded[len(filters) :], axis=0)
        self._n_taps = n_taps
        self._n_fft = 1 << math.ceil(math.log2(3 * n_taps))
        emphasis = OVER / _cubic_gain(np.linspace(0.0, np.pi / OVER, self._n_fft // 2 + 1))
        self._spectra = [
            (scipy.fft.rfft(rows.astype(np.float32), self._n_fft) * emphasis).astype(np.complex64)
            for rows in (*padded[: len(filters)], passing)
        ]
        reach_s = math.dist(room.size_m, (0.0, 0.0, 0.0)) / 2.0 / self._speed_m_s
        farthest_s = max(
            np.linalg.norm(found.position_m - self._middle_m, axis=1).max() / self._speed_m_s
            for found, _ in self._images
        )
        self._ahead = math.ceil(reach_s * rate_hz) + MARGIN
        self._behind = math.ceil((reach_s + farthest_s) * rate_hz) + MARGIN

    def heard(self, programme: NDArray[np.floating], from_frame: int = 0) -> Iterator[Float32Array]:
        """Give what the microphone hears, piece by piece as it is asked for.

        Parameters
        ----------
        programme : ndarray, shape (n_samples,)
            What is played.
        from_frame : int
            Since the start of the walk, 0 or more, at which it begins.

        Yields
        ------
        ndarray, shape (n_piece,)
            Seconds of sound, one after the other, from `from_frame` until all has died away.
        """
        ends = from_frame + programme.size + self._n_taps + self._behind
        room_for = self._n_fft - self._n_taps - self._behind - self._ahead - MARGIN
        piece = room_for // BLOCK * BLOCK
        for start in range(from_frame // BLOCK * BLOCK, ends, piece):
            heard = self._piece(programme, from_frame, start, piece)
            yield heard[max(from_frame - start, 0) : ends - start]

    def _piece(
        self, programme: NDArray[np.floating], from_frame: int, start: int, length: int
    ) -> Float32Array:
        """Give `length` samples from frame `start`, both whole blocks."""
        first = start - self._behind
        needed = np.zeros(self._n_fft, dtype=np.float32)
        begin = first - self._n_taps - from_frame
        low, high = max(begin, 0), min(begin + self._n_fft, programme.size)
        if low < high:
            needed[low - begin : high - begin] = programme[low:high]
        spectrum = scipy.fft.rfft(needed)
        edge = np.arange(start, start + length + 1, BLOCK)
        edge_s = edge / self._rate_hz
        place_m = self._at(edge_s)
        middle_s = 0.5 * (edge_s[1:] + edge_s[:-1])
        heard = np.zeros((length // BLOCK, BLOCK), dtype=np.float32)
        per_m = self._rate_hz / self._speed_m_s
        *filters, waves = self._spectra

        def played(rows: NDArray[np.complex64]) -> Float32Array:
            whole = scipy.fft.irfft(rows * spectrum, OVER * self._n_fft, overwrite_x=True)
            return np.ascontiguousarray(whole[:, OVER * self._n_taps :])

        for rows, (found, share) in zip(filters, self._images, strict=True):
            sound = played(rows)
            now = _between(middle_s, self._knot_s, share)
            for image, at_m in enumerate(found.position_m):
                distance_m = np.sqrt(np.square(place_m - at_m).sum(axis=1))
                at = edge - distance_m * per_m + LEAD_SAMPLES - first
                heard += _read(sound, now[:, image], at, 1.0 / distance_m)
        later = (place_m - self._middle_m) @ _directions().T * per_m
        everywhere = np.ones(edge.size)
        one = np.ones((length // BLOCK, 1), dtype=np.float32)
        for group in range(0, N_WAVES, 4):
            sound = played(waves[group : group + 4])
            for wave in range(group, min(group + 4, N_WAVES)):
                at = edge - later[:, wave] - first
                heard += _read(sound[wave - group][None], one, at, everywhere)
        return heard.ravel()

    def _at(self, time_s: FloatArray) -> FloatArray:
        lines = (np.interp(time_s, self._time_s, line) for line in self._place_m.T)
        return np.stack(list(lines), axis=-1)

    def _knots(self) -> FloatArray:
        """Give times at which the way has gone on a little, ends and corners among them."""
        knots = [self._time_s[:1]]
        steps_m = np.linalg.norm(np.diff(self._place_m, axis=0), axis=1)
        for begin_s, end_s, step_m in zip(
            self._time_s[:-1], self._time_s[1:], steps_m, strict=True
        ):
            count = max(math.ceil(step_m / KNOT_M), 1)
            knots.append(np.linspace(begin_s, end_s, count + 1)[1:])
        return np.concatenate(knots)


def place_response(
    room: Room, source: Source, place_m: tuple[float, float, float], *, rate_hz: float
) -> FloatArray:
    """Give the impulse response of a source at one place of the field that a `Walk` goes through.

    Returns
    -------
    ndarray, shape (n_samples,)
        From the moment of emission.
    """
    speed = speed_of_sound_m_s(room.temperature_c)
    near, weight = _near_images(room, source)
    found = near.seen_from(place_m)
    weight_db = 20.0 * np.log10(weight)[:, None]
    waves = _wave_impulses(room, source, rate_hz)
    late = math.ceil(math.dist(room.size_m, (0.0, 0.0, 0.0)) / speed * rate_hz)
    n_samples = waves.shape[1] + late
    early = early_response(
        found,
        rate_hz=rate_hz,
        speed_m_s=speed,
        loss_db=lambda freq_hz: losses_db(room, found, freq_hz, source.off_axis_db) + weight_db,
        n_samples=n_samples,
    )
    later = _directions() @ (np.asarray(place_m) - _middle_m(room)) / speed
    n_fft = even_fast_length(n_samples)
    freq_hz = scipy.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    shift = np.exp(-2j * np.pi * later[:, None] * freq_hz)
    spectrum = (scipy.fft.rfft(waves, n_fft) * shift).sum(axis=0)
    whole = early + scipy.fft.irfft(spectrum, n_fft)[:n_samples]
    return np.asarray(_convolved(whole[None], source.impulse)[0])


def _middle_m(room: Room) -> FloatArray:
    return np.asarray(room.size_m) / 2.0


def _mix_s(room: Room, source: Source) -> tuple[float, float]:
    direct_s = math.dist(source.position_m, _middle_m(room)) / speed_of_sound_m_s(
        room.temperature_c
    )
    return direct_s + WALK_MIX_S[0], direct_s + WALK_MIX_S[1]


def _images(room: Room, source: Source, until_s: float) -> tuple[Mirrored, FloatArray]:
    """Images whose sound has reached the middle of the room by then, and when it does."""
    speed = speed_of_sound_m_s(room.temperature_c)
    x, y, z = _middle_m(room)
    found = mirrored(room.size_m, source.position_m, (x, y, z), reach_m=speed * until_s)
    return found, np.linalg.norm(found.position_m - _middle_m(room), axis=1) / speed


def _near_images(room: Room, source: Source) -> tuple[Mirrored, FloatArray]:
    """Images before the waves, and the weight of each as it gives way to them."""
    mix_s = _mix_s(room, source)
    found, time_s = _images(room, source, mix_s[1])
    return found, np.maximum(mix(time_s, mix_s, out=True), 1e-6)


def _wave_energy(room: Room, source: Source) -> FloatArray:
    """Energy a second of all waves at the emission: in all, that of the images they stand for.

    Counted until the end of the standing room's mix, and in the mean of the whole room.
    """
    mix_s = _mix_s(room, source)
    until_s = max(MIX_S[1], 2.0 * mix_s[1])
    found, time_s = _images(room, source, until_s)
    weight = mix(time_s, mix_s, out=False) ** 2
    shares = np.stack(np.meshgrid(*[LEVEL_AT] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    energy = [
        weight @ energies(room, found.seen_from(place_m), source.off_axis_db)
        for place_m in shares * room.size_m
    ]
    step_s = 1e-4
    passed_s = np.arange(0.0, until_s, step_s)
    waves = mix(passed_s, mix_s, out=False) ** 2 * step_s
    return np.asarray(
        np.mean(energy, axis=0) / (np.exp(-np.outer(decay_per_s(room), passed_s)) @ waves)
    )


def _directions() -> FloatArray:
    """Where the waves go, evenly over the sphere along a golden spiral, shape (n_waves, 3)."""
    n = np.arange(N_WAVES)
    up = (2.0 * n + 1.0) / N_WAVES - 1.0
    turn = np.pi * (3.0 - math.sqrt(5.0)) * n
    flat = np.sqrt(1.0 - up**2)
    return np.column_stack((flat * np.cos(turn), flat * np.sin(turn), up))


@lru_cache(maxsize=4)  # both sides, before and after a hand has moved them
def _wave_impulses(room: Room, source: Source, rate_hz: float) -> FloatArray:
    """Give what each wave brings to the middle of the room, shape (n_waves, n_samples)."""
    mix_s = _mix_s(room, source)
    n_samples = math.ceil((mix_s[1] + max(room.rt60_s) * TAIL_DB / 60.0) * rate_hz)
    millimetres = [round(1000.0 * metre) for metre in source.position_m]
    rng = np.random.default_rng([room.seed, *millimetres])
    start = _wave_energy(room, source) / N_WAVES
    waves = np.stack(
        [
            tail(room, start, rng, rate_hz=rate_hz, n_samples=n_samples, mix_s=mix_s)
            for _ in range(N_WAVES)
        ]
    )
    waves.setflags(write=False)
    return waves


def _shared_filters(
    room: Room,
    source: Source,
    found: Mirrored,
    weight: FloatArray,
    knots_m: FloatArray,
    rate_hz: float,
) -> tuple[FloatArray, Float32Array]:
    """Find filters that make up those of all images along the way, and the share of each.

    Least squares over log frequency, weighted with the arrivals' amplitude.

    Returns
    -------
    basis : ndarray, shape (n_filters, n_taps)
    share : ndarray, shape (n_knots, n_images, n_filters)
    """
    n_fft = even_fast_length(round(ARRIVAL_S * rate_hz))
    freq_hz = scipy.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    seen = [found.seen_from(place_m) for place_m in knots_m]
    arrivals = Images(
        *(
            np.concatenate([getattr(one, name) for one in seen])
            for name in ("distance_m", "bounces", "departure")
        )
    )
    nepers = losses_db(room, arrivals, freq_hz, source.off_axis_db) * (math.log(10.0) / 20.0)
    even = 1.0 / np.sqrt(np.maximum(freq_hz, freq_hz[1]))
    target = minimum_phase(nepers) * even
    stacked = np.concatenate((target.real, target.imag), axis=1)
    loudness = np.tile(weight, len(knots_m)) / arrivals.distance_m
    loud = stacked * loudness[:, None]
    _, vectors = np.linalg.eigh(loud.T @ loud)
    basis = vectors[:, -N_FILTERS:]
    share = (stacked @ basis).reshape(len(knots_m), len(weight), N_FILTERS)
    half = freq_hz.size
    spectrum = (basis[:half] + 1j * basis[half:]).T / even * taper(freq_hz)
    spectrum *= np.exp(-2j * np.pi * freq_hz * LEAD_SAMPLES / rate_hz)
    return scipy.fft.irfft(spectrum, n_fft), (share * weight[:, None]).astype(np.float32)


def _convolved(rows: FloatArray, impulse: FloatArray) -> FloatArray:
    n_samples = rows.shape[1] + impulse.size - 1
    n_fft = even_fast_length(n_samples)
    product = scipy.fft.rfft(rows, n_fft) * scipy.fft.rfft(impulse, n_fft)
    return np.asarray(scipy.fft.irfft(product, n_fft)[:, :n_samples])


def _between(time_s: FloatArray, knot_s: FloatArray, values: Float32Array) -> Float32Array:
    """Values at times between the knots along their first axis, held beyond the ends."""
    at = np.interp(time_s, knot_s, np.arange(knot_s.size))
    low = np.minimum(at.astype(np.int64), max(knot_s.size - 2, 0))
    high = np.minimum(low + 1, knot_s.size - 1)
    part = (at - low).astype(np.float32)[:, None, None]
    return np.asarray(values[low] + part * (values[high] - values[low]))


def _read(
    sound: Float32Array, share: Float32Array, at: FloatArray, gain: FloatArray
) -> Float32Array:
    """Read a sum of sounds at places between their samples.

    Parameters
    ----------
    sound : ndarray, shape (n_sounds, n_samples)
        At `OVER` times the rate.
    share : ndarray, shape (n_blocks, n_sounds)
    at, gain : ndarray, shape (n_blocks + 1,)
        Where, in samples of the rate, and how loud at the blocks' edges; straight lines between.

    Returns
    -------
    ndarray, shape (n_blocks, BLOCK)
    """
    begin, step = OVER * at[:-1], OVER * np.diff(at) / BLOCK
    whole = np.floor(begin).astype(np.int64) - 1
    width = math.ceil(BLOCK * step.max()) + 5
    windows = sliding_window_view(sound, width, axis=1)
    mixed = share[:, :1] * windows[0, whole]
    for one in range(1, len(sound)):
        mixed += share[:, one, None] * windows[one, whole]
    ramp = np.arange(BLOCK, dtype=np.float32)
    where = (begin - whole).astype(np.float32)[:, None] + step.astype(np.float32)[:, None] * ramp
    index = where.astype(np.int32)
    part = where - index
    index += (np.arange(len(whole), dtype=np.int32) * width - 1)[:, None]
    flat = mixed.ravel()
    before, this, after, next_one = (flat.take(index + n) for n in range(4))
    bend = 0.5 * (before + after) - this
    skew = (next_one - before) / 6.0 + 0.5 * (this - after)
    slope = after - before / 3.0 - 0.5 * this - next_one / 6.0
    slope += part * (bend + part * skew)
    this += part * slope
    growth = np.diff(gain).astype(np.float32) / np.float32(BLOCK)
    this *= gain[:-1].astype(np.float32)[:, None] + growth[:, None] * ramp
    return np.asarray(this)


def _cubic_gain(radians: FloatArray) -> FloatArray:
    """RMS gain of `_read()` over all places between two samples, for radians a sample."""
    part = (np.arange(32) + 0.5) / 32
    taps = [
        -part * (part - 1.0) * (part - 2.0) / 6.0,
        (part + 1.0) * (part - 1.0) * (part - 2.0) / 2.0,
        -(part + 1.0) * part * (part - 2.0) / 2.0,
        (part + 1.0) * part * (part - 1.0) / 6.0,
    ]
    turn = np.exp(1j * radians * np.arange(-1, 3)[:, None])
    return np.asarray(np.sqrt(np.mean(np.abs(np.transpose(taps) @ turn) ** 2, axis=0)))
