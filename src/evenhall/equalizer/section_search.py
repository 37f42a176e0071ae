"""Where sections stand best, their figures free: the search behind `parametric.py`.

`smooth_sections()` adds one section after the other where it helps most, settles all of them
together and carries the best few sets on from one count to the next.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, LOWER_HZ, UPPER_HZ, band_nodes_hz
from evenhall.equalizer.sections import (
    KINDS,
    LOW_SHELF,
    PEAKING,
    Kind,
    section_power,
    section_slopes,
)

__all__ = ["Parametric", "Rows", "SectionTask", "SectionsWanted", "Supply", "smooth_sections"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Where a new section is looked for: at each third octave, as wide as one of these.
TRIED_Q = (0.5, 0.9, 1.6, 2.8, 5.0)
TRIED_DB = 3.0
# How many places are followed for the first section, and for each new one of a set.
TRIED_FIRST, TRIED_NEW = 14, 4
BEAM = 12  # sets that are carried on from one count to the next
SAME = 1e-4  # share by which the squares of different sets differ
APART_OCTAVES = 0.5  # nearer ones settle to the same
ROUNDS, LAST_ROUNDS = 10, 30
STILL, IDLE_ROUNDS = 1e-4, 3  # share of the squares; with less in so many rounds all is settled
EDGE = float(UPPER_HZ[0] / EXACT_HZ[0])
SEARCH_NODES = 3  # a band; wide enough sections are smooth inside it
HOLD_BACK = 2e-3  # dB of rms a dB of gain: two sections are not set against each other


@dataclass(frozen=True)
class Supply:
    """How many sections of a kind there are, and where they reach; a figure that is fixed is both.

    Parameters
    ----------
    kind : "peaking", "low-shelf" or "high-shelf"
    """

    kind: Kind
    count: int
    low_hz: float
    high_hz: float
    lowest_q: float
    highest_q: float


@dataclass(frozen=True)
class Parametric:
    """What a console or a channel strip has.

    Parameters
    ----------
    supplies : tuple of Supply
        One a kind.
    count : int
        Sections that may be used at once.
    range_db, max_boost_db, step_db : float
        Every gain lies from -`range_db` to `max_boost_db`, on this step (0 is 0.1 dB).
    """

    supplies: tuple[Supply, ...]
    count: int
    range_db: float
    max_boost_db: float
    step_db: float


@dataclass(frozen=True, eq=False)
class SectionsWanted:
    """What the sections are to correct.

    Parameters
    ----------
    deviation_db, weight : ndarray, shape (31,)
        As `solver.Wanted` has them.
    may_fill : ndarray of bool, shape (31,)
        Bands in which a section may boost.
    """

    deviation_db: FloatArray
    weight: FloatArray
    may_fill: BoolArray


@dataclass(frozen=True, eq=False)
class Rows:
    """Some sets of sections at once: kinds (n_sets, n), figures and their bounds (n_sets, n, 3).

    The figures are log centre, gain in dB, log Q.
    """

    kind: IntArray
    figures: FloatArray
    low: FloatArray
    high: FloatArray

    def __getitem__(self, which: IntArray | list[int] | slice) -> Rows:
        return Rows(self.kind[which], self.figures[which], self.low[which], self.high[which])

    def plus(self, other: Rows) -> Rows:
        """Each set with one more section; a single set serves all of `other`."""
        n_sets = other.kind.shape[0]
        return Rows(
            *(
                np.concatenate((np.repeat(mine, n_sets, axis=0), theirs), axis=1)
                for mine, theirs in zip(self.parts, other.parts, strict=True)
            )
        )

    @property
    def parts(self) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
        """Give all four arrays."""
        return self.kind, self.figures, self.low, self.high


class SectionTask:
    """One supply and one wanted correction."""

    def __init__(self, supply: Parametric, wanted: SectionsWanted) -> None:
        self.supply = supply
        self.may_fill = wanted.may_fill
        self.share = wanted.weight / wanted.weight.sum()
        self.root_share = np.sqrt(self.share)
        self.deviation_db = wanted.deviation_db - wanted.deviation_db @ self.share
        self.freq_hz, self.node_weight = band_nodes_hz(SEARCH_NODES)

    def power(self, rows: Rows) -> FloatArray:
        """|H|^2 of each section, shape (n_sets, n, n_bands, n_nodes)."""
        flat = section_power(
            rows.kind,
            rows.figures[..., 0],
            rows.figures[..., 1],
            rows.figures[..., 2],
            self.freq_hz.ravel(),
        )
        return flat.reshape(*rows.kind.shape, *self.freq_hz.shape)

    def power_and_slopes(self, rows: Rows) -> tuple[FloatArray, FloatArray]:
        """|H|^2 and how its logarithm moves with each figure, (n_sets, n, 3, n_bands, n_nodes)."""
        log_hz, gain_db, log_q = (rows.figures[..., k] for k in range(3))
        power, slope = section_slopes(rows.kind, log_hz, gain_db, log_q, self.freq_hz.ravel())
        shape = (*rows.kind.shape, *self.freq_hz.shape)
        return power.reshape(shape), np.moveaxis(slope.reshape(3, *shape), 0, 2)

    def left_db(self, power: FloatArray) -> FloatArray:
        """Rest of the deviation after `power`, its weighted mean removed."""
        level = self.deviation_db + 10.0 * np.log10(power @ self.node_weight)
        return np.asarray(level - (level @ self.share)[..., None])

    def squares(self, rows: Rows, power: FloatArray) -> FloatArray:
        """Weighted mean square of what is left, and what the gains cost."""
        left = np.square(self.left_db(power.prod(axis=1))) @ self.share
        return np.asarray(left + HOLD_BACK**2 * np.square(rows.figures[..., 1]).sum(axis=1))

    @cached_property
    def tries(self) -> Rows:
        """Each section that might be added, alone, at its bounds' reach; shape (n_tries, 1)."""
        found = [
            one
            for supply in self.supply.supplies
            for centre_hz in _tried_hz(supply)
            for q in _tried_q(supply)
            for one in self._boxes(supply, centre_hz, q)
        ]
        kind, figures, low, high = (np.array(part) for part in zip(*found, strict=True))
        return Rows(kind[:, None], figures[:, None], low[:, None], high[:, None])

    @cached_property
    def tried_db(self) -> FloatArray:
        """What each of `tries` does to the bands, shape (n_tries, n_bands)."""
        gain_db = 10.0 * np.log10(self.power(self.tries)[:, 0] @ self.node_weight)
        return np.asarray(gain_db - (gain_db @ self.share)[:, None])

    def _boxes(
        self, supply: Supply, centre_hz: float, q: float
    ) -> Iterator[tuple[int, list[float], list[float], list[float]]]:
        """Yield a section's start and bounds: as a cut, and where it may be one as a boost."""
        kind = KINDS.index(supply.kind)
        reach = np.log([supply.low_hz, supply.high_hz])
        q_reach = np.log([supply.lowest_q, supply.highest_q])
        for sign, most_db in ((-1.0, self.supply.range_db), (1.0, self.supply.max_boost_db)):
            inside, narrow = reach, q_reach
            if sign > 0:
                fill = self._fill_hz(kind, centre_hz)
                if fill is None or most_db <= 0:
                    continue
                # Its centre within the centres of these bands.
                inside = np.clip(np.log(fill) + np.log(EDGE) * np.array([1.0, -1.0]), *reach)
                if kind == PEAKING:
                    # No wider at half its decibels than what may be filled.
                    ratio = fill[1] / fill[0]
                    narrow = np.maximum(q_reach, np.log(np.sqrt(ratio) / (ratio - 1.0)))
                    if narrow[1] > q_reach[1]:
                        continue
            ends_db = sorted((0.0, sign * most_db))
            yield (
                kind,
                [np.log(centre_hz), sign * min(TRIED_DB, most_db), max(np.log(q), narrow[0])],
                [inside[0], ends_db[0], narrow[0]],
                [inside[1], ends_db[1], narrow[1]],
            )

    def _fill_hz(self, kind: int, centre_hz: float) -> tuple[float, float] | None:
        """Within which bands a boost may stand, edge to edge, or None where it may not."""
        band = int(np.abs(np.log(EXACT_HZ / centre_hz)).argmin())
        if not self.may_fill[band]:
            return None
        if kind != PEAKING:
            bands = np.arange(BAND_COUNT)
            if not self.may_fill[bands <= band if kind == LOW_SHELF else bands >= band].all():
                return None
        low = high = band
        while low > 0 and self.may_fill[low - 1]:
            low -= 1
        while high < BAND_COUNT - 1 and self.may_fill[high + 1]:
            high += 1
        return float(LOWER_HZ[low]), float(UPPER_HZ[high])

    def promising(self, rows: Rows | None, most: int) -> Rows:
        """Give the sections that would lower what `rows` (one set) leave the most, apart."""
        used = np.zeros(0, dtype=np.int64) if rows is None else rows.kind[0]
        power = 1.0 if rows is None else self.power(rows)[0].prod(axis=0)
        left = self.left_db(np.ones(self.freq_hz.shape) * power)
        across = (self.tried_db * left) @ self.share
        size = np.square(self.tried_db) @ self.share
        tries = self.tries
        reach = np.where(
            tries.figures[:, 0, 1] < 0, self.supply.range_db, self.supply.max_boost_db
        ) / np.abs(tries.figures[:, 0, 1])
        scale = np.clip(-across / np.maximum(size, 1e-12), 0.0, reach)
        gained = -(2.0 * scale * across + scale**2 * size)
        for one in self.supply.supplies:
            kind = KINDS.index(one.kind)
            if np.count_nonzero(used == kind) >= one.count:
                gained[tries.kind[:, 0] == kind] = 0.0
        chosen: list[int] = []
        for at in np.argsort(-gained):
            if gained[at] <= 0 or len(chosen) == most:
                break
            off = np.abs(tries.figures[chosen, 0, 0] - tries.figures[at, 0, 0])
            same = tries.kind[chosen, 0] == tries.kind[at, 0]
            if not np.any(same & (off < APART_OCTAVES * np.log(2.0))):
                chosen.append(int(at))
        some = tries[chosen]
        some.figures[:, 0, 1] *= np.maximum(scale[chosen], 0.1)
        return some

    def settle(self, rows: Rows, rounds: int) -> tuple[Rows, FloatArray]:
        """Levenberg-Marquardt over all figures of each set, within their bounds; and squares.

        All sets at once: 14 of one section take 10 ms, 185 by scipy's `least_squares` one by one.
        """
        n_sets, n, _ = rows.figures.shape
        power, slopes = self.power_and_slopes(rows)
        squares = self.squares(rows, power)
        damping = np.full(n_sets, 1e-2)
        diagonal = np.arange(3 * n)
        hold = np.zeros((n, 3))
        hold[:, 1] = HOLD_BACK
        idle = 0
        for _ in range(rounds):
            whole = power.prod(axis=1)
            left = self.left_db(whole) * self.root_share
            node_share = whole * self.node_weight
            node_share /= node_share.sum(axis=-1, keepdims=True)
            slope = np.einsum("sbm,skfbm->sbkf", node_share, slopes) * (10.0 / np.log(10.0))
            slope -= np.einsum("b,sbkf->skf", self.share, slope)[:, None]
            jacobian = (slope * self.root_share[:, None, None]).reshape(n_sets, -1, 3 * n)
            gradient = np.einsum("sbf,sb->sf", jacobian, left)
            gradient += (hold**2 * rows.figures).reshape(n_sets, -1)
            figures, low, high = (part.reshape(n_sets, -1) for part in rows.parts[1:])
            held = ((figures <= low) & (gradient >= 0)) | ((figures >= high) & (gradient <= 0))
            jacobian = jacobian * ~held[:, None, :]
            normal = jacobian.transpose(0, 2, 1) @ jacobian
            normal[:, diagonal, diagonal] += hold.ravel() ** 2
            scale = normal[:, diagonal, diagonal] + 1e-6
            normal[:, diagonal, diagonal] += damping[:, None] * scale + held
            change = np.linalg.solve(normal, (gradient * ~held)[..., None])[..., 0]
            tried = np.clip(figures - change, low, high).reshape(rows.figures.shape)
            rows_then = Rows(rows.kind, tried, rows.low, rows.high)
            power_then, slopes_then = self.power_and_slopes(rows_then)
            squares_then = self.squares(rows_then, power_then)
            better, before = squares_then < squares, squares
            rows.figures[better] = tried[better]
            power[better], slopes[better] = power_then[better], slopes_then[better]
            squares = np.where(better, squares_then, squares)
            damping = np.clip(damping * np.where(better, 0.3, 8.0), 1e-9, 1e6)
            gained = np.where(better, 1.0 - squares_then / np.maximum(before, 1e-12), 0.0)
            idle = 0 if gained.max() > STILL else idle + 1
            if idle == IDLE_ROUNDS:
                break
        return rows, squares


