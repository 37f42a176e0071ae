"""Patterns: where the area strays from its target, what the card does there, and what is left.

Every sentence about a band is made of the estimate and of the card: what the card takes out or
fills in is called so, and what it leaves is called left, with the reason. Start at
`find_patterns()`. `cancelled_bands()` tells the estimate which dips no gain fills.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, NOMINAL_HZ
from evenhall.acoustics.cancellation import is_cancellation
from evenhall.acoustics.transfer import Response
from evenhall.verdict.card.estimate import Estimate
from evenhall.verdict.card.faders import Card
from evenhall.verdict.card.loss import judged_share
from evenhall.verdict.scatter import DEFAULT_RT60_S, scatter_db
from evenhall.verdict.take import nan_mean
from evenhall.words import hz_text

__all__ = ["Pattern", "cancelled_bands", "find_patterns"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Broad errors are heard from about 1.5 dB; from one place to the next 3 dB is nothing unusual.
COMMON_DB = 1.5
LOCAL_DB = 3.0
# Beyond this many standard deviations chance is left aside.
CERTAIN = 2.0
# A dip of less is filled even if sounds cancel there: seats gain by it (bench/seats.py). A deeper
# one would take all the headroom of a driver and stay a dip.
CANCELLATION_DEPTH_DB = 7.0
BOUNDARY_HZ = 300.0  # below, a common null comes from a wall or floor near the loudspeaker
# A card that changes a band by less does nothing there that a sentence should claim.
TOUCHES_DB = 1.0
MENDS = 0.3  # of the size of a pattern
# The fall at the end of a box goes on until the response is this near its target.
FALL_DB = 1.0
HIGHEST_LOCAL_HZ = 11_000.0  # above, a head turned is a place of its own


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
        Negative for a dip, positive for a build-up, re the target at the level the card aims for.
    scope : str
        "common" or "local".
    spots : tuple of str
        Where it shows.
    remedy : str
        "equalize", "move" or "leave".
    why : str
        What is done about it, and why, in plain words.
    card_db : float
        What the card does there.
    """

    hz: float
    width_octaves: float
    depth_db: float
    scope: str
    spots: tuple[str, ...]
    remedy: str
    why: str
    certain: bool
    card_db: float


@dataclass(frozen=True)
class _Run:
    """Neighbouring bands that stray the same way, and the band of the largest value."""

    peak: int
    width_octaves: float


def _runs(values: FloatArray, threshold: FloatArray, allowed: BoolArray) -> list[_Run]:
    """List runs of one sign, largest first; a run reaches as far as half its peak."""
    known = allowed & np.isfinite(values)
    size = np.where(known, np.abs(values), 0.0)
    runs = []
    for sign in (-1, 1):
        part = known & (np.sign(values) == sign) & (size > 0.5 * threshold)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], part.astype(np.int8), [0]])))
        for first, end in edges.reshape(-1, 2):
            peak = first + int(size[first:end].argmax())
            if size[peak] <= threshold[peak]:
                continue
            lowest = highest = peak
            while lowest > first and size[lowest - 1] >= 0.5 * size[peak]:
                lowest -= 1
            while highest < end - 1 and size[highest + 1] >= 0.5 * size[peak]:
                highest += 1
            runs.append(_Run(peak, (highest - lowest + 1) / 3.0))
    return sorted(runs, key=lambda run: -size[run.peak])


def fall_of(area: Estimate) -> BoolArray:
    """Bands of the range in which the box is about to end: they fall, and never come back."""
    excess = area.level_db - area.target
    fall = np.zeros(BAND_COUNT, dtype=bool)
    at = int(np.argmax(area.in_range))
    while at < BAND_COUNT - 1 and excess[at] < -FALL_DB:
        fall[at] = True
        if excess[at + 1] <= excess[at]:
            break
        at += 1
    return fall


