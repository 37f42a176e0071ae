"""The nominal pattern against its definition, a piston, Molloy's formula and brute integration."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import dblquad
from scipy.special import j1

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.hall.coverage import directivity_q, off_axis_db

BOX = {"coverage_h_deg": 90.0, "coverage_v_deg": 60.0}
angles = st.floats(0.0, 180.0)
bands_hz = st.floats(20.0, 20e3)


def test_nothing_is_lost_on_axis():
    assert np.all(off_axis_db(0.0, 0.0, freq_hz=EXACT_HZ, **BOX) == 0.0)


@pytest.mark.parametrize("freq_hz", [1000.0, 4000.0, 16000.0])
@pytest.mark.parametrize(
    ("across_deg", "down_deg"),
    # Coverage is the angle between the -6 dB directions: common practice; IEC 60268-5, from memory
    [(45.0, 0.0), (-45.0, 0.0), (0.0, 30.0), (0.0, -30.0), (45.0 * 0.6, 30.0 * 0.8)],
)
def test_half_the_nominal_angle_loses_6_db(freq_hz, across_deg, down_deg):
    loss_db = off_axis_db(across_deg, down_deg, freq_hz=[freq_hz], **BOX)
    assert abs(loss_db.item() + 6.0) <= 1e-9


def test_pattern_follows_a_piston_inside_its_coverage():
    # Baffled circular piston D = 2 J1(x)/x, -6 dB at x = 2.2118 (Eargle, off-axis response of a
    # piston in a large baffle). Small angles: x in proportion to the angle.
    ratio = np.linspace(0.05, 1.0, 20)
    x = 2.21179 * ratio
    piston_db = 20 * np.log10(2 * j1(x) / x)
    ours_db = off_axis_db(0.0, 30.0 * ratio, freq_hz=[2000.0], **BOX)[:, 0]
    assert np.abs(ours_db - piston_db).max() <= 0.5


def test_coverage_doubles_an_octave_below_where_it_holds():
    # angle * mouth * frequency is constant below the limit: Keele 1975, from memory
    assert off_axis_db(0.0, 60.0, freq_hz=[500.0], **BOX).item() == pytest.approx(-6.0)


def test_back_of_the_box_is_dull_but_never_silent():
    behind_db = off_axis_db(180.0, 0.0, freq_hz=[63.0, 8000.0], **BOX)
    assert behind_db[0] > -0.5
    assert -18.0 <= behind_db[1] < -15.0


@given(angles, angles, bands_hz)
def test_farther_off_axis_is_never_louder(first_deg, second_deg, freq_hz):
    near_deg, far_deg = sorted((first_deg, second_deg))
    near, far = off_axis_db(0.0, [near_deg, far_deg], freq_hz=[freq_hz], **BOX)[:, 0]
    assert far <= near <= 0.0


@given(angles, bands_hz, bands_hz)
def test_higher_band_never_reaches_farther_off_axis(angle_deg, first_hz, second_hz):
    low, high = off_axis_db(angle_deg, 0.0, freq_hz=sorted((first_hz, second_hz)), **BOX)
    assert high <= low


@pytest.mark.parametrize(
    ("h_deg", "v_deg", "molloy_q"),
    # Q = 180 / asin(sin(H/2) sin(V/2)), Molloy: as quoted in several handbook pages
    [
        (90, 60, 8.694),
        (60, 40, 18.281),
        (90, 40, 12.861),
        (120, 60, 7.015),
        (90, 90, 6.000),
    ],
)
def test_q_lies_at_most_1_5_db_above_the_sharp_edged_pyramid(h_deg, v_deg, molloy_q):
    h, v = np.radians(h_deg), np.radians(v_deg)
    formula_q = 180 / np.degrees(np.arcsin(np.sin(h / 2) * np.sin(v / 2)))
    assert abs(formula_q - molloy_q) <= 5e-4
    q = directivity_q([4000.0], coverage_h_deg=h_deg, coverage_v_deg=v_deg).item()
    assert 0.0 <= 10 * np.log10(q / molloy_q) <= 1.5


@pytest.mark.parametrize(
    ("angle_deg", "piston_di_db"),
    # Baffled piston: -6 dB angle 2 asin(2.2118/ka), DI 10 lg((ka)^2 / (1 - 2 J1(2ka)/(2ka)))
    [(95.0, 9.16), (52.5, 14.02)],  # ka = 3, ka = 5
)
def test_q_stays_below_a_piston_in_a_baffle(angle_deg, piston_di_db):
    q = directivity_q([4000.0], coverage_h_deg=angle_deg, coverage_v_deg=angle_deg).item()
    assert piston_di_db - 1.5 <= 10 * np.log10(q) <= piston_di_db


@pytest.mark.parametrize("freq_hz", [125.0, 400.0, 4000.0])
@pytest.mark.parametrize(("h_deg", "v_deg"), [(90.0, 60.0), (40.0, 20.0), (120.0, 120.0)])
def test_q_is_the_integral_of_the_pattern(freq_hz, h_deg, v_deg):
    def power(angle, turn):
        loss_db = off_axis_db(
            np.degrees(angle) * np.cos(turn),
            np.degrees(angle) * np.sin(turn),
            freq_hz=[freq_hz],
            coverage_h_deg=h_deg,
            coverage_v_deg=v_deg,
        )
        return 10 ** (loss_db.item() / 10) * np.sin(angle)

    integral, _ = dblquad(power, 0, np.pi / 2, 0, np.pi, epsabs=1e-4, epsrel=1e-4)
    q = directivity_q([freq_hz], coverage_h_deg=h_deg, coverage_v_deg=v_deg).item()
    assert abs(q / (4 * np.pi / (4 * integral)) - 1) <= 2e-3


def test_q_falls_to_all_round_in_the_bass():
    q = directivity_q(EXACT_HZ, **BOX)
    assert abs(q[0] - 1.0) <= 0.02
    assert np.all(np.diff(q) >= -1e-12)


@given(st.floats(20.0, 170.0), st.floats(20.0, 170.0), st.floats(1.0, 2.0))
def test_wider_box_gathers_less(h_deg, v_deg, wider):
    q = directivity_q([2000.0], coverage_h_deg=h_deg, coverage_v_deg=v_deg).item()
    wide_q = directivity_q([2000.0], coverage_h_deg=h_deg * wider, coverage_v_deg=v_deg).item()
    assert 1.0 <= wide_q <= q + 1e-9
