"""Recordings made with responses of real places, tuned as a whole job, against the responses."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import soundfile
import soxr
from scipy import signal

import rooms
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.tuning import tune
from measured import measured_response
from rooms import bands_between

RATE_HZ = 48000
TAKES = ("living-room", "street-left", "street-right", "sports-centre")
JOB = """
[venue]
name = "Places far apart"

[equalizer]
bands = 31
range_db = 12.0
step_db = 0.5
response = "constant-q"
"""
TAKE = """
[[take]]
file = "{name}.wav"
side = "{side}"
spot = "{name}"
mic_channel = 1
reference_channel = 2
"""


@cache
def response_of(name):
    """Response at 48 kHz, its direct sound's peak at 1."""
    samples, rate_hz = measured_response(name)
    samples = soxr.resample(samples, rate_hz, RATE_HZ, quality="VHQ")
    return samples / np.abs(samples).max()


@pytest.fixture(scope="module")
def tuned(tmp_path_factory):
    """The takes of one job, by name: 12 s of pink noise in each place, 40 dB above noise."""
    folder = tmp_path_factory.mktemp("places")
    rng = np.random.default_rng(110)
    stimulus = rooms.pink(12.0, RATE_HZ, rng)
    text = JOB
    for name in TAKES:
        sound = signal.oaconvolve(stimulus, response_of(name))[: stimulus.size + RATE_HZ // 2]
        sound = np.append(sound, np.zeros(stimulus.size + RATE_HZ // 2 - sound.size))
        sound += 0.01 * sound.std() * rng.standard_normal(sound.size)
        # Down to a level that a converter takes; the reference is what tells the gain.
        gain = 0.25 / np.abs(sound).max()
        played = np.append(stimulus, np.zeros(RATE_HZ // 2))
        soundfile.write(
            folder / f"{name}.wav",
            np.column_stack([gain * sound, 0.5 * played]),
            RATE_HZ,
            subtype="PCM_24",
        )
        gains_db[name] = 20.0 * np.log10(gain / 0.5)
        text += TAKE.format(name=name, side="right" if name.endswith("right") else "left")
    (folder / "job.toml").write_text(text)
    result = tune(load_job(folder), folder)
    return {take.spot: take for take in result.takes}


gains_db: dict[str, float] = {}


def errors_db(take):
    """Measured minus true level of each band; the result rounds to what a reader wants."""
    truth_db = rooms.true_levels_db(response_of(take.spot), RATE_HZ) + gains_db[take.spot]
    measured_db = np.array(
        [np.nan if band.level_db is None else band.level_db for band in take.bands]
    )
    return measured_db - truth_db


@pytest.mark.parametrize("name", TAKES)
def test_levels_of_a_real_place_are_those_of_its_response(tuned, name):
    # The sports centre rings for 7 s, longer than the response is followed and half the take.
    error_db = errors_db(tuned[name])[bands_between(63, 16_000)]
    known = np.isfinite(error_db)
    assert known.sum() >= 20
    assert np.abs(error_db[known]).max() <= 0.5


@pytest.mark.parametrize("name", TAKES)
def test_direct_sound_of_a_real_place_arrives_where_its_response_begins(tuned, name):
    # ISO 3382-1: the response begins where it first comes within 20 dB of its peak.
    taps = response_of(name)
    begin_s = np.flatnonzero(np.abs(taps) >= 0.1 * np.abs(taps).max())[0] / RATE_HZ
    take = tuned[name]
    assert take.usable
    assert abs(take.delay_s - begin_s) <= 1.0e-3


@pytest.mark.parametrize("name", TAKES)
def test_stated_uncertainty_of_a_real_place_is_honest(tuned, name):
    error_db = errors_db(tuned[name])
    unsure_db = np.array([band.uncertainty_db or np.nan for band in tuned[name].bands])
    known = np.isfinite(error_db)
    # Plus what rounding of the result may add.
    assert np.mean(np.abs(error_db)[known] <= 2.0 * unsure_db[known] + 0.05) >= 0.9
