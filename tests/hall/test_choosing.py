"""Spots worth measuring: with the people, off the middle, off mirrors, in walking order."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.errors import InputError
from evenhall.hall.choosing import spots_for
from evenhall.hall.seats import usual_pair
from evenhall.hall.setting import Audience, Loudspeaker, Room

HALL = Room(18.0, 10.0, 4.5)


@given(st.floats(7.0, 25.0), st.floats(5.0, 15.0), st.floats(0.5, 3.0), st.floats(0.7, 3.0))
def test_spots_are_with_the_people_and_nowhere_that_misleads(length, width, first, gap):
    room = Room(length, width, 4.5)
    people = Audience(first, length - 1.0 - gap)
    spots = spots_for(people, room, usual_pair(Loudspeaker(2.0), room))
    places = [(spot.along_m, spot.across_m) for spot in spots]
    for along_m, across_m in places:
        assert 0.0 < along_m <= people.last_row_m + 0.05
        # Off the middle line, where left and right meet in step: common practice, no source
        assert 0.35 <= abs(across_m) <= width / 2 - 0.65
        for other_m, beside_m in places:
            # no place mirrors another about the middle line
            assert math.hypot(along_m - other_m, across_m + beside_m) > 0.1
    assert len(set(places)) == len(places)


def test_walk_goes_from_front_to_back():
    spots = spots_for(Audience(2.0, 14.0), HALL, usual_pair(Loudspeaker(2.4), HALL))
    assert [spot.label for spot in spots] == ["front", "middle", "side", "back", "back aside"]
    assert spots[0].along_m == 2.0
    assert spots[3].along_m == 14.0
    assert spots[0].along_m < spots[1].along_m < spots[2].along_m < spots[3].along_m
    assert all(spot.why.endswith(".") for spot in spots)
    assert sorted(spot.leave_out for spot in spots) == [0, 0, 0, 1, 2]


def test_inner_spots_are_off_the_halves_and_thirds_of_the_room():
    # An axial mode of order n has nodes and peaks at multiples of L / 2n: closed form
    for length in (12.0, 15.5, 18.0, 21.0):
        room = Room(length, 9.0, 4.0)
        spots = spots_for(Audience(2.0, length - 3.0), room, usual_pair(Loudspeaker(2.0), room))
        for spot in spots:
            if spot.label in ("middle", "side"):
                for share in (1 / 3, 1 / 2, 2 / 3):
                    assert abs(spot.along_m + 1.0 - share * length) >= 0.19


def test_unknown_room_and_one_loudspeaker_still_have_spots():
    pair = usual_pair(Loudspeaker(2.0), Room())
    assert len(spots_for(Audience(1.0, 8.0), Room(), pair[:1])) == 5


def test_rows_that_leave_no_place_are_refused():
    with pytest.raises(InputError, match="leave no place for spots"):
        spots_for(Audience(8.0, 8.0), HALL, usual_pair(Loudspeaker(2.0), HALL))
    with pytest.raises(InputError, match="0 loudspeakers leave no place"):
        spots_for(Audience(2.0, 8.0), HALL, ())
