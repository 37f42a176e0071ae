"""Whether a take can be trusted, and if not, what to do. Start at `response_problems()`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.acoustics.transfer import Response
from evenhall.acoustics.walking import Walked
from evenhall.verdict.problem import Problem
from evenhall.verdict.take import ALIGN_BANDS, Take
from evenhall.words import hz_listed, unit_once

__all__ = [
    "CLOCK_LIMIT_PPM",
    "bands_text",
    "flag_disagreement",
    "response_problems",
    "take_sentence",
]

CLOCK_LIMIT_PPM = 300.0
# A clock estimate's own spread: a recorder at the limit is not beyond it.
CLOCK_SLACK_PPM = 3.0
# The microphone cannot hear a sound before it is played; half a sample's worth of jitter apart.
EARLIEST_S = -0.0002
# Nearer than 15 cm no measuring microphone stands: that is a cable, not a room.
CABLE_S = 0.0005
CABLE_RIPPLE_DB = 0.5
FEWEST_BANDS = 5
SUB_TOP_HZ = 140.0  # no sub is asked for more
NOISY_SHARE = 1.0 / 3.0
GAIN_DRIFT_DB = 1.0
SILENCED_DB = 15.0  # what falls by more was switched off; nobody turns a gain that far
SUDDEN_S = 0.6  # of the half seconds that the level is followed in
# A step of the delay during the take: lost samples, or a microphone that was moved.
DELAY_STEP_S = 0.0002
LEAST_USED = 0.6
GAIN_MOVED_DB = 1.0
SHAPE_MOVED_DB = 2.5

AGAIN = "record the take again"
LEAVE_GAINS = "Leave every gain and the microphone alone, switch off automatic gain and limiters"


def bands_text(hz: NDArray[np.float64]) -> str:
    """Name a set of bands in few words."""
    place = np.searchsorted(NOMINAL_HZ, hz)
    runs = np.split(hz, np.flatnonzero(np.diff(place) > 1) + 1)
    return unit_once([hz_listed(np.unique(run[[0, -1]]).tolist(), "to") for run in runs])


def response_problems(
    response: Response,
    *,
    shared_clock: bool,
    full_range: bool,
    low_limit_hz: float = 0.0,
    by_cable: bool = False,
) -> tuple[tuple[Problem, ...], bool]:
    """Judge a response by itself.

    Parameters
    ----------
    shared_clock : bool
        Whether the reference is a channel of the recording.
    full_range : bool
        Whether the element is expected to cover the whole range (a sub is not).
    low_limit_hz : float
        Lower limit of the element: what is not played below it is not missed.
    by_cable : bool
        Whether a cable is listened to: then the reference itself is what it carries.

    Returns
    -------
    problems : tuple of Problem
    usable : bool
    """
    bands = response.bands
    n_usable = int(bands.usable.sum())
    if response.match_score < 1.0 or (n_usable == 0 and response.match_score < 1.3):
        return (
            Problem(
                "no_match",
                "What was played is not in the take. Check which file was played, that the "
                f"microphone's channel was armed, and {AGAIN}.",
            ),
        ), False
    problems = []
    usable = True
    if shared_clock and not by_cable and _carries_the_reference(response):
        problems.append(
            Problem(
                "wrong_channel",
                "The microphone's channel carries the reference itself, not a microphone. Check "
                f"mic_channel and the cables, and {AGAIN} if need be.",
            )
        )
        usable = False
    elif shared_clock and response.delay_s < EARLIEST_S:
        problems.append(
            Problem(
                "wrong_channel",
                "The sound reaches the microphone's channel before it is played: microphone and "
                "reference are swapped. Swap mic_channel and reference_channel in job.toml.",
            )
        )
        usable = False
    if not response.clock_sure:
        # What a sweep's levels do not mind is no reason to refuse it.
        problems.append(
            Problem(
                "clock",
                f"Recorder and player seem to run {abs(response.clock_ppm):.0f} ppm apart, which "
                "is more than such devices do: echoes may mislead a sweep here. Its levels count. "
                "Try twenty seconds of pink noise at this spot to be sure.",
            )
        )
    elif abs(response.clock_ppm) > CLOCK_LIMIT_PPM + CLOCK_SLACK_PPM:
        problems.append(
            Problem(
                "clock",
                f"Recorder and player run {abs(response.clock_ppm):.0f} ppm apart, and at most "
                f"{CLOCK_LIMIT_PPM:.0f} can be corrected. Use another player or recorder, or "
                "record the reference on the second channel.",
            )
        )
        usable = False
    reference = bands.covered_ratio >= 0.5
    missing = ~reference & (NOMINAL_HZ > 20.0) & (NOMINAL_HZ < 20000.0)
    missing &= (low_limit_hz <= NOMINAL_HZ) & (full_range | (NOMINAL_HZ < SUB_TOP_HZ))
    if missing.any():
        problems.append(
            Problem(
                "band_limited",
                f"What was played has no energy at {bands_text(NOMINAL_HZ[missing])}: nothing is "
                "known there. Play pink noise or a sweep over the whole range to know more.",
            )
        )
    wanted = reference & (EXACT_HZ > 90.0) & (EXACT_HZ < 11000.0)
    if not full_range:
        wanted = reference & (EXACT_HZ > 35.0) & (EXACT_HZ < 90.0)
    lost = wanted & ~bands.usable
    if n_usable < min(FEWEST_BANDS, int(reference.sum())) or (
        wanted.any() and lost.sum() > NOISY_SHARE * wanted.sum()
    ):
        problems.append(
            Problem(
                "too_noisy",
                f"Noise covers {int(lost.sum())} of {int(wanted.sum())} bands that matter. Play "
                f"longer, or louder with ears protected, or wait for quiet, and {AGAIN}.",
            )
        )
        usable = usable and n_usable >= FEWEST_BANDS
    moved = _moved_problem(response)
    if moved is not None:
        # Noise and gaps are what is left of a sound that stopped, and no reasons of their own.
        problems = [one for one in problems if one.code not in ("too_noisy", "band_limited")]
        problems.append(moved)
        usable = False
    step = response.delay_range_s > DELAY_STEP_S
    if n_usable and moved is None and (step or response.used_ratio < LEAST_USED):
        what = (
            "The delay jumped during the take: samples were lost, or the microphone moved"
            if step
            else f"Only {100 * response.used_ratio:.0f} % of the take agrees with itself"
        )
        problems.append(
            Problem(
                "time_varying",
                f"{what}. {LEAVE_GAINS}, and {AGAIN}.",
            )
        )
    elif n_usable and moved is None and response.joined_s is not None:
        problems.append(
            Problem(
                "time_varying",
                f"Something else began to play at {response.joined_s:.1f} s, and went on. "
                f"Wait until it is over, and {AGAIN}.",
            )
        )
    return tuple(problems), usable and n_usable > 0


def _moved_problem(response: Response) -> Problem | None:
    """Say how the level moved during the take: a response made of both is that of neither."""
    change = response.change
    if change is None or response.gain_range_db <= GAIN_DRIFT_DB:
        return None
    came_back = np.isfinite(change.back_s)
    if change.by_db < -SILENCED_DB:
        what = (
            f"The sound was gone from {change.from_s:.1f} to {change.back_s:.1f} s"
            if came_back
            else f"The sound stopped {change.from_s:.1f} s into the take"
        )
        cure = "Check mutes, cables, loudspeaker and amplifier"
    elif change.by_db > SILENCED_DB and not came_back:
        what = f"The sound came only {change.to_s:.1f} s into the take, but was played earlier"
        cure = "Check mutes and cables"
    else:
        way = "fell" if change.by_db < 0.0 else "rose"
        what = f"The sound {way} by {abs(change.by_db):.1f} dB "
        if came_back:
            what += f"from {change.from_s:.1f} to {change.back_s:.1f} s"
        elif change.to_s - change.from_s > SUDDEN_S:
            what += f"between {change.from_s:.1f} and {change.to_s:.1f} s"
        else:
            what += f"at {change.from_s:.1f} s"
        cure = LEAVE_GAINS
    return Problem("time_varying", f"{what}. {cure}, and {AGAIN}.")


def _carries_the_reference(response: Response) -> bool:
    level_db = response.bands.level_db[ALIGN_BANDS]
    known = np.isfinite(level_db)
    return bool(
        known.any()
        and abs(response.delay_s) < CABLE_S
        and np.ptp(level_db[known]) < CABLE_RIPPLE_DB
    )


def flag_disagreement(takes: Sequence[Take]) -> tuple[Take, ...]:
    """Add a problem to takes of one element at one spot that do not agree.

    Those by cable may differ: faders are moved between them.

    Flat across the bands: the gain was moved. Not flat: the microphone, or something in the
    room. Both takes keep what they measured; which of them is right only the person knows.
    """
    judged = list(takes)
    for later in range(len(judged)):
        for earlier in range(later):
            first, second = judged[earlier], judged[later]
            if "cable" in (first.at, second.at):
                continue
            if _made_of(first) != _made_of(second):
                continue
            problem = _disagreement(first, second)
            if problem is not None:
                judged[later] = replace(second, problems=(*second.problems, problem))
    return tuple(judged)


def _made_of(take: Take) -> tuple[str, str, str, bool]:
    return take.side, take.spot, take.state, take.with_subs


def _disagreement(first: Take, second: Take) -> Problem | None:
    difference = second.level_db - first.level_db
    known = np.isfinite(difference) & ALIGN_BANDS
    if known.sum() < 3:
        return None
    noise_db = np.hypot(first.uncertainty_db, second.uncertainty_db)[known]
    weight = 1.0 / np.maximum(noise_db, 0.1) ** 2
    moved_db = float(np.average(difference[known], weights=weight))
    rest_db = float(np.sqrt(np.average((difference[known] - moved_db) ** 2, weights=weight)))
    if rest_db > SHAPE_MOVED_DB:
        return Problem(
            "time_varying",
            f"Differs from {first.file} at the same spot by {rest_db:.1f} dB from band to band: "
            "the microphone or something near it was moved. Record one of them again.",
        )
    if abs(moved_db) > GAIN_MOVED_DB and abs(moved_db) > rest_db:
        return Problem(
            "gain_moved",
            f"Is {abs(moved_db):.1f} dB {'louder' if moved_db > 0 else 'softer'} than {first.file} "
            "at the same spot, alike in all bands: a gain was moved between them. Set it back and "
            "record all later takes again: they must share one gain.",
        )
    return None


def take_sentence(take: Take) -> str:
    """Say in a line what a take is worth.

    Examples
    --------
    >>> take_sentence(Take(file="a.wav", side="left", spot="front", distance_m=None, response=None))
    'not usable.'
    """
    bands = take.heard
    if bands is None:
        return "not usable."
    known = bands.usable
    words = [
        f"good: {int(known.sum())} of {known.size} bands usable, "
        f"most within {max(0.1, np.percentile(bands.uncertainty_db[known], 75.0)):.1f} dB"
    ]
    if take.distance_m is not None:
        words.append(f"{take.distance_m:.1f} m away")
    if take.walked is not None:
        words.append(_walked_words(take.walked))
    if take.response is not None and take.response.polarity:
        words.append(f"polarity {'normal' if take.response.polarity > 0 else 'inverted'}")
    return "; ".join(words) + "."


def _walked_words(walked: Walked) -> str:
    left_out_s = walked.sounded_s - walked.kept_s
    words = f"{walked.kept_s:.0f} s walked"
    if np.isfinite(walked.pace_m_s):
        words += f" at {walked.pace_m_s:.1f} m/s"
    return words + (f", {left_out_s:.1f} s of knocks left out" if left_out_s >= 0.5 else "")
