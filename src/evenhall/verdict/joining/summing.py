"""Mains and subs that play together: pairs by spot, their sum by band, the level of the bass.

pairs()          every side of the mains with all subs, spot by spot
summations()     how each pair adds, before and after, against the perfect sum
bass_error_db()  how far the bass of all together is from the target
bass_gain_db()   what brings the subs' bands to the target beside the mains
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ
from evenhall.acoustics.summation import LOW_BANDS, Meeting, band_power
from evenhall.verdict.joining.responses import Solo
from evenhall.verdict.joining.search import band_weights
from evenhall.verdict.take import ALIGN_BANDS, nan_mean

__all__ = [
    "Pairs",
    "Summation",
    "bass_error_db",
    "bass_gain_db",
    "meeting",
    "noise_db",
    "pairs",
    "summations",
    "trust",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Pairs = Sequence[tuple[Solo, Solo]]

MOST_RAISED_DB, MOST_LOWERED_DB = 6.0, 12.0
GAIN_STEP_DB = 0.5
WORTH_TURNING_DB = 1.0
LEAST_WEIGHT = 0.25  # bands of the crossover region, of the heaviest
BASS_REACH_DB = 15.0  # bands in which there is any bass, from the loudest
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


def _together(subs: Sequence[Solo]) -> Solo:
    """Several subs at one spot as one."""
    if len(subs) == 1:
        return subs[0]
    return replace(
        subs[0],
        spectrum=np.sum([sub.spectrum for sub in subs], axis=0),
        uncertainty_db=np.max([sub.uncertainty_db for sub in subs], axis=0),
    )


def pairs(mains: Sequence[Solo], subs: Sequence[Solo]) -> list[tuple[Solo, Solo]]:
    """Every side of the mains with all subs, at every spot that has both."""
    paired = []
    for main in mains:
        here = [sub for sub in subs if sub.spot == main.spot]
        if here:
            paired.append((main, _together(here)))
    return paired


def meeting(paired: Pairs) -> Meeting:
    """Put all pairs together."""
    return Meeting(
        np.stack([main.spectrum for main, _ in paired]),
        np.stack([sub.spectrum for _, sub in paired]),
    )


def trust(paired: Pairs) -> FloatArray:
    """Weight of each low band of each pair, 0 to 1."""
    return np.stack([main.trust * sub.trust for main, sub in paired])


def noise_db(paired: Pairs) -> FloatArray:
    """Uncertainty of both of each pair together, by low band."""
    return np.stack([np.hypot(main.uncertainty_db, sub.uncertainty_db) for main, sub in paired])


def bass_gain_db(mains: Sequence[Solo], subs: Sequence[Solo], target_db: FloatArray) -> float:
    """Change of the subs' level that brings their bands to the target beside the mains.

    All sides play: in the bass their pressures add, above 200 Hz their powers.
    """
    low_target_db = target_db[LOW_BANDS]
    found = _bass(mains, subs, target_db)
    if found is None:
        return 0.0
    main, sub, wanted_db = found
    level = band_power(sub).mean(axis=0)
    played = (level > level.max() * 10.0 ** (-SUB_REACH_DB / 10.0)) & (EXACT_HZ[LOW_BANDS] > 28.0)
    gains_db = np.arange(-MOST_LOWERED_DB, MOST_RAISED_DB + 0.01, GAIN_STEP_DB)
    off_db = [
        np.mean(
            (10.0 * np.log10(band_power(main + sub * 10.0 ** (gain_db / 20.0))) - low_target_db)[
                :, played
            ]
            - wanted_db[:, None]
        )
        for gain_db in gains_db
    ]
    best = float(gains_db[int(np.abs(off_db).argmin())])
    return best if abs(best) >= WORTH_TURNING_DB else 0.0


def _bass(
    mains: Sequence[Solo], subs: Sequence[Solo], target_db: FloatArray
) -> tuple[ComplexArray, ComplexArray, FloatArray] | None:
    """Spectra of all mains and of all subs at each spot, and the level of a target of 0 there.

    None where no spot has both.
    """
    wanted, bass = [], []
    for spot in sorted({main.spot for main in mains} & {sub.spot for sub in subs}):
        here = [main for main in mains if main.spot == spot]
        sub = np.sum([one.spectrum for one in subs if one.spot == spot], axis=0)
        power = nan_mean(np.stack([10.0 ** (one.level_db / 10.0) for one in here])) * len(here)
        mid = ALIGN_BANDS & np.isfinite(power)
        if not mid.any():
            continue
        wanted.append(float(np.mean(10.0 * np.log10(power[mid]) - target_db[mid])))
        bass.append((np.sum([one.spectrum for one in here], axis=0), sub))
    if not bass:
        return None
    main, sub = (np.stack(each) for each in zip(*bass, strict=True))
    return main, sub, np.array(wanted)


def bass_error_db(
    taken: tuple[Sequence[Solo], Sequence[Solo]],
    then: tuple[Sequence[Solo], Sequence[Solo]],
    target_db: FloatArray,
) -> float:
    """Rms deviation of all mains and subs together from the target, over spots and low bands.

    Parameters
    ----------
    taken : pair of sequences of Solo
        Mains and subs as they were: they tell in which bands there is any bass.
    then : pair of sequences of Solo
        As they will be.
    target_db : ndarray, shape (31,)

    Returns
    -------
    float
        In dB; infinite where no spot has both.
    """
    was, now = _bass(*taken, target_db), _bass(*then, target_db)
    if was is None or now is None:
        return float("inf")
    most = (band_power(was[0]) + band_power(was[1])).mean(axis=0)
    hz = EXACT_HZ[LOW_BANDS]
    heard = (most > most.max() * 10.0 ** (-BASS_REACH_DB / 10.0)) & (hz > 28.0) & (hz < 260.0)
    level_db = 10.0 * np.log10(np.maximum(band_power(now[0] + now[1]), 1e-30))
    # Against the middle as it was taken: a filter does not make the hall softer.
    off_db = level_db - target_db[LOW_BANDS] - was[2][:, None]
    return float(np.sqrt(np.mean(np.square(off_db[:, heard]))))


def _bands(values: FloatArray, inside: NDArray[np.bool_]) -> FloatArray:
    full = np.full(BAND_COUNT, np.nan)
    full[LOW_BANDS] = np.where(inside, values, np.nan)
    return full


def summations(
    paired: Pairs, after: Pairs
) -> tuple[tuple[Summation, ...], Summation, tuple[float, float], float]:
    """Each pair's sum before and after, their mean, and the crossover region."""
    was, then = meeting(paired), meeting(after)
    weight = band_weights(was, trust(paired))
    if not weight.max() > 0.0:
        weight = band_weights(then, trust(after))
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
        for k, (main, _) in enumerate(paired)
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
