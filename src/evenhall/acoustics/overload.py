"""How much a box in the chain hisses, and how much it takes before it distorts.

rising_tone()   what is played: one tone that comes up evenly in dB
overload()      the level at which its harmonics come up
hiss_dbfs()     what is left of a recording where nothing was played
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.harmonics import ORDERS
from evenhall.acoustics.level import (
    FULL_SCALE,
    FULL_SCALE_RMS,
    amplitude_from_db,
    db_from_amplitude,
)

__all__ = ["Overload", "hiss_dbfs", "overload", "rising_tone"]

FloatArray = NDArray[np.float64]
Samples = NDArray[np.float32] | NDArray[np.float64]

TONE_HZ = 1000.0
LOWEST_DBFS = -40.0
FADE_S = 0.02
WINDOW_S, HOP_S = 0.05, 0.01
# Total harmonic distortion at which an amplifier's rated output is told (IEC 60268-3, from memory).
DISTORTED = 0.01
FEWEST_WINDOWS = 30  # of the tone: less of it was not played as it should be
HELD = 8  # windows in a row: a click is in five of them
# Nothing is played where what was sent lies so far below its loudest moment.
SILENT_DB = -60.0
RINGS_S = 0.1  # and what rings on after it is no noise
FEWEST_FRAMES = 4


@dataclass(frozen=True)
class Overload:
    """Where a box begins to distort.

    Parameters
    ----------
    at_dbfs : float
        Level sent at which 1 % of harmonics is reached, dB re a full-scale sine; nan where it
        is not reached.
    clean_to_dbfs : float
        Highest level sent that was looked at, and clean; nan where nothing came through.
    """

    at_dbfs: float
    clean_to_dbfs: float


def rising_tone(duration_s: float, *, rate_hz: float, highest_dbfs: float) -> FloatArray:
    """Make a tone of 1 kHz that rises evenly in dB, from -40 dBFS; shape (n_samples,)."""
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    level_dbfs = LOWEST_DBFS + (highest_dbfs - LOWEST_DBFS) * time_s / duration_s
    edge = np.clip(np.minimum(time_s, duration_s - time_s) / FADE_S, 0.0, 1.0)
    fade = np.sin(0.5 * np.pi * edge) ** 2
    return np.asarray(fade * amplitude_from_db(level_dbfs) * np.sin(2 * np.pi * TONE_HZ * time_s))


def _amplitudes(windows: FloatArray, rate_hz: float, freq_hz: float) -> FloatArray:
    """Amplitude of a sine in each window, shape (n_windows,)."""
    n = windows.shape[1]
    shape = np.hanning(n)
    turning = np.exp(-2j * np.pi * freq_hz * np.arange(n) / rate_hz)
    return np.asarray(2.0 * np.abs(windows @ (shape * turning)) / shape.sum())


def overload(behind: Samples, sent: Samples, *, rate_hz: float) -> Overload:
    """Find the level sent at which a box distorts a rising tone.

    Parameters
    ----------
    behind, sent : ndarray, shape (n_samples,)
        Recorded behind the box, and what was sent, on one time base to a few milliseconds.

    Notes
    -----
    Harmonics of second to fifth order, in windows of 50 ms. What clips the input itself is not
    looked at: it is the interface that distorts there.
    """
    n, hop = round(WINDOW_S * rate_hz), round(HOP_S * rate_hz)
    if min(behind.size, sent.size) < n:
        return Overload(np.nan, np.nan)
    view = np.lib.stride_tricks.sliding_window_view
    heard = view(np.asarray(behind, dtype=np.float64), n)[::hop]
    played = view(np.asarray(sent, dtype=np.float64), n)[::hop]
    sent_dbfs = db_from_amplitude(np.maximum(_amplitudes(played, rate_hz, TONE_HZ), 1e-9))
    tone = _amplitudes(heard, rate_hz, TONE_HZ)
    harmonics = np.sqrt(sum(_amplitudes(heard, rate_hz, order * TONE_HZ) ** 2 for order in ORDERS))
    clips = np.abs(heard).max(axis=1) >= FULL_SCALE
    # Something else was played where most of what was sent is not the tone.
    pure = np.mean(played**2, axis=1) < 2.0 * 0.5 * amplitude_from_db(sent_dbfs) ** 2
    wanted = (sent_dbfs > LOWEST_DBFS + 5.0) & (tone > amplitude_from_db(-80.0)) & pure & ~clips
    # Only while it rises: the fade at the end says nothing about how loud it was.
    wanted[int(np.argmax(sent_dbfs)) + 1 :] = False
    if wanted.sum() < FEWEST_WINDOWS:
        return Overload(np.nan, np.nan)
    bad = wanted & (harmonics > DISTORTED * np.maximum(tone, 1e-12))
    runs = np.convolve(bad, np.ones(HELD), "valid") == HELD
    if runs.any():
        first = int(np.argmax(runs))
        before = sent_dbfs[:first][wanted[:first]]
        clean_dbfs = float(before[-1]) if before.size else np.nan
        return Overload(float(sent_dbfs[first]), clean_dbfs)
    return Overload(np.nan, float(sent_dbfs[wanted].max()))


def hiss_dbfs(behind: Samples, sent: Samples, *, rate_hz: float) -> float:
    """Level recorded where nothing was sent, dB re a full-scale sine; nan without such a place."""
    n = round(WINDOW_S * rate_hz)
    count = min(behind.size, sent.size) // n
    if not count:
        return float("nan")

    def frames(samples: Samples) -> FloatArray:
        return np.asarray(samples[: count * n], dtype=np.float64).reshape(count, n)

    loud = np.sqrt(np.mean(frames(sent) ** 2, axis=1))
    quiet = loud <= loud.max() * amplitude_from_db(SILENT_DB)
    rings = round(RINGS_S / WINDOW_S)
    after = np.convolve(~quiet, np.ones(rings + 1), "full")[:count] > 0
    quiet &= ~after
    if quiet.sum() < FEWEST_FRAMES:
        return float("nan")
    # Without the offset that a converter adds, which no ear hears.
    heard = frames(behind)[quiet]
    power = float(np.mean((heard - heard.mean()) ** 2))
    return float(db_from_amplitude(max(np.sqrt(power), 1e-9) / FULL_SCALE_RMS))
