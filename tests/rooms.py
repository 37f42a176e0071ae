"""Takes whose truth is known: a stimulus through a box and a room, recorded with what disturbs.

Nothing here comes from the package under test: filters are scipy.signal's, band levels are
integrated from a fine spectrum.

    pink(), sweep(), music()     stimuli
    box(), room()                impulse responses
    random_take()                any of these, with what may disturb a real one
    take()                       recording and reference, ready for `transfer_function()`
    true_levels_db()             what its third-octave levels must be
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import soxr
from scipy import signal

# IEC 61260-1:2014, base ten: mid-bands 1000 * 10^(n/10) Hz, edges a factor 10^0.05 away.
MIDBAND_HZ = 1000.0 * 10.0 ** (np.arange(-17, 14) / 10.0)
HIGHEST_HZ = 22_000.0
AFTER_S = 0.5  # the recorder runs on after the stimulus


def bands_between(low_hz, high_hz):
    """Mask of the third-octave bands whose mid-bands lie between two nominal ones."""
    return (low_hz * 0.95 < MIDBAND_HZ) & (high_hz * 1.05 > MIDBAND_HZ)


def true_levels_db(impulse, rate_hz):
    """Power mean of the spectrum over log frequency in each third octave, dB."""
    n_fft = 1 << int(np.ceil(np.log2(max(impulse.size, 20 * rate_hz))))
    power = np.abs(np.fft.rfft(impulse, n_fft)) ** 2
    log_hz = np.log(np.fft.rfftfreq(n_fft, 1.0 / rate_hz)[1:])
    area = np.append(0.0, np.cumsum(np.diff(log_hz) * 0.5 * (power[2:] + power[1:-1])))
    lower = np.interp(np.log(MIDBAND_HZ * 10.0**-0.05), log_hz, area)
    upper = np.interp(np.log(MIDBAND_HZ * 10.0**0.05), log_hz, area)
    return 10.0 * np.log10((upper - lower) / np.log(10.0**0.1))


def pink(duration_s, rate_hz, rng, *, low_hz=16.0, high_hz=HIGHEST_HZ):
    """Noise of a density that falls 3 dB an octave, standard deviation 0.1."""
    n = round(duration_s * rate_hz)
    freq_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    inside = (freq_hz > low_hz) & (freq_hz < high_hz)
    magnitude = np.where(inside, 1.0 / np.sqrt(np.maximum(freq_hz, 1.0)), 0.0)
    noise = np.fft.irfft(magnitude * np.exp(2j * np.pi * rng.random(freq_hz.size)), n)
    return 0.1 * noise / noise.std()


def sweep(duration_s, rate_hz):
    """Exponential sweep from 15 Hz to just under half the rate, or 22 kHz, faded at both ends."""
    high_hz = min(HIGHEST_HZ, 0.48 * rate_hz)
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    tone = 0.3 * signal.chirp(
        time_s, 15.0, duration_s, high_hz, method="logarithmic", vertex_zero=False, phi=-90
    )
    rise, fall = round(0.05 * rate_hz), round(0.01 * rate_hz)
    tone[:rise] *= np.linspace(0.0, 1.0, rise)
    tone[-fall:] *= np.linspace(1.0, 0.0, fall)
    return tone


def music(duration_s, rate_hz, rng):
    """Bass, plucked notes, bass drum, snare and hi-hat, with rests in which nothing sounds."""
    total = np.zeros(round(duration_s * rate_hz))

    def add(at_s, sound):
        begin = round(at_s * rate_hz)
        end = min(total.size, begin + sound.size)
        total[begin:end] += sound[: max(0, end - begin)]

    def faded(length_s, decay_s):
        time_s = np.arange(round(length_s * rate_hz)) / rate_hz
        return time_s, np.exp(-time_s / decay_s) * np.minimum(1.0, time_s / 0.002)

    def note(pitch_hz, decay_s, gain):
        time_s, envelope = faded(4.0 * decay_s, decay_s)
        overtones = np.arange(1, int(min(12_000.0, 0.45 * rate_hz) / pitch_hz))
        sound = sum(
            np.sin(2 * np.pi * k * pitch_hz * time_s + rng.uniform(0, 6)) / k**1.2
            for k in overtones[:24]
        )
        return gain * sound * envelope

    def hiss(length_s, decay_s, gain, low_hz):
        _, envelope = faded(length_s, decay_s)
        sos = signal.butter(2, low_hz, "high", fs=rate_hz, output="sos")
        return gain * signal.sosfilt(sos, rng.standard_normal(envelope.size)) * envelope

    beat_s = 0.5
    for beat in range(int(duration_s / beat_s)):
        if beat % 12 in (10, 11):  # a second of rest
            continue
        at_s = beat * beat_s
        time_s, envelope = faded(0.3, 0.08)
        thump = np.sin(2 * np.pi * (45.0 * time_s + 4.0 * (1.0 - np.exp(-time_s / 0.03))))
        if beat % 2 == 0:
            add(at_s, 0.4 * thump * envelope + hiss(0.3, 0.004, 0.05, 1000.0))
        else:
            add(at_s, hiss(0.4, 0.06, 0.12, 200.0))
        add(at_s, hiss(0.1, 0.02, 0.03, 6000.0))
        add(at_s + beat_s / 2, hiss(0.1, 0.02, 0.03, 6000.0))
        add(at_s, note(rng.choice([41.2, 55.0, 61.7, 73.4]), 0.3, 0.1))
        if rng.random() < 0.6:
            add(at_s, note(rng.choice([196.0, 246.9, 293.7, 392.0, 587.3]), 0.4, 0.06))
    return 0.1 * total / total.std()


def peaking(freq_hz, gain_db, q, rate_hz):
    """One peaking section as sos, after the published cookbook formulas (R. Bristow-Johnson)."""
    a = 10.0 ** (gain_db / 40.0)
    w = 2.0 * np.pi * freq_hz / rate_hz
    alpha = np.sin(w) / (2.0 * q)
    b = np.array([1.0 + alpha * a, -2.0 * np.cos(w), 1.0 - alpha * a])
    c = np.array([1.0 + alpha / a, -2.0 * np.cos(w), 1.0 - alpha / a])
    return np.concatenate([b / c[0], c / c[0]])[None, :]


def fractional_delay(delay_s, n, rate_hz):
    """Band-limited unit pulse at `delay_s`, shape (n,)."""
    turned = np.exp(-2j * np.pi * np.fft.rfftfreq(2 * n, 1.0 / rate_hz) * delay_s)
    return np.fft.irfft(turned, 2 * n)[:n]


def box(impulse, rate_hz, *, crossover_hz=None):
    """What comes out of a small loudspeaker: limits, three faults, a crossover if it is two-way."""
    for sos in (
        signal.butter(4, 55.0, "high", fs=rate_hz, output="sos"),
        signal.butter(1, 16_000.0, "low", fs=rate_hz, output="sos"),
        peaking(220.0, 6.0, 2.0, rate_hz),
        peaking(500.0, -4.0, 2.0, rate_hz),
        peaking(2800.0, 4.0, 3.0, rate_hz),
    ):
        impulse = signal.sosfilt(sos, impulse)
    if crossover_hz is None:
        return impulse
    # Linkwitz-Riley, 24 dB an octave: each branch two equal Butterworth sections.
    low = signal.butter(2, crossover_hz, "low", fs=rate_hz, output="sos")
    high = signal.butter(2, crossover_hz, "high", fs=rate_hz, output="sos")
    woofer = signal.sosfilt(low, signal.sosfilt(low, impulse))
    return woofer + signal.sosfilt(high, signal.sosfilt(high, impulse))


def room(
    rate_hz,
    rng,
    *,
    rt_s=0.9,
    delay_s=0.00729,
    direct_over_reverberant_db=-3.0,
    reflections=(),
    crossover_hz=None,
):
    """Direct sound, reflections (seconds after it, dB re it) and a Gaussian decaying tail."""
    n = round((delay_s + 1.5 * rt_s + 0.1) * rate_hz)
    time_s = np.arange(n) / rate_hz
    sound = fractional_delay(delay_s, n, rate_hz)
    for after_s, level_db in reflections:
        sound += 10.0 ** (level_db / 20.0) * fractional_delay(delay_s + after_s, n, rate_hz)
    tail = rng.standard_normal(n) * 10.0 ** (-3.0 * time_s / rt_s)
    tail[time_s < delay_s + 0.004] = 0.0
    gain = 10.0 ** (-direct_over_reverberant_db / 20.0) / np.sqrt(np.sum(tail**2))
    return box(sound + gain * tail, rate_hz, crossover_hz=crossover_hz)


def dry(rate_hz, *, delay_s=0.00729, crossover_hz=None, reflections=()):
    """The same without the tail."""
    n = round((delay_s + 0.4) * rate_hz)
    sound = fractional_delay(delay_s, n, rate_hz)
    for after_s, level_db in reflections:
        sound += 10.0 ** (level_db / 20.0) * fractional_delay(delay_s + after_s, n, rate_hz)
    return box(sound, rate_hz, crossover_hz=crossover_hz)


@dataclass(frozen=True)
class SimulatedTake:
    """Recording and reference as float32, and what is true of them."""

    recording: np.ndarray
    reference: np.ndarray
    rate_hz: float
    reference_rate_hz: float | None
    levels_db: np.ndarray
    signal_rms: float
    delay_s: float = np.nan  # of the direct sound, where it was drawn

    def with_noise(self, noise, *, snr_db):
        """`noise` added, its rms `snr_db` under that of the loudspeaker's sound."""
        noise = np.resize(noise, self.recording.size)
        gain = self.signal_rms * 10.0 ** (-snr_db / 20.0) / noise.std()
        return self.plus(gain * noise)

    def plus(self, sound):
        """`sound` added to the recording."""
        return replace(self, recording=(self.recording + sound).astype(np.float32))

    @property
    def arguments(self):
        """What `transfer_function()` is called with."""
        rates = {"rate_hz": self.rate_hz, "reference_rate_hz": self.reference_rate_hz}
        return (self.recording, self.reference), rates


