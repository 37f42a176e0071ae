"""How soon and how well the fader in hand is known, on simulated rounds of sound.

A 31-fader unit, so many moves a row. A hand waits, takes a fader at random, moves it at 2 to
12 dB in a second and lets go. By cable noise lies 60 dB below the sound; in the air 20 dB below
it in every third octave, and the room scatters the lines (Rayleigh) as a diffuse field does.

    OMP_NUM_THREADS=1 PYTHONPATH=src:bench python bench/following.py
"""

from __future__ import annotations

import sys
import time

import numpy as np

from evenhall.acoustics.periodic import bands_of, round_gain
from evenhall.equalizer.following import at_rest, begin, follow
from evenhall.equalizer.graphic import graphic_unit, unit_gain_db

RATE_HZ, ROUND = 48_000.0, 9600
ROUND_S = ROUND / RATE_HZ
BANDS = bands_of(ROUND, rate_hz=RATE_HZ, low_hz=16.0, high_hz=20_000.0)
QUIET_ROUNDS, BEFORE_ROUNDS = 10, 15
UNIT = graphic_unit(31)


def noisy(power, noise, rng):
    """Power of lines with Gaussian noise added."""
    wave = rng.normal(size=(2, *power.shape)) * np.sqrt(noise / 2.0)
    return (np.sqrt(power) + wave[0]) ** 2 + wave[1] ** 2


def one_move(way, rng):
    """Fader taken, whether it was recognised within 1 s, and its error after it was let go."""
    pink = 1.0 / BANDS.line_hz
    room = rng.exponential(size=pink.size) if way == "air" else np.ones(pink.size)
    noise = pink * 10.0 ** (-6.0 if way == "cable" else -2.0)
    quiet = noise * rng.gamma(QUIET_ROUNDS, size=pink.size) / QUIET_ROUNDS
    start_db = np.zeros(31) if way == "air" else np.round(rng.uniform(-6, 6, 31) * 2) / 2

    def heard(fader_db):
        gain = 10.0 ** (unit_gain_db(UNIT, fader_db, BANDS.line_hz) / 10.0)
        return noisy(pink * room * gain, noise, rng)

    reference = pink
    if way == "air":
        before = np.mean([heard(start_db) for _ in range(BEFORE_ROUNDS)], axis=0)
        reference = np.maximum(before - quiet, 1e-3 * before)
    state = begin(
        UNIT,
        np.zeros(31),
        fader_sigma_db=0.1 if way == "air" else 6.0,
        level_sigma_db=0.3 if way == "air" else 20.0,
    )

    def step(state, fader_db):
        told = round_gain(heard(fader_db), reference, quiet, BANDS)
        return follow(state, told.freq_hz, told.gain_db, told.uncertainty_db, elapsed_s=ROUND_S)

    faders_db = start_db.copy()
    for _ in range(5):
        state = step(state, faders_db)
    state = at_rest(state)
    which = int(rng.integers(31))
    goal_db = rng.choice([-1.0, 1.0]) * rng.uniform(2.0, 6.0)
    pace_db = rng.uniform(2.0, 12.0) * ROUND_S
    found_s, moving_s = None, 0.0
    while faders_db[which] != start_db[which] + goal_db:
        left = start_db[which] + goal_db - faders_db[which]
        faders_db[which] += np.clip(left, -pace_db, pace_db)
        state = step(state, faders_db)
        moving_s += ROUND_S
        if found_s is None and state.in_hand == which:
            found_s = moving_s
    errors = []
    for _ in range(15):
        state = step(state, faders_db)
        moving_s += ROUND_S
        if found_s is None and state.in_hand == which:
            found_s = moving_s
        errors.append(state.fader_db[which] - faders_db[which])
    # Faders that nobody moved, the lowest four left aside: how far off they seem to be.
    others = np.delete(np.abs(state.fader_db - faders_db), np.unique([0, 1, 2, 3, which]))
    return which, found_s, np.array(errors), others.max(), state.in_hand == which


def main():
    """Print the table."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(f"{rounds} moves a row, seed 1")
    print(
        "way    fader        in hand<=1s  after 1 s: p50 p95 dB   after 3 s: p95   held"
        "   others: p95 dB"
    )
    for way, limit_db in (("cable", 0.5), ("air", 1.0)):
        rng = np.random.default_rng(1)
        start = time.perf_counter()
        moves = [one_move(way, rng) for _ in range(rounds)]
        spent_ms = 1e3 * (time.perf_counter() - start) / (rounds * 25)
        for name, low, high in (("20-40", 0, 4), ("50 up", 4, 31), ("all", 0, 31)):
            part = [m for m in moves if low <= m[0] < high]
            soon = np.mean([m[1] is not None and m[1] <= 1.0 + 1e-9 for m in part])
            after_1 = np.array([abs(m[2][4]) for m in part])
            after_3 = np.array([abs(m[2][14]) for m in part])
            held = np.mean([m[4] for m in part])
            print(
                f"{way:6} {name:8} {len(part):4} {100 * soon:6.1f} %  "
                f"{np.median(after_1):12.2f} {np.quantile(after_1, 0.95):.2f} "
                f"(within {limit_db}: {100 * np.mean(after_1 <= limit_db):.1f} %)"
                f"  {np.quantile(after_3, 0.95):8.2f}   {100 * held:.0f} %   "
                f"{np.quantile([m[3] for m in part], 0.95):.2f}"
            )
        print(f"{way}: about {spent_ms:.1f} ms a round")


if __name__ == "__main__":
    main()
