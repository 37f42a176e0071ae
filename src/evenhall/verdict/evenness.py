"""Evenness from front to back, and how left matches right.

Both compare levels as measured, nothing lined up: the gain was left alone between takes. What is
judged goes from the low limit of the mains, or 63 Hz, to 10 kHz; beyond that it is shown only.
What the places of the microphone make of left against right is told apart: `Match.corrected_db`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.hall.level import EVEN_WITHIN_DB
from evenhall.hall.setting import Room
from evenhall.verdict.move import Stage
from evenhall.verdict.position import PLACE_SD_DB, position_db
from evenhall.verdict.take import ALIGN_BANDS, SpotResponse, Take, nan_mean, spot_places

__all__ = ["Evenness", "Match", "evenness", "judged_bands", "match"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MATCH_LEVEL_DB = 1.0
MATCH_BAND_DB = 3.0
MATCH_BANDS = (EXACT_HZ > 95.0) & (EXACT_HZ < 10500.0)
NO_STAGE = Stage(Room(), None, None, None)
UNKNOWN_PLACE_DB = 3.0  # two boxes 4 m apart, one spot in front of either
EQUALLY_FAR_DB = 0.1  # doubt of a place within a hand's breadth of the middle line, or of a mirror
USUAL_WORTH = 4.0  # spots that the usual spread between spots counts for
JUDGED_LOW_HZ, JUDGED_HIGH_HZ = 63.0, 10_000.0  # common practice, no source


def judged_bands(low_limit_hz: float | None) -> BoolArray:
    """Bands that decide: from the low limit of the mains, or 63 Hz if that is higher, to 10 kHz.

    Examples
    --------
    >>> [int(judged_bands(limit_hz).sum()) for limit_hz in (None, 40.0, 100.0)]
    [23, 23, 21]
    """
    low_hz = max(low_limit_hz or 0.0, JUDGED_LOW_HZ)
    return np.asarray((low_hz <= NOMINAL_HZ) & (NOMINAL_HZ <= JUDGED_HIGH_HZ))


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
    judged : ndarray of bool, shape (31,)
        Bands that decide whether it holds.
    """

    sides: dict[str, FloatArray]
    worst_db: FloatArray
    mean_db: float
    judged: BoolArray
    limit_db: float = EVEN_WITHIN_DB

    @property
    def counts(self) -> tuple[int, int]:
        """How many bands are within the limit, of how many that are known and judged."""
        deciding = np.abs(self.worst_db[self.judged & np.isfinite(self.worst_db)])
        return int((deciding <= self.limit_db).sum()), deciding.size

    @property
    def holds(self) -> bool:
        """Whether every band that is known and judged is within the limit."""
        deciding = self.worst_db[self.judged & np.isfinite(self.worst_db)]
        return bool(np.all(np.abs(deciding) <= self.limit_db))


