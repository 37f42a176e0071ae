"""The search for the delay and polarity at which a sub joins the mains best, at all places.

What is searched is the mean over places and third octaves of the level of the sum against the
perfect one, weighed by where both contribute and by how sure the takes are. It has many hills,
half a period apart; `best_fit()` climbs each, for both polarities, and of those that are equal to
the ear takes the one with the least delay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.summation import LOW_BANDS, Meeting

__all__ = ["Fit", "band_weights", "best_fit", "mean_loss_db"]

FloatArray = NDArray[np.float64]

# Bands count whole where mains and sub are this near in level, and not at all from there on.
WHOLE_DB, NONE_DB = 10.0, 20.0
SEARCH_S = 0.020  # either way: twice what converters and placing in a small room come to
COARSE_S = 0.0001
FINE_S = 0.000005
EQUAL_DB = 0.05  # no ear and no take tells such hills apart: the nearest is taken
DB_TO_NEPER = np.log(10.0) / 20.0


@dataclass(frozen=True)
class Fit:
    """How the sub is best set.

    Parameters
    ----------
    polarity : int
        1 as it is, -1 turned over.
    delay_s : float
        By which it is to be later; negative = the mains are to be.
    loss_db : float
        Mean level of the sum re the perfect sum; 0 at best.
    uncertainty_s : float
        One standard deviation of the delay: noise, and how far places and bands disagree.
    margin_db : float
        By how much the best setting with the other polarity is worse.
    """

    polarity: int
    delay_s: float
    loss_db: float
    uncertainty_s: float
    margin_db: float


def band_weights(meeting: Meeting, trust: FloatArray, *, gain_db: float = 0.0) -> FloatArray:
    """Weight of each place and band: 1 where both are alike in level, 0 from 20 dB apart.

    Parameters
    ----------
    trust : ndarray, shape (n_places, n_bands)
    gain_db : float
        Of the sub.
    """
    tiny = 1e-30
    apart_db = 10.0 * np.log10((meeting.main_power + tiny) / (meeting.sub_power + tiny)) - gain_db
    near = np.clip((NONE_DB - np.abs(apart_db)) / (NONE_DB - WHOLE_DB), 0.0, 1.0)
    return np.asarray(near * trust)


def mean_loss_db(loss_db: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted mean over places and bands, the last two axes."""
    return np.asarray((loss_db * weight).sum(axis=(-2, -1)) / weight.sum())


def _hills(score_db: FloatArray) -> NDArray[np.intp]:
    """Tops; the ends of the search are none, unless it only climbs or falls."""
    inner = score_db[1:-1]
    tops = np.flatnonzero((inner >= score_db[:-2]) & (inner > score_db[2:])) + 1
    return tops if tops.size else np.array([int(score_db.argmax())])


def _uncertainty_s(
    meeting: Meeting, weight: FloatArray, noise_db: FloatArray, fit: Fit, gain_db: float
) -> float:
    """Of the top of a hill: how far noise, and the leave of each place and band, would move it."""
    step_s = 2e-5
    around = fit.delay_s + np.array([-step_s, 0.0, step_s])
    before, here, after = meeting.loss_db(around, polarity=fit.polarity, gain_db=gain_db)
    slope = weight * (after - before) / (2.0 * step_s)
    bend = weight * (after - 2.0 * here + before) / step_s**2
    total = float(bend.sum())
    if not total < 0.0:
        return SEARCH_S
    # An error of the phase between both shifts its cell's curve by that phase over the frequency.
    shift_s = np.minimum(noise_db * DB_TO_NEPER, np.pi) / (2.0 * np.pi * EXACT_HZ[LOW_BANDS])
    noise = float(np.sum((bend * shift_s) ** 2))
    disagree = float(np.sum(slope**2))
    return float(np.sqrt(noise + disagree) / -total)


def best_fit(
    meeting: Meeting,
    weight: FloatArray,
    noise_db: FloatArray,
    *,
    gain_db: float = 0.0,
    reach_s: float = SEARCH_S,
) -> Fit:
    """Find the polarity and the delay of the sub.

    Parameters
    ----------
    weight : ndarray, shape (n_places, n_bands)
        Not all 0.
    noise_db : ndarray, shape (n_places, n_bands)
        Uncertainty of both levels together.
    gain_db : float
        Of the sub.
    reach_s : float
        Delays are tried up to this, either way.
    """
    count = max(1, round(reach_s / COARSE_S))
    coarse = np.linspace(-reach_s, reach_s, 2 * count + 1)
    wanted = weight.max(axis=0) > 0.0
    fits = []
    for polarity in (1, -1):

        def score_db(delay_s: FloatArray, polarity: int = polarity) -> FloatArray:
            loss_db = meeting.loss_db(delay_s, polarity=polarity, gain_db=gain_db, wanted=wanted)
            return mean_loss_db(loss_db, weight)

        scores = score_db(coarse)
        tops = _hills(scores)
        for top in tops[scores[tops] > scores[tops].max() - 2.0 * EQUAL_DB]:
            fine = coarse[top] + np.arange(-COARSE_S, COARSE_S + FINE_S / 2, FINE_S)
            fine = fine[np.abs(fine) <= reach_s + FINE_S / 2]
            values = score_db(fine)
            at = int(values.argmax())
            fits.append(Fit(polarity, float(fine[at]), float(values[at]), 0.0, 0.0))
    best_db = max(fit.loss_db for fit in fits)
    equal = [fit for fit in fits if fit.loss_db >= best_db - EQUAL_DB]
    chosen = min(equal, key=lambda fit: abs(fit.delay_s))
    other_db = max(fit.loss_db for fit in fits if fit.polarity != chosen.polarity)
    return Fit(
        chosen.polarity,
        chosen.delay_s,
        chosen.loss_db,
        _uncertainty_s(meeting, weight, noise_db, chosen, gain_db),
        chosen.loss_db - other_db,
    )
