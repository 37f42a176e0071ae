"""Target curves against the definitions of the job folder."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.verdict.target import SHAPES, target_db, target_points


def test_tilt_falls_1_db_an_octave_between_63_hz_and_16_khz():
    points = target_points("tilt")
    octaves_hz = 1000.0 * 2.0 ** np.arange(-3.9, 4.0, 0.3)
    fall = np.diff(target_db(points, octaves_hz)) / 0.3
    assert fall == pytest.approx(-1.0, abs=0.003)


def test_tilt_is_0_at_1_khz():
    assert abs(float(target_db(target_points("tilt"), 1000.0))) <= 0.02


def test_tilt_is_level_outside():
    points = target_points("tilt")
    assert target_db(points, [20.0, 31.5, 63.0]) == pytest.approx(4.0)
    assert target_db(points, [16000.0, 20000.0]) == pytest.approx(-4.0)


def test_points_are_joined_by_straight_lines_over_log_frequency():
    points = ((100.0, 0.0), (10000.0, -8.0))
    # Half-way in log frequency lies the geometric mean, a quarter at 100 * 100^(1/4).
    assert target_db(points, [1000.0, 316.2278]) == pytest.approx([-4.0, -2.0], abs=1e-5)


def test_points_of_ones_own_outdo_the_shape():
    assert target_points("tilt", [(63, 4.0), (1000, 0.0)]) == ((63, 4.0), (1000, 0.0))


@pytest.mark.parametrize("shape", sorted(SHAPES))
def test_every_shape_is_0_at_1_khz_and_says_why(shape):
    assert abs(float(target_db(target_points(shape), 1000.0))) <= 0.02
    assert SHAPES[shape].why.endswith(".")


@pytest.mark.parametrize("shape", sorted(SHAPES))
def test_points_of_every_shape_rise_in_frequency(shape):
    hz = [point[0] for point in SHAPES[shape].points]
    assert hz == sorted(set(hz))


def test_shapes_of_the_job_folder_are_all_there():
    assert set(SHAPES) == {"tilt", "flat", "speech", "music"}


@given(st.floats(10.0, 24000.0))
def test_target_lies_between_its_points(hz):
    level_db = float(target_db(((50.0, 6.0), (500.0, -1.0), (12000.0, -3.0)), hz))
    assert -3.0 <= level_db <= 6.0
