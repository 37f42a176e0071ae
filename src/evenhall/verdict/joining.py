"""How a sub joins the mains: delay, polarity and level that suit all spots together.

`join()` goes: soloed takes on one time base (`soloed.py`), where both contribute, the search
(`alignment.py`), the level that the target asks, what of it can be set where there is no
processor, and the sum by band at every spot before and after. The words stand in
`joiningwords.py`.

Each side of the mains is set against the sub by itself, so that the sub suits both. Of two subs,
each is first set against its own side; then all play together, and that is what is stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.air import speed_of_sound_m_s
from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ
from evenhall.acoustics.summation import LOW_BANDS, LOW_FREQ_HZ, Meeting, band_power
from evenhall.verdict.alignment import EQUAL_DB, Fit, band_weights, best_fit, mean_loss_db
from evenhall.verdict.soloed import Solo, soloed, why_not
from evenhall.verdict.take import ALIGN_BANDS, Take, nan_mean

__all__ = ["Joining", "SubSetting", "Summation", "join"]

FloatArray = NDArray[np.float64]
Pairs = Sequence[tuple[Solo, Solo]]

FARTHEST_MOVE_M = 2.0  # farther, a box stands in another place of the room and not only later
WORTH_MOVING_DB = 0.5  # what it must bring before a sub is carried
MOST_RAISED_DB, MOST_LOWERED_DB = 6.0, 12.0
GAIN_STEP_DB = 0.5
WORTH_TURNING_DB = 1.0
LEAST_WEIGHT = 0.25  # bands of the crossover region, of the heaviest
SUB_REACH_DB = 10.0  # bands that are the sub's to play: so near its loudest


@dataclass(frozen=True)
class Summation:
    """How mains and sub add at one spot, or overall.

    Parameters
    ----------
    side, spot : str
        Both empty where it is the mean over all.
    before_db, after_db : ndarray, shape (31,)
        Level of the sum re the perfect sum, 0 at best; nan outside the crossover region.
    was_db, expected_db : float
        Their weighted means.
    """

    side: str
    spot: str
    before_db: FloatArray
    after_db: FloatArray
    was_db: float
    expected_db: float


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
    subs : tuple of SubSetting
    mains_delay_s : float
        To set on all mains, 0 or more.
    spots : tuple of Summation
        Each side of the mains with what plays along, at each spot.
    overall : Summation or None
    with_delay : Joining or None
        Where there is no processor: what one would reach.
    """

    problem: str = ""
    region_hz: tuple[float, float] = (float("nan"), float("nan"))
    crossover_hz: float = float("nan")
    subs: tuple[SubSetting, ...] = ()
    mains_delay_s: float = 0.0
    spots: tuple[Summation, ...] = ()
    overall: Summation | None = None
    with_delay: Joining | None = None


def _meeting(pairs: Pairs) -> Meeting:
    return Meeting(
        np.stack([main.spectrum for main, _ in pairs]), np.stack([sub.spectrum for _, sub in pairs])
    )


def _trust(pairs: Pairs) -> FloatArray:
    return np.stack([main.trust * sub.trust for main, sub in pairs])


def _noise_db(pairs: Pairs) -> FloatArray:
    return np.stack([np.hypot(main.uncertainty_db, sub.uncertainty_db) for main, sub in pairs])


def _own_sides(sub: str, sides: Sequence[str], *, several: bool) -> list[str]:
    """Sides of the mains that a sub belongs to: its own if its name says so, else all."""
    own = [side for side in sides if side.lower() in sub.lower()]
    return own if several and own else list(sides)


