"""Fader positions for a wanted correction: smooth starts, then descent on the unit's steps.

The cost of a set of faders is the weighted rms of what is left, in dB, with its weighted
mean removed, plus a price of `EARNS_DB` for each fader that is moved. A set that no single
step makes cheaper is therefore step-optimal: a step costs or saves at most one price, so
none improves the rms by more than `EARNS_DB`, and no moved fader earns less than that.

`Task` holds one job; `smooth_starts()` solves it without steps, drawn to several levels;
`descend()` walks from each on the steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.graphic import GraphicUnit, section_power, section_slope

__all__ = ["EARNS_DB", "Task", "descend", "smooth_starts"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# A fader that improves the weighted rms by less is not worth the hand's time.
EARNS_DB = 0.005
# Less than this is arithmetic, not improvement; it also ends every descent.
ROUNDING_DB = 1e-9
# Continuous faders are set to this; no hand and no scale is finer.
CONTINUOUS_STEP_DB = 0.01
# Two faders further apart than this hardly share a band, so moving both at once gains nothing.
PAIR_REACH = 3
# To how many levels the response is drawn: each gives another mix of cuts and boosts.
LEVEL_QUANTILES = (0.0, 0.25, 0.5, 0.75)
SMOOTH_ROUNDS = 8


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
        Faders that speak mostly where nobody answers: each step of theirs must earn its
        price, or they would dig holes out of sight to trim a neighbour.
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
        share = weight[answered] / weight[answered].sum()
        deviation = deviation_db[answered] - deviation_db[answered] @ share
        grid_db = unit.step_db or CONTINUOUS_STEP_DB
        # A hair of slack: 12 / 0.1 is 119.99…
        reach = int(unit.range_db / grid_db + 1e-6)
        boost = int(unit.max_boost_db / grid_db + 1e-6)
        # Small-signal pattern of a fader over all bands, squared as the error is.
        q = unit.q[:, None, None]
        pattern = section_slope(unit.model, q, np.zeros_like(q), unit.band_detune_sq)
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
            deaf=heard[:, answered].sum(axis=1) < 0.5 * heard.sum(axis=1),
        )

    def section_power(self, fader_db: FloatArray) -> FloatArray:
        """|H|^2 of each section, shape (..., n_faders, n_bands, n_nodes)."""
        q = self.unit.q[:, None, None]
        return section_power(self.unit.model, q, fader_db[..., None, None], self.detune_sq)

    def left_db(self, power: FloatArray) -> FloatArray:
        """What is left of the deviation after `power` (..., n_bands, n_nodes), mean removed."""
        left = self.deviation_db + 10.0 * np.log10(power @ self.unit.band_nodes[1])
        return np.asarray(left - (left @ self.share)[..., None])

    def rms_db(self, power: FloatArray) -> FloatArray:
        """Weighted rms of what is left after `power`."""
        return np.asarray(np.sqrt(np.square(self.left_db(power)) @ self.share))

    def price_db(self, steps: IntArray) -> FloatArray:
        """Price of each fader at its step."""
        return EARNS_DB * np.where(self.deaf, np.abs(steps), steps != 0)


def smooth_starts(task: Task) -> FloatArray:
    """Settings between the steps that bring the response near several levels.

    Levenberg-Marquardt on the band gains, faders at a limit held while the error pushes
    them against it; all starts at once.

    Returns
    -------
    ndarray, shape (n_starts, n_faders)
        In dB, within the limits; deaf faders at 0.
    """
    unit = task.unit
    low_db = np.where(task.deaf, 0.0, task.lowest * task.grid_db)
    high_db = np.where(task.deaf, 0.0, task.highest * task.grid_db)
    nearest = task.detune_sq.min(axis=2).argmin(axis=1)
    levels_db = np.quantile(task.deviation_db, LEVEL_QUANTILES)
    fader_db = np.clip(levels_db[:, None] - task.deviation_db[nearest], low_db, high_db)
    root_share = np.sqrt(task.share)
    damping = np.full(levels_db.size, 1e-3)
    sections = task.section_power(fader_db)
    power = sections.prod(axis=1)
    left = task.left_db(power)
    q = unit.q[:, None, None]
    for _ in range(SMOOTH_ROUNDS):
        # A band's gain follows its loudest nodes: slopes weighed by the power that passes.
        node_share = power * unit.band_nodes[1]
        node_share /= node_share.sum(axis=2, keepdims=True)
        slope = section_slope(unit.model, q, fader_db[..., None, None], task.detune_sq)
        jacobian = np.einsum("sbn,sfbn->sbf", node_share, slope)
        jacobian -= (task.share @ jacobian)[:, None, :]
        jacobian *= root_share[:, None]
        gradient = np.einsum("sbf,sb->sf", jacobian, root_share * left)
        held = ((fader_db <= low_db) & (gradient >= 0)) | ((fader_db >= high_db) & (gradient <= 0))
        jacobian *= ~held[:, None, :]
        normal = jacobian.transpose(0, 2, 1) @ jacobian
        normal += damping[:, None, None] * np.eye(unit.fader_count) / unit.fader_count
        step = -np.linalg.solve(normal, (gradient * ~held)[..., None])[..., 0]
        tried_db = np.clip(fader_db + step, low_db, high_db)
        tried_power = task.section_power(tried_db).prod(axis=1)
        tried_left = task.left_db(tried_power)
        better = np.square(tried_left) @ task.share < np.square(left) @ task.share
        fader_db = np.where(better[:, None], tried_db, fader_db)
        power = np.where(better[:, None, None], tried_power, power)
        left = np.where(better[:, None], tried_left, left)
        damping *= np.where(better, 0.3, 10.0)
    return fader_db


def descend(task: Task, steps: IntArray) -> tuple[IntArray, float]:
    """Walk to settings that no cheaper neighbour has; give them and their rms in dB.

    Neighbours are a fader a step up, a step down or back at 0, and any two of these on
    faders within `PAIR_REACH`: rounding errors of near faders mend each other.
    """
    faders = np.arange(task.unit.fader_count)
    steps = np.clip(steps, task.lowest, task.highest)
    now = task.section_power(steps * task.grid_db)
    power = now.prod(axis=0)
    ways, factor = _ways(task, steps, faders, now)
    price = task.price_db(steps)
    rms = float(task.rms_db(power))
    first, second = np.triu_indices(faders.size, k=1)
    near = second - first <= PAIR_REACH
    first, second = first[near], second[near]
    while True:
        saved = price - task.price_db(ways)
        gain = rms - task.rms_db(power * factor) + saved
        best = np.unravel_index(int(gain.argmax()), gain.shape)
        if gain[best] > ROUNDING_DB:
            moved = [(int(best[0]), int(best[1]))]
        else:
            both = factor[:, None, first] * factor[None, :, second]
            gain = rms - task.rms_db(power * both) + saved[:, None, first] + saved[None, :, second]
            best = np.unravel_index(int(gain.argmax()), gain.shape)
            if gain[best] <= ROUNDING_DB:
                return steps, rms
            pair = int(best[2])
            moved = [(int(best[0]), int(first[pair])), (int(best[1]), int(second[pair]))]
        for way, fader in moved:
            power = power * factor[way, fader]
            now[fader] *= factor[way, fader]
            steps[fader] = ways[way, fader]
        touched = np.array([fader for _, fader in moved])
        ways[:, touched], factor[:, touched] = _ways(task, steps, touched, now)
        price = task.price_db(steps)
        rms = float(task.rms_db(power))


def _ways(
    task: Task, steps: IntArray, faders: IntArray, now: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Where some faders may go next, and by what each way multiplies the power.

    Returns
    -------
    ways : ndarray of int, shape (3, n_faders)
        A step up, a step down, back to 0; at a limit the fader stays.
    factor : ndarray, shape (3, n_faders, n_bands, n_nodes)
    """
    here = steps[faders]
    ways = np.stack(
        [
            np.minimum(here + 1, task.highest[faders]),
            np.maximum(here - 1, task.lowest[faders]),
            np.zeros_like(here),
        ]
    )
    q = task.unit.q[faders][:, None, None]
    target = section_power(
        task.unit.model, q, (ways * task.grid_db)[..., None, None], task.detune_sq[faders]
    )
    return ways, target / now[faders]