def take(
    stimulus,
    impulse,
    rate_hz,
    *,
    clock_ppm=None,
    late_s=0.0,
    reference_rate_hz=None,
    after_s=AFTER_S,
):
    """Record a stimulus through an impulse response, without noise.

    Without `clock_ppm` the reference is a channel of the recording. With it, it is a file of its
    own, and the recorder's clock is that much faster than the player's; the recorder then
    starts `late_s` after the stimulus (before it where negative).
    """
    sound = signal.oaconvolve(stimulus, impulse)
    n_heard = stimulus.size + round(after_s * rate_hz)
    sound = np.resize(np.append(sound, np.zeros(max(0, n_heard - sound.size))), n_heard)
    rms = float(sound[: stimulus.size].std())
    levels_db = true_levels_db(impulse, rate_hz)
    if clock_ppm is None:
        reference = np.append(stimulus, np.zeros(n_heard - stimulus.size))
        return SimulatedTake(
            sound.astype(np.float32), reference.astype(np.float32), rate_hz, None, levels_db, rms
        )
    shift = round(late_s * rate_hz)
    sound = sound[shift:] if shift > 0 else np.append(np.zeros(-shift), sound)
    sound = soxr.resample(sound, rate_hz, rate_hz * (1.0 + clock_ppm * 1e-6), quality="VHQ")
    file_rate_hz = reference_rate_hz or rate_hz
    played = soxr.resample(stimulus, rate_hz, file_rate_hz, quality="VHQ")
    return SimulatedTake(
        sound.astype(np.float32), played.astype(np.float32), rate_hz, file_rate_hz, levels_db, rms
    )


