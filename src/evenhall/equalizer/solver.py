"""Which faders, how far: all that help, then as few as do nearly as well. Start at `solve()`.

The error is the root of the weighted mean square of what is left, its free level taken off, and of
what no fader mends. `_all_faders()` makes it least without regard to steps; `_sparing()` leaves
at 0 what is hardly missed; `_limited()` serves who wants to set a given number at most.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, NOMINAL_HZ
from evenhall.equalizer.graphic import GraphicUnit, band_gain_db, unit_power, unit_slope

__all__ = [
    "STOP_DB",
    "OutOfReach",
    "Solution",
    "Wanted",
    "all_faders",
    "centred",
    "flat_solution",
    "solve",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A card stops where all faders that are left would together bring less than this.
STOP_DB = 0.1
# Of it, what the price of faders may spend, less and less should rounding need the rest.
SPENT = (0.6, 0.45, 0.3, 0.15)
# Nobody sets less for its own sake; whoever moves a fader moves it so far.
LEAST_DB = 1.0
# Faders that enter are held near where the price leaves them; those far out hardly.
ENTERS_DB = 0.75
SMALLEST_DB = 0.3  # a fader that all together want at less is priced as if at this
# A pull of every fader to 0, in dB^2 of the mean square a dB^2: no two fight each other. What it
# costs is of the `STOP_DB`; the bound has next to none.
PULL, LEAST_PULL = 1e-3, 1e-5
# Small pulls to where all faders together stand, one of the level, which is free and would lean to
# wherever most may rest, and one of each fader: a card is to change as little as the takes. More
# of them (0.3, 3e-3) halves what 0.05 dB in them do to the level, and costs a fader and 0.02 dB at
# a seat (bench/seats.py, seeds 0 to 39).
LEVEL_PULL, STAY_PULL = 0.02, 1e-3
CONTINUOUS_STEP_DB = 0.01  # no hand and no scale is finer
ROUNDS = 20
PARTS = (1.0, 0.5, 0.25, 0.1)  # of a step, as sections bend with their gain
FLAT = 1e-7  # a slope that is none
HALVINGS = 12
LEAST_PRICE, MOST_PRICE = 1e-4, 10.0
# What is left beyond this is worth a word to the user.
OUT_OF_REACH_DB = 1.0


@dataclass(frozen=True, eq=False)
class Wanted:
    """What a card is to correct.

    Attributes
    ----------
    deviation_db : ndarray, shape (31,)
        Level before minus target in each third-octave band; the overall level is free.
    weight : ndarray, shape (31,)
        How much each band counts, 0 or more, not all 0.
    may_boost : ndarray of bool, shape (n_faders,)
        False where a fader may only cut.
    unmended : float
        Mean square in dB^2 that no fader mends: with it a gain at one place is worth less.
    """

    deviation_db: FloatArray
    weight: FloatArray
    may_boost: BoolArray
    unmended: float = 0.0


@dataclass(frozen=True)
class OutOfReach:
    """A band that stays more than 1 dB off.

    Attributes
    ----------
    hz : float
        Nominal frequency of the band.
    left_db : float
        What is left there; positive is too loud.
    why : str
        One plain sentence.
    """

    hz: float
    left_db: float
    why: str


@dataclass(frozen=True, eq=False)
class Solution:
    """The faders of a card and what they do.

    Attributes
    ----------
    fader_db : ndarray, shape (n_faders,)
    gain_db : ndarray, shape (31,)
        What the unit then does to each band.
    after_db : ndarray, shape (31,)
        Deviation plus gain, its weighted mean removed.
    rms_before_db, rms_after_db : float
        Weighted, weighted mean removed.
    order : tuple of int
        The faders that are moved, what brings most first: the card with the first n of them set
        is the best of those with one more than n - 1.
    """

    fader_db: FloatArray
    gain_db: FloatArray
    after_db: FloatArray
    rms_before_db: float
    rms_after_db: float
    order: tuple[int, ...]
    out_of_reach: tuple[OutOfReach, ...]


@dataclass(frozen=True, eq=False)
class _Task:
    """One unit and one wanted correction."""

    unit: GraphicUnit
    wanted: Wanted

    @cached_property
    def share(self) -> FloatArray:
        return np.asarray(self.wanted.weight / self.wanted.weight.sum())

    @cached_property
    def low_db(self) -> FloatArray:
        return np.full(self.unit.fader_count, -self._on_grid(self.unit.range_db))

    @cached_property
    def high_db(self) -> FloatArray:
        return np.where(self.wanted.may_boost, self._on_grid(self.unit.max_boost_db), 0.0)

    @property
    def step_db(self) -> float:
        return self.unit.step_db or CONTINUOUS_STEP_DB

    def _on_grid(self, limit_db: float) -> float:
        # A hair of slack: 12 / 0.1 is 119.99…
        return int(limit_db / self.step_db + 1e-6) * self.step_db

    def error_db(self, fader_db: FloatArray) -> float:
        """Error with the faders at these places."""
        left = self.wanted.deviation_db + band_gain_db(self.unit, fader_db)
        left = left - left @ self.share
        return float(np.sqrt(np.square(left) @ self.share + self.wanted.unmended))

    def pattern(self, fader_db: FloatArray) -> FloatArray:
        """Give what each band gains by a dB of each fader, near these places: (31, n_faders)."""
        unit = self.unit
        # A band's gain follows its loudest nodes: slopes weighed by the power that passes.
        node_share = unit_power(unit, fader_db, unit.band_detune_sq).prod(axis=0)
        node_share = node_share * unit.band_nodes[1]
        node_share /= node_share.sum(axis=1, keepdims=True)
        slope = unit_slope(unit, fader_db, unit.band_detune_sq)
        return np.asarray(np.einsum("bn,fbn->bf", node_share, slope))

    def squares(self, fader_db: FloatArray, pull: float = PULL) -> tuple[FloatArray, FloatArray]:
        """Give half the mean square near these places as x'Qx / 2 - c'x: Q and c."""
        pattern = self.pattern(fader_db)
        rest = self.wanted.deviation_db + band_gain_db(self.unit, fader_db) - pattern @ fader_db
        pattern = pattern - self.share @ pattern
        rest = rest - self.share @ rest
        weighed = pattern * self.share[:, None]
        return weighed.T @ pattern + pull * np.eye(self.unit.fader_count), -weighed.T @ rest

    def on_steps(self, fader_db: FloatArray) -> FloatArray:
        """Round to the steps, none moved by less than is worth a hand's while."""
        steps = np.rint(fader_db / self.step_db)
        least_db = min(LEAST_DB, self.unit.range_db)
        steps[np.abs(steps * self.step_db) < least_db - 1e-9] = 0.0
        # Decimal steps: 3 * 0.1 is to read 0.3.
        placed = np.round(steps * self.step_db, 9) + 0.0
        return np.clip(placed, self.low_db, self.high_db)


