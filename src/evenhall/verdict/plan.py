"""How long and how loud a stimulus must be, from the noise of the room. Start at `plan_stimulus()`.

The longer it plays, the further noise falls behind: each doubling gains 3 dB in every band, and
strains no ear. Only where length does not do, more level is asked for, a little at a time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bandlevel import NOISE_DOUBT, BandLevels
from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, NOMINAL_HZ, UPPER_HZ
from evenhall.acoustics.level import power_from_db
from evenhall.errors import InputError
from evenhall.words import hz_listed, hz_text

__all__ = ["WANTED_DB", "Plan", "judged_bands", "plan_stimulus", "reached"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Half a decibel is the finest step of common faders.
WANTED_DB = 0.5
SHORTEST_S, LONGEST_S = 6.0, 60.0
# A band is followed for about so much of the reverberation time before noise takes over.
LOOK_SHARE = 0.6
USUAL_RT60_S = 1.0
LOUDER_STEP_DB = 6.0  # never more at once: ears and drivers first
# Below it a room's noise and its modes want minutes; it is measured as well as it goes.
LOWEST_JUDGED_HZ, HIGHEST_JUDGED_HZ = 60.0, 16_500.0
DB_PER_NEPER = 10.0 / np.log(10.0)
# Length is asked for in halves of a second.
LENGTH_STEP_S = 0.5


@dataclass(frozen=True)
class Plan:
    """What to play.

    Parameters
    ----------
    level_dbfs : float
        RMS level, dB re a full-scale sine; never raised by the plan itself.
    louder_db : float
        How much more level would be needed for all bands; 0 where none is.
    """

    length_s: float
    level_dbfs: float
    louder_db: float
    text: str


def _between(low_hz: float, high_hz: float) -> BoolArray:
    return np.asarray((low_hz < EXACT_HZ) & (high_hz > EXACT_HZ))


def judged_bands(low_hz: float, high_hz: float) -> BoolArray:
    """Bands that the length is made for: those of the stimulus from 63 Hz to 16 kHz."""
    inside = _between(max(low_hz, LOWEST_JUDGED_HZ), min(high_hz, HIGHEST_JUDGED_HZ))
    # A sub has no band up there: then all it has count.
    return inside if inside.any() else _between(low_hz, high_hz)


def _needed_s(noise_ratio: FloatArray, wanted_db: float, rt60_s: float) -> FloatArray:
    """Length in each band.

    The noise inside a look of length L is N/S * L/T of the response's power, N/S the ratio of
    noise to stimulus as heard, T the stimulus' length. With q that ratio, n = B L independent
    values and d the doubt about the noise that is taken off, the level has the variance
    (2 q + q^2) / n + (d q)^2 (see `acoustics.bandlevel`). Solved for q, and so for T. In the bass
    n sets the length; in the treble, where values abound, the doubt does.
    """
    look_s = LOOK_SHARE * rt60_s
    one = 1.0 / np.maximum((UPPER_HZ - LOWER_HZ) * look_s, 1.0)
    square = one + NOISE_DOUBT**2
    q = (np.sqrt(one**2 + square * (wanted_db / DB_PER_NEPER) ** 2) - one) / square
    return np.asarray(noise_ratio * look_s / q)


def plan_stimulus(
    noise_dbfs: FloatArray,
    *,
    level_dbfs: float,
    highest_level_dbfs: float,
    low_hz: float,
    high_hz: float,
    heard_dbfs: FloatArray | None = None,
    wanted_db: float = WANTED_DB,
    rt60_s: float = USUAL_RT60_S,
) -> Plan:
    """Find the length that the wanted uncertainty needs.

    Parameters
    ----------
    noise_dbfs : ndarray, shape (31,)
        Noise at the microphone in each band, dB re a full-scale sine.
    level_dbfs : float
        RMS level at which pink noise will be played.
    highest_level_dbfs : float
        What the ceiling leaves for it.
    low_hz, high_hz : float
        Band of the stimulus.
    heard_dbfs : ndarray, shape (31,), optional
        The stimulus at the microphone; a band at -inf is never known. Without it the microphone
        is taken to sit level with the reference, as the gain helper sets it.
    wanted_db : float
        One standard deviation of a band's level.

    Raises
    ------
    InputError
        The band of the stimulus holds the middle of no third octave.
    """
    judged = judged_bands(low_hz, high_hz)
    if not judged.any():
        raise InputError(
            f"From low_hz = {low_hz:g} to high_hz = {high_hz:g} there is no third-octave band. "
            "Give a band of a third of an octave or more, from 20 Hz to 20 kHz."
        )
    if heard_dbfs is None:
        # Pink noise has every third octave alike, and its outermost bands are whole.
        count = 10.0 * np.log10(high_hz / low_hz) + 1.0
        heard_dbfs = np.full(EXACT_HZ.size, level_dbfs - 10.0 * np.log10(count))
    noisy = judged & (noise_dbfs > -np.inf)
    ratio = np.zeros(EXACT_HZ.size)
    ratio[noisy] = power_from_db(noise_dbfs[noisy] - heard_dbfs[noisy])
    needed_s = _needed_s(ratio, wanted_db, rt60_s)
    longest_s = float(needed_s.max())
    length_s = float(np.clip(longest_s, SHORTEST_S, LONGEST_S))
    length_s = float(np.ceil(length_s / LENGTH_STEP_S) * LENGTH_STEP_S)
    play = f"Play {length_s:g} s at {level_dbfs:g} dBFS"
    if longest_s <= LONGEST_S:
        bands = NOMINAL_HZ[judged]
        text = (
            f"{play}: every band from {hz_listed([bands[0], bands[-1]], 'to')} is then known "
            f"within {wanted_db:g} dB."
        )
        return Plan(length_s, level_dbfs, 0.0, text)
    short = NOMINAL_HZ[needed_s > LONGEST_S]
    louder_db = float(10.0 * np.log10(longest_s / LONGEST_S))
    where = hz_text(short[0])
    where = where if short.size == 1 else f"{short.size} bands from {where} up"
    # In whole decibels, and down where the ceiling is near: rounded up it would be passed.
    room_db = np.floor(highest_level_dbfs - level_dbfs)
    step_db = min(np.ceil(louder_db), LOUDER_STEP_DB, room_db)
    if step_db >= 1.0:
        cure = f"wait for quiet, or play {step_db:.0f} dB louder with ears protected"
    else:
        cure = "wait for quiet, or raise the ceiling on purpose"
    text = f"{play}: the room is too noisy at {where} for {wanted_db:g} dB; {cure}."
    return Plan(length_s, level_dbfs, louder_db, text)


def reached(
    bands: BandLevels, *, low_hz: float, high_hz: float, wanted_db: float = WANTED_DB
) -> bool:
    """Whether a running take knows every judged band well enough to end.

    Parameters
    ----------
    bands : BandLevels
        Of what was recorded so far.
    low_hz, high_hz : float
        Band of the stimulus.
    """
    judged = judged_bands(low_hz, high_hz) & (bands.covered_ratio > 0.9)
    return bool(
        judged.any()
        and bands.usable[judged].all()
        and (bands.uncertainty_db[judged] <= wanted_db).all()
    )
