"""The loudness meter against closed forms, a direct computation, and figures of IEC 61672-1:2013.

Peaks of single cycles are from memory of table 5 of the standard, the fast level of tone bursts
from memory of its table 4.
"""

from __future__ import annotations

import numpy as np
import pyfar
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.acoustics.level import FULL_SCALE_RMS, db_from_power, power_from_db
from evenhall.acoustics.loudness import (
    KEPT_S,
    LoudnessState,
    mean_power,
    resumed,
    step_loudness,
)

RATE_HZ = 48_000.0


def tone(duration_s, hz=1000.0, rate_hz=RATE_HZ):
    return np.sin(2.0 * np.pi * hz * np.arange(round(duration_s * rate_hz)) / rate_hz)


def heard(signal, rate_hz=RATE_HZ, block=4800):
    state, seconds = LoudnessState.start(rate_hz), []
    for start in range(0, len(signal), block):
        state, done = step_loudness(state, signal[start : start + block], rate_hz=rate_hz)
        seconds += done
    return state, seconds


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 88_200.0, 96_000.0])
def test_average_is_that_of_a_direct_computation(rate_hz):
    """Against the power spectrum of the whole, weighted by a reference library's curve."""
    rng = np.random.default_rng(3)
    noise = 0.1 * rng.standard_normal(round(20 * rate_hz)) * np.repeat([0.1, 1.0], 10 * rate_hz)
    state, seconds = heard(noise, rate_hz)
    spectrum = np.abs(np.fft.rfft(noise)) ** 2
    freq_hz = np.fft.rfftfreq(noise.size, 1.0 / rate_hz)
    for weighting, power in (
        ("A", mean_power(state, None)),
        ("C", np.mean([one.c_power for one in seconds])),
    ):
        curve_db = pyfar.constants.frequency_weighting_curve(weighting, freq_hz[1:])
        direct = 2.0 * (spectrum[1:] * power_from_db(curve_db)).sum() / noise.size**2
        direct /= FULL_SCALE_RMS**2
        assert abs(db_from_power(power / direct)) < 0.05


def test_full_scale_tone_reads_0_db_in_every_figure():
    state, seconds = heard(tone(3.0))
    last = seconds[-1]
    figures = [last.a_power, last.c_power, last.a_fast, last.c_fast, last.c_peak / 2.0]
    assert db_from_power(figures) == pytest.approx(np.zeros(5), abs=0.02)
    assert last.clipped
    assert not heard(0.5 * tone(1.0))[1][0].clipped
    assert db_from_power(mean_power(state, 1)) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    ("length_ms", "wanted_db"), [(1000, 0.0), (200, -1.0), (50, -4.8), (10, -11.1), (1, -21.0)]
)
def test_fast_level_of_a_tone_burst(length_ms, wanted_db):
    signal = 0.5 * tone(length_ms / 1000.0, 4000.0)
    steady = heard(0.5 * tone(2.0, 4000.0))[0].meter.fast[0]
    state, _ = step_loudness(LoudnessState.start(RATE_HZ), signal, rate_hz=RATE_HZ)
    # Class 1: within 0.5 dB down to 1 s, 1 dB and more below.
    assert db_from_power(state.meter.fast[0] / steady) == pytest.approx(wanted_db, abs=0.25)


@pytest.mark.parametrize(
    ("hz", "cycles", "wanted_db", "class_1_db"),
    [
        (31.5, 1.0, 2.5, 2.0),
        (500.0, 1.0, 3.5, 1.0),
        (8000.0, 1.0, 3.4, 2.0),
        (500.0, 0.5, 2.4, 1.0),
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_peak_of_a_single_cycle(hz, cycles, wanted_db, class_1_db, sign):
    steady = heard(0.5 * tone(2.0, hz))[1][-1].c_power
    single = np.concatenate([np.zeros(4800), sign * 0.5 * tone(cycles / hz, hz), np.zeros(52_000)])
    peak = max(one.c_peak for one in heard(single)[1])
    assert db_from_power(peak / steady) == pytest.approx(wanted_db, abs=class_1_db)


def test_windows_slide_and_what_was_not_heard_is_no_silence():
    state = resumed(LoudnessState.start(RATE_HZ), np.array([np.nan] * 30 + [4.0] * 10))
    assert mean_power(state, 60) == 4.0
    assert mean_power(state, None) == 4.0
    state = resumed(state, np.repeat([9.0, 1.0], [840, 60]))
    assert mean_power(state, 60) == 1.0
    assert mean_power(state, 900) == pytest.approx((840 * 9.0 + 60.0) / 900)
    assert np.isnan(mean_power(LoudnessState.start(RATE_HZ), 60))
    assert np.isnan(mean_power(LoudnessState.start(RATE_HZ), None))


def test_memory_is_bounded():
    full = resumed(LoudnessState.start(RATE_HZ), np.ones(5 * KEPT_S))
    assert full.total_s == 5 * KEPT_S
    after, _ = step_loudness(full, tone(1.0), rate_hz=RATE_HZ)
    assert after.seconds.size == KEPT_S
    assert after.seconds.base is None or after.seconds.base.size <= KEPT_S + 1
    assert after.total_s == full.total_s + 1


@settings(max_examples=25)
@given(st.lists(st.integers(0, 70_000), max_size=6), st.integers(0, 2**31))
def test_blocks_of_any_size_are_heard_alike(sizes, seed):
    noise = np.random.default_rng(seed).standard_normal(96_500)
    whole, seconds = step_loudness(LoudnessState.start(RATE_HZ), noise, rate_hz=RATE_HZ)
    state, done, rest = LoudnessState.start(RATE_HZ), [], noise
    for size in (*sizes, noise.size):
        state, some = step_loudness(state, rest[:size], rate_hz=RATE_HZ)
        rest, done = rest[size:], [*done, *some]
    assert len(done) == len(seconds) == 2
    assert [one.a_power for one in done] == pytest.approx([one.a_power for one in seconds])
    assert [one.c_peak for one in done] == pytest.approx([one.c_peak for one in seconds])
    assert state.frames == whole.frames == 500
    assert state.highest_peak == pytest.approx(whole.highest_peak)


def test_constant_voltage_at_the_input_is_no_sound():
    state, _ = heard(0.001 * tone(5.0) + 0.5)
    assert db_from_power(mean_power(state, 1)) == pytest.approx(-60.0, abs=0.05)
