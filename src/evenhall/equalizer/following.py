"""Where the faders of a unit stand while a hand moves them, from its gain round after round.

    begin()     what is believed before anything is heard
    follow()    what is believed after one more round
    at_rest()   the same, with every fader taken for standing where it is
    start_doubt_db()   how far off a fader stays for good, for what was heard before it moved

A Kalman filter over all faders and the overall level, on the true (curved) gain of the unit. A
hand mostly moves one fader at a time: the filter believes that all stand, and sets free only the
one that best explains what it did not expect. So noise is averaged away on the faders that
stand, and the one in hand is followed at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.equalizer.graphic import GraphicUnit, unit_gain_db

__all__ = ["Followed", "at_rest", "begin", "follow", "start_doubt_db"]

FloatArray = NDArray[np.float64]

# What the unit's model and the room's air leave unexplained in each band (dB).
MODEL_DB = 0.05
# Gains behind the unit are left alone while its faders are set.
LEVEL_STANDS_DB = 0.3
# How far faders and level wander by themselves in a second (dB). It keeps the memory short.
WANDER_DB = 0.15
# A fader set free may have gone anywhere (dB).
FREE_DB = 8.0
# A surprise this many standard deviations large sets a fader free: by chance, in no hour.
SURPRISE = 4.5
MOST_AT_ONCE = 3
# A fader is moved once it has left its place by this, and by so many standard deviations.
STIR_DB, STIR_SIGMAS = 0.4, 4.0
SLOPE_STEP_DB = 0.05
ROUNDS_OF_NEWTON = 3
STRAIGHT_DB = 0.1  # over so short a way the unit's gain is a straight line


@dataclass(frozen=True, eq=False)
class Followed:
    """What is believed of the faders.

    Parameters
    ----------
    unit : GraphicUnit
        Any unit that `unit_gain_db()` knows.
    fader_db : ndarray, shape (n_faders,)
        Where each stands.
    level_db : float
        What all bands have in common besides: gains and cables behind the unit.
    covariance_db2 : ndarray, shape (n_faders + 1, n_faders + 1)
        Of faders and level.
    rest_db, still_s : ndarray, shape (n_faders,)
        Where each came to rest, and for how long it has not left that place.
    in_hand : int or None
        The fader that moved last.
    """

    unit: GraphicUnit
    fader_db: FloatArray
    level_db: float
    covariance_db2: FloatArray
    rest_db: FloatArray
    still_s: FloatArray
    in_hand: int | None

    @property
    def uncertainty_db(self) -> FloatArray:
        """Standard deviation of each fader, shape (n_faders,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance_db2)[:-1]))


def begin(
    unit: GraphicUnit,
    fader_db: ArrayLike,
    *,
    fader_sigma_db: float,
    level_sigma_db: float,
    level_db: float = 0.0,
) -> Followed:
    """Say what is believed before anything is heard.

    Parameters
    ----------
    unit : GraphicUnit
    fader_db : array_like, shape (n_faders,)
        Where the faders are said to stand.
    fader_sigma_db, level_sigma_db : float
        How far that, and the level, may be from the truth.
    level_db : float
        What all bands are said to have in common besides.
    """
    faders = np.array(fader_db, dtype=np.float64)
    sigma_db = np.append(np.full(faders.size, fader_sigma_db), level_sigma_db)
    return Followed(
        unit, faders, level_db, np.diag(sigma_db**2), faders, np.zeros(faders.size), in_hand=None
    )


def at_rest(followed: Followed) -> Followed:
    """Take every fader for standing where it is, and none for in hand."""
    return replace(
        followed,
        rest_db=followed.fader_db,
        still_s=np.zeros_like(followed.still_s),
        in_hand=None,
    )


