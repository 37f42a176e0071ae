"""Loudness of a stream over hours: levels in A and C, averages, peaks. Start at `step_loudness()`.

The meter is a value, like `meter.py`'s. It keeps the power of each whole second of the last hour
and one sum since the start, so that its memory is the same after a minute and after a night.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal as sps

from evenhall.acoustics.level import FULL_SCALE_RMS
from evenhall.acoustics.meter import FULL_SCALE, MeterState, step_meter
from evenhall.acoustics.weighting import Weighting, weighting_filter

__all__ = ["KEPT_S", "LoudnessState", "Second", "mean_power", "resumed", "step_loudness"]

FloatArray = NDArray[np.float64]

KEPT_S = 3600
WEIGHTINGS: tuple[Weighting, ...] = ("A", "C")


@dataclass(frozen=True)
class Second:
    """A second that is over; powers re a full-scale sine.

    Parameters
    ----------
    a_power, c_power : float
        Mean over the second.
    a_fast, c_fast : float
        With time weighting F, at its end.
    c_peak : float
        Square of the highest sample, of a full-scale sine 2.
    clipped : bool
        Whether the input reached full scale.
    """

    a_power: float
    c_power: float
    a_fast: float
    c_fast: float
    c_peak: float
    clipped: bool


@dataclass(frozen=True)
class LoudnessState:
    """What the meter carries from block to block; entry 0 is A, entry 1 is C.

    Parameters
    ----------
    filters : tuple of ndarray
        States of the weightings.
    meter : MeterState
        Of the weighted signals.
    power_sum : ndarray, shape (2,)
        Of the second that is under way.
    frames : int
        How many of it were heard.
    peak : float
        Its highest square, of C.
    clipped : bool
        Whether the input reached full scale in it.
    seconds : ndarray, shape (at most 3600,)
        A-weighted power of the last hour's seconds; nan where nothing was heard.
    total : float
        Sum of the A-weighted power of all seconds since the start.
    total_s : int
        How many were heard.
    highest_peak : float
        Highest square of C since the start.
    taps, tail : ndarray, shape (n_taps,) and (n_taps - 1,)
        What corrects the microphone, and what of its answer is still to come; empty without.
    """

    filters: tuple[FloatArray, ...]
    meter: MeterState
    power_sum: FloatArray
    frames: int = 0
    peak: float = 0.0
    clipped: bool = False
    seconds: FloatArray = field(default_factory=lambda: np.zeros(0))
    total: float = 0.0
    total_s: int = 0
    highest_peak: float = 0.0
    taps: FloatArray = field(default_factory=lambda: np.zeros(0))
    tail: FloatArray = field(default_factory=lambda: np.zeros(0))

    @classmethod
    def start(cls, rate_hz: float, taps: FloatArray | None = None) -> LoudnessState:
        """State of a meter that has heard nothing; `taps` correct the microphone."""
        taps = np.zeros(0) if taps is None else taps
        return cls(
            taps=taps,
            tail=np.zeros(max(taps.size - 1, 0)),
            filters=tuple(np.zeros((len(weighting_filter(one, rate_hz)), 2)) for one in WEIGHTINGS),
            meter=MeterState.start(len(WEIGHTINGS)),
            power_sum=np.zeros(len(WEIGHTINGS)),
        )


def step_loudness(
    state: LoudnessState, block: NDArray[np.floating[Any]], *, rate_hz: float
) -> tuple[LoudnessState, tuple[Second, ...]]:
    """Hear a block.

    Parameters
    ----------
    block : ndarray, shape (n_frames,)
        Full scale = 1.0.
    rate_hz : float
        From 44.1 kHz on.

    Returns
    -------
    LoudnessState
    tuple of Second
        Those that ended within the block.

    References
    ----------
    IEC 61672-1:2013: weightings A and C, time weighting F, time-averaged level, C-weighted peak.

    Examples
    --------
    >>> tone = np.sin(2.0 * np.pi * 1000.0 * np.arange(96_000) / 48_000.0)
    >>> state, seconds = step_loudness(LoudnessState.start(48_000.0), tone, rate_hz=48_000.0)
    >>> len(seconds), round(float(mean_power(state, 60)), 2)
    (2, 1.0)
    """
    done = []
    for piece in _pieces(block, round(rate_hz) - state.frames, round(rate_hz)):
        state = _heard(state, piece, rate_hz)
        if state.frames == round(rate_hz):
            second = _second(state)
            state = _kept(state, second)
            done.append(second)
    return state, tuple(done)


def _pieces(
    block: NDArray[np.floating[Any]], first: int, length: int
) -> Iterator[NDArray[np.floating[Any]]]:
    """Cut a block where seconds end."""
    ends = [0, *range(first, len(block), length), len(block)]
    for start, end in pairwise(ends):
        if end > start:
            yield block[start:end]


def _heard(state: LoudnessState, block: NDArray[np.floating[Any]], rate_hz: float) -> LoudnessState:
    sound, tail = _corrected(block.astype(np.float64), state)
    weighted = np.empty((len(block), len(WEIGHTINGS)))
    filters = []
    for column, (weighting, before) in enumerate(zip(WEIGHTINGS, state.filters, strict=True)):
        weighted[:, column], after = sps.sosfilt(
            weighting_filter(weighting, rate_hz), sound, zi=before
        )
        filters.append(after)
    meter, _ = step_meter(state.meter, weighted, rate_hz=rate_hz)
    squared = weighted**2
    return replace(
        state,
        tail=tail,
        filters=tuple(filters),
        meter=meter,
        power_sum=state.power_sum + squared.sum(axis=0) / FULL_SCALE_RMS**2,
        frames=state.frames + len(block),
        peak=max(state.peak, float(squared[:, 1].max()) / FULL_SCALE_RMS**2),
        clipped=state.clipped or bool(np.abs(block).max() >= FULL_SCALE),
    )


def _corrected(sound: FloatArray, state: LoudnessState) -> tuple[FloatArray, FloatArray]:
    """Take the microphone's deviation off, what is still to come of the last block added."""
    if not state.taps.size:
        return sound, state.tail
    answer = sps.fftconvolve(sound, state.taps)
    answer[: state.tail.size] += state.tail
    return answer[: sound.size], answer[sound.size :]


