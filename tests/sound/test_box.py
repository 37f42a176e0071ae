"""The simulated loudspeaker against closed forms and a second library's filters."""

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st

from evenhall.sound.simulated import Box, Element, Peak

FREQ_HZ = np.geomspace(15.0, 22_000.0, 400)
PLAIN = Box(low_limit_hz=0.0, high_limit_hz=np.inf, crossover_hz=0.0)


def level_db(response: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.abs(response))


def towards(angle_deg: float, *, up: bool = False) -> np.ndarray:
    angle = np.radians(angle_deg)
    aside = (0.0, np.sin(angle)) if up else (np.sin(angle), 0.0)
    return np.array([[np.cos(angle), *aside]])


def test_plain_box_is_flat():
    np.testing.assert_allclose(PLAIN.on_axis(FREQ_HZ), 1.0)


def test_low_end_is_a_fourth_order_butterworth():
    # scipy.signal as the independent reference.
    zpk = scipy.signal.butter(4, 2 * np.pi * 60.0, "highpass", analog=True, output="zpk")
    _, theirs = scipy.signal.freqs_zpk(*zpk, worN=2 * np.pi * FREQ_HZ)
    ours = Box(low_limit_hz=60.0, high_limit_hz=np.inf, crossover_hz=0.0).on_axis(FREQ_HZ)
    np.testing.assert_allclose(ours, theirs, rtol=1e-9)


def test_whole_crossover_passes_all_and_turns_half_round_at_its_frequency():
    # Linkwitz-Riley, fourth order: the drivers add up to an all-pass (closed form).
    box = Box(low_limit_hz=0.0, high_limit_hz=np.inf, crossover_hz=1800.0)
    np.testing.assert_allclose(np.abs(box.on_axis(FREQ_HZ)), 1.0, rtol=1e-9)
    np.testing.assert_allclose(box.on_axis(np.array([1800.0])), -1.0, rtol=1e-9)


def test_blown_high_driver_leaves_the_low_one():
    box = Box(low_limit_hz=0.0, high_limit_hz=np.inf, crossover_hz=1800.0, high_driver_gain=0.0)
    # Low branch at f_c / 2, f_c, 2 f_c, 4 f_c: two Butterworth second orders, scipy.signal.butter.
    wanted_db = [-0.527, -6.021, -24.609, -48.199]
    found_db = level_db(box.on_axis(1800.0 * np.array([0.5, 1.0, 2.0, 4.0])))
    np.testing.assert_allclose(found_db, wanted_db, atol=2e-3)


def test_swapped_high_driver_leaves_a_hole_at_the_crossover():
    box = Box(low_limit_hz=0.0, high_limit_hz=np.inf, crossover_hz=1800.0, high_driver_gain=-1.0)
    assert np.abs(box.on_axis(np.array([1800.0])))[0] < 1e-9
    np.testing.assert_allclose(level_db(box.on_axis(np.array([900.0, 3600.0]))), -1.09, atol=0.01)


@pytest.mark.parametrize("gain_db", [-8.0, 5.0])
def test_peak_reaches_its_height_and_half_of_it_at_its_width(gain_db):
    q = 4.318  # a third of an octave at half the height, sqrt(2^N) / (2^N - 1)
    at = 230.0 * 2.0 ** np.array([-1 / 6, 0.0, 1 / 6])
    found_db = level_db(Peak(230.0, gain_db, q).response(at))
    np.testing.assert_allclose(found_db, gain_db * np.array([0.5, 1.0, 0.5]), atol=0.02)


@pytest.mark.parametrize(("angle_deg", "up"), [(45.0, False), (30.0, True), (-45.0, False)])
def test_treble_is_6_db_down_at_half_the_nominal_angle(angle_deg, up):
    # Definition of the coverage angle (IEC 60268-5, from memory).
    loss_db = Box().off_axis_db(np.array([12_000.0]), towards(angle_deg, up=up))
    assert loss_db.item() == pytest.approx(-6.0, abs=1.0)
    assert Box().off_axis_db(FREQ_HZ, towards(0.0)).max() == 0.0


def test_bass_goes_to_all_sides():
    assert Box().off_axis_db(np.array([63.0]), towards(180.0)).item() > -1.0


@given(angle_deg=st.floats(0.0, 179.0), more_deg=st.floats(0.1, 1.0))
def test_loss_grows_with_angle_and_frequency_and_has_a_floor(angle_deg, more_deg):
    near = Box().off_axis_db(FREQ_HZ, towards(angle_deg))
    far = Box().off_axis_db(FREQ_HZ, towards(angle_deg + more_deg))
    assert (far <= near).all()
    assert (np.diff(far) <= 0.0).all()
    assert far.min() >= -20.0


def test_element_that_tilts_and_turns_plays_where_it_looks():
    element = Element(Box(), (1.0, 2.0, 3.0), down_deg=20.0, turn_deg=-35.0)
    down, turn = np.radians((20.0, -35.0))
    looks = np.array([[np.cos(down) * np.cos(turn), np.cos(down) * np.sin(turn), -np.sin(down)]])
    freq_hz = np.array([8000.0])
    assert element.off_axis_db(freq_hz, looks).item() == pytest.approx(0.0, abs=1e-6)
    level = np.array([[np.cos(turn), np.sin(turn), 0.0]])
    expected = Box().off_axis_db(freq_hz, towards(20.0, up=True)).item()
    assert element.off_axis_db(freq_hz, level).item() == pytest.approx(expected)


def test_channel_gain_delay_and_polarity_change_just_that():
    plain = Element(Box(), (0.0, 0.0, 1.0)).response(FREQ_HZ)
    changed = Element(Box(), (0.0, 0.0, 1.0), gain_db=-6.0, delay_s=0.002, polarity=-1)
    ratio = changed.response(FREQ_HZ) / plain
    np.testing.assert_allclose(level_db(ratio), -6.0, atol=1e-9)
    np.testing.assert_allclose(
        ratio / np.abs(ratio), -np.exp(-2j * np.pi * FREQ_HZ * 0.002), atol=1e-9
    )


def test_wall_behind_cancels_where_the_way_there_and_back_is_half_a_wave():
    # 0.9 m: 343.2 / (4 * 0.9) = 95.3 Hz; in phase at twice that (closed form).
    freq_hz = np.linspace(40.0, 240.0, 2001)
    near = Element(PLAIN, (0.0, 0.0, 1.0), wall_behind_m=0.9).response(freq_hz)
    assert freq_hz[np.argmin(np.abs(near))] == pytest.approx(343.2 / 3.6, abs=0.5)
    assert level_db(near).min() < -15.0
    at_twice_db = level_db(near)[np.argmin(np.abs(freq_hz - 343.2 / 1.8))]
    assert 3.0 < at_twice_db < 6.0