def evenness(
    spots: Sequence[SpotResponse],
    measured: Sequence[Take],
    *,
    low_limit_hz: float | None = None,
) -> Evenness | None:
    """Front against back; None where no main element was heard at two distances.

    Parameters
    ----------
    spots : sequence of SpotResponse
        What could be used.
    measured : sequence of Take
        All takes in the same state: a front that could not be used is not replaced by the
        middle, or an uneven hall would pass.
    low_limit_hz : float or None
        Of the mains.
    """
    places = spot_places(measured)
    sides = {}
    for side in dict.fromkeys(spot.side for spot in spots if spot.element.is_main):
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
    return Evenness(
        sides=sides,
        worst_db=worst,
        mean_db=float(nan_mean(_mid_means(stacked))),
        judged=judged_bands(low_limit_hz),
    )


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
    position_db : ndarray, shape (n_spots, 31)
        What two boxes that are alike would differ by at each of those spots.
    doubt_db : ndarray, shape (n_spots, 31)
        How far that may be off, one standard deviation, beside what one place strays by.
    well_placed : bool
        Whether at one of them both boxes were heard alike: on the middle line, or mirrored.
    """

    level_db: float
    difference_db: FloatArray
    spots_db: FloatArray
    polarity: int
    position_db: FloatArray
    doubt_db: FloatArray
    well_placed: bool

    @property
    def corrected_bands_db(self) -> FloatArray:
        """Left less right with the places of the microphone allowed for, by trust, shape (31,)."""
        apart = self.spots_db - self.position_db
        trust = np.where(np.isfinite(apart), 1.0 / (PLACE_SD_DB**2 + self.doubt_db**2), 0.0)
        total = trust.sum(axis=0)
        mean = (trust * np.nan_to_num(apart)).sum(axis=0) / np.where(total > 0, total, 1.0)
        return np.asarray(np.where(total > 0, mean, np.nan))

    def over(self, bands: BoolArray) -> tuple[float, float]:
        """Corrected mean over some bands, and its standard deviation; nan where none is known."""
        apart = nan_mean((self.spots_db - self.position_db)[:, bands], axis=1)
        known = np.isfinite(apart)
        if not known.any():
            return float("nan"), float("nan")
        apart, model = apart[known], self.doubt_db[:, bands].mean(axis=1)[known]
        trust = 1.0 / (PLACE_SD_DB**2 + model**2)
        share = trust / trust.sum()
        mean = float(share @ apart)
        # The forecast is off alike at all spots; what a place alone strays by averages out.
        stated = float(np.hypot(share @ model, PLACE_SD_DB * np.sqrt(share @ share)))
        # Two or three spots tell their own spread badly: it is pooled with what is usual.
        freedom = float(known.sum()) - 1.0
        if freedom == 0.0:
            return mean, stated
        scatter = share @ (apart - mean) ** 2 * (1.0 + 1.0 / freedom)
        seen = float(np.sqrt(scatter * (share @ share)))
        pooled = (USUAL_WORTH * stated**2 + freedom * seen**2) / (USUAL_WORTH + freedom)
        return mean, float(np.sqrt(pooled))

    @property
    def corrected_db(self) -> float:
        """Level as `level_db`, with the places of the microphone allowed for."""
        return self.over(ALIGN_BANDS)[0]

    @property
    def uncertainty_db(self) -> float:
        """Of `corrected_db`, one standard deviation."""
        return self.over(ALIGN_BANDS)[1]

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


def match(spots: Sequence[SpotResponse], stage: Stage = NO_STAGE) -> Match | None:
    """Left against right over the spots that both have; None without such a spot.

    Parameters
    ----------
    stage : Stage
        As far as it is known: it says what the places of the microphone make of the two.
    """
    left = {spot.spot: spot for spot in spots if spot.side == "left"}
    right = {spot.spot: spot for spot in spots if spot.side == "right"}
    both = [name for name in left if name in right]
    if not both:
        return None
    per_spot = np.stack([left[name].level_db - right[name].level_db for name in both])
    difference = nan_mean(per_spot)
    votes = [_polarity(left[name]) * _polarity(right[name]) for name in both]
    places = [position_db(left[name].distance_m, right[name].distance_m, stage) for name in both]
    doubt = np.stack([doubt_db for _, doubt_db in places])
    if len(both) == 1 and None in (left[both[0]].distance_m, right[both[0]].distance_m):
        # Of one spot alone no spread tells how far apart the two were heard.
        doubt = np.full_like(doubt, UNKNOWN_PLACE_DB)
    return Match(
        level_db=float(nan_mean(difference[ALIGN_BANDS])),
        difference_db=difference,
        spots_db=per_spot,
        polarity=int(np.sign(sum(votes))),
        position_db=np.stack([place_db for place_db, _ in places]),
        doubt_db=doubt,
        well_placed=any(
            None not in (left[name].distance_m, right[name].distance_m)
            and float(one[ALIGN_BANDS].mean()) < EQUALLY_FAR_DB
            for name, one in zip(both, doubt, strict=True)
        ),
    )
