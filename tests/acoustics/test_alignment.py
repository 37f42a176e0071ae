"""Lags and clocks against what was put in."""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st

import rooms
from evenhall.acoustics.alignment import (
    SegmentDelays,
    clock_error,
    find_stimulus,
    segment_delays,
    shared_lag,
)

RATE_HZ = 48000


@pytest.mark.parametrize("lag_s", [-1.5, -0.01, 0.0, 0.00729, 0.3, 1.9])
def test_shared_lag_is_that_of_the_loudest_arrival(lag_s):
    rng = np.random.default_rng(70)
    sound = rooms.pink(4.0, RATE_HZ, rng)
    shift = round(lag_s * RATE_HZ)
    silence = np.zeros(abs(shift))
    pair = (np.append(silence, sound), np.append(sound, silence))
    recording, reference = pair if shift >= 0 else pair[::-1]
    recording = recording + 0.03 * rng.standard_normal(recording.size)
    found = shared_lag(
        recording.astype(np.float32),
        reference.astype(np.float32),
        rate_hz=RATE_HZ,
        steady=True,
    )
    assert abs(found.start_s - shift / RATE_HZ) <= 1e-4
    assert found.score > 1.0
    assert found.clock_ppm == 0.0


# Seconds by which the recorder starts after the stimulus; just 0 and just before once failed.
@pytest.mark.parametrize("late_s", [-20.0, -1.0, -0.05, 0.0, 0.05, 1.0, 7.0])
@pytest.mark.parametrize("clock_ppm", [-300.0, 130.0])
def test_start_of_a_reference_file_is_found_wherever_the_recorder_started(late_s, clock_ppm):
    rng = np.random.default_rng(71)
    stimulus = rooms.pink(12.0, RATE_HZ, rng)
    take = rooms.take(
        stimulus, rooms.hall(RATE_HZ, 0.9, 72), RATE_HZ, clock_ppm=clock_ppm, late_s=late_s
    )
    take = take.with_noise(rng.standard_normal(take.recording.size), snr_db=20.0)
    signals, rates = take.arguments
    found = find_stimulus(*signals, **rates, steady=True)
    # The direct sound or an early reflection: some milliseconds after the start.
    assert abs(found.start_s - (0.00729 - late_s) * (1.0 + clock_ppm * 1e-6)) <= 0.02
    assert abs(found.clock_ppm - clock_ppm) <= 60.0
    assert found.score > 1.0


@pytest.mark.parametrize("rates_hz", [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000)])
def test_start_is_in_seconds_whatever_the_rates(rates_hz):
    rate_hz, reference_rate_hz = rates_hz
    stimulus = rooms.pink(6.0, 44_100, np.random.default_rng(73), high_hz=20_000.0)
    played = soxr.resample(stimulus, 44_100, reference_rate_hz)
    heard = soxr.resample(np.append(np.zeros(2 * 44_100), stimulus), 44_100, rate_hz)
    found = find_stimulus(
        heard.astype(np.float32),
        played.astype(np.float32),
        rate_hz=rate_hz,
        reference_rate_hz=reference_rate_hz,
        steady=True,
    )
    assert abs(found.start_s - 2.0) <= 1e-3
    assert found.score > 1.0


def pieces(time_s, delay_s):
    """Pieces that are all as sure as each other."""
    alike, spectrum = np.ones(time_s.size), np.ones(3)
    return SegmentDelays(
        time_s=time_s,
        delay_s=delay_s,
        information=alike,
        power=alike,
        explained=spectrum,
        left=spectrum,
        spacing_hz=1.0,
    )


@given(
    clock_ppm=st.floats(-300.0, 300.0),
    offset_s=st.floats(-1e-3, 1e-3),
    odd=st.integers(0, 19),
)
@settings(max_examples=30, deadline=None)
def test_line_through_the_delays_is_not_bent_by_a_piece_that_is_wrong(clock_ppm, offset_s, odd):
    time_s = np.arange(20) * 0.5
    delay_s = offset_s + clock_ppm * 1e-6 * time_s
    delay_s[odd] += 0.01
    assert abs(clock_error(pieces(time_s, delay_s)) - clock_ppm) <= 0.5


def test_two_pieces_make_no_clock():
    assert clock_error(pieces(np.arange(2.0), np.ones(2))) == 0.0


def test_delay_of_each_piece_is_read_against_what_was_expected():
    rng = np.random.default_rng(74)
    expected = rng.standard_normal(6 * RATE_HZ).astype(np.float32)
    spectrum = np.fft.rfft(expected)
    delay_s = 2e-6
    omega = 2 * np.pi * np.fft.rfftfreq(expected.size, 1 / RATE_HZ)
    heard = 1.2 * np.fft.irfft(spectrum * np.exp(-1j * omega * delay_s))
    left = (heard - expected).astype(np.float32)
    segments = segment_delays(expected, left, rate_hz=RATE_HZ, top_hz=8000.0)
    assert segments.time_s.size >= 8
    np.testing.assert_allclose(segments.delay_s, delay_s, atol=0.2e-6)
    assert np.all(segments.information > 0)
