"""Fader positions for a wanted correction: smooth starts, then descent on the unit's steps.

The cost of a set of faders is the weighted rms of what is left, in dB, with its weighted
mean removed, plus a price of `EARNS_DB` for each fader that is moved. A set that no single
step makes cheaper is therefore step-optimal: a step costs or saves at most one price, so
none improves the rms by more than `EARNS_DB`, and no moved fader earns less than that.

`Task` holds one job; `smooth_starts()` solves it without steps, from several levels;
`descend()` walks from each on the steps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.graphic import GraphicUnit, unit_power, unit_slope

__all__ = ["EARNS_DB", "Task", "descend", "smooth_starts", "walk"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# A fader that improves the weighted rms by less is not worth the hand's time.
EARNS_DB = 0.005
# What a deaf fader (see `Task`) must earn for each dB beyond its first step.
DEAF_PRICE = 0.001
# A fader is deaf with less than this share of its squared pattern in answered bands.
DEAF_SHARE = 0.2
# How much more than the others it is held back between the steps.
DEAF_DAMPING = 30.0
# Less than this is arithmetic, not improvement.
ROUNDING_DB = 1e-9
# A way that moves no more and no fewer faders must gain this to be gone: on coarse walks, and
# on the last. It spares long walks for nothing, and cannot cost step-optimality.
COARSE_GAIN_DB, LAST_GAIN_DB = 1e-3, 1e-4
# Continuous faders are set to this; no hand and no scale is finer.
CONTINUOUS_STEP_DB = 0.01
# Walks go far before they go near.
STRIDES_DB = (2.0, 0.5, 0.1)
# Pairs of ways weighed exactly; where the most promising fail, the others fail too.
PAIRS_TRIED = 12
# Levels that starts are first drawn to, as quantiles of the deviation: low ones mostly cut.
LEVEL_QUANTILES = (0.0, 0.2)
# Rounds of the smooth solution, and for how many of them the level is held.
SMOOTH_ROUNDS, HELD_ROUNDS = 24, 6


@dataclass(frozen=True)
class Task:
    """One unit, one wanted correction, reduced to the bands that are answered for.

    Attributes
    ----------
    unit : GraphicUnit
    detune_sq : ndarray, shape (n_faders, n_bands, n_nodes)
        x^2 of every section at every node of the answered bands.
    deviation_db, share : ndarray, shape (n_bands,)
        What is to be corrected, and each band's share of the weight (sum 1).
    grid_db : float
        Distance between settings.
    lowest, highest : ndarray of int, shape (n_faders,)
        Limits in steps of `grid_db`.
    deaf : ndarray of bool, shape (n_faders,)
        Faders that speak nearly only where nobody answers. They may help their neighbours,
        but pay for each dB, or they would dig holes out of sight to trim a hair elsewhere.
    """

    unit: GraphicUnit
    detune_sq: FloatArray
    deviation_db: FloatArray
    share: FloatArray
    grid_db: float
    lowest: IntArray
    highest: IntArray
    deaf: BoolArray

    @classmethod
    def of(
        cls, unit: GraphicUnit, deviation_db: FloatArray, weight: FloatArray, may_boost: BoolArray
    ) -> Task:
        """Task over the bands of positive weight; at least one is needed."""
        answered = weight > 0
        # Rounded like the deviation below: weights on another scale cannot tip a tie either.
        share = np.round(weight[answered] / weight[answered].sum(), 12)
        deviation = deviation_db[answered] - deviation_db[answered] @ share
        grid_db = unit.step_db or CONTINUOUS_STEP_DB
        # A hair of slack: 12 / 0.1 is 119.99…
        reach = int(unit.range_db / grid_db + 1e-6)
        boost = int(unit.max_boost_db / grid_db + 1e-6)
        # Small-signal pattern of a fader over all bands, squared as the error is.
        pattern = unit_slope(unit, np.zeros(unit.fader_count), unit.band_detune_sq)
        heard = np.square(pattern @ unit.band_nodes[1])
        return cls(
            unit=unit,
            detune_sq=unit.band_detune_sq[:, answered],
            # Far below a hearable difference, and a shifted level cannot tip a tie.
            deviation_db=np.round(deviation, 6),
            share=share,
            grid_db=grid_db,
            lowest=np.full(unit.fader_count, -reach),
            highest=np.where(may_boost, boost, 0),
            deaf=heard[:, answered].sum(axis=1) < DEAF_SHARE * heard.sum(axis=1),
        )

    def leaving(self, still: BoolArray) -> Task:
        """Give the same task with some faders left at 0."""
        return replace(
            self,
            lowest=np.where(still, 0, self.lowest),
            highest=np.where(still, 0, self.highest),
        )

    def section_power(self, fader_db: FloatArray) -> FloatArray:
        """|H|^2 of each section, shape (..., n_faders, n_bands, n_nodes)."""
        return unit_power(self.unit, fader_db, self.detune_sq)

    def level_db(self, power: FloatArray) -> FloatArray:
        """Deviation plus the band gain of `power` (..., n_bands, n_nodes)."""
        return np.asarray(self.deviation_db + 10.0 * np.log10(power @ self.unit.band_nodes[1]))

    def left_db(self, power: FloatArray) -> FloatArray:
        """Rest of the deviation after `power`, its weighted mean removed."""
        level = self.level_db(power)
        return np.asarray(level - (level @ self.share)[..., None])

    def rms_db(self, power: FloatArray) -> FloatArray:
        """Weighted rms of what is left after `power`."""
        return np.asarray(np.sqrt(np.square(self.left_db(power)) @ self.share))

    def price_db(self, steps: IntArray) -> FloatArray:
        """Price of each fader at its step."""
        further = np.maximum(np.abs(steps) - 1, 0) * self.grid_db
        return np.asarray(EARNS_DB * (steps != 0) + DEAF_PRICE * self.deaf * further)


def smooth_starts(task: Task) -> FloatArray:
    """Find settings, regardless of the steps, starting from several levels of the response.

    Levenberg-Marquardt on the band gains, faders at a limit held while the error pushes
    them against it; all starts at once.

    Returns
    -------
    ndarray, shape (n_starts, n_faders)
        In dB, within the limits.
    """
    unit, share = task.unit, task.share
    low_db, high_db = task.lowest * task.grid_db, task.highest * task.grid_db
    root_share = np.sqrt(share)
    levels_db = np.quantile(task.deviation_db, LEVEL_QUANTILES)
    nearest = task.detune_sq.min(axis=2).argmin(axis=1)
    aim_db = np.where(task.deaf, 0.0, levels_db[:, None] - task.deviation_db[nearest])
    fader_db = np.clip(aim_db, low_db, high_db)
    held_back = np.diag(np.where(task.deaf, DEAF_DAMPING, 1.0)) / unit.fader_count
    damping = np.full(levels_db.size, 1e-3)

    power = task.section_power(fader_db).prod(axis=1)
    for turn in range(SMOOTH_ROUNDS):
        # Held at its level a start finds its mix of cuts and boosts; then the level is let go.
        free = float(turn >= HELD_ROUNDS)
        off = task.level_db(power) - levels_db[:, None]
        off -= free * (off @ share)[:, None]
        # A band's gain follows its loudest nodes: slopes weighed by the power that passes.
        node_share = power * unit.band_nodes[1]
        node_share /= node_share.sum(axis=2, keepdims=True)
        slope = unit_slope(unit, fader_db, task.detune_sq)
        jacobian = np.einsum("sbn,sfbn->sbf", node_share, slope)
        jacobian -= free * (share @ jacobian)[:, None, :]
        jacobian *= root_share[:, None]
        gradient = np.einsum("sbf,sb->sf", jacobian, root_share * off)
        held = ((fader_db <= low_db) & (gradient >= 0)) | ((fader_db >= high_db) & (gradient <= 0))
        jacobian *= ~held[:, None, :]
        normal = jacobian.transpose(0, 2, 1) @ jacobian
        normal += damping[:, None, None] * held_back
        step = -np.linalg.solve(normal, (gradient * ~held)[..., None])[..., 0]
        tried_db = np.clip(fader_db + step, low_db, high_db)
        tried_power = task.section_power(tried_db).prod(axis=1)
        tried_off = task.level_db(tried_power) - levels_db[:, None]
        tried_off -= free * (tried_off @ share)[:, None]
        better = np.square(tried_off) @ share < np.square(off) @ share
        fader_db = np.where(better[:, None], tried_db, fader_db)
        power = np.where(better[:, None, None], tried_power, power)
        damping *= np.where(better, 0.3, 10.0)
    return fader_db


def descend(task: Task, steps: IntArray) -> tuple[IntArray, float]:
    """Walk to settings that no cheaper neighbour has; give them and their rms in dB.

    Neighbours are a fader a step up, a step down or back at 0, and any two of these at once:
    the rounding errors of two faders mend each other. Single ways are all weighed exactly;
    of the pairs only those that promise most where the decibels of two ways simply add.
    """
    for stride_db in STRIDES_DB:
        if stride_db > task.grid_db:
            stride = round(stride_db / task.grid_db)
            steps, _ = walk(task, steps, stride=stride, least_gain_db=COARSE_GAIN_DB)
    last_gain_db = LAST_GAIN_DB if task.unit.step_db else COARSE_GAIN_DB
    return walk(task, steps, stride=1, least_gain_db=last_gain_db)


def walk(
    task: Task, steps: IntArray, *, stride: int, least_gain_db: float
) -> tuple[IntArray, float]:
    """Walk `stride` steps at a time until no neighbour gains more than `least_gain_db`."""
    steps = np.clip(steps, task.lowest, task.highest)
    now = task.section_power(np.asarray(steps * task.grid_db))
    power = now.prod(axis=0)
    ways, factor = _ways(task, steps, stride, np.arange(steps.size), now)
    while True:
        left = task.left_db(power)
        rms = float(np.sqrt(np.square(left) @ task.share))
        saved = task.price_db(steps) - task.price_db(ways)
        left_by_way = task.left_db(power * factor)
        gain = rms - np.sqrt(np.square(left_by_way) @ task.share) + saved
        gain -= least_gain_db * (np.abs(saved) < 0.5 * EARNS_DB)
        best = int(gain.argmax())
        moved = np.array([best])
        if gain.flat[best] <= ROUNDING_DB:
            pairs = _promising_pairs(task, left, left_by_way, saved)
            both = factor.reshape(-1, *power.shape)[pairs].prod(axis=0)
            gain = rms - task.rms_db(power * both) + saved.ravel()[pairs].sum(axis=0)
            best = int(gain.argmax())
            if gain[best] <= least_gain_db:
                return steps, rms
            moved = pairs[:, best]
        way, fader = np.divmod(moved, steps.size)
        steps[fader] = ways[way, fader]
        now[fader] *= factor[way, fader]
        power = now.prod(axis=0)
        ways[:, fader], factor[:, fader] = _ways(task, steps, stride, fader, now)


def _promising_pairs(
    task: Task, left: FloatArray, left_by_way: FloatArray, saved: FloatArray
) -> IntArray:
    """Pairs of ways, by their flat indices, that promise most; shape (2, n_pairs)."""
    root_share = np.sqrt(task.share)
    change = (left_by_way - left).reshape(saved.size, -1) * root_share
    overlap = change @ change.T
    alone = overlap.diagonal() + 2.0 * change @ (root_share * left)
    mean_sq = np.square(left) @ task.share + alone[:, None] + alone + 2.0 * overlap
    price = saved.ravel()
    promise = price[:, None] + price - np.sqrt(np.maximum(mean_sq, 0.0))
    fader = np.arange(saved.size) % saved.shape[-1]
    # Each pair once, and never two ways of one fader.
    promise[(fader[:, None] == fader) | np.tri(saved.size, dtype=bool)] = -np.inf
    chosen = np.argpartition(promise, -PAIRS_TRIED, axis=None)[-PAIRS_TRIED:]
    # Two faders have fewer pairs than are tried.
    chosen = chosen[np.isfinite(promise.ravel()[chosen])]
    return np.stack(np.divmod(chosen, saved.size))


def _ways(
    task: Task, steps: IntArray, stride: int, faders: IntArray, now: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Where some faders may go next, and by what each way multiplies the power.

    Returns
    -------
    ways : ndarray of int, shape (3, n_faders)
        A stride up, a stride down, back to 0; at a limit the fader stays.
    factor : ndarray, shape (3, n_faders, n_bands, n_nodes)
    """
    here = steps[faders]
    ways = np.stack(
        [
            np.minimum(here + stride, task.highest[faders]),
            np.maximum(here - stride, task.lowest[faders]),
            np.zeros_like(here),
        ]
    )
    target = unit_power(task.unit, ways * task.grid_db, task.detune_sq[faders], faders)
    return ways, target / now[faders]
