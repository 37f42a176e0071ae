"""How a sub joins the mains: delay, polarity and level that suit all spots together.

`join()` goes: soloed takes on one time base (`responses.py`), where both contribute, the search
(`search.py`), the level that the target asks, what of it can be set where there is no
processor, and the sum by band at every spot before and after (`summing.py`). Where a crossover can
be set, that is done for each of its frequencies, and the bass nearest to the target is taken. The
words stand in `words.py`.

Each side of the mains is set against the sub by itself, so that the sub suits both. Of two subs,
each is first set against its own side; then all play together, and that is what is stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.air import speed_of_sound_m_s
from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.summation import LOW_FREQ_HZ, Meeting
from evenhall.equalizer.crossover import Crossover, crossover_gain, tried_hz
from evenhall.verdict.joining.responses import Solo, soloed, why_not
from evenhall.verdict.joining.search import EQUAL_DB, Fit, band_weights, best_fit, mean_loss_db
from evenhall.verdict.joining.summing import (
    Pairs,
    Summation,
    bass_error_db,
    bass_gain_db,
    meeting,
    noise_db,
    pairs,
    summations,
    trust,
)
from evenhall.verdict.take import Take

__all__ = ["Filters", "Joining", "SubSetting", "join"]

FloatArray = NDArray[np.float64]
Solos = tuple[Solo, ...]

FARTHEST_MOVE_M = 2.0  # farther, a box stands in another place of the room and not only later
WORTH_CROSSING_DB = 0.3  # of the rms: what a crossover must bring before two filters are set
SAME_BASS_DB = 0.1  # no ear tells such settings apart
WORTH_MOVING_DB = 0.5  # what it must bring before a sub is carried
LEAST_WEIGHT = 0.25  # of a band somewhere: with less, mains and sub do not meet


@dataclass(frozen=True)
class SubSetting:
    """What is to be done to one sub.

    Parameters
    ----------
    side : str
        Its name in the takes.
    polarity : int
        -1 turn it over, 1 leave it.
    delay_s : float
        To set on the sub, 0 or more.
    back_m : float
        To move it, away from the audience; negative = nearer to it. 0 where there is a processor.
    gain_db : float
        To change its level by; 0 where no target was given or it is near enough.
    fit : Fit
        The search's answer: relative delay, its uncertainty, what the other polarity would cost.
    """

    side: str
    polarity: int
    delay_s: float
    back_m: float
    gain_db: float
    fit: Fit


@dataclass(frozen=True)
class Filters:
    """Where the crossover is to be set, and what the bass is like with it.

    Parameters
    ----------
    high_pass : bool
        Whether the mains get their part of it.
    was_db, bass_db : float
        Rms deviation of the bass from the target over all spots: joined without, and with it.
    """

    hz: float
    slope_db: int
    high_pass: bool
    was_db: float
    bass_db: float


@dataclass(frozen=True)
class Joining:
    """How mains and subs are joined best with what there is.

    Parameters
    ----------
    problem : str
        Why it could not be told, in a sentence; empty if it could.
    region_hz : tuple of float
        Lowest and highest third octave in which both contribute.
    crossover_hz : float
        The middle of it.
    mains_delay_s : float
        To set on all mains, 0 or more.
    spots : tuple of Summation
        Each side of the mains with what plays along, at each spot.
    overall : Summation or None
    with_delay : Joining or None
        Where there is no processor: what one would reach.
    filters : Filters or None
        The crossover to set with it, where one was asked for and is worth it.
    taken, then : pair of tuples of Solo
        Mains and subs as they were taken, and as they will be.
    """

    problem: str = ""
    region_hz: tuple[float, float] = (float("nan"), float("nan"))
    crossover_hz: float = float("nan")
    subs: tuple[SubSetting, ...] = ()
    mains_delay_s: float = 0.0
    spots: tuple[Summation, ...] = ()
    overall: Summation | None = None
    with_delay: Joining | None = None
    filters: Filters | None = None
    taken: tuple[Solos, Solos] = ((), ())
    then: tuple[Solos, Solos] = ((), ())


def _own_sides(sub: str, sides: Sequence[str], *, several: bool) -> list[str]:
    """Sides of the mains that a sub belongs to: its own if its name says so, else all."""
    own = [side for side in sides if side.lower() in sub.lower()]
    return own if several and own else list(sides)


def _without_processor(
    both: Meeting, weight: FloatArray, fit: Fit, gain_db: float, speed_m_s: float
) -> Fit:
    """Restrict the search's answer to the switch alone, or to what carrying the sub adds to it."""
    still = {
        polarity: float(
            mean_loss_db(both.loss_db(0.0, polarity=polarity, gain_db=gain_db), weight)[0]
        )
        for polarity in (1, -1)
    }
    # The switch must be worth it too: of equals, nothing is touched.
    polarity = -1 if still[-1] > still[1] + EQUAL_DB else 1
    if fit.loss_db > still[polarity] + WORTH_MOVING_DB:
        delay_s = round(fit.delay_s * speed_m_s, 1) / speed_m_s
        loss_db = mean_loss_db(
            both.loss_db(delay_s, polarity=fit.polarity, gain_db=gain_db), weight
        )
        return replace(fit, delay_s=delay_s, loss_db=float(loss_db[0]))
    return replace(
        fit,
        polarity=polarity,
        delay_s=0.0,
        loss_db=still[polarity],
        margin_db=still[polarity] - still[-polarity],
    )


