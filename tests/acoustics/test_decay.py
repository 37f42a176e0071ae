"""Reverberation time: closed forms, a second library, simulated noise, a real hall."""

from __future__ import annotations

import numpy as np
import pyfar as pf
import pyrato
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.decay import band_filter, energy_decay, first_arrival, t20_s
from measured import measured_response

RATE_HZ = 48000


def exponential(decay_s, length_s=None):
    time_s = np.arange(round((length_s or 4 * decay_s) * RATE_HZ)) / RATE_HZ
    return 10.0 ** (-3.0 * time_s / decay_s)


def room(decay_s, *, noise_db=-np.inf, length_s=None, seed=0):
    """Gaussian noise under an exponential envelope, in stationary noise."""
    rng = np.random.default_rng(seed)
    envelope = exponential(decay_s, length_s)
    noise = 10.0 ** (noise_db / 20.0) * rng.normal(size=envelope.size)
    return rng.normal(size=envelope.size) * envelope + noise


@pytest.mark.parametrize("decay_s", [0.3, 0.5, 1.0, 1.5, 2.0])
def test_exponential_decay_has_its_closed_form(decay_s):
    assert abs(t20_s(exponential(decay_s), rate_hz=RATE_HZ) / decay_s - 1) <= 1e-9


def test_double_slope_has_the_time_of_its_stretch():
    # Energy e^(-k1 t) + 0.1 e^(-k2 t), T1 = 0.5 s, T2 = 1.5 s: T20 from pyrato 1.1.0.
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    energy = 10.0 ** (-6 * time_s / 0.5) + 0.1 * 10.0 ** (-6 * time_s / 1.5)
    assert abs(t20_s(np.sqrt(energy), rate_hz=RATE_HZ) / 1.3099 - 1) <= 2e-4


@pytest.mark.parametrize("noise_db", [-50.0, -60.0, -80.0])
@pytest.mark.parametrize("decay_s", [0.4, 1.0, 2.5])
def test_noise_floor_does_not_lengthen_the_decay(decay_s, noise_db):
    errors = []
    for seed in range(4):
        impulse = room(decay_s, noise_db=noise_db, length_s=2 * decay_s, seed=seed)
        errors.append(t20_s(impulse, rate_hz=RATE_HZ, arrival_index=0) / decay_s - 1)
    # Just noticeable: 5 % (ISO 3382-1, table A.1, from memory).
    assert np.abs(errors).max() <= 0.05
    assert abs(np.mean(errors)) <= 0.02


def test_second_library_reads_the_same_out_of_noise():
    impulse = room(1.2, noise_db=-55.0, length_s=2.5, seed=8)
    curve = pyrato.edc.energy_decay_curve_chu_lundeby(pf.Signal(impulse, RATE_HZ), time_shift=False)
    expected_s = pyrato.parameters.reverberation_time_linear_regression(curve, T="T20").item()
    assert abs(t20_s(impulse, rate_hz=RATE_HZ, arrival_index=0) / expected_s - 1) <= 0.02


def smooth_room(decay_s, *, noise_db, length_s):
    """Envelope of a decay in noise, without their scatter."""
    return np.sqrt(exponential(decay_s, length_s) ** 2 + 10.0 ** (noise_db / 10.0))


@pytest.mark.parametrize("decay_s", [0.3, 1.0, 3.0])
def test_noise_just_low_enough_costs_nothing(decay_s):
    impulse = smooth_room(decay_s, noise_db=-37.0, length_s=2 * decay_s)
    assert abs(t20_s(impulse, rate_hz=RATE_HZ) / decay_s - 1) <= 1e-3


# ISO 3382-1: 35 dB down to the noise.
@pytest.mark.parametrize(("noise_db", "given"), [(-17.5, False), (-32.5, False), (-37.5, True)])
def test_range_that_noise_leaves_decides_whether_a_time_is_given(noise_db, given):
    impulse = smooth_room(1.0, noise_db=noise_db, length_s=2.0)
    assert np.isfinite(t20_s(impulse, rate_hz=RATE_HZ, arrival_index=0)) == given


def test_range_is_the_distance_to_the_noise():
    for noise_db in (-30.0, -50.0, -70.0):
        impulse = room(1.0, noise_db=noise_db, length_s=2.0, seed=3)
        assert abs(energy_decay(impulse, rate_hz=RATE_HZ).range_db + noise_db) <= 1.5


def test_end_of_the_decay_is_found_in_a_narrow_band():
    # It meets the noise of -50 dB after 50/60 of a second.
    ends_s = []
    for seed in range(30):
        impulse = room(1.0, noise_db=-50.0, length_s=1.5, seed=seed)
        decay = energy_decay(impulse, rate_hz=RATE_HZ, band_hz=125.0, arrival_index=0)
        ends_s.append(decay.energy.size / RATE_HZ)
    assert abs(np.mean(ends_s) - 50 / 60) <= 0.03
    assert np.std(ends_s) <= 0.075


def test_decay_curve_never_rises_and_starts_at_one():
    for seed in range(4):
        energy = energy_decay(room(1.0, noise_db=-35.0, seed=seed), rate_hz=RATE_HZ).energy
        assert energy[0] == 1.0
        assert np.all(np.diff(energy) <= 0.0)
        assert energy[-1] > 0.0


def test_what_the_filter_rings_ahead_counts_as_early():
    click = np.zeros(RATE_HZ)
    click[0] = 1.0
    decay = energy_decay(click, rate_hz=RATE_HZ, band_hz=63.0, arrival_index=0)
    # The filter's response is even about the click: half of the energy lies before it.
    assert abs(decay.energy[1] - 0.5) <= 0.02


