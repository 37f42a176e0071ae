"""Where the faders of a unit stand while a hand moves them, from its gain round after round.

    begin()     what is believed where the faders are said to stand
    found()     what is believed by the gain alone, where nobody says how they stand
    follow()    what is believed after one more round
    at_rest()   the same, with every fader taken for standing where it is
    start_doubt_db()   how far off a fader stays for good, for what was heard before it moved

A Kalman filter over all faders, the overall level and the width of the sections, on the true
(curved) gain of the unit. A hand mostly moves one fader at a time: the filter believes that all
stand, and sets free only the one that best explains what it did not expect. So noise is averaged
away on the faders that stand, and the one in hand is followed at once. The faceplate does not say
how wide a fader works, nor how that changes on its way: it is heard with the first that moves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.equalizer.graphic import GraphicUnit, Law, section_gains_db

__all__ = ["Followed", "at_rest", "begin", "follow", "found", "start_doubt_db"]

FloatArray = NDArray[np.float64]

# What the unit's model and the room's air leave unexplained in each band (dB), and the model as a
# share of the unit's gain there.
MODEL_DB, MODEL_SHARE = 0.05, 0.015
MOST_OCTAVES = 1.5  # that a width is off from the faceplate's
# Gains behind the unit are left alone while its faders are set.
LEVEL_STANDS_DB = 0.3
# How far faders wander by themselves in a second (dB). It keeps the memory short. The level is let
# go of seldom: all faders a little higher sound nearly as it does.
WANDER_DB, LEVEL_WANDER_DB = 0.1, 0.02
# A fader set free may have gone anywhere (dB).
FREE_DB = 8.0
# A surprise this many standard deviations large sets a fader free: by chance, in no hour.
SURPRISE = 4.5
MOST_AT_ONCE = 3
# A fader is moved once it has left its place by this, and by so many standard deviations.
STIR_DB, STIR_SIGMAS = 0.4, 4.0
CREEP_S = 1.0
# While one moves, a round holds a bit of each place that it passed (dB).
MOVING_DB = 0.3
SLOPE_STEP_DB, SLOPE_STEP_OCTAVES = 0.05, 0.02
ROUNDS_OF_NEWTON, ROUNDS_OF_RELEVANCE = 4, 12
FOUND_DB = 0.1  # a fader that seems to stand at 0 may be off by this
BEYOND = 1.15  # of its range: a scale may give more than it says
STRAIGHT_DB = 0.1  # over so short a way the unit's gain is a straight line


@dataclass(frozen=True)
class _Doubt:
    """How far a unit may be from its model, one standard deviation in octaves.

    The width near 0, of all faders alike and of each; what it has changed by at 12 dB of gain; and
    the centres.
    """

    unit_octaves: float
    fader_octaves: float
    bend_octaves: float
    centre_octaves: float


# From one make to the next, and once a unit was learned (common practice, no source).
MAKES, LEARNED = _Doubt(0.4, 0.08, 0.6, 0.03), _Doubt(0.03, 0.03, 0.03, 0.005)


@dataclass(frozen=True, eq=False)
class Shape:
    """How the sections of a unit stray from its model, in octaves.

    Parameters
    ----------
    whole : ndarray, shape (2 n_faders + 1,)
        How much narrower each is near 0; how much narrower all are at 12 dB of gain besides; and
        how much higher each lies.
    """

    whole: FloatArray

    @property
    def narrower(self) -> FloatArray:
        """Of each fader, shape (n_faders,)."""
        return self.whole[: self.whole.size // 2]

    @property
    def bend(self) -> float:
        """Of all, at 12 dB of gain."""
        return float(self.whole[self.whole.size // 2])

    @property
    def higher(self) -> FloatArray:
        """Of each fader, shape (n_faders,)."""
        return self.whole[self.whole.size // 2 + 1 :]

    def put_on(self, unit: GraphicUnit) -> GraphicUnit:
        """Give the unit as it is believed to be."""
        zero = np.zeros(unit.fader_count)
        law = unit.law or Law(share=zero + 1.0, sag=zero, q_bend=zero)
        return replace(
            unit,
            centre_hz=unit.centre_hz * 2.0**self.higher,
            q=unit.q * 2.0**self.narrower,
            law=replace(law, q_bend=law.q_bend + self.bend),
        )


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
    covariance : ndarray, shape (3 n_faders + 2, 3 n_faders + 2)
        Of faders, level (dB) and shape (octaves).
    rest_db, still_s : ndarray, shape (n_faders,)
        Where each came to rest, and for how long it has not left that place.
    in_hand : int or None
        The fader that moved last.
    """

    unit: GraphicUnit
    fader_db: FloatArray
    level_db: float
    shape: Shape
    covariance: FloatArray
    rest_db: FloatArray
    still_s: FloatArray
    in_hand: int | None

    @property
    def uncertainty_db(self) -> FloatArray:
        """Standard deviation of each fader, shape (n_faders,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)[: self.fader_db.size]))

    @property
    def unknown(self) -> FloatArray:
        """All that is believed, in the order of `covariance`."""
        return np.concatenate([self.fader_db, [self.level_db], self.shape.whole])


def begin(
    unit: GraphicUnit,
    fader_db: ArrayLike,
    *,
    fader_sigma_db: float,
    level_sigma_db: float,
) -> Followed:
    """Say what is believed before anything is heard.

    Parameters
    ----------
    fader_db : array_like, shape (n_faders,)
        Where the faders are said to stand.
    fader_sigma_db, level_sigma_db : float
        How far that, and the level, may be from the truth.
    """
    faders = np.array(fader_db, dtype=np.float64)
    unknown = np.concatenate([faders, np.zeros(2 * faders.size + 2)])
    prior = _prior(unit, fader_sigma_db=fader_sigma_db, level_sigma_db=level_sigma_db)
    return _followed(unit, unknown, prior)


def _prior(unit: GraphicUnit, *, fader_sigma_db: float, level_sigma_db: float) -> FloatArray:
    count = unit.fader_count
    doubt = MAKES if unit.law is None else LEARNED
    sigma = np.concatenate(
        [
            np.full(count, fader_sigma_db),
            [level_sigma_db],
            np.full(count, doubt.fader_octaves),
            [doubt.bend_octaves],
            np.full(count, doubt.centre_octaves),
        ]
    )
    prior = np.diag(sigma**2)
    prior[count + 1 : -count - 1, count + 1 : -count - 1] += doubt.unit_octaves**2
    return prior


def _followed(unit: GraphicUnit, unknown: FloatArray, covariance: FloatArray) -> Followed:
    count = unit.fader_count
    faders, level_db = unknown[:count], float(unknown[count])
    shape = Shape(unknown[count + 1 :])
    return Followed(
        unit, faders, level_db, shape, covariance, faders, np.zeros(count), in_hand=None
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
    heard = _Heard.known_of(freq_hz, gain_db, uncertainty_db)
    unknown = followed.unknown
    wander = np.full(unknown.size, WANDER_DB**2 * elapsed_s)
    wander[followed.fader_db.size] = LEVEL_WANDER_DB**2 * elapsed_s
    wander[followed.fader_db.size + 1 :] = 0.0
    prior = followed.covariance + np.diag(wander)
    # Near where all stood first: farther off, another width could seem to explain a move.
    settled = _settled(followed.unit, heard, unknown, prior, rounds=1)
    for _ in range(MOST_AT_ONCE):
        freed = _most_surprising(settled)
        if freed is not None:
            prior[freed, freed] += FREE_DB**2
            heard = replace(heard, variance_db2=heard.variance_db2 + MOVING_DB**2)
        settled = _settled(followed.unit, heard, unknown, prior)
        if freed is None:
            break
    return _with_hand(followed, settled.unknown, settled.covariance, elapsed_s)


def found(
    unit: GraphicUnit, freq_hz: FloatArray, gain_db: FloatArray, uncertainty_db: FloatArray
) -> Followed:
    """Say where the faders stand by the gain alone, with any level behind the unit.

    All faders a little higher sound nearly as a higher level does. Of all that explain what is
    heard, that is taken in which most faders stand at 0.

    Parameters
    ----------
    freq_hz, gain_db, uncertainty_db : ndarray, shape (n_bands,)
        As for `follow()`.

    References
    ----------
    Automatic relevance determination, MacKay 1994 and Tipping 2001 (from memory): each unknown
    has a variance of its own, which is found with it.
    """
    heard = _Heard.known_of(freq_hz, gain_db, uncertainty_db)
    count = unit.fader_count
    before = np.zeros(3 * count + 2)
    before[count] = float(np.median(heard.gain_db))  # any gain may lie behind the unit
    prior = _prior(unit, fader_sigma_db=unit.range_db / 2.0, level_sigma_db=20.0)
    settled = _settled(unit, heard, before, prior)
    for _ in range(ROUNDS_OF_RELEVANCE):
        moved = np.square(settled.unknown[:count]) + np.diag(settled.covariance)[:count]
        np.fill_diagonal(prior[:count, :count], np.maximum(moved, FOUND_DB**2))
        settled = _settled(unit, heard, before, prior)
    return _followed(unit, settled.unknown, settled.covariance)


def start_doubt_db(
    followed: Followed, freq_hz: FloatArray, uncertainty_db: FloatArray
) -> FloatArray:
    """Give the doubt in each fader that no waiting lessens, shape (n_faders,), standard deviation.

    What a microphone hears is held against what it heard before the hand began; an error in that
    stays in every later figure. A fader whose bands are not heard has the doubt of its range.

    Parameters
    ----------
    freq_hz, uncertainty_db : ndarray, shape (n_bands,)
        Of the sound before; infinite where noise buries it.
    """
    known = np.isfinite(uncertainty_db)
    size = followed.fader_db.size + 1
    _, slopes = _model(followed.unit, followed.unknown, freq_hz[known])
    slopes = slopes[:, :size]
    weight = 1.0 / (uncertainty_db[known] ** 2 + MODEL_DB**2)
    information = slopes.T @ (weight[:, None] * slopes)
    prior = np.full(size, 1.0 / followed.unit.range_db**2)
    prior[-1] = 1.0 / LEVEL_STANDS_DB**2
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(information + np.diag(prior)))[:-1]))


def _most_surprising(settled: _Settled) -> int | None:
    """Find the fader, or the level, that alone explains most of what is left unexplained.

    None where chance explains it. The pull at the most likely unknowns is h' S^-1 r of the test.
    """
    information = settled.information
    seen = np.diag(information - information @ settled.covariance @ information)
    score = np.where(seen > 1e-9, settled.pull**2 / np.maximum(seen, 1e-9), 0.0)
    best = int(np.argmax(score[: settled.pull.size // 3 + 1]))
    return best if score[best] > SURPRISE**2 else None


def _with_hand(
    followed: Followed, now: FloatArray, covariance: FloatArray, elapsed_s: float
) -> Followed:
    """Say which faders have left their places, and so which one is in hand."""
    faders = now[: followed.fader_db.size]
    sigma_db = np.sqrt(np.diag(covariance)[: faders.size])
    creeps = min(1.0, elapsed_s / CREEP_S)
    rest_db = followed.rest_db + creeps * (followed.fader_db - followed.rest_db)
    gone_db = np.abs(faders - rest_db)
    stirs = gone_db > np.maximum(STIR_DB, STIR_SIGMAS * sigma_db)
    in_hand = int(np.argmax(np.where(stirs, gone_db, 0.0))) if stirs.any() else followed.in_hand
    return replace(
        followed,
        fader_db=faders,
        level_db=float(now[faders.size]),
        shape=Shape(now[faders.size + 1 :]),
        covariance=covariance,
        # What creeps is better known by and by, and no hand.
        rest_db=np.where(stirs, faders, rest_db),
        still_s=np.where(stirs, 0.0, followed.still_s + elapsed_s),
        in_hand=in_hand,
    )


@dataclass(frozen=True, eq=False)
class _Heard:
    """What a round tells, where it tells something; arrays of shape (n_bands,)."""

    freq_hz: FloatArray
    gain_db: FloatArray
    variance_db2: FloatArray

    @classmethod
    def known_of(
        cls, freq_hz: FloatArray, gain_db: FloatArray, uncertainty_db: FloatArray
    ) -> _Heard:
        known = np.isfinite(gain_db) & np.isfinite(uncertainty_db)
        return cls(freq_hz[known], gain_db[known], uncertainty_db[known] ** 2)


@dataclass(frozen=True, eq=False)
class _Settled:
    """The most likely unknowns, and what the sound says of them there."""

    unknown: FloatArray
    prior: FloatArray
    information: FloatArray
    pull: FloatArray

    @cached_property
    def covariance(self) -> FloatArray:
        covariance = np.linalg.inv(np.linalg.inv(self.prior) + self.information)
        return np.asarray(0.5 * (covariance + covariance.T))


def _settled(
    unit: GraphicUnit,
    heard: _Heard,
    before: FloatArray,
    prior: FloatArray,
    *,
    rounds: int = ROUNDS_OF_NEWTON,
) -> _Settled:
    trust = np.linalg.inv(prior)
    now = before
    reach_db = unit.range_db * BEYOND
    for _ in range(rounds):
        predicted, slopes = _model(unit, now, heard.freq_hz)
        away_db = predicted - now[unit.fader_count]
        weight = 1.0 / (heard.variance_db2 + MODEL_DB**2 + (MODEL_SHARE * away_db) ** 2)
        information = slopes.T @ (weight[:, None] * slopes)
        pull = slopes.T @ (weight * (heard.gain_db - predicted))
        wanted = now + np.linalg.solve(trust + information, pull + trust @ (before - now))
        wanted[: unit.fader_count] = np.clip(wanted[: unit.fader_count], -reach_db, reach_db)
        shape = wanted[unit.fader_count + 1 :]
        np.clip(shape, -MOST_OCTAVES, MOST_OCTAVES, out=shape)
        step, now = wanted - now, wanted
        pull = pull - information @ step
        if np.abs(step).max() < STRAIGHT_DB:
            break
    return _Settled(now, prior, information, pull)


def _model(
    unit: GraphicUnit, unknown: FloatArray, freq_hz: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gain, and how it moves with each unknown, shape (n_bands, n_unknowns).

    By differences. Sections multiply: one that moves changes its own part alone.
    """
    count = unit.fader_count
    faders, shape = unknown[:count], unknown[count + 1 :]

    def each_db(faders: FloatArray, shape: FloatArray) -> FloatArray:
        return section_gains_db(Shape(shape).put_on(unit), faders, freq_hz)

    now = each_db(faders, shape)

    def slope(moved: FloatArray, step: FloatArray | float) -> FloatArray:
        return np.asarray(((moved - now) / step).T)

    def turned(first: int, end: int) -> FloatArray:
        other = shape.copy()
        other[first:end] += SLOPE_STEP_OCTAVES
        return slope(each_db(faders, other), SLOPE_STEP_OCTAVES)

    # Towards the middle of the way: a measured unit knows little beyond its range.
    step_db = np.where(faders > 0, -SLOPE_STEP_DB, SLOPE_STEP_DB)
    slopes = np.column_stack(
        [
            slope(each_db(faders + step_db, shape), step_db[:, None]),
            np.ones(freq_hz.size),
            turned(0, count),
            turned(count, count + 1).sum(axis=1),
            turned(count + 1, shape.size),
        ]
    )
    return now.sum(axis=0) + unknown[count], slopes
