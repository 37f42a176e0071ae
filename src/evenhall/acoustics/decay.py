"""How a room dies away: its decay curve and reverberation time from an impulse response.

    energy_decay()      the decay curve: gate, filter, find the noise, integrate backwards
    t20_s()             reverberation time from its slope

After ISO 3382-1:2009. The noise that ends every
measured response is found as by Lundeby et al. (Acustica 81 (1995) 344), taken off, and what
the room would have added under it is put back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from evenhall.acoustics.bands import exact_from_nominal_hz

__all__ = [
    "Decay",
    "band_filter",
    "energy_decay",
    "first_arrival",
    "t20_s",
]

FloatArray = NDArray[np.float64]

# ISO 3382-1, A.3.4: the response starts where it first comes within 20 dB of its peak.
ARRIVAL_DB = -20.0
# Where the slope is read, and how far above the noise that must end: 35 dB down to it in all.
FROM_DB, TO_DB, NOISE_MARGIN_DB = -5.0, -25.0, 10.0
# Bandwidth times decay time below which the filter's own ringing is read (the filter alone
# gives about 5), and one response scatters by more than a fifth (ISO 3382-2, from memory).
LEAST_BANDWIDTH_TIME = 16.0
# Octaves, base ten: edges at 10^(-+0.15) of the mid-band.
HALF_OCTAVE = 10.0**0.15
RELATIVE_WIDTH = HALF_OCTAVE - 1.0 / HALF_OCTAVE
FILTER_ORDER = 4  # of the Butterworth prototype; holds class 1 of IEC 61260-1

# Lundeby's search: block length to begin with, share of the response that is noise at first,
# blocks for each 10 dB of decay, and the stretch above the noise that gives the late slope.
FIRST_BLOCK_S = 0.01
NOISE_SHARE = 0.1
BLOCKS_PER_10_DB = 5
SLOPE_FROM_NOISE_DB = 7.0
SLOPE_SPAN_DB = 20.0
ROUNDS = 3  # after which nothing moves any more


@dataclass(frozen=True)
class Decay:
    """A decay curve: the energy still to come, by the time since the direct sound.

    Parameters
    ----------
    energy : ndarray, shape (n_samples,)
        Share of the whole energy that arrives from each sample on; 1 at the first. It ends
        where the noise takes over. Empty where the noise leaves nothing to see.
    range_db : float
        How far the curve falls before the noise takes over; nan where it is empty.
    late_rate_per_s : float
        Rate k of the late decay, energy going as exp(-k t).
    """

    energy: FloatArray
    rate_hz: float
    range_db: float
    late_rate_per_s: float


def first_arrival(impulse: ArrayLike) -> int:
    """Index where the response first comes within 20 dB of its peak (ISO 3382-1, A.3.4)."""
    magnitude = np.abs(np.asarray(impulse, dtype=np.float64))
    return int(np.argmax(magnitude >= magnitude.max() * 10.0 ** (ARRIVAL_DB / 20.0)))


def band_filter(
    signal: ArrayLike, *, rate_hz: float, centre_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Signal through the octave about an exact mid-band, with no phase shift.

    What rings ahead of the first sample, shape (n_lead,), and the rest, shape (n_samples,). Edges
    after IEC 61260-1:2014, base ten; magnitude of a Butterworth band-pass.
    """
    samples = np.asarray(signal, dtype=np.float64)
    # Ten over the bandwidth: by then the ringing is some 100 dB down.
    n_lead = int(np.ceil(10.0 * rate_hz / (centre_hz * RELATIVE_WIDTH)))
    n_fft = fft.next_fast_len(samples.size + n_lead, real=True)
    freq = np.arange(n_fft // 2 + 1) * (rate_hz / n_fft / centre_hz)
    detuning = (freq - 1.0 / np.maximum(freq, 1e-9)) / RELATIVE_WIDTH
    gain = 1.0 / np.sqrt(1.0 + detuning ** (2 * FILTER_ORDER))
    filtered = fft.irfft(fft.rfft(samples, n_fft) * gain, n_fft)
    return filtered[n_fft - n_lead :], filtered[: samples.size]


def energy_decay(
    impulse: ArrayLike,
    *,
    rate_hz: float,
    band_hz: float | None = None,
    arrival_index: int | None = None,
) -> Decay:
    """Decay curve of a whole response or of the octave about `band_hz`, nominal or exact.

    What stands before `arrival_index`, else before `first_arrival()`, is left out. Empty where the
    response is silent or not finite, the noise leaves nothing to see, or the band does not fit
    below half the sample rate.
    """
    nothing = Decay(np.zeros(0), rate_hz, float("nan"), float("nan"))
    samples = np.asarray(impulse, dtype=np.float64)
    if not samples.any() or not np.isfinite(samples).all():
        return nothing
    samples = samples[first_arrival(samples) if arrival_index is None else arrival_index :]
    ahead = 0.0
    if band_hz is not None:
        centre_hz = float(exact_from_nominal_hz(band_hz)[0])
        if centre_hz * HALF_OCTAVE > 0.5 * rate_hz:
            return nothing
        # Gated first and filtered then, so that the filter cannot smear early into late.
        before, samples = band_filter(samples, rate_hz=rate_hz, centre_hz=centre_hz)
        ahead = float(before @ before)
    power = samples**2
    tail = _find_tail(power, rate_hz)
    if tail is None:
        return nothing
    end, noise, late_rate_per_s = tail
    # Past the end goes on what the line that meets the noise there still holds.
    beyond = noise * rate_hz / late_rate_per_s
    energy = np.cumsum((power[:end] - noise)[::-1])[::-1] + beyond
    whole = energy[0] + ahead
    energy[0] = whole
    # Where noise outweighs a silent gap the curve would rise: it is held level there.
    energy = np.minimum.accumulate(np.maximum(energy, beyond))
    if whole <= beyond:
        return nothing
    range_db = float(10.0 * np.log10(whole / beyond)) if beyond > 0.0 else np.inf
    return Decay(energy / whole, rate_hz, range_db, late_rate_per_s)


def _find_tail(power: FloatArray, rate_hz: float) -> tuple[int, float, float] | None:
    """Where the decay meets the noise (samples), noise power, and late rate of decay (1/s)."""
    n_noise = max(1, int(NOISE_SHARE * power.size))
    noise = float(power[-n_noise:].mean())
    if noise == 0.0:
        # Digital silence after the end: nothing to take off, the response ends by itself.
        return int(np.flatnonzero(power)[-1]) + 1, 0.0, np.inf
    block = max(1, int(FIRST_BLOCK_S * rate_hz))
    crossing = power.size
    rate_per_s = np.inf
    for _ in range(ROUNDS):
        line = _late_line(power, block, noise)
        if line is None:
            return None
        per_sample, log_start = line
        crossing = int(np.clip((log_start - np.log(noise)) / per_sample, 1, power.size))
        rate_per_s = per_sample * rate_hz
        ten_db = np.log(10.0) / per_sample
        block = int(np.clip(ten_db / BLOCKS_PER_10_DB, 1, power.size // 20 + 1))
        start = min(crossing + int(ten_db), power.size - n_noise)
        noise = float(power[start:].mean())
    return crossing, noise, rate_per_s


def _late_line(power: FloatArray, block: int, noise: float) -> tuple[float, float] | None:
    """Rate a sample and start of the straight line (natural logarithm) above the noise."""
    n_blocks = power.size // block
    means = power[: n_blocks * block].reshape(n_blocks, block).mean(axis=1)
    peak = int(means.argmax())
    above = means[peak:] > noise * 10.0 ** (SLOPE_FROM_NOISE_DB / 10.0)
    stop = peak + (int(np.argmin(above)) if not above.all() else above.size)
    high = noise * 10.0 ** ((SLOPE_FROM_NOISE_DB + SLOPE_SPAN_DB) / 10.0)
    loud = np.flatnonzero(means[peak:stop] > high)
    start = peak + (int(loud[-1]) if loud.size else 0)
    if stop - start < 3:
        return None
    centre = (np.arange(start, stop) + 0.5) * block
    # The noise off, or it would bend the lower end of the line.
    slope, log_start = np.polyfit(centre, np.log(means[start:stop] - noise), 1)
    return (-float(slope), float(log_start)) if slope < 0.0 else None


def t20_s(
    impulse: ArrayLike,
    *,
    rate_hz: float,
    band_hz: float | None = None,
    arrival_index: int | None = None,
) -> float:
    """Time in which the level would fall by 60 dB, from -5 to -25 dB; as `energy_decay()`.

    Returns
    -------
    float
        nan where the noise lies less than 10 dB below the end of that stretch, or the band is too
        narrow for so short a decay (bandwidth times decay time under 16).

    References
    ----------
    ISO 3382-1:2009: a straight line fitted to the decay curve; T20 wants 35 dB down to the noise.

    Examples
    --------
    Noise under an envelope that falls 60 dB in 0.8 s:

    >>> time_s = np.arange(96000) / 48000
    >>> room = np.random.default_rng(1).normal(size=96000) * 10 ** (-3 * time_s / 0.8)
    >>> round(t20_s(room, rate_hz=48000), 1)
    0.8
    """
    decay = energy_decay(impulse, rate_hz=rate_hz, band_hz=band_hz, arrival_index=arrival_index)
    level_db = 10.0 * np.log10(decay.energy)
    start, stop = np.searchsorted(-level_db, [-FROM_DB, -TO_DB])
    if not decay.range_db >= NOISE_MARGIN_DB - TO_DB or stop - start < 3:
        return float("nan")
    time = np.arange(start, stop) - 0.5 * (start + stop - 1)
    per_sample_db = float(time @ level_db[start:stop] / (time @ time))
    if not per_sample_db < 0.0:
        return float("nan")
    time_s = -60.0 / (per_sample_db * rate_hz)
    least_s = 0.0 if band_hz is None else LEAST_BANDWIDTH_TIME / (band_hz * RELATIVE_WIDTH)
    return time_s if time_s >= least_s else float("nan")
