"""Whether the reference is in the take at all: never by chance, always where it is."""

from __future__ import annotations

import numpy as np
import pytest

import rooms
from evenhall.acoustics.transfer import transfer_function

RATE_HZ = 48000
STIMULI = {
    "pink": lambda rng: rooms.pink(5.0, RATE_HZ, rng),
    "sweep": lambda rng: rooms.sweep(5.0, RATE_HZ),
    "music": lambda rng: rooms.music(5.0, RATE_HZ, rng),
}


def score(recording, reference, own_clock):
    response = transfer_function(
        recording.astype(np.float32),
        reference.astype(np.float32),
        rate_hz=RATE_HZ,
        reference_rate_hz=RATE_HZ if own_clock else None,
    )
    # Laid against each other with less than a second in common, two signals do not match.
    return 0.0 if response is None else response.match_score


def unrelated(seed):
    """What a microphone may hear instead: each kind once."""
    rng = np.random.default_rng(1000 + seed)
    n = int(5.5 * RATE_HZ)
    kinds = (
        lambda: rng.standard_normal(n),
        lambda: rooms.pink(5.5, RATE_HZ, rng),
        lambda: rooms.speech_like(n, RATE_HZ, rng),
        lambda: rooms.music(5.5, RATE_HZ, rng),
        lambda: rooms.hum(n, RATE_HZ) + 0.01 * rng.standard_normal(n),
        lambda: rooms.slams(n, RATE_HZ, rng, (1.0, 2.7, 4.1)) + 1e-3 * rng.standard_normal(n),
    )
    return kinds[seed % len(kinds)]()


@pytest.mark.parametrize("own_clock", [False, True], ids=["channel", "file"])
@pytest.mark.parametrize("kind", STIMULI)
def test_unrelated_sound_never_passes_for_the_reference(kind, own_clock):
    reached = {}
    for seed in range(6):
        reference = STIMULI[kind](np.random.default_rng(seed))
        if not own_clock:
            reference = np.append(reference, np.zeros(RATE_HZ // 2))
        reached[seed] = score(unrelated(seed), reference, own_clock)
    assert all(value < 1.0 for value in reached.values()), reached


@pytest.mark.parametrize("own_clock", [False, True], ids=["channel", "file"])
@pytest.mark.parametrize("kind", STIMULI)
@pytest.mark.parametrize("noise", ["white", "pink", "speech"])
def test_reference_is_found_down_to_0_db_snr(kind, own_clock, noise):
    reached = {}
    for seed in range(2):
        rng = np.random.default_rng(seed)
        stimulus = STIMULI[kind](rng)
        impulse = rooms.hall(RATE_HZ, 0.9 + 0.5 * seed, 60 + seed)
        take = rooms.take(stimulus, impulse, RATE_HZ, clock_ppm=130.0 if own_clock else None)
        n = take.recording.size
        if noise == "white":
            sound = rng.standard_normal(n)
        elif noise == "pink":
            sound = rooms.pink(5.5, RATE_HZ, rng)
        else:
            sound = rooms.speech_like(n, RATE_HZ, rng)
        take = take.with_noise(sound, snr_db=0.0)
        reached[seed] = score(take.recording, take.reference, own_clock)
    assert all(value >= 1.0 for value in reached.values()), reached
