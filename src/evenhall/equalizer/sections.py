"""Sections of a parametric equalizer: peaking and shelving filters of the second order.

They are the analog prototypes of the published cookbook, s = j f / centre and A = 10^(dB/40):
what a digital console does below a third of its sample rate, and near enough above. A peaking
section is that of a proportional-Q graphic unit (`graphic.py`).

section_response()      complex response of one
sections_gain_db()      of a row of them, in dB
sections_band_gain_db() in each third-octave band
section_power()         |H|^2 of many at once, for the solver; section_slopes() with its slopes
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.bands import BAND_COUNT, band_nodes_hz

__all__ = [
    "KINDS",
    "Kind",
    "Section",
    "section_power",
    "section_response",
    "section_slopes",
    "sections_band_gain_db",
    "sections_gain_db",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]

Kind = Literal["peaking", "low-shelf", "high-shelf"]
KINDS: tuple[Kind, ...] = ("peaking", "low-shelf", "high-shelf")
PEAKING, LOW_SHELF = range(2)


@dataclass(frozen=True)
class Section:
    """One section as it is set.

    Parameters
    ----------
    kind : "peaking", "low-shelf" or "high-shelf"
    centre_hz : float
        Of the peak; of a shelf, where half its decibels are reached.
    gain_db : float
        At the peak, or on the shelf.
    q : float
        Of a peak: centre over its width at half its decibels, for small gains. Of a shelf
        0.71 is the steepest without a bump.
    """

    kind: Kind
    centre_hz: float
    gain_db: float
    q: float


def section_response(section: Section, freq_hz: ArrayLike) -> ComplexArray:
    """Complex response of one section, re its input; of the shape of `freq_hz`.

    References
    ----------
    Bristow-Johnson, Audio EQ Cookbook (W3C note, 2021): H(s) of peakingEQ, lowShelf, highShelf.

    Examples
    --------
    >>> round(20 * np.log10(abs(section_response(Section("low-shelf", 200.0, -6.0, 0.71), 200.0))))
    -3
    """
    s = 1j * np.asarray(freq_hz, dtype=np.float64) / section.centre_hz
    a = 10.0 ** (section.gain_db / 40.0)
    if section.kind == "peaking":
        above, below = s**2 + s * a / section.q + 1.0, s**2 + s / (a * section.q) + 1.0
        return np.asarray(above / below)
    slope = s * np.sqrt(a) / section.q
    low, high = s**2 + slope + a, a * s**2 + slope + 1.0
    return np.asarray(a * low / high if section.kind == "low-shelf" else a * high / low)


def sections_gain_db(sections: Sequence[Section], freq_hz: ArrayLike) -> FloatArray:
    """Gain of a row of sections in dB, of the shape of `freq_hz`."""
    freq = np.asarray(freq_hz, dtype=np.float64)
    each = [20.0 * np.log10(np.abs(section_response(one, freq))) for one in sections]
    return np.sum(each, axis=0) if each else np.zeros(freq.shape)


def sections_band_gain_db(sections: Sequence[Section]) -> FloatArray:
    """Gain in each third-octave band, power mean over log frequency; shape (31,)."""
    if not sections:
        return np.zeros(BAND_COUNT)
    freq_hz, weight = band_nodes_hz(24)
    power = 10.0 ** (sections_gain_db(sections, freq_hz) / 10.0)
    return np.asarray(10.0 * np.log10(power @ weight))


def section_power(
    kind: IntArray, log_hz: FloatArray, gain_db: FloatArray, log_q: FloatArray, freq_hz: FloatArray
) -> FloatArray:
    """|H|^2 of many sections at once, shape (..., n_freq).

    Kinds are places in `KINDS`, centre and Q natural logarithms, all of shape (...).
    """
    return section_slopes(kind, log_hz, gain_db, log_q, freq_hz, slopes=False)[0]


def section_slopes(
    kind: IntArray,
    log_hz: FloatArray,
    gain_db: FloatArray,
    log_q: FloatArray,
    freq_hz: FloatArray,
    *,
    slopes: bool = True,
) -> tuple[FloatArray, FloatArray]:
    """|H|^2 as `section_power()`, and how its logarithm moves with each of the three figures.

    Slopes by log centre, gain in dB and log Q, shape (3, ..., n_freq); empty where not asked for.
    """
    x = np.square(freq_hz * np.exp(-log_hz)[..., None])
    a = 10.0 ** (gain_db / 40.0)[..., None]
    n = x * np.exp(-2.0 * log_q)[..., None]
    by_a = np.log(10.0) / 40.0
    peaking = kind[..., None] == PEAKING

    rest = np.square(1.0 - x)
    top, bottom = n * a**2, n / a**2
    above, below = rest + top, rest + bottom
    power = above / below
    slope = np.empty((3, *power.shape)) if slopes else np.empty(0)
    if slopes:
        turn = 4.0 * x * (1.0 - x)
        slope[0] = (turn - 2.0 * top) / above - (turn - 2.0 * bottom) / below
        slope[2] = 2.0 * (bottom / below - top / above)
        slope[1] = 2.0 * by_a * (top / above + bottom / below)
    if peaking.all():
        return power, slope
    sign = np.where(kind == LOW_SHELF, 1.0, -1.0)[..., None]
    low, high = a - x, 1.0 - a * x
    above, below = np.square(low) + a * n, np.square(high) + a * n
    power = np.where(peaking, power, a**2 * (above / below) ** sign)
    if slopes:
        flank = 2.0 * a * n
        shelf = (
            sign * ((4.0 * x * low - flank) / above - (4.0 * a * x * high - flank) / below),
            by_a
            * (
                2.0
                + sign * ((2.0 * a * low + a * n) / above - (-2.0 * a * x * high + a * n) / below)
            ),
            sign * flank * (1.0 / below - 1.0 / above),
        )
        slope = np.where(peaking, slope, np.stack(shelf))
    return power, slope
