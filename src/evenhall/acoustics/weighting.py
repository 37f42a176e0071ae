"""A and C weighting as digital filters, true up to 20 kHz. Start at `weighting_filter()`.

The high-passes lie so low that the bilinear transform keeps them. The double pole at 12.2 kHz it
would bend by decibels near half the rate: its poles are carried over as they are, and zeros are
fitted so that the magnitude of the whole is that of the standard.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import signal as sps

from evenhall.acoustics.level import (
    HIGH_PASS_HZ,
    LOW_PASS_HZ,
    a_weighting_db,
    c_weighting_db,
    power_from_db,
)

__all__ = ["Weighting", "weighting_filter"]

FloatArray = NDArray[np.float64]
Weighting = Literal["A", "C"]

ZEROS = 4  # within 0.04 dB up to 16 kHz at 44.1 kHz; two leave 0.12 dB
FITTED_TO = 0.4535  # of the rate: 20 kHz at 44.1 kHz
FITTED_AT = 2000
CURVES = {"A": a_weighting_db, "C": c_weighting_db}


@cache
def weighting_filter(weighting: Weighting, rate_hz: float) -> FloatArray:
    """Give the sections of a weighting, 0 dB at 1 kHz.

    Parameters
    ----------
    rate_hz : float
        From 44.1 kHz on.

    Returns
    -------
    ndarray, shape (n_sections, 6)
        As `scipy.signal.sosfilt()` takes them.

    References
    ----------
    IEC 61672-1:2013, Annex E; the fit is linear least squares on the squared magnitude.

    Examples
    --------
    >>> sections = weighting_filter("A", 44_100.0)
    >>> _, response = sps.freqz_sos(sections, [100.0, 1000.0, 10_000.0], fs=44_100.0)
    >>> (20.0 * np.log10(abs(response))).round(1).tolist()
    [-19.1, 0.0, -2.5]
    """
    corners_hz = np.array(HIGH_PASS_HZ[weighting])
    low = sps.zpk2sos(
        *sps.bilinear_zpk(np.zeros(corners_hz.size), -2.0 * np.pi * corners_hz, 1.0, rate_hz)
    )
    pole = float(np.exp(-2.0 * np.pi * LOW_PASS_HZ / rate_hz))
    freq_hz = np.linspace(0.0, FITTED_TO * rate_hz, FITTED_AT)[1:]
    angle = 2.0 * np.pi * freq_hz / rate_hz
    # Power that the zeros must have: what is wanted, less the high-passes and the poles.
    wanted = (
        power_from_db(CURVES[weighting](freq_hz))
        / np.abs(sps.freqz_sos(low, freq_hz, fs=rate_hz)[1]) ** 2
        * (1.0 - 2.0 * pole * np.cos(angle) + pole**2) ** 2
    )
    cosines = np.cos(np.outer(angle, np.arange(ZEROS + 1)))
    fitted, *_ = np.linalg.lstsq(cosines / wanted[:, None], np.ones(wanted.size))
    # A power without a zero on the unit circle is that of the zeros within it.
    roots = np.roots(np.concatenate([fitted[:0:-1] / 2.0, fitted[:1], fitted[1:] / 2.0]))
    high = sps.zpk2sos(roots[np.abs(roots) < 1.0], [pole, pole], 1.0)
    sections = np.vstack([low, high])
    at_1_khz = sps.freqz_sos(sections, [1000.0], fs=rate_hz)[1]
    sections[-1, :3] /= float(np.abs(at_1_khz[0]))
    return sections
