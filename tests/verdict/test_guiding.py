"""What is said to the hand, state by state."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.equalizer.following import begin
from evenhall.equalizer.graphic import graphic_unit
from evenhall.verdict.proof.guiding import guide

UNIT = graphic_unit(10)
WANTED_DB = np.array([0.0, 0.0, -4.0, 0.0, 3.0, 0.0, 0.0, 0.0, -2.5, 0.0])


def state(moved=None, *, in_hand=None, still_s=5.0, sigma_db=0.1):
    """Faders at 0 but those that are moved."""
    flat = begin(UNIT, np.zeros(10), fader_sigma_db=sigma_db, level_sigma_db=0.3)
    faders_db = np.zeros(10)
    for place, fader_db in (moved or {}).items():
        faders_db[place] = fader_db
    return replace(flat, fader_db=faders_db, in_hand=in_hand, still_s=np.full(10, still_s))


@pytest.mark.parametrize(
    ("fader_db", "still_s", "way", "text"),
    [
        (0.0, 0.0, "down", "down 4.0"),
        (-1.4, 0.0, "down", "down 2.5"),
        (-3.3, 0.0, "down", "a touch down"),
        (-4.8, 0.0, "up", "a touch up"),
        (-6.6, 0.0, "up", "up 2.5"),
        (-4.2, 0.4, "there", "hold it there"),
    ],
)
def test_fader_in_hand_is_told_how_far_and_which_way(fader_db, still_s, way, text):
    found = guide(state({2: fader_db}, in_hand=2, still_s=still_s), WANTED_DB, within_db=0.5)
    assert (found.hz, found.way, found.text) == (125.0, way, text)
    assert found.left_hz == (125.0, 500.0, 8000.0)


def test_first_of_the_card_is_shown_before_any_is_touched():
    assert guide(state(), WANTED_DB, within_db=0.5).hz == 125.0


def test_next_one_is_shown_once_this_one_stands_unless_it_shall_stay():
    there = state({2: -4.0}, in_hand=2)
    assert guide(there, WANTED_DB, within_db=0.5).hz == 500.0
    stays = guide(there, WANTED_DB, within_db=0.5, goes_on=False)
    assert (stays.hz, stays.text) == (125.0, "set")


def test_order_comes_round_to_what_was_left_out():
    found = guide(state({4: 3.0, 8: -2.5}, in_hand=8), WANTED_DB, within_db=0.5)
    assert (found.hz, found.left_hz) == (125.0, (125.0,))


def test_all_stand():
    found = guide(state({2: -4.0, 4: 3.2, 8: -2.3}, in_hand=8), WANTED_DB, within_db=0.5)
    assert (found.hz, found.way, found.left_hz) == (None, "done", ())


def test_fader_off_the_card_is_told_of_and_shown_while_in_hand():
    found = guide(state({5: 2.0}, in_hand=5), WANTED_DB, within_db=0.5)
    assert found.stray == ("1k was moved: set it back to 0.",)
    assert (found.hz, found.text) == (1000.0, "down 2.0")


def test_doubtful_fader_does_not_stand():
    found = guide(state({2: -4.0}, in_hand=2, sigma_db=0.6), WANTED_DB, within_db=1.0)
    assert (found.hz, found.way) == (125.0, "unsure")


def test_fader_that_is_not_heard_is_named_and_not_waited_for():
    doubt_db = np.where(np.arange(10) == 2, 4.0, 0.1)
    found = guide(state(), WANTED_DB, within_db=1.0, doubt_db=doubt_db)
    assert found.unheard_hz == (125.0,)
    assert found.left_hz == (500.0, 8000.0)


def test_what_stood_is_asked_for_again_only_beyond_the_limit():
    stood = guide(state({2: -4.0}, in_hand=2), WANTED_DB, within_db=0.5)
    seems = state({2: -4.4}, in_hand=2)
    assert guide(seems, WANTED_DB, within_db=0.5).text == "a touch up"
    assert guide(seems, WANTED_DB, within_db=0.5, before=stood).hz == 500.0
    gone = guide(state({2: -4.6}, in_hand=2), WANTED_DB, within_db=0.5, before=stood)
    assert gone.text == "a touch up"


def test_fader_at_its_stop_is_asked_for_three_seconds_and_then_left():
    wanted_db = np.where(np.arange(10) == 2, -12.0, WANTED_DB)
    before = guide(state({2: -11.0}, in_hand=2, still_s=0.2), wanted_db, within_db=0.5)
    assert (before.hz, before.text) == (125.0, "down 1.0")
    waits = guide(
        state({2: -11.1}, in_hand=2, still_s=2.8), wanted_db, within_db=0.5, before=before
    )
    assert waits.hz == 125.0
    left = guide(state({2: -11.1}, in_hand=2, still_s=3.0), wanted_db, within_db=0.5, before=waits)
    assert left.hz == 500.0
    assert left.short == ("Leave 125 at its stop, 0.9 dB short of the card.",)
    # The figure of that moment stays, and the fader left alone stays left.
    later = guide(state({2: -11.2}, in_hand=4, still_s=9.0), wanted_db, within_db=0.5, before=left)
    assert later.short == left.short
