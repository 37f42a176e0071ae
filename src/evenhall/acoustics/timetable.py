"""When each band of the stimulus sounds, and how much of it met a recording to be believed.

Stimulus        block by block, the power in each band
believed()      share of it that fell into believed blocks, lag by lag
has_gaps()      whether it leaves much of its bands untouched, as music does
noise_scale()   what the noise at lags without response says of the noise in the response
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import LOWER_HZ, UPPER_HZ, log_frequency_mean

__all__ = ["Stimulus", "believed", "block_powers", "has_gaps", "noise_scale"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# Below this share of its time a band's stimulus passes once, as a sweep does: then there is no
# excess noise from the chance correlations of a noise with itself.
STEADY_SHARE = 0.3
# Share of the stimulus that must have met a recording at outer lags for their noise to count.
LEAST_MET = 0.2
GAPS_SHARE = 0.8  # noise and sweeps fill more of a band than this, music less


def has_gaps(sounded_ratio: FloatArray) -> bool:
    """Whether most bands are filled in part only; `sounded_ratio` is the share of each."""
    return bool(np.median(sounded_ratio) < GAPS_SHARE)


def block_powers(
    signal: Float32Array, block: int, window: Float32Array | None = None
) -> FloatArray:
    """Power spectrum of each block of a signal, shape (n_blocks, block // 2 + 1)."""
    rows = signal.reshape(-1, block)
    spectra = fft.rfft(rows if window is None else rows * window)
    return np.asarray(spectra.real**2 + spectra.imag**2)


class Stimulus:
    """When and where the reference sounds: the power of each block of it, a row a block."""

    def __init__(self, spectra: FloatArray, spacing_hz: float) -> None:
        self.spectra = spectra
        self.spacing_hz = spacing_hz
        total = self.spectra.sum(axis=1)
        carries = total > 1e-4 * total.max()
        self.carries = carries | np.append(False, carries[:-1])
        in_thirds = self.in_bands(LOWER_HZ, UPPER_HZ)
        heard = in_thirds.sum(axis=0)
        # Silence before and after it, of a recorder that was started early, is no part of it.
        sounds = np.flatnonzero(self.carries)
        length = int(np.ptp(sounds)) + 1 if sounds.size else 1
        steady = heard**2 / (length * np.maximum((in_thirds**2).sum(axis=0), 1e-30))
        self.in_thirds = in_thirds
        loud = heard > 1e-6 * heard.max()
        # Whether each band sounds most of the time (noise), or passes once (a sweep).
        self.steady = bool(loud.any() and np.median(steady[loud]) > STEADY_SHARE)

    def in_bands(self, lower_hz: FloatArray, upper_hz: FloatArray) -> FloatArray:
        """Power of each block in each band, shape (n_blocks, n_bands)."""
        return log_frequency_mean(
            self.spectra, spacing_hz=self.spacing_hz, lower_hz=lower_hz, upper_hz=upper_hz
        )

    def mean_time_s(self) -> FloatArray:
        """Centre of gravity in time of each third-octave band; when a sweep passes it."""
        middle_s = (np.arange(self.spectra.shape[0]) + 0.5) / self.spacing_hz
        return np.asarray(middle_s @ self.in_thirds / np.maximum(self.in_thirds.sum(axis=0), 1e-30))


def noise_scale(
    power: FloatArray,
    weight: FloatArray,
    lags: range,
    n_around: int,
    *,
    fitted_share: float,
    fitted: bool,
) -> FloatArray:
    """Factor from the noise at outer lags (in blocks) to the noise in the response, a band.

    At an outer lag the stimulus meets the recording of a later block, or none at all past the
    end of the take, until the circle of `n_around` blocks closes. Correlation makes less noise
    of the less that it meets. A fit (`fitted`) answers from what is left, and makes more of it;
    its way from early to late is not settled, so half of that, in dB, is taken (as simulated
    music has it: with all of it levels came out too high, with none too low).
    Fitting noise to noise costs `fitted_share` of the equations: the residual's power is that
    much too small.
    """
    total = np.maximum(power.sum(axis=0), 1e-30)
    padded = np.zeros((n_around, power.shape[1]))
    padded[: power.shape[0]] = power
    trusted = np.zeros(n_around)
    trusted[: weight.size] = weight
    # Density is read under a Hann window: what the middle lags met counts most.
    counts = np.hanning(len(lags) + 2)[1:-1] ** 2
    around = np.stack([np.roll(trusted, -lag) for lag in lags])
    met = counts @ (around @ padded) / counts.sum()
    met_squared = counts @ (around**2 @ padded) / counts.sum()
    own = np.maximum(weight @ power, 1e-30)
    outer = np.maximum(met_squared, 1e-30 * total) / total / (met if fitted else total)
    scale = (weight**2 @ power) / own**2 / outer
    return np.where(met_squared > LEAST_MET * total, scale / (1.0 - fitted_share), np.nan)


def believed(power: FloatArray, weight: FloatArray, n_lags: int) -> FloatArray:
    """Share of each band's stimulus that fell into believed blocks, shape (n_lags, n_bands).

    A lag reaches that many blocks on: what rings is believed where it was heard. What the take
    was too short to hear is missing, not doubtful.
    """
    total = np.maximum(power.sum(axis=0), 1e-30)
    longer = np.append(weight, np.ones(n_lags))
    return np.stack([longer[lag : lag + weight.size] @ power / total for lag in range(n_lags)])
