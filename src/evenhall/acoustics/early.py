"""The early sound of a loudspeaker: what it sends, before the room has answered.

    early_levels()   third-octave levels of the first sound, shorter the higher the band
    onset_s()        when a sub's sound begins, which has no treble to tell its arrival by
    compare()        how alike two early responses are, how much later one is, and which way up

A room adds to the two boxes of a pair what belongs to their places. The first few periods hold
the least of it, and still tell bands apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, log_frequency_mean
from evenhall.acoustics.windows import faded, stretch

__all__ = ["EarlyLevels", "Likeness", "compare", "early_levels", "onset_s"]

FloatArray = NDArray[np.float64]

# So many periods tell a band from those an octave away. Four would part third octaves, and let
# the floor in from 1 kHz down: healthy pairs then differ by 3 dB at 400 Hz, with two by 0.6 dB.
PERIODS = 2.0
SHORTEST_S = 0.004  # the floor answers some 4 ms after a box on a stand, heard 2 to 3 m away
LONGEST_S = 0.08
BEFORE_SHARE = 0.25  # of the window, ahead of the arrival: filters ring before it
FADE_SHARE = 0.4
LEAST_BIN_HZ = 2.0
# Ahead of the arrival: from here on there is no noise but the box's own first sound.
CLEAR_S = 0.003
SILENT = 1e-30
# Where the envelope of a band has come within this of its peak: a room that builds up its modes
# peaks late, and the way there up to here is the box's own.
ONSET_DB = -12.0
COMPARED_S = 0.25  # longest stretch in which two responses are held against each other


@dataclass(frozen=True)
class EarlyLevels:
    """Early sound by third-octave band, dB re what was sent.

    Parameters
    ----------
    level_db : ndarray, shape (31,)
        Of the first periods, noise included.
    floor_db : ndarray, shape (31,)
        What noise alone makes of it.
    """

    level_db: FloatArray
    floor_db: FloatArray


def _window(after: int, before: int) -> FloatArray:
    length = after + before
    return faded(length, before, max(1, round(FADE_SHARE * length)))


def early_levels(impulse: FloatArray, *, rate_hz: float, arrival_s: float) -> EarlyLevels:
    """Levels of the first sound of an impulse response.

    Parameters
    ----------
    impulse : ndarray, shape (n_taps,)
        Response, with some 0.1 s ahead of the arrival that holds noise alone.
    """
    n_fft = fft.next_fast_len(round(rate_hz / LEAST_BIN_HZ), real=True)
    arrival = round(arrival_s * rate_hz)
    level, floor = np.empty(BAND_COUNT), np.empty(BAND_COUNT)
    lengths = np.round(np.clip(PERIODS / EXACT_HZ, SHORTEST_S, LONGEST_S) * rate_hz).astype(int)

    def power(begin: int, window: FloatArray) -> FloatArray:
        spectrum = fft.rfft(stretch(impulse, begin, window.size) * window, n_fft)
        return log_frequency_mean(spectrum.real**2 + spectrum.imag**2, spacing_hz=rate_hz / n_fft)

    for length in np.unique(lengths):
        bands = lengths == length
        before = round(BEFORE_SHARE * length)
        window = _window(length, before)
        level[bands] = power(arrival - before, window)[bands]
        # Noise: as many stretches of that length as lie ahead of the arrival, the last one first.
        ends = range(arrival - round(CLEAR_S * rate_hz) - before, 0, -length)
        starts = [end - length for end in ends if end >= length] or [0]
        floor[bands] = np.mean([power(start, window)[bands] for start in starts[:16]], axis=0)
    return EarlyLevels(
        10.0 * np.log10(np.maximum(level, SILENT)), 10.0 * np.log10(np.maximum(floor, SILENT))
    )


def _octaves_between(freq_hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Gain that passes what lies between, with half an octave of slope about either end."""
    octaves = np.log2(np.maximum(freq_hz, 1e-3))
    rise = np.clip((octaves - np.log2(low_hz)) * 2.0 + 0.5, 0.0, 1.0)
    fall = np.clip((np.log2(high_hz) - octaves) * 2.0 + 0.5, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * np.minimum(rise, fall)) ** 2)


