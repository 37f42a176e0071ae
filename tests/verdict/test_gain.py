"""The gain helper. "Set the level at the microphone about equal to the reference": common
practice, no source."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.acoustics.meter import MeterState, Reading, step_meter
from evenhall.acoustics.stimulus import pink_noise
from evenhall.verdict.gain import gain_hint


def reading(level_dbfs, *, crest_db=10.0, clipped=False):
    peak = level_dbfs + crest_db
    return Reading(level_dbfs, level_dbfs, peak, peak, clipped)


REFERENCE = reading(-25.0)


@pytest.mark.parametrize(
    ("mic_dbfs", "turn", "text"),
    [
        (-45.0, "up", "Turn the microphone's gain up about 20 dB."),
        (-31.0, "up", "Turn the microphone's gain up about 6 dB."),
        (-27.0, "hold", "Hold: the microphone is level with the reference."),
        (-23.0, "hold", "Hold: the microphone is level with the reference."),
        (-17.0, "down", "Turn the microphone's gain down about 8 dB."),
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


def test_clipped_peak_is_said_as_long_as_its_mark_stands():
    # One block of twenty milliseconds is too short to read.
    after = Reading(-30.0, -30.0, -25.0, 0.0, clipped=False)
    assert "clips" in gain_hint(after, REFERENCE).text


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


def test_hint_does_not_flap_while_a_knob_is_turned_slowly():
    # Real noise through the real meter: 30 dB up in 30 s, past the right place and on.
    rate_hz, block = 48_000, 1024
    noise = pink_noise(30.0, rate_hz=rate_hz, seed=5, level_dbfs=-25.0, crest_limit_db=11.0)
    knob_db = np.linspace(-20.0, 10.0, noise.size)
    both = np.stack([noise * 10.0 ** (knob_db / 20.0), noise], axis=1)
    state, hint, turns = MeterState.start(2), None, []
    for start in range(0, len(both), block):
        state, readings = step_meter(state, both[start : start + block], rate_hz=rate_hz)
        if start > 3 * rate_hz:
            hint = gain_hint(*readings, before=hint)
            turns.append(hint.turn)
    changes = [turns[0], *(later for earlier, later in pairwise(turns) if later != earlier)]
    assert changes == ["up", "hold", "down"]


@pytest.mark.parametrize(
    ("reference", "says"),
    [
        (
            reading(-20.0, crest_db=20.0, clipped=True),
            "too hot: .* its own input gain, .* down about 6 dB",
        ),
        (reading(-11.0, crest_db=10.5), "too hot: .* its own input gain, .* down about 6 dB"),
        (reading(-55.0), "too low: .* its own input gain, .* ears protected, up about 15 dB"),
    ],
)
def test_unfit_reference_is_set_right_at_its_own_knob(reference, says):
    hint = gain_hint(reading(-25.0), reference)
    assert (hint.turn, hint.change_db) == ("check", 0.0)
    assert re.search(says, hint.text)
    assert "Leave the microphone's" in hint.text


@pytest.mark.parametrize("reference_dbfs", [-49.0, -40.0, -13.0])
def test_fit_reference_is_left_alone(reference_dbfs):
    assert gain_hint(reading(reference_dbfs - 15.0), reading(reference_dbfs)).turn == "up"


def test_silence_asks_for_the_cable_and_not_for_gain():
    assert "phantom power" in gain_hint(reading(-90.0), REFERENCE).text
    assert "No reference" in gain_hint(reading(-30.0), reading(float("-inf"))).text
