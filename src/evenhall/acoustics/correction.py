"""A filter that takes a microphone's deviation off what it hears. Start at `Deviation`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft as sfft

__all__ = ["Deviation"]

FloatArray = NDArray[np.float64]

REFERENCE_HZ = 1000.0
TAPS_S = 0.17  # 6 Hz wide: what a microphone does in the bass is wider
FADE = 0.5  # share of the taps over which they end
# Nothing is raised or lowered by more: a microphone that deaf hears its own noise.
MOST_DB = 20.0


@dataclass(frozen=True)
class Deviation:
    """What a microphone adds to the level of each frequency, as its calibration file has it.

    Parameters
    ----------
    freq_hz : ndarray, shape (n_points,)
        Frequencies that rise.
    deviation_db : ndarray, shape (n_points,)
        Beyond the ends as at the ends.
    """

    freq_hz: FloatArray
    deviation_db: FloatArray

    def taps(self, rate_hz: float) -> FloatArray:
        """Give the filter that takes it off: minimum phase, 0 dB at 1 kHz.

        A calibrator gives the level at 1 kHz, and that must stay.

        Returns
        -------
        ndarray, shape (n_taps,)
            0.17 s long.

        Examples
        --------
        >>> mic = Deviation(np.array([1000.0, 10_000.0]), np.array([1.0, 4.0]))
        >>> taps = mic.taps(48_000.0)
        >>> gain = np.abs(np.fft.rfft(taps, 48_000)[[1000, 10_000]])
        >>> ((20.0 * np.log10(gain)).round(1) + 0.0).tolist()
        [0.0, -3.0]
        """
        n_taps = round(TAPS_S * rate_hz)
        size = sfft.next_fast_len(8 * n_taps, real=True)
        grid_hz = np.maximum(sfft.rfftfreq(size, 1.0 / rate_hz), 1.0)
        known = np.log(self.freq_hz)
        wanted_db = np.interp(np.log(REFERENCE_HZ), known, self.deviation_db) - np.interp(
            np.log(grid_hz), known, self.deviation_db
        )
        log_gain = np.clip(wanted_db, -MOST_DB, MOST_DB) * np.log(10.0) / 20.0
        # Minimum phase: the cepstrum folded onto positive times (Oppenheim and Schafer).
        cepstrum = sfft.irfft(log_gain, size)
        fold = np.zeros(size)
        fold[0], fold[1 : (size + 1) // 2] = 1.0, 2.0
        if size % 2 == 0:
            fold[size // 2] = 1.0
        taps = np.asarray(sfft.irfft(np.exp(sfft.rfft(cepstrum * fold)), size))[:n_taps]
        fade = round(FADE * n_taps)
        taps[-fade:] *= np.cos(0.5 * np.pi * np.arange(fade) / fade) ** 2
        return taps
