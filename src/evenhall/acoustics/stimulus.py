"""What is played: pink noise and the exponential sweep.

    pink_noise()          every third octave alike; repeatable by its seed
    exponential_sweep()   one tone through the whole band, harmonics apart from the rest
    Sweep                 what such a sweep is made of, for whoever takes it apart again

Levels are dBFS RMS over the whole stimulus, fades included; 0 dBFS is a sine that reaches
full scale (AES17). Neither stimulus ever passes full scale: too high a level is refused.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import LOWER_HZ
from evenhall.acoustics.level import (
    amplitude_from_db,
    crest_factor_db,
    peak_dbfs,
    rms_dbfs,
)
from evenhall.errors import InputError

__all__ = ["Sweep", "exponential_sweep", "pink_noise"]

FloatArray = NDArray[np.float64]

# Level that leaves room for the peaks of noise and does not frighten anyone.
DEFAULT_LEVEL_DBFS = -20.0
# The band starts below and ends above the outermost third octaves, so that these are whole.
DEFAULT_LOW_HZ = 16.0
DEFAULT_HIGH_HZ = 22_400.0
HIGHEST_RATIO = 0.498  # of the sample rate: just under the half of it

SHORTEST_S, LONGEST_S = 0.5, 600.0
LONGEST_LEAD_S = 10.0  # a lead is there to be faded in, not to be listened to

NOISE_FADE_S = 0.02  # no click, and nothing lost that a band level would show
# The fades bend the spectrum of a short noise: shaped again, it settles within these rounds.
SHAPING_ROUNDS = 8
MAX_CLIP_ROUNDS = 150  # a crest factor that is not reached by then will not be
CLIP_MARGIN_DB = 0.4  # clipped this much below the limit: shaping lets the peaks grow again

# The sweep is faded outside the band that is wanted, over these widths.
SWEEP_FADE_IN_OCTAVES = 0.25
SWEEP_FADE_OUT_OCTAVES = 1.0 / 24.0


def pink_noise(
    duration_s: float,
    *,
    rate_hz: float,
    seed: int,
    level_dbfs: float = DEFAULT_LEVEL_DBFS,
    low_hz: float = DEFAULT_LOW_HZ,
    high_hz: float | None = None,
    crest_limit_db: float | None = None,
) -> FloatArray:
    """Pink noise: its power density falls 3 dB an octave, every third octave within 0.1 dB.

    The magnitude of each line of the spectrum is set and only the phases are random, so
    that the noise itself, not just its expectation, has the wanted shape. The fades leave
    it by a few hundredths of a decibel.

    Parameters
    ----------
    duration_s : float
        0.5 to 600 s.
    seed : int
        The same seed gives the same noise.
    level_dbfs : float
        RMS level over the whole, dB re a full-scale sine.
    low_hz, high_hz : float
        Band; outside it there is nothing. `high_hz` defaults to 22.4 kHz or just under
        half the sample rate, whichever is lower.
    crest_limit_db : float, optional
        Highest peak over RMS value. Untouched noise has 12 to 15 dB; 6 dB is soon reached.

    Returns
    -------
    ndarray, shape (n_samples,)
        Full scale = 1.0.

    Raises
    ------
    InputError
        A figure out of range, a level that would clip, or a crest factor out of reach.
    """
    high_hz = _checked_band(duration_s, rate_hz, low_hz, high_hz, highest_ratio=HIGHEST_RATIO)
    n_samples = round(duration_s * rate_hz)
    freq_hz = np.arange(n_samples // 2 + 1) * (rate_hz / n_samples)
    inside = (freq_hz >= low_hz) & (freq_hz <= high_hz)
    magnitude = np.zeros(freq_hz.size)
    magnitude[inside] = freq_hz[inside] ** -0.5
    phase = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, freq_hz.size)
    fade = _fades(n_samples, round(NOISE_FADE_S * rate_hz), round(NOISE_FADE_S * rate_hz))
    noise = fft.irfft(magnitude * np.exp(1j * phase), n_samples) * fade
    for _ in range(SHAPING_ROUNDS):
        noise = _shape(noise, magnitude) * fade
    if crest_limit_db is not None:
        noise = _limit_crest(noise, magnitude, fade, crest_limit_db)
    return _at_level(noise, level_dbfs)


def _shape(noise: FloatArray, magnitude: FloatArray) -> FloatArray:
    """Give the spectrum of the noise its magnitudes back and leave its phases."""
    spectrum = fft.rfft(noise)
    spectrum *= magnitude / np.maximum(np.abs(spectrum), np.finfo(np.float64).tiny)
    return np.asarray(fft.irfft(spectrum, noise.size))


def _limit_crest(
    noise: FloatArray, magnitude: FloatArray, fade: FloatArray, limit_db: float
) -> FloatArray:
    """Clip the peaks and shape again, until the crest factor holds."""
    lowest_db = np.inf
    for _ in range(MAX_CLIP_ROUNDS):
        reached_db = float(crest_factor_db(noise))
        if reached_db <= limit_db:
            return noise
        lowest_db = min(lowest_db, reached_db)
        ceiling = np.sqrt(np.mean(noise**2)) * amplitude_from_db(limit_db - CLIP_MARGIN_DB)
        noise = _shape(np.clip(noise, -ceiling, ceiling), magnitude) * fade
    raise InputError(
        f"crest_limit_db = {limit_db:g} is out of reach for this noise: "
        f"the lowest found was {lowest_db:.1f} dB. "
        f"Give {np.ceil(lowest_db * 2.0 + 1.0) / 2.0:g} dB or more."
    )


@dataclass(frozen=True)
class Sweep:
    """What an exponential sweep is made of.

    Parameters
    ----------
    duration_s : float
        From its first to its last frequency, fades included and lead not.
    low_hz, high_hz : float
        Band at full amplitude.
    lead_s : float
        Length of the steady tone at its first frequency, ahead of it.
    """

    duration_s: float
    low_hz: float
    high_hz: float
    lead_s: float = 0.0

    @property
    def octave_s(self) -> float:
        """How long it takes through an octave."""
        octaves = np.log2(self.high_hz / self.low_hz)
        octaves += SWEEP_FADE_IN_OCTAVES + SWEEP_FADE_OUT_OCTAVES
        return float(self.duration_s / octaves)

    @property
    def first_hz(self) -> float:
        """Its first frequency, and the lead's: nothing lower is ever played."""
        return float(self.low_hz * 2.0**-SWEEP_FADE_IN_OCTAVES)

    def ahead_s(self, order: int) -> float:
        """Give how long before the linear response that to a harmonic stands.

        Examples
        --------
        A sweep of an octave a second, and the second and fourth harmonics:

        >>> sweep = Sweep(10.0 + 7.0 / 24.0, low_hz=20.0, high_hz=20480.0)
        >>> round(sweep.ahead_s(2), 9), round(sweep.ahead_s(4), 9)
        (1.0, 2.0)
        """
        return float(self.octave_s * np.log2(order))


