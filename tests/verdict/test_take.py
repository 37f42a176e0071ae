"""Takes of one spot joined, and the order of the spots."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.verdict.take import align_level_db, as_played, nan_mean
from verdict.builders import at, flat, spots_of, take


def test_alignment_is_the_mean_in_db_of_200_hz_to_4_khz_limits_included():
    inside = flat(changes_db={200.0: 14.0, 4000.0: 14.0})
    assert align_level_db(inside) == pytest.approx(28.0 / 14.0)  # 14 bands, 200 Hz to 4 kHz
    outside = flat(changes_db={160.0: 14.0, 5000.0: 14.0})
    assert align_level_db(outside) == 0.0


def test_alignment_leaves_unusable_bands_out():
    levels = flat(-10.0)
    levels[at(1000.0)] = np.nan
    levels[at(500.0)] = 3.0
    assert align_level_db(levels) == pytest.approx(-9.0)  # (12 * -10 + 3) / 13


def test_alignment_of_a_sub_uses_the_bands_that_it_has():
    levels = np.full(31, np.nan)
    levels[at(50.0)], levels[at(80.0)] = -4.0, -8.0
    assert align_level_db(levels) == pytest.approx(-6.0)


def test_alignment_of_nothing_is_no_number():
    assert np.isnan(align_level_db(np.full(31, np.nan)))


@given(st.floats(-60, 60))
def test_alignment_follows_the_gain(gain_db):
    levels = np.linspace(-10.0, 5.0, 31)
    assert align_level_db(levels + gain_db) == pytest.approx(align_level_db(levels) + gain_db)


def test_mean_of_what_is_known():
    values = np.array([[1.0, np.nan, np.nan], [3.0, 5.0, np.nan]])
    assert nan_mean(values).tolist()[:2] == [2.0, 5.0]
    assert np.isnan(nan_mean(values)[2])


def test_level_of_an_unusable_take_is_unknown():
    assert np.isnan(take(flat(), usable=False).level_db).all()
    assert np.isnan(take(flat(), usable=False).uncertainty_db).all()


def test_uncertainty_of_an_unusable_band_is_unknown():
    levels = flat()
    levels[at(63.0)] = np.nan
    assert np.flatnonzero(np.isnan(take(levels).uncertainty_db)).tolist() == [at(63.0)]


def test_two_takes_at_one_spot_are_joined_by_trust():
    sure = take(flat(0.0, {1000.0: 1.0}), uncertainty_db=0.1, file="a.wav")
    doubtful = take(flat(0.0, {1000.0: 4.0}), uncertainty_db=0.3, file="b.wav")
    (joined,) = spots_of(sure, doubtful)
    # Weights 1 / u^2 stand 9 to 1. The second is brought to the level of the first before:
    # by the mean over 14 bands, (1 - 4) / 14.
    second = 4.0 + (1.0 - 4.0) / 14.0
    assert joined.level_db[at(1000.0)] == pytest.approx(0.9 * 1.0 + 0.1 * second)
    assert joined.uncertainty_db[at(1000.0)] == pytest.approx(1.0 / np.sqrt(100.0 + 100.0 / 9.0))


def test_gain_moved_between_takes_of_one_spot_keeps_the_level_of_the_first():
    (joined,) = spots_of(take(flat(-12.0), file="a.wav"), take(flat(-9.0), file="b.wav"))
    assert joined.level_db == pytest.approx(flat(-12.0))


def test_band_unusable_in_one_take_comes_from_the_other():
    gap = flat()
    gap[at(40.0)] = np.nan
    (joined,) = spots_of(take(gap, file="a.wav"), take(flat(0.0, {40.0: 2.0}), file="b.wav"))
    assert joined.level_db[at(40.0)] == pytest.approx(2.0)


def test_unusable_takes_and_the_other_state_are_left_out():
    spots = spots_of(
        take(flat(), spot="front"),
        take(flat(), spot="back", usable=False),
        take(flat(), spot="middle", state="after"),
    )
    assert [spot.spot for spot in spots] == ["front"]


def order(*takes) -> list[str]:
    return [spot.spot for spot in spots_of(*takes)]


def test_distance_sorts_the_spots():
    assert order(
        take(flat(), spot="door", distance_m=12.0),
        take(flat(), spot="rail", distance_m=3.0),
        take(flat(), spot="aisle", distance_m=7.0),
    ) == ["rail", "aisle", "door"]


def test_distance_outdoes_the_name():
    assert order(
        take(flat(), spot="front", distance_m=12.0), take(flat(), spot="back", distance_m=3.0)
    ) == ["back", "front"]


def test_names_sort_the_spots_where_no_distance_is_known():
    assert order(
        take(flat(), spot="Back"), take(flat(), spot="front"), take(flat(), spot="middle")
    ) == ["front", "middle", "Back"]


def test_list_sorts_the_spots_where_neither_is_known():
    assert order(take(flat(), spot="rail"), take(flat(), spot="aisle")) == ["rail", "aisle"]


def test_take_after_the_work_does_not_change_the_order_of_those_before():
    before = (
        take(flat(), spot="door", distance_m=10.0),
        take(flat(), spot="rail", distance_m=3.0),
    )
    extra = take(flat(), spot="balcony", state="after")
    assert order(*before, extra) == order(*before)


def test_delay_loudspeaker_near_the_back_does_not_move_the_back():
    mains = [
        take(flat(), spot=name, distance_m=metres)
        for name, metres in (("front", 3.0), ("middle", 9.0), ("back", 14.0))
    ]
    delay = take(flat(), side="delay", spot="back", distance_m=2.0)
    left = [spot.spot for spot in spots_of(*mains, delay) if spot.side == "left"]
    assert left == ["front", "middle", "back"]


# Mains alone, and with the subs


def kinds(*takes):
    return [(one.side, one.state, one.with_subs) for one in as_played(takes)]


def test_takes_with_the_subs_stand_for_the_mains_and_leave_the_others_in():
    alone, sub = take(flat()), take(flat(), side="sub")
    both = take(flat(), with_subs=True)
    assert kinds(alone, sub) == [("left", "before", False), ("sub", "before", False)]
    assert kinds(alone, sub, both) == [("sub", "before", False), ("left", "before", True)]


def test_takes_with_the_subs_that_cannot_be_used_stand_for_nothing():
    spoiled = take(flat(), with_subs=True, usable=False)
    assert kinds(take(flat()), spoiled) == [("left", "before", False)]


def test_takes_after_the_work_are_of_the_kind_of_those_before():
    after = [take(flat(), state="after", with_subs=subs) for subs in (False, True)]
    assert kinds(take(flat()), *after) == [("left", "before", False), ("left", "after", False)]
    assert kinds(take(flat(), with_subs=True), *after) == [
        ("left", "before", True),
        ("left", "after", True),
    ]