def solve(unit: GraphicUnit, wanted: Wanted) -> Solution:
    """Fader settings that bring all bands nearest to their target, with few faders moved.

    The settings lie on the unit's steps (0.01 dB for continuous faders) and within its limits.
    All faders that are left at 0 would together lower the error by less than `STOP_DB`.

    Notes
    -----
    Which faders may rest is asked as Breiman's garrote does (Technometrics 37 (1995) 373, from
    memory): each keeps its sign and pays by the dB, the dearer the less all of them together want
    of it. Unlike a choice one by one that has no cliffs: a card changes as little as the takes.

    Examples
    --------
    A build-up that the 1 kHz fader makes, it also takes away:

    >>> from evenhall.equalizer.graphic import band_gain_db, graphic_unit
    >>> from evenhall.equalizer.solver import Wanted, solve
    >>> unit = graphic_unit(10)
    >>> build_up_db = band_gain_db(unit, [0, 0, 0, 0, 0, 4.5, 0, 0, 0, 0])
    >>> solve(unit, Wanted(build_up_db, np.ones(31), np.ones(10, bool))).fader_db.tolist()
    [0.0, 0.0, 0.0, 0.0, 0.0, -4.5, 0.0, 0.0, 0.0, 0.0]
    """
    assert wanted.deviation_db.shape == wanted.weight.shape == (BAND_COUNT,), "31 bands"
    assert wanted.may_boost.shape == (unit.fader_count,), "one permission a fader"
    assert np.all(np.isfinite(wanted.deviation_db)), "every band has an estimate"
    assert np.all(wanted.weight >= 0), "weights are 0 or more"
    assert wanted.weight.sum() > 0, "some band counts"
    task = _Task(unit, wanted)
    fader_db = _sparing(task)
    if unit.most_moved is not None:
        fader_db = _limited(task, fader_db, unit.most_moved)
    return _solution(task, fader_db)


def all_faders(unit: GraphicUnit, wanted: Wanted) -> FloatArray:
    """Give where all faders together would bring most, steps and effort apart: the bound."""
    task = _Task(unit, wanted)
    return _all_faders(task, _all_faders(task, np.zeros(unit.fader_count), PULL), LEAST_PULL)


def flat_solution(unit: GraphicUnit, wanted: Wanted) -> Solution:
    """Give what is left with all faders at 0."""
    return replace(_solution(_Task(unit, wanted), np.zeros(unit.fader_count)), out_of_reach=())


