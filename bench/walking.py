"""How true the levels of a walk are, in simulated rooms whose truth is known place by place.

Random rooms and boxes; the microphone is carried along the way that the pages draw while pink noise
plays, 20 dB over the noise of the hall. Truth is the mean power of the static responses at 160
places of that way. Then the same walks with a door slam, ten steps and a cough in them, and the
time that judging 40 s takes.

    OPENBLAS_NUM_THREADS=1 python bench/walking.py [WALKS]
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from evenhall.acoustics.bands import NOMINAL_HZ, log_frequency_mean
from evenhall.acoustics.stimulus import pink_noise
from evenhall.acoustics.walking import walk_levels
from evenhall.hall.path import walk_path
from evenhall.hall.setting import Audience
from evenhall.sound.simulated import Box, Element, Noise, Room, SimulatedHall
from evenhall.sound.simulated.recorder import Bump
from evenhall.sound.simulated.walking import place_response

RATE_HZ = 48_000
LEAD_S, PLACES = 3.0, 160
JUDGED = (NOMINAL_HZ >= 63) & (NOMINAL_HZ <= 16_000)


def walk(seed: int) -> dict[str, np.ndarray | float]:
    """Walk through a room, quietly and not."""
    rng = np.random.default_rng([90, seed])
    size = (rng.uniform(9, 22), rng.uniform(6, 13), rng.uniform(2.8, 6.5))
    middle_s = rng.uniform(0.4, 1.6)
    room = Room(*size, rt60_s=tuple(middle_s * 0.94 ** (k - 4) for k in range(8)), seed=seed)
    box = Element(Box(), (0.9, size[1] / 2 - 0.25 * size[1], 1.9), down_deg=5.0)
    path = walk_path(Audience(2.0, size[0] - 3.0), length_m=size[0] - 0.9, width_m=size[1])
    length_s = path.length_s
    time_s = np.linspace(0.0, 1.0, 200)

    def place(share):
        along, across = path.at(share).T
        return np.column_stack([0.9 + along, size[1] / 2 + across, np.full(along.size, 1.2)])

    hall = SimulatedHall(room, {"left": box}, {})
    noise = pink_noise(length_s, rate_hz=RATE_HZ, seed=seed, level_dbfs=-20.0)
    programme = np.concatenate([np.zeros(round(LEAD_S * RATE_HZ)), noise])
    times = LEAD_S + time_s * length_s

    def heard(bumps=()):
        samples, _ = hall.walk(
            ["left"],
            times,
            place(time_s),
            programme,
            rate_hz=RATE_HZ,
            seed=seed,
            noise=Noise(snr_db=20.0, bumps=bumps),
        )
        return walk_levels(*samples.astype(np.float32).T.copy(), rate_hz=RATE_HZ)

    source = hall.source("left", rate_hz=RATE_HZ)
    power = []
    for point in place((np.arange(PLACES) + 0.5) / PLACES):
        impulse = place_response(room, source, tuple(point), rate_hz=RATE_HZ)
        n_fft = 1 << int(np.ceil(np.log2(max(impulse.size, RATE_HZ))))
        spectrum = np.abs(np.fft.rfft(impulse, n_fft)) ** 2
        power.append(log_frequency_mean(spectrum, spacing_hz=RATE_HZ / n_fft))
    quiet = heard()
    # Noises as loud as they are beside a walker: peaks 12 to 20 dB over the RMS of the sound.
    loud_dbfs = float(np.nanmean(quiet.bands.level_db)) - 20.0 + rng.uniform(12.0, 20.0)
    steps = tuple(Bump("step", 4.0 + 0.09 * length_s * k, loud_dbfs - 6.0) for k in range(10))
    bumps = (Bump("slam", 11.0, loud_dbfs), *steps, Bump("cough", 17.3, loud_dbfs - 3.0))
    noisy = heard(bumps)
    return {
        "error_db": quiet.bands.level_db - 10.0 * np.log10(np.mean(power, axis=0)),
        "stated_db": quiet.bands.uncertainty_db,
        "bumps_db": noisy.bands.level_db - quiet.bands.level_db,
        "pace": quiet.pace_m_s / (path.length_m / length_s),
        "kept": quiet.kept_s / quiet.sounded_s,
        "kept_noisy": noisy.kept_s / noisy.sounded_s,
        "score": quiet.match_score,
    }


def seconds_for(length_s: float = 40.0) -> float:
    """Time that judging a walk takes."""
    rng = np.random.default_rng(1)
    noise = pink_noise(length_s, rate_hz=RATE_HZ, seed=1, level_dbfs=-20.0).astype(np.float32)
    heard = 0.1 * noise + 1e-4 * rng.standard_normal(noise.size).astype(np.float32)
    taken = []
    for _ in range(5):
        start = time.perf_counter()
        walk_levels(heard, noise, rate_hz=RATE_HZ)
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(walk, range(count)))
    error, stated, bumps = (
        np.array([one[name] for one in found]) for name in ("error_db", "stated_db", "bumps_db")
    )
    print("| band | error, rms | largest | stated | bumps, rms | largest |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: |")
    for k in np.flatnonzero(JUDGED):
        own, more = error[:, k], bumps[:, k]
        print(
            f"| {NOMINAL_HZ[k]:g} Hz | {np.sqrt(np.nanmean(own**2)):.2f} | "
            f"{np.nanmax(np.abs(own)):.2f} | {np.nanmean(stated[:, k]):.2f} | "
            f"{np.sqrt(np.nanmean(more**2)):.2f} | {np.nanmax(np.abs(more)):.2f} |"
        )
    inside = np.abs(error[:, JUDGED]) <= 2.0 * stated[:, JUDGED]
    pace = np.array([one["pace"] for one in found])
    print(
        f"\nwithin twice what is stated: {np.nanmean(inside):.1%}; from 125 Hz up within 0.3 dB: "
        f"{np.mean(np.abs(error[:, 8:30]) <= 0.3):.1%}, 63 to 100 Hz within 0.6 dB: "
        f"{np.mean(np.abs(error[:, 5:8]) <= 0.6):.1%}; slam, steps and cough within 0.2 dB: "
        f"{np.mean(np.abs(bumps[:, JUDGED]) <= 0.2):.1%}; pace over truth {np.nanmean(pace):.2f} "
        f"(sd {np.nanstd(pace):.2f}); kept {np.mean([one['kept'] for one in found]):.0%}, with the "
        f"noises {np.mean([one['kept_noisy'] for one in found]):.0%}; match "
        f"{min(one['score'] for one in found):.1f} at the least; 40 s judged in "
        f"{seconds_for():.2f} s"
    )


if __name__ == "__main__":
    main()
