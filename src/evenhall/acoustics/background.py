"""Noise of a quiet room by third octave, whatever falls over meanwhile. Start at `background()`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ
from evenhall.acoustics.level import (
    FULL_SCALE_RMS,
    a_weighting_db,
    db_from_power,
    power_from_db,
)
from evenhall.acoustics.windows import HANN_NOISE

__all__ = ["Background", "background"]

FloatArray = NDArray[np.float64]

# Long enough to tell 20 from 25 Hz, short enough to leave a slam in few of them.
SEGMENT_S = 0.4


@dataclass(frozen=True)
class Background:
    """Noise at the microphone.

    Parameters
    ----------
    band_dbfs : ndarray, shape (31,)
        Level in each third octave, dB re a full-scale sine; -inf in silence, nan above half the
        sample rate.
    a_weighted_dbfs : float
        A-weighted sum of the bands.
    """

    band_dbfs: FloatArray
    a_weighted_dbfs: float


def background(microphone: NDArray[np.floating[Any]], *, rate_hz: float) -> Background:
    """Level of steady noise in each third octave: the median over pieces of 0.4 s.

    A slam or a cough is in few of the pieces and moves the median little. The median of power
    lies below its mean; for noise that is known (chi-square) and set right.

    Parameters
    ----------
    microphone : ndarray, shape (n_samples,)
        The room alone, full scale = 1.0; half a second or more, better two.

    Raises
    ------
    ValueError
        Fewer samples than a piece holds.

    References
    ----------
    Wilson and Hilferty (1931): the median of chi-square with n degrees of freedom is
    n (1 - 2/(9 n))^3, about.
    """
    n = fft.next_fast_len(round(SEGMENT_S * rate_hz), real=True)
    if microphone.size < n:
        raise ValueError(f"{microphone.size} samples are fewer than a piece of {n}")
    starts = np.arange(0, microphone.size - n + 1, n // 2)
    window = np.hanning(n + 1)[:-1]
    pieces = np.stack([microphone[start : start + n] for start in starts]) * window
    # One-sided power a bin, so that the bins of noise add up to its mean square.
    power = 2.0 * np.abs(fft.rfft(pieces, axis=-1)) ** 2 / (n * float(window @ window))
    spacing_hz = rate_hz / n
    edges_hz = (np.arange(power.shape[1] + 1) - 0.5) * spacing_hz
    below = np.concatenate([np.zeros((len(power), 1)), np.cumsum(power, axis=1)], axis=1)
    upper_hz = np.minimum(UPPER_HZ, rate_hz / 2.0)
    in_bands = np.stack(
        [
            np.interp(upper_hz, edges_hz, piece) - np.interp(LOWER_HZ, edges_hz, piece)
            for piece in below
        ]
    )
    freedom = 2.0 * np.maximum((UPPER_HZ - LOWER_HZ) / (HANN_NOISE * spacing_hz), 1.0)
    typical = np.median(in_bands, axis=0) / (1.0 - 2.0 / (9.0 * freedom)) ** 3
    band_dbfs = np.where(
        rate_hz / 2.0 > LOWER_HZ, db_from_power(typical / FULL_SCALE_RMS**2), np.nan
    )
    known = np.where(np.isfinite(band_dbfs), band_dbfs, -np.inf)
    total = power_from_db(known + a_weighting_db(EXACT_HZ)).sum()
    return Background(band_dbfs=band_dbfs, a_weighted_dbfs=float(db_from_power(total)))