def _second(state: LoudnessState) -> Second:
    a_power, c_power = state.power_sum / state.frames
    a_fast, c_fast = state.meter.fast / FULL_SCALE_RMS**2
    return Second(
        a_power=float(a_power),
        c_power=float(c_power),
        a_fast=float(a_fast),
        c_fast=float(c_fast),
        c_peak=state.peak,
        clipped=state.clipped,
    )


def _kept(state: LoudnessState, second: Second) -> LoudnessState:
    return replace(
        state,
        power_sum=np.zeros(len(WEIGHTINGS)),
        frames=0,
        peak=0.0,
        clipped=False,
        seconds=np.append(state.seconds, second.a_power)[-KEPT_S:],
        total=state.total + second.a_power,
        total_s=state.total_s + 1,
        highest_peak=max(state.highest_peak, second.c_peak),
    )


def mean_power(state: LoudnessState, over_s: int | None) -> float:
    """Mean A-weighted power of what was heard of the last seconds; of all since the start if None.

    Returns
    -------
    float
        Re a full-scale sine; nan where nothing was heard.
    """
    if over_s is None:
        return state.total / state.total_s if state.total_s else float("nan")
    heard = state.seconds[-over_s:]
    heard = heard[np.isfinite(heard)]
    return float(heard.mean()) if heard.size else float("nan")


def resumed(
    state: LoudnessState, a_power: FloatArray, *, highest_peak: float = 0.0
) -> LoudnessState:
    """Take up what was heard before this meter was started.

    Parameters
    ----------
    a_power : ndarray, shape (n_seconds,)
        A-weighted power of each second from then to now; nan where nothing was heard.
    highest_peak : float
        Highest square of C among them.
    """
    heard = a_power[np.isfinite(a_power)]
    return replace(
        state,
        seconds=a_power[-KEPT_S:],
        total=float(heard.sum()),
        total_s=heard.size,
        highest_peak=highest_peak,
    )
