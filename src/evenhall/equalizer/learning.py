"""Learn the unit that is really there from its gain in a few settings.

    learning_round()    the settings to make, in order
    fit_unit()          the unit that explains what was measured; start there
    fit_round()         the same, with settings left out that were not made as told

Output of the interface, equalizer, input of the interface: no loudspeaker. Everything is held
against the unit flat and in, so that cables and the interface fall out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.graphic import MODELS, GraphicUnit, Law, section_power, unit_gain_db

__all__ = [
    "LearnedUnit",
    "MisplacedFader",
    "fit_freq_hz",
    "fit_round",
    "fit_unit",
    "learning_round",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Faders that move together: so far apart that each shows alone, and near enough to be few combs.
COMB_OCTAVES = 4.0 / 3.0
LEVELS = (1.0, -1.0, 0.5, -0.5)  # of the range
POINTS_AN_OCTAVE = 12
LOWEST_HZ, HIGHEST_HZ = 16.0, 21_000.0
MEASURED_DB = 0.05  # what a sweep by cable is off by, and what the formulas leave
# What units stray by (common practice, no source): centre 5 %, Q 30 %, Q with the gain half an
# octave, gain 15 %, sag 20 %.
USUAL = np.array([0.05, 0.3, 0.5, 0.15, 0.2])
ROUNDS = 40
DIFF = 1e-4
# A fader that stands off by more than this was not set as told; more than so many, and it is not
# the hand but the unit.
MISPLACED_DB, MOST_MISPLACED = 1.5, 4


@dataclass(frozen=True, eq=False)
class LearnedUnit:
    """What was learned.

    Parameters
    ----------
    unit : GraphicUnit
        With its law; to be used as any other.
    moved : ndarray of bool, shape (n_faders,)
        False where a fader was never moved: its figures are those of its neighbours.
    residual_db : float
        Rms of what the unit leaves unexplained in the settings it was learned from.
    """

    unit: GraphicUnit
    moved: BoolArray
    residual_db: float


@dataclass(frozen=True)
class MisplacedFader:
    """A fader that did not stand where a setting wanted it."""

    setting: int
    hz: float
    asked_db: float
    stood_db: float


def fit_freq_hz() -> FloatArray:
    """Frequencies at which a unit is learned."""
    count = int(np.log2(HIGHEST_HZ / LOWEST_HZ) * POINTS_AN_OCTAVE)
    return np.geomspace(LOWEST_HZ, HIGHEST_HZ, count)


def learning_round(unit: GraphicUnit) -> FloatArray:
    """Give the settings that teach most in few: all flat, then combs of faders up and down.

    Returns
    -------
    ndarray, shape (n_settings, n_faders)
        The first is flat.

    Examples
    --------
    >>> from evenhall.equalizer import graphic_unit
    >>> learning_round(graphic_unit(31)).shape
    (17, 31)
    """
    spacing = float(np.median(np.diff(np.log2(unit.centre_hz))))
    stride = min(max(3, round(COMB_OCTAVES / spacing)), unit.fader_count)
    settings = [np.zeros(unit.fader_count)]
    for comb in range(stride):
        for level in LEVELS:
            setting = np.zeros(unit.fader_count)
            setting[comb::stride] = level * unit.range_db
            settings.append(setting)
    return np.array(settings)


def _with(unit: GraphicUnit, figures: FloatArray) -> GraphicUnit:
    """Give the unit with figures in units of `USUAL`, shape (5, n_faders)."""
    centre, q, q_bend, share, sag = figures * USUAL[:, None]
    return replace(
        unit,
        centre_hz=unit.centre_hz * np.exp(centre),
        q=unit.q * np.exp(q),
        law=Law(share=np.exp(share), sag=sag, q_bend=q_bend),
    )


def _section_gains_db(unit: GraphicUnit, settings: FloatArray, freq_hz: FloatArray) -> FloatArray:
    """Gain of each section in each setting, shape (n_settings, n_faders, n_freq)."""
    gain_db, q, _ = unit.settings(settings)
    ratio = freq_hz / unit.centre_hz[:, None]
    detune_sq = np.square(ratio - 1.0 / ratio)
    power = section_power(unit.model, q[..., None], gain_db[..., None], detune_sq)
    return np.asarray(10.0 * np.log10(power))


def fit_unit(
    unit: GraphicUnit, settings: FloatArray, gain_db: FloatArray, freq_hz: FloatArray
) -> LearnedUnit:
    """Find the unit that explains its gain in some settings.

    Robust least squares, each figure held near the faceplate's by what units usually stray by;
    both models are tried.

    Parameters
    ----------
    unit : GraphicUnit
        As its faceplate and its data sheet have it.
    settings : ndarray, shape (n_settings, n_faders)
        Where the faders stood.
    gain_db : ndarray, shape (n_settings, n_freq)
        Measured, re everything flat and in; nan where it is not known.
    freq_hz : ndarray, shape (n_freq,)
    """
    known = np.isfinite(gain_db)
    measured = np.where(known, gain_db, 0.0)
    count = unit.fader_count

    from scipy.optimize import least_squares  # slow to load, see checking.py

    def fitted(start: GraphicUnit) -> tuple[float, FloatArray]:
        def left(flat: FloatArray) -> FloatArray:
            made = _section_gains_db(_with(start, flat.reshape(5, count)), settings, freq_hz)
            return np.concatenate(
                [(((made.sum(axis=1) - measured) / MEASURED_DB)[known]).ravel(), flat]
            )

        def slope(flat: FloatArray) -> FloatArray:
            figures = flat.reshape(5, count)
            here = _section_gains_db(_with(start, figures), settings, freq_hz)
            rows = []
            for at in range(5):
                moved = figures.copy()
                moved[at] += DIFF
                there = _section_gains_db(_with(start, moved), settings, freq_hz)
                change = (there - here) / (DIFF * MEASURED_DB)
                rows.append(change.transpose(1, 0, 2)[:, known].T)
            return np.vstack([np.hstack(rows), np.eye(5 * count)])

        found = least_squares(
            left, np.zeros(5 * count), jac=slope, loss="soft_l1", f_scale=4.0, max_nfev=ROUNDS
        )
        return float(found.cost), found.x.reshape(5, count)

    tries = [(fitted(replace(unit, model=model)), model) for model in MODELS]
    (_, figures), model = min(tries, key=lambda one: one[0][0])
    moved = np.any(settings != 0.0, axis=0)
    if moved.any():
        place = np.arange(count)
        for row in figures:
            row[:] = np.interp(place, place[moved], row[moved])
    learned = _with(replace(unit, model=model), figures)
    rest = np.array([unit_gain_db(learned, one, freq_hz) for one in settings]) - measured
    return LearnedUnit(learned, moved, float(np.sqrt(np.mean(np.square(rest[known])))))


def fit_round(
    unit: GraphicUnit, settings: FloatArray, gain_db: FloatArray, freq_hz: FloatArray
) -> tuple[LearnedUnit, tuple[MisplacedFader, ...]]:
    """Fit a unit, leaving out settings that were not made as told, and name what was wrong there.

    The setting that fits worst is left out, the unit fitted anew without it, and its faders found
    with that: a misplaced fader bends what the whole round seems to say.

    Parameters
    ----------
    unit, settings, gain_db, freq_hz
        As for `fit_unit()`.
    """
    kept = np.arange(len(settings))
    found: list[MisplacedFader] = []
    learned = fit_unit(unit, settings, gain_db, freq_hz)
    for _ in range(min(MOST_MISPLACED, len(settings) - 1)):
        rest = np.array([unit_gain_db(learned.unit, settings[k], freq_hz) for k in kept])
        off = np.nan_to_num(np.abs(rest - gain_db[kept]))
        if off.max() < MISPLACED_DB:
            break
        worst = int(kept[np.square(off).sum(axis=1).argmax()])
        others = kept[kept != worst]
        without = fit_unit(unit, settings[others], gain_db[others], freq_hz)
        misplaced = _misplaced(without, worst, settings[worst], gain_db[worst], freq_hz)
        if not misplaced:
            break
        found += misplaced
        kept, learned = others, without
    return learned, tuple(found)


def _misplaced(
    learned: LearnedUnit, at: int, setting: FloatArray, gain_db: FloatArray, freq_hz: FloatArray
) -> list[MisplacedFader]:
    """Find where the faders of one setting really stood."""
    from scipy.optimize import least_squares

    unit = learned.unit
    known = np.isfinite(gain_db)

    def left(fader_db: FloatArray) -> FloatArray:
        off = unit_gain_db(unit, fader_db, freq_hz[known]) - gain_db[known]
        return np.asarray(off / MISPLACED_DB)

    bound = unit.range_db + 1.0
    stood = least_squares(left, 0.8 * setting, bounds=(-bound, bound)).x
    wrong = learned.moved & (np.abs(stood - setting) > MISPLACED_DB)
    return [
        MisplacedFader(at, float(unit.nominal_hz[k]), float(setting[k]), float(stood[k]))
        for k in np.flatnonzero(wrong)
    ]
