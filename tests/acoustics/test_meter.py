"""Meter ballistics against IEC 61672-1.

The standard's figures are from memory of IEC 61672-1:2013, 5.8 (decay) and table 4 (tone bursts);
the closed form of the bursts is the exponential itself: 10 lg(1 - exp(-T / tau)).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal as sps

from evenhall.acoustics.meter import FAST_S, SLOW_S, MeterState, step_meter

RATE_HZ = 48_000

FAST_BURSTS = [
    (1000, 0.0),
    (500, -0.1),
    (200, -1.0),
    (100, -2.6),
    (50, -4.8),
    (20, -8.3),
    (10, -11.1),
    (5, -14.1),
    (2, -18.0),
    (1, -21.0),
]
SLOW_BURSTS = [
    (1000, -2.0),
    (500, -4.1),
    (200, -7.4),
    (100, -10.2),
    (50, -13.1),
    (20, -17.0),
    (10, -20.0),
    (5, -23.0),
    (2, -27.0),
]


def tone(duration_s, hz=4000.0):
    return np.sin(2.0 * np.pi * hz * np.arange(round(duration_s * RATE_HZ)) / RATE_HZ)[:, None]


def readings(signal, block=1024):
    state, out = MeterState.start(signal.shape[1]), []
    for start in range(0, len(signal), block):
        state, read = step_meter(state, signal[start : start + block], rate_hz=RATE_HZ)
        out.append(read)
    return out


@pytest.mark.parametrize(("length_ms", "wanted_db"), FAST_BURSTS)
def test_fast_weighting_of_a_tone_burst(length_ms, wanted_db):
    # 4 kHz bursts, as the standard has them; 0.1 dB lies well under the class 1 limits.
    level = max(r[0].fast_dbfs for r in readings(tone(length_ms / 1000.0), block=16))
    assert abs(level - wanted_db) <= 0.1
    assert abs(level - 10.0 * np.log10(1.0 - np.exp(-length_ms / 1000.0 / FAST_S))) <= 0.05


@pytest.mark.parametrize(("length_ms", "wanted_db"), SLOW_BURSTS)
def test_slow_weighting_of_a_tone_burst(length_ms, wanted_db):
    level = max(r[0].slow_dbfs for r in readings(tone(length_ms / 1000.0), block=16))
    assert abs(level - wanted_db) <= 0.1
    assert abs(level - 10.0 * np.log10(1.0 - np.exp(-length_ms / 1000.0 / SLOW_S))) <= 0.05


@pytest.mark.parametrize(
    ("name", "decay_db_per_s", "lowest"), [("fast_dbfs", 34.7, 25.0), ("slow_dbfs", 4.3, 3.4)]
)
def test_level_falls_as_fast_as_the_standard_wants(name, decay_db_per_s, lowest):
    signal = np.concatenate([tone(10.0), np.zeros((RATE_HZ, 1))])
    read = readings(signal, block=480)
    at_end, later = getattr(read[999][0], name), getattr(read[1049][0], name)
    rate = (at_end - later) / 0.5
    assert rate == pytest.approx(decay_db_per_s, abs=0.1)
    assert rate >= lowest


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("block", [64, 441, 1024, 4096])
@pytest.mark.parametrize(("name", "time_constant_s"), [("fast", FAST_S), ("slow", SLOW_S)])
def test_pieces_read_as_a_filter_sample_by_sample_does(rate_hz, block, name, time_constant_s):
    # scipy.signal.lfilter as the exponential mean; clicks are the worst that pieces can meet.
    samples = np.random.default_rng(7).standard_normal((rate_hz, 1)) * 0.01
    samples[:: rate_hz // 7] = 1.0
    decay = np.exp(-1.0 / (rate_hz * time_constant_s))
    exact = sps.lfilter([1.0 - decay], [1.0, -decay], samples**2, axis=0)
    state = MeterState.start(1)
    for start in range(0, rate_hz, block):
        state, _ = step_meter(state, samples[start : start + block], rate_hz=rate_hz)
        last = min(start + block, rate_hz) - 1
        assert abs(10.0 * np.log10(getattr(state, name)[0] / exact[last, 0])) <= 0.01


@given(blocks=st.lists(st.integers(1, 4096), min_size=3, max_size=12))
def test_block_size_makes_no_difference(blocks):
    rng = np.random.default_rng(2)
    signal = rng.standard_normal((sum(blocks), 2)) * 0.1
    state = MeterState.start(2)
    start = 0
    for block in blocks:
        state, _ = step_meter(state, signal[start : start + block], rate_hz=RATE_HZ)
        start += block
    whole, _ = step_meter(MeterState.start(2), signal, rate_hz=RATE_HZ)
    np.testing.assert_allclose(10.0 * np.log10(state.fast), 10.0 * np.log10(whole.fast), atol=0.02)
    np.testing.assert_allclose(10.0 * np.log10(state.slow), 10.0 * np.log10(whole.slow), atol=0.02)


@given(gain_db=st.floats(-60.0, 0.0))
def test_every_level_follows_the_gain(gain_db):
    signal = tone(0.5)
    plain = readings(signal)[-1][0]
    turned = readings(signal * 10.0 ** (gain_db / 20.0))[-1][0]
    for name in ("fast_dbfs", "slow_dbfs", "peak_dbfs", "held_dbfs"):
        assert getattr(turned, name) - getattr(plain, name) == pytest.approx(gain_db, abs=1e-6)


def test_channels_are_read_apart():
    signal = np.concatenate([tone(1.0), 0.1 * tone(1.0)], axis=1)
    first, second = readings(signal)[-1]
    assert first.fast_dbfs - second.fast_dbfs == pytest.approx(20.0, abs=1e-6)


def test_peak_mark_stays_and_then_falls():
    signal = np.zeros((4 * RATE_HZ, 1))
    signal[100] = 0.5
    held = [read[0].held_dbfs for read in readings(signal, block=480)]
    assert held[0] == pytest.approx(-6.02, abs=0.01)
    assert held[100] == held[0]
    assert held[0] - held[300] == pytest.approx(20.0 * 1.5, abs=1.0)


def test_full_scale_is_marked_as_clipped():
    signal = np.zeros((2048, 1))
    signal[1500] = -1.0
    assert [read[0].clipped for read in readings(signal)] == [False, True]


def test_silence_reads_minus_infinity():
    reading = readings(np.zeros((2048, 1)))[-1][0]
    assert reading.fast_dbfs == reading.peak_dbfs == reading.held_dbfs == -np.inf
    assert not reading.clipped