def exponential_sweep(
    duration_s: float,
    *,
    rate_hz: float,
    level_dbfs: float = DEFAULT_LEVEL_DBFS,
    low_hz: float = LOWER_HZ[0],
    high_hz: float | None = None,
    lead_s: float = 0.0,
) -> FloatArray:
    """Sine whose frequency rises by as many octaves in every second, faded at both ends.

    Between `low_hz` and `high_hz` the amplitude is constant; the fades lie outside, so the
    sweep starts a quarter of an octave lower and ends a twenty-fourth higher.

    Parameters
    ----------
    duration_s : float
        0.5 to 600 s, fades included and lead not.
    level_dbfs : float
        RMS level over the whole, dB re a full-scale sine.
    low_hz, high_hz : float
        Band at full amplitude. `high_hz` defaults to 22.4 kHz, or lower where the fade
        would else pass half the sample rate.
    lead_s : float
        0 to 10 s of a steady tone at the first frequency, ahead of the sweep and joined to it
        without a step in phase. The fade-in then lies in the tone, and so may a player's ramp:
        all of the sweep but its end has full amplitude.

    Returns
    -------
    ndarray, shape (n_samples,)
        `lead_s` + `duration_s` long, full scale = 1.0.

    Raises
    ------
    InputError
        A figure out of range, or a level that would clip.

    References
    ----------
    Farina, AES Convention 108 (2000), paper 5093; in the form of Novak, Lotton and Simon,
    JAES 63 (2015) 786, x(t) = sin(2 pi f1 L exp(t/L)): the response to the k-th harmonic
    stands L ln(k) before the linear one, in phase with it.
    """
    highest_ratio = HIGHEST_RATIO * 2.0**-SWEEP_FADE_OUT_OCTAVES
    high_hz = _checked_band(duration_s, rate_hz, low_hz, high_hz, highest_ratio=highest_ratio)
    if not 0.0 <= lead_s <= LONGEST_LEAD_S:
        raise InputError(
            f"lead_s = {lead_s:g} is out of range. Give 0 to {LONGEST_LEAD_S:g} seconds."
        )
    shape = Sweep(duration_s, low_hz, high_hz, lead_s)
    n_lead, n_sweep = round(lead_s * rate_hz), round(duration_s * rate_hz)
    sweep_l_s = shape.octave_s / np.log(2.0)  # L of the formula
    time_s = np.arange(-n_lead, n_sweep) / rate_hz
    # Before the sweep its phase goes on at the pace it starts with.
    growth = np.where(time_s < 0.0, 1.0 + time_s / sweep_l_s, np.exp(time_s / sweep_l_s))
    sweep = np.sin(2.0 * np.pi * shape.first_hz * sweep_l_s * growth)
    n_fade_in = round(SWEEP_FADE_IN_OCTAVES * shape.octave_s * rate_hz)
    fade = _fades(
        sweep.size,
        min(n_fade_in, n_lead) if n_lead else n_fade_in,
        round(SWEEP_FADE_OUT_OCTAVES * shape.octave_s * rate_hz),
    )
    return _at_level(sweep * fade, level_dbfs)