def _solution(task: _Task, fader_db: FloatArray) -> Solution:
    wanted = task.wanted
    gain = band_gain_db(task.unit, fader_db)
    after, rms_after = centred(wanted.deviation_db + gain, wanted.weight)
    return Solution(
        fader_db=fader_db,
        gain_db=gain,
        after_db=after,
        rms_before_db=centred(wanted.deviation_db, wanted.weight)[1],
        rms_after_db=rms_after,
        order=_by_worth(task, fader_db),
        out_of_reach=_out_of_reach(task, fader_db, after),
    )


def centred(level_db: FloatArray, weight: FloatArray) -> tuple[FloatArray, float]:
    """Levels less their weighted mean, and their weighted rms."""
    share = weight / weight.sum()
    level = level_db - level_db @ share
    return level, float(np.sqrt(np.square(level) @ share))


def _least(
    square: FloatArray, pull: FloatArray, low: FloatArray, high: FloatArray, start: FloatArray
) -> FloatArray:
    """Least of x'Qx / 2 - c'x within bounds: Newton's steps over the faders held at no bound.

    As scipy's `lsq_linear` to the last figure, in 0.05 ms for 31 faders where that takes 0.14 and
    0.3 s to load; and bounds may be one.
    """
    x = np.clip(start, low, high)
    free = (low < x) & (x < high)
    slope = square @ x - pull
    for _ in range(10 * x.size):
        if np.abs(slope[free]).max(initial=0.0) < FLAT:
            # A fader at a bound that it presses stays; that which pulls off it most is let go.
            pulls = np.where(x > low, slope, -slope) * (low < high) * ~free
            if pulls.max() < FLAT:
                break
            free[pulls.argmax()] = True
        way = np.zeros(x.size)
        way[free] = np.linalg.solve(square[np.ix_(free, free)], -slope[free])
        then = np.clip(x + way, low, high)
        slope_then = square @ then - pull
        # Stopped at bounds all at once, they may make it worse: then only as far as to the first.
        if then @ (slope_then - pull) > x @ (slope - pull):
            bound = np.where(way > 0, high, low)
            room = np.where(way, (bound - x) / np.where(way, way, 1.0), np.inf)
            then = np.where(room == room.min(), bound, x + room.min() * way)
            slope_then = square @ then - pull
        x, slope = then, slope_then
        free = (low < x) & (x < high)
    return x


def _all_faders(task: _Task, fader_db: FloatArray, pull: float) -> FloatArray:
    """Where all faders together bring most, steps apart; from some places on."""

    def cost(fader_db: FloatArray) -> float:
        return task.error_db(fader_db) ** 2 + pull * float(fader_db @ fader_db)

    least = cost(fader_db)
    for _ in range(ROUNDS):
        way = _least(*task.squares(fader_db, pull), task.low_db, task.high_db, fader_db) - fader_db
        then, part = min((cost(fader_db + part * way), part) for part in PARTS)
        if then > least - 1e-5:
            break
        fader_db, least = fader_db + part * way, then
    return fader_db


def _sparing(task: _Task) -> FloatArray:
    """As few dB on as few faders as leave no more than `STOP_DB` beside all of them."""
    all_db = _all_faders(task, np.zeros(task.unit.fader_count), PULL)
    bound_db = _all_faders(task, all_db, LEAST_PULL)
    best_db = task.error_db(bound_db)
    square, pull = task.squares(all_db)
    level = task.share @ task.pattern(all_db)
    held = LEVEL_PULL * np.outer(level, level) + STAY_PULL * np.eye(all_db.size)
    square, pull = square + held, pull + held @ all_db
    price = np.sign(all_db) / (np.abs(all_db) + SMALLEST_DB)
    low, high = np.where(all_db < 0, task.low_db, 0.0), np.where(all_db > 0, task.high_db, 0.0)

    def priced(per_db: float) -> FloatArray:
        return _least(square, pull - per_db * price, low, high, all_db)

    tried = []
    for spent in SPENT:
        cheap, dear = LEAST_PRICE, MOST_PRICE
        for _ in range(HALVINGS):
            per_db = float(np.sqrt(cheap * dear))
            if task.error_db(priced(per_db)) > best_db + spent * STOP_DB:
                dear = per_db
            else:
                cheap = per_db
        found = priced(cheap)
        # What the price took is given back to those that stay, the more the farther out they are.
        room = np.maximum(np.abs(found) - ENTERS_DB, 0.0)
        stays = np.where(room > 0, found, 0.0)
        given = _least(
            square, pull, np.maximum(low, stays - room), np.minimum(high, stays + room), stays
        )
        tried.append(_mended(task, task.on_steps(given)))
        if task.error_db(tried[-1]) <= best_db + STOP_DB:
            return tried[-1]
    # Coarse steps, or a correction that faders only fight for: nothing is spared.
    tried.append(_mended(task, task.on_steps(bound_db)))
    return min(tried, key=task.error_db)


