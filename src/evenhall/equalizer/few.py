"""The best few faders, where the user is willing to set no more. Start at `fewer()`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.search import COARSE_GAIN_DB, Task, descend, walk

__all__ = ["fewer"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# How far the others walk each time a fader is added or left at 0.
STRIDE_DB = 1.0
CARRIED = 3  # sets that are carried on while faders are added, and ways on from each


def fewer(task: Task, starts: Sequence[IntArray], most: int) -> tuple[IntArray, float]:
    """Leave all but `most` faders at 0, and choose those that are missed least.

    From each start one after the other is taken away, and from none one after the other added;
    the best set is taken. What each fader would earn is weighed in decibels, the others free to
    mend it; then they are settled on their steps.
    """
    found = [_taken_away(task, steps, most) for steps in starts]
    found.append(_added(task, most))
    settled = [descend(task.leaving(still), steps) for still, steps in found]
    return min(settled, key=lambda one: one[1])


def _taken_away(task: Task, steps: IntArray, most: int) -> tuple[BoolArray, IntArray]:
    still = np.zeros(steps.size, dtype=bool)
    while np.count_nonzero(steps) > most:
        moved = np.flatnonzero(steps)
        pattern, left = _patterns(task, steps, moved)
        missed = [
            _missed(np.delete(pattern, k, axis=0), left - pattern[k]) for k in range(len(moved))
        ]
        still[moved[int(np.argmin(missed))]] = True
        steps = _settled(task, still, np.where(still, 0, steps))
    return still, steps


def _added(task: Task, most: int) -> tuple[BoolArray, IntArray]:
    """Add faders one by one, the best few sets carried on side by side."""
    nothing = np.zeros(task.lowest.size, dtype=np.int64)
    sets = [(np.ones(nothing.size, dtype=bool), nothing)]
    for _ in range(most):
        grown: dict[tuple[int, ...], tuple[float, BoolArray, IntArray]] = {}
        for still, steps in sets:
            waiting = np.flatnonzero(still & (task.lowest < task.highest))
            mine, left = _patterns(task, steps, np.flatnonzero(~still))
            others = _trial_patterns(task, steps, waiting)
            missed = [_missed(np.vstack((mine, one[None])), left) for one in others]
            for at in np.argsort(missed)[:CARRIED]:
                more = still.copy()
                more[waiting[at]] = False
                key = tuple(np.flatnonzero(~more).tolist())
                if key not in grown:
                    then = _settled(task, more, steps)
                    power = task.section_power(np.asarray(then * task.grid_db)).prod(axis=0)
                    rms_db = float(task.rms_db(power))
                    grown[key] = rms_db, more, then
        if not grown:
            break
        best = sorted(grown.values(), key=lambda one: one[0])[:CARRIED]
        sets = [(still, steps) for _, still, steps in best]
    return sets[0]


def _settled(task: Task, still: BoolArray, steps: IntArray) -> IntArray:
    stride = max(1, round(STRIDE_DB / task.grid_db))
    free = task.leaving(still)
    return walk(free, steps, stride=stride, least_gain_db=COARSE_GAIN_DB)[0]


def _patterns(task: Task, steps: IntArray, faders: IntArray) -> tuple[FloatArray, FloatArray]:
    """Give what some faders do where they stand, and what all leave, weighed as the squares are."""
    power = task.section_power(np.asarray(steps * task.grid_db))
    alone = 10.0 * np.log10(power[faders] @ task.unit.band_nodes[1])
    root_share = np.sqrt(task.share)
    pattern = (alone - (alone @ task.share)[:, None]) * root_share
    return pattern, task.left_db(power.prod(axis=0)) * root_share


def _trial_patterns(task: Task, steps: IntArray, faders: IntArray) -> FloatArray:
    """Give what faders that stand at 0 would do half-way out."""
    trial = steps.copy()
    trial[faders] = task.lowest[faders] // 2  # a boost's pattern is a cut's, reversed
    return _patterns(task, trial, faders)[0]


def _missed(pattern: FloatArray, left: FloatArray) -> float:
    """Sum of squares that no mix of the patterns takes away."""
    ridge = 1e-3 * np.eye(len(pattern))
    mix = np.linalg.solve(pattern @ pattern.T + ridge, pattern @ left)
    return float(np.square(left - mix @ pattern).sum())
