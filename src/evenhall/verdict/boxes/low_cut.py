"""Low cuts that were left in: of one box beside another, or of all.

    one_cut()   the cut that explains what two curves differ by, if one does
    end_hz()    where a box ends, whatever cuts it

Rooms scatter single bands of the bass by more than a cut takes away: so closed forms are fitted to
all bands together, each weighed by what it scatters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, NOMINAL_HZ, nearest_band

__all__ = ["LowCut", "end_hz", "one_cut"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# How much better a cut explains the difference than none (chi square), and how much it may leave.
# Both common practice, no source, tried in simulated halls: bench/boxes.py.
BETTER, LEFT = 8.0, 0.6
CORNERS_HZ = 1000.0 * 10.0 ** (np.arange(-12.0, -5.75, 0.5) / 10.0)  # 63 to 250 Hz
ENDS_HZ = 1000.0 * 10.0 ** (np.arange(-15.0, -5.75, 0.5) / 10.0)  # 32 to 250 Hz
CUT_ORDERS = (2, 3)  # 12 and 18 dB an octave
END_ORDERS = (2, 3, 4, 6)  # of a box, a cut included
CUT_BANDS = (EXACT_HZ > 30.0) & (EXACT_HZ < 640.0)
END_BANDS = (EXACT_HZ > 30.0) & (EXACT_HZ < 520.0)
FEWEST = 6  # bands
COMES_BACK_DB = 3.0  # an octave below its end a box has lost 9 dB more; modes give some back


@dataclass(frozen=True)
class LowCut:
    """A low cut that one of two has.

    Parameters
    ----------
    of_first : bool
        Whether the first has it.
    corner_hz : float
        Where it takes 3 dB.
    less_db : float
        What it takes in the octave below that, on average.
    """

    of_first: bool
    corner_hz: float
    less_db: float

    @property
    def nominal_hz(self) -> float:
        """The corner as it is said: the middle of its third octave."""
        return float(NOMINAL_HZ[nearest_band(self.corner_hz)])


def _high_pass_db(corner_hz: float, order: int) -> FloatArray:
    """Give the closed form of a Butterworth high-pass."""
    return np.asarray(-10.0 * np.log10(1.0 + (corner_hz / EXACT_HZ) ** (2 * order)))


def _fit(
    curve: FloatArray, shapes: Sequence[FloatArray], sd_db: FloatArray, used: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Misfit (chi square) of each shape, its level left free, and that level."""
    weight = 1.0 / sd_db[used] ** 2
    left = curve[used] - np.stack(shapes)[:, used]
    level = (left * weight).sum(axis=1) / weight.sum()
    return np.asarray((weight * (left - level[:, None]) ** 2).sum(axis=1)), np.asarray(level)


def one_cut(difference_db: FloatArray, sd_db: FloatArray) -> LowCut | None:
    """Find the low cut that explains what a first and a second differ by; None if none does.

    Parameters
    ----------
    difference_db : ndarray, shape (31,)
        First less second; nan where not known.
    sd_db : ndarray, shape (31,)
        How far two that are alike differ there.
    """
    used = CUT_BANDS & np.isfinite(difference_db)
    if used.sum() < FEWEST:
        return None
    cuts = [
        (of_first, float(corner_hz), (1.0 if of_first else -1.0) * _high_pass_db(corner_hz, order))
        for of_first in (True, False)
        for corner_hz in CORNERS_HZ
        for order in CUT_ORDERS
    ]
    shapes = [np.zeros(BAND_COUNT), *(shape for _, _, shape in cuts)]
    misfit, level_db = _fit(difference_db, shapes, sd_db, used)
    best = 1 + int(misfit[1:].argmin())
    if misfit[0] - misfit[best] < BETTER or misfit[best] > LEFT * misfit[0]:
        return None
    of_first, corner_hz, _ = cuts[best - 1]
    below = used & (np.abs(np.log2(EXACT_HZ / corner_hz) + 0.5) < 0.6)
    if not below.any():
        return None
    less_db = abs(float(difference_db[below].mean() - level_db[best]))
    return LowCut(of_first, corner_hz, less_db)


def end_hz(curve_db: FloatArray, sd_db: FloatArray) -> float:
    """Frequency at which a box has lost 3 dB at its lower end.

    nan where too little is known, or where the sound comes back an octave below: a cancellation,
    as by a wall behind the box, is no end.

    Parameters
    ----------
    curve_db : ndarray, shape (31,)
        Its levels; nan where not known.
    sd_db : ndarray, shape (31,)
        How far they stray from a straight line that ends.
    """
    used = END_BANDS & np.isfinite(curve_db)
    if used.sum() < FEWEST:
        return float("nan")
    ends = [(float(corner_hz), order) for corner_hz in ENDS_HZ for order in END_ORDERS]
    misfit, _ = _fit(curve_db, [_high_pass_db(*end) for end in ends], sd_db, used)
    at_hz = ends[int(misfit.argmin())][0]
    octaves = np.log2(EXACT_HZ / at_hz)
    here, below = (used & (np.abs(octaves - off) < 0.45) for off in (0.0, -1.0))
    comes_back = (
        here.any()
        and below.any()
        and (curve_db[below].max() > curve_db[here].min() + COMES_BACK_DB)
    )
    return float("nan") if comes_back else at_hz
