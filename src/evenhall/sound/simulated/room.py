"""The simulated room: image sources of a shoebox, then a decaying diffuse tail.

`images()` lists the arrivals; `room_response()` makes the impulse response of them: each a short
minimum-phase filter (walls, air, directivity) at its exact, fractional delay. Where the images
would become too many, noise takes over whose octaves decay as asked, at the energy that the
images had there.

References
----------
Allen and Berkley, J. Acoust. Soc. Am. 65 (1979) 943: image sources of a rectangular room.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.air import air_absorption_db_per_m, speed_of_sound_m_s

__all__ = [
    "OCTAVES_HZ",
    "Images",
    "Mirrored",
    "Room",
    "early_response",
    "images",
    "mirrored",
    "room_response",
]

FloatArray = NDArray[np.float64]
OffAxis = Callable[[FloatArray, FloatArray], FloatArray]

OCTAVES_HZ: FloatArray = np.asarray(
    1000.0 * 10.0 ** (0.3 * np.arange(-4.0, 4.0))
)  # 63 Hz to 8 kHz, base ten

# Images give way to the tail between these times after the start. A hall of 600 m3 has some
# 370 images by then; the ear and the band levels no longer tell them from noise.
MIX_S = (0.08, 0.11)
JOIN_FROM_S = 0.05  # images from here to the end of the mix set the level of the tail
TAIL_DB = 75.0  # the tail ends this far below its start
DECAY = 6.0 * math.log(10.0)  # of energy, in nepers over the reverberation time

ARRIVAL_S = 1024 / 48_000  # length of an arrival's filter; its losses are smooth in frequency
LEAD_SAMPLES = 64  # room for what a fractional delay puts before the arrival
TAPER_FROM = 0.92  # of the Nyquist frequency: a fractional delay of what lies above would ring


@dataclass(frozen=True)
class Room:
    """A rectangular hall.

    Parameters
    ----------
    length_m, width_m, height_m : float
        Down the room, across, up.
    rt60_s : tuple of float, shape (8,)
        Reverberation time in the octaves 63 Hz to 8 kHz, air included.
    seed : int
        Of the tail.
    """

    length_m: float
    width_m: float
    height_m: float
    rt60_s: tuple[float, ...]
    temperature_c: float = 20.0
    humidity_pct: float = 50.0
    seed: int = 1

    @property
    def size_m(self) -> tuple[float, float, float]:
        """Length, width and height."""
        return self.length_m, self.width_m, self.height_m

    def absorption(self) -> FloatArray:
        """Absorption coefficient of the walls in each octave, after Eyring and less the air.

        A reverberation time that the air alone undercuts leaves walls that absorb 1 %.
        """
        length, width, height = self.size_m
        volume_m3 = length * width * height
        surface_m2 = 2.0 * (length * width + length * height + width * height)
        speed = speed_of_sound_m_s(self.temperature_c)
        # Energy lost a metre: 24 ln(10) / (c T) = (-S ln(1 - a) + 4 m V) / V, over 4.
        lost = 4.0 * DECAY / (speed * np.asarray(self.rt60_s))
        by_air = 4.0 * _air_db_per_m(self, OCTAVES_HZ) * math.log(10.0) / 10.0
        return 1.0 - np.exp(-np.maximum(lost - by_air, 0.0) * volume_m3 / surface_m2).clip(max=0.99)


@dataclass(frozen=True, eq=False)
class Images:
    """Arrivals of one source at one place.

    Parameters
    ----------
    distance_m : ndarray, shape (n,)
        Path length; the direct sound is the shortest.
    bounces : ndarray, shape (n,)
        Walls met on the way.
    departure : ndarray, shape (n, 3)
        Unit vectors in which the paths leave the source.
    """

    distance_m: FloatArray
    bounces: NDArray[np.int64]
    departure: FloatArray


@dataclass(frozen=True, eq=False)
class Mirrored:
    """A source and its images in the walls, by their way to some place, the shortest first.

    Parameters
    ----------
    position_m : ndarray, shape (n, 3)
    flips : ndarray, shape (n, 3)
        -1 along the axes in which an image is mirrored, 1 along the others.
    bounces : ndarray, shape (n,)
        Walls met on the way.
    """

    position_m: FloatArray
    flips: NDArray[np.int64]
    bounces: NDArray[np.int64]

    def seen_from(self, place_m: ArrayLike) -> Images:
        """Give the arrivals at a place, shape (3,), in the order of the images."""
        vector = np.asarray(place_m) - self.position_m
        distance = np.sqrt(np.square(vector).sum(axis=1))
        # A path that arrives from a mirrored source left the real one in the mirrored direction.
        return Images(distance, self.bounces, vector * self.flips / distance[:, None])


def mirrored(
    size_m: tuple[float, float, float],
    source_m: tuple[float, float, float],
    place_m: tuple[float, float, float],
    *,
    reach_m: float,
) -> Mirrored:
    """List the images of a source, over any number of walls, that are within reach of a place."""
    positions, bounced, flips = [], [], []
    for size, source, place in zip(size_m, source_m, place_m, strict=True):
        order = math.ceil(reach_m / (2.0 * size)) + 1
        turn = np.arange(-order, order + 1).repeat(2)
        flipped = np.tile((0, 1), 2 * order + 1)
        sign = 1 - 2 * flipped
        position = sign * source + 2.0 * turn * size
        within = np.abs(place - position) <= reach_m
        positions.append(position[within])
        bounced.append((np.abs(turn - flipped) + np.abs(turn))[within])
        flips.append(sign[within])
    position_of = np.stack(np.meshgrid(*positions, indexing="ij"), axis=-1).reshape(-1, 3)
    sign_of = np.stack(np.meshgrid(*flips, indexing="ij"), axis=-1).reshape(-1, 3)
    bounces = np.add.outer(np.add.outer(bounced[0], bounced[1]), bounced[2]).ravel()
    distance = np.sqrt(np.square(np.asarray(place_m) - position_of).sum(axis=1))
    near = np.flatnonzero(distance <= reach_m)
    near = near[np.argsort(distance[near], kind="stable")]
    return Mirrored(position_of[near], sign_of[near], bounces[near])


def images(
    size_m: tuple[float, float, float],
    source_m: tuple[float, float, float],
    place_m: tuple[float, float, float],
    *,
    reach_m: float,
) -> Images:
    """List every path from source to place, over any number of walls, up to `reach_m` long.

    Examples
    --------
    Direct sound, floor, ceiling, front wall, and the corners:

    >>> found = images((10.0, 8.0, 4.0), (1.0, 4.0, 1.0), (4.0, 4.0, 3.0), reach_m=6.5)
    >>> found.distance_m.round(3).tolist(), found.bounces.tolist()
    ([3.606, 5.0, 5.0, 5.385, 6.403, 6.403], [0, 1, 1, 1, 2, 2])
    """
    return mirrored(size_m, source_m, place_m, reach_m=reach_m).seen_from(place_m)


def early_response(
    found: Images,
    *,
    rate_hz: float,
    speed_m_s: float,
    loss_db: Callable[[FloatArray], FloatArray],
    n_samples: int,
) -> FloatArray:
    """Sum the arrivals, re the level of the direct sound at 1 m.

    Parameters
    ----------
    loss_db : callable
        From frequencies (n_freq,) to dB (n, n_freq), 0 or less: all but the spreading.
    n_samples : int
        Length of the response, from the moment of emission.

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    n_fft = even_fast_length(round(ARRIVAL_S * rate_hz))
    freq_hz = scipy.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    log_gain = loss_db(freq_hz) * (math.log(10.0) / 20.0) - np.log(found.distance_m)[:, None]
    spectrum = minimum_phase(log_gain)
    delay = found.distance_m / speed_m_s * rate_hz
    whole = np.floor(delay).astype(np.int64)
    shift = (delay - whole + LEAD_SAMPLES)[:, None] * freq_hz * (-2j * np.pi / rate_hz)
    arrivals = scipy.fft.irfft(spectrum * np.exp(shift) * taper(freq_hz), n_fft)
    at = whole[:, None] + np.arange(n_fft)
    summed = np.bincount(at.ravel(), arrivals.ravel(), minlength=n_samples + LEAD_SAMPLES)
    return np.asarray(summed[LEAD_SAMPLES : n_samples + LEAD_SAMPLES])


