"""Mains hum: which mains, how loud, and no hum where there is none."""

import numpy as np
import pytest

import rooms
from evenhall.acoustics.mains import mains_hum

RATE_HZ = 48_000


def noise(duration_s, seed, rms):
    return rooms.pink(duration_s, RATE_HZ, np.random.default_rng(seed)) / 0.1 * rms


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("duration_s", [1.0, 2.5])
def test_hum_is_named_and_its_level_told(mains_hz, duration_s):
    n = round(duration_s * RATE_HZ)
    hum = 0.01 * rooms.hum(n, RATE_HZ, mains_hz=mains_hz)
    found = mains_hum((hum + noise(duration_s, 3, 0.001)).astype(np.float32), rate_hz=RATE_HZ)
    assert found is not None
    assert found.mains_hz == mains_hz
    # Seven sines of amplitude 0.01 / k: their powers add up, and a full-scale sine is 0 dBFS.
    truth_dbfs = 10 * np.log10(np.sum((0.01 / np.arange(1, 8)) ** 2))
    assert abs(found.level_dbfs - truth_dbfs) <= 0.5


@pytest.mark.parametrize("seed", range(30))
def test_noise_is_no_hum(seed):
    assert mains_hum(noise(1.0, seed, 0.01).astype(np.float32), rate_hz=RATE_HZ) is None


def test_silence_is_no_hum():
    assert mains_hum(np.zeros(RATE_HZ, dtype=np.float32), rate_hz=RATE_HZ) is None


def test_fan_with_one_line_is_no_hum():
    time_s = np.arange(RATE_HZ) / RATE_HZ
    fan = 0.01 * np.sin(2 * np.pi * 100.0 * time_s) + noise(1.0, 5, 0.001)
    assert mains_hum(fan.astype(np.float32), rate_hz=RATE_HZ) is None


def test_tone_of_an_organ_is_no_hum():
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    organ = sum(np.sin(2 * np.pi * k * 55.0 * time_s) / k for k in range(1, 8))
    heard = (0.01 * organ + noise(2.0, 5, 0.001)).astype(np.float32)
    assert mains_hum(heard, rate_hz=RATE_HZ) is None
