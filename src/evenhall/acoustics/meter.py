"""Level meter for a stream: RMS with time weighting, peak, clipping. Start at `step_meter()`.

A meter is a value: each step takes the state and a block and gives the next state and a reading.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.level import FULL_SCALE_RMS, db_from_amplitude, db_from_power

__all__ = ["FAST_S", "SLOW_S", "MeterState", "Reading", "step_meter"]

FloatArray = NDArray[np.float64]

# Time constants of the exponential weightings F and S, IEC 61672-1.
FAST_S, SLOW_S = 0.125, 1.0
# The mark of the highest peak stays so long, then falls.
HOLD_S, FALL_DB_PER_S = 1.5, 20.0
FULL_SCALE = 1.0 - 2.0**-15  # 16 bits reach no higher
# Samples are squared and summed in pieces this short: a piece is then one sample to the
# exponential weighting, and even a lone click reads within 0.01 dB wherever it lies in its piece.
PIECE_S = 0.0005


@dataclass(frozen=True)
class MeterState:
    """What the meter carries from block to block; an array entry a channel.

    Parameters
    ----------
    fast, slow : ndarray, shape (n_channels,)
        Time-weighted power.
    held : ndarray, shape (n_channels,)
        Peak that the mark stands at.
    held_s : ndarray, shape (n_channels,)
        How long it has stood there.
    """

    fast: FloatArray
    slow: FloatArray
    held: FloatArray
    held_s: FloatArray

    @classmethod
    def start(cls, n_channels: int) -> MeterState:
        """State of a meter that has heard nothing."""
        return cls(*np.zeros((4, n_channels)))


@dataclass(frozen=True)
class Reading:
    """Levels of one channel; -inf where there is silence.

    Parameters
    ----------
    fast_dbfs, slow_dbfs : float
        RMS level with time weighting F and S, dB re a full-scale sine.
    peak_dbfs : float
        Highest sample of the block, dB re full scale.
    held_dbfs : float
        Highest sample of the last while.
    clipped : bool
        Whether the block reached full scale.
    """

    fast_dbfs: float
    slow_dbfs: float
    peak_dbfs: float
    held_dbfs: float
    clipped: bool


def _weighted(
    before: FloatArray, power: FloatArray, piece_s: float, last_s: float, time_constant_s: float
) -> FloatArray:
    """Exponential mean of pieces of power, the last of which may be shorter."""
    n = len(power)
    decay = np.exp(-piece_s / time_constant_s)
    decay_last = np.exp(-last_s / time_constant_s)
    after_each = np.append(decay ** np.arange(n - 2, -1, -1) * decay_last, 1.0)
    gain = np.full(n, 1.0 - decay)
    gain[-1] = 1.0 - decay_last
    total_decay = decay ** (n - 1) * decay_last
    return np.asarray(before * total_decay + (gain * after_each) @ power)


def step_meter(
    state: MeterState, block: NDArray[np.floating[Any]], *, rate_hz: float
) -> tuple[MeterState, tuple[Reading, ...]]:
    """Read a block.

    Parameters
    ----------
    block : ndarray, shape (n_frames, n_channels)
        Full scale = 1.0. An empty block reads as silence and leaves the state.

    Returns
    -------
    MeterState
    tuple of Reading
        One a channel.

    References
    ----------
    IEC 61672-1:2013, 3.8: level of the exponentially time-weighted square.

    Examples
    --------
    >>> tone = np.sin(2.0 * np.pi * 1000.0 * np.arange(48_000) / 48_000.0)[:, None]
    >>> _, (reading,) = step_meter(MeterState.start(1), tone, rate_hz=48_000.0)
    >>> round(reading.fast_dbfs, 2), round(reading.slow_dbfs, 2), reading.clipped
    (-0.0, -1.99, True)
    """
    n = len(block)
    if n:
        squared = np.square(block, dtype=np.float64)
        piece = max(1, round(PIECE_S * rate_hz))
        starts = np.arange(0, n, piece)
        lengths = np.diff(starts, append=n)
        power = np.add.reduceat(squared, starts) / lengths[:, None]
        piece_s, last_s = piece / rate_hz, lengths[-1] / rate_hz
        peak = np.sqrt(squared.max(axis=0))
        fallen = state.held * 10.0 ** (-FALL_DB_PER_S * (n / rate_hz) / 20.0)
        held = np.where(state.held_s > HOLD_S, fallen, state.held)
        higher = peak >= held
        state = replace(
            state,
            fast=_weighted(state.fast, power, piece_s, last_s, FAST_S),
            slow=_weighted(state.slow, power, piece_s, last_s, SLOW_S),
            held=np.where(higher, peak, held),
            held_s=np.where(higher, 0.0, state.held_s + n / rate_hz),
        )
    else:
        peak = np.zeros_like(state.held)
    fast_dbfs, slow_dbfs = db_from_power(np.stack([state.fast, state.slow]) / FULL_SCALE_RMS**2)
    peak_dbfs, held_dbfs = db_from_amplitude(np.stack([peak, state.held]))
    return state, tuple(
        Reading(
            fast_dbfs=float(fast_dbfs[k]),
            slow_dbfs=float(slow_dbfs[k]),
            peak_dbfs=float(peak_dbfs[k]),
            held_dbfs=float(held_dbfs[k]),
            clipped=bool(peak[k] >= FULL_SCALE),
        )
        for k in range(state.held.size)
    )