def _without_processor(
    meeting: Meeting, weight: FloatArray, fit: Fit, gain_db: float, speed_m_s: float
) -> Fit:
    """Restrict the search's answer to the switch alone, or to what carrying the sub adds to it."""
    still = {
        polarity: float(
            mean_loss_db(meeting.loss_db(0.0, polarity=polarity, gain_db=gain_db), weight)[0]
        )
        for polarity in (1, -1)
    }
    # The switch must be worth it too: of equals, nothing is touched.
    polarity = -1 if still[-1] > still[1] + EQUAL_DB else 1
    if fit.loss_db > still[polarity] + WORTH_MOVING_DB:
        delay_s = round(fit.delay_s * speed_m_s, 1) / speed_m_s
        loss_db = mean_loss_db(
            meeting.loss_db(delay_s, polarity=fit.polarity, gain_db=gain_db), weight
        )
        return replace(fit, delay_s=delay_s, loss_db=float(loss_db[0]))
    return replace(
        fit,
        polarity=polarity,
        delay_s=0.0,
        loss_db=still[polarity],
        margin_db=still[polarity] - still[-polarity],
    )


def _fit(
    pairs: Pairs, *, gain_db: float, has_processor: bool, speed_m_s: float
) -> Fit | None:
    """Best setting of one sub against its mains; None where they do not overlap."""
    meeting = _meeting(pairs)
    weight = band_weights(meeting, _trust(pairs), gain_db=gain_db)
    if not weight.max() > LEAST_WEIGHT:
        return None
    noise_db = _noise_db(pairs)
    if has_processor:
        return best_fit(meeting, weight, noise_db, gain_db=gain_db)
    reach_s = FARTHEST_MOVE_M / speed_m_s
    fit = best_fit(meeting, weight, noise_db, gain_db=gain_db, reach_s=reach_s)
    return _without_processor(meeting, weight, fit, gain_db, speed_m_s)


def _turned(sub: Solo, fit: Fit, gain_db: float) -> Solo:
    factor = fit.polarity * 10.0 ** (gain_db / 20.0)
    return replace(
        sub, spectrum=sub.spectrum * factor * np.exp(-2j * np.pi * LOW_FREQ_HZ * fit.delay_s)
    )


def _gain_db(
    mains: Sequence[Solo], subs: Sequence[Solo], target_db: FloatArray
) -> float:
    """Change of the subs' level that brings their bands to the target beside the mains.

    All sides play: in the bass their pressures add, above 200 Hz their powers.
    """
    spots = sorted({main.spot for main in mains} & {sub.spot for sub in subs})
    low_target_db = target_db[LOW_BANDS]
    wanted, bass = [], []
    for spot in spots:
        here = [main for main in mains if main.spot == spot]
        sub = np.sum([one.spectrum for one in subs if one.spot == spot], axis=0)
        power = nan_mean(np.stack([10.0 ** (one.level_db / 10.0) for one in here])) * len(here)
        mid = ALIGN_BANDS & np.isfinite(power)
        if not mid.any():
            continue
        wanted.append(float(np.mean(10.0 * np.log10(power[mid]) - target_db[mid])))
        bass.append((np.sum([one.spectrum for one in here], axis=0), sub))
    if not bass:
        return 0.0
    main, sub = (np.stack(each) for each in zip(*bass, strict=True))
    level = band_power(sub).mean(axis=0)
    played = (level > level.max() * 10.0 ** (-SUB_REACH_DB / 10.0)) & (EXACT_HZ[LOW_BANDS] > 28.0)
    gains_db = np.arange(-MOST_LOWERED_DB, MOST_RAISED_DB + 0.01, GAIN_STEP_DB)
    off_db = [
        np.mean(
            (10.0 * np.log10(band_power(main + sub * 10.0 ** (gain_db / 20.0))) - low_target_db)[
                :, played
            ]
            - np.array(wanted)[:, None]
        )
        for gain_db in gains_db
    ]
    best = float(gains_db[int(np.abs(off_db).argmin())])
    return best if abs(best) >= WORTH_TURNING_DB else 0.0


def _bands(values: FloatArray, inside: NDArray[np.bool_]) -> FloatArray:
    full = np.full(BAND_COUNT, np.nan)
    full[LOW_BANDS] = np.where(inside, values, np.nan)
    return full


