"""Speech transmission index: how much of speech's rise and fall arrives, from 0 to 1.

    impulse_modulation()                       what reverberation leaves of it, measured
    room_modulation()                          the same in closed form, for a forecast
    speech_transmission_index()                the index; rating() is its word

After IEC 60268-16; edition and sources as in `voice.py`, which holds what level and noise do.
"""

from __future__ import annotations

import numpy as np
import soxr
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.bands import EXACT_HZ, nearest_band
from evenhall.acoustics.decay import Decay, band_filter, energy_decay, first_arrival
from evenhall.acoustics.voice import OCTAVES_HZ

__all__ = [
    "MODULATION_HZ",
    "impulse_modulation",
    "rating",
    "room_modulation",
    "speech_transmission_index",
]

FloatArray = NDArray[np.float64]

MODULATION_HZ: FloatArray = np.array(
    [0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5]
)
MODULATION_HZ.setflags(write=False)
# Beyond it, either way, more or less is not heard (clause on the effective ratio).
LIMIT_DB = 15.0
# How much each octave counts, and its redundancy with the next (IEC 60268-16, male set).
WEIGHT: FloatArray = np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173])
REDUNDANCY: FloatArray = np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095])
# Lower limits, from memory of the standard's annexes; editions differ, and so do the tables.
RATINGS = ((0.75, "excellent"), (0.60, "good"), (0.45, "fair"), (0.30, "poor"), (0.0, "bad"))
# A curve that noise cuts off above this would leave the index to guesswork.
LEAST_RANGE_DB = 15.0
DECIMATED_HZ = 8000.0
AHEAD_S = 0.0005
SUMMED_S = 0.001  # the fastest modulation takes 80 ms: a millisecond of it is one value


def rating(sti: float) -> str:
    """Word for an index, "unknown" for nan.

    Examples
    --------
    >>> rating(0.55), rating(0.6)
    ('fair', 'good')
    """
    return next((word for limit, word in RATINGS if sti >= limit), "unknown")


def _decay_modulation(decay: Decay) -> FloatArray:
    """Modulation that one decay leaves at each of the 14 frequencies; nan where noise hides it.

    The Fourier transform of the squared response over its energy: Schroeder, Acustica 49 (1981)
    179.
    """
    if not decay.range_db >= LEAST_RANGE_DB:
        return np.full(MODULATION_HZ.size, np.nan)
    step = max(1, round(SUMMED_S * decay.rate_hz))
    remaining = decay.energy[::step]
    time_s = np.arange(remaining.size) * (step / decay.rate_hz)
    turn = 2.0j * np.pi * MODULATION_HZ
    # What arrives in a step counts at its middle; the first holds the direct sound, at its start.
    middle_s = time_s[:-1] + 0.5 * time_s[1] if time_s.size > 1 else time_s[:-1]
    if middle_s.size:
        middle_s[0] = 0.0
    sum_so_far = np.exp(-np.outer(turn, middle_s)) @ -np.diff(remaining)
    # The rest goes on as the straight line that it ends on.
    rest = remaining[-1] * np.exp(-turn * time_s[-1]) / (1.0 + turn / decay.late_rate_per_s)
    return np.asarray(np.minimum(np.abs(sum_so_far + rest) / remaining[0], 1.0))


def impulse_modulation(
    impulse: ArrayLike, *, rate_hz: float, arrival_index: int | None = None
) -> FloatArray:
    """Modulation that a response leaves in each octave.

    Parameters
    ----------
    impulse : array_like, shape (n_samples,)
        Impulse response. The standard asks for 1.6 s and half the reverberation time.
    arrival_index : int, optional
        Where the direct sound arrives, else found.

    Returns
    -------
    ndarray, shape (14, 7)
        nan in octaves that cannot be read.
    """
    samples = np.asarray(impulse, dtype=np.float64)
    if not samples.any():
        return np.full((MODULATION_HZ.size, len(OCTAVES_HZ)), np.nan)
    arrival = first_arrival(samples) if arrival_index is None else arrival_index
    # A decimated response rings a little ahead of its arrival: that belongs to it.
    ahead = round(AHEAD_S * rate_hz)
    samples = np.pad(samples[max(0, arrival - ahead) :], (max(0, ahead - arrival), 0))
    factor = max(1, int(rate_hz / DECIMATED_HZ))
    low = samples if factor == 1 else soxr.resample(samples, rate_hz, rate_hz / factor, "HQ")
    columns = []
    for hz in OCTAVES_HZ:
        # Octaves that have room at the low rate cost a fraction there.
        by = factor if hz * 2.0**0.5 < 0.45 * rate_hz / factor else 1
        columns.append(_octave_modulation(low if by > 1 else samples, rate_hz / by, hz))
    return np.stack(columns, axis=-1)


