"""The best stance of a pair: against every stance of a finer grid, and against common practice."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.errors import InputError
from evenhall.hall.field import forecast_points
from evenhall.hall.pair import USUAL_ROOM_DB, best_stance
from evenhall.hall.search import HEAD_M, Limits, spread_db
from evenhall.hall.seats import Placed, usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.hall.stances import hearing_of, place_pair, stance_of

HALL = Room(18.0, 10.0, 4.5, rt60_s=0.9)
PEOPLE = Audience(2.0, 14.0)


def below_deg(height_m, last_m=14.0):
    return np.degrees(np.arctan2(height_m - 1.2, last_m))


def test_low_pair_is_raised_and_tipped_no_higher_than_the_last_row():
    # Raise, and aim at the last row or below it: common practice, no source
    found = best_stance(
        usual_pair(Loudspeaker(1.8), HALL),
        usual_seats(PEOPLE, HALL),
        HALL,
        limits=Limits(max_height_m=3.0),
        room_db=0.0,
    )
    assert 2.4 <= found.proposed.height_m <= 3.0
    assert found.proposed.down_deg >= below_deg(found.proposed.height_m) - 0.5
    assert found.was_db - found.proposed_db >= 2.0
    assert found.best_db <= found.proposed_db <= found.best_db + 0.5 + 1e-9
    left, right = found.pair
    assert (left.height_m, left.turn_deg) == (right.height_m, -right.turn_deg)


@pytest.mark.parametrize("seed", range(3))
def test_best_is_within_a_tenth_of_a_decibel_of_every_stance_of_a_finer_grid(seed):
    rng = np.random.default_rng(seed)
    length, width = rng.uniform(12, 20), rng.uniform(8, 12)
    room = Room(length, width, 4.5, rt60_s=rng.uniform(0.5, 1.5))
    people = Audience(rng.uniform(1.5, 3.0), length - rng.uniform(2.5, 4.0))
    pair = usual_pair(Loudspeaker(rng.uniform(1.6, 2.2)), room)
    seats = usual_seats(people, room, rows=6, seats=5)
    limits = Limits(max_height_m=2.6, inwards_deg=(0.0, 30.0))
    found = best_stance(pair, seats, room, limits=limits, room_db=1.0)
    hearing = hearing_of(pair, seats, room, room_db=1.0)
    present = stance_of(pair, hearing.middle_m)
    grid = [
        replace(present, height_m=float(h), down_deg=float(d), inwards_deg=float(t))
        for h, d, t in itertools.product(
            np.arange(present.height_m, 2.601, 0.05), np.arange(0, 30.1, 0.5), np.arange(0, 30.1, 2)
        )
        if d >= below_deg(h, seats.along_m.max() - 1.0) - 0.5
        and below_deg(h, seats.along_m.max() - 1.0) - d >= -30.0
        # the axis meets the heads no nearer than the middle of the audience
        and d <= below_deg(h, seats.along_m[[0, -1]].mean() - 1.0)
        # and the last row no farther than the outer seat of the other side
        and (seats.along_m.max() - 1.0) * np.tan(np.radians(t))
        <= present.aside_m + np.ptp(seats.across_m) / 2
    ]
    assert len(grid) > 500
    assert found.best_db <= spread_db(hearing, grid).min() + 0.1


def test_spread_is_that_of_the_forecast_without_reflections():
    # The search leaves single reflections out: with dead walls both must say the same.
    pair = usual_pair(Loudspeaker(2.4, 6.0), HALL)
    seats = usual_seats(PEOPLE, HALL, rows=5, seats=5)
    hearing = hearing_of(pair, seats, HALL)
    stance = replace(stance_of(pair, hearing.middle_m), inwards_deg=10.0)
    whole = forecast_points(
        place_pair(pair, stance, hearing.middle_m),
        seats.point_m,
        HALL,
        absorption=np.ones((6, 31)),
        at_seats=True,
    )
    assert spread_db(hearing, [stance])[0] == pytest.approx(np.ptp(whole.mid_db), abs=1e-6)


def test_figures_are_those_of_the_stances():
    pair = usual_pair(Loudspeaker(1.8), HALL)
    seats = usual_seats(PEOPLE, HALL)
    found = best_stance(pair, seats, HALL, limits=Limits(max_height_m=3.0))
    hearing = hearing_of(pair, seats, HALL, room_db=USUAL_ROOM_DB)
    for name, alone_db in found.alone_db.items():
        one = replace(found.was, **{name: getattr(found.proposed, name)})
        assert spread_db(hearing, [one])[0] == pytest.approx(alone_db)
    assert set(found.alone_db) >= {"height_m", "down_deg"}
    assert 0.5 <= found.gain_sd_db <= 3.0


def test_boxes_too_near_the_walls_turned_outwards_are_turned_in():
    # Wide room, boxes that look at the side walls: turning them in is what helps.
    room = Room(16.0, 14.0, 4.5, rt60_s=0.7)
    left, right = usual_pair(Loudspeaker(2.6, 8.0), room)
    pair = [replace(left, turn_deg=-30.0), replace(right, turn_deg=30.0)]
    found = best_stance(pair, usual_seats(Audience(3.0, 12.0), room), room)
    assert found.was.inwards_deg == pytest.approx(-30.0)
    assert found.proposed.inwards_deg > -15.0
    assert found.proposed.inwards_deg <= 40.0


def test_places_are_kept_unless_they_may_change():
    pair = usual_pair(Loudspeaker(1.8), HALL)
    seats = usual_seats(PEOPLE, HALL)
    stay = best_stance(pair, seats, HALL, limits=Limits(max_height_m=2.4))
    free = best_stance(
        pair, seats, HALL, limits=Limits(2.4, along_m=(0.5, 2.0), aside_m=(2.0, 4.0))
    )
    assert (stay.proposed.along_m, stay.proposed.aside_m) == (stay.was.along_m, stay.was.aside_m)
    assert 0.5 <= free.proposed.along_m <= 2.0
    assert 2.0 <= free.proposed.aside_m <= 4.0
    assert free.best_db <= stay.best_db + 1e-9


def test_lone_loudspeaker_is_not_turned():
    box = Placed("main", 1.0, 5.0, 2.0)
    found = best_stance([box], usual_seats(PEOPLE, HALL), HALL, limits=Limits(max_height_m=3.0))
    assert found.pair[0].turn_deg == 0.0
    assert "inwards_deg" not in found.alone_db


def test_nothing_is_proposed_where_nothing_is_gained():
    seats = usual_seats(PEOPLE, HALL)
    once = best_stance(
        usual_pair(Loudspeaker(1.8), HALL), seats, HALL, limits=Limits(max_height_m=3.0)
    )
    again = best_stance(once.pair, seats, HALL, limits=Limits(max_height_m=3.0))
    assert again.proposed == again.was
    assert again.alone_db == {}
    assert again.gain_sd_db == 0.0


def test_ties_in_evenness_go_to_less_on_the_walls():
    # In the bass every tilt is as even as the other; what is left to choose is the spill.
    church = Room(30.0, 15.0, 10.0, rt60_s=6.0)
    pair = usual_pair(Loudspeaker(2.6, 40.0), church)
    seats = usual_seats(Audience(8.0, 20.0), church)
    found = best_stance(pair, seats, church, limits=Limits(max_height_m=2.6))
    assert found.spill_db <= found.was_spill_db + 6.0
    assert found.proposed.down_deg <= 30.0


@settings(max_examples=12, deadline=None)
@given(st.floats(1.0, 3.0), st.floats(0.0, 30.0), st.floats(30.0, 100.0), st.floats(2.0, 4.0))
def test_bounds_hold_whatever_the_hall(height_m, down_deg, cover_v, limit_m):
    pair = usual_pair(Loudspeaker(height_m, down_deg, 90.0, cover_v), HALL)
    seats = usual_seats(PEOPLE, HALL, rows=4, seats=3)
    found = best_stance(pair, seats, HALL, limits=Limits(max_height_m=limit_m))
    assert height_m <= found.proposed.height_m <= max(height_m, min(limit_m, 4.2)) + 1e-9
    assert -10.0 <= found.proposed.inwards_deg <= 40.0
    if found.proposed != found.was:
        assert (
            found.proposed_db <= found.was_db - 0.5 + 1e-9
            or height_m <= 1.2 + HEAD_M  # behind the heads
            or down_deg > 30.0 - 1.0
            or (below_deg(height_m) - down_deg < -cover_v / 2)
        )


# 0.1 m from the ear to the top of the head: common practice, no source
@pytest.mark.parametrize(("ear_m", "height_m", "must"), [(1.2, 1.25, "heads"), (1.6, 1.6, "heads")])
def test_horns_behind_the_heads_are_raised_over_them(ear_m, height_m, must):
    people = replace(PEOPLE, ear_height_m=ear_m)
    pair, seats = usual_pair(Loudspeaker(height_m), HALL), usual_seats(people, HALL)
    found = best_stance(pair, seats, HALL, limits=Limits(max_height_m=2.2))
    assert found.must == must
    assert ear_m + 0.1 < found.proposed.height_m <= 2.2


def test_horns_over_the_heads_or_that_cannot_rise_must_not_be_raised():
    seats = usual_seats(PEOPLE, HALL)
    over = best_stance(usual_pair(Loudspeaker(1.35), HALL), seats, HALL, limits=Limits(2.2))
    assert over.must == ""
    stuck = best_stance(usual_pair(Loudspeaker(1.1), HALL), seats, HALL, limits=Limits(1.25))
    assert stuck.must == ""
    assert stuck.proposed.height_m <= 1.25


def test_louder_answer_of_the_room_leaves_less_to_gain():
    pair, seats = usual_pair(Loudspeaker(1.8), HALL), usual_seats(PEOPLE, HALL)
    dry, usual, loud = (
        best_stance(pair, seats, HALL, limits=Limits(max_height_m=3.0), room_db=db)
        for db in (0.0, USUAL_ROOM_DB, 6.0)
    )
    assert dry.was_db > usual.was_db > loud.was_db
    assert dry.gain_db > usual.gain_db > loud.gain_db


def meets_m(stance, seats):
    """Where the axis meets the heads, along the room; nowhere for a level one."""
    drop_m = stance.height_m - seats.ear_height_m
    if stance.down_deg <= 0.0:
        return np.inf
    return stance.along_m + drop_m / np.tan(np.radians(stance.down_deg))


# Live rooms and boxes just over the heads: there the front rows are what a tilt would aim at.
SHORT = [
    (Room(14.1, 10.9, 3.3, rt60_s=1.42), Audience(3.2, 10.0), Loudspeaker(1.32, 5.0, 110.0, 60.0)),
    (Room(17.0, 11.0, 5.6, rt60_s=1.84), Audience(2.9, 13.3, 1.65), Loudspeaker(1.72, 5.0, 90.0)),
    (Room(21.9, 11.9, 4.0, rt60_s=2.0), Audience(3.9, 18.7, 1.65), Loudspeaker(1.98, 0.0, 60.0)),
]


@pytest.mark.parametrize(("room", "people", "speaker"), SHORT)
@pytest.mark.parametrize("highest_m", [None, 2.4])
def test_axis_is_never_aimed_short_of_the_middle_of_the_audience(room, people, speaker, highest_m):
    # "Tip both down 24 degrees, the line meets the heads 0 m down the room" was said here.
    pair, seats = usual_pair(speaker, room, people), usual_seats(people, room)
    found = best_stance(pair, seats, room, limits=Limits(max_height_m=highest_m))
    middle_m = (seats.along_m[0] + seats.along_m[-1]) / 2.0
    assert found.proposed.down_deg <= speaker.down_deg or meets_m(found.proposed, seats) >= middle_m


@pytest.mark.parametrize("steep_deg", [12.0, 25.0])
def test_box_that_points_short_already_is_kept_or_flattened(steep_deg):
    room, people, speaker = SHORT[0]
    steep = replace(speaker, down_deg=steep_deg)
    pair, seats = usual_pair(steep, room, people), usual_seats(people, room)
    for highest_m in (None, 2.4):
        found = best_stance(pair, seats, room, limits=Limits(max_height_m=highest_m))
        assert found.proposed.down_deg <= steep_deg


@settings(max_examples=15, deadline=None)
@given(
    st.floats(1.0, 2.8),
    st.floats(0.0, 12.0),
    st.floats(0.4, 2.5),
    st.floats(1.1, 1.7),
    st.floats(30.0, 100.0),
)
def test_no_hall_has_the_axis_steepened_short_of_the_middle(high_m, down_deg, rt60_s, ear_m, cover):
    room, people = replace(HALL, rt60_s=rt60_s), replace(PEOPLE, ear_height_m=ear_m)
    pair = usual_pair(Loudspeaker(high_m, down_deg, 90.0, cover), room)
    seats = usual_seats(people, room, rows=4, seats=3)
    then = best_stance(pair, seats, room, limits=Limits(max_height_m=2.6)).proposed
    assert then.down_deg <= down_deg or meets_m(then, seats) >= 9.0 - 1e-6  # rows at 3 to 15 m


def test_limits_that_leave_nothing_are_refused():
    pair, seats = usual_pair(Loudspeaker(1.8), HALL), usual_seats(PEOPLE, HALL)
    with pytest.raises(InputError, match=r"max_height_m = -1 is not a height"):
        best_stance(pair, seats, HALL, limits=Limits(max_height_m=-1.0))
    with pytest.raises(InputError, match=r"aside_m from 4 to 2 leaves nothing"):
        best_stance(pair, seats, HALL, limits=Limits(aside_m=(4.0, 2.0)))
