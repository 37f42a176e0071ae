"""What stands between the sound at a spot and a file: microphone, noise, preamp, converter.

`Microphone`, `Noise` with its `Bump`s, and `Recorder` are descriptions; `Recorder.record()` makes
the samples. All that goes wrong with takes can be asked for here, one at a time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.fft
import soxr
from numpy.typing import NDArray

from evenhall.acoustics.level import amplitude_from_db, rms_dbfs
from evenhall.acoustics.windows import stretch
from evenhall.sound.simulated.room import minimum_phase

__all__ = ["Bump", "Microphone", "Noise", "Recorder"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

BLOCK_SAMPLES = 512  # what a driver hands over at a time, and loses at a time
NOISE_LEVEL_FROM_HZ = 31.5  # below, the noise of a hall rises no more
HUM_HARMONICS = 7
# Of each bump: slope of its octave-band levels, band, and time in which it falls by 8.7 dB. By ear,
# no source: a door or a dropped case, a foot on boards, a hand on the microphone, a cough.
BUMPS = {
    "slam": (-6.0, None, 0.15),
    "step": (0.0, (40.0, 300.0), 0.03),
    "knock": (-6.0, (25.0, 8000.0), 0.04),
    "cough": (0.0, (300.0, 6000.0), 0.07),
}
BUMP_DECAYS = 10.0  # then it is over, 87 dB down


@dataclass(frozen=True)
class Microphone:
    """An omnidirectional measurement microphone.

    Parameters
    ----------
    deviation : tuple of (float, float)
        Frequency in Hz, rising, and deviation from flat in dB; straight over log frequency.
    """

    deviation: tuple[tuple[float, float], ...] = ()

    def response(self, freq_hz: FloatArray) -> ComplexArray:
        """Give the minimum-phase response with this deviation.

        Parameters
        ----------
        freq_hz : ndarray, shape (n_fft / 2 + 1,)
            Evenly from 0 Hz to the Nyquist frequency.
        """
        if not self.deviation:
            return np.ones(freq_hz.shape, dtype=np.complex128)
        points_hz, points_db = np.transpose(self.deviation)
        level_db = np.interp(np.log(np.maximum(freq_hz, 1.0)), np.log(points_hz), points_db)
        return minimum_phase(level_db * (math.log(10.0) / 20.0))

    def calibration_text(self) -> str:
        """Give the calibration file that comes with it: Hz and dB, one pair a line."""
        lines = [f"{freq_hz:.6g}\t{level_db:+.2f}" for freq_hz, level_db in self.deviation]
        return "\n".join(["Hz\tdB", *lines, ""])


@dataclass(frozen=True)
class Bump:
    """A short noise.

    Parameters
    ----------
    kind : {"slam", "step", "knock", "cough"}
    at_s : float
        From the start of the recording.
    peak_dbfs : float
        dB re full scale.
    """

    kind: Literal["slam", "step", "knock", "cough"]
    at_s: float
    peak_dbfs: float = -12.0

    def samples(self, n_samples: int, *, rate_hz: float, rng: np.random.Generator) -> FloatArray:
        """Make a recording of `n_samples` that holds it."""
        slope_db, band_hz, decay_s = BUMPS[self.kind]
        length = math.ceil(BUMP_DECAYS * decay_s * rate_hz)
        burst = sloped_noise(length, slope_db, rate_hz=rate_hz, rng=rng)
        burst *= np.exp(np.arange(length) / (-decay_s * rate_hz))
        if band_hz is not None:
            from scipy import signal  # late: the pages open without it

            sections = signal.butter(2, band_hz, "bandpass", fs=rate_hz, output="sos")
            burst = signal.sosfilt(sections, burst)
        burst *= amplitude_from_db(self.peak_dbfs) / np.abs(burst).max()
        return stretch(burst, -round(self.at_s * rate_hz), n_samples)


@dataclass(frozen=True)
class Noise:
    """What the microphone hears besides.

    Parameters
    ----------
    level_dbfs : float
        RMS after the preamp, dB re a full-scale sine; -inf = none.
    snr_db : float, optional
        Instead of `level_dbfs`: this far below the RMS of the wanted signal in the take.
    slope_db : float
        Of its octave-band levels, an octave: -5 an empty hall (the slope of the common noise
        criterion curves, from memory), 0 pink, +3 white.
    hum_hz, hum_dbfs : float
        Mains hum with its harmonics, each at 1/n of the amplitude; 0 Hz = none.
    bumps : tuple of Bump
        Doors, steps, knocks and coughs.
    """

    level_dbfs: float = -80.0
    snr_db: float | None = None
    slope_db: float = -5.0
    hum_hz: float = 0.0
    hum_dbfs: float = -70.0
    bumps: tuple[Bump, ...] = ()

    def samples(
        self, signal: FloatArray, *, rate_hz: float, rng: np.random.Generator
    ) -> FloatArray:
        """Make the noise that goes with a wanted `signal`, shape (n_samples,), of a take."""
        level_dbfs = self.level_dbfs
        if self.snr_db is not None:
            level_dbfs = float(rms_dbfs(signal)) - self.snr_db
        noise = np.zeros(signal.size)
        if np.isfinite(level_dbfs):
            noise = sloped_noise(signal.size, self.slope_db, rate_hz=rate_hz, rng=rng)
            noise *= amplitude_from_db(level_dbfs - float(rms_dbfs(noise)))
        if self.hum_hz:
            noise += self._hum(signal.size, rate_hz, rng)
        for bump in self.bumps:
            noise += bump.samples(signal.size, rate_hz=rate_hz, rng=rng)
        return noise

    def _hum(self, n_samples: int, rate_hz: float, rng: np.random.Generator) -> FloatArray:
        order = np.arange(1, HUM_HARMONICS + 1)
        order = order[order * self.hum_hz < rate_hz / 2.0]
        phase = rng.uniform(0.0, 2.0 * np.pi, order.size)
        hum = np.zeros(n_samples)
        for n, start in zip(order, phase, strict=True):
            turns = n * self.hum_hz / rate_hz * np.arange(n_samples)
            hum += np.sin(2.0 * np.pi * turns + start) / n
        return hum * amplitude_from_db(self.hum_dbfs - float(rms_dbfs(hum)))


def sloped_noise(
    n_samples: int, slope_db: float, *, rate_hz: float, rng: np.random.Generator
) -> FloatArray:
    """Make noise whose octave-band levels change by `slope_db` an octave; any overall level."""
    n_fft = scipy.fft.next_fast_len(n_samples, real=True)
    spectrum = scipy.fft.rfft(rng.standard_normal(n_fft))
    freq_hz = scipy.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    # White noise gains 3 dB an octave, for each octave is twice as wide.
    exponent = (slope_db / (10.0 * math.log10(2.0)) - 1.0) / 2.0
    spectrum *= (np.maximum(freq_hz, NOISE_LEVEL_FROM_HZ) / 1000.0) ** exponent
    spectrum[0] = 0.0
    return np.asarray(scipy.fft.irfft(spectrum, n_fft)[:n_samples])


@dataclass(frozen=True)
class Recorder:
    """A two-channel audio interface, or a recorder of its own.

    Parameters
    ----------
    rate_hz : float, optional
        Its nominal sample rate; the player's without.
    bits : int, optional
        Of its converter; floating point without.
    gain_db : float
        Of the microphone's preamp.
    clips_at : float
        Where the preamp clips, full scale = 1.0; the converter clips at 1.0.
    clock_ppm : float
        How much faster it runs than the player.
    latency_samples : int
        By which the microphone channel comes late, against the reference channel.
    reference_channel : bool
        Whether the reference rides in a second channel.
    reference_gain_db : float
        Of that channel.
    lost_blocks : tuple of int
        Which blocks of 512 samples the driver drops.
    gain_jump : tuple of (float, float), optional
        Somebody touches the preamp: when, in seconds from the start, and by how many dB.
    """

    rate_hz: float | None = None
    bits: int | None = 24
    gain_db: float = 0.0
    clips_at: float = 1.0
    clock_ppm: float = 0.0
    latency_samples: int = 0
    reference_channel: bool = True
    reference_gain_db: float = 0.0
    lost_blocks: tuple[int, ...] = ()
    gain_jump: tuple[float, float] | None = None

    def record(
        self,
        heard: FloatArray,
        played: FloatArray,
        *,
        rate_hz: float,
        noise: Noise,
        rng: np.random.Generator,
    ) -> tuple[FloatArray, float]:
        """Record what the microphone heard, and what was played.

        Parameters
        ----------
        heard, played : ndarray, shape (n_samples,)
            At the player's `rate_hz`.
        rng : Generator
            Of the noise.

        Returns
        -------
        samples : ndarray, shape (n_recorded, 1 or 2)
            Microphone, and the reference if it has a channel.
        rate_hz : float
            The nominal one, as a file would say.
        """
        nominal_hz = self.rate_hz or rate_hz
        true_hz = nominal_hz * (1.0 + 1e-6 * self.clock_ppm)
        signals = [heard, played] if self.reference_channel else [heard]
        if true_hz != rate_hz:
            signals = [soxr.resample(one, rate_hz, true_hz, quality="VHQ") for one in signals]
        microphone = np.concatenate((np.zeros(self.latency_samples), signals[0]))
        microphone = microphone[: signals[0].size] * amplitude_from_db(self.gain_db)
        microphone = microphone + noise.samples(microphone, rate_hz=nominal_hz, rng=rng)
        if self.gain_jump is not None:
            jump_s, jump_db = self.gain_jump
            microphone[round(jump_s * nominal_hz) :] *= amplitude_from_db(jump_db)
        channels = [np.clip(microphone, -self.clips_at, self.clips_at)]
        channels += [one * amplitude_from_db(self.reference_gain_db) for one in signals[1:]]
        samples = np.column_stack(channels)
        kept = ~np.isin(np.arange(len(samples)) // BLOCK_SAMPLES, self.lost_blocks)
        return self._convert(samples[kept]), nominal_hz

    def _convert(self, samples: FloatArray) -> FloatArray:
        if self.bits is None:
            return samples
        steps = 2.0 ** (self.bits - 1)
        return np.asarray(np.clip(np.round(samples * steps), -steps, steps - 1.0) / steps)