@cache
def hall(rate_hz, rt_s, seed):
    """`room()` by its seed alone, made once."""
    impulse = room(rate_hz, np.random.default_rng(seed), rt_s=rt_s)
    impulse.setflags(write=False)
    return impulse


def hum(n, rate_hz, *, mains_hz=50.0):
    """Mains hum: its fundamental, a little off the nominal, and six harmonics."""
    time_s = np.arange(n) / rate_hz
    line_hz = mains_hz * 1.0007
    return sum(np.sin(2 * np.pi * k * line_hz * time_s + k) / k for k in range(1, 8))


def slams(n, rate_hz, rng, times_s, *, decay_s=0.08):
    """Doors: bursts of white noise that die away, peak envelope 1."""
    total = np.zeros(n)
    length = round(6 * decay_s * rate_hz)
    envelope = np.exp(-np.arange(length) / (decay_s * rate_hz))
    for at_s in times_s:
        begin = round(at_s * rate_hz)
        end = min(n, begin + length)
        total[begin:end] += (rng.standard_normal(length) * envelope)[: end - begin]
    return total


def speech_like(n, rate_hz, rng):
    """Noise in the band of a voice, in syllables: four a second, with pauses between sentences."""
    sos = signal.butter(2, [150.0, 4000.0], "band", fs=rate_hz, output="sos")
    time_s = np.arange(n) / rate_hz
    syllables = np.maximum(0.0, np.sin(2 * np.pi * 4.0 * time_s + rng.uniform(0, 6))) ** 2
    sentences = (np.sin(2 * np.pi * 0.4 * time_s + rng.uniform(0, 6)) > -0.5).astype(float)
    return signal.sosfilt(sos, rng.standard_normal(n)) * syllables * sentences


