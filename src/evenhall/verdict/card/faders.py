"""The card: what is asked of the faders, and what a seat then hears. Start at `make_card()`.

make_card()    one for both sides, or one a side; flat where no card is worth the walk
forecast()     the listening area with the card set, spot by spot and as a whole
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT
from evenhall.equalizer.graphic import GraphicUnit, band_gain_db, finer_unit
from evenhall.equalizer.joint import solve_jointly
from evenhall.equalizer.parametric import Parametric
from evenhall.equalizer.sections import Section, sections_band_gain_db
from evenhall.equalizer.solver import OutOfReach, Solution, Wanted, flat_solution, solve
from evenhall.hall.label import BOTH, AtSpot, for_side
from evenhall.verdict.card.estimate import Estimate
from evenhall.verdict.card.loss import (
    SeatError,
    band_weights,
    seat_error,
    unmended,
    weighted_rms_db,
)
from evenhall.verdict.take import align_level_db

__all__ = ["WORTH_DB", "Card", "Forecast", "SpotForecast", "Step", "forecast", "make_card"]

FloatArray = NDArray[np.float64]

# No card, and no second card for the other side, for less than this at a seat: no ear hears it,
# and so few spots hardly tell it.
WORTH_DB = 0.3
NONE_OTHER: Mapping[str, GraphicUnit] = MappingProxyType({})


@dataclass(frozen=True)
class Step:
    """What a seat hears with only the first faders of the card set."""

    faders: int
    seat_after_db: float


@dataclass(frozen=True)
class Card:
    """Fader settings.

    Parameters
    ----------
    solutions : dict of Solution
        For "both", or for each side.
    target : ndarray, shape (31,)
    weight : ndarray, shape (31,)
        Of the loss.
    wanted : dict of Wanted
        What each of the solutions was made for.
    sides : int
        How many it was made for.
    steps : tuple of Step
        After each fader, in the order of what they bring; a card a side counts both.
    finer_rms_db : float or None
        What a 31-band unit would leave; None if this is one.
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
    wanted: dict[str, Wanted]
    seat_before: SeatError
    seat_after: SeatError
    sides: int
    steps: tuple[Step, ...] = ()
    finer_rms_db: float | None = None
    free: tuple[int, float] | None = None
    other_units: Mapping[str, GraphicUnit] = field(default_factory=dict)
    strips: dict[str, tuple[Section, ...]] = field(default_factory=dict)

    def unit_of(self, side: str) -> GraphicUnit:
        """Give the unit that a side is fed through."""
        return self.other_units.get(side, self.unit)

    def gain_db(self, side: str) -> FloatArray:
        """Return what the card does to each band of a side, shape (31,)."""
        solution = for_side(self.solutions, side)
        if solution is None:
            return np.zeros(BAND_COUNT)
        return solution.gain_db + self.strip_db(side)

    def strip_db(self, side: str) -> FloatArray:
        """Return what the strip alone does to each band of a side, shape (31,)."""
        return sections_band_gain_db(for_side(self.strips, side) or ())

    @property
    def is_copied(self) -> bool:
        """Whether one list serves several sides."""
        return BOTH in self.solutions and self.sides > 1

    @property
    def moved(self) -> int:
        """How many faders it moves, all its sides counted."""
        return sum(int(np.count_nonzero(one.fader_db)) for one in self.solutions.values())

    @property
    def is_flat(self) -> bool:
        """Whether it leaves everything at 0."""
        return self.moved == 0 and not any(self.strips.values())

    @property
    def out_of_reach(self) -> tuple[OutOfReach, ...]:
        """Bands that the unit cannot bring to the target, each once."""
        found = {}
        for solution in self.solutions.values():
            found.update({band.hz: band for band in solution.out_of_reach})
        return tuple(found[hz] for hz in sorted(found))


