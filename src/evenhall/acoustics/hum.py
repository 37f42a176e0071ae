"""Steady tones that no stimulus made: mains hum and its harmonics.

hum_lines_hz()   where they lie in what the response does not explain
tones()          the tones themselves, to be taken off
notches()        a gain that takes out what is left around them
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.whitening import LOWEST_HZ
from evenhall.acoustics.windows import hann

__all__ = ["HUM_WIDTH_HZ", "hum_lines_hz", "notches", "tones"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

HUM_OVER_NEIGHBOURS_DB = 17.0
HUM_NEIGHBOURS_HZ = 8.0
# Half width of a notch: a few lines of the take's own resolution, for a mains that wanders.
HUM_WIDTH_HZ = 0.3
# A tone is narrow: it stands over what lies this near on either side as well.
BESIDE_HZ = (0.5, 2.5)
HUM_TOP_HZ = 2000.0
# A tone that stays under the recording's own density is no matter: twelve seconds make a line
# of it that stands 50 dB higher.
NEGLIGIBLE = 0.02


def hum_lines_hz(residual: Float32Array, recording: Float32Array, rate_hz: float) -> FloatArray:
    """Frequencies of the steady tones in what the response does not explain."""
    n_fft = fft.prev_fast_len(residual.size, real=True)
    spacing_hz = rate_hz / n_fft
    group = max(8, int(HUM_NEIGHBOURS_HZ / spacing_hz))
    n_groups = int(HUM_TOP_HZ / spacing_hz) // group
    if n_groups < 2:
        return np.zeros(0)
    window = hann(n_fft)
    spectrum = fft.rfft(residual[:n_fft] * window)[: n_groups * group].astype(np.complex128)
    power = spectrum.real**2 + spectrum.imag**2
    typical = np.repeat(np.median(power.reshape(n_groups, group), axis=1), group)
    # The recording is about white here: so much power a bin under this window.
    heard = float(np.dot(recording, recording)) / recording.size * float(np.dot(window, window))
    typical = np.maximum(typical, NEGLIGIBLE * heard)
    lines = np.flatnonzero(power > typical * 10.0 ** (HUM_OVER_NEIGHBOURS_DB / 10.0))
    lines = lines[(lines * spacing_hz > LOWEST_HZ) & (power[lines] > 0.0)]
    if lines.size == 0:
        return np.zeros(0)
    near, far = (int(np.ceil(hz / spacing_hz)) for hz in BESIDE_HZ)
    lines = lines[(lines >= far) & (lines + far < power.size)]
    beside = np.array(
        [
            max(np.median(power[k - far : k - near]), np.median(power[k + near + 1 : k + far + 1]))
            for k in lines
        ]
    )
    lines = lines[power[lines] > beside * 10.0 ** (HUM_OVER_NEIGHBOURS_DB / 10.0)]
    if lines.size == 0:
        return np.zeros(0)
    clusters = np.split(lines, np.flatnonzero(np.diff(lines) * spacing_hz > BESIDE_HZ[0]) + 1)
    peaks = np.array([c[np.argmax(power[c])] for c in clusters])
    # Hann main lobe: the ratio of the peak's neighbours places the tone between bins.
    top = np.sqrt(power[peaks])
    left, right = np.sqrt(power[peaks - 1]), np.sqrt(power[np.minimum(peaks + 1, power.size - 1)])
    up, down = (2 * right - top) / (right + top), (top - 2 * left) / (left + top)
    return np.asarray((peaks + np.where(right > left, up, down)) * spacing_hz)


def tones(residual: Float32Array, lines_hz: FloatArray, rate_hz: float) -> Float32Array:
    """Sum of the steady tones at these frequencies, as they lie in the residual."""
    total = np.zeros(residual.size, dtype=np.float32)
    if lines_hz.size == 0:
        return total
    window = hann(residual.size)
    windowed = residual * window
    turns = np.arange(residual.size) / rate_hz
    for line_hz in lines_hz:
        angle = (2.0 * np.pi * ((turns * line_hz) % 1.0)).astype(np.float32)
        for wave in (np.cos(angle), np.sin(angle)):
            total += np.float32(2.0 * np.dot(windowed, wave) / window.sum()) * wave
    return total


def notches(n_bins: int, lines_hz: FloatArray, spacing_hz: float) -> Float32Array:
    """Gain a bin that takes out what is left around each tone, in both signals alike."""
    gain = np.ones(n_bins, dtype=np.float32)
    freq_hz = np.arange(n_bins) * spacing_hz
    for line_hz in lines_hz:
        off = np.abs(freq_hz - line_hz) / HUM_WIDTH_HZ
        near = off < 1.0
        gain[near] *= np.sin(0.5 * np.pi * off[near]) ** 2
    return gain