def _fit(paired: Pairs, *, gain_db: float, has_processor: bool, speed_m_s: float) -> Fit | None:
    """Best setting of one sub against its mains; None where they do not overlap."""
    both = meeting(paired)
    weight = band_weights(both, trust(paired), gain_db=gain_db)
    if not weight.max() > LEAST_WEIGHT:
        return None
    noise = noise_db(paired)
    if has_processor:
        return best_fit(both, weight, noise, gain_db=gain_db)
    reach_s = FARTHEST_MOVE_M / speed_m_s
    fit = best_fit(both, weight, noise, gain_db=gain_db, reach_s=reach_s)
    return _without_processor(both, weight, fit, gain_db, speed_m_s)


def _turned(sub: Solo, fit: Fit, gain_db: float) -> Solo:
    factor = fit.polarity * 10.0 ** (gain_db / 20.0)
    return replace(
        sub, spectrum=sub.spectrum * factor * np.exp(-2j * np.pi * LOW_FREQ_HZ * fit.delay_s)
    )


def join(
    mains: Sequence[Take],
    sub: Sequence[Take],
    *,
    has_processor: bool,
    target_db: FloatArray | None = None,
    temperature_c: float = 20.0,
    crossover: Crossover | None = None,
) -> Joining:
    """Find how the sub, or subs, join the mains best at all spots together.

    Parameters
    ----------
    mains : sequence of Take
        Of every side of the mains, alone, at one spot or more.
    sub : sequence of Take
        Of every sub, alone, at the same spots, with all gains as for the mains.
    has_processor : bool
        Whether a delay can be set on mains and sub. Without, there are the polarity switch and
        two hands.
    target_db : ndarray, shape (31,), optional
        What the response should be. Without, the sub's level is left.
    temperature_c : float
        For what a delay is in metres.
    crossover : Crossover, optional
        What can be set between mains and sub, and is not set in these takes; it needs a target.

    Returns
    -------
    Joining
        Its `problem` says why not, where takes share no clock, no spot has both, or mains and
        sub do not overlap.

    References
    ----------
    The delay of a flight is distance over the speed of sound (ISO 9613-1 for the latter).
    """
    problem = why_not(mains, sub)
    if problem:
        return Joining(problem)
    taken = soloed(mains), soloed(sub)
    speed_m_s = speed_of_sound_m_s(temperature_c)

    def joined(both: tuple[Solos, Solos]) -> Joining:
        return _joined(
            both, taken, has_processor=has_processor, target_db=target_db, speed_m_s=speed_m_s
        )

    found = joined(taken)
    if crossover is None or target_db is None:
        return found
    was_db = math.inf
    if not found.problem:
        was_db = bass_error_db(taken, found.then, target_db)
    best, best_db = found, was_db - WORTH_CROSSING_DB
    for hz in tried_hz(crossover):
        then = joined(_filtered(taken, hz, crossover))
        if then.problem:
            continue
        bass_db = bass_error_db(taken, then.then, target_db)
        # Of equals the lowest: ears tell where a sub stands the sooner the higher it plays.
        if bass_db < best_db:
            best_db = bass_db - SAME_BASS_DB
            filters = Filters(hz, crossover.slope_db, crossover.high_pass, was_db, bass_db)
            best = replace(then, filters=filters)
    return best


