"""Patterns: what they give back, and what they gather."""

import numpy as np
import pytest

from evenhall.hall.pattern import MeasuredPattern, NominalPattern


def test_bass_of_any_box_is_all_round():
    assert 1.0 <= NominalPattern().directivity_q([30.0]).item() <= 1.1


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