def test_response_cut_off_short_gives_no_more_than_it_shows():
    assert abs(t20_s(exponential(1.0, length_s=0.7), rate_hz=RATE_HZ) - 1.0) <= 0.03
    assert np.isnan(t20_s(exponential(1.0, length_s=0.4), rate_hz=RATE_HZ))


@pytest.mark.parametrize(
    "impulse",
    [np.zeros(4800), np.full(4800, np.nan), np.random.default_rng(5).normal(size=48000)],
    ids=["silence", "nan", "noise alone"],
)
def test_hopeless_response_gives_nan(impulse):
    assert np.isnan(t20_s(impulse, rate_hz=RATE_HZ))
    assert energy_decay(impulse, rate_hz=RATE_HZ).energy.size == 0


def test_band_above_half_the_rate_gives_nan():
    assert np.isnan(t20_s(room(0.5), rate_hz=RATE_HZ, band_hz=20000.0))


def test_ringing_of_the_filter_is_not_taken_for_a_room():
    click = np.zeros(RATE_HZ)
    click[100] = 1.0
    assert np.isnan(t20_s(click, rate_hz=RATE_HZ, band_hz=125.0))


def test_digital_silence_after_the_response_is_no_part_of_it():
    impulse = exponential(0.5, length_s=1.0)
    padded = np.concatenate([impulse, np.zeros(RATE_HZ)])
    assert abs(t20_s(padded, rate_hz=RATE_HZ) - 0.5) <= 5e-4


@settings(max_examples=20, deadline=None)
@given(gain_db=st.floats(-80, 40), lead=st.integers(0, 5000), sign=st.sampled_from([-1.0, 1.0]))
def test_gain_polarity_and_time_of_arrival_change_nothing(gain_db, lead, sign):
    impulse = exponential(0.8) * np.random.default_rng(6).normal(size=round(3.2 * RATE_HZ))
    impulse[0] = 6.0  # a direct sound to find
    moved = np.concatenate([np.zeros(lead), sign * 10 ** (gain_db / 20) * impulse])
    one, other = (t20_s(response, rate_hz=RATE_HZ, band_hz=1000.0) for response in (impulse, moved))
    assert abs(other / one - 1) <= 1e-6


def test_first_arrival_is_where_the_response_comes_within_20_db_of_its_peak():
    impulse = 1e-3 * np.random.default_rng(7).normal(size=4800)
    impulse[1200] = 0.12  # 18.4 dB under the reflection that follows
    impulse[1500] = -1.0
    assert first_arrival(impulse) == 1200


def test_each_octave_has_its_own_decay():
    # Two rooms in one, told apart by the filter: 1.5 s at 250 Hz, 0.6 s at 4 kHz.
    low, high = (room(decay_s, length_s=3.0, seed=9) for decay_s in (1.5, 0.6))
    impulse = (
        band_filter(low, rate_hz=RATE_HZ, centre_hz=EXACT_HZ[11])[1]
        + band_filter(high, rate_hz=RATE_HZ, centre_hz=EXACT_HZ[23])[1]
    )
    at = {
        band_hz: t20_s(impulse, rate_hz=RATE_HZ, band_hz=band_hz, arrival_index=0)
        for band_hz in (250.0, 4000.0)
    }
    assert abs(at[250.0] / 1.5 - 1) <= 0.1
    assert abs(at[4000.0] / 0.6 - 1) <= 0.05


@pytest.mark.parametrize("band", [9, 17, 25])
def test_band_filter_holds_class_1(band):
    # Limits of IEC 61260-1:2014, table 1, as pyfar 0.8.1 states them.
    centre_hz = EXACT_HZ[band]
    click = np.zeros(RATE_HZ)
    click[RATE_HZ // 2] = 1.0
    before, during = band_filter(click, rate_hz=RATE_HZ, centre_hz=centre_hz)
    gain_db = 20 * np.log10(np.maximum(np.abs(np.fft.rfft(during)), 1e-15))
    lower_db, upper_db, freq_hz = pf.constants.fractional_octave_filter_tolerance(centre_hz, 1, 1)
    inside = (freq_hz > 2) & (freq_hz < RATE_HZ / 2)
    at_limits_db = np.interp(freq_hz[inside], np.arange(gain_db.size), gain_db)
    assert np.all(at_limits_db <= np.asarray(upper_db)[inside])
    assert np.all(at_limits_db >= np.asarray(lower_db)[inside])
    assert np.abs(before).max() < 1e-4 * np.abs(during).max()


def test_band_filter_loses_no_energy_ahead_of_the_first_sample():
    click = np.zeros(RATE_HZ)
    click[0] = 1.0
    before, during = band_filter(click, rate_hz=RATE_HZ, centre_hz=1000.0)
    # No phase shift: the response is even about the click.
    np.testing.assert_allclose(before[:-101:-1], during[1:101], atol=1e-12)


# pyfar octave bands and pyrato's Lundeby-Chu decay curve, time zero 1 ms before the peak.
SPORTS_CENTRE = {
    500: 6.615,
    1000: 6.371,
    2000: 4.714,
    4000: 3.957,
}


@pytest.mark.parametrize("band_hz", SPORTS_CENTRE)
def test_real_hall_agrees_with_second_library(band_hz):
    samples, rate_hz = measured_response("sports-centre")
    arrival = int(np.abs(samples).argmax()) - rate_hz // 1000
    found_s = t20_s(samples, rate_hz=rate_hz, band_hz=float(band_hz), arrival_index=arrival)
    # Just noticeable: 5 % (ISO 3382-1, table A.1, from memory).
    assert abs(found_s / SPORTS_CENTRE[band_hz] - 1) <= 0.05
