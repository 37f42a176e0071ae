"""Third-octave bands: where they lie, and the level of a response in each.

Frequencies and edges after IEC 61260-1:2014, base ten (G = 10^0.3): mid-bands are
1000 * 10^(n/10) Hz, edges 10^(-+0.05) away. Start at `log_frequency_mean()`.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "BAND_COUNT",
    "EXACT_HZ",
    "LOWER_HZ",
    "MID_BANDS",
    "MID_HZ",
    "NOMINAL_HZ",
    "UPPER_HZ",
    "band_nodes_hz",
    "exact_from_nominal_hz",
    "log_frequency_mean",
    "nearest_band",
]

FloatArray = NDArray[np.float64]

NOMINAL_HZ: FloatArray = np.array(
    [
        *(20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800),
        *(1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000),
    ],
    dtype=np.float64,
)
BAND_COUNT = NOMINAL_HZ.size
EXACT_HZ: FloatArray = 1000.0 * 10.0 ** (np.arange(-17, 14) / 10.0)
HALF_BAND_DECADES = 0.05
LOWER_HZ: FloatArray = EXACT_HZ * 10.0**-HALF_BAND_DECADES
UPPER_HZ: FloatArray = EXACT_HZ * 10.0**HALF_BAND_DECADES
for _constant in (NOMINAL_HZ, EXACT_HZ, LOWER_HZ, UPPER_HZ):
    _constant.setflags(write=False)

# Bin 0 starts a hair above 0 Hz: no band reaches there, and the logarithm stays finite.
LOWEST_BORDER = 1e-9
# A frequency this close to a nominal one is meant to be it (job folder contract).
NOMINAL_TOLERANCE = 0.03


def nearest_band(freq_hz: float) -> int:
    """Index of the third-octave band whose mid-band lies nearest on a logarithmic scale.

    Examples
    --------
    >>> NOMINAL_HZ[nearest_band(980.0)]
    np.float64(1000.0)
    """
    return int(np.argmin(np.abs(np.log(EXACT_HZ / freq_hz))))


# Where one level is stated for all bands, it is their mean over these (common practice, no source).
MID_HZ = (200.0, 4000.0)
MID_BANDS = slice(nearest_band(MID_HZ[0]), nearest_band(MID_HZ[1]) + 1)


def exact_from_nominal_hz(freq_hz: ArrayLike) -> FloatArray:
    """Exact mid-band of every frequency within 3 % of a nominal one; others as given.

    Examples
    --------
    >>> exact_from_nominal_hz([31.5, 300.0]).round(3).tolist()
    [31.623, 300.0]
    """
    freq = np.atleast_1d(np.asarray(freq_hz, dtype=np.float64))
    index = np.abs(np.log(freq[:, None] / NOMINAL_HZ)).argmin(axis=1)
    close = np.abs(freq / NOMINAL_HZ[index] - 1.0) <= NOMINAL_TOLERANCE
    return np.where(close, EXACT_HZ[index], freq)


@lru_cache(maxsize=8)
def band_nodes_hz(n_nodes: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre places over log frequency within each band, and their weights of sum 1.

    Returns
    -------
    freq_hz : ndarray, shape (31, n_nodes)
    weight : ndarray, shape (n_nodes,)
    """
    place, weight = np.polynomial.legendre.leggauss(n_nodes)
    freq_hz, weight = EXACT_HZ[:, None] * 10.0 ** (HALF_BAND_DECADES * place), weight / 2.0
    for array in (freq_hz, weight):
        array.setflags(write=False)
    return freq_hz, weight


@lru_cache(maxsize=8)
def _log_borders(n_bins: int) -> tuple[FloatArray, FloatArray]:
    """Logarithms of the borders between bins, in bins, and the widths between them."""
    borders = np.arange(n_bins + 1) - 0.5
    borders[0], borders[-1] = LOWEST_BORDER, n_bins - 1
    log_borders = np.log(borders)
    return log_borders, np.diff(log_borders)


def log_frequency_mean(
    values: ArrayLike,
    *,
    spacing_hz: float,
    lower_hz: ArrayLike = LOWER_HZ,
    upper_hz: ArrayLike = UPPER_HZ,
) -> FloatArray:
    """Mean of `values` over the logarithm of frequency between each pair of edges.

    Of a squared magnitude, it is the power that a band filter passes when pink noise is played.

    Parameters
    ----------
    values : array_like, shape (..., n_bins)
        At 0, `spacing_hz`, 2 `spacing_hz` ...; each holds half-way to its neighbours.
    spacing_hz : float
        Distance between bins; a band needs no whole bin inside it.
    lower_hz, upper_hz : array_like, shape (n_bands,)
        Edges; what lies past the last bin counts as 0, so that the mean of ones is the
        share of the band that the bins cover.

    Returns
    -------
    ndarray, shape (..., n_bands)
    """
    values = np.asarray(values, dtype=np.float64)
    n_bins = values.shape[-1]
    log_borders, widths = _log_borders(n_bins)
    area = np.zeros((*values.shape[:-1], n_bins + 1))
    np.cumsum(values * widths, axis=-1, out=area[..., 1:])

    def area_below(edge_hz: FloatArray) -> FloatArray:
        edge = np.clip(edge_hz / spacing_hz, LOWEST_BORDER, n_bins - 1.0)
        bin_of = np.minimum((edge + 0.5).astype(np.int64), n_bins - 1)
        inside = np.log(edge) - log_borders[bin_of]
        return np.asarray(area[..., bin_of] + values[..., bin_of] * inside)

    lower = np.asarray(lower_hz, dtype=np.float64)
    upper = np.asarray(upper_hz, dtype=np.float64)
    return (area_below(upper) - area_below(lower)) / np.log(upper / lower)
