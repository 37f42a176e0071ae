"""Whether a walk can be trusted, and what it says row by row.

walk_problems()   judged by itself
flag_walks()      against the spots of the same element
walk_rows()       its levels from front to back, where it passed the rows in order
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.acoustics.level import db_from_power, power_from_db
from evenhall.acoustics.walking import Walked
from evenhall.hall.label import BOTH
from evenhall.verdict.problem import Problem
from evenhall.verdict.take import ALIGN_BANDS, Take, align_level_db, nan_mean
from evenhall.verdict.trust import bands_text

__all__ = ["WalkRow", "flag_walks", "walk_problems", "walk_rows"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# A walk of 10 s is ten metres; what tells the bass apart from a spot begins at 20.
LEAST_S, WANTED_S = 10.0, 20.0
STILL_SHARE, MOSTLY_STILL_SHARE = 0.25, 0.6
FASTEST_M_S = 1.7  # a brisk step: clothes, wind and steps are heard (common practice, no source)
LEFT_OUT_SHARE, TOO_MUCH_SHARE = 0.15, 0.5
STEP_DB = 3.0
EVENLY_ENOUGH = 0.5
MATTERS_HZ = (90.0, 11_000.0)
SUB_MATTERS_HZ = (35.0, 90.0)
NOISY_SHARE = 1.0 / 3.0
FEWEST_BANDS = 5
HALVES_APART_DB = 5.0
# A way through the rows is neither louder nor softer than the spots on it, by more than this.
GAIN_MOVED_DB, SHAPE_DB = 3.0, 4.0
ROWS = 5
AGAIN = "walk again"


def walk_problems(
    walked: Walked, *, full_range: bool, low_limit_hz: float = 0.0
) -> tuple[tuple[Problem, ...], bool]:
    """Judge a walk by itself.

    Parameters
    ----------
    full_range : bool
        Whether the element is expected to cover the whole range (a sub is not).
    low_limit_hz : float
        Lower limit of the element: what is not played below it is not missed.

    Returns
    -------
    problems : tuple of Problem
    usable : bool
    """
    bands = walked.bands
    if walked.match_score < 1.0:
        text = (
            "What was played is not in the walk. Check which file was played, that the "
            f"microphone's channel was armed, and {AGAIN}."
        )
        return (Problem("no_match", text),), False
    low_hz, high_hz = MATTERS_HZ if full_range else SUB_MATTERS_HZ
    wanted = (max(low_hz, low_limit_hz) < EXACT_HZ) & (high_hz > EXACT_HZ)
    sounded = bands.covered_ratio >= 0.5
    passing = wanted & sounded & (walked.evenly_ratio < EVENLY_ENOUGH)
    if passing.sum() > 0.8 * max((wanted & sounded).sum(), 1):
        text = (
            "What was played is a sweep, or comes and goes: each frequency was heard at a few "
            "places only. Walk with steady pink noise."
        )
        return (Problem("band_limited", text),), False
    problems, usable = [], True
    kept_s, sounded_s = walked.kept_s, walked.sounded_s
    if kept_s < WANTED_S:
        text = (
            f"Only {kept_s:.0f} s of the walk are usable. Walk for half a minute a side, and keep "
            "the noise playing all the while."
        )
        problems.append(Problem("short", text))
        usable = kept_s >= LEAST_S
    if walked.still_s > STILL_SHARE * sounded_s:
        mostly = walked.still_s > MOSTLY_STILL_SHARE * sounded_s
        what = (
            "The microphone stood still: this is a spot, and no walk"
            if mostly
            else f"The microphone stood still for {walked.still_s:.0f} of {sounded_s:.0f} s, "
            "which are left out"
        )
        text = f"{what}. Keep walking from the first second to the last, and {AGAIN}."
        problems.append(Problem("stood_still", text))
        usable = usable and not mostly
    elif walked.pace_m_s > FASTEST_M_S:
        text = (
            f"Walked at {walked.pace_m_s:.1f} m/s, so steps and wind are heard and few places are "
            "covered. Stroll, at less than a metre a second."
        )
        problems.append(Problem("too_fast", text))
    if abs(walked.step_db) > STEP_DB:
        way = "fell" if walked.step_db < 0 else "rose"
        text = (
            f"The level {way} by {abs(walked.step_db):.1f} dB at {walked.step_s:.1f} s, alike in "
            "all bands. Leave every gain alone, switch off automatic gain and limiters, check "
            f"mutes and cables, and {AGAIN}."
        )
        problems.append(Problem("time_varying", text))
        usable = False
    left_out = 1.0 - kept_s / max(sounded_s, 1e-9)
    if left_out > LEFT_OUT_SHARE:
        text = (
            f"{100 * left_out:.0f} % of the walk has knocks, steps, talk or a crackling cable in "
            "it and is left out. Hold the cable still, walk softly, ask for quiet"
        )
        problems.append(Problem("too_noisy", f"{text}, and {AGAIN}."))
        usable = usable and left_out <= TOO_MUCH_SHARE
    lost = wanted & sounded & ~bands.usable
    if bands.usable.sum() < FEWEST_BANDS or lost.sum() > NOISY_SHARE * max(wanted.sum(), 1):
        text = (
            f"Noise covers {int(lost.sum())} of {int(wanted.sum())} bands that matter. Play "
            f"louder with ears protected, or wait for quiet, and {AGAIN}."
        )
        problems.append(Problem("too_noisy", text))
        usable = usable and bool(bands.usable.sum() >= FEWEST_BANDS)
    elif not walked.noise_known:
        text = (
            "Start to record three seconds before the noise: without that silence the hall's own "
            "noise is unknown."
        )
        problems.append(Problem("too_noisy", text))
    told_little = (wanted & ~sounded) | passing
    if told_little.any():
        text = (
            "What was played is not steady enough at "
            f"{bands_text(NOMINAL_HZ[told_little])}: little is known there. Walk with pink noise "
            "to know more."
        )
        problems.append(Problem("band_limited", text))
    apart_db = _rms_db(walked.halves_db, wanted)
    if apart_db > HALVES_APART_DB:
        text = (
            f"Its first half differs from its second by {apart_db:.1f} dB from band to band. Did "
            f"the sound change on the way? Check what plays, and {AGAIN}."
        )
        problems.append(Problem("time_varying", text))
    return tuple(problems), usable


def _rms_db(level_db: FloatArray, bands: BoolArray) -> float:
    known = level_db[bands & np.isfinite(level_db)]
    return float(np.sqrt(np.mean(known**2))) if known.size else 0.0


def flag_walks(takes: Sequence[Take]) -> tuple[Take, ...]:
    """Add a problem to walks that do not go with the spots of the same element."""
    return tuple(_flagged(take, takes) if take.is_walk and take.usable else take for take in takes)


def _flagged(walk: Take, takes: Sequence[Take]) -> Take:
    problem = _unlike_spots(walk, _spots_of(walk, takes))
    return walk if problem is None else replace(walk, problems=(*walk.problems, problem))


def _spots_of(walk: Take, takes: Sequence[Take]) -> list[FloatArray]:
    """Levels at the spots of what played on the walk; of both sides, where both did."""
    by_spot: dict[str, list[FloatArray]] = {}
    for take in takes:
        alike = (take.state, take.at, take.with_subs) == (walk.state, walk.at, walk.with_subs)
        of_both = walk.side == BOTH and take.element.is_main
        if alike and take.usable and not take.is_walk and (take.side == walk.side or of_both):
            by_spot.setdefault(take.spot, []).append(take.level_db)
    if walk.side != BOTH:
        return [nan_mean(np.stack(levels)) for levels in by_spot.values()]
    both = [levels for levels in by_spot.values() if len(levels) > 1]
    return [np.asarray(db_from_power(power_from_db(np.stack(one)).sum(axis=0))) for one in both]


def _unlike_spots(walk: Take, spots: Sequence[FloatArray]) -> Problem | None:
    if len(spots) < 2:
        return None
    levels = [align_level_db(level) for level in spots]
    strays = align_level_db(walk.level_db) - float(
        np.clip(align_level_db(walk.level_db), min(levels), max(levels))
    )
    usual = nan_mean(np.stack([level - align_level_db(level) for level in spots]))
    shape = walk.level_db - align_level_db(walk.level_db) - usual
    apart_db = _rms_db(shape, ALIGN_BANDS)
    if apart_db > SHAPE_DB:
        return Problem(
            "time_varying",
            f"Sounds unlike the spots of {walk.side}, by {apart_db:.1f} dB from band to band: "
            "another element played, or something in the chain was switched. Check what plays, "
            f"and {AGAIN}.",
        )
    if abs(strays) > GAIN_MOVED_DB:
        return Problem(
            "gain_moved",
            f"Is {abs(strays):.1f} dB {'louder' if strays > 0 else 'softer'} than any spot of "
            f"{walk.side}: a gain was moved in between. Its tone counts all the same; set the gain "
            f"back and {AGAIN} if the levels of the rows matter.",
        )
    return None


@dataclass(frozen=True)
class WalkRow:
    """What one of some parts of the way from front to back heard.

    Parameters
    ----------
    share : float
        Its middle: 0 the first row, 1 the last.
    level_db : ndarray, shape (31,)
        As the levels of takes; nan where not known.
    """

    share: float
    level_db: FloatArray


def walk_rows(take: Take) -> tuple[WalkRow, ...]:
    """Tell the rows one by one; none where it is not known when front and back were passed.

    The way goes down one aisle, across the back and up the other: as long up as it went down.
    """
    walked, passed = take.walked, {name.lower(): at for name, at in take.passed.items()}
    if walked is None or not take.usable or not {"front", "back"} <= passed.keys():
        return ()
    front_s, back_s = passed["front"], passed["back"]
    ends_s = walked.start_s + walked.sounded_s
    down_s = back_s - front_s
    if not 0.0 < down_s < ends_s - front_s:
        return ()
    middle_s = passed.get("middle", 0.5 * (front_s + back_s))
    at_s = [front_s, min(max(middle_s, front_s), back_s), back_s, ends_s - down_s, ends_s]
    share = np.interp(walked.piece_s, np.maximum.accumulate(at_s), [0.0, 0.5, 1.0, 1.0, 0.0])
    row = np.minimum((share * ROWS).astype(int), ROWS - 1)
    return tuple(
        WalkRow(
            (k + 0.5) / ROWS,
            np.asarray(db_from_power(nan_mean(power_from_db(walked.piece_db[row == k])))),
        )
        for k in range(ROWS)
        if (row == k).any()
    )
