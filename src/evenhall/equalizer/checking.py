"""Whether one setting of a learning round was made as told; `setting_fault()` says it at once.

Held against the faceplate alone: the unit is not known yet, and may stray from it a good deal. What
was learned before is held against it by `drift()`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.graphic import MODELS, GraphicUnit, unit_gain_db
from evenhall.equalizer.learning import fit_freq_hz, learning_round
from evenhall.words import fader_name

__all__ = ["BYPASSED", "DRIFT_DB", "changes_against", "channels_apart", "drift", "setting_fault"]

FloatArray = NDArray[np.float64]

# Of a recording behind the unit in which nothing of the unit is heard.
BYPASSED = (
    "the unit is bypassed, or the cable goes around it. Switch it in, look where the cable comes "
    "from, and record it again."
)
# Less than this in every band, and nothing was moved.
DEAF_DB = 0.5
# A fader that gives less than this share of what it should was not moved; the weakest give half.
STILL_SHARE = 0.3
# One that was not to be moved seems to be by up to this share, where centres and Q stray.
STRAY_SHARE = 0.62
Q_FACTORS = (0.75, 1.0, 1.33)
STRAY_FLAT_DB = 2.0  # with everything told to stand at 0
AGAINST = -0.7  # correlation of what is heard with what should be
MOST_NAMED = 4
# Between what was learned and what is heard now: more than this is heard, too.
DRIFT_DB = 0.7
ALIKE_DB = 0.5  # two channels that part by less need no card each


def _stood(
    unit: GraphicUnit, asked_db: FloatArray, change_db: FloatArray, freq_hz: FloatArray
) -> tuple[FloatArray, float]:
    """Give where the faders stood by what the unit did, and the sum of squares that is left."""
    from scipy.optimize import least_squares  # slow to load, and `open` must not wait for it

    known = np.isfinite(change_db)

    def left(fader_db: FloatArray) -> FloatArray:
        off_db = unit_gain_db(unit, fader_db, freq_hz[known]) - change_db[known]
        # Held a little: what no band shows stays where it should be.
        return np.concatenate((off_db, 0.05 * (fader_db - asked_db)))

    bound = unit.range_db + 1.0
    found = least_squares(left, 0.5 * asked_db, bounds=(-bound, bound))
    return np.asarray(found.x), float(found.cost)


def changes_against(wanted_db: FloatArray, change_db: FloatArray) -> bool:
    """Whether what is heard is about the reverse of what should be; shapes alike."""
    heard = np.nan_to_num(change_db)
    together = float(np.sum(heard * wanted_db))
    return together < AGAINST * float(np.sqrt(np.square(heard).sum() * np.square(wanted_db).sum()))


def setting_fault(
    unit: GraphicUnit, asked_db: FloatArray, change_db: FloatArray, freq_hz: FloatArray
) -> str | None:
    """Say what is wrong with a setting and what to do; None where it may be as told.

    Parameters
    ----------
    unit : GraphicUnit
        As its faceplate has it.
    asked_db : ndarray, shape (n_faders,)
        Where the faders should have stood.
    change_db : ndarray, shape (n_freq,)
        Gain against everything flat and in; nan where it is not known.
    freq_hz : ndarray, shape (n_freq,)
    """
    asked = asked_db != 0.0
    heard = np.nan_to_num(change_db)
    if asked.any():
        if np.abs(heard).max() < DEAF_DB:
            return (
                "Nothing changes: the unit is bypassed, the cable goes around it, or no fader was "
                "moved. Switch it in, set the faders, and record it again."
            )
        if changes_against(unit_gain_db(unit, asked_db, freq_hz), heard):
            return (
                "The sound changes the opposite way. Either the two inputs are swapped, or the "
                "faders went the other way. Fix that, and record it again."
            )
    # How wide its bands are is not known yet: the width that explains most is taken.
    widths = [
        replace(unit, model=model, q=unit.q * factor) for model in MODELS for factor in Q_FACTORS
    ]
    tries = [_stood(one, asked_db, change_db, freq_hz) for one in widths]
    stood = min(tries, key=lambda one: one[1])[0]
    most_db = np.abs(asked_db).max()
    share = np.divide(stood, asked_db, out=np.ones_like(stood), where=asked)
    still = asked & (share < STILL_SHARE)
    limit_db = STRAY_SHARE * most_db if asked.any() else STRAY_FLAT_DB
    stray = ~asked & (np.abs(stood) > limit_db)
    lines = []
    if still.any():
        lines.append(f"Not moved as told: {_names(unit, still)}.")
    if stray.any():
        lines.append(f"Moved, and should be at 0: {_names(unit, stray)}.")
    return f"{' '.join(lines)} Set them, and record it again." if lines else None


def _names(unit: GraphicUnit, which: NDArray[np.bool_]) -> str:
    names = [fader_name(hz) for hz in unit.nominal_hz[which]]
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def channels_apart(left: GraphicUnit, right: GraphicUnit, *, insertion_db: float | None) -> str:
    """Say how far two channels of a unit differ with the same settings.

    Parameters
    ----------
    left, right : GraphicUnit
        Both learned, with the same faders.
    insertion_db : float or None
        How much more gain the right one has, all flat; None where not known.
    """
    freq_hz = fit_freq_hz()
    apart_db = np.array(
        [
            np.abs(unit_gain_db(left, faders, freq_hz) - unit_gain_db(right, faders, freq_hz))
            for faders in learning_round(left)
        ]
    )
    worst_db = float(apart_db.max())
    where_hz = freq_hz[int(apart_db.max(axis=0).argmax())]
    text = f"With the same settings the two channels differ by up to {worst_db:.1f} dB"
    if worst_db > ALIKE_DB:
        text += f", most around {where_hz:.0f} Hz: give each its own card."
    else:
        text += ": one card does for both."
    if insertion_db is not None and abs(insertion_db) > ALIKE_DB:
        way = "louder" if insertion_db > 0 else "softer"
        text += f" All flat, the right one is {abs(insertion_db):.1f} dB {way}."
    return text


def drift(
    unit: GraphicUnit, asked_db: FloatArray, change_db: FloatArray, freq_hz: FloatArray
) -> tuple[str, float]:
    """Say whether a unit still does what was learned, and by how many dB it is off at worst."""
    off_db = np.nan_to_num(change_db - unit_gain_db(unit, asked_db, freq_hz))
    worst_db = float(np.abs(off_db).max())
    if worst_db < DRIFT_DB:
        return f"Still as it was learned: within {worst_db:.1f} dB.", worst_db
    stood, _ = _stood(unit, asked_db, change_db, freq_hz)
    off = np.abs(stood - asked_db) > DRIFT_DB
    where = f"around {freq_hz[int(np.abs(off_db).argmax())]:.0f} Hz"
    named = f" It shows at {_names(unit, off)}." if off.any() else ""
    return (
        f"Not as it was learned: up to {worst_db:.1f} dB off, most {where}.{named} Check that the "
        "faders are set as told; if they are, learn the unit again.",
        worst_db,
    )
