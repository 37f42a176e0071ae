"""Takes of a recorder with its own clock, far back, where an echo is above the direct sound.

echoing(seed, kind) -> (take, clock_ppm)    the loudspeaker is upright
"""

from __future__ import annotations

import numpy as np
from scipy import signal

import rooms
from evenhall.acoustics.stimulus import exponential_sweep

RATE_HZ = 48_000
CLOCKS_PPM = (0.0, 20.0, -20.0, 150.0, -150.0)


def echoing(seed, kind="sweep"):
    """Draw clock, echo (0 to 6 dB above, 4 to 80 ms behind), room, box and noise."""
    rng = np.random.default_rng([seed, 12])
    duration_s = 0.5 * int(rng.integers(12, 25))
    if kind == "sweep":
        stimulus = exponential_sweep(
            duration_s, rate_hz=RATE_HZ, low_hz=rng.uniform(20.0, 60.0), high_hz=20e3, lead_s=0.05
        )
    else:
        stimulus = rooms.pink(2.0 * duration_s, RATE_HZ, rng)
    after_s = rng.uniform(0.004, 0.08)
    impulse = rooms.room(
        RATE_HZ,
        rng,
        rt_s=float(np.exp(rng.uniform(np.log(0.5), np.log(2.5)))),
        delay_s=rng.uniform(0.02, 0.06),
        direct_over_reverberant_db=rng.uniform(-12.0, -2.0),
        reflections=(
            (after_s, rng.uniform(0.0, 6.0)),
            (after_s * rng.uniform(0.3, 1.7), rng.uniform(-9.0, 2.0)),
        ),
        crossover_hz=rng.choice([None, 1800.0]),
    )
    high = signal.butter(
        rng.choice([4, 8]), rng.uniform(30.0, 100.0), "high", fs=RATE_HZ, output="sos"
    )
    impulse = signal.sosfilt(high, impulse)
    clock_ppm = float(rng.choice(CLOCKS_PPM))
    late_s = -0.1 * int(rng.integers(3, 30))
    take = rooms.take(stimulus, impulse, RATE_HZ, clock_ppm=clock_ppm, late_s=late_s)
    noise = rooms.pink(take.recording.size / RATE_HZ, RATE_HZ, rng)
    return take.with_noise(noise, snr_db=rng.uniform(20.0, 40.0)), clock_ppm
