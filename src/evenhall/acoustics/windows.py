"""Windows and frequency scales that every take asks for again: made once a length."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["HANN_NOISE", "faded", "hann", "log_bins", "stretch"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

HANN_NOISE = 1.5  # noise bandwidth of a Hann window, in bins


def faded(length: int, rise: int, fall: int) -> FloatArray:
    """Window of ones that rises over the first and falls over the last samples, sine squared."""
    window = np.ones(length)
    window[:rise] = np.sin(0.5 * np.pi * (np.arange(rise) + 0.5) / max(rise, 1)) ** 2
    window[length - fall :] *= np.cos(0.5 * np.pi * (np.arange(fall) + 0.5) / max(fall, 1)) ** 2
    return window


def stretch(signal: FloatArray, start: int, length: int) -> FloatArray:
    """Cut `length` samples from `start` (negative: before the signal), silence around it."""
    cut = np.zeros(length)
    first, last = max(start, 0), min(start + length, signal.size)
    if last > first:
        cut[first - start : last - start] = signal[first:last]
    return cut


@lru_cache(maxsize=8)
def hann(length: int) -> Float32Array:
    """Hann window that begins and ends at 0."""
    window = np.hanning(length).astype(np.float32)
    window.setflags(write=False)
    return window


@lru_cache(maxsize=8)
def log_bins(n_bins: int, shift: float) -> FloatArray:
    """Logarithm of 0 + `shift`, 1 + `shift`, ..."""
    logs: FloatArray = np.log(np.arange(n_bins) + shift)
    logs.setflags(write=False)
    return logs