@dataclass(frozen=True)
class _Maker:
    """What cards of one area have in common."""

    area: Estimate
    unit: GraphicUnit
    other_units: Mapping[str, GraphicUnit]
    strip: Parametric | None

    def wanted(self, unit: GraphicUnit, side: str | None) -> Wanted:
        area, weight = self.area, band_weights(self.area.low_hz)
        own = 0.0 if side is None else area.sides_db[side]
        return Wanted(
            deviation_db=area.asked_db + own,
            weight=weight,
            # None below the loudspeakers' end is raised: it would only move the cone.
            may_boost=unit.nominal_hz >= area.low_hz,
            unmended=unmended(area, weight / weight.sum()),
        )

    def card(self, sides: Iterable[str]) -> Card:
        """Make a card for "both", or for each of the sides."""
        flat = self.seat_error({})
        wanted, solutions, strips = {}, {}, {}
        for side in sides:
            unit = self.other_units.get(side, self.unit)
            wanted[side] = self.wanted(unit, None if side == BOTH else side)
            if self.strip is None:
                solutions[side] = solve(unit, wanted[side])
            else:
                both = solve_jointly(self.strip, unit, wanted[side])
                solutions[side], strips[side] = both.solution, both.sections
        card = Card(
            self.unit,
            solutions,
            self.area.target,
            band_weights(self.area.low_hz),
            wanted,
            flat,
            flat,
            len(self.sides),
            other_units=self.other_units,
            strips=strips,
        )
        return replace(card, seat_after=self.seat_error({s: card.gain_db(s) for s in self.sides}))

    @property
    def sides(self) -> tuple[str, ...]:
        return tuple(self.area.sides_db)

    def seat_error(self, gain_db: Mapping[str, FloatArray]) -> SeatError:
        flat = np.zeros(BAND_COUNT)
        return seat_error(self.area, {side: gain_db.get(side, flat) for side in self.sides})

    def flat(self, card: Card) -> Card:
        """Give the same card with everything at 0."""
        solutions = {
            side: flat_solution(card.unit_of(side), card.wanted[side]) for side in card.solutions
        }
        return replace(card, solutions=solutions, strips={}, seat_after=card.seat_before)

    def steps(self, card: Card) -> tuple[Step, ...]:
        """Set one fader after the other, in both lists where each side has its own."""
        set_db = {side: np.zeros_like(one.fader_db) for side, one in card.solutions.items()}
        order = [(k, side) for side, one in card.solutions.items() for k in range(len(one.order))]
        steps: list[Step] = []
        for k, side in sorted(order):
            fader = card.solutions[side].order[k]
            set_db[side][fader] = card.solutions[side].fader_db[fader]
            gain = {
                name: card.strip_db(name)
                + band_gain_db(card.unit_of(name), set_db[BOTH if BOTH in set_db else name])
                for name in self.sides
            }
            steps.append(Step(len(steps) + 1, self.seat_error(gain).expected_db))
        return tuple(steps)


def make_card(
    area: Estimate,
    unit: GraphicUnit,
    *,
    other_units: Mapping[str, GraphicUnit] = NONE_OTHER,
    strip: Parametric | None = None,
) -> Card:
    """One card for both sides, or one for each where a seat hears the difference.

    Parameters
    ----------
    area : Estimate
        Of the mains.
    other_units : mapping of str to GraphicUnit
        Of sides whose channel is not like `unit`; then each side has its own card.
    strip : Parametric, optional
        A channel strip before the unit.

    Returns
    -------
    Card
        Everything at 0 where it would bring less than `WORTH_DB` at a seat.
    """
    make = _Maker(area, unit, other_units, strip)
    card = make.card(make.sides if other_units else [BOTH])
    if len(make.sides) > 1 and not other_units:
        apart = make.card(make.sides)
        if card.seat_after.expected_db - apart.seat_after.expected_db >= WORTH_DB:
            card = apart
    if card.seat_before.expected_db - card.seat_after.expected_db < WORTH_DB:
        card = make.flat(card)
    card = replace(card, steps=make.steps(card))

    def rms_db(other: GraphicUnit) -> tuple[int, float]:
        would = solve(other, make.wanted(other, None))
        left = area.excess.mean_db + would.gain_db
        rms = weighted_rms_db(left, card.weight * area.in_range)
        return int(np.count_nonzero(would.fader_db)), rms

    if unit.most_moved is not None:
        card = replace(card, free=rms_db(replace(unit, most_moved=None)))
    finer = finer_unit(unit)
    return card if finer is None else replace(card, finer_rms_db=rms_db(finer)[1])


@dataclass(frozen=True, kw_only=True)
class SpotForecast(AtSpot):
    """Deviation from the target at one spot, before and after."""

    rms_before_db: float
    rms_after_db: float


@dataclass(frozen=True)
class Forecast:
    """The listening area with the card set, its level lined up with the target.

    Parameters
    ----------
    before_db, after_db, doubt_db : ndarray, shape (31,)
        Level of the area, and one standard deviation of it.
    rms_before_db, rms_after_db : float
        Weighted, less target, weighted mean removed, over the loudspeakers' range.
    level_db : float
        Mean gain of the card from 200 Hz to 4 kHz: `after_db` is lined up without it.
    """

    before_db: FloatArray
    after_db: FloatArray
    doubt_db: FloatArray
    rms_before_db: float
    rms_after_db: float
    level_db: float
    spots: tuple[SpotForecast, ...]


def forecast(area: Estimate, card: Card) -> Forecast:
    """Forecast the listening area with the card set."""
    gains = {side: card.gain_db(side) for side in area.sides_db}
    before = area.excess.mean_db
    after = before + np.mean(list(gains.values()), axis=0)
    weight = card.weight * area.in_range
    return Forecast(
        before_db=area.target + before - align_level_db(before),
        after_db=area.target + after - align_level_db(after),
        doubt_db=area.excess.sd_db,
        rms_before_db=weighted_rms_db(before, weight),
        rms_after_db=weighted_rms_db(after, weight),
        level_db=align_level_db(after - before),
        spots=tuple(
            SpotForecast(
                side=spot.side,
                spot=spot.spot,
                rms_before_db=weighted_rms_db(level - area.target, weight),
                rms_after_db=weighted_rms_db(level + gains[spot.side] - area.target, weight),
            )
            for spot, level in zip(area.spots, area.aligned_db, strict=True)
        ),
    )
