"""Gain before feedback: worked examples of the handbook formulas, and what moves it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenhall.cautions import LIFTING
from evenhall.errors import InputError
from evenhall.hall.feedback import (
    AcousticGain,
    Microphone,
    acoustic_gain,
    gain_text,
)
from evenhall.hall.gain_steps import gain_steps
from evenhall.hall.level import critical_distance_m
from evenhall.hall.setting import Audience, Loudspeaker, Room

OUTDOORS = Room()
HALL = Room(18.0, 10.0, 4.5, rt60_s=0.9)
PEOPLE = Audience(2.0, 12.0)
ROUND = Loudspeaker(1.5, 0.0, 360.0, 360.0)
BOX = Loudspeaker(2.2, 5.0)
MIC = Microphone(1.0, 2.0, cardioid=False)


# The same from where things stand


def test_in_the_open_an_all_round_box_has_the_handbook_gain():
    # All at one height but the ears: distances by Pythagoras.
    gain = acoustic_gain(MIC, ROUND, OUTDOORS, PEOPLE)
    d0, d1, d2 = np.hypot(np.hypot(13.3, 2.0), 0.3), np.hypot(1.0, 2.0), np.hypot(12.0, 0.3)
    expected_db = 20 * np.log10(d0 * d1 / (d2 * 0.3)) - 6.0
    # A box of 360 degrees is round but for the pattern's last decibels.
    away_db = 6.0 * (np.degrees(np.arccos(-1 / d1)) / 180.0) ** 2
    assert expected_db - 0.1 <= gain.potential_db <= expected_db + away_db + 0.5
    assert abs(gain.needed_db - 20 * np.log10(d0 / 2.4)) <= 0.001
    assert abs(gain.spare_db - (gain.potential_db - gain.needed_db)) <= 1e-9


def test_cardioid_behind_the_loudspeaker_hears_it_by_its_pattern():
    # (1 + cos) / 2 with cos = -1 / sqrt(5): -11.16 dB; below -20 dB none is trusted.
    omni, cardioid = (
        acoustic_gain(replace(MIC, cardioid=kind), ROUND, OUTDOORS, PEOPLE).potential_db
        for kind in (False, True)
    )
    pattern_db = -20 * np.log10((1 - 1 / 5**0.5) / 2)
    assert abs(pattern_db - 11.16) <= 0.01
    level = replace(MIC, height_m=ROUND.height_m, cardioid=True)
    assert abs(acoustic_gain(level, ROUND, OUTDOORS, PEOPLE).potential_db - omni - 11.16) <= 0.01
    assert cardioid > omni
    null = Microphone(2.0, 0.0, height_m=1.5)
    bare = acoustic_gain(replace(null, cardioid=False), ROUND, OUTDOORS, PEOPLE).potential_db
    assert abs(acoustic_gain(null, ROUND, OUTDOORS, PEOPLE).potential_db - bare - 20.0) <= 1e-6


def test_reverberant_field_takes_what_distance_gave():
    # Far past the critical distance moving on gives nothing any more.
    near, far = (
        acoustic_gain(Microphone(m, 2.0, cardioid=False), BOX, HALL, PEOPLE).potential_db
        for m in (10.0, 14.0)
    )
    assert abs(far - near) <= 0.3
    # and a cardioid hears a third of it: 4.77 dB, near its random energy efficiency.
    half = acoustic_gain(Microphone(14.0, 2.0), BOX, HALL, PEOPLE).potential_db
    assert abs(half - far - 4.77) <= 0.3
    critical_m = critical_distance_m(1.0, volume_m3=810.0, rt60_s=0.9, speed_m_s=343.2)
    assert critical_m < 2.0


def test_lowest_octave_rings_first_where_the_box_looks_away():
    gain = acoustic_gain(Microphone(2.0, 0.5), BOX, OUTDOORS, PEOPLE)
    assert gain.octave_hz == 250.0
    in_front = acoustic_gain(Microphone(-3.0, 0.0), BOX, OUTDOORS, PEOPLE)
    assert in_front.potential_db < gain.potential_db - 15.0


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        ({"talker_m": 0.0}, r"talker_m = 0 cannot be. Give metres from mouth to microphone"),
        ({"talker_m": np.nan}, r"talker_m = nan"),
        ({"open_count": 0}, r"open_count = 0 cannot be. Give 1 or more"),
        ({"height_m": -1.0}, r"height_m = -1"),
        ({"behind_m": 0.0, "aside_m": 0.0, "height_m": 2.2}, r"put it into the loudspeaker"),
    ],
)
def test_microphone_that_cannot_be_is_refused(fault, message):
    with pytest.raises(InputError, match=message):
        acoustic_gain(replace(MIC, **fault), BOX, HALL, PEOPLE)


# What a step buys


def test_halving_the_talkers_distance_buys_6_db():
    (step,) = [s for s in gain_steps(MIC, BOX, HALL, PEOPLE) if s.kind == "talker"]
    assert abs(step.gain_db - 6.02) <= 0.005
    assert step.text == (
        "Bring the talker from 0.30 m to 0.15 m from the microphone: 6.0 dB more for 0.15 m."
    )


def test_closing_three_of_four_buys_6_db_and_comes_before_any_walk():
    steps = gain_steps(replace(MIC, open_count=4), BOX, OUTDOORS, PEOPLE)
    assert [step.moved_m for step in steps[:2]] == [0.0, 0.0]
    (step,) = [s for s in steps if s.kind == "close"]
    assert abs(step.gain_db - 6.02) <= 0.005
    assert step.text == "Close the microphones that nobody talks into (the other 3): 6.0 dB more."


def test_steps_come_by_gain_for_the_metre_and_hold_what_they_promise():
    steps = gain_steps(MIC, BOX, OUTDOORS, PEOPLE)
    walked = [step for step in steps if step.moved_m > 0.0]
    rates = [step.gain_db / step.moved_m for step in walked]
    assert rates == sorted(rates, reverse=True)
    assert {step.kind for step in walked} == {"talker", "microphone", "loudspeaker"}
    (step,) = [s for s in walked if s.kind == "microphone"]
    moved = [replace(MIC, behind_m=2.0), replace(MIC, aside_m=3.0)]
    now = acoustic_gain(MIC, BOX, OUTDOORS, PEOPLE).spare_db
    best = max(acoustic_gain(mic, BOX, OUTDOORS, PEOPLE).spare_db for mic in moved)
    assert abs(step.gain_db - (best - now)) <= 1e-9


def test_loudspeaker_is_not_moved_into_the_first_row_nor_over_its_limit():
    mic = Microphone(-1.0, 0.0, cardioid=False)
    texts = [s.text for s in gain_steps(mic, BOX, OUTDOORS, Audience(1.5, 12.0))]
    assert not any("towards the people" in text for text in texts)
    assert not any("Raise" in text for text in texts)
    raised = [
        s.text
        for s in gain_steps(mic, BOX, OUTDOORS, Audience(1.5, 12.0), max_height_m=3.0)
        if "loudspeaker" in s.kind
    ]
    assert all(LIFTING in text for text in raised)
    assert raised


def test_mirrored_stage_has_mirrored_steps():
    left = gain_steps(MIC, BOX, HALL, PEOPLE)
    right = gain_steps(replace(MIC, aside_m=-2.0), BOX, HALL, PEOPLE)
    assert [s.text for s in left] == [s.text for s in right]


def test_words_of_the_balance():
    gain = AcousticGain(20.0, 12.0, 250.0)
    assert gain_text(gain).startswith(
        "The last row can have 20 dB before feedback and needs 12 dB: 8 dB to spare."
    )
    assert "near 250 Hz" in gain_text(gain)
    assert "A margin of 6 dB is kept" in gain_text(gain)
    missing = gain_text(replace(gain, potential_db=9.0, octave_hz=1000.0))
    assert "but needs 12 dB: 3 dB short" in missing
    assert "near 1 kHz" in missing
