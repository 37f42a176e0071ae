"""Evenness from front to back, and how left matches right.

Both compare levels as measured, nothing lined up: the gain was left alone between takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.verdict.take import ALIGN_BANDS, SpotResponse, Take, is_main, nan_mean, spot_places

__all__ = ["LIMIT_DB", "Evenness", "Match", "evenness", "match"]

FloatArray = NDArray[np.float64]

LIMIT_DB = 6.0  # back within 6 dB of front at any frequency; common practice, no source
MATCH_LEVEL_DB = 1.0
MATCH_BAND_DB = 3.0
MATCH_BANDS = (EXACT_HZ > 95.0) & (EXACT_HZ < 10500.0)


@dataclass(frozen=True)
class Evenness:
    """Nearest less farthest spot.

    Parameters
    ----------
    sides : dict of ndarray, shape (31,)
        Front minus back on each side; nan where unusable at either.
    worst_db : ndarray, shape (31,)
        In each band that of the side where it is worst.
    mean_db : float
        Mean over 200 Hz to 4 kHz and the sides; nan if unknown.
    """

    sides: dict[str, FloatArray]
    worst_db: FloatArray
    mean_db: float
    limit_db: float = LIMIT_DB

    @property
    def holds(self) -> bool:
        """Whether every known band is within the limit."""
        return bool(np.all(np.abs(self.worst_db[np.isfinite(self.worst_db)]) <= self.limit_db))


def evenness(spots: Sequence[SpotResponse], measured: Sequence[Take]) -> Evenness | None:
    """Front against back; None where no main element was heard at two distances.

    Parameters
    ----------
    spots : sequence of SpotResponse
        What could be used.
    measured : sequence of Take
        All takes in the same state: a front that could not be used is not replaced by the
        middle, or an uneven hall would pass.
    """
    places = spot_places(measured)
    sides = {}
    for side in dict.fromkeys(spot.side for spot in spots if is_main(spot.side)):
        own = {spot.place: spot.level_db for spot in spots if spot.side == side}
        reach = [places[take.spot] for take in measured if take.side == side]
        nearest, farthest = min(reach), max(reach)
        if nearest < farthest and nearest in own and farthest in own:
            sides[side] = own[nearest] - own[farthest]
    if not sides:
        return None
    stacked = np.stack(list(sides.values()))
    size = np.where(np.isfinite(stacked), np.abs(stacked), -1.0)
    worst = stacked[size.argmax(axis=0), np.arange(stacked.shape[1])]
    return Evenness(sides=sides, worst_db=worst, mean_db=float(nan_mean(_mid_means(stacked))))


def _mid_means(levels: FloatArray) -> FloatArray:
    return nan_mean(levels[:, ALIGN_BANDS], axis=1)


@dataclass(frozen=True)
class Match:
    """Left less right.

    Parameters
    ----------
    level_db : float
        Mean over the usable bands from 200 Hz to 4 kHz.
    difference_db : ndarray, shape (31,)
        Mean over the spots that both have.
    spots_db : ndarray, shape (n_spots, 31)
        At each of those spots.
    polarity : int
        1 alike, -1 opposed, 0 cannot tell.
    """

    level_db: float
    difference_db: FloatArray
    spots_db: FloatArray
    polarity: int

    @property
    def holds(self) -> bool:
        """Whether both sides are alike enough to be set alike."""
        known = self.difference_db[MATCH_BANDS]
        known = known[np.isfinite(known)]
        return bool(
            abs(self.level_db) <= MATCH_LEVEL_DB
            and np.all(np.abs(known) <= MATCH_BAND_DB)
            and self.polarity >= 0
        )


def _polarity(spot: SpotResponse) -> int:
    signs = [take.response.polarity for take in spot.takes if take.response is not None]
    return int(np.sign(sum(signs)))


def match(spots: Sequence[SpotResponse]) -> Match | None:
    """Left against right over the spots that both have; None without such a spot."""
    left = {spot.spot: spot for spot in spots if spot.side == "left"}
    right = {spot.spot: spot for spot in spots if spot.side == "right"}
    both = [name for name in left if name in right]
    if not both:
        return None
    per_spot = np.stack([left[name].level_db - right[name].level_db for name in both])
    difference = nan_mean(per_spot)
    level = float(nan_mean(difference[ALIGN_BANDS]))
    votes = [_polarity(left[name]) * _polarity(right[name]) for name in both]
    return Match(
        level_db=level,
        difference_db=difference,
        spots_db=per_spot,
        polarity=int(np.sign(sum(votes))),
    )
