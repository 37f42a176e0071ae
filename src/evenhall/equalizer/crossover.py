"""The two filters of a crossover between mains and sub. Start at `crossover_gain()`.

Linkwitz and Riley's: each branch is a Butterworth filter of half the order, twice, so that both are
6 dB down where they meet and their sum is flat in magnitude, once the sub is turned over where the
slope is 12 dB an octave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Crossover", "crossover_gain", "tried_hz"]

# What knobs and displays are lettered with (R20 of ISO 3, two figures).
LETTERED_HZ = (40, 45, 50, 56, 63, 70, 80, 90, 100, 110, 125, 140, 160, 180, 200)


@dataclass(frozen=True)
class Crossover:
    """What can be set between mains and sub.

    Parameters
    ----------
    low_hz, high_hz : float
        Range of the knob; by default no higher than subs are set so that ears do not find them
        (common practice, no source).
    slope_db : int
        12 or 24 dB an octave.
    high_pass : bool
        Whether the mains are given a high-pass with it; else they play down to their own limit.
    """

    low_hz: float = 60.0
    high_hz: float = 120.0
    slope_db: int = 24
    high_pass: bool = True


def tried_hz(crossover: Crossover) -> tuple[float, ...]:
    """Give the frequencies that are worth trying, from the lowest up.

    Examples
    --------
    >>> tried_hz(Crossover(low_hz=75.0, high_hz=110.0))
    (80.0, 90.0, 100.0, 110.0)
    """
    inside = [hz for hz in LETTERED_HZ if crossover.low_hz <= hz <= crossover.high_hz]
    return tuple(float(hz) for hz in inside) or (crossover.low_hz,)


def crossover_gain(
    hz: float, slope_db: int, freq_hz: ArrayLike
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Complex gain of the low-pass and of the high-pass, each of `freq_hz`'s shape.

    Parameters
    ----------
    hz : float
        Where both are 6 dB down.
    slope_db : int
        12 or 24 dB an octave.

    References
    ----------
    Linkwitz, "Active crossover networks for noncoincident drivers", J. Audio Eng. Soc. 24 (1976):
    from memory, and held against scipy.signal in the tests.
    """
    s = 1j * np.asarray(freq_hz, dtype=np.float64) / hz
    if slope_db == 12:
        below = (s + 1.0) ** 2
    elif slope_db == 24:
        below = (s**2 + np.sqrt(2.0) * s + 1.0) ** 2
    else:
        raise AssertionError(f"no such slope: {slope_db}")
    order = slope_db // 6
    return np.asarray(1.0 / below), np.asarray(s**order / below)
