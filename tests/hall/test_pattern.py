"""Patterns against Bessel tables, closed forms and what horns are known to do."""

import numpy as np
import pytest

from evenhall.hall.pattern import (
    HornPattern,
    MeasuredPattern,
    NominalPattern,
    PistonPattern,
    TwoWayPattern,
    horn_angle_deg,
    piston_db,
)

SPEED_M_S = 343.2


def freq_of_ka(ka, diameter_m):
    return ka * SPEED_M_S / (np.pi * diameter_m)


@pytest.mark.parametrize(
    ("x", "level_db"),
    # 20 lg |2 J1(x) / x|: Bessel tables (Abramowitz and Stegun, table 9.1), first side lobe last
    [(0.5, -0.273), (1.0, -1.109), (1.61634, -3.010), (2.0, -4.781), (2.21509, -6.021),
     (3.0, -12.916), (5.13562, -17.57)],
)  # fmt: skip
def test_piston_has_the_tabulated_values(x, level_db):
    ours = piston_db(90.0, freq_hz=[freq_of_ka(x, 0.2)], diameter_m=0.2).item()
    assert abs(ours - level_db) <= 0.006


def test_piston_has_its_first_null_and_its_half_angle():
    # zero of J1 at 3.83171; full -6 dB angle 2 asin(2.2118 / ka): 52.5 degrees at ka = 5
    assert piston_db(90.0, freq_hz=[freq_of_ka(3.83171, 0.2)], diameter_m=0.2).item() <= -59.0
    half = piston_db(52.5 / 2, freq_hz=[freq_of_ka(5.0, 0.2)], diameter_m=0.2).item()
    assert abs(half + 6.0) <= 0.02


@pytest.mark.parametrize(("ka", "index_db"), [(2.0, 5.88), (3.0, 9.16)])
def test_piston_gathers_what_the_closed_form_says(ka, index_db):
    # 10 lg((ka)^2 / (1 - 2 J1(2 ka) / (2 ka))), front half only: Kinsler, from memory. The box
    # here also plays backwards as at 90 degrees: that power is added to the closed form.
    freq = [freq_of_ka(ka, 0.2)]
    edge = 10 ** (max(piston_db(90.0, freq_hz=freq, diameter_m=0.2).item(), -18.0) / 10)
    mean = 10 ** (-index_db / 10) + 0.5 * edge
    ours = PistonPattern(0.2).directivity_q(freq).item()
    assert abs(10 * np.log10(ours * mean)) <= 0.03


def test_bass_of_any_box_is_all_round():
    for pattern in (PistonPattern(0.25), NominalPattern(), HornPattern(90, 60, 0.3, 0.2)):
        assert 1.0 <= pattern.directivity_q([30.0]).item() <= 1.1


def test_horn_holds_its_angle_down_to_what_its_mouth_allows():
    # 25 400 / (60 * 0.15) = 2822 Hz
    angle = horn_angle_deg([8000.0, 2823.0, 1411.0, 100.0], coverage_deg=60.0, mouth_m=0.15)
    assert angle.round(0).tolist() == [60.0, 60.0, 120.0, 1693.0]
    horn = HornPattern(90.0, 60.0, 0.28, 0.15)
    freq = [1411.1, 5000.0]
    assert horn.off_axis_db(0.0, 60.0, freq_hz=freq)[0] == pytest.approx(-6.0, abs=0.01)
    assert horn.off_axis_db(0.0, 30.0, freq_hz=freq)[1] == pytest.approx(-6.0, abs=1e-9)
    assert horn.off_axis_db(45.0, 0.0, freq_hz=freq)[0] == pytest.approx(-6.0, abs=1e-9)


def test_horn_and_nominal_agree_where_both_hold():
    freq = [2000.0, 8000.0]
    horn = HornPattern(90.0, 60.0, 1.0, 1.0).off_axis_db([10.0, 40.0], [5.0, 50.0], freq_hz=freq)
    nominal = NominalPattern(90.0, 60.0).off_axis_db([10.0, 40.0], [5.0, 50.0], freq_hz=freq)
    assert np.allclose(horn, nominal, atol=1e-9)


def test_two_way_is_the_cone_below_and_the_horn_above():
    cone, horn = PistonPattern(0.25), NominalPattern(60.0, 40.0)
    both = TwoWayPattern(cone, horn, 1500.0)
    low, mid, high = [150.0], [1500.0], [15000.0]
    # (1/10)^4 of a part that is -80 dB down at most: nothing heard
    assert both.off_axis_db(50.0, 0.0, freq_hz=low) == pytest.approx(
        cone.off_axis_db(50.0, 0.0, freq_hz=low), abs=0.01
    )
    assert both.off_axis_db(50.0, 0.0, freq_hz=high) == pytest.approx(
        horn.off_axis_db(50.0, 0.0, freq_hz=high), abs=0.01
    )
    # at the crossover both are 6 dB down and in phase: the mean of the pressures
    mean = sum(10 ** (p.off_axis_db(50.0, 0.0, freq_hz=mid).item() / 20) for p in (cone, horn)) / 2
    assert both.off_axis_db(50.0, 0.0, freq_hz=mid).item() == pytest.approx(20 * np.log10(mean))


def test_measured_pattern_gives_its_points_back_and_lines_between():
    data = MeasuredPattern(
        np.array([1000.0, 4000.0]),
        np.array([0.0, 45.0, 90.0]),
        np.array([[0.0, -3.0, -6.0], [0.0, -6.0, -12.0]]),
        np.array([-30.0, 0.0, 30.0]),
        np.array([[-1.0, 0.0, -3.0], [-2.0, 0.0, -9.0]]),
    )
    across = data.off_axis_db([45.0, -45.0, 22.5, 120.0], 0.0, freq_hz=[1000.0, 2000.0, 8000.0])
    assert across[:, 0].tolist() == pytest.approx([-3.0, -3.0, -1.5, -6.0])
    assert across[0].tolist() == pytest.approx([-3.0, -4.5, -6.0])  # an octave is half of two
    down = data.off_axis_db(0.0, [30.0, -30.0], freq_hz=[1000.0])
    assert down[:, 0].tolist() == pytest.approx([-3.0, -1.0])


def test_all_round_data_gathers_nothing():
    flat = np.zeros((2, 2))
    data = MeasuredPattern(np.array([100.0, 1e4]), np.array([0.0, 180.0]), flat,
                           np.array([0.0, 180.0]), flat)  # fmt: skip
    assert data.directivity_q([1000.0]).item() == pytest.approx(1.0, abs=1e-6)
