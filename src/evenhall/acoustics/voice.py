"""Speech and noise by octave, and what of speech's rise and fall the ear can follow in them.

    SPEECH_DB           spectrum of speech, IEC 60268-16
    speech_db()         octave levels of speech of a given A-weighted level
    room_noise_db()     octave levels of a quiet hall's noise
    hearing_factor()    what noise, masking and the threshold of hearing leave

After IEC 60268-16, edition 4 (2011), the male set. Edition 5 (2020) keeps weights and procedure and
lowers the spectrum at 125 and 250 Hz. Its text was not at hand: figures come from public
transcriptions or from memory (where said).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.bands import EXACT_HZ, nearest_band
from evenhall.acoustics.level import a_weighting_db, db_from_power, power_from_db

__all__ = [
    "OCTAVES_HZ",
    "SPEECH_DB",
    "a_weighted_db",
    "hearing_factor",
    "octave_power",
    "room_noise_db",
    "speech_db",
]

FloatArray = NDArray[np.float64]

OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
# Third octaves at the middle of each octave.
_MIDDLES = np.array([nearest_band(hz) for hz in OCTAVES_HZ])

# Levels in these octaves, dB re the A-weighted whole.
SPEECH_DB: FloatArray = np.array([2.9, 2.9, -0.8, -6.8, -12.8, -18.8, -24.8])
RECEPTION_DB_SPL: FloatArray = np.array([46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0])
# From these levels of the octave below on (dB SPL), its masking is slope * level + offset.
_MASKING = ((-np.inf, 0.5, -65.0), (63.0, 1.8, -146.9), (67.0, 0.5, -59.8), (100.0, 0.0, -10.0))
# NC-25, from memory: the noise of a quiet hall with its ventilation on, 35 dB(A).
_NOISE_SHAPE_DB: FloatArray = np.array([44.0, 37.0, 31.0, 27.0, 24.0, 22.0, 21.0])


def a_weighted_db(octave_db: ArrayLike) -> FloatArray:
    """A-weighted sum of the seven octaves, the last axis."""
    weighted = np.asarray(octave_db) + a_weighting_db(EXACT_HZ[_MIDDLES])
    return db_from_power(power_from_db(weighted).sum(axis=-1))


def speech_db(level_dba: ArrayLike, *, shape_db: ArrayLike = 0.0) -> FloatArray:
    """Octave levels of speech of a given A-weighted level.

    Parameters
    ----------
    level_dba : array_like, shape (...)
        At the listener, dB(A) re 20 uPa.
    shape_db : array_like, shape (..., 7)
        What loudspeaker and room make of its tone.

    Returns
    -------
    ndarray, shape (..., 7)
        dB SPL.

    Examples
    --------
    >>> speech_db(60.0).round(0).tolist()
    [63.0, 63.0, 59.0, 53.0, 47.0, 41.0, 35.0]
    """
    octave = SPEECH_DB + np.asarray(shape_db, dtype=np.float64)
    level = np.asarray(level_dba, dtype=np.float64)
    return np.asarray(octave + (level - a_weighted_db(octave))[..., None])


def room_noise_db(level_dba: float = 35.0) -> FloatArray:
    """Octave levels of the noise of a quiet hall, shape (7,), dB SPL; its shape is NC-25's."""
    return np.asarray(_NOISE_SHAPE_DB + (level_dba - a_weighted_db(_NOISE_SHAPE_DB)))


def octave_power(third_octave_db: ArrayLike) -> FloatArray:
    """Mean power of the three third octaves in each of the seven octaves.

    Parameters
    ----------
    third_octave_db : array_like, shape (..., 31)
        nan where not known: then the mean is of the others.

    Returns
    -------
    ndarray, shape (..., 7)
        nan where all three are unknown.
    """
    power = power_from_db(third_octave_db)[..., _MIDDLES[:, None] + np.array([-1, 0, 1])]
    known = np.isfinite(power)
    count = known.sum(axis=-1)
    total = np.where(known, power, 0.0).sum(axis=-1)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def hearing_factor(speech_db_spl: ArrayLike, noise_db_spl: ArrayLike) -> FloatArray:
    """Share of the modulation that noise, the octave below and the threshold of hearing leave.

    Parameters
    ----------
    speech_db_spl, noise_db_spl : array_like, shape (..., 7)
        Octave levels at the listener; -inf for none.

    Returns
    -------
    ndarray, shape (..., 7)
        0 to 1.

    Examples
    --------
    Loud speech in a silent room still masks itself:

    >>> hearing_factor(speech_db(100.0), np.full(7, -np.inf)).round(2).tolist()
    [1.0, 0.91, 0.81, 0.73, 0.84, 0.91, 0.95]
    """
    speech, noise = power_from_db(speech_db_spl), power_from_db(noise_db_spl)
    below = (speech + noise)[..., :-1]
    level_db = db_from_power(below)
    masking_db = np.full(level_db.shape, -np.inf)
    for limit_db, slope, offset_db in _MASKING:
        with np.errstate(invalid="ignore"):
            line_db = np.where(slope == 0.0, offset_db, slope * level_db + offset_db)
        masking_db = np.where(level_db >= limit_db, line_db, masking_db)
    masked = np.zeros(np.broadcast_shapes(speech.shape, noise.shape))
    masked[..., 1:] = below * power_from_db(masking_db)
    return np.asarray(speech / (speech + noise + masked + power_from_db(RECEPTION_DB_SPL)))
