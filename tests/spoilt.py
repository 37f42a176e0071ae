"""Takes that something spoils half-way, and sound ones with all that a hall does to them.

    draw(seed, kind)       a take by its seed, good or spoilt in a way that is drawn as well
    judged(take)           the response, the problems and whether it would be used
    worst_db(take, response)  largest error beyond three times what is stated, judged bands

What is true is the level before (or, where the sound came late, after) the fault. Nothing here
comes from the package but the stimuli.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soxr
from scipy import signal

import rooms
from evenhall.acoustics.stimulus import exponential_sweep, pink_noise
from evenhall.acoustics.transfer import transfer_function
from evenhall.verdict.trust import response_problems
from measured import measured_response

RATE_HZ = 48_000
SPOILS = (
    "dropout",  # nothing comes any more, for 0.2 s or for good
    "dip",  # 6 to 20 dB less, for 0.2 s or for good
    "fade",  # a gain is turned, over 0.3 s and more
    "step",  # a gain is switched
    "late",  # muted at first
    "limiter",  # turns the sound down where it goes on for too long
    "hiss",
    "talk",
    "music",
    "twin",  # another loudspeaker joins in with the same
)
HARD_DB, TIMES_STATED = 1.0, 3.0


@dataclass(frozen=True)
class SpoiltTake:
    """A take, and what was done to it."""

    take: rooms.SimulatedTake
    spoil: str | None
    at_s: float  # in the recording
    words: str


def _impulse(rng):
    pick = rng.random()
    if pick < 0.2:
        name = rng.choice(["sports-centre", "living-room", "street-left"])
        samples, rate_hz = measured_response(str(name))
        impulse = soxr.resample(samples, rate_hz, RATE_HZ)[: 3 * RATE_HZ]
        impulse = impulse / np.abs(impulse).max()
    else:
        impulse = rooms.room(
            RATE_HZ,
            rng,
            rt_s=float(np.exp(rng.uniform(np.log(0.3), np.log(3.0)))),
            delay_s=rng.uniform(0.003, 0.05),
            direct_over_reverberant_db=rng.uniform(-8.0, 4.0),
            reflections=((rng.uniform(0.001, 0.03), rng.uniform(-12.0, 5.0)),),
            crossover_hz=rng.choice([None, 1800.0]),
        )
    high = signal.butter(
        rng.choice([2, 4, 8]), rng.uniform(30.0, 100.0), "high", fs=RATE_HZ, output="sos"
    )
    low = signal.butter(
        rng.choice([1, 2, 8]), rng.uniform(12e3, 18e3), "low", fs=RATE_HZ, output="sos"
    )
    impulse = signal.sosfilt(low, signal.sosfilt(high, impulse))
    if rng.random() < 0.15:  # through something that packs sound smaller: all above is cut off
        taps = signal.firwin(1023, rng.uniform(15.5e3, 17e3), fs=RATE_HZ)
        impulse = np.convolve(impulse, taps)
    return impulse


def _ambience(n, rms, rng):
    """What sounds in a hall besides: always some noise, now and then more."""
    noise = rooms.pink(n / RATE_HZ, RATE_HZ, rng)
    total = rms * 10.0 ** (-rng.uniform(20.0, 45.0) / 20.0) * noise / noise.std()
    for extra in rng.choice(
        ["none", "hum", "cough", "slam", "murmur", "wind"], size=2, replace=False
    ):
        level_db = rng.uniform(-35.0, -20.0)
        at_s = rng.uniform(0.5, n / RATE_HZ - 0.5, size=1)
        if extra == "hum":
            sound = rooms.hum(n, RATE_HZ, mains_hz=rng.choice([50.0, 60.0]))
        elif extra == "cough":
            sound = rooms.slams(n, RATE_HZ, rng, at_s, decay_s=0.1)
            sound *= 10.0 ** (rng.uniform(0.0, 10.0) / 20.0) * rms / max(np.abs(sound).max(), 1e-9)
            total += sound
            continue
        elif extra == "slam":
            sound = rooms.slams(n, RATE_HZ, rng, at_s, decay_s=0.15)
            sos = signal.butter(1, 300.0, "low", fs=RATE_HZ, output="sos")
            sound = signal.sosfilt(sos, sound)
            sound *= 10.0 ** (rng.uniform(5.0, 20.0) / 20.0) * rms / max(np.abs(sound).max(), 1e-9)
            total += sound
            continue
        elif extra == "murmur":
            sound = rooms.speech_like(n, RATE_HZ, rng) + rooms.speech_like(n, RATE_HZ, rng)
        elif extra == "wind":
            sos = signal.butter(2, 60.0, "low", fs=RATE_HZ, output="sos")
            gusts = 1.0 + np.sin(2 * np.pi * 0.3 * np.arange(n) / RATE_HZ + rng.uniform(0, 6))
            sound = signal.sosfilt(sos, rng.standard_normal(n)) * gusts
        else:
            continue
        total += rms * 10.0 ** (level_db / 20.0) * sound / sound.std()
    return total


def _ramp(n, at_s, length_s):
    """0 before, 1 after, straight between."""
    time_s = np.arange(n) / RATE_HZ
    return np.clip((time_s - at_s) / max(length_s, 1e-3), 0.0, 1.0)


def _gain(spoil, n, duration_s, played, rng):
    """Gain of the path over time, and when it moves."""
    at_s = rng.uniform(0.15, 0.8) * duration_s
    lasts_s = duration_s if rng.random() < 0.6 else rng.uniform(0.2, 0.5 * duration_s)
    edge_s = float(10.0 ** rng.uniform(-3.0, -1.5))
    inside = _ramp(n, at_s, edge_s) - _ramp(n, at_s + lasts_s, edge_s)
    if spoil == "dropout":
        return 1.0 - inside, at_s, f"off for {min(lasts_s, duration_s - at_s):.1f} s"
    if spoil == "dip":
        depth_db = rng.uniform(6.0, 20.0)
        return 10.0 ** (-depth_db / 20.0 * inside), at_s, f"{depth_db:.0f} dB for {lasts_s:.1f} s"
    if spoil in ("fade", "step"):
        by_db = float(rng.choice([-6.0, -3.0, -1.5, 1.5, 3.0]))
        length_s = rng.uniform(0.3, duration_s - at_s) if spoil == "fade" else edge_s
        gain = 10.0 ** (by_db / 20.0 * _ramp(n, at_s, length_s))
        return gain, at_s, f"{by_db:+.1f} dB over {length_s:.2f} s"
    if spoil == "late":
        at_s = rng.uniform(0.1, 0.5) * duration_s
        return _ramp(n, at_s, edge_s), at_s, "muted till then"
    assert spoil == "limiter"
    # Loudness over a second or so, brought down by a ratio where it passes the threshold.
    slow = signal.lfilter([1.0], [1.0, -np.exp(-1.0 / (0.8 * RATE_HZ))], played**2)
    level_db = 10.0 * np.log10(np.maximum(slow / slow.max(), 1e-12))
    over_db = np.maximum(level_db + rng.uniform(4.0, 9.0), 0.0)
    ratio = rng.choice([3.0, 10.0])
    gain_db = -over_db * (1.0 - 1.0 / ratio)
    at_s = float(np.argmax(gain_db < -0.5)) / RATE_HZ
    return 10.0 ** (gain_db / 20.0), at_s, f"{gain_db.min():.1f} dB, {ratio:.0f}:1"


def draw(seed, kind, spoil=None):
    """Draw a take of "pink" or "sweep", spoilt or (None) as good as a hall lets it be."""
    rng = np.random.default_rng([seed, kind == "sweep", SPOILS.index(spoil) if spoil else 99])
    duration_s = 0.5 * int(rng.integers(12, 40))  # lengths that transforms like
    if kind == "pink":
        stimulus = pink_noise(
            duration_s, rate_hz=RATE_HZ, seed=int(rng.integers(1000)), level_dbfs=-20.0
        )
    else:
        duration_s = min(duration_s, 12.0)
        stimulus = exponential_sweep(
            duration_s, rate_hz=RATE_HZ, low_hz=rng.uniform(20.0, 60.0), high_hz=20e3, lead_s=0.05
        )
    impulse = _impulse(rng)
    ppm = rng.choice([None, None, 0.0, 20.0, -150.0, 150.0])
    gain, at_s, words = np.ones(stimulus.size), np.nan, ""
    second = np.zeros(stimulus.size)
    if spoil in SPOILS[:6]:
        gain, at_s, words = _gain(spoil, stimulus.size, duration_s, stimulus, rng)
    early = 0.1 * int(rng.integers(3, 30)) if ppm is not None else 0.0
    good = rooms.take(stimulus, impulse, RATE_HZ, clock_ppm=ppm, late_s=-early)
    sound = rooms.take(stimulus * gain, impulse, RATE_HZ, clock_ppm=ppm, late_s=-early)
    extra = np.zeros(good.recording.size)
    if spoil in SPOILS[6:]:
        at_s = rng.uniform(0.2, 0.8) * duration_s
        begins = round((at_s + early) * RATE_HZ)
        n = extra.size - begins
        level_db = rng.uniform(-12.0, 3.0)
        words = f"at {level_db:+.0f} dB"
        if spoil == "hiss":
            second = rng.standard_normal(n)
        elif spoil == "talk":
            second = rooms.speech_like(n, RATE_HZ, rng)
        elif spoil == "music":
            second = rooms.music(n / RATE_HZ, RATE_HZ, rng)[:n]
            second = np.resize(second, n)
        else:
            other = rooms.room(RATE_HZ, rng, rt_s=0.8, delay_s=rng.uniform(0.01, 0.05))
            joined = stimulus * _ramp(stimulus.size, at_s, 0.005)
            second = rooms.take(joined, other, RATE_HZ, clock_ppm=ppm, late_s=-early).recording
            second = second[begins : begins + n].astype(float)
        extra[begins : begins + second.size] += (
            good.signal_rms * 10.0 ** (level_db / 20.0) * second / second.std()
        )
    sound = rooms.replace(good, recording=sound.recording)  # what was sent is as it was
    sound = sound.plus(extra + _ambience(sound.recording.size, good.signal_rms, rng))
    return SpoiltTake(sound, spoil, at_s + early, words)


def judged(spoilt):
    """Response, problems and whether the take would be used."""
    signals, rates = spoilt.take.arguments
    response = transfer_function(*signals, **rates)
    shared = spoilt.take.reference_rate_hz is None
    problems, usable = response_problems(response, shared_clock=shared, full_range=True)
    return response, problems, usable


def worst_db(spoilt, response):
    """Largest error that is more than 1 dB and three times what is stated; 0 if there is none."""
    error_db = np.abs(response.bands.level_db - spoilt.take.levels_db)
    stated_db = response.bands.uncertainty_db
    hard = response.bands.usable & rooms.bands_between(63, 16_000)
    hard &= (error_db > HARD_DB) & (error_db > TIMES_STATED * np.nan_to_num(stated_db, nan=np.inf))
    return float(error_db[hard].max(initial=0.0))
