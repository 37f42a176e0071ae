"""Crossover filters against scipy.signal's, and by what Linkwitz and Riley's are known for."""

import numpy as np
import pytest
from scipy import signal

from evenhall.equalizer.crossover import Crossover, crossover_gain, tried_hz

FREQ_HZ = np.geomspace(10.0, 2000.0, 400)


@pytest.mark.parametrize(("slope_db", "order"), [(12, 1), (24, 2)])
@pytest.mark.parametrize("hz", [63.0, 100.0])
def test_each_branch_is_a_butterworth_filter_twice(slope_db, order, hz):
    gains = crossover_gain(hz, slope_db, FREQ_HZ)
    for kind, gain in zip(("low", "high"), gains, strict=True):
        b, a = signal.butter(order, 2 * np.pi * hz, kind, analog=True)
        _, once = signal.freqs(b, a, 2 * np.pi * FREQ_HZ)
        assert np.max(np.abs(gain - once**2)) < 1e-9


@pytest.mark.parametrize(("slope_db", "sign"), [(12, -1.0), (24, 1.0)])
def test_sum_is_flat_and_both_are_6_db_down_where_they_meet(slope_db, sign):
    """Closed form (Linkwitz 1976): the sum is an all-pass; at 12 dB with one turned over."""
    low, high = crossover_gain(90.0, slope_db, FREQ_HZ)
    assert np.max(np.abs(np.abs(low + sign * high) - 1.0)) < 1e-12
    for gain in crossover_gain(90.0, slope_db, 90.0):
        assert 20 * np.log10(abs(gain)) == pytest.approx(-6.02, abs=0.01)


def test_frequencies_that_are_tried_lie_within_the_knob():
    assert tried_hz(Crossover(low_hz=60.0, high_hz=120.0)) == (63.0, 70.0, 80.0, 90.0, 100.0, 110.0)
    assert tried_hz(Crossover(low_hz=81.0, high_hz=82.0)) == (81.0,)  # fixed
