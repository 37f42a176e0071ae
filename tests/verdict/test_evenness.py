"""Front against back and left against right, held to the definitions of the job folder."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.verdict.evenness import evenness, match
from verdict.builders import at, flat, spots_of, take


def pair(front, back, *, side="left"):
    return (
        take(front, side=side, spot="front", distance_m=2.5),
        take(back, side=side, spot="back", distance_m=14.0),
    )


def even_of(*takes, **limits):
    return evenness(spots_of(*takes), takes, **limits)


def test_front_less_back_a_band():
    even = even_of(*pair(flat(-10.0), flat(-13.0, {1000.0: -1.5})))
    assert even.sides["left"][at(1000.0)] == pytest.approx(4.5)
    assert even.worst_db[at(500.0)] == pytest.approx(3.0)
    assert even.holds


def test_limit_itself_holds():
    even = even_of(*pair(flat(), flat(-6.0)))
    assert even.limit_db == 6.0
    assert even.holds
    assert not even_of(*pair(flat(), flat(-6.0, {2000.0: -0.01}))).holds


def test_back_louder_than_front_counts_as_well():
    assert not even_of(*pair(flat(), flat(0.0, {80.0: 6.5}))).holds


def test_each_band_comes_from_the_side_where_it_is_worst():
    left = pair(flat(), flat(-2.0, {250.0: -5.0}), side="left")
    right = pair(flat(), flat(0.0, {4000.0: 3.0}), side="right")
    even = even_of(*left, *right)
    assert even.worst_db[at(250.0)] == pytest.approx(7.0)
    assert even.worst_db[at(4000.0)] == pytest.approx(-3.0)  # right: worse than the left's 2
    assert even.worst_db[at(1000.0)] == pytest.approx(2.0)
    assert even.sides["right"][at(4000.0)] == pytest.approx(-3.0)


def test_bands_unusable_at_either_spot_are_left_out():
    front, back = flat(), flat(-3.0, {63.0: -20.0})
    front[at(63.0)] = np.nan
    back[at(16000.0)] = np.nan
    even = even_of(*pair(front, back))
    assert np.isnan(even.worst_db[[at(63.0), at(16000.0)]]).all()
    assert even.holds


def test_band_that_only_one_side_knows_is_judged_by_it():
    left = flat(-9.0)
    left[at(125.0)] = np.nan
    even = even_of(*pair(flat(), left), *pair(flat(), flat(-7.0), side="right"))
    assert even.worst_db[at(125.0)] == pytest.approx(7.0)
    assert even.worst_db[at(160.0)] == pytest.approx(9.0)


@pytest.mark.parametrize("hz", [50.0, 12500.0, 16000.0])
def test_bands_beyond_63_hz_and_10_khz_are_shown_and_not_judged(hz):
    even = even_of(*pair(flat(), flat(0.0, {hz: -20.0})))
    assert even.worst_db[at(hz)] == pytest.approx(20.0)
    assert not even.judged[at(hz)]
    assert even.holds


@pytest.mark.parametrize("hz", [63.0, 10000.0])
def test_bands_at_the_ends_are_judged(hz):
    assert not even_of(*pair(flat(), flat(0.0, {hz: -6.1}))).holds


def test_bands_below_the_low_limit_are_not_judged():
    takes = pair(flat(), flat(0.0, {80.0: -20.0}))
    assert even_of(*takes, low_limit_hz=100.0).holds
    assert not even_of(*takes, low_limit_hz=80.0).holds
    assert not even_of(*takes, low_limit_hz=45.0).holds


def test_spots_between_front_and_back_do_not_count():
    middle = take(flat(-40.0), spot="middle", distance_m=8.0)
    assert even_of(*pair(flat(), flat(-3.0)), middle).holds


def test_mean_is_over_200_hz_to_4_khz_and_the_sides():
    left = pair(flat(), flat(-4.0, {50.0: -30.0, 10000.0: -30.0}))
    right = pair(flat(), flat(-8.0), side="right")
    assert even_of(*left, *right).mean_db == pytest.approx(6.0)


def test_front_that_could_not_be_used_is_not_replaced_by_the_middle():
    front, back = pair(flat(), flat(-9.0))
    middle = take(flat(-6.0), spot="middle", distance_m=8.0)
    assert even_of(replace(front, usable=False), middle, back) is None
    right = pair(flat(), flat(-7.0), side="right")
    even = even_of(replace(front, usable=False), middle, back, *right)
    assert list(even.sides) == ["right"]
    assert even.worst_db == pytest.approx(flat(7.0))


def test_one_spot_has_no_evenness():
    assert even_of(take(flat())) is None
    assert even_of() is None


def test_sub_and_delay_have_no_evenness():
    assert even_of(*pair(flat(), flat(), side="sub")) is None


@given(st.floats(-30, 30))
def test_gain_common_to_all_takes_changes_no_evenness(gain_db):
    front, back = np.linspace(0, 5, 31), np.linspace(-6, -1, 31)
    plain = even_of(*pair(front, back))
    louder = even_of(*pair(front + gain_db, back + gain_db))
    assert louder.worst_db == pytest.approx(plain.worst_db)


def sides(left, right, *, spots=("front",), left_polarity=1, right_polarity=1):
    return spots_of(
        *(take(left, side="left", spot=name, polarity=left_polarity) for name in spots),
        *(take(right, side="right", spot=name, polarity=right_polarity) for name in spots),
    )


def test_match_is_left_less_right_with_nothing_aligned():
    alike = match(sides(flat(-10.0), flat(-10.7)))
    assert alike.level_db == pytest.approx(0.7)
    assert alike.difference_db == pytest.approx(flat(0.7))
    assert alike.holds


def test_match_level_holds_within_1_db_limit_included():
    assert match(sides(flat(1.0), flat(0.0))).holds
    assert not match(sides(flat(1.01), flat(0.0))).holds
    assert not match(sides(flat(0.0), flat(1.01))).holds


@pytest.mark.parametrize("hz", [100.0, 1000.0, 10000.0])
def test_match_holds_where_every_band_from_100_hz_to_10_khz_is_within_3_db(hz):
    assert match(sides(flat(0.0, {hz: 3.0}), flat())).holds
    assert not match(sides(flat(0.0, {hz: 3.01}), flat())).holds
    assert not match(sides(flat(0.0, {hz: -3.01}), flat())).holds


@pytest.mark.parametrize("hz", [80.0, 12500.0])
def test_match_asks_nothing_of_bands_beyond(hz):
    assert match(sides(flat(0.0, {hz: 20.0}), flat())).holds


def test_match_level_is_over_200_hz_to_4_khz():
    assert match(sides(flat(0.0, {160.0: 2.0, 5000.0: 2.0}), flat())).level_db == 0.0
    assert match(sides(flat(0.0, {200.0: 1.4}), flat())).level_db == pytest.approx(0.1)


def test_match_leaves_unusable_bands_out():
    left = flat(0.0, {1000.0: 30.0})
    right = flat()
    right[at(1000.0)] = np.nan
    alike = match(sides(left, right))
    assert alike.holds
    assert np.isnan(alike.difference_db[at(1000.0)])


def test_match_is_the_mean_in_db_over_the_spots_that_both_have():
    alike = match(
        spots_of(
            take(flat(2.0), side="left", spot="front"),
            take(flat(0.0), side="right", spot="front"),
            take(flat(0.0), side="left", spot="back"),
            take(flat(1.0), side="right", spot="back"),
            take(flat(50.0), side="left", spot="middle"),
        )
    )
    assert alike.level_db == pytest.approx(0.5)
    assert alike.spots_db.shape == (2, 31)


def test_opposed_polarities_do_not_match():
    opposed = match(sides(flat(), flat(), spots=("front", "back"), right_polarity=-1))
    assert opposed.polarity == -1
    assert not opposed.holds
    both_inverted = match(sides(flat(), flat(), left_polarity=-1, right_polarity=-1))
    assert both_inverted.polarity == 1
    assert both_inverted.holds


def test_polarity_that_cannot_be_told_is_no_mismatch():
    unknown = match(sides(flat(), flat(), right_polarity=0))
    assert unknown.polarity == 0
    assert unknown.holds


def test_match_needs_a_spot_that_both_sides_have():
    assert match(spots_of(take(flat(), side="left"))) is None
    assert (
        match(
            spots_of(
                take(flat(), side="left", spot="front"), take(flat(), side="right", spot="back")
            )
        )
        is None
    )
