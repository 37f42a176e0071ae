"""A and C weighting against the tables of IEC 61672-1:2013.

Goals: the standard's table as published in the open-source package acoustics 0.2.6. Tolerances of
classes 1 and 2: from memory of table 3 of the 2013 edition; the tests hold the filters to a tenth
of the narrowest of them.
"""

from __future__ import annotations

import numpy as np
import pyfar
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal as sps

from evenhall.acoustics.level import a_weighting_db, c_weighting_db
from evenhall.acoustics.weighting import weighting_filter

# nominal Hz, n of 1000 * 10^(n / 10), A, C, class 1 up and down, class 2 up and down
TABLE = [
    (31.5, -15, -39.4, -3.0, 1.5, -1.5, 3.0, -3.0),
    (40, -14, -34.6, -2.0, 1.0, -1.0, 2.0, -2.0),
    (50, -13, -30.2, -1.3, 1.0, -1.0, 2.0, -2.0),
    (63, -12, -26.2, -0.8, 1.0, -1.0, 2.0, -2.0),
    (80, -11, -22.5, -0.5, 1.0, -1.0, 2.0, -2.0),
    (100, -10, -19.1, -0.3, 1.0, -1.0, 1.5, -1.5),
    (125, -9, -16.1, -0.2, 1.0, -1.0, 1.5, -1.5),
    (160, -8, -13.4, -0.1, 1.0, -1.0, 1.5, -1.5),
    (200, -7, -10.9, 0.0, 1.0, -1.0, 1.5, -1.5),
    (250, -6, -8.6, 0.0, 1.0, -1.0, 1.5, -1.5),
    (315, -5, -6.6, 0.0, 1.0, -1.0, 1.5, -1.5),
    (400, -4, -4.8, 0.0, 1.0, -1.0, 1.5, -1.5),
    (500, -3, -3.2, 0.0, 1.0, -1.0, 1.5, -1.5),
    (630, -2, -1.9, 0.0, 1.0, -1.0, 1.5, -1.5),
    (800, -1, -0.8, 0.0, 1.0, -1.0, 1.5, -1.5),
    (1000, 0, 0.0, 0.0, 0.7, -0.7, 1.0, -1.0),
    (1250, 1, 0.6, 0.0, 1.0, -1.0, 1.5, -1.5),
    (1600, 2, 1.0, -0.1, 1.0, -1.0, 2.0, -2.0),
    (2000, 3, 1.2, -0.2, 1.0, -1.0, 2.0, -2.0),
    (2500, 4, 1.3, -0.3, 1.0, -1.0, 2.5, -2.5),
    (3150, 5, 1.2, -0.5, 1.0, -1.0, 2.5, -2.5),
    (4000, 6, 1.0, -0.8, 1.0, -1.0, 3.0, -3.0),
    (5000, 7, 0.5, -1.3, 1.5, -1.5, 3.5, -3.5),
    (6300, 8, -0.1, -2.0, 1.5, -2.0, 4.5, -4.5),
    (8000, 9, -1.1, -3.0, 1.5, -2.5, 5.0, -5.0),
    (10000, 10, -2.5, -4.4, 2.0, -3.0, 5.0, -np.inf),
    (12500, 11, -4.3, -6.2, 2.0, -5.0, 5.0, -np.inf),
    (16000, 12, -6.6, -8.5, 2.5, -16.0, 5.0, -np.inf),
]
RATES_HZ = (44_100.0, 48_000.0, 88_200.0, 96_000.0)
ROUNDED_DB = 0.05  # the table's goals


def response_db(weighting, rate_hz, freq_hz):
    _, response = sps.freqz_sos(weighting_filter(weighting, rate_hz), freq_hz, fs=rate_hz)
    return 20.0 * np.log10(np.abs(response))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("weighting", "column"), [("A", 2), ("C", 3)])
def test_every_band_lies_within_class_1_and_2(weighting, column, rate_hz):
    table = np.array(TABLE)
    error = response_db(weighting, rate_hz, 1000.0 * 10.0 ** (table[:, 1] / 10.0))
    error -= table[:, column]
    assert (error < table[:, 4]).all()
    assert (error > table[:, 5]).all()
    assert (error < table[:, 6]).all()
    assert (error > table[:, 7]).all()
    assert np.abs(error).max() < ROUNDED_DB + 0.04


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("weighting", ["A", "C"])
def test_filters_follow_the_curve_of_a_reference_library(weighting, rate_hz):
    freq_hz = np.geomspace(10.0, 16_000.0, 300)
    wanted = pyfar.constants.frequency_weighting_curve(weighting, freq_hz)
    assert np.abs(response_db(weighting, rate_hz, freq_hz) - wanted).max() < 0.04
    upper_hz = np.linspace(16_000.0, 20_000.0, 50)
    wanted = pyfar.constants.frequency_weighting_curve(weighting, upper_hz)
    assert np.abs(response_db(weighting, rate_hz, upper_hz) - wanted).max() < 0.15


@given(st.floats(44_100.0, 384_000.0))
def test_filters_are_stable_and_true_at_any_rate(rate_hz):
    for weighting, curve in (("A", a_weighting_db), ("C", c_weighting_db)):
        sections = weighting_filter(weighting, rate_hz)
        assert all(np.abs(np.roots(section[3:])).max() < 1.0 for section in sections)
        freq_hz = np.geomspace(20.0, 16_000.0, 60)
        error = response_db(weighting, rate_hz, freq_hz) - curve(freq_hz)
        assert np.abs(error).max() < 0.06
