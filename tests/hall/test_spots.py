"""Where the microphone goes, against common practice and Pythagoras."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.errors import InputError
from evenhall.hall.setting import Audience
from evenhall.hall.spots import distance_m, usual_spots


@pytest.mark.parametrize(
    ("first_m", "last_m", "expected"),
    # Front one to two metres out, back at the last row, middle halfway: common practice, no source.
    [
        (1.5, 13.0, [1.5, 7.2, 13.0]),  # the first row lies there
        (0.5, 9.0, [1.0, 5.0, 9.0]),  # people sit nearer than that
        (4.0, 20.0, [2.0, 11.0, 20.0]),  # and farther
        (0.2, 0.8, [0.2, 0.5, 0.8]),  # nobody sits a metre out
        (1.234, 7.89, [1.2, 4.6, 7.9]),
    ],
)
def test_spots_lie_where_practice_puts_them(first_m, last_m, expected):
    spots = usual_spots(Audience(first_m, last_m))
    assert [spot.label for spot in spots] == ["front", "middle", "back"]
    assert [spot.along_m for spot in spots] == pytest.approx(expected, abs=1e-9)


@given(first_m=st.floats(0.0, 30.0), depth_m=st.floats(1.5, 60.0))
def test_spots_run_from_front_to_back_in_steps_of_a_tenth(first_m, depth_m):
    last_m = first_m + depth_m
    front, middle, back = (spot.along_m for spot in usual_spots(Audience(first_m, last_m)))
    assert 1.0 <= front <= 2.0
    assert front < middle < back
    assert abs(middle - (front + back) / 2) <= 0.1 + 1e-9
    assert abs(back - last_m) <= 0.05 + 1e-9
    assert all(abs(along_m * 10 - round(along_m * 10)) < 1e-6 for along_m in (front, middle, back))


@pytest.mark.parametrize(
    "audience",
    [
        Audience(8.0, 8.0),
        Audience(-1.0, 8.0),
        Audience(2.0, math.inf),
        Audience(math.nan, 8.0),
        Audience(2.0, math.nan),
    ],
)
def test_rows_that_leave_no_place_are_refused(audience):
    with pytest.raises(InputError, match=r"leaves no place for spots\. Give the first row 0 m"):
        usual_spots(audience)


def test_distance_is_the_slant():
    # 3-4-5 and 5-12-13: Pythagoras.
    assert distance_m(4.0, speaker_height_m=4.2, ear_height_m=1.2) == pytest.approx(5.0)
    assert distance_m(12.0, speaker_height_m=1.2, ear_height_m=6.2) == pytest.approx(13.0)
    assert distance_m(7.0, speaker_height_m=1.2, ear_height_m=1.2) == 7.0
    assert math.isnan(distance_m(7.0, speaker_height_m=math.nan, ear_height_m=1.2))