STIMULI = {
    "pink": pink,
    "sweep": lambda duration_s, rate_hz, rng: sweep(duration_s, rate_hz),
    "music": music,
}
DISTURBANCES = (None, None, "hum", "slams")


def random_take(rng, kind, snr_db, *, rate_hz=48_000, longest_s=20.0):
    """Draw room, length, kind of noise and disturbance for a stimulus at a given SNR."""
    stimulus = STIMULI[kind](rng.uniform(3.0, longest_s), rate_hz, rng)
    delay_s = rng.uniform(0.003, 0.05)
    impulse = room(
        rate_hz,
        rng,
        rt_s=float(np.exp(rng.uniform(np.log(0.3), np.log(3.0)))),
        delay_s=delay_s,
        direct_over_reverberant_db=rng.uniform(-8.0, 4.0),
        reflections=((rng.uniform(0.001, 0.02), rng.uniform(-12.0, 3.0)),),
    )
    simulated = replace(take(stimulus, impulse, rate_hz), delay_s=delay_s)
    n = simulated.recording.size
    noise = rng.standard_normal(n) if rng.random() < 0.5 else pink(n / rate_hz, rate_hz, rng)
    simulated = simulated.with_noise(noise, snr_db=snr_db)
    disturbance = rng.choice(len(DISTURBANCES))
    if DISTURBANCES[disturbance] == "hum":
        lines = hum(n, rate_hz, mains_hz=rng.choice([50.0, 60.0]))
        level_db = rng.uniform(-30.0, -10.0)
        return simulated.plus(simulated.signal_rms * 10 ** (level_db / 20) * lines / lines.std())
    if DISTURBANCES[disturbance] == "slams":
        doors = slams(n, rate_hz, rng, rng.uniform(1.0, n / rate_hz - 0.5, size=2))
        return simulated.plus(simulated.signal_rms * 10 ** (rng.uniform(0.0, 25.0) / 20) * doors)
    return simulated
