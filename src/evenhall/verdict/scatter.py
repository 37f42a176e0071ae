"""By how much a third-octave level strays from place to place. Start at `scatter_db()`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ

__all__ = ["DEFAULT_RT60_S", "scatter_db"]

FloatArray = NDArray[np.float64]

DEFAULT_RT60_S = 1.0  # of a small hall that nobody measured
# Level of a sine in a diffuse field, standard deviation over places: (10 / ln 10) pi / sqrt(6).
SINE_SCATTER_DB = 5.57
# Below about this the modes of a small room lie too far apart for the statistics of many.
SCHROEDER_HZ = 100.0
MODAL_EXCESS = 1.25


def scatter_db(rt60_s: float, direct: FloatArray | float = 0.0) -> FloatArray:
    """Return the standard deviation from place to place of each third-octave level.

    Parameters
    ----------
    rt60_s : float
        Reverberation time.
    direct : ndarray, shape (31,), or float
        Share of the energy that is direct sound, which does not scatter.

    References
    ----------
    5.57 dB / sqrt(1 + 0.238 B T), B the bandwidth in Hz: Lubman; Craik (from memory). The
    share is ours: with direct power d and reverberant 1 - d, the relative variance of the sum
    is (1 - d^2) times that of the diffuse field alone.

    Examples
    --------
    >>> scatter_db(0.9)[[7, 17]].round(2).tolist()
    [2.28, 0.78]
    """
    width_hz = UPPER_HZ - LOWER_HZ
    diffuse = SINE_SCATTER_DB / np.sqrt(1.0 + 0.238 * width_hz * rt60_s)
    diffuse = np.where(EXACT_HZ < SCHROEDER_HZ * 0.99, MODAL_EXCESS * diffuse, diffuse)
    return np.asarray(diffuse * np.sqrt(1.0 - np.asarray(direct) ** 2))
