"""Noise that repeats itself, and the gain that each round of it tells without leakage.

    periodic_pink()   one round of it
    bands_of()        which lines of a round's spectrum are taken together
    quiet_power()     the noise that the room adds, line by line
    round_gain()      gain of one round against a reference, band by band, with its uncertainty

A stretch as long as one round holds whole periods of every line, wherever it begins: the ratio of
two such spectra is the gain, with no window and no leakage. Lines lie 1 / round apart, so the
lowest bands hold one line only and are the least sure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.level import amplitude_from_db, rms_dbfs
from evenhall.errors import InputError

__all__ = [
    "LineBands",
    "RoundGain",
    "bands_of",
    "line_power",
    "periodic_pink",
    "quiet_power",
    "round_gain",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Lines closer together than this are taken as one: finer than any fader, and few to work with.
BANDS_AN_OCTAVE = 12
# A band that the noise of the room buries tells nothing (dB, sound above noise).
LEAST_ABOVE_NOISE_DB = 0.0


@dataclass(frozen=True, eq=False)
class LineBands:
    """Lines of a round's spectrum, taken together.

    Parameters
    ----------
    line_hz : ndarray, shape (n_lines,)
        The lines that are played.
    first : ndarray of int, shape (n_bands,)
        Which of them each band begins with; it ends where the next begins.
    lines : slice
        Where these lines lie in the spectrum.
    """

    line_hz: FloatArray
    first: IntArray
    lines: slice

    def total(self, power: FloatArray) -> FloatArray:
        """Sum over the lines of each band, shape (n_bands,)."""
        return np.asarray(np.add.reduceat(power, self.first))


@dataclass(frozen=True, eq=False)
class RoundGain:
    """What a round tells.

    Parameters
    ----------
    freq_hz : ndarray, shape (n_bands,)
        Where the reference's power lies within each band.
    gain_db : ndarray, shape (n_bands,)
        Re the reference; nan where noise buries it.
    uncertainty_db : ndarray, shape (n_bands,)
        Standard deviation that the noise gives it; infinite where noise buries it.
    """

    freq_hz: FloatArray
    gain_db: FloatArray
    uncertainty_db: FloatArray


def periodic_pink(
    n_samples: int, *, rate_hz: float, seed: int, level_dbfs: float, low_hz: float, high_hz: float
) -> FloatArray:
    """One round of pink noise; set end to end, rounds make one unbroken sound.

    Parameters
    ----------
    n_samples : int
        Length of the round.
    level_dbfs : float
        RMS level, dB re a full-scale sine.
    low_hz, high_hz : float
        Band; outside it there is nothing.

    Returns
    -------
    ndarray, shape (n_samples,)
        Full scale = 1.0.

    Raises
    ------
    InputError
        The band holds no line of the round.
    """
    bands = bands_of(n_samples, rate_hz=rate_hz, low_hz=low_hz, high_hz=high_hz)
    spectrum = np.zeros(n_samples // 2 + 1, dtype=np.complex128)
    phase = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, bands.line_hz.size)
    spectrum[bands.lines] = bands.line_hz**-0.5 * np.exp(1j * phase)
    noise: FloatArray = fft.irfft(spectrum, n_samples)
    return np.asarray(noise * amplitude_from_db(level_dbfs - float(rms_dbfs(noise))))


def bands_of(n_samples: int, *, rate_hz: float, low_hz: float, high_hz: float) -> LineBands:
    """Say which lines of a round are taken together: a twelfth of an octave, one line at least.

    Raises
    ------
    InputError
        The band holds no line of the round.

    Examples
    --------
    >>> bands_of(9600, rate_hz=48000.0, low_hz=20.0, high_hz=40.0).line_hz.tolist()
    [20.0, 25.0, 30.0, 35.0, 40.0]
    """
    spacing_hz = rate_hz / n_samples
    start = max(1, int(np.ceil(low_hz / spacing_hz - 1e-9)))
    stop = min(n_samples // 2, int(np.floor(high_hz / spacing_hz + 1e-9)) + 1)
    if start >= stop:
        raise InputError(
            f"low_hz = {low_hz:g} and high_hz = {high_hz:g} leave nothing to play. "
            f"Give at least {spacing_hz:g} Hz between them."
        )
    line_hz: FloatArray = spacing_hz * np.arange(start, stop, dtype=np.float64)
    cell = np.floor(BANDS_AN_OCTAVE * np.log2(line_hz / line_hz[0]) + 1e-9)
    first = np.flatnonzero(np.diff(cell, prepend=-1.0) > 0)
    return LineBands(line_hz, first, slice(start, stop))


def line_power(rounds: NDArray[np.floating[Any]], bands: LineBands) -> FloatArray:
    """Power of the lines, shape (..., n_lines), of rounds of shape (..., n_samples)."""
    spectrum = fft.rfft(np.asarray(rounds, dtype=np.float64), axis=-1)[..., bands.lines]
    return np.asarray(np.square(np.abs(spectrum)))


def quiet_power(rounds: NDArray[np.floating[Any]], bands: LineBands) -> FloatArray:
    """Mean power of the lines while nothing plays, shape (n_lines,).

    Parameters
    ----------
    rounds : ndarray, shape (n_rounds, n_samples)
    """
    return np.asarray(line_power(rounds, bands).mean(axis=0))


def round_gain(
    heard: FloatArray, reference: FloatArray, noise: FloatArray, bands: LineBands
) -> RoundGain:
    """Gain of what was heard re the reference, the power of the noise taken off.

    Parameters
    ----------
    heard, reference, noise : ndarray, shape (n_lines,)
        Power of the lines of one round, see `line_power()`: what was heard; what it is held
        against, which is taken for known; and the noise that is in what was heard.

    Notes
    -----
    A line of power S under Gaussian noise of power N scatters with the variance 2 S N + N^2
    (noncentral chi-square with two degrees of freedom, closed form).
    """
    noise_total = bands.total(noise)
    sound = bands.total(heard) - noise_total
    known = bands.total(reference)
    freq_hz = bands.total(reference * bands.line_hz) / known
    told = sound > noise_total * 10.0 ** (LEAST_ABOVE_NOISE_DB / 10.0)
    sound = np.where(told, sound, 1.0)
    above = np.maximum(heard - noise, 0.0)
    spread = np.sqrt(bands.total(2.0 * above * noise + noise**2)) / sound
    return RoundGain(
        freq_hz=freq_hz,
        gain_db=np.where(told, 10.0 * np.log10(sound / known), np.nan),
        uncertainty_db=np.where(told, 10.0 / np.log(10.0) * spread, np.inf),
    )