def onset_s(impulse: FloatArray, *, rate_hz: float, low_hz: float, high_hz: float) -> float:
    """Time at which the sound in a band has risen to within 12 dB of its peak.

    Parameters
    ----------
    impulse : ndarray, shape (n_taps,)
    """
    n_fft = fft.next_fast_len(2 * impulse.size, real=True)
    spectrum = fft.rfft(impulse, n_fft)
    freq_hz = np.asarray(np.arange(spectrum.size) * (rate_hz / n_fft), dtype=np.float64)
    spectrum *= _octaves_between(freq_hz, low_hz, high_hz)
    envelope = np.abs(fft.ifft(2.0 * spectrum, n_fft)[: impulse.size])
    return float(np.argmax(envelope >= envelope.max() * 10.0 ** (ONSET_DB / 20.0)) / rate_hz)


@dataclass(frozen=True)
class Likeness:
    """One early response held against another.

    Parameters
    ----------
    later_s : float
        How much later the second is, where they fit best.
    correlation : float
        How well they fit there, -1 to 1, every octave alike; negative where one is inverted.
    opposite : float
        Size of the best fit the other way up, 0 to 1.
    """

    later_s: float
    correlation: float
    opposite: float


def compare(
    first: FloatArray,
    second: FloatArray,
    *,
    rate_hz: float,
    at_s: tuple[float, float],
    band_hz: tuple[float, float],
    length_s: float,
    slack_s: float,
) -> Likeness:
    """How alike two responses are after their arrivals.

    Parameters
    ----------
    first, second : ndarray, shape (n_taps,)
        Impulse responses.
    at_s : tuple of float
        Where the direct sound arrives in each.
    band_hz : tuple of float
        From where to where they are compared.
    length_s : float
        How much of each, from the arrival on.
    slack_s : float
        How far the arrivals may be wrong.

    Notes
    -----
    Correlation of the two, each weighted so that every octave between the limits has the same
    power: a sound with much bass and a sound with little have equal say.
    """
    length = round(min(length_s, COMPARED_S) * rate_hz)
    before = round((slack_s + 1.0 / band_hz[1]) * rate_hz)
    n_fft = fft.next_fast_len(2 * (length + before), real=True)
    window = _window(length, before)
    freq_hz = np.asarray(np.arange(n_fft // 2 + 1) * (rate_hz / n_fft), dtype=np.float64)
    inside = _octaves_between(freq_hz, *band_hz)

    def spectrum(impulse: FloatArray, at_s: float) -> NDArray[np.complex128]:
        piece = stretch(impulse, round(at_s * rate_hz) - before, window.size)
        values = np.asarray(fft.rfft(piece * window, n_fft), dtype=np.complex128)
        # Its own envelope over an octave, taken off.
        power = values.real**2 + values.imag**2
        octave = log_frequency_mean(
            power,
            spacing_hz=rate_hz / n_fft,
            lower_hz=np.maximum(freq_hz, 1.0) / 2.0**0.5,
            upper_hz=np.maximum(freq_hz, 1.0) * 2.0**0.5,
        )
        weight = np.sqrt(inside / np.maximum(freq_hz, 1.0) / np.maximum(octave, SILENT))
        return np.asarray(values * weight)

    one, two = spectrum(first, at_s[0]), spectrum(second, at_s[1])
    size = np.sqrt(np.sum(np.abs(one) ** 2) * np.sum(np.abs(two) ** 2))
    cross = fft.irfft(one.conj() * two, n_fft) * n_fft / (2.0 * max(size, SILENT))
    reach = max(1, round(slack_s * rate_hz))
    lags = np.arange(-reach, reach + 1)
    fits = cross[lags]
    best = int(np.argmax(np.abs(fits)))
    sign = 1.0 if fits[best] >= 0.0 else -1.0
    first_at, second_at = (round(at * rate_hz) for at in at_s)
    return Likeness(
        later_s=float(second_at - first_at + lags[best]) / rate_hz,
        correlation=float(fits[best]),
        opposite=float(max(0.0, np.max(-sign * fits))),
    )
