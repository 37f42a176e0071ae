"""Noise by third octave, against closed forms and scipy's averaged periodogram."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from evenhall.acoustics.background import background
from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ
from evenhall.acoustics.stimulus import pink_noise

RATE_HZ = 48_000


def white(duration_s, seed=1, rms=0.01):
    return np.random.default_rng(seed).standard_normal(round(duration_s * RATE_HZ)) * rms


def test_white_noise_has_power_as_its_bandwidth():
    level = background(white(20.0), rate_hz=RATE_HZ).band_dbfs
    true = 10.0 * np.log10(0.01**2 / 0.5 * (UPPER_HZ - LOWER_HZ) / (RATE_HZ / 2.0))
    # Twenty seconds know the bass to a dB.
    assert np.abs(level - true)[EXACT_HZ > 400.0].max() <= 0.2
    assert np.abs(level - true).max() <= 1.5


def test_median_is_set_right_over_many_rooms():
    levels = [background(white(2.0, seed), rate_hz=RATE_HZ).band_dbfs for seed in range(60)]
    power = np.mean(10.0 ** (np.array(levels) / 10.0), axis=0)
    true = 0.01**2 / 0.5 * (UPPER_HZ - LOWER_HZ) / (RATE_HZ / 2.0)
    assert np.abs(10.0 * np.log10(power / true)).max() <= 0.7


def test_pink_noise_is_alike_in_every_band():
    level = background(
        pink_noise(30.0, rate_hz=RATE_HZ, seed=4, level_dbfs=-40.0), rate_hz=RATE_HZ
    ).band_dbfs
    assert np.ptp(level[EXACT_HZ > 200.0]) <= 0.6
    assert abs(level[EXACT_HZ > 200.0].mean() - (-40.0 - 10.0 * np.log10(31.0))) <= 0.4


def test_coloured_noise_agrees_with_welch():
    sos = signal.butter(2, [100.0, 4000.0], "band", fs=RATE_HZ, output="sos")
    noise = signal.sosfilt(sos, white(20.0, 3))
    hz, density = signal.welch(noise, RATE_HZ, nperseg=16384)
    level = background(noise, rate_hz=RATE_HZ).band_dbfs
    for k in np.flatnonzero((EXACT_HZ > 300.0) & (EXACT_HZ < 12_000.0)):
        inside = (hz >= LOWER_HZ[k]) & (hz < UPPER_HZ[k])
        power = density[inside].mean() * (UPPER_HZ[k] - LOWER_HZ[k])
        assert abs(level[k] - 10.0 * np.log10(power / 0.5)) <= 0.4


def test_slam_is_no_background():
    quiet = white(3.0)
    slammed = quiet.copy()
    slammed[RATE_HZ : RATE_HZ + 9600] += white(0.2, 9, rms=0.5)
    change = (
        background(slammed, rate_hz=RATE_HZ).band_dbfs
        - background(quiet, rate_hz=RATE_HZ).band_dbfs
    )
    assert np.abs(change)[EXACT_HZ > 100.0].max() <= 1.5
    assert np.abs(change).max() <= 4.0


def test_tone_stands_in_its_band_and_weighs_as_the_ear_does():
    tone = 0.1 * np.sin(2.0 * np.pi * 1000.0 * np.arange(3 * RATE_HZ) / RATE_HZ)
    room = background(tone, rate_hz=RATE_HZ)
    assert EXACT_HZ[np.argmax(room.band_dbfs)] == pytest.approx(1000.0)
    assert room.band_dbfs.max() == pytest.approx(-20.0, abs=0.1)
    assert room.a_weighted_dbfs == pytest.approx(-20.0, abs=0.1)


def test_silence_is_minus_infinity():
    room = background(np.zeros(RATE_HZ), rate_hz=RATE_HZ)
    assert (room.band_dbfs == -np.inf).all()
    assert room.a_weighted_dbfs == -np.inf


def test_too_little_is_refused():
    with pytest.raises(ValueError, match="fewer than a piece"):
        background(np.zeros(100), rate_hz=RATE_HZ)
