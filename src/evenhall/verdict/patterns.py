"""Patterns: where the response strays from its target, everywhere or at one spot, and the remedy.

Start at `find_patterns()`. Common patterns are runs of bands in which the listening area as a
whole strays; local ones are runs in which one spot strays from the others. Each is called
certain only beyond what so few places can show by chance. `cancelled_bands()` tells the card
where not to boost.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, NOMINAL_HZ
from evenhall.acoustics.cancellation import is_cancellation
from evenhall.acoustics.transfer import Response
from evenhall.verdict.common import CommonResponse
from evenhall.verdict.early_late import unshared_db
from evenhall.verdict.take import ALIGN_BANDS, SpotResponse, nan_mean
from evenhall.verdict.words import hz_text

__all__ = ["Pattern", "cancelled_bands", "find_patterns", "level_range_hz"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Broad errors are heard from about 1.5 dB; from one place to the next 3 dB is nothing unusual.
COMMON_DB = 1.5
LOCAL_DB = 3.0
BELONGS = 0.3
# Beyond this many standard deviations chance is left aside.
CERTAIN = 2.0
# A dip this narrow moves with the listener's head, and no graphic unit reaches it.
NARROW_OCTAVES = 0.5
# Lowest and highest frequency of a loudspeaker: 10 dB under its middle.
LIMIT_DROP_DB = 10.0
CANCELLATION_DEPTH_DB = 2.0
# A hole this deep and no wider is no loudspeaker's tone, whatever its phase; a fader that
# fought it would spend all its headroom. Common practice, no source.
HOLE_DB = 7.0
HOLE_OCTAVES = 1.34
# Of a build-up or dip so much is surely in the late sound alone: no fader is to mend it.
LATE_SHARE = 0.5
BOUNDARY_HZ = 300.0  # below, a common null comes from a wall or floor near the loudspeaker


@dataclass(frozen=True)
class Pattern:
    """A dip or a build-up.

    Parameters
    ----------
    hz : float
        Nominal third octave in which it is largest.
    width_octaves : float
        Between the edges of the run at half its size.
    depth_db : float
        Negative for a dip, positive for a build-up, re the target.
    scope : str
        "common" or "local".
    spots : tuple of str
        Where it shows.
    remedy : str
        "equalize", "move", "leave", "polarity" or "delay".
    why : str
        One plain sentence.
    certain : bool
    bands : tuple of int
        The third octaves that it covers.
    """

    hz: float
    width_octaves: float
    depth_db: float
    scope: str
    spots: tuple[str, ...]
    remedy: str
    why: str
    certain: bool
    bands: tuple[int, ...]


def level_range_hz(common: CommonResponse, *, low_limit_hz: float | None) -> tuple[float, float]:
    """Lowest and highest frequency that these loudspeakers give.

    Parameters
    ----------
    common : CommonResponse
    low_limit_hz : float or None
        As stated for the loudspeakers; else where the response is 10 dB down.
    """
    level = common.level_db
    # Half of the fall is the target's and the room's own tilt.
    present = np.isfinite(level) & (level > -LIMIT_DROP_DB)
    middle = int(np.flatnonzero(ALIGN_BANDS)[ALIGN_BANDS.sum() // 2])
    low, high = middle, middle
    while low > 0 and present[low - 1]:
        low -= 1
    while high < level.size - 1 and present[high + 1]:
        high += 1
    lowest = float(EXACT_HZ[low]) if low_limit_hz is None else low_limit_hz
    return lowest, float(EXACT_HZ[high])


@dataclass(frozen=True)
class _Run:
    """Neighbouring bands that stray the same way.

    Parameters
    ----------
    peak : int
        Band of the largest value.
    bands : ndarray of int
        Those that belong to it: what strays much less is the slope beside it.
    width_octaves : float
        Of the part around the peak that strays at least half as far.
    """

    peak: int
    bands: NDArray[np.intp]
    width_octaves: float


def _runs(values: FloatArray, threshold: FloatArray, allowed: BoolArray) -> list[_Run]:
    """List runs of one sign; a run reaches as far as the sign beyond half the threshold."""
    known = allowed & np.isfinite(values)
    size = np.where(known, np.abs(values), 0.0)
    runs = []
    for sign in (-1, 1):
        strays = known & (np.sign(values) == sign)
        part = strays & (size > 0.5 * threshold)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], part.astype(np.int8), [0]])))
        for first, end in edges.reshape(-1, 2):
            bands = np.arange(first, end)
            peak = int(bands[size[bands].argmax()])
            if size[peak] <= threshold[peak]:
                continue
            lowest = highest = peak
            while lowest > first and size[lowest - 1] >= 0.5 * size[peak]:
                lowest -= 1
            while highest < end - 1 and size[highest + 1] >= 0.5 * size[peak]:
                highest += 1
            bands = bands[size[bands] >= BELONGS * size[peak]]
            runs.append(_Run(peak, bands, (highest - lowest + 1) / 3.0))
    return sorted(runs, key=lambda run: -size[run.peak])


def _spot_names(spots: tuple[SpotResponse, ...]) -> list[str]:
    return [spot.spot for spot in spots]


def cancelled_bands(common: CommonResponse, deviation_db: FloatArray) -> BoolArray:
    """Bands that lie low because sounds cancel there: filling them is in vain.

    The nearest spot of each element is asked: there the room has the least say.
    """
    nearest = {}
    for spot in reversed(common.spots):
        nearest[spot.side] = spot
    cancelled = np.zeros(NOMINAL_HZ.size, dtype=bool)
    for band in np.flatnonzero(deviation_db < -CANCELLATION_DEPTH_DB):
        votes = [
            _cancels(take.response, int(band))
            for spot in nearest.values()
            for take in spot.takes
            if take.response is not None and np.isfinite(take.response.arrival_s)
        ]
        cancelled[band] = bool(votes) and sum(votes) * 2 > len(votes)
    return cancelled


@lru_cache(maxsize=256)  # asked again with every take that joins a visit
def _cancels(response: Response, band: int) -> bool:
    return is_cancellation(
        response.impulse,
        rate_hz=response.rate_hz,
        arrival_s=response.arrival_s,
        freq_hz=float(EXACT_HZ[band]),
    )


def find_patterns(
    common: CommonResponse,
    deviation_db: FloatArray,
    *,
    cancelled: BoolArray,
    range_hz: tuple[float, float],
    fader_spacing_octaves: float,
) -> tuple[Pattern, ...]:
    """Patterns, common ones first, each group by size.

    Parameters
    ----------
    common : CommonResponse
    deviation_db : ndarray, shape (31,)
        Common response less target, mean over 200 Hz to 4 kHz removed.
    cancelled : ndarray of bool, shape (31,)
        From `cancelled_bands()`.
    range_hz : tuple of float
        Lowest and highest frequency that the loudspeakers give.
    fader_spacing_octaves : float
        Of the user's equalizer.
    """
    low_hz, high_hz = range_hz
    inside = (low_hz <= NOMINAL_HZ) & (high_hz * 1.01 >= EXACT_HZ)
    unshared = unshared_db(common, deviation_db)
    patterns = [
        _common_pattern(common, deviation_db, run, cancelled, fader_spacing_octaves, unshared)
        for run in _runs(deviation_db, np.full(BAND_COUNT, COMMON_DB), inside)
    ]
    return (*patterns, *_local_patterns(common, inside))


def _common_pattern(
    common: CommonResponse,
    deviation_db: FloatArray,
    run: _Run,
    cancelled: BoolArray,
    spacing_octaves: float,
    unshared: FloatArray,
) -> Pattern:
    peak, width = run.peak, run.width_octaves
    depth = float(deviation_db[peak])
    late_only = bool(unshared[peak] > LATE_SHARE * abs(depth))
    names = list(dict.fromkeys(_spot_names(common.spots)))
    certain = bool(abs(depth) > CERTAIN * common.uncertainty_db[peak] and len(names) > 1)
    where = "at every spot" if len(names) > 1 else f"at the one spot measured ({names[0]})"
    hz = hz_text(NOMINAL_HZ[peak])
    hole = depth < -HOLE_DB and width <= HOLE_OCTAVES
    if late_only:
        remedy = "leave"
        size, cure = (
            (f"build-up of {depth:.1f} dB", "Curtains or people take it away; a cut would dull")
            if depth > 0
            else (f"dip of {-depth:.1f} dB", "It is the room that swallows; a boost would sharpen")
        )
        why = (
            f"The {size} around {hz} is in the room's late sound alone. {cure} the direct sound, "
            "which is as it should be."
        )
    elif depth > 0:
        remedy = "equalize"
        why = (
            f"A build-up of {depth:.1f} dB around {hz}, {where}: it belongs to the loudspeakers "
            "in this room, and a cut takes it away for everybody."
        )
    elif cancelled[peak] or hole:
        remedy = "move" if NOMINAL_HZ[peak] < BOUNDARY_HZ else "leave"
        cure = (
            "Only moving the loudspeaker or what it reflects from helps."
            if remedy == "move"
            else "Leave it; filling it would only cost headroom."
        )
        why = f"At {hz} the sound cancels itself by {-depth:.1f} dB: boost is cancelled too. {cure}"
    elif width <= NARROW_OCTAVES and width < spacing_octaves - 0.01:
        remedy = "leave"
        why = (
            f"The dip of {-depth:.1f} dB at {hz} is narrower than a fader of this equalizer: "
            "raising one would lift its neighbours more."
        )
    elif not certain:
        remedy = "leave"
        why = (
            f"The dip of {-depth:.1f} dB at {hz} may be chance: so few places scatter by "
            f"{common.uncertainty_db[peak]:.1f} dB there. Measure more before boosting."
        )
    else:
        remedy = "equalize"
        why = (
            f"A dip of {-depth:.1f} dB around {hz}, {where}, broad and not a cancellation: "
            "the card lifts it against what lies beside it."
        )
    if depth > 0 and not certain and not late_only:
        why = (
            f"A build-up of {depth:.1f} dB around {hz}, {where}, but so few places scatter by "
            f"{common.uncertainty_db[peak]:.1f} dB there: the cut is a fair guess, no more."
        )
    return Pattern(
        hz=float(NOMINAL_HZ[peak]),
        width_octaves=width,
        depth_db=depth,
        scope="common",
        spots=tuple(names),
        remedy=remedy,
        why=why,
        certain=certain,
        bands=tuple(int(band) for band in run.bands),
    )


def _local_patterns(common: CommonResponse, inside: BoolArray) -> list[Pattern]:
    """List what single spots have against the middle one of all spots, sides taken together."""
    names = list(dict.fromkeys(_spot_names(common.spots)))
    if len(names) < 2:
        return []
    at = [[k for k, spot in enumerate(common.spots) if spot.spot == name] for name in names]
    levels = np.stack([nan_mean(common.aligned_db[rows]) for rows in at])
    # Both sides hear the same room from one spot: their scatter is not halved by being two.
    chance = np.stack([nan_mean(common.scatter_db[rows]) for rows in at])
    patterns = []
    for k, name in enumerate(names):
        others = np.delete(levels, k, axis=0)
        # With three spots or more the median leaves the odd one out; of two, either may be odd.
        usual = _median(levels) if len(names) > 2 else nan_mean(others)
        strays = levels[k] - usual
        threshold = np.maximum(LOCAL_DB, CERTAIN * chance[k] * np.sqrt(1.0 + 1.0 / len(others)))
        for run in _runs(strays, threshold, inside):
            depth = float(strays[run.peak])
            what = "dip" if depth < 0 else "build-up"
            patterns.append(
                Pattern(
                    hz=float(NOMINAL_HZ[run.peak]),
                    width_octaves=run.width_octaves,
                    depth_db=depth,
                    scope="local",
                    spots=(name,),
                    remedy="leave",
                    why=(
                        f"The {what} of {abs(depth):.1f} dB at {hz_text(NOMINAL_HZ[run.peak])} "
                        f"shows at {name} only: it belongs to that place, and a fader would spoil "
                        "the others."
                    ),
                    certain=len(names) > 2,
                    bands=tuple(int(band) for band in run.bands),
                )
            )
    if len(names) == 2:
        # Each stray shows twice, once a spot with the sign turned: the dip is the likelier fault.
        patterns = [pattern for pattern in patterns if pattern.depth_db < 0]
    return sorted(patterns, key=lambda pattern: -abs(pattern.depth_db))


def _median(levels: FloatArray) -> FloatArray:
    """Median over spots of what is known; nan where nothing is."""
    known = np.isfinite(levels)
    ranked = np.sort(np.where(known, levels, np.inf), axis=0)
    count = known.sum(axis=0)
    column = np.arange(levels.shape[1])
    low = ranked[np.maximum((count - 1) // 2, 0), column]
    high = ranked[np.minimum(count // 2, levels.shape[0] - 1), column]
    return np.where(count > 0, 0.5 * (low + high), np.nan)