def smooth_sections(task: SectionTask) -> Iterator[Rows]:
    """Give sets of one section, of two, and so on, their figures free."""
    beam: Rows | None = None
    for _ in range(task.supply.count):
        if beam is None:
            many = task.promising(None, TRIED_FIRST)
            if not many.kind.size:
                return
        else:
            sets = [beam[[k]] for k in range(beam.kind.shape[0])]
            new = [(rows, task.promising(rows, TRIED_NEW)) for rows in sets]
            grown = [rows.plus(one) for rows, one in new if one.kind.size]
            if not grown:
                return
            many = _joined(grown)
        many, squares = task.settle(many, ROUNDS)
        many, squares = many[_different(squares)], squares[_different(squares)]
        yield task.settle(many[[0]], LAST_ROUNDS)[0]
        beam = many


def _joined(sets: list[Rows]) -> Rows:
    return Rows(*map(np.concatenate, zip(*(one.parts for one in sets), strict=True)))


def _different(squares: FloatArray) -> IntArray:
    """Give the best few sets, those that settled to the same once."""
    order = np.argsort(squares)
    apart = np.diff(squares[order], prepend=-1.0) > SAME * squares[order]
    return np.asarray(order[apart][:BEAM])


def _tried_hz(supply: Supply) -> list[float]:
    if supply.low_hz == supply.high_hz:
        return [supply.low_hz]
    inside = (supply.low_hz * 0.99 <= EXACT_HZ) & (supply.high_hz * 1.01 >= EXACT_HZ)
    return np.clip(EXACT_HZ[inside], supply.low_hz, supply.high_hz).tolist() or [supply.low_hz]


def _tried_q(supply: Supply) -> list[float]:
    inside = [q for q in TRIED_Q if supply.lowest_q <= q <= supply.highest_q]
    return inside or [supply.lowest_q]
