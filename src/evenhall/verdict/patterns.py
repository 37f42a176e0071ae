"""Patterns: where the response strays from its target, everywhere or at one spot, and the remedy.

Start at `find_patterns()`. Common patterns are runs of bands in which the listening area as a
whole strays; local ones are runs in which one spot strays from the others. Each is called
certain only beyond what so few places can show by chance. `cancelled_bands()` tells the card
where not to boost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.acoustics.cancellation import is_cancellation
from evenhall.verdict.common import CommonResponse
from evenhall.verdict.take import ALIGN_BANDS, SpotResponse
from evenhall.verdict.words import hz_text, join_words

__all__ = ["Pattern", "cancelled_bands", "find_patterns", "level_range_hz"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Broad errors are heard from about 1.5 dB; from one place to the next 3 dB is nothing unusual.
COMMON_DB = 1.5
LOCAL_DB = 3.0
# Beyond this many standard deviations chance is left aside.
CERTAIN = 2.0
# A dip this narrow moves with the listener's head, and no graphic unit reaches it.
NARROW_OCTAVES = 0.5
# Lowest and highest frequency of a loudspeaker: 10 dB under its middle.
LIMIT_DROP_DB = 10.0
CANCELLATION_DEPTH_DB = 2.0
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


def _runs(
    values: FloatArray, threshold: FloatArray, allowed: BoolArray
) -> list[tuple[int, NDArray[np.intp]]]:
    """List runs of one sign beyond the threshold: the largest band, and all at half its size."""
    left = allowed & np.isfinite(values) & (np.abs(values) > threshold)
    runs = []
    size = np.where(np.isfinite(values), np.abs(values), 0.0)
    while left.any():
        peak = int(np.where(left, size, 0.0).argmax())
        same = np.isfinite(values) & (np.sign(values) == np.sign(values[peak]))
        half = same & allowed & (size >= 0.5 * size[peak])
        first = last = peak
        while first > 0 and half[first - 1]:
            first -= 1
        while last < values.size - 1 and half[last + 1]:
            last += 1
        runs.append((peak, np.arange(first, last + 1)))
        left[first : last + 1] = False
    return runs


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
            is_cancellation(
                take.response.impulse,
                rate_hz=take.response.rate_hz,
                arrival_s=take.response.arrival_s,
                freq_hz=float(EXACT_HZ[band]),
            )
            for spot in nearest.values()
            for take in spot.takes
            if take.response is not None and np.isfinite(take.response.arrival_s)
        ]
        cancelled[band] = bool(votes) and sum(votes) * 2 > len(votes)
    return cancelled


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
    patterns = []
    for peak, bands in _runs(deviation_db, np.full(31, COMMON_DB), inside):
        patterns.append(
            _common_pattern(common, deviation_db, peak, bands, cancelled, fader_spacing_octaves)
        )
    patterns.sort(key=lambda pattern: -abs(pattern.depth_db))
    return (*patterns, *_local_patterns(common, inside))


def _width_octaves(bands: NDArray[np.intp]) -> float:
    return float(bands.size / 3.0)


def _common_pattern(
    common: CommonResponse,
    deviation_db: FloatArray,
    peak: int,
    bands: NDArray[np.intp],
    cancelled: BoolArray,
    spacing_octaves: float,
) -> Pattern:
    depth = float(deviation_db[peak])
    width = _width_octaves(bands)
    certain = bool(abs(depth) > CERTAIN * common.uncertainty_db[peak] and len(common.spots) > 1)
    names = list(dict.fromkeys(_spot_names(common.spots)))
    where = "at every spot" if len(names) > 1 else f"at the one spot measured ({names[0]})"
    hz = hz_text(NOMINAL_HZ[peak])
    if depth > 0:
        remedy = "equalize"
        why = (
            f"A build-up of {depth:.1f} dB around {hz}, {where}: it belongs to the loudspeakers "
            "in this room, and a cut takes it away for everybody."
        )
    elif cancelled[peak]:
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
            "a little boost fills it."
        )
    if depth > 0 and not certain:
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
        bands=tuple(int(band) for band in bands),
    )


def _local_patterns(common: CommonResponse, inside: BoolArray) -> list[Pattern]:
    """Patterns of one spot against the mean of the others."""
    if len(set(_spot_names(common.spots))) < 2:
        return []
    found: dict[tuple[int, int], tuple[float, list[str], NDArray[np.intp]]] = {}
    for k, spot in enumerate(common.spots):
        others = [j for j in range(len(common.spots)) if common.spots[j].spot != spot.spot]
        trust = common.trust[others]
        total = trust.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            rest = np.nansum(trust * common.aligned_db[others], axis=0) / total
        stray = common.aligned_db[k] - rest
        chance = np.hypot(common.scatter_db[k], np.sqrt(1.0 / np.maximum(total, 1e-9)))
        threshold = np.maximum(LOCAL_DB, CERTAIN * chance)
        for peak, bands in _runs(stray, threshold, inside & (total > 0)):
            key = (peak, int(np.sign(stray[peak])))
            label = spot.spot if _one_side(common) else f"{spot.spot} ({spot.side})"
            if key in found:
                depth, names, wide = found[key]
                larger = stray[peak] if abs(stray[peak]) > abs(depth) else depth
                found[key] = (float(larger), [*names, label], wide)
            else:
                found[key] = (float(stray[peak]), [label], bands)
    patterns = []
    for (peak, sign), (depth, labels, bands) in found.items():
        what = "dip" if sign < 0 else "build-up"
        hz = hz_text(NOMINAL_HZ[peak])
        spots = tuple(dict.fromkeys(label.split(" (")[0] for label in labels))
        patterns.append(
            Pattern(
                hz=float(NOMINAL_HZ[peak]),
                width_octaves=_width_octaves(bands),
                depth_db=depth,
                scope="local",
                spots=spots,
                remedy="leave",
                why=(
                    f"The {what} of {abs(depth):.1f} dB at {hz} shows at {join_words(labels)} "
                    "only: it is the room's, and a fader would spoil the other places."
                ),
                certain=True,
                bands=tuple(int(band) for band in bands),
            )
        )
    return sorted(patterns, key=lambda pattern: -abs(pattern.depth_db))


def _one_side(common: CommonResponse) -> bool:
    return len({spot.side for spot in common.spots}) == 1