def _mended(task: _Task, fader_db: FloatArray) -> FloatArray:
    """On coarse steps: neighbours make up for each other's rounding, a step at most each."""
    if task.step_db <= 0.5:
        return fader_db
    best_db, moved = task.error_db(fader_db), fader_db != 0
    for _ in range(2 * int(moved.sum())):
        tries = [
            np.clip(fader_db + way * task.step_db * one, task.low_db, task.high_db)
            for one in np.eye(fader_db.size)[moved]
            for way in (-1.0, 1.0)
        ]
        then = min(tries, key=task.error_db)
        if task.error_db(then) > best_db - 1e-3:
            break
        fader_db, best_db = then, task.error_db(then)
    return fader_db


def _limited(task: _Task, free_db: FloatArray, most: int) -> FloatArray:
    """Give as few faders, `most` at most, as do what any number do; else the best that so many do.

    The same row of choices for every limit, ended at the same place: more are never worse.
    """
    fits = np.count_nonzero(free_db) <= most
    best_db = task.error_db(free_db)
    tried = [free_db] if fits else []
    for fader_db in _few(task, min(most, int(np.count_nonzero(free_db)) - 1)):
        if task.error_db(fader_db) <= best_db:
            return fader_db
        tried.append(fader_db)
    return min(tried, key=task.error_db)


def _few(task: _Task, most: int) -> Iterator[FloatArray]:
    """One fader, two, up to `most`: each time the one that brings most, the others free to mend."""
    chosen = np.zeros(task.unit.fader_count, dtype=bool)
    fader_db = np.zeros(chosen.size)
    yield fader_db
    movable = task.low_db < task.high_db
    for _ in range(min(most, chosen.size)):
        square, pull = task.squares(fader_db)
        tries = []
        for fader in np.flatnonzero(~chosen & movable):
            more = chosen.copy()
            more[fader] = True
            bounds = np.where(more, task.low_db, 0.0), np.where(more, task.high_db, 0.0)
            x = _least(square, pull, *bounds, fader_db)
            tries.append((float(0.5 * x @ square @ x - pull @ x), more, x))
        _, chosen, fader_db = min(tries, key=lambda one: one[0])
        yield task.on_steps(fader_db)


def _by_worth(task: _Task, fader_db: FloatArray) -> tuple[int, ...]:
    """Order the moved faders: each the one that brings most beside those before it."""
    unit = task.unit
    power = unit_power(unit, fader_db, unit.band_detune_sq)
    waiting = list(np.flatnonzero(fader_db).tolist())
    whole, order = np.ones(power.shape[1:]), []
    while waiting:
        gain = 10.0 * np.log10((whole * power[waiting]) @ unit.band_nodes[1])
        left = task.wanted.deviation_db + gain
        left = left - (left @ task.share)[:, None]
        fader = waiting[int((np.square(left) @ task.share).argmin())]
        whole = whole * power[fader]
        order.append(fader)
        waiting.remove(fader)
    return tuple(order)


def _out_of_reach(
    task: _Task, fader_db: FloatArray, after_db: FloatArray
) -> tuple[OutOfReach, ...]:
    counted = task.wanted.weight >= task.wanted.weight.max()
    far_off = np.flatnonzero(counted & (np.abs(after_db) > OUT_OF_REACH_DB))
    return tuple(
        OutOfReach(
            hz=float(NOMINAL_HZ[band]),
            left_db=float(after_db[band]),
            why=_why(task, fader_db, int(band), too_loud=bool(after_db[band] > 0)),
        )
        for band in far_off
    )


def _why(task: _Task, fader_db: FloatArray, band: int, *, too_loud: bool) -> str:
    """Why the faders leave a band too loud or too soft: the first reason that fits."""
    unit = task.unit
    decades = np.abs(np.log10(unit.centre_hz / EXACT_HZ[band]))
    fader = int(decades.argmin())
    name = f"{unit.nominal_hz[fader]:g} Hz fader"
    setting = fader_db[fader]
    # A setting within a step of its limit has no step left to go.
    slack = task.step_db - 1e-6
    if too_loud and setting < slack - unit.range_db:
        return f"The {name} is all the way down."
    if not too_loud and not task.wanted.may_boost[fader] and setting >= 0:
        return f"The {name} may not be raised here."
    if not too_loud and setting > unit.max_boost_db - slack:
        return f"The {name} is at its limit of {unit.max_boost_db:g} dB boost."
    if decades[fader] > 0.05 + 1e-9:
        return f"No fader is here: the {name} is the nearest, and moves its own band more."
    beside = fader_db[max(fader - 1, 0) : fader + 2]
    apart = beside.max() > setting if too_loud else beside.min() < setting
    if apart:
        return f"The faders beside the {name} are set the other way and work against it."
    if setting == 0:
        return f"Moving the {name} would bring too little at a seat to be worth it."
    return f"The {name} is wider than this band: what helps here spoils the bands beside it."