def _filtered(taken: tuple[Solos, Solos], hz: float, crossover: Crossover) -> tuple[Solos, Solos]:
    low, high = crossover_gain(hz, crossover.slope_db, LOW_FREQ_HZ)
    mains, subs = taken
    lower = tuple(replace(one, spectrum=one.spectrum * low) for one in subs)
    if not crossover.high_pass:
        return mains, lower
    by_band_db = 20.0 * np.log10(np.abs(crossover_gain(hz, crossover.slope_db, EXACT_HZ)[1]))
    upper = tuple(
        replace(one, spectrum=one.spectrum * high, level_db=one.level_db + by_band_db)
        for one in mains
    )
    return upper, lower


def _joined(
    both: tuple[Solos, Solos],
    taken: tuple[Solos, Solos],
    *,
    has_processor: bool,
    target_db: FloatArray | None,
    speed_m_s: float,
) -> Joining:
    """Join them, and say what that is against them as taken."""
    main_solos, sub_solos = both
    sides = list(dict.fromkeys(one.side for one in main_solos))
    names = list(dict.fromkeys(one.side for one in sub_solos))
    fits: dict[str, Fit] = {}
    gain_db = 0.0
    for last in (False, True):
        for name in names:
            own = _own_sides(name, sides, several=len(names) > 1)
            paired = pairs(
                [one for one in main_solos if one.side in own],
                [one for one in sub_solos if one.side == name],
            )
            fit = paired and _fit(
                paired, gain_db=gain_db, has_processor=has_processor, speed_m_s=speed_m_s
            )
            if not fit:
                problem = (
                    "Check that the sub plays at all, its level, and the low cut of the mains; "
                    "then take both again. From 25 to 315 Hz there is no third octave in which "
                    "the two come within 20 dB of each other."
                )
                return Joining(problem)
            fits[name] = fit
        if last or target_db is None:
            break
        turned = tuple(_turned(one, fits[one.side], 0.0) for one in sub_solos)
        gain_db = bass_gain_db(main_solos, turned, target_db)
        if gain_db == 0.0:
            break
    turned = tuple(_turned(one, fits[one.side], gain_db) for one in sub_solos)
    spots, overall, region_hz, crossover_hz = summations(pairs(*taken), pairs(main_solos, turned))
    mains_delay_s = max(0.0, *(-fit.delay_s for fit in fits.values())) if has_processor else 0.0
    found = Joining(
        region_hz=region_hz,
        crossover_hz=crossover_hz,
        subs=tuple(
            SubSetting(
                side=name,
                polarity=fit.polarity,
                delay_s=fit.delay_s + mains_delay_s if has_processor else 0.0,
                back_m=0.0 if has_processor else fit.delay_s * speed_m_s,
                gain_db=gain_db,
                fit=fit,
            )
            for name, fit in fits.items()
        ),
        mains_delay_s=mains_delay_s,
        spots=spots,
        overall=overall,
        taken=taken,
        then=(main_solos, turned),
    )
    if not has_processor:
        ideal = _joined(both, taken, has_processor=True, target_db=target_db, speed_m_s=speed_m_s)
        found = replace(found, with_delay=ideal)
    return found
