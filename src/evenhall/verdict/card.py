"""The card: what is asked of the faders, and the forecast of what they will do.

band_weights()    how much each band counts
may_fill(), may_boost()    where a band, and where a fader, may go up
make_card()    solve for both sides alike, or for each where they differ too much
forecast()     the listening area with the card set, spot by spot and as a whole
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, NOMINAL_HZ
from evenhall.equalizer.graphic import GraphicUnit, finer_unit
from evenhall.equalizer.joint import solve_jointly
from evenhall.equalizer.parametric import Parametric
from evenhall.equalizer.sections import Section, sections_band_gain_db
from evenhall.equalizer.solver import OutOfReach, Solution, Wanted, solve
from evenhall.verdict.area import area_wanted_db
from evenhall.verdict.common import CommonResponse, common_of
from evenhall.verdict.early_late import unshared_db
from evenhall.verdict.patterns import Pattern
from evenhall.verdict.take import align_level_db

__all__ = [
    "Card",
    "Forecast",
    "SpotForecast",
    "band_weights",
    "deviation_db",
    "forecast",
    "make_card",
    "may_boost",
    "may_fill",
    "weighted_rms_db",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Uncertainty at which a band counts half, and beyond which the card does not answer for it.
HALF_WEIGHT_DB = 1.0
LARGEST_UNCERTAINTY_DB = 2.5
# Above it microphones and ears at a distance tell little; a fader there moves hiss.
HIGHEST_HZ = 17000.0
# A card for each side must be worth copying no more: this much less error than one for both.
SEPARATE_DB = 1.0
NONE_OTHER: Mapping[str, GraphicUnit] = MappingProxyType({})


def deviation_db(level_db: FloatArray, target: FloatArray) -> FloatArray:
    """Level less target, its mean over the usable bands from 200 Hz to 4 kHz taken off."""
    difference = level_db - target
    return difference - align_level_db(difference)


def weighted_rms_db(level_db: FloatArray, weight: FloatArray) -> float:
    """Weighted rms with the weighted mean removed; nan where no band counts."""
    counts = (weight > 0) & np.isfinite(level_db)
    if not counts.any():
        return float("nan")
    share = weight[counts] / weight[counts].sum()
    left = level_db[counts] - float(share @ level_db[counts])
    return float(np.sqrt(share @ left**2))


def band_weights(
    common: CommonResponse,
    deviation: FloatArray,
    patterns: Sequence[Pattern],
    *,
    range_hz: tuple[float, float],
) -> FloatArray:
    """How much each band counts: sure and shared ones most, unknown ones nothing.

    Below the loudspeaker's limit only what is too much is answered for: nothing there is
    raised, and no target asks a small box for bass it has not. What is common and left alone is
    not answered for either, or all else would be bent to meet it.
    """
    # What the direct sound does not share is doubt of what a fader should do.
    sure = np.hypot(common.uncertainty_db, unshared_db(common, deviation))
    weight = 1.0 / (1.0 + (np.where(np.isfinite(sure), sure, np.inf) / HALF_WEIGHT_DB) ** 2)
    low_hz, high_hz = range_hz
    asked = (EXACT_HZ < HIGHEST_HZ) & (high_hz * 1.01 >= EXACT_HZ)
    asked &= (low_hz <= NOMINAL_HZ) | (deviation > 0)
    asked &= np.isfinite(deviation) & (sure <= LARGEST_UNCERTAINTY_DB)
    for pattern in patterns:
        if pattern.scope == "common" and pattern.remedy != "equalize":
            asked[list(pattern.bands)] = False
    return np.where(asked, weight, 0.0)


def may_fill(
    patterns: Sequence[Pattern],
    weight: FloatArray,
    cancelled: BoolArray,
    *,
    low_limit_hz: float,
) -> BoolArray:
    """Bands that may be raised: those in a broad, certain dip that all spots share."""
    fills = np.zeros(BAND_COUNT, dtype=bool)
    for pattern in patterns:
        if pattern.depth_db < 0 and pattern.scope == "common" and pattern.remedy == "equalize":
            fills[list(pattern.bands)] = True
    for pattern in patterns:
        if pattern.depth_db < 0 and pattern.scope == "local":
            # What one place lacks is no reason to give it to all.
            fills[list(pattern.bands)] = False
    return fills & (weight > 0) & ~cancelled & (low_limit_hz <= NOMINAL_HZ)


def may_boost(unit: GraphicUnit, fill: BoolArray, *, low_limit_hz: float) -> BoolArray:
    """Faders that may be raised: those whose nearest band may, and none below the limit."""
    nearest = np.abs(np.log(unit.centre_hz[:, None] / EXACT_HZ)).argmin(axis=1)
    return np.asarray(fill[nearest] & (unit.nominal_hz >= low_limit_hz))


@dataclass(frozen=True)
class Card:
    """Fader settings.

    Parameters
    ----------
    unit : GraphicUnit
    solutions : dict of Solution
        For "both", or for each side.
    target : ndarray, shape (31,)
    weight : ndarray, shape (31,)
    wanted_db : dict of ndarray, shape (31,)
        The deviation that each of the solutions was made for.
    fill : ndarray of bool, shape (31,)
        From `may_fill()`.
    finer_rms_db : float or None
        What a 31-band unit would leave; None if this is one, nan if nothing is answered for.
    free : tuple of (int, float), or None
        How many faders one card for both would move if any number might, and what it would
        leave; None where any may.
    other_units : mapping of str to GraphicUnit
        Of sides whose channel is not like `unit`; each side then has its own card.
    strips : dict of tuple of Section
        What the channel strip before the unit is set to, for each of `solutions`; empty
        without a strip.
    """

    unit: GraphicUnit
    solutions: dict[str, Solution]
    target: FloatArray
    weight: FloatArray
    wanted_db: dict[str, FloatArray]
    fill: BoolArray
    finer_rms_db: float | None = None
    free: tuple[int, float] | None = None
    other_units: Mapping[str, GraphicUnit] = field(default_factory=dict)
    strips: dict[str, tuple[Section, ...]] = field(default_factory=dict)

    def unit_of(self, side: str) -> GraphicUnit:
        """Give the unit that a side is fed through."""
        return self.other_units.get(side, self.unit)

    def gain_db(self, side: str) -> FloatArray:
        """Return what the card does to each band of a side, shape (31,)."""
        solution = self.solutions.get("both") or self.solutions.get(side)
        if solution is None:
            return np.zeros(BAND_COUNT)
        return solution.gain_db + self.strip_db(side)

    def strip_db(self, side: str) -> FloatArray:
        """Return what the strip alone does to each band of a side, shape (31,)."""
        return sections_band_gain_db(self.strips.get("both", self.strips.get(side, ())))

    @property
    def out_of_reach(self) -> tuple[OutOfReach, ...]:
        """Bands that the unit cannot bring to the target, each once."""
        found = {}
        for solution in self.solutions.values():
            found.update({band.hz: band for band in solution.out_of_reach})
        return tuple(found[hz] for hz in sorted(found))


def _mean_rms_db(common: CommonResponse, card: Card) -> float:
    spots = forecast(common, card).spots
    return float(np.sqrt(np.nanmean([spot.rms_after_db**2 for spot in spots])))


def make_card(
    common: CommonResponse,
    unit: GraphicUnit,
    *,
    target: FloatArray,
    weight: FloatArray,
    fill: BoolArray,
    low_limit_hz: float,
    share: FloatArray,
    caution: float = 0.0,
    apart: bool | None = None,
    other_units: Mapping[str, GraphicUnit] = NONE_OTHER,
    strip: Parametric | None = None,
) -> Card:
    """One card for both sides, or one for each where that is clearly better.

    Parameters
    ----------
    common : CommonResponse
        Of the mains.
    unit : GraphicUnit
    target, weight : ndarray, shape (31,)
    fill : ndarray of bool, shape (31,)
        From `may_fill()`.
    low_limit_hz : float
        No fader below it is raised.
    share : ndarray, shape (n_spots,)
        From `area.seat_share()`.
    caution : float
        How softly; see `area.area_wanted_db()`. 0 takes the spots at their word.
    apart : bool, optional
        Whether each side has its own card, where that is settled; then nothing is compared,
        with a finer unit neither.
    other_units : mapping of str to GraphicUnit
        Of sides whose channel is not like `unit`; then each side has its own card.
    strip : Parametric, optional
        A channel strip before the unit.
    """

    def wanted_db(rows: list[int]) -> FloatArray:
        some = common_of(common, rows)
        strays = deviation_db(some.level_db, target)
        wanted = strays
        if caution:
            wanted = area_wanted_db(some, target, share[rows], weight, caution=caution)
        late_db = unshared_db(some, strays)
        return np.asarray(wanted - np.sign(wanted) * np.minimum(np.abs(wanted), late_db))

    boost = may_boost(unit, fill, low_limit_hz=low_limit_hz)

    def card_of(rows_of: dict[str, list[int]]) -> Card:
        wanted = {side: wanted_db(rows) for side, rows in rows_of.items()}
        solutions, strips = {}, {}
        for side, deviation in wanted.items():
            hand, asked = other_units.get(side, unit), Wanted(deviation, weight, boost)
            if strip is None:
                solutions[side] = solve(hand, asked)
            else:
                both = solve_jointly(strip, hand, asked)
                solutions[side], strips[side] = both.solution, both.sections
        return Card(
            unit,
            solutions,
            target,
            weight,
            wanted,
            fill,
            other_units=other_units,
            strips=strips,
        )

    every = list(range(len(common.spots)))
    sides = list(dict.fromkeys(spot.side for spot in common.spots))
    rows_of = {side: [k for k in every if common.spots[k].side == side] for side in sides}
    if apart or other_units:
        return card_of(rows_of)
    card = card_of({"both": every})
    if apart is False:
        return card

    def rms_db(would: Solution) -> float:
        return weighted_rms_db(common.level_db - target + would.gain_db, weight)

    if unit.most_moved is not None:
        wanted = Wanted(card.wanted_db["both"], weight, boost)
        would = solve(replace(unit, most_moved=None), wanted)
        card = replace(card, free=(int(np.count_nonzero(would.fader_db)), rms_db(would)))
    finer = finer_unit(unit)
    if finer is not None:
        # What may be raised stays where it is: a finer unit changes the hand, not the room.
        nearest = np.abs(np.log(finer.centre_hz[:, None] / unit.centre_hz)).argmin(axis=1)
        would = solve(finer, Wanted(card.wanted_db["both"], weight, boost[nearest]))
        card = replace(card, finer_rms_db=rms_db(would))
    if len(sides) < 2 or not np.any(weight > 0):
        return card
    separate = replace(card_of(rows_of), finer_rms_db=card.finer_rms_db, free=card.free)
    gained = _mean_rms_db(common, card) - _mean_rms_db(common, separate)
    return separate if gained >= SEPARATE_DB else card


@dataclass(frozen=True)
class SpotForecast:
    """Deviation from the target at one spot, before and after."""

    side: str
    spot: str
    rms_before_db: float
    rms_after_db: float


@dataclass(frozen=True)
class Forecast:
    """The common response with the card set, its level lined up with the target.

    Parameters
    ----------
    before_db, after_db : ndarray, shape (31,)
    rms_before_db, rms_after_db : float
        Weighted, after less target, weighted mean removed.
    spots : tuple of SpotForecast
    """

    before_db: FloatArray
    after_db: FloatArray
    rms_before_db: float
    rms_after_db: float
    spots: tuple[SpotForecast, ...]


def _mean_by_trust(levels: FloatArray, trust: FloatArray) -> FloatArray:
    total = trust.sum(axis=0)
    known = total > 0
    mean = (trust * np.nan_to_num(levels)).sum(axis=0) / np.where(known, total, 1.0)
    return np.where(known, mean, np.nan)


def forecast(common: CommonResponse, card: Card) -> Forecast:
    """Forecast the listening area with the card set."""
    gains = np.stack([card.gain_db(spot.side) for spot in common.spots])
    target, weight = card.target, card.weight

    def lined_up(level: FloatArray) -> FloatArray:
        return target + deviation_db(level, target)

    before = lined_up(common.level_db)
    after_common = _mean_by_trust(common.aligned_db + gains, common.trust)
    spots = tuple(
        SpotForecast(
            side=spot.side,
            spot=spot.spot,
            rms_before_db=weighted_rms_db(level - target, weight),
            rms_after_db=weighted_rms_db(level + gain - target, weight),
        )
        for spot, level, gain in zip(common.spots, common.aligned_db, gains, strict=True)
    )
    return Forecast(
        before_db=before,
        after_db=lined_up(after_common),
        rms_before_db=weighted_rms_db(common.level_db - target, weight),
        rms_after_db=weighted_rms_db(after_common - target, weight),
        spots=spots,
    )