def even_fast_length(n_samples: int) -> int:
    """Length for a quick transform that has a line at the Nyquist frequency."""
    return 2 * int(scipy.fft.next_fast_len(math.ceil(n_samples / 2), real=True))


def minimum_phase(log_gain: FloatArray) -> NDArray[np.complex128]:
    """Spectrum of least delay with these magnitudes, by the folded cepstrum.

    Parameters
    ----------
    log_gain : ndarray, shape (..., n_fft / 2 + 1)
        Natural logarithm of the magnitude, 0 Hz to the Nyquist frequency.

    References
    ----------
    Oppenheim and Schafer, Discrete-Time Signal Processing, chapter on the complex cepstrum
    (from memory).
    """
    n_fft = 2 * (log_gain.shape[-1] - 1)
    cepstrum = scipy.fft.irfft(log_gain, n_fft)
    cepstrum[..., 1 : n_fft // 2] *= 2.0
    cepstrum[..., n_fft // 2 + 1 :] = 0.0
    return np.asarray(np.exp(scipy.fft.rfft(cepstrum)))


def room_response(
    room: Room,
    source_m: tuple[float, float, float],
    place_m: tuple[float, float, float],
    *,
    rate_hz: float,
    off_axis_db: OffAxis | None = None,
    near_m: tuple[float, float, float] | None = None,
) -> FloatArray:
    """Give the impulse response from a source to a place in the room.

    Parameters
    ----------
    source_m, place_m : tuple of float
        Down the room from the front wall, across from the left wall, up.
    off_axis_db : callable, optional
        Frequencies (n_freq,) and directions (n, 3) to dB (n, n_freq); all sides alike without.
    near_m : tuple of float, optional
        Another place, whose tail this one shares as places in a diffuse field do: by
        sin(k r) / (k r), r apart (R. K. Cook and others 1955, from memory). Without it tails of
        any two places have nothing in common.

    Returns
    -------
    ndarray, shape (n_samples,)
        From the moment of emission; 1 at 1 m is the direct sound's level on the axis.
    """
    speed = speed_of_sound_m_s(room.temperature_c)
    found = images(room.size_m, source_m, place_m, reach_m=speed * MIX_S[1])
    time_s = found.distance_m / speed
    n_samples = math.ceil((MIX_S[1] + max(room.rt60_s) * TAIL_DB / 60.0) * rate_hz)
    fade_db = 20.0 * np.log10(np.maximum(mix(time_s, MIX_S, out=True), 1e-6))
    early = early_response(
        found,
        rate_hz=rate_hz,
        speed_m_s=speed,
        loss_db=lambda freq_hz: losses_db(room, found, freq_hz, off_axis_db) + fade_db[:, None],
        n_samples=n_samples,
    )
    joined = energies(room, found, off_axis_db)[time_s >= JOIN_FROM_S].sum(axis=0)
    decay = decay_per_s(room)
    start = joined * decay / (np.exp(-decay * JOIN_FROM_S) - np.exp(-decay * MIX_S[1]))

    def late(there_m: tuple[float, float, float]) -> FloatArray:
        millimetres = [round(1000.0 * metre) for metre in (*source_m, *there_m)]
        rng = np.random.default_rng([room.seed, *millimetres])
        return tail(room, start, rng, rate_hz=rate_hz, n_samples=n_samples)

    if near_m is None:
        return early + late(place_m)
    freq_hz = scipy.fft.rfftfreq(n_samples, 1.0 / rate_hz)
    alike = np.sinc(2.0 * freq_hz * math.dist(place_m, near_m) / speed)
    shared = alike * scipy.fft.rfft(late(near_m))
    own = np.sqrt(1.0 - alike**2) * scipy.fft.rfft(late(place_m))
    return early + np.asarray(scipy.fft.irfft(shared + own, n_samples))


def losses_db(
    room: Room, found: Images, freq_hz: FloatArray, off_axis_db: OffAxis | None
) -> FloatArray:
    """Give what walls, air and the source's directivity take from each arrival.

    Returns
    -------
    ndarray, shape (n, n_freq)
        dB, 0 or less: all but the spreading.
    """
    bounce_db = 10.0 * np.log10(1.0 - room.absorption())
    loss = found.bounces[:, None] * _over_octaves(freq_hz, bounce_db)
    loss = loss - found.distance_m[:, None] * _air_db_per_m(room, freq_hz)
    return loss if off_axis_db is None else loss + off_axis_db(freq_hz, found.departure)


def energies(room: Room, found: Images, off_axis_db: OffAxis | None) -> FloatArray:
    """Energy of each arrival in each octave, shape (n, 8)."""
    loss_db = losses_db(room, found, OCTAVES_HZ, off_axis_db)
    return np.asarray(10.0 ** (loss_db / 10.0) / found.distance_m[:, None] ** 2)


def decay_per_s(room: Room) -> FloatArray:
    """Rate at which each octave's energy decays: as e^(-rate t)."""
    return DECAY / np.asarray(room.rt60_s)


def tail(
    room: Room,
    start: FloatArray,
    rng: np.random.Generator,
    *,
    rate_hz: float,
    n_samples: int,
    mix_s: tuple[float, float] = MIX_S,
) -> FloatArray:
    """Make noise that decays octave by octave and sets in over `mix_s`.

    Parameters
    ----------
    start : ndarray, shape (8,)
        Energy a second that the octaves would have had at the emission.
    """
    decay = decay_per_s(room)
    n_fft = even_fast_length(n_samples)
    freq_hz = scipy.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    spectrum = scipy.fft.rfft(rng.standard_normal(n_samples), n_fft) * taper(freq_hz)
    time_s = np.arange(n_samples) / rate_hz
    shares = np.eye(len(OCTAVES_HZ))
    noise = np.zeros(n_samples)
    for octave, share in enumerate(shares):
        band = scipy.fft.irfft(spectrum * _over_octaves(freq_hz, share), n_fft)[:n_samples]
        # White noise of this variance has the energy start * exp(-decay t) a second.
        envelope = np.sqrt(start[octave] / rate_hz) * np.exp(-0.5 * decay[octave] * time_s)
        noise += band * envelope
    return noise * mix(time_s, mix_s, out=False)


def mix(time_s: FloatArray, mix_s: tuple[float, float], *, out: bool) -> FloatArray:
    """Weight of the images (out) or the tail over the mix; their squares add up to 1."""
    begins_s, ends_s = mix_s
    phase = np.pi / 2.0 * np.clip((time_s - begins_s) / (ends_s - begins_s), 0.0, 1.0)
    return np.asarray(np.cos(phase) if out else np.sin(phase))


def taper(freq_hz: FloatArray) -> FloatArray:
    """Gain that leaves nothing at the Nyquist frequency, the last of `freq_hz`."""
    top = (freq_hz / freq_hz[-1] - TAPER_FROM) / (1.0 - TAPER_FROM)
    return np.asarray(np.cos(np.pi / 2.0 * np.maximum(top, 0.0)) ** 2)


def _over_octaves(freq_hz: FloatArray, values: FloatArray) -> FloatArray:
    """Values of the octaves, straight lines between over log frequency, held beyond the ends."""
    return np.interp(np.log(np.maximum(freq_hz, 1.0)), np.log(OCTAVES_HZ), values)


def _air_db_per_m(room: Room, freq_hz: FloatArray) -> FloatArray:
    return air_absorption_db_per_m(
        np.maximum(freq_hz, 1.0), temperature_c=room.temperature_c, humidity_pct=room.humidity_pct
    )
