"""Direct sound and polarity of impulse responses that are known exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

import rooms
from evenhall.acoustics.arrival import bass_onset, first_arrival, minimum_phase

RATE_HZ = 48000
SPAN = {
    "rate_hz": RATE_HZ,
    "low_hz": 56.0,
    "high_hz": 16_000.0,
    "known_hz": 24_000.0,
    "quiet": RATE_HZ // 25,
}


def padded(impulse):
    return np.append(np.zeros(RATE_HZ // 20), impulse)


@given(delay_s=st.floats(0.005, 0.03), sign=st.sampled_from([1, -1]))
@settings(max_examples=20, deadline=None)
def test_fractional_delay_is_read_to_a_microsecond_and_its_sign_from_a_bare_pulse(delay_s, sign):
    impulse = sign * padded(rooms.fractional_delay(delay_s, 9600, RATE_HZ))
    arrival = first_arrival(impulse, **SPAN)
    assert abs(arrival.tap / RATE_HZ - 0.05 - delay_s) <= 1e-6
    assert arrival.polarity == sign


@pytest.mark.parametrize("crossover_hz", [None, 800.0, 1600.0, 2500.0, 3500.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_loudspeakers_own_group_delay_is_no_part_of_the_arrival(crossover_hz, sign):
    impulse = sign * padded(rooms.dry(RATE_HZ, crossover_hz=crossover_hz))
    arrival = first_arrival(impulse, **SPAN)
    assert abs(arrival.tap / RATE_HZ - 0.05729) <= 10e-6
    assert arrival.polarity == sign


@pytest.mark.parametrize("level_db", [-6.0, 0.0, 6.0, 12.0])
@pytest.mark.parametrize("after_s", [0.002, 0.0123, 0.06])
def test_reflection_does_not_pass_for_the_direct_sound(level_db, after_s):
    impulse = padded(rooms.dry(RATE_HZ, reflections=((after_s, level_db),)))
    assert abs(first_arrival(impulse, **SPAN).tap / RATE_HZ - 0.05729) <= 10e-6


def test_inverted_reflection_does_not_turn_the_polarity():
    n = 9600
    sound = rooms.fractional_delay(0.00729, n, RATE_HZ)
    sound -= 1.4 * rooms.fractional_delay(0.0131, n, RATE_HZ)
    assert first_arrival(padded(rooms.box(sound, RATE_HZ)), **SPAN).polarity == 1


@pytest.mark.parametrize("seed", range(6))
def test_noise_alone_has_no_arrival(seed):
    noise = np.random.default_rng(seed).standard_normal(RATE_HZ)
    arrival = first_arrival(noise, **SPAN)
    assert np.isnan(arrival.tap)
    assert arrival.polarity == 0


def test_silence_has_no_arrival():
    arrival = first_arrival(np.zeros(RATE_HZ), **SPAN)
    assert np.isnan(arrival.tap)
    assert arrival.polarity == 0


@pytest.mark.parametrize("snr_db", [30.0, 40.0])
def test_noise_in_the_response_moves_neither_arrival_nor_polarity(snr_db):
    rng = np.random.default_rng(80)
    impulse = padded(rooms.dry(RATE_HZ))
    noise = rng.standard_normal(impulse.size) * np.abs(impulse).max() * 10 ** (-snr_db / 20)
    arrival = first_arrival(impulse + noise, **SPAN)
    assert abs(arrival.tap / RATE_HZ - 0.05729) <= 10e-6
    assert arrival.polarity == 1


def test_noise_above_the_known_band_does_not_hide_the_arrival():
    rng = np.random.default_rng(81)
    impulse = padded(rooms.dry(RATE_HZ))
    sos = signal.butter(8, 20_000.0, "high", fs=RATE_HZ, output="sos")
    noise = signal.sosfilt(sos, rng.standard_normal(impulse.size))
    noise *= 0.1 * np.abs(impulse).max() / noise.std()
    arrival = first_arrival(impulse + noise, **SPAN)
    assert abs(arrival.tap / RATE_HZ - 0.05729) <= 10e-6
    assert arrival.polarity == 1


@pytest.mark.parametrize("known_hz", [8000.0, 12_000.0, 18_000.0, 22_000.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_end_of_the_stimulus_does_not_pass_for_a_low_pass_of_the_loudspeaker(known_hz, sign):
    impulse = sign * padded(rooms.dry(RATE_HZ))
    spectrum = np.fft.rfft(impulse)
    spectrum[np.fft.rfftfreq(impulse.size, 1 / RATE_HZ) > known_hz] = 0.0
    span = {**SPAN, "known_hz": known_hz, "high_hz": min(16_000.0, 0.9 * known_hz)}
    arrival = first_arrival(np.fft.irfft(spectrum, impulse.size), **span)
    assert abs(arrival.tap / RATE_HZ - 0.05729) <= 10e-6
    assert arrival.polarity == sign


@pytest.mark.parametrize("high_hz", [200.0, 1000.0])
def test_narrow_band_still_tells_the_polarity_and_the_time_to_a_fraction_of_its_period(high_hz):
    sub = padded(rooms.fractional_delay(0.01, 19_200, RATE_HZ))
    sos = signal.butter(2, [30.0, high_hz], "band", fs=RATE_HZ, output="sos")
    arrival = first_arrival(
        signal.sosfilt(sos, sub), **{**SPAN, "low_hz": 35.0, "high_hz": high_hz}
    )
    assert abs(arrival.tap / RATE_HZ - 0.06) <= 0.25 / high_hz
    assert arrival.polarity == 1


def test_minimum_phase_is_that_of_a_filter_known_to_be_minimum_phase():
    # A peaking section has its poles and zeros inside the unit circle.
    n_fft = 1 << 15
    sos = rooms.peaking(1000.0, 9.0, 2.0, RATE_HZ)
    _, response = signal.sosfreqz(sos, worN=np.linspace(0.0, np.pi, n_fft // 2 + 1))
    phase = minimum_phase(np.abs(response), n_fft)
    assert np.abs(phase - np.angle(response)).max() <= 1e-4


def test_minimum_phase_of_a_delay_is_zero():
    assert np.abs(minimum_phase(np.ones(2049), 4096)).max() <= 1e-12


def test_bass_begins_where_its_first_sound_is_and_not_its_loudest():
    # 60 Hz that starts at 0.2 s and is loudest, 6 dB up, 60 ms later.
    rate_hz = 48_000.0
    time_s = np.arange(48_000) / rate_hz - 0.2
    tone = np.sin(2 * np.pi * 60.0 * time_s) * np.where(time_s < 0.06, 0.5, 1.0)
    bass = np.where(time_s >= 0.0, tone * np.exp(-np.maximum(time_s, 0.0) / 0.1), 0.0)
    noise = 1e-3 * np.random.default_rng(2).standard_normal(time_s.size)
    begins = bass_onset(bass + noise, rate_hz=rate_hz)
    assert begins / rate_hz == pytest.approx(0.195, abs=0.008)
    assert bass_onset(noise, rate_hz=rate_hz) is None
