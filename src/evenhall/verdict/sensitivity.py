"""The sensitivity of a microphone by what it hears: `by_calibrator()`, `by_meter()`."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal as sps

from evenhall.acoustics.level import FULL_SCALE, db_from_power, rms_dbfs
from evenhall.acoustics.loudness import LoudnessState, mean_power, step_loudness
from evenhall.errors import InputError
from evenhall.verdict.loudness import How, Sensitivity

__all__ = ["CALIBRATOR_DB", "CALIBRATOR_S", "METER_S", "by_calibrator", "by_meter"]

CALIBRATOR_DB = (94.0, 114.0)
# How long each listens, and what is left out first: a knock while the calibrator is put on.
CALIBRATOR_S, METER_S, SETTLE_S = 5.0, 10.0, 0.5
TONE_HZ, TONE_OFF = 1000.0, 0.02  # of the worst class in IEC 60942, from memory
# What else is heard, re the tone, and by how much the level of tenths of a second may move.
REST_DB, STEADY_DB = -20.0, 0.5
# Noise that plays for a meter: seconds of it differ by no more.
NOISE_STEADY_DB = 3.0
QUIETEST_DBFS = -80.0
LEAST_DB, MOST_DB = 40.0, 200.0  # of a sensitivity, as job.toml has it


def by_calibrator(
    heard: NDArray[np.floating[Any]], *, rate_hz: float, level_db: float
) -> Sensitivity:
    """Take the sensitivity from a calibrator's tone at 1 kHz.

    Parameters
    ----------
    heard : ndarray, shape (n_frames,)
        Full scale = 1.0.
    level_db : float
        Of the calibrator, dB.

    Raises
    ------
    InputError
        What is heard is no steady tone at 1 kHz; one line, and what to do.
    """
    heard = _settled(heard, rate_hz, CALIBRATOR_S)
    freq_hz, power = sps.periodogram(heard, rate_hz, window="hann", scaling="spectrum")
    in_band = (freq_hz > 20.0) & (freq_hz < 20_000.0)
    freq_hz, power = freq_hz[in_band], power[in_band]
    highest_hz = float(freq_hz[power.argmax()])
    if abs(highest_hz / TONE_HZ - 1.0) > TONE_OFF:
        raise InputError(
            f"No tone at 1 kHz is heard: the loudest is at {highest_hz:.0f} Hz. Push the "
            "microphone all the way into the calibrator, switch it on, and try again."
        )
    tone = np.abs(freq_hz - highest_hz) <= 5.0
    rest_db = float(db_from_power(power[~tone].sum() / power[tone].sum()))
    tenth = round(0.1 * rate_hz)
    pieces = heard[: heard.size // tenth * tenth].reshape(-1, tenth)
    levels_db = rms_dbfs(pieces)
    spread_db = float(np.ptp(levels_db))
    if rest_db > REST_DB or spread_db > STEADY_DB:
        raise InputError(
            f"The tone is not steady and alone: its level moves by {spread_db:.1f} dB, and the "
            f"rest lies {-rest_db:.0f} dB below it. Hold calibrator and microphone still, keep "
            "the room quiet, and try again."
        )
    return _sensitivity(level_db - float(np.median(levels_db)), "calibrator")


def by_meter(
    heard: NDArray[np.floating[Any]],
    *,
    rate_hz: float,
    reads_db: float,
    taps: NDArray[np.float64] | None = None,
) -> Sensitivity:
    """Take the sensitivity from a sound level meter that reads `reads_db` beside the microphone.

    Parameters
    ----------
    heard : ndarray, shape (n_frames,)
        Steady noise, full scale = 1.0.
    reads_db : float
        dB(A).
    taps : ndarray, optional
        What corrects the microphone.

    Raises
    ------
    InputError
        What is heard is not steady; one line, and what to do.
    """
    heard = _settled(heard, rate_hz, METER_S)
    state, seconds = step_loudness(LoudnessState.start(rate_hz, taps), heard, rate_hz=rate_hz)
    levels_db = db_from_power([one.a_power for one in seconds[1:]])  # filters have settled
    spread_db = float(np.ptp(levels_db))
    if spread_db > NOISE_STEADY_DB:
        raise InputError(
            f"The sound is not steady: its level moves by {spread_db:.1f} dB. Play noise, not "
            "music, let nobody talk, and try again."
        )
    return _sensitivity(
        reads_db - float(db_from_power(mean_power(state, len(seconds) - 1))), "meter"
    )


def _settled(
    heard: NDArray[np.floating[Any]], rate_hz: float, length_s: float
) -> NDArray[np.float64]:
    """Leave the beginning out, and refuse what no level can be read from."""
    if len(heard) < 0.9 * length_s * rate_hz:
        raise InputError(
            f"Only {len(heard) / rate_hz:.1f} s are heard. Give at least {length_s:g} s of it."
        )
    settled = heard[round(SETTLE_S * rate_hz) :].astype(np.float64)
    if np.abs(settled).max() >= FULL_SCALE:
        raise InputError("The input clips. Turn the microphone's gain down, and try again.")
    if rms_dbfs(settled) < QUIETEST_DBFS:
        raise InputError(
            "Almost nothing is heard. Check the microphone, its cable and the input that was "
            "chosen, and try again."
        )
    return settled


def _sensitivity(db_spl: float, how: How) -> Sensitivity:
    if not LEAST_DB <= db_spl <= MOST_DB:
        raise InputError(
            f"A full-scale sine would be {db_spl:.0f} dB: no microphone is like that. Check the "
            "level that was given, and that this input is the microphone's."
        )
    return Sensitivity(db_spl, how)
