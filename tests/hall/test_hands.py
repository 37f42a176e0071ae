"""Height and aim: bounded, worth the trouble, and the best there is on the grid."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.errors import InputError
from evenhall.hall import (
    Audience,
    Loudspeaker,
    Room,
    best_height_and_aim,
    front_minus_back_db,
    level_by_row,
    mid_mean_db,
)

HALL = Room(18.0, 10.0, 4.5, rt60_s=0.9)
PEOPLE = Audience(2.0, 14.0)


def spread_db(height_m, down_deg, *, room=HALL, people=PEOPLE, speaker=None):
    box = Loudspeaker(
        height_m,
        down_deg,
        speaker.coverage_h_deg if speaker else 90.0,
        speaker.coverage_v_deg if speaker else 60.0,
    )
    rows_m = np.linspace(people.first_row_m, people.last_row_m, 9)
    return float(np.ptp(mid_mean_db(level_by_row(box, room, people, row_m=rows_m).total_db)))


def below_deg(height_m, people=PEOPLE):
    return np.degrees(np.arctan2(height_m - people.ear_height_m, people.last_row_m))


def test_low_loudspeakers_are_raised_and_tipped_towards_the_last_row():
    # Raising evens out the level, the axis goes to the last row: common practice, no source
    move = best_height_and_aim(Loudspeaker(1.8), HALL, PEOPLE, max_height_m=3.0)
    assert 2.4 <= move.height_m <= 3.0
    assert 0.0 <= move.down_deg - below_deg(move.height_m) + 0.5 <= 2.0
    assert move.was_db - move.front_minus_back_db >= 2.0


def test_no_other_setting_of_the_grid_is_more_even_by_what_counts():
    move = best_height_and_aim(Loudspeaker(1.8), HALL, PEOPLE, max_height_m=3.0)
    chosen_db = spread_db(move.height_m, move.down_deg)
    by_hand = [
        spread_db(height_m, down_deg)
        for height_m in np.arange(1.8, 3.01, 0.1).round(1)
        for down_deg in range(31)
        if down_deg >= below_deg(height_m) - 0.5
    ]
    assert min(by_hand) <= chosen_db <= min(by_hand) + 0.5
    assert abs(move.why.proposed.spread_db - chosen_db) <= 1e-9


def test_loudspeaker_goes_no_higher_than_it_needs_to():
    move = best_height_and_aim(Loudspeaker(1.8), HALL, PEOPLE, max_height_m=3.0)
    best_db = min(spread_db(3.0, down_deg) for down_deg in range(7, 15))
    lower_db = spread_db(move.height_m - 0.1, round(below_deg(move.height_m - 0.1)))
    assert move.height_m < 3.0
    assert move.why.proposed.spread_db <= best_db + 0.5 < lower_db


def test_figures_are_those_of_the_forecast():
    move = best_height_and_aim(Loudspeaker(1.8, 3.0), HALL, PEOPLE, max_height_m=3.0)

    def forecast_db(height_m, down_deg):
        return mid_mean_db(front_minus_back_db(Loudspeaker(height_m, down_deg), HALL, PEOPLE))

    assert move.was_db == pytest.approx(forecast_db(1.8, 3.0))
    assert move.front_minus_back_db == pytest.approx(forecast_db(move.height_m, move.down_deg))
    assert move.raise_only_db == pytest.approx(forecast_db(move.height_m, 3.0))
    assert move.aim_only_db == pytest.approx(forecast_db(1.8, move.down_deg))


def test_reason_tells_distance_from_coverage():
    why = best_height_and_aim(Loudspeaker(1.8), HALL, PEOPLE, max_height_m=3.0).why
    assert why.was.distance_ratio == pytest.approx(np.hypot(14, 0.6) / np.hypot(2, 0.6))
    assert why.proposed.distance_ratio < why.was.distance_ratio
    assert why.proposed.front_off_axis_db < why.was.front_off_axis_db
    assert why.proposed.back_off_axis_db > -0.1


def test_nothing_is_proposed_where_it_earns_nothing():
    already = best_height_and_aim(Loudspeaker(3.0, 7.0), HALL, PEOPLE, max_height_m=3.0)
    assert (already.height_m, already.down_deg) == (3.0, 7.0)
    assert already.front_minus_back_db == already.was_db
    # A church of 6 s: the reverberant field is the same everywhere, and height does nothing.
    church = Room(30.0, 15.0, 10.0, rt60_s=6.0)
    lively = best_height_and_aim(Loudspeaker(2.4), church, Audience(6.0, 20.0), max_height_m=3.0)
    assert (lively.height_m, lively.down_deg) == (2.4, 0.0)


def test_unknown_height_limit_leaves_the_aim():
    move = best_height_and_aim(Loudspeaker(1.8, 25.0), HALL, PEOPLE, max_height_m=None)
    assert move.height_m == 1.8
    assert 2.0 <= move.down_deg < 15.0
    assert move.front_minus_back_db < move.was_db
    assert move.raise_only_db == move.was_db


def test_limit_below_the_present_height_never_lowers():
    assert best_height_and_aim(Loudspeaker(2.5), HALL, PEOPLE, max_height_m=2.0).height_m == 2.5


def test_ceiling_bounds_a_tall_stand():
    low = Room(18.0, 10.0, 2.6, rt60_s=0.4)
    move = best_height_and_aim(Loudspeaker(1.75), low, PEOPLE, max_height_m=6.0)
    assert 1.75 < move.height_m <= 2.3
    assert round(move.height_m, 1) == move.height_m


def test_last_row_outside_the_coverage_is_brought_back_into_it():
    # Tipped 40 degrees down, a 60-degree box leaves the last row 10 degrees above its coverage.
    move = best_height_and_aim(Loudspeaker(1.8, 40.0), HALL, PEOPLE, max_height_m=1.8)
    assert move.why.was.back_off_axis_db < -6.0
    assert move.why.proposed.back_off_axis_db >= -6.0
    assert move.down_deg - 30.0 <= below_deg(move.height_m)


def test_steep_gallery_beyond_every_tilt_still_has_an_answer():
    # Last row nearly under a high loudspeaker: 30 degrees do not reach it, coverage does.
    tall = Room(20.0, 20.0, 12.0, rt60_s=0.8)
    move = best_height_and_aim(Loudspeaker(7.0), tall, Audience(1.0, 6.0), max_height_m=8.0)
    assert move.down_deg == 30.0
    # A narrow box cannot cover it either: then nothing is promised.
    narrow = Loudspeaker(9.0, 0.0, 40.0, 20.0)
    stay = best_height_and_aim(narrow, tall, Audience(1.0, 4.0), max_height_m=10.0)
    assert (stay.height_m, stay.down_deg) == (9.0, 0.0)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(1.0, 3.5),
    st.floats(-10.0, 40.0),
    st.floats(20.0, 110.0),
    st.floats(0.5, 5.0),
    st.floats(2.0, 12.0),
    st.floats(1.0, 6.0),
    st.none() | st.floats(0.3, 3.0),
)
def test_bounds_hold_whatever_the_hall(height, down, cover_v, first, depth, limit, rt60):
    box = Loudspeaker(height, down, 90.0, cover_v)
    room, people = Room(18.0, 10.0, 4.5, rt60_s=rt60), Audience(first, first + depth)
    move = best_height_and_aim(box, room, people, max_height_m=limit)
    assert height <= move.height_m <= max(height, min(limit, 4.2) + 1e-9)
    if (move.height_m, move.down_deg) == (height, down):
        return
    assert move.down_deg == down or 0.0 <= move.down_deg <= 30.0
    assert move.down_deg >= min(below_deg(move.height_m, people) - 0.5, 30.0)
    assert move.why.proposed.back_off_axis_db >= -6.0
    gain_db = spread_db(height, down, room=room, people=people, speaker=box) - spread_db(
        move.height_m, move.down_deg, room=room, people=people, speaker=box
    )
    assert gain_db >= 0.5 - 1e-9 or move.why.was.back_off_axis_db < -6.0


@pytest.mark.parametrize("limit_m", [-1.0, float("nan")])
def test_height_limit_that_is_none_is_refused(limit_m):
    with pytest.raises(InputError, match=r"max_height_m = .* is no height\. Give metres"):
        best_height_and_aim(Loudspeaker(1.8), HALL, PEOPLE, max_height_m=limit_m)


def test_absurd_geometry_is_refused():
    with pytest.raises(InputError, match=r"height_m = 6 is not below the ceiling"):
        best_height_and_aim(Loudspeaker(6.0), HALL, PEOPLE, max_height_m=8.0)
