"""Drivers that are not heard: a horn or woofer that is silent leaves a step at its crossover.

Start at `silent_drivers()`. Beside the other side a step of 6 dB is enough, as their tone is alike;
both of a pair, or a box by itself, must show 13: dull boxes do not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, NOMINAL_HZ, nearest_band
from evenhall.verdict.take import SpotResponse, align_level_db, nan_mean

__all__ = ["SilentDriver", "own_curves", "silent_drivers"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# All limits are common practice, no source, tried in simulated halls: bench/boxes.py.
# Crossovers of small boxes, and where a woofer is crossed if another driver plays the middle.
EDGES = np.flatnonzero((NOMINAL_HZ >= 1000.0) & (NOMINAL_HZ <= 3150.0))
LOW_EDGES = np.flatnonzero((NOMINAL_HZ >= 315.0) & (NOMINAL_HZ <= 3150.0))
TOP = nearest_band(10_000.0) + 1
BELOW_FROM = nearest_band(200.0)
LOW_SHARE = 0.25  # what a build-up of an octave or two leaves as it is
BAND = np.arange(BAND_COUNT)
PAIR = {"left", "right"}
PAIR_STEP_DB = 6.0  # healthy pairs 1.3 at most
OWN_STEP_DB = 13.0  # of both of a pair: dull boxes with a build-up below reach 13 (bench/seats.py)
LONE_STEP_DB = 13.0  # of one box with nothing beside it
MIDDLE = (EXACT_HZ > 190.0) & (EXACT_HZ < 1050.0)  # clear of a horn
TREBLE = (EXACT_HZ > 6000.0) & (EXACT_HZ < 10_500.0)  # clear of a woofer


@dataclass(frozen=True)
class SilentDriver:
    """A driver that is not heard.

    Parameters
    ----------
    name : str
        "horn" or "woofer".
    below_db : float
        How much less there is than should be.
    clear : ndarray of bool, shape (31,)
        Bands that it has no part in.
    """

    side: str
    name: str
    below_db: float
    clear: BoolArray


def own_curves(spots: Sequence[SpotResponse]) -> dict[str, FloatArray]:
    """Mean tone of each main side over its spots, each less its own middle."""

    def lined_up(spot: SpotResponse) -> FloatArray:
        # So that a band that one spot alone knows makes no step.
        middle_db = float(nan_mean(spot.level_db[MIDDLE]))
        known = np.isfinite(middle_db)
        return spot.level_db - (middle_db if known else align_level_db(spot.level_db))

    return {
        side: nan_mean(np.stack([lined_up(spot) for spot in spots if spot.side == side]))
        for side in dict.fromkeys(spot.side for spot in spots if spot.element.is_main)
    }


def _fall(curve: FloatArray) -> tuple[float, int]:
    """Most that a curve falls within an octave about a crossover and stays, in dB; and the band.

    Against the lower quarter of all that lies below: a build-up there is no step.
    """
    best, at = 0.0, int(EDGES[0])
    for edge in EDGES:
        below, above = curve[BELOW_FROM:edge], curve[edge + 2 : TOP]
        below, above = below[np.isfinite(below)], above[np.isfinite(above)]
        if below.size >= 3 and above.size >= 2:
            drop_db = float(np.quantile(below, LOW_SHARE) - above.max())
            if drop_db > best:
                best, at = drop_db, int(edge)
    return best, at


def _rise(curve: FloatArray) -> tuple[float, int]:
    """Most that a curve rises within an octave, from all that lies below, in dB; and the band."""
    best, at = 0.0, int(EDGES[0])
    for edge in LOW_EDGES:
        below = curve[(EXACT_HZ > 60.0) & (edge - 1 > BAND)]
        above = curve[edge + 1 : TOP]
        below, above = below[np.isfinite(below)], above[np.isfinite(above)]
        if below.size >= 2 and above.size >= 3:
            climb_db = float(np.quantile(above, LOW_SHARE) - below.max())
            if climb_db > best:
                best, at = climb_db, int(edge)
    return best, at


def _silent(side: str, name: str, below_db: float, edge: int) -> SilentDriver:
    clear = TREBLE if name == "woofer" else MIDDLE & (0.6 * EXACT_HZ[edge] > EXACT_HZ)
    return SilentDriver(side, name, below_db, clear)


def silent_drivers(
    own: Mapping[str, FloatArray], left_minus_right_db: FloatArray | None
) -> list[SilentDriver]:
    """Find drivers that are not heard: of one side beside the other, else of each by itself.

    Parameters
    ----------
    own : mapping of str to ndarray, shape (31,)
        Tone of each side, see `own_curves()`.
    left_minus_right_db : ndarray, shape (31,), or None
        With the places of the microphone allowed for.
    """
    falls, climbs = ({side: of(curve) for side, curve in own.items()} for of in (_fall, _rise))
    found = []
    for name, steps in (("horn", falls), ("woofer", climbs)):
        pair = PAIR if left_minus_right_db is not None else set()
        both = all(steps[side][0] >= OWN_STEP_DB for side in pair)
        found += [
            _silent(side, name, db, edge)
            for side, (db, edge) in steps.items()
            if (both if side in pair else db >= LONE_STEP_DB)
        ]
    if left_minus_right_db is None or any(one.side in PAIR for one in found):
        return found
    for side, other, curve in (
        ("left", "right", left_minus_right_db),
        ("right", "left", -left_minus_right_db),
    ):
        db, edge = max(_fall(curve), _rise(-curve))
        if db < PAIR_STEP_DB:
            continue
        # The horn of one is silent, or the woofer of the other: their own tone tells which.
        dark = np.isnan(own[other][MIDDLE]).mean() > 0.5
        if edge in EDGES and not dark and falls[side][0] >= climbs[other][0]:
            return [*found, _silent(side, "horn", db, edge)]
        return [*found, _silent(other, "woofer", db, edge)]
    return found
