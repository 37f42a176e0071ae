"""When the direct sound arrives, and which way up it is.

The direct sound is the first arrival, not the loudest. Its time is the slope of the phase that
the loudspeaker's magnitude does not account for (the excess phase): a loudspeaker's own roll-off
and equalizing are minimum-phase, and are no part of the distance. Start at `first_arrival()`. A sub
alone has no treble to tell it by; `bass_onset()` then says where its sound begins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

__all__ = ["Arrival", "bass_onset", "first_arrival", "minimum_phase"]

FloatArray = NDArray[np.float64]

FIRST_ARRIVAL_DB = -16.0  # below the peak: a louder reflection must not win
ABOVE_NOISE_DB = 14.0  # of the noise's own envelope, so that a chance peak does not pass
EARLIEST_S = 0.1  # before the loudest; no reflection in a small room comes later than that
# Widest ratio of the frequencies whose phase is read: the upper end tells time best, and
# a crossover's own delay lies below.
BAND_RATIO = 6.0
# A sub: its energy below some 150 Hz, and where it first comes near its loudest.
BASS_SMOOTH_S, BASS_ONSET_DB = 0.003, -15.0
BASS_RISE_S = 0.006  # half a period of its middle, in which it rises to that
LAST_SHARE = 0.2  # of the response: noise alone by then
SURE_COSINE = 0.5  # phase within 60 degrees of upright or inverted


@dataclass(frozen=True)
class Arrival:
    """Direct sound in an impulse response.

    Parameters
    ----------
    tap : float
        Where it arrives, in samples; nan if it cannot be told from noise.
    polarity : int
        1 upright, -1 inverted, 0 cannot tell.
    """

    tap: float
    polarity: int


def minimum_phase(magnitude: FloatArray, n_fft: int) -> FloatArray:
    """Phase of the minimum-phase system with this magnitude (homomorphic method)."""
    cepstrum = fft.irfft(np.log(magnitude), n_fft)
    fold = np.zeros(n_fft)
    fold[0] = fold[n_fft // 2] = 1.0
    fold[1 : n_fft // 2] = 2.0
    return np.asarray(np.imag(fft.rfft(cepstrum * fold)))


def bass_onset(impulse: FloatArray, *, rate_hz: float) -> int | None:
    """Tap at which the bass begins, to some milliseconds; None where it does not leave the noise.

    The loudest of a sub in a room is often a resonance that has built up for 50 ms and more.
    """
    width = max(1, round(BASS_SMOOTH_S * rate_hz))
    summed = np.cumsum(np.concatenate([np.zeros(width), impulse.astype(np.float64)]))
    low = summed[width:] - summed[:-width]
    # Half a period of 40 Hz and more, or its crossings of zero would count as silence.
    half = 4 * width
    energy = np.cumsum(np.concatenate([np.zeros(half), low**2]))
    energy = energy[half:] - energy[:-half]
    peak = float(energy.max())
    floor = float(np.mean(energy[-max(1, int(LAST_SHARE * energy.size)) :]))
    if not peak > floor * 10.0 ** (ABOVE_NOISE_DB / 10.0):
        return None
    threshold = max(peak * 10.0 ** (BASS_ONSET_DB / 10.0), floor)
    first = int(np.argmax(energy >= threshold))
    return max(0, first - round(BASS_RISE_S * rate_hz))


def first_arrival(
    impulse: FloatArray,
    *,
    rate_hz: float,
    low_hz: float,
    high_hz: float,
    known_hz: float,
    quiet: int,
) -> Arrival:
    """Tap and polarity of the first wide-band arrival.

    Parameters
    ----------
    impulse : ndarray, shape (n_taps,)
        Impulse response.
    low_hz, high_hz : float
        Where its phase is read.
    known_hz : float
        Up to where its magnitude is known: a stimulus that ends is no loudspeaker's roll-off.
    quiet : int
        Taps at the start in which no sound has arrived yet: they tell the noise.

    References
    ----------
    Minimum phase from the folded cepstrum: Oppenheim and Schafer, Discrete-Time Signal
    Processing, chapter on cepstrum analysis (from memory).
    """
    low_hz = max(low_hz, high_hz / BAND_RATIO)
    n_fft = fft.next_fast_len(2 * impulse.size, real=True)
    freq_hz = np.arange(n_fft // 2 + 1) * (rate_hz / n_fft)
    place = np.clip((freq_hz - low_hz) / (high_hz - low_hz), 0.0, 1.0)
    spectrum = fft.rfft(impulse, n_fft) * np.sin(np.pi * place) ** 2
    envelope = np.abs(fft.ifft(2.0 * spectrum, n_fft)[: impulse.size])
    loudest = int(envelope.argmax())
    floor = float(np.sqrt(np.mean(envelope[:quiet] ** 2))) * 10.0 ** (ABOVE_NOISE_DB / 20.0)
    if not envelope[loudest] > floor:
        return Arrival(np.nan, 0)
    threshold = max(envelope[loudest] * 10.0 ** (FIRST_ARRIVAL_DB / 20.0), floor)
    begin = max(1, loudest - int(EARLIEST_S * rate_hz))
    part = envelope[begin - 1 : loudest + 2]
    peaks = np.flatnonzero((part[1:-1] >= part[:-2]) & (part[1:-1] >= part[2:])) + begin
    high = peaks[envelope[peaks] >= threshold]
    # A response that rises to the very edge of what was kept has no peak of its own.
    first = int(high[0]) if high.size else loudest
    return _refine(
        impulse, first, rate_hz=rate_hz, low_hz=low_hz, high_hz=high_hz, known_hz=known_hz
    )


def _refine(
    impulse: FloatArray,
    first: int,
    *,
    rate_hz: float,
    low_hz: float,
    high_hz: float,
    known_hz: float,
) -> Arrival:
    """Excess phase of the direct sound alone: its slope is the time, its offset the polarity."""
    # Long enough for the lowest frequency read, short enough for no reflection but the floor's.
    reach_s = max(1.0e-3, 3.0 / (high_hz - low_hz), 1.0 / low_hz)
    reach = int(reach_s * rate_hz)
    n_fft = fft.next_fast_len(max(4096, 8 * reach), real=True)
    taps = np.arange(-reach, reach + 1)
    fade = np.cos(0.5 * np.pi * np.clip((np.abs(taps) / reach - 0.5) / 0.5, 0.0, 1.0)) ** 2
    inside = np.clip(first + taps, 0, impulse.size - 1)
    piece = np.zeros(n_fft)
    piece[taps] = impulse[inside] * fade
    spectrum = fft.rfft(piece)
    freq_hz = np.arange(spectrum.size) * (rate_hz / n_fft)
    magnitude = np.abs(spectrum)
    used = (freq_hz >= low_hz) & (freq_hz <= high_hz)
    magnitude = np.maximum(magnitude, magnitude[used].max() * 1e-3)
    # The window blurs the end of the stimulus by so much.
    edge = int(np.searchsorted(freq_hz, max(high_hz, known_hz - 1.0 / reach_s)))
    magnitude[edge:] = magnitude[min(edge, magnitude.size - 1)]
    excess = spectrum * np.exp(-1j * minimum_phase(magnitude, n_fft))
    unit = (excess / np.abs(excess + 1e-30))[used]
    freq = freq_hz[used]
    weight = np.sin(np.pi * (freq - low_hz) / (high_hz - low_hz)) ** 2 + 1e-6
    # Coarse slope from neighbouring bins, then a line through what remains. A crossover below
    # turns the phase once more and leaves a rest that fades with frequency: 1/f to first order.
    step = 2.0 * np.pi * (freq[1] - freq[0])
    delay_s = -float(np.angle(np.sum(weight[1:] * unit[1:] * unit[:-1].conj()))) / step
    terms = np.stack([np.ones(freq.size), freq, 1.0 / freq], axis=1) / np.array(
        [1.0, high_hz, 1.0 / low_hz]
    )
    phase = np.array([0.0, -2.0 * np.pi * delay_s * high_hz, 0.0])
    phase[0] = np.angle(np.sum(weight * unit * np.exp(-1j * (terms @ phase))))
    normal = terms.T @ (weight[:, None] * terms)
    for _ in range(4):
        left = np.angle(unit * np.exp(-1j * (terms @ phase)))
        phase = phase + np.linalg.solve(normal, terms.T @ (weight * left))
    delay_s = -float(phase[1]) / (2.0 * np.pi * high_hz)
    agreed = np.abs(np.sum(weight * unit * np.exp(-1j * (terms @ phase)))) / weight.sum()
    upright = float(agreed * np.cos(phase[0]))
    polarity = 1 if upright > SURE_COSINE else -1 if upright < -SURE_COSINE else 0
    return Arrival(first + delay_s * rate_hz, polarity)