def _checked_band(
    duration_s: float, rate_hz: float, low_hz: float, high_hz: float | None, *, highest_ratio: float
) -> float:
    """Upper end of the band, once duration, rate and band make sense."""
    if not rate_hz > 0.0:
        raise InputError(f"rate_hz = {rate_hz:g} is not a sample rate. Give one such as 48000.")
    faults = []
    if not SHORTEST_S <= duration_s <= LONGEST_S:
        faults.append(
            f"duration_s = {duration_s:g} is out of range. "
            f"Give {SHORTEST_S:g} to {LONGEST_S:g} seconds."
        )
    highest_hz = highest_ratio * rate_hz
    wanted_hz = min(DEFAULT_HIGH_HZ, highest_hz) if high_hz is None else high_hz
    if not wanted_hz <= highest_hz:
        faults.append(
            f"high_hz = {wanted_hz:g} is too high for a sample rate of {rate_hz:g} Hz. "
            f"Give at most {np.floor(highest_hz):g}."
        )
    # A band narrower than a third octave is no broad-band stimulus, and may hold no line at all.
    if not 1.0 <= low_hz <= wanted_hz / 2.0 ** (1.0 / 3.0):
        faults.append(
            f"low_hz = {low_hz:g} does not fit. Give 1 Hz or more, "
            f"and at least a third of an octave below high_hz = {wanted_hz:g}."
        )
    if faults:
        raise InputError(*faults)
    return wanted_hz


def _fades(n_samples: int, n_in: int, n_out: int) -> FloatArray:
    """Gain that rises over the first `n_in` samples and falls over the last `n_out`."""
    gain = np.ones(n_samples)
    gain[:n_in] = np.sin(0.5 * np.pi * np.arange(n_in) / n_in) ** 2
    gain[n_samples - n_out :] = np.cos(0.5 * np.pi * np.arange(1, n_out + 1) / n_out) ** 2
    return gain


def _at_level(signal: FloatArray, level_dbfs: float) -> FloatArray:
    """Bring the signal to its RMS level; refuse where its peaks would pass full scale."""
    if not np.isfinite(level_dbfs):
        raise InputError(f"level_dbfs = {level_dbfs:g} is not a level. Give one such as -20.")
    gain_db = level_dbfs - float(rms_dbfs(signal))
    scaled = signal * amplitude_from_db(gain_db)
    if np.abs(scaled).max() > 1.0:
        highest_dbfs = level_dbfs - float(peak_dbfs(scaled))
        raise InputError(
            f"level_dbfs = {level_dbfs:g} would clip: the peaks lie "
            f"{float(crest_factor_db(signal)):.1f} dB above the RMS value. "
            f"Give at most {np.floor(highest_dbfs * 10.0) / 10.0:.1f} dBFS."
        )
    return np.asarray(scaled)
