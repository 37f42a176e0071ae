"""Flat tops of a recording, told from peaks by their shape: at full scale and below it.

clipped_places()     how many, and their share of the samples
clipping_problem()   what is said of them
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.level import FULL_SCALE
from evenhall.verdict.problem import Problem

__all__ = ["clipped_places", "clipping_problem"]

# Clipping. Three equal samples in a row are the fewest that make a flat top by themselves.
SHORTEST_FLAT = 3
FLAT = 2.0**-15  # one step of 16 bits: a converter clips to one value
FLAT_BELOW = 1e-3  # of the top: behind a clipping preamp comes noise
LOWEST_TOP = 0.01  # a preamp has 40 dB more room than that; there, steps look like flat tops
FEWEST = 5  # flat tops below full scale, and short ones anywhere, before they are more than chance
# A smooth peak that stays within d of its top for n samples has fallen at most 9 d another
# (n + 1) / 2 samples on, as a parabola does; with rounding, 12 d. Clipped flanks are steeper.
STEEP = 12.0
# Of the samples within 9 d of the top, a smooth peak has a third within d; a clipped one most.
WIDE = 9.0
CROWDED = 0.8
UNEVEN = 0.5  # places that come by chance lie 1.0 of their mean distance off it
# A long recording is looked at in pieces, of a minute and a half at 48 kHz: a wave that is flat by
# nature has as many tops as samples, and each takes memory.
PIECE = 2**22


def clipped_places(samples: NDArray[np.float32]) -> tuple[int, float]:
    """How many flat tops a channel has, and the share of its samples that lie in them.

    A channel is clipped where it has runs of three or more samples at its highest or lowest
    value with flanks too steep for a smooth peak (one run at full scale; five below it, where a
    preamp clipped before the converter), or where far more samples crowd at that value than
    just beneath it. Waves that are flat by nature (square waves) are taken for clipped ones.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Full scale = 1.0. A channel with NaN or infinite samples has no flat tops.

    Returns
    -------
    places : int
    ratio : float
        0 to 1.

    Examples
    --------
    >>> wave = np.sin(np.arange(48_000) * 0.13)
    >>> clipped_places(wave)
    (0, 0.0)
    >>> places, ratio = clipped_places(np.minimum(2.0 * wave, 1.0))
    >>> places, round(ratio, 2)  # a sine is above half its height for a third of the time
    (994, 0.33)
    """
    places = inside = 0
    for sign in (1.0, -1.0):
        top = float(samples.max(initial=0.0) if sign > 0 else -samples.min(initial=0.0))
        if not LOWEST_TOP <= top < np.inf:
            continue
        for start in range(0, len(samples), PIECE):
            count, length = _in_piece(sign * samples[start : start + PIECE], top)
            places += count
            inside += length
    return places, inside / max(len(samples), 1)


def _in_piece(samples: NDArray[np.float32], top: float) -> tuple[int, int]:
    """Count of flat tops and their whole length, `top` being the highest of all pieces."""
    count, length = 0, 0
    if FULL_SCALE <= top <= 1.0:
        count, length = _flat_tops(samples, top, FLAT, fewest=1)
    if not count:
        count, length = _flat_tops(samples, top, max(FLAT_BELOW * top, FLAT), fewest=FEWEST)
    return count, length


def _flat_tops(
    samples: NDArray[np.float32], top: float, flat: float, *, fewest: int
) -> tuple[int, int]:
    """Count of runs within `flat` of `top`, and their whole length; 0 if they may be peaks."""
    high = np.flatnonzero(samples >= top - flat)
    if not high.size:
        return 0, 0
    ends = np.flatnonzero(np.diff(high, append=len(samples) + 1) > 1)
    last = high[ends]
    first = high[np.concatenate(([0], ends[:-1] + 1))]
    length = last - first + 1
    aside = (length + 1) // 2
    before = samples[np.maximum(first - aside, 0)]
    after = samples[np.minimum(last + aside, len(samples) - 1)]
    steep = top - np.minimum(before, after) > STEEP * flat
    clipped = np.count_nonzero(steep & (length >= SHORTEST_FLAT)) >= fewest
    if not clipped and len(first) >= FEWEST:
        # A steady tone can put samples at its very peaks and few beneath, but evenly in time.
        apart = np.diff(first)
        crowded = len(high) > CROWDED * np.count_nonzero(samples >= top - WIDE * flat)
        clipped = crowded and apart.std() > UNEVEN * apart.mean()
    return (len(length), len(high)) if clipped else (0, 0)


def clipping_problem(places: int) -> Problem | None:
    """Tell about a channel with so many flat tops; None if it has none.

    Examples
    --------
    >>> print(clipping_problem(3).text)
    Clipped at 3 places. Lower the preamp, then record every take again: they must share one gain.
    """
    if places == 0:
        return None
    where = "one place" if places == 1 else f"{places} places"
    return Problem(
        "clipped",
        f"Clipped at {where}. "
        "Lower the preamp, then record every take again: they must share one gain.",
    )
