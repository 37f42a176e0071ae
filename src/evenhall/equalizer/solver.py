"""Which faders, how far: weigh the bands, solve, round to the unit's steps. Start at `solve()`.

`search.py` looks for the settings; here the best of them is chosen, and what the unit cannot
reach is named with its reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, NOMINAL_HZ
from evenhall.equalizer.few import fewer
from evenhall.equalizer.graphic import GraphicUnit, band_gain_db
from evenhall.equalizer.search import EARNS_DB, Task, descend, smooth_starts

__all__ = ["EARNS_DB", "OutOfReach", "Solution", "Wanted", "centred", "solve"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Settings are alike where what parts them would, by itself, be an rms of this: in squares, so
# that it is less than the rounding of a 31-fader unit and next to nothing on a coarse one.
ALIKE_DB = 0.06
# And by no more than this: next to nothing stays next to nothing.
ALIKE_RATIO, ALIKE_MORE_DB = 1.005, 0.005
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
        How much each band counts, 0 or more; the card does not answer for a band of weight
        0, nor for one whose deviation is not finite.
    may_boost : ndarray of bool, shape (n_faders,)
        False where a fader may only cut.
    """

    deviation_db: FloatArray
    weight: FloatArray
    may_boost: BoolArray


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
        Deviation plus gain, its weighted mean over the answered bands removed.
    rms_before_db, rms_after_db : float
        Weighted, weighted mean removed; nan where no band is answered for.
    out_of_reach : tuple of OutOfReach
    """

    fader_db: FloatArray
    gain_db: FloatArray
    after_db: FloatArray
    rms_before_db: float
    rms_after_db: float
    out_of_reach: tuple[OutOfReach, ...]


def solve(unit: GraphicUnit, wanted: Wanted) -> Solution:
    """Fader settings that bring the answered bands nearest to their target.

    The settings lie on the unit's steps (0.01 dB for continuous faders) and within its
    limits. They are step-optimal: no fader moved one step improves the weighted rms by more
    than `EARNS_DB`, and no moved fader earns less. Of the settings found that are alike in
    error (see `ALIKE_DB`) the one with the least boost and the fewest moved faders is taken.

    Parameters
    ----------
    unit : GraphicUnit
    wanted : Wanted

    Examples
    --------
    A build-up that the 1 kHz fader makes, it also takes away:

    >>> from evenhall.equalizer import Wanted, band_gain_db, graphic_unit, solve
    >>> unit = graphic_unit(10)
    >>> build_up_db = band_gain_db(unit, [0, 0, 0, 0, 0, 4.5, 0, 0, 0, 0])
    >>> solve(unit, Wanted(build_up_db, np.ones(31), np.ones(10, bool))).fader_db.tolist()
    [0.0, 0.0, 0.0, 0.0, 0.0, -4.5, 0.0, 0.0, 0.0, 0.0]
    """
    may_boost = np.asarray(wanted.may_boost, dtype=bool)
    deviation = np.asarray(wanted.deviation_db, dtype=np.float64)
    weight = np.asarray(wanted.weight, dtype=np.float64)
    assert deviation.shape == weight.shape == (BAND_COUNT,), "one value a third-octave band"
    assert may_boost.shape == (unit.fader_count,), "one permission a fader"
    assert np.all((weight >= 0) & (weight < np.inf)), "weights are finite, 0 or more"
    weight = np.where(np.isfinite(deviation), weight, 0.0)
    fader_db = np.zeros(unit.fader_count)
    if np.any(weight > 0):
        fader_db = _best_faders(Task.of(unit, deviation, weight, may_boost))
    gain = band_gain_db(unit, fader_db)
    after, rms_after = centred(deviation + gain, weight)
    return Solution(
        fader_db=fader_db,
        gain_db=gain,
        after_db=after,
        rms_before_db=centred(deviation, weight)[1],
        rms_after_db=rms_after,
        out_of_reach=_out_of_reach(unit, fader_db, after, weight, may_boost),
    )


def _best_faders(task: Task) -> FloatArray:
    starts = np.rint(smooth_starts(task) / task.grid_db).astype(np.int64)
    found = [descend(task, start) for start in np.unique(starts, axis=0)]
    most = task.unit.most_moved
    if most is not None and all(np.count_nonzero(steps) > most for steps, _ in found):
        found = [fewer(task, [steps for steps, _ in found], most)]
    elif most is not None:
        found = [one for one in found if np.count_nonzero(one[0]) <= most]
    best_db = min(rms_db for _, rms_db in found)
    alike_db = max(ALIKE_RATIO * best_db, best_db + ALIKE_MORE_DB)
    alike_db = min(alike_db, float(np.hypot(best_db, ALIKE_DB)))
    # A dB of boost counts like one more fader to move: a shelf is cut from its louder side, but
    # one dip is not mended by pulling all the others down.
    steps = min(
        (steps for steps, rms_db in found if rms_db <= alike_db),
        key=lambda steps: np.maximum(steps, 0).sum() * task.grid_db + np.count_nonzero(steps),
    )
    # Decimal steps: 3 * 0.1 is to read 0.3.
    return np.round(steps * task.grid_db, 9) + 0.0


def centred(level_db: FloatArray, weight: FloatArray) -> tuple[FloatArray, float]:
    """Levels less their weighted mean, and their weighted rms."""
    answered = weight > 0
    if not answered.any():
        return np.full_like(level_db, np.nan), float("nan")
    share = weight[answered] / weight.sum()
    centred = level_db - level_db[answered] @ share
    return centred, float(np.sqrt(np.square(centred[answered]) @ share))


def _out_of_reach(
    unit: GraphicUnit,
    fader_db: FloatArray,
    after_db: FloatArray,
    weight: FloatArray,
    may_boost: BoolArray,
) -> tuple[OutOfReach, ...]:
    far_off = np.flatnonzero((weight > 0) & (np.abs(np.nan_to_num(after_db)) > OUT_OF_REACH_DB))
    return tuple(
        OutOfReach(
            hz=float(NOMINAL_HZ[band]),
            left_db=float(after_db[band]),
            why=_why(unit, fader_db, int(band), bool(after_db[band] > 0), may_boost),
        )
        for band in far_off
    )


def _why(
    unit: GraphicUnit, fader_db: FloatArray, band: int, too_loud: bool, may_boost: BoolArray
) -> str:
    """Why the faders leave a band too loud or too soft: the first reason that fits."""
    decades = np.abs(np.log10(unit.centre_hz / EXACT_HZ[band]))
    fader = int(decades.argmin())
    name = f"{unit.nominal_hz[fader]:g} Hz fader"
    setting = fader_db[fader]
    # A setting within a step of its limit has no step left to go.
    slack = (unit.step_db or 0.01) - 1e-6
    if too_loud and setting < slack - unit.range_db:
        return f"The {name} is all the way down."
    if not too_loud and not may_boost[fader] and setting >= 0:
        return f"The {name} may not be raised here."
    if not too_loud and setting > unit.max_boost_db - slack:
        return f"The {name} is at its limit of {unit.max_boost_db:g} dB boost."
    if decades[fader] > 0.05 + 1e-9:
        return f"No fader sits here: the {name} is the nearest, and it works on its own band more."
    beside = fader_db[max(fader - 1, 0) : fader + 2]
    apart = beside.max() > setting if too_loud else beside.min() < setting
    if apart:
        return f"The faders beside the {name} stand the other way and pull against it."
    return f"The {name} is wider than this band: what helps here would spoil the bands beside it."
