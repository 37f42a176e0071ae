"""A whole card, set by a hand that does what it is told: in time, near enough, and no further.

Simulated time, through the code that runs live; `bench/hand.py` has the many tries of it.
"""

import numpy as np
import pytest

from handroom import try_card


@pytest.mark.parametrize(
    ("by_cable", "alike", "within_db"),
    [(True, True, 0.5), (True, False, 0.5), (False, False, 1.0)],
)
def test_card_of_six_is_set_in_a_minute_whatever_the_unit(by_cable, alike, within_db):
    """Half of what twelve may take: two minutes by cable, three by microphone."""
    tried = try_card(by_cable=by_cable, alike=alike, count=6, seed=1, longest_s=60.0)
    assert tried.done
    assert np.nanmax(np.abs(tried.off_db)) <= within_db


def test_fader_at_its_stop_is_left_there_and_what_it_is_short_of_is_told():
    card = {1000.0: -12.0, 4000.0: 3.0}
    tried = try_card(by_cable=True, alike=False, card=card, seed=7, longest_s=60.0)
    assert tried.done
    assert tried.asked_past_s <= 4.0
    (short,) = tried.last.short
    assert "Leave 1k at its stop, 0." in short
    assert np.nanmax(np.abs(tried.off_db)) <= 0.5


def test_unit_that_shapes_otherwise_is_told_to_be_learned_and_one_as_it_should_is_not():
    card = {1000.0: -9.0, 1250.0: -9.0}
    told = {
        alike: try_card(by_cable=True, alike=alike, card=card, seed=5, longest_s=60.0).last.unlike
        for alike in (True, False)
    }
    assert told[True] == ""
    assert "This unit differs from its model" in told[False]
    assert "learn it" in told[False]
