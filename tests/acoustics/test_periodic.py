"""Noise that repeats itself: it tells exactly without noise, and as surely as theory with it."""

import numpy as np
import pytest

from evenhall.acoustics.level import rms_dbfs
from evenhall.acoustics.periodic import (
    bands_of,
    line_power,
    periodic_pink,
    quiet_power,
    round_gain,
)
from evenhall.errors import InputError

RATE_HZ, ROUND = 48_000.0, 9600
BANDS = bands_of(ROUND, rate_hz=RATE_HZ, low_hz=20.0, high_hz=20_000.0)


@pytest.fixture(scope="module")
def pink():
    return periodic_pink(
        ROUND, rate_hz=RATE_HZ, seed=3, level_dbfs=-32.0, low_hz=20.0, high_hz=20_000.0
    )


def test_round_has_its_level_and_falls_three_db_an_octave(pink):
    assert abs(float(rms_dbfs(pink)) + 32.0) <= 0.01
    power = line_power(pink, BANDS)
    at = dict(zip(BANDS.line_hz.round(), 10.0 * np.log10(power), strict=True))
    # 10 lg 2 = 3.0103, closed form
    assert abs(at[100] - at[200] - 3.0103) <= 0.01
    assert abs(at[4000] - at[8000] - 3.0103) <= 0.01


def test_gain_is_exact_wherever_the_round_is_cut_out(pink):
    from scipy.signal import freqz, lfilter

    # Peaking section of the Audio EQ Cookbook at 1 kHz, -12 dB, Q 4.318 (check-values section 9).
    b = np.array([0.9780793145, -1.9248426572, 0.9633727341])
    a = np.array([1.0, -1.9248426572, 0.9414520486])
    heard = lfilter(b, a, np.tile(pink, 6))[4 * ROUND + 1234 :][:ROUND]
    sent = line_power(pink, BANDS)
    told = round_gain(line_power(heard, BANDS), sent, np.zeros(sent.size), BANDS)
    _, response = freqz(b, a, worN=BANDS.line_hz, fs=RATE_HZ)
    truth_db = 10.0 * np.log10(BANDS.total(sent * np.abs(response) ** 2) / BANDS.total(sent))
    assert truth_db.min() < -11.0
    assert np.abs(told.gain_db - truth_db).max() <= 0.001


def test_scatter_is_as_foretold_and_noise_does_not_lift_the_gain(pink):
    rng = np.random.default_rng(5)
    reference = line_power(pink, BANDS)
    noise = np.sqrt(np.mean(pink**2)) * 0.03 * rng.normal(size=(300, ROUND))
    quiet = quiet_power(noise[:100], BANDS)
    told = [
        round_gain(line_power(0.5 * pink + one, BANDS), reference, quiet, BANDS)
        for one in noise[100:]
    ]
    gains_db = np.array([one.gain_db for one in told])
    low = BANDS.line_hz[BANDS.first] < 2000.0  # where white noise leaves 10 dB or more
    foretold_db = np.mean([one.uncertainty_db for one in told], axis=0)[low]
    spread_db = gains_db.std(axis=0)[low]
    # A standard deviation of 200 values is known within 5 % (1 / sqrt(2 n)): four of these.
    assert np.median(np.abs(spread_db / foretold_db - 1.0)) <= 0.2
    # 20 lg 0.5 = -6.0206, closed form
    assert np.abs(gains_db.mean(axis=0)[low] + 6.0206).max() <= 0.25


def test_buried_band_tells_nothing():
    power = np.ones(BANDS.line_hz.size)
    told = round_gain(power, power, power, BANDS)
    assert np.isnan(told.gain_db).all()
    assert np.isinf(told.uncertainty_db).all()


def test_band_without_a_line_is_refused():
    with pytest.raises(InputError, match=r"leave nothing to play. Give at least 5 Hz"):
        bands_of(ROUND, rate_hz=RATE_HZ, low_hz=21.0, high_hz=24.0)
