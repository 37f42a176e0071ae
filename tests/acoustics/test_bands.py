"""Third octaves: where they lie, and means over them, against tables and closed forms."""

from __future__ import annotations

import numpy as np
import pyfar as pf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from evenhall.acoustics.bands import (
    BAND_COUNT,
    EXACT_HZ,
    LOWER_HZ,
    NOMINAL_HZ,
    UPPER_HZ,
    exact_from_nominal_hz,
    log_frequency_mean,
    nearest_band,
)

# IEC 61260-1:2014, base ten: 1000 * 10^(n/10), edges 10^(-+0.05) away.
TABLE = [  # nominal, exact, lower, upper
    (20, 19.9526, 17.7828, 22.3872),
    (31.5, 31.6228, 28.1838, 35.4813),
    (50, 50.1187, 44.6684, 56.2341),
    (63, 63.0957, 56.2341, 70.7946),
    (100, 100, 89.1251, 112.2018),
    (125, 125.8925, 112.2018, 141.2538),
    (250, 251.1886, 223.8721, 281.8383),
    (500, 501.1872, 446.6836, 562.3413),
    (1000, 1000, 891.2509, 1122.0185),
    (1600, 1584.8932, 1412.5375, 1778.2794),
    (3150, 3162.2777, 2818.3829, 3548.1339),
    (8000, 7943.2823, 7079.4578, 8912.5094),
    (12500, 12589.2541, 11220.1845, 14125.3754),
    (20000, 19952.6231, 17782.7941, 22387.2114),
]


@pytest.mark.parametrize(("nominal_hz", "exact_hz", "lower_hz", "upper_hz"), TABLE)
def test_bands_lie_where_the_standard_puts_them(nominal_hz, exact_hz, lower_hz, upper_hz):
    band = NOMINAL_HZ.tolist().index(nominal_hz)
    got = [EXACT_HZ[band], LOWER_HZ[band], UPPER_HZ[band]]
    np.testing.assert_allclose(got, [exact_hz, lower_hz, upper_hz], rtol=3e-6)


def test_all_bands_agree_with_second_library():
    limits_hz = (NOMINAL_HZ[0], NOMINAL_HZ[-1])
    nominal = pf.constants.fractional_octave_frequencies_nominal(3, limits_hz)
    np.testing.assert_allclose(NOMINAL_HZ, nominal)
    exact, lower, upper = pf.constants.fractional_octave_frequencies_exact(3, limits_hz)
    np.testing.assert_allclose([EXACT_HZ, LOWER_HZ, UPPER_HZ], [exact, lower, upper], rtol=1e-9)
    assert BAND_COUNT == 31


def test_bands_tile_without_gap_and_cannot_be_changed():
    np.testing.assert_allclose(UPPER_HZ[:-1], LOWER_HZ[1:], rtol=1e-12)
    with pytest.raises(ValueError, match="read-only"):
        EXACT_HZ[0] = 1.0


@given(band=st.integers(0, BAND_COUNT - 1), within=st.floats(-0.049, 0.049))
def test_nearest_band_is_the_one_that_holds_the_frequency(band, within):
    assert nearest_band(EXACT_HZ[band] * 10.0**within) == band


def test_only_frequencies_near_a_nominal_one_are_taken_for_it():
    # The contract: within 3 % of the nominal frequency.
    given_hz = [1000.0, 1029.0, 1031.0, 971.0, 969.0, 8000.0, 45.0]
    expected_hz = [1000.0, 1000.0, 1031.0, 1000.0, 969.0, EXACT_HZ[26], 45.0]
    np.testing.assert_allclose(exact_from_nominal_hz(given_hz), expected_hz)
    np.testing.assert_allclose(exact_from_nominal_hz(NOMINAL_HZ), EXACT_HZ)


@pytest.mark.parametrize("spacing_hz", [0.25, 1.0, 30.0])
def test_mean_of_ones_is_one(spacing_hz):
    ones = np.ones(round(24000 / spacing_hz) + 1)
    np.testing.assert_allclose(log_frequency_mean(ones, spacing_hz=spacing_hz), 1.0, rtol=1e-9)