def _summations(
    pairs: Pairs, after: Pairs
) -> tuple[tuple[Summation, ...], Summation, tuple[float, float], float]:
    """Each pair's sum before and after, their mean, and the crossover region."""
    was, then = _meeting(pairs), _meeting(after)
    weight = band_weights(was, _trust(pairs))
    if not weight.max() > 0.0:
        weight = band_weights(then, _trust(after))
    by_band = weight.mean(axis=0)
    inside = by_band > LEAST_WEIGHT * by_band.max()
    before_db, after_db = was.loss_db(0.0)[0], then.loss_db(0.0)[0]
    total = np.maximum(weight.sum(axis=0), 1e-12)

    def mean(values: FloatArray, share: FloatArray) -> float:
        return float((values * share).sum() / share.sum()) if share.sum() > 0.0 else float("nan")

    spots = tuple(
        Summation(
            main.side,
            main.spot,
            _bands(before_db[k], inside & (weight[k] > 0.0)),
            _bands(after_db[k], inside & (weight[k] > 0.0)),
            mean(before_db[k], weight[k]),
            mean(after_db[k], weight[k]),
        )
        for k, (main, _) in enumerate(pairs)
    )
    overall = Summation(
        "",
        "",
        _bands((before_db * weight).sum(axis=0) / total, inside),
        _bands((after_db * weight).sum(axis=0) / total, inside),
        mean(before_db, weight),
        mean(after_db, weight),
    )
    hz = EXACT_HZ[LOW_BANDS]
    middle_hz = float(np.exp((by_band * np.log(hz)).sum() / by_band.sum()))
    return spots, overall, (float(hz[inside][0]), float(hz[inside][-1])), middle_hz


def _together(subs: Sequence[Solo]) -> Solo:
    """Several subs at one spot as one."""
    if len(subs) == 1:
        return subs[0]
    return replace(
        subs[0],
        spectrum=np.sum([sub.spectrum for sub in subs], axis=0),
        uncertainty_db=np.max([sub.uncertainty_db for sub in subs], axis=0),
    )


def _pairs(mains: Sequence[Solo], subs: Sequence[Solo]) -> list[tuple[Solo, Solo]]:
    """Every side of the mains with all subs, at every spot that has both."""
    paired = []
    for main in mains:
        here = [sub for sub in subs if sub.spot == main.spot]
        if here:
            paired.append((main, _together(here)))
    return paired


def join(
    mains: Sequence[Take],
    sub: Sequence[Take],
    *,
    has_processor: bool,
    target_db: FloatArray | None = None,
    temperature_c: float = 20.0,
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
    main_solos, sub_solos = list(soloed(mains).values()), list(soloed(sub).values())
    sides = list(dict.fromkeys(one.side for one in main_solos))
    names = list(dict.fromkeys(one.side for one in sub_solos))
    speed_m_s = speed_of_sound_m_s(temperature_c)
    fits: dict[str, Fit] = {}
    gain_db = 0.0
    for last in (False, True):
        for name in names:
            own = _own_sides(name, sides, several=len(names) > 1)
            pairs = _pairs(
                [one for one in main_solos if one.side in own],
                [one for one in sub_solos if one.side == name],
            )
            fit = pairs and _fit(
                pairs, gain_db=gain_db, has_processor=has_processor, speed_m_s=speed_m_s
            )
            if not fit:
                return Joining(
                    "Mains and sub share no third octave between 25 and 315 Hz in which both are "
                    "heard within 12 dB. Check that the sub plays at all, its level, and the low "
                    "cut of the mains; then take both again."
                )
            fits[name] = fit
        if last or target_db is None:
            break
        turned = [_turned(one, fits[one.side], 0.0) for one in sub_solos]
        gain_db = _gain_db(main_solos, turned, target_db)
        if gain_db == 0.0:
            break
    turned = [_turned(one, fits[one.side], gain_db) for one in sub_solos]
    spots, overall, region_hz, crossover_hz = _summations(
        _pairs(main_solos, sub_solos), _pairs(main_solos, turned)
    )
    mains_delay_s = max(0.0, *(-fit.delay_s for fit in fits.values())) if has_processor else 0.0
    return Joining(
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
        with_delay=None
        if has_processor
        else join(
            mains, sub, has_processor=True, target_db=target_db, temperature_c=temperature_c
        ),
    )
