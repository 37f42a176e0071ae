"""Flatten a spectrum: the same weight for every octave that holds energy, none for the rest.

flat_gain()   gain a bin that makes a spectrum flat, and the spans it covers
cut()         take holes out of spans
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import log_frequency_mean
from evenhall.acoustics.windows import log_bins

__all__ = ["LOWEST_HZ", "covered_share", "cut", "flat_gain"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Complex64Array = NDArray[np.complex64]

# Energy per octave, re the strongest twelfth of an octave, under which a signal is taken to
# have none: dither and converter noise lie lower, music's top octave higher.
COVERED_DB = -60.0
# And re the strongest within two octaves: what leaks past the end of a band is no stimulus, and
# flattened it would be all noise.
COVERED_NEAR_DB = -24.0
NEAR_OCTAVES = 2
# What lies deeper than this under its neighbourhood is not raised to full height either.
FULL_GAIN_DB = -15.0
FINE_BANDS_PER_OCTAVE = 12
LOWEST_HZ = 10.0


def flat_gain(
    spectrum: Complex64Array, *, spacing_hz: float, top_hz: float
) -> tuple[Float32Array, FloatArray]:
    """Zero-phase gain that makes a spectrum flat where it holds energy, up to `top_hz`.

    Gain a bin, 0 where the spectrum holds no energy, and the spans where it does, shape (n_spans,
    2).
    """
    n_bands = int(np.log2(top_hz / LOWEST_HZ) * FINE_BANDS_PER_OCTAVE)
    edges_hz = LOWEST_HZ * (top_hz / LOWEST_HZ) ** (np.arange(n_bands + 1) / n_bands)
    squared = spectrum.real**2 + spectrum.imag**2
    peak = max(float(squared.max()), 1e-30)

    def in_bands(values: Float32Array) -> FloatArray:
        return log_frequency_mean(
            values, spacing_hz=spacing_hz, lower_hz=edges_hz[:-1], upper_hz=edges_hz[1:]
        )

    # One after the other: of a long recording each takes hundreds of megabytes.
    power, power_squared = in_bands(squared), in_bands(squared * (squared / peak))
    centre_hz = np.sqrt(edges_hz[:-1] * edges_hz[1:])
    per_octave = power * centre_hz
    reach = NEAR_OCTAVES * FINE_BANDS_PER_OCTAVE
    padded = np.pad(per_octave, reach)
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    covered = per_octave > np.maximum(
        per_octave.max() * 10.0 ** (COVERED_DB / 10.0), near * 10.0 ** (COVERED_NEAR_DB / 10.0)
    )
    gain = np.zeros(spectrum.size, dtype=np.float32)
    if not covered.any():
        return gain, np.zeros((0, 2))
    # The mean weighted by power: where a band is half empty, or a few tones fill it, what is
    # there gets the gain, and not the gaps.
    typical = power_squared[covered] * peak / power[covered]
    typical = np.maximum(typical, (near / centre_hz)[covered] * 10.0 ** (FULL_GAIN_DB / 10.0))
    log_gain = -0.5 * np.log(typical)
    log_centre = np.log(centre_hz[covered] / spacing_hz)
    change = np.flatnonzero(np.diff(np.concatenate([[0], covered.astype(np.int8), [0]])))
    spans_hz = np.stack([edges_hz[change[0::2]], edges_hz[change[1::2]]], axis=1)
    log_bin = log_bins(spectrum.size, 1e-9)
    for low_hz, high_hz in spans_hz:
        inside = slice(int(np.ceil(low_hz / spacing_hz)), int(high_hz / spacing_hz) + 1)
        gain[inside] = np.exp(np.interp(log_bin[inside], log_centre, log_gain))
    return gain, spans_hz


def cut(spans_hz: FloatArray, lower_hz: FloatArray, upper_hz: FloatArray) -> FloatArray:
    """Take the holes from `lower_hz` to `upper_hz` out of the spans, shape (n_spans, 2).

    Examples
    --------
    >>> cut(np.array([[20.0, 200.0]]), np.array([49.0]), np.array([51.0])).tolist()
    [[20.0, 49.0], [51.0, 200.0]]
    """
    for lo, hi in zip(lower_hz, upper_hz, strict=True):
        left = np.stack([spans_hz[:, 0], np.minimum(spans_hz[:, 1], lo)], axis=1)
        right = np.stack([np.maximum(spans_hz[:, 0], hi), spans_hz[:, 1]], axis=1)
        spans_hz = np.concatenate([left, right])
        spans_hz = spans_hz[spans_hz[:, 1] > spans_hz[:, 0]]
    return spans_hz[np.argsort(spans_hz[:, 0])]


def covered_share(freq_hz: FloatArray, spans_hz: FloatArray) -> FloatArray:
    """1 for each frequency inside a span, 0 for the others."""
    return (np.searchsorted(spans_hz.ravel(), freq_hz, side="right") % 2).astype(np.float64)
