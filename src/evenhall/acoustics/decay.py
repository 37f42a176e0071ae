"""How a room dies away: decay times, clarity and definition from an impulse response.

    energy_decay()      the decay curve: gate, filter, find the noise, integrate backwards
    decay_times()       EDT, T20, T30 from its slope
    clarity_db() ...    from where it stands after 50 or 80 ms

Everything is read off the one decay curve, after ISO 3382-1:2009. The noise that ends every
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
    "DecayTimes",
    "band_filter",
    "centre_time_s",
    "clarity_db",
    "decay_times",
    "definition",
    "energy_decay",
    "first_arrival",
]

FloatArray = NDArray[np.float64]

# ISO 3382-1, A.3.4: the response starts where it first comes within 20 dB of its peak.
ARRIVAL_DB = -20.0
# The end of an evaluation range must lie this far above the noise: 35 dB for T20, 45 for T30.
NOISE_MARGIN_DB = 10.0
# Bandwidth times decay time below which the filter's own ringing is read (the filter alone
# gives about 5), and one response scatters by more than a fifth (ISO 3382-2, from memory).
LEAST_BANDWIDTH_TIME = 16.0
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

    def level_db(self) -> FloatArray:
        """Level of the curve, dB re its start."""
        return np.asarray(10.0 * np.log10(self.energy))

    def remaining(self, time_s: float) -> float:
        """Share of the energy that arrives after `time_s`; nan past the end of the curve."""
        at = time_s * self.rate_hz
        if not at <= self.energy.size - 1:
            return float("nan")
        return float(np.interp(at, np.arange(self.energy.size), self.energy))


@dataclass(frozen=True)
class DecayTimes:
    """Times in which the level would fall by 60 dB, by the stretch that they are read from.

    Parameters
    ----------
    edt_s : float
        Early decay time, from 0 to -10 dB.
    t20_s, t30_s : float
        From -5 to -25 and -5 to -35 dB.

    Each is nan where the noise lies less than 10 dB below the end of its stretch, or where
    the band is too narrow for so short a decay (bandwidth times decay time under 16).
    """

    edt_s: float
    t20_s: float
    t30_s: float


def first_arrival(impulse: ArrayLike) -> int:
    """Index where the response first comes within 20 dB of its peak (ISO 3382-1, A.3.4)."""
    magnitude = np.abs(np.asarray(impulse, dtype=np.float64))
    return int(np.argmax(magnitude >= magnitude.max() * 10.0 ** (ARRIVAL_DB / 20.0)))


def band_filter(
    signal: ArrayLike, *, rate_hz: float, centre_hz: float, fraction: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Signal through a band of 1/`fraction` octave, with no phase shift.

    Parameters
    ----------
    signal : array_like, shape (n_samples,)
        What to filter.
    centre_hz : float
        Exact mid-band frequency; the band's upper edge lies at or below half the rate.
    fraction : float
        1 for octaves, 3 for third octaves.

    Returns
    -------
    before, during : ndarray, shape (n_lead,) and (n_samples,)
        What rings ahead of the first sample, and the rest.

    References
    ----------
    Edges after IEC 61260-1:2014, base ten; magnitude of a Butterworth band-pass.
    """
    samples = np.asarray(signal, dtype=np.float64)
    relative_width = _bandwidth_hz(1.0, fraction)
    # Ten over the bandwidth: by then the ringing is some 100 dB down.
    n_lead = int(np.ceil(10.0 * rate_hz / (centre_hz * relative_width)))
    n_fft = fft.next_fast_len(samples.size + n_lead, real=True)
    freq = np.arange(n_fft // 2 + 1) * (rate_hz / n_fft / centre_hz)
    detuning = (freq - 1.0 / np.maximum(freq, 1e-9)) / relative_width
    gain = 1.0 / np.sqrt(1.0 + detuning ** (2 * FILTER_ORDER))
    filtered = fft.irfft(fft.rfft(samples, n_fft) * gain, n_fft)
    return filtered[n_fft - n_lead :], filtered[: samples.size]


def energy_decay(
    impulse: ArrayLike,
    *,
    rate_hz: float,
    band_hz: float | None = None,
    fraction: float = 1.0,
    arrival_index: int | None = None,
) -> Decay:
    """Decay curve of a whole response or of one band of it.

    Parameters
    ----------
    impulse : array_like, shape (n_samples,)
        Impulse response.
    band_hz : float, optional
        Mid-band, nominal or exact; without it the response is taken as it is.
    fraction : float
        Width of the band, 1/`fraction` octave.
    arrival_index : int, optional
        Where the direct sound arrives, else `first_arrival`. What stands before is left out.

    Returns
    -------
    Decay
        Empty where the response is silent or not finite, the noise leaves nothing to see,
        or the band does not fit below half the sample rate.
    """
    nothing = Decay(np.zeros(0), rate_hz, float("nan"), float("nan"))
    samples = np.asarray(impulse, dtype=np.float64)
    if not samples.any() or not np.isfinite(samples).all():
        return nothing
    samples = samples[first_arrival(samples) if arrival_index is None else arrival_index :]
    ahead = 0.0
    if band_hz is not None:
        centre_hz = float(exact_from_nominal_hz(band_hz)[0])
        if centre_hz * 10.0 ** (0.15 / fraction) > 0.5 * rate_hz:
            return nothing
        # Gated first and filtered then, so that the filter cannot smear early into late.
        before, samples = band_filter(
            samples, rate_hz=rate_hz, centre_hz=centre_hz, fraction=fraction
        )
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


def decay_times(
    impulse: ArrayLike,
    *,
    rate_hz: float,
    band_hz: float | None = None,
    fraction: float = 1.0,
    arrival_index: int | None = None,
) -> DecayTimes:
    """EDT, T20 and T30; parameters as for `energy_decay`.

    References
    ----------
    ISO 3382-1:2009: straight lines fitted to the decay curve from 0 to -10, -5 to -25 and
    -5 to -35 dB; T20 wants 35 dB and T30 45 dB down to the noise.

    Examples
    --------
    Noise under an envelope that falls 60 dB in 0.8 s:

    >>> time_s = np.arange(96000) / 48000
    >>> room = np.random.default_rng(1).normal(size=96000) * 10 ** (-3 * time_s / 0.8)
    >>> round(decay_times(room, rate_hz=48000).t30_s, 1)
    0.8
    """
    decay = energy_decay(
        impulse,
        rate_hz=rate_hz,
        band_hz=band_hz,
        fraction=fraction,
        arrival_index=arrival_index,
    )
    least_s = 0.0 if band_hz is None else LEAST_BANDWIDTH_TIME / _bandwidth_hz(band_hz, fraction)
    level_db = decay.level_db()

    def between(from_db: float, to_db: float) -> float:
        time_s = _time_between(decay, level_db, from_db, to_db)
        return time_s if time_s >= least_s else float("nan")

    return DecayTimes(
        edt_s=between(0.0, -10.0), t20_s=between(-5.0, -25.0), t30_s=between(-5.0, -35.0)
    )


def _bandwidth_hz(centre_hz: float, fraction: float) -> float:
    half: float = 10.0 ** (0.15 / fraction)
    return centre_hz * (half - 1.0 / half)


def _time_between(decay: Decay, level_db: FloatArray, from_db: float, to_db: float) -> float:
    """Time of 60 dB by the slope of the line through one stretch of the curve."""
    if not decay.range_db >= NOISE_MARGIN_DB - to_db:
        return float("nan")
    start, stop = np.searchsorted(-level_db, [-from_db, -to_db])
    if stop - start < 3:
        return float("nan")
    time = np.arange(start, stop) - 0.5 * (start + stop - 1)
    per_sample_db = float(time @ level_db[start:stop] / (time @ time))
    return -60.0 / (per_sample_db * decay.rate_hz) if per_sample_db < 0.0 else float("nan")


def clarity_db(decay: Decay, *, early_s: float = 0.05) -> float:
    """Early energy over late energy: C50 for speech, C80 (`early_s=0.08`) for music.

    Parameters
    ----------
    decay : Decay
        From `energy_decay`.
    early_s : float
        Where late begins, after the direct sound.

    Returns
    -------
    float
        In dB; nan where the noise takes over before `early_s`.

    References
    ----------
    ISO 3382-1:2009, A.2.3.
    """
    late = decay.remaining(early_s)
    return float(10.0 * np.log10((1.0 - late) / late))


def definition(decay: Decay, *, early_s: float = 0.05) -> float:
    """Early energy over the whole, 0 to 1: D50 (ISO 3382-1:2009, A.2.3)."""
    return 1.0 - decay.remaining(early_s)


def centre_time_s(decay: Decay) -> float:
    """Centre of gravity in time of the energy (ISO 3382-1:2009, A.2.4); nan without a curve."""
    if not decay.energy.size:
        return float("nan")
    # By parts: the mean arrival is the area under the decay curve, plus its tail's.
    area = (decay.energy.sum() - 1.0) / decay.rate_hz
    return float(area + decay.energy[-1] / decay.late_rate_per_s)