def cancelled_bands(area: Estimate) -> BoolArray:
    """Bands that lie low because sounds cancel there: filling them is in vain.

    The nearest spot of each element is asked: there the room has the least say. The fall at the
    end of a box is no cancellation, whatever its phase.
    """
    nearest = {}
    for spot in reversed(area.spots):
        nearest[spot.side] = spot
    cancelled = np.zeros(BAND_COUNT, dtype=bool)
    low = area.level_db - area.target < -CANCELLATION_DEPTH_DB
    low &= area.in_range & area.known & ~fall_of(area)
    for band in np.flatnonzero(low):
        votes = [
            _cancels(take.response, int(band))
            for spot in nearest.values()
            for take in spot.takes
            if take.response is not None and np.isfinite(take.response.arrival_s)
        ]
        cancelled[band] = bool(votes) and sum(votes) * 2 > len(votes)
    # A null between two bands takes both down; farther it does not reach.
    beside = np.convolve(cancelled, [1, 0, 1], "same") > 0
    return cancelled | (low & beside)


@lru_cache(maxsize=256)  # asked again with every take that joins a visit
def _cancels(response: Response, band: int) -> bool:
    return is_cancellation(
        response.impulse,
        rate_hz=response.rate_hz,
        arrival_s=response.arrival_s,
        freq_hz=float(EXACT_HZ[band]),
    )


def find_patterns(area: Estimate, card: Card, *, rt60_s: float | None) -> tuple[Pattern, ...]:
    """Patterns, common ones first, each group by size.

    Parameters
    ----------
    card : Card
        That was made of it.
    rt60_s : float or None
    """
    card_db = np.mean([card.gain_db(side) for side in area.sides_db], axis=0)
    level = float(judged_share(area.low_hz) @ (area.excess.mean_db + card_db))
    excess = area.excess.mean_db - level
    allowed = area.in_range & ~fall_of(area)
    common = [
        _common(area, card, excess, card_db, run)
        for run in _runs(excess, np.full(BAND_COUNT, COMMON_DB), allowed)
    ]
    local = _local(area, card_db, rt60_s or DEFAULT_RT60_S)
    return (*common, *sorted(local, key=lambda pattern: -abs(pattern.depth_db)))


def _common(
    area: Estimate, card: Card, excess: FloatArray, card_db: FloatArray, run: _Run
) -> Pattern:
    peak = run.peak
    depth, change = float(excess[peak]), float(card_db[peak])
    doubt = float(area.excess.sd_db[peak])
    names = list(dict.fromkeys(one.spot for one in (*area.spots, *area.walks)))
    certain = bool(abs(depth) > CERTAIN * doubt and (len(names) > 1 or area.walks))
    remedy, why = _said(area, card, peak, depth, change, names, certain=certain)
    return Pattern(
        hz=float(NOMINAL_HZ[peak]),
        width_octaves=run.width_octaves,
        depth_db=depth,
        scope="common",
        spots=tuple(names),
        remedy=remedy,
        why=why,
        certain=certain,
        card_db=change,
    )