@pytest.mark.parametrize(
    ("values", "closed_form"),
    [
        # Means over ln f between the edges a and b, divided by ln(b/a).
        (lambda f: f, lambda a, b: (b - a) / np.log(b / a)),
        (lambda f: f**2, lambda a, b: (b**2 - a**2) / 2 / np.log(b / a)),
        (lambda f: 1 / np.maximum(f, 1), lambda a, b: (1 / a - 1 / b) / np.log(b / a)),
    ],
    ids=["f", "f squared", "one over f"],
)
def test_mean_of_a_power_of_frequency_has_its_closed_form(values, closed_form):
    spacing_hz = 0.5
    freq_hz = np.arange(0.0, 24000.0 + spacing_hz, spacing_hz)
    mean = log_frequency_mean(values(freq_hz), spacing_hz=spacing_hz)
    error_db = 10 * np.log10(mean / closed_form(LOWER_HZ, UPPER_HZ))
    # Each value holds half-way to its neighbours: in the lowest band that costs a little.
    assert np.abs(error_db).max() <= 0.005


def test_mean_of_a_resonance_agrees_with_quadrature():
    def power(freq_hz):
        s = 1j * freq_hz / 1050.0
        return np.abs((s * s + 3.0 * s / 8.0 + 1) / (s * s + s / 8.0 + 1)) ** 2

    freq_hz = np.arange(24001.0)
    mean = log_frequency_mean(power(np.maximum(freq_hz, 1e-6)), spacing_hz=1.0)
    for band in (10, 16, 17, 18, 25):
        area, _ = integrate.quad(
            lambda ln_f: power(np.exp(ln_f)), np.log(LOWER_HZ[band]), np.log(UPPER_HZ[band])
        )
        expected = area / np.log(UPPER_HZ[band] / LOWER_HZ[band])
        assert abs(10 * np.log10(mean[band] / expected)) <= 0.001


def test_band_past_the_last_bin_counts_by_the_share_that_is_covered():
    # 44.1 kHz: the 20 kHz band is covered from 17.78 to 22.05 of 22.39 kHz.
    spacing_hz = 22050.0 / 30000
    share = log_frequency_mean(np.ones(30001), spacing_hz=spacing_hz)
    expected = np.log(22050.0 / LOWER_HZ[-1]) / np.log(UPPER_HZ[-1] / LOWER_HZ[-1])
    np.testing.assert_allclose(share[:-1], 1.0)
    assert abs(share[-1] - expected) <= 1e-9
    assert log_frequency_mean(np.ones(1001), spacing_hz=1.0)[-1] == 0.0


def test_band_without_a_bin_of_its_own_takes_its_neighbours():
    # Bins 25 Hz apart: the 31.5 Hz band (28.2 to 35.5 Hz) lies in the cell of 25 Hz alone.
    values = np.zeros(1001)
    values[1] = 3.0
    assert abs(log_frequency_mean(values, spacing_hz=25.0)[2] - 3.0) <= 1e-9


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), gain_db=st.floats(-60, 60))
def test_mean_is_linear_and_takes_many_at_once(seed, gain_db):
    rng = np.random.default_rng(seed)
    one, other = rng.exponential(size=(2, 4001))
    gain = 10 ** (gain_db / 10)
    together = log_frequency_mean([one, other, gain * one + other], spacing_hz=6.0)
    assert together.shape == (3, BAND_COUNT)
    np.testing.assert_allclose(together[2], gain * together[0] + together[1], rtol=1e-9)
    np.testing.assert_allclose(together[0], log_frequency_mean(one, spacing_hz=6.0), rtol=1e-12)


@pytest.mark.parametrize("spacing_hz", [1.0, 3.0])
def test_finer_bins_change_no_smooth_response(spacing_hz):
    # A comb of 20 dB depth, 5 ms: from 63 Hz up.
    def bands(spacing_hz):
        freq_hz = np.arange(0.0, 24000.0, spacing_hz)
        power = np.abs(1 + 0.8 * np.exp(-2j * np.pi * freq_hz * 0.005)) ** 2
        return 10 * np.log10(log_frequency_mean(power, spacing_hz=spacing_hz)[5:])

    assert np.abs(bands(spacing_hz) - bands(0.1)).max() <= 0.05
