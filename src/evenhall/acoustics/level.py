"""Levels: decibels from ratios and back, frequency weighting, level of a signal.

    db_from_power() ...     conversions, scalar or array
    a_weighting_db() ...    IEC 61672-1, A and C
    rms_dbfs() ...          level, peak and crest factor of a signal

dBFS is used as AES17 defines it: a sine whose peaks reach full scale (1.0) has a level of
0 dBFS RMS. A square wave at full scale then reads +3.01 dBFS.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "FULL_SCALE",
    "FULL_SCALE_RMS",
    "HIGHEST_SAMPLE",
    "HIGH_PASS_HZ",
    "LOW_PASS_HZ",
    "a_weighting_db",
    "amplitude_from_db",
    "c_weighting_db",
    "crest_factor_db",
    "db_from_amplitude",
    "db_from_power",
    "peak_dbfs",
    "power_from_db",
    "rms_dbfs",
]

FloatArray = NDArray[np.float64]

# Beyond it no sample is meant: a recorder in floating point writes hotter ones than 1, and some
# write their integers as they are (32768 in 16 bits). Its square, summed over minutes, is still
# well within float32: every door holds its samples to it.
HIGHEST_SAMPLE = 1e6

# AES17: 0 dBFS is the RMS value of a sine whose peaks reach full scale.
FULL_SCALE_RMS = 0.5**0.5
# A peak from here up is one at full scale, half a step of an 8 bit file included.
FULL_SCALE = 0.999


def db_from_power(ratio: ArrayLike) -> FloatArray:
    """Decibels of a ratio of powers; 0 gives -inf.

    Examples
    --------
    >>> db_from_power([0.5, 2.0]).round(2).tolist()
    [-3.01, 3.01]
    """
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(ratio, dtype=np.float64)))


def db_from_amplitude(ratio: ArrayLike) -> FloatArray:
    """Decibels of a ratio of amplitudes, its sign ignored; 0 gives -inf.

    Examples
    --------
    >>> db_from_amplitude([0.5, 10.0]).round(2).tolist()
    [-6.02, 20.0]
    """
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(np.abs(np.asarray(ratio, dtype=np.float64))))


def power_from_db(level_db: ArrayLike) -> FloatArray:
    """Ratio of powers from decibels."""
    return np.asarray(10.0 ** (np.asarray(level_db, dtype=np.float64) / 10.0))


def amplitude_from_db(level_db: ArrayLike) -> FloatArray:
    """Ratio of amplitudes from decibels."""
    return np.asarray(10.0 ** (np.asarray(level_db, dtype=np.float64) / 20.0))


# Design goals of IEC 61672-1:2013, Annex E: 3 dB down at 10^1.5 and 10^3.9 Hz, and one more
# high-pass, 3 dB down at 10^2.45 Hz as a cascade of two; 0 dB at 1 kHz.
_LOW_HZ, _HIGH_HZ, _A_HZ, _REFERENCE_HZ = 10.0**1.5, 10.0**3.9, 10.0**2.45, 1000.0


def _pole_frequencies_hz() -> tuple[float, float, float, float]:
    """f1 to f4 of IEC 61672-1, equations E.2 to E.5: 20.60, 107.7, 737.9 and 12194 Hz."""
    d = 0.5**0.5
    c = _LOW_HZ**2 * _HIGH_HZ**2
    b = (_REFERENCE_HZ**2 + c / _REFERENCE_HZ**2 - d * (_LOW_HZ**2 + _HIGH_HZ**2)) / (1.0 - d)
    root = (b * b - 4.0 * c) ** 0.5
    f1 = ((-b - root) / 2.0) ** 0.5
    f4 = ((-b + root) / 2.0) ** 0.5
    return f1, _A_HZ * (3.0 - 5.0**0.5) / 2.0, _A_HZ * (3.0 + 5.0**0.5) / 2.0, f4


_F1_HZ, _F2_HZ, _F3_HZ, _F4_HZ = _pole_frequencies_hz()
# Corners of the weightings: of the high-passes, and of the low-pass, which is double.
HIGH_PASS_HZ = {"A": (_F1_HZ, _F1_HZ, _F2_HZ, _F3_HZ), "C": (_F1_HZ, _F1_HZ)}
LOW_PASS_HZ = _F4_HZ


def _c_weighting(freq_hz: FloatArray) -> FloatArray:
    f2 = freq_hz**2
    return db_from_power((f2 / (f2 + _F1_HZ**2) / (f2 + _F4_HZ**2)) ** 2)


def _a_weighting(freq_hz: FloatArray) -> FloatArray:
    f2 = freq_hz**2
    more = db_from_power(f2 / (f2 + _F2_HZ**2) * f2 / (f2 + _F3_HZ**2))
    return np.asarray(_c_weighting(freq_hz) + more)


def a_weighting_db(freq_hz: ArrayLike) -> FloatArray:
    """A-weighting in dB re 1 kHz; standard tables hold the rounded values at exact mid-bands.

    References
    ----------
    IEC 61672-1:2013, Annex E.

    Examples
    --------
    >>> a_weighting_db([100.0, 1000.0, 10000.0]).round(1).tolist()
    [-19.1, 0.0, -2.5]
    """
    freq = np.asarray(freq_hz, dtype=np.float64)
    return np.asarray(_a_weighting(freq) - _a_weighting(np.asarray(_REFERENCE_HZ)))


def c_weighting_db(freq_hz: ArrayLike) -> FloatArray:
    """C-weighting in dB re 1 kHz.

    References
    ----------
    IEC 61672-1:2013, Annex E.

    Examples
    --------
    >>> c_weighting_db([31.5, 1000.0, 10000.0]).round(1).tolist()
    [-3.0, 0.0, -4.4]
    """
    freq = np.asarray(freq_hz, dtype=np.float64)
    return np.asarray(_c_weighting(freq) - _c_weighting(np.asarray(_REFERENCE_HZ)))


def _rms(signal: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(np.mean(signal**2, axis=-1)))


def rms_dbfs(signal: ArrayLike) -> FloatArray:
    """RMS level over the last axis, dB re a sine that reaches full scale (AES17).

    Examples
    --------
    >>> float(rms_dbfs(np.sin(2 * np.pi * np.arange(480) / 48)).round(2))
    0.0
    """
    return db_from_amplitude(_rms(np.asarray(signal, dtype=np.float64)) / FULL_SCALE_RMS)


def peak_dbfs(signal: ArrayLike) -> FloatArray:
    """Highest magnitude of a sample over the last axis, dB re full scale (1.0)."""
    return db_from_amplitude(np.abs(np.asarray(signal, dtype=np.float64)).max(axis=-1))


def crest_factor_db(signal: ArrayLike) -> FloatArray:
    """Peak over RMS value along the last axis: 0 dB for a square wave, 3.01 dB for a sine.

    Silence has no crest factor and gives nan.
    """
    samples = np.asarray(signal, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        return db_from_amplitude(np.abs(samples).max(axis=-1) / _rms(samples))
