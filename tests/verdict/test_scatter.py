"""By how much one place alone strays."""

import numpy as np
import pytest

from evenhall.acoustics.bands import LOWER_HZ, UPPER_HZ
from evenhall.verdict.scatter import scatter_db
from verdict.builders import at, diffuse_levels_db

PLACES = 600


@pytest.mark.parametrize("rt60_s", [0.9, 2.0])
def test_scatter_is_that_of_simulated_reverberant_fields(rt60_s):
    # 600 Gaussian responses under an exponential envelope; the standard deviation of 600
    # values is itself uncertain by 1 / sqrt(2 * 600) = 2.9 %. The formula (from memory: Lubman;
    # Craik) is an approximation: a tenth is allowed.
    hz = (100.0, 200.0, 500.0, 1000.0, 2000.0)
    levels = diffuse_levels_db(np.random.default_rng(60), PLACES, rt60_s=rt60_s, hz=hz)
    stated = scatter_db(rt60_s)[[at(f) for f in hz]]
    assert levels.std(axis=0, ddof=1) == pytest.approx(stated, rel=0.10)


def test_scatter_of_a_sine_is_that_of_an_exponential_power():
    # Closed form: standard deviation of 10 lg of an exponentially distributed power.
    closed_form_db = 10.0 / np.log(10.0) * np.pi / np.sqrt(6.0)
    assert scatter_db(1e-9)[at(1000.0)] == pytest.approx(closed_form_db, abs=0.01)


@pytest.mark.parametrize(
    ("hz", "rt60_s", "expected_db"),
    [
        # 5.57 / sqrt(1 + 0.238 B T), worked out by hand (formula from memory: Lubman; Craik)
        (100.0, 0.9, 2.28),
        (1000.0, 0.9, 0.78),
        (500.0, 2.0, 0.74),
        (4000.0, 2.0, 0.27),
    ],
)
def test_scatter_by_the_formula(hz, rt60_s, expected_db):
    assert scatter_db(rt60_s)[at(hz)] == pytest.approx(expected_db, abs=0.006)


def test_scatter_below_the_statistics_of_many_modes_is_larger():
    formula_db = 5.57 / np.sqrt(1.0 + 0.238 * 50.0 * (10**0.05 - 10**-0.05) * 0.9)
    assert scatter_db(0.9)[at(50.0)] > formula_db


def test_direct_sound_does_not_scatter():
    assert scatter_db(0.9, 1.0) == pytest.approx(0.0)
    assert np.all(scatter_db(0.9, 0.5) < scatter_db(0.9))
    assert scatter_db(0.9, 0.0) == pytest.approx(scatter_db(0.9))


def test_half_direct_sound_scatters_as_simulated():
    # A single pulse of the same energy in the 1 kHz band as the reverberant field behind it.
    rng = np.random.default_rng(61)
    rate_hz, rt60_s, band = 3000.0, 0.9, at(1000.0)
    n_taps = int(1.2 * rt60_s * rate_hz)
    envelope = 10.0 ** (-3.0 * np.arange(n_taps) / (rt60_s * rate_hz))
    impulses = rng.standard_normal((PLACES, n_taps)) * envelope
    impulses[:, 0] += np.sqrt(np.sum(envelope**2))
    freq_hz = np.fft.rfftfreq(2 * n_taps, 1.0 / rate_hz)
    inside = (freq_hz >= LOWER_HZ[band]) & (freq_hz < UPPER_HZ[band])
    power = np.mean(np.abs(np.fft.rfft(impulses, 2 * n_taps)[:, inside]) ** 2, axis=1)
    simulated_db = (10.0 * np.log10(power)).std(ddof=1)
    assert scatter_db(rt60_s, 0.5)[band] == pytest.approx(simulated_db, rel=0.10)