def _said(
    area: Estimate,
    card: Card,
    peak: int,
    depth: float,
    change: float,
    names: list[str],
    *,
    certain: bool,
) -> tuple[str, str]:
    """Say what a common pattern is and what is done about it: remedy and sentences."""
    hz = hz_text(NOMINAL_HZ[peak])
    where = "at every spot" if len(names) > 1 else f"at the one spot measured ({names[0]})"
    where = "all along the walk" if area.walks else where
    if not area.known[peak]:
        where = "going by the bands beside it; no take covers this one"
    what = f"{hz} is {abs(depth):.1f} dB {'up' if depth > 0 else 'down'} {where}."
    doubt = "That" if area.walks else "With so few spots that"
    doubt = f" {doubt} is known to about {area.excess.sd_db[peak]:.1f} dB."
    beside = ""
    if abs(change) >= TOUCHES_DB:
        beside = f" The {abs(change):.1f} dB that the card does here are for the bands beside it."
    if area.cancelled[peak]:
        move = NOMINAL_HZ[peak] < BOUNDARY_HZ
        cure = (
            "Move the box, or what it reflects from."
            if move
            else "Leave it: filling it only costs headroom."
        )
        why = f"{hz} is {-depth:.1f} dB down by cancellation: boost cancels too. {cure}"
        return ("move" if move else "leave"), why + beside
    if depth * change < 0 and abs(change) >= max(TOUCHES_DB, MENDS * abs(depth)):
        does = "takes out" if depth > 0 else "fills in"
        rest = depth + change
        left = "" if abs(rest) < TOUCHES_DB else f" {_left(card, peak, rest)}"
        guess = "" if certain else f"{doubt} It is a fair guess, no more."
        return "equalize", f"{what} The card {does} {abs(change):.1f} dB.{left}{guess}"
    if not certain:
        cure = "Leave it." if area.walks else "Leave it, or measure more spots first."
        return "leave", f"{what}{doubt} {cure}{beside}"
    return "leave", f"{what} {_left(card, peak, depth + change)}{beside}"


def _left(card: Card, peak: int, rest: float) -> str:
    """Say why something is left."""
    reason = next((band.why for band in card.out_of_reach if band.hz == NOMINAL_HZ[peak]), "")
    if not reason:
        reason = "More faders would bring too little at a seat."
    return f"Leave the last {abs(rest):.1f} dB. {reason}"


def _local(area: Estimate, card_db: FloatArray, rt60_s: float) -> Iterator[Pattern]:
    """List what single spots have against the others, sides taken together.

    Where the card works on the band by more than a touch, that is for what all spots share: what
    one spot has beyond it needs no word.
    """
    names = list(dict.fromkeys(spot.spot for spot in area.spots))
    if len(names) < 2:
        return
    at = [[k for k, spot in enumerate(area.spots) if spot.spot == name] for name in names]
    levels = np.stack([nan_mean(area.aligned_db[rows]) for rows in at])
    usual = _median(levels)
    share = 1.0 + 1.0 / (len(names) - 1)
    threshold = np.maximum(LOCAL_DB, CERTAIN * scatter_db(rt60_s) * np.sqrt(share))
    allowed = area.in_range & (EXACT_HZ < HIGHEST_LOCAL_HZ)
    allowed &= (np.abs(card_db) < TOUCHES_DB) & ~fall_of(area) & ~area.cancelled
    for k, name in enumerate(names):
        strays = levels[k] - usual
        if len(names) == 2:
            # Either may be the odd one: the dip is the likelier fault, and told of once.
            strays = np.minimum(2.0 * strays, 0.0)
        for run in _runs(strays, threshold, allowed):
            depth = float(strays[run.peak])
            hz = hz_text(NOMINAL_HZ[run.peak])
            is_what = f"{abs(depth):.1f} dB {'down' if depth < 0 else 'up'}"
            yield Pattern(
                hz=float(NOMINAL_HZ[run.peak]),
                width_octaves=run.width_octaves,
                depth_db=depth,
                scope="local",
                spots=(name,),
                remedy="leave",
                why=f"{hz} is {is_what} at {name} only. Don't chase it: a fader would spoil the "
                "other spots.",
                certain=len(names) > 2,
                card_db=float(card_db[run.peak]),
            )


def _median(levels: FloatArray) -> FloatArray:
    """Median over spots of what is known; nan where nothing is."""
    known = np.isfinite(levels)
    ranked = np.sort(np.where(known, levels, np.inf), axis=0)
    count = known.sum(axis=0)
    column = np.arange(levels.shape[1])
    low = ranked[np.maximum((count - 1) // 2, 0), column]
    high = ranked[np.minimum(count // 2, levels.shape[0] - 1), column]
    return np.where(count > 0, 0.5 * (low + high), np.nan)
