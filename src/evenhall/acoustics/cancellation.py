"""Whether a dip can be filled: what cancels itself cannot, however far a fader goes.

A dip that an equalizer can undo is minimum-phase: its phase follows from its magnitude. Where a
reflection is as strong as the direct sound, the phase turns once more than the magnitude
tells, and filling the dip fills only the loudspeaker's cone travel. Start at `is_cancellation()`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.arrival import minimum_phase

__all__ = ["is_cancellation"]

FloatArray = NDArray[np.float64]

# Periods of the frequency in question that are looked at: the dip's cause, not the whole room.
PERIODS = 6.0
SPAN_OCTAVES = 0.6
# Excess phase that turns this far across the dip has gone round a zero on the wrong side.
TURN_RAD = np.pi
# Deeper than this below what lies beside it no loudspeaker's own dip is: two sounds nearly
# alike meet, and the least change of place moves the null. Common practice, no source.
NULL_DB = 15.0


def is_cancellation(
    impulse: FloatArray, *, rate_hz: float, arrival_s: float, freq_hz: float
) -> bool:
    """Whether the response near a frequency is a null, or turns more than its magnitude tells.

    Parameters
    ----------
    impulse : ndarray, shape (n_taps,)
        Impulse response.
    arrival_s : float
        Time of the direct sound in it.
    freq_hz : float
        Where the dip lies.

    References
    ----------
    Excess phase of room responses, and which zones of them an equalizer can treat: Neely and
    Allen, JASA 66 (1979) 165 (from memory).
    """
    start = max(0, int((arrival_s - 0.25 / freq_hz) * rate_hz))
    length = int(PERIODS / freq_hz * rate_hz)
    piece = impulse[start : start + length].copy()
    fall = piece.size // 2
    if fall < 8:
        return False
    piece[-fall:] *= np.cos(0.5 * np.pi * np.arange(fall) / fall) ** 2
    n_fft = fft.next_fast_len(max(8 * piece.size, 8192), real=True)
    spectrum = fft.rfft(piece, n_fft)
    hz = np.arange(spectrum.size) * (rate_hz / n_fft)
    magnitude = np.abs(spectrum)
    magnitude = np.maximum(magnitude, magnitude.max() * 1e-4)
    half = 2.0 ** (SPAN_OCTAVES / 2.0)
    # From one bin below, so that each bin of the span has a step of the phase.
    outer = np.flatnonzero((hz >= freq_hz / half**3) & (hz <= freq_hz * half**3))
    near = slice(max(0, outer[0] - 1), outer[-1] + 1)
    hz = hz[near]
    excess = np.unwrap(np.angle(spectrum[near]) - minimum_phase(magnitude, n_fft)[near])
    inner = (hz >= freq_hz / half) & (hz <= freq_hz * half)
    if inner.sum() < 4:
        return False
    beside = ~inner
    beside[0] = False
    level_db = 20.0 * np.log10(magnitude[near])
    if np.median(level_db[beside]) - level_db[inner].min() > NULL_DB:
        return True
    # A delay is a straight line; its slope is read beside the dip, left and right.
    slope = np.median(np.diff(excess)[beside[1:]])
    turned = excess - slope * np.arange(excess.size)
    return bool(np.ptp(turned[inner]) > TURN_RAD)