def follow(
    followed: Followed,
    freq_hz: FloatArray,
    gain_db: FloatArray,
    uncertainty_db: FloatArray,
    *,
    elapsed_s: float,
) -> Followed:
    """Believe what one more round tells.

    Parameters
    ----------
    followed : Followed
    freq_hz, gain_db, uncertainty_db : ndarray, shape (n_bands,)
        Gain of the unit as it was measured, the level behind it included, and its standard
        deviation; bands without a finite figure are left out.
    elapsed_s : float
        Since the round before.

    References
    ----------
    The iterated extended Kalman filter in information form, textbook algebra. Which unknown is
    set free is the score test of each alone: (h' S^-1 r)^2 / (h' S^-1 h).
    """
    known = np.isfinite(gain_db) & np.isfinite(uncertainty_db)
    freq_hz, gain_db = freq_hz[known], gain_db[known]
    weight = 1.0 / (uncertainty_db[known] ** 2 + MODEL_DB**2)
    before = np.append(followed.fader_db, followed.level_db)
    size = before.size
    prior = followed.covariance_db2 + np.eye(size) * (WANDER_DB**2 * elapsed_s)

    predicted, slopes = _model(followed.unit, before, freq_hz)
    information = slopes.T @ (weight[:, None] * slopes)
    pull = slopes.T @ (weight * (gain_db - predicted))
    for _ in range(MOST_AT_ONCE):
        freed = _most_surprising(prior, information, pull)
        if freed is None:
            break
        prior[freed, freed] += FREE_DB**2

    trust = np.linalg.inv(prior)
    now = before
    for _ in range(ROUNDS_OF_NEWTON):
        step = np.linalg.solve(trust + information, pull + trust @ (before - now))
        now = now + step
        now[:-1] = np.clip(now[:-1], -followed.unit.range_db, followed.unit.range_db)
        if np.abs(step).max() < STRAIGHT_DB:
            break
        predicted, slopes = _model(followed.unit, now, freq_hz)
        information = slopes.T @ (weight[:, None] * slopes)
        pull = slopes.T @ (weight * (gain_db - predicted))
    covariance = np.linalg.inv(trust + information)
    return _with_hand(followed, now, 0.5 * (covariance + covariance.T), elapsed_s)


def start_doubt_db(
    followed: Followed, freq_hz: FloatArray, uncertainty_db: FloatArray
) -> FloatArray:
    """Give the doubt in each fader that no waiting lessens, shape (n_faders,), standard deviation.

    What a microphone hears is held against what it heard before the hand began; an error in that
    stays in every later figure. A fader whose bands are not heard has the doubt of its range.

    Parameters
    ----------
    followed : Followed
    freq_hz, uncertainty_db : ndarray, shape (n_bands,)
        Of the sound before; infinite where noise buries it.
    """
    known = np.isfinite(uncertainty_db)
    _, slopes = _model(
        followed.unit, np.append(followed.fader_db, followed.level_db), freq_hz[known]
    )
    weight = 1.0 / (uncertainty_db[known] ** 2 + MODEL_DB**2)
    information = slopes.T @ (weight[:, None] * slopes)
    prior = np.full(slopes.shape[1], 1.0 / followed.unit.range_db**2)
    prior[-1] = 1.0 / LEVEL_STANDS_DB**2
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(information + np.diag(prior)))[:-1]))


def _most_surprising(prior: FloatArray, information: FloatArray, pull: FloatArray) -> int | None:
    """Find the unknown that alone explains most of the surprise; None where chance explains it."""
    kept = information @ np.linalg.inv(np.linalg.inv(prior) + information)
    seen = np.maximum(np.diag(information - kept @ information), 0.0)
    asked = pull - kept @ pull
    score = np.where(seen > 1e-9, asked**2 / np.maximum(seen, 1e-9), 0.0)
    best = int(np.argmax(score))
    return best if score[best] > SURPRISE**2 else None


def _with_hand(
    followed: Followed, now: FloatArray, covariance: FloatArray, elapsed_s: float
) -> Followed:
    """Say which faders have left their places, and so which one is in hand."""
    faders = now[:-1]
    sigma_db = np.sqrt(np.diag(covariance)[:-1])
    gone_db = np.abs(faders - followed.rest_db)
    stirs = gone_db > np.maximum(STIR_DB, STIR_SIGMAS * sigma_db)
    in_hand = int(np.argmax(np.where(stirs, gone_db, 0.0))) if stirs.any() else followed.in_hand
    return replace(
        followed,
        fader_db=faders,
        level_db=float(now[-1]),
        covariance_db2=covariance,
        rest_db=np.where(stirs, faders, followed.rest_db),
        still_s=np.where(stirs, 0.0, followed.still_s + elapsed_s),
        in_hand=in_hand,
    )


def _model(
    unit: GraphicUnit, unknown: FloatArray, freq_hz: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gain, and how it moves with each fader and the level, shape (n_bands, n_faders + 1).

    By differences, so that a unit whose curves were measured needs nothing more than its gain.
    """
    faders = unknown[:-1]
    gain_db = unit_gain_db(unit, faders, freq_hz)
    slopes = np.ones((freq_hz.size, unknown.size))
    for k in range(faders.size):
        moved = faders.copy()
        # Towards the middle of the way: a measured unit knows nothing beyond its range.
        step_db = -SLOPE_STEP_DB if faders[k] > 0 else SLOPE_STEP_DB
        moved[k] += step_db
        slopes[:, k] = (unit_gain_db(unit, moved, freq_hz) - gain_db) / step_db
    return gain_db + unknown[-1], slopes
