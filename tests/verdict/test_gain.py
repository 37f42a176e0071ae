"""The gain helper. "Set the level at the microphone about equal to the reference": common
practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.acoustics.meter import Reading
from evenhall.verdict.gain import gain_hint


def reading(level_dbfs, *, crest_db=10.0, clipped=False):
    peak = level_dbfs + crest_db
    return Reading(level_dbfs, level_dbfs, peak, peak, clipped)


REFERENCE = reading(-25.0)


@pytest.mark.parametrize(
    ("mic_dbfs", "turn", "text"),
    [
        (-45.0, "up", "Turn the microphone's gain up, about 20 dB."),
        (-31.0, "up", "Turn the microphone's gain up, about 6 dB."),
        (-27.0, "hold", "Hold: the microphone sits level with the reference."),
        (-23.0, "hold", "Hold: the microphone sits level with the reference."),
        (-17.0, "down", "Turn the microphone's gain down, about 8 dB."),
    ],
)
def test_microphone_is_brought_level_with_the_reference(mic_dbfs, turn, text):
    hint = gain_hint(reading(mic_dbfs), REFERENCE)
    assert hint.turn == turn
    assert hint.text.startswith(text)


@given(mic_dbfs=st.floats(-70.0, -11.0))
def test_doing_what_it_says_ends_in_hold(mic_dbfs):
    hint = gain_hint(reading(mic_dbfs), REFERENCE)
    assert gain_hint(reading(mic_dbfs + hint.change_db), REFERENCE).turn == "hold"


def test_clipping_wins_over_all():
    assert gain_hint(reading(-40.0, clipped=True), REFERENCE).turn == "down"


def test_peaks_keep_their_room():
    hint = gain_hint(reading(-25.0, crest_db=14.0), reading(-12.0))
    assert hint.turn == "up"
    assert hint.change_db == pytest.approx(5.0)
    risen = gain_hint(reading(-20.0, crest_db=14.0), reading(-12.0))
    assert risen.turn == "hold"
    assert "as high as its peaks allow" in risen.text


def test_hold_is_not_taken_back_for_a_waver():
    hold = gain_hint(reading(-26.0), REFERENCE)
    assert gain_hint(reading(-29.0), REFERENCE, before=hold).turn == "hold"
    assert gain_hint(reading(-29.0), REFERENCE).turn == "up"
    assert gain_hint(reading(-32.0), REFERENCE, before=hold).turn == "up"


def test_silence_asks_for_the_cable_and_not_for_gain():
    assert "phantom power" in gain_hint(reading(-90.0), REFERENCE).text
    assert "No reference" in gain_hint(reading(-30.0), reading(float("-inf"))).text
