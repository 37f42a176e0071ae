"""Time and level of a delay loudspeaker against hand figures."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.errors import InputError
from evenhall.hall.delay import delay_level, delay_time, flight_s


def test_flight_is_distance_over_the_speed_of_sound():
    # ISO 9613-1: 343.2 m/s at 20 degrees Celsius, 331.3 at 0.
    assert flight_s(17.16, temperature_c=20.0) == pytest.approx(0.050)
    assert flight_s(33.13, temperature_c=0.0) == pytest.approx(0.100, abs=1e-5)


def test_one_spot_gets_the_difference_and_ten_ms():
    time = delay_time([0.040], [0.012])
    assert time.delay_s == pytest.approx(0.038)
    assert time.earliest_s == pytest.approx(0.010)
    assert time.holds


def test_wide_area_keeps_the_mains_first_at_every_spot():
    time = delay_time([0.030, 0.050], [0.020, 0.010])
    assert time.delay_s == pytest.approx(0.045)  # 40 ms ahead at the worse spot, and 5 on top
    assert (time.earliest_s, time.latest_s) == pytest.approx((0.005, 0.035))
    assert not time.holds


@given(st.lists(st.tuples(st.floats(0.005, 0.1), st.floats(0.002, 0.1)), min_size=1, max_size=5))
def test_delay_loudspeaker_never_comes_first(arrivals):
    mains, delay = zip(*arrivals, strict=True)
    time = delay_time(mains, delay)
    late = np.array(delay) + time.delay_s - np.array(mains)
    assert time.delay_s >= 0.0
    assert late.min() >= 0.005 - 1e-9
    assert late.min() == pytest.approx(time.earliest_s)
    assert late.max() == pytest.approx(time.latest_s)


def test_level_brings_the_back_to_three_db_below_the_front():
    # Power sum: -9 dB and x make -3 dB with x = 10 lg(10^-0.3 - 10^-0.9) = -4.26 dB.
    level = delay_level([-9.0], [-20.0], front_db=0.0)
    assert level.gain_db == pytest.approx(15.74, abs=0.01)
    assert level.front_minus_back_db == pytest.approx(3.0)
    assert level.was_db == pytest.approx(9.0)
    assert not level.limited


def test_level_stays_ten_db_above_the_mains_where_it_is_loudest():
    # Haas: up to 10 dB louder the first sound keeps the place.
    level = delay_level([-12.0, -25.0], [-2.0, -20.0], front_db=0.0)
    assert level.limited
    assert level.above_mains_db == pytest.approx(10.0)
    assert level.gain_db == pytest.approx(0.0)


def test_no_spot_or_unequal_counts_are_refused():
    with pytest.raises(InputError, match="0 arrivals of the mains and 0 of the delay"):
        delay_time([], [])
    with pytest.raises(InputError, match="2 levels of the mains and 1 of the delay"):
        delay_level([1.0, 2.0], [1.0], front_db=0.0)