def _octave_modulation(samples: FloatArray, rate_hz: float, band_hz: float) -> FloatArray:
    # A line along the decay stands noise better, and loses an echo behind a silent gap.
    decay = _summed_decay(samples, rate_hz=rate_hz, band_hz=band_hz)
    if not decay.energy.size:
        decay = energy_decay(samples, rate_hz=rate_hz, band_hz=band_hz, arrival_index=0)
    return _decay_modulation(decay)


def _summed_decay(samples: FloatArray, *, rate_hz: float, band_hz: float) -> Decay:
    """Decay that is summed to its end, less the noise; empty where noise is too much for that."""
    nothing = Decay(np.zeros(0), rate_hz, float("nan"), float("nan"))
    if band_hz * 2.0**0.5 > 0.5 * rate_hz:
        return nothing
    before, samples = band_filter(
        samples, rate_hz=rate_hz, centre_hz=float(EXACT_HZ[nearest_band(band_hz)])
    )
    power = samples**2
    noise = float(power[-max(1, power.size // 10) :].mean())
    # The sum of noise is known to one part in the root of its independent values.
    values = max(1.0, band_hz / 2.0**0.5 * power.size / rate_hz)
    doubt = noise * power.size / np.sqrt(values)
    power -= noise
    power[0] += float(before @ before)
    if not power.sum() > doubt * 10.0 ** (LEAST_RANGE_DB / 10.0):
        return nothing
    energy = np.cumsum(np.append(power, 0.0)[::-1])[::-1]
    return Decay(energy / energy[0], rate_hz, np.inf, np.inf)


def room_modulation(direct: ArrayLike, reverberant: ArrayLike, rt60_s: ArrayLike) -> FloatArray:
    """Modulation that direct sound and an exponential decay behind it leave together.

    Parameters
    ----------
    direct, reverberant : array_like, shape (..., n)
        Power of each, in one unit.
    rt60_s : array_like, shape (..., n)

    Returns
    -------
    ndarray, shape (..., 14, n)

    References
    ----------
    Houtgast and Steeneken, JASA 77 (1985) 1069, from memory; with no direct sound it is
    1 / sqrt(1 + (2 pi F T / 13.8)^2), 13.8 being 6 ln 10.

    Examples
    --------
    >>> room_modulation([0.0], [1.0], [1.0])[2].round(3).tolist()
    [0.91]
    """
    direct, late, rt60 = (
        np.asarray(value, dtype=np.float64)[..., None, :] for value in (direct, reverberant, rt60_s)
    )
    turn = 2.0j * np.pi * MODULATION_HZ[:, None] * rt60 / (6.0 * np.log(10.0))
    return np.asarray(np.abs(direct + late / (1.0 + turn)) / (direct + late))


def speech_transmission_index(modulation: ArrayLike, *, factor: ArrayLike = 1.0) -> float:
    """Index from what is left of the modulation, 0 to 1; nan where an octave is not known.

    Parameters
    ----------
    modulation : array_like, shape (14, 7)
        From `impulse_modulation` or `room_modulation`.
    factor : array_like, shape (7,)
        From `hearing_factor`; 1 leaves noise, masking and threshold out.

    References
    ----------
    IEC 60268-16:2011: effective ratio 10 lg(m / (1 - m)) within +-15 dB, transmission index
    (ratio + 15) / 30, its mean over 14 modulation frequencies, and the sum over octaves with
    their weights less the products of neighbours with their redundancy.

    Examples
    --------
    >>> round(speech_transmission_index(np.full((14, 7), 0.5)), 3)
    0.5
    """
    left = np.asarray(modulation, dtype=np.float64) * np.asarray(factor)
    with np.errstate(divide="ignore"):
        ratio_db = np.clip(10.0 * np.log10(left / (1.0 - left)), -LIMIT_DB, LIMIT_DB)
    by_octave = ((ratio_db + LIMIT_DB) / (2.0 * LIMIT_DB)).mean(axis=0)
    sti = WEIGHT @ by_octave - REDUNDANCY @ np.sqrt(by_octave[:-1] * by_octave[1:])
    return float(np.clip(sti, 0.0, 1.0))
