"""Delay loudspeakers from takes and from distances."""

import pytest

from evenhall.verdict.joining.delays import delay_moves, planned_delay
from verdict.builders import flat, take


def main(spot, level_db, delay_s, distance_m, side="left"):
    return take(flat(level_db), side=side, spot=spot, delay_s=delay_s, distance_m=distance_m)


def delayed(spot, level_db, delay_s):
    return take(flat(level_db), side="delay", spot=spot, delay_s=delay_s, distance_m=3.0)


def test_time_is_the_difference_of_arrivals_and_ten_ms():
    mains = [main("front", 0.0, 0.009, 3.0), main("back", -8.0, 0.042, 14.0)]
    move, _ = delay_moves(mains, [delayed("back", -20.0, 0.012)])
    assert move.kind == "delay"
    assert move.to == {"delay_delay_s": pytest.approx(0.040)}
    assert move.text.startswith(
        "Set 40.0 ms of delay on the delay loudspeaker: at back it is now 30.0 ms ahead of the "
        "mains. It then arrives 10 ms after them, "
    )


def test_nearer_side_of_the_mains_is_the_one_heard_first():
    mains = [
        main("front", 0.0, 0.009, 3.0),
        main("back", -8.0, 0.045, 15.0, side="right"),
        main("back", -8.0, 0.042, 14.0),
    ]
    move = delay_moves(mains, [delayed("back", -20.0, 0.012)])[0]
    assert move.to["delay_delay_s"] == pytest.approx(0.040)


def test_level_evens_the_back_to_the_front():
    # One side, mains at -9 dB: power sum of -9 and -4.26 dB is -3 dB.
    mains = [main("front", 0.0, 0.009, 3.0), main("back", -9.0, 0.042, 14.0)]
    _, gain = delay_moves(mains, [delayed("back", -10.0, 0.012)])
    assert gain.kind == "gain"
    assert gain.to["delay_gain_db"] == pytest.approx(5.74, abs=0.01)
    assert gain.expected["front_minus_back_db"] == pytest.approx(3.0)
    assert gain.expected["was_db"] == pytest.approx(9.0)
    assert "Where it is loudest it stays 4.7 dB above the mains." in gain.text


def test_too_far_a_back_says_what_would_help():
    mains = [
        main("front", 0.0, 0.009, 3.0),
        main("near", -10.0, 0.030, 10.0),
        main("back", -22.0, 0.055, 18.0),
    ]
    moves = delay_moves(mains, [delayed("near", 0.0, 0.010), delayed("back", -14.0, 0.030)])
    # 10 dB above the mains near it already: no louder, and the back stays 13.4 dB down.
    assert [move.kind for move in moves] == ["delay"]
    louder = [delayed("near", 3.0, 0.010), delayed("back", -11.0, 0.030)]
    gain = delay_moves(mains, louder)[1]
    assert gain.to["delay_gain_db"] == pytest.approx(-3.0)
    assert "from 10 dB above the mains it draws the ear" in gain.text
    assert "a second delay between" in gain.text


def test_delay_that_is_set_already_is_left():
    mains = [main("front", 0.0, 0.009, 3.0), main("back", -9.0, 0.042, 14.0)]
    assert delay_moves(mains, [delayed("back", -4.3, 0.052)]) == ()


def test_takes_without_a_common_clock_or_spot_say_so():
    mains = [main("front", 0.0, 0.009, 3.0), main("back", -9.0, float("nan"), 14.0)]
    check = delay_moves(mains, [delayed("back", -4.3, 0.012)])[0]
    assert check.kind == "check"
    assert "second channel of the same recorder" in check.text
    (check,) = delay_moves(mains[:1], [delayed("back", -4.3, 0.012)])
    assert "No spot has a take of both, the mains alone" in check.text
    (check,) = delay_moves(mains, [])
    assert "No take of the delay loudspeaker alone is usable" in check.text


def test_geometry_gives_the_time_before_any_take():
    # 12 m less 3 m at 343.2 m/s are 26.2 ms, and 10 on top.
    move = planned_delay([12.0], [3.0])
    assert move.to["delay_delay_s"] == pytest.approx(0.0362, abs=5e-5)
    assert "the mains are up to 9.0 m farther away" in move.text


def test_area_too_wide_is_said_to_be_heard_as_an_echo():
    assert "heard as an echo" in planned_delay([6.0, 20.0], [9.0, 2.5]).text
    assert "echo" not in planned_delay([10.0, 14.0], [2.5, 6.0]).text
