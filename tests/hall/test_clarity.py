"""Speech by row: closed forms at its ends, what must move it, and the words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.voice import room_noise_db
from evenhall.errors import InputError
from evenhall.hall.clarity import SpeechAt, clarity_by_row, clarity_text, clarity_texts
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.sound import simulated

HALL = Room(18.0, 10.0, 4.5, rt60_s=1.0)
PEOPLE = Audience(2.0, 14.0)
BOX = Loudspeaker(2.6, 7.0)
SILENCE = np.full(7, -np.inf)


def test_ten_critical_distances_away_only_the_decay_is_left():
    # STI of a pure decay of 1 s: 0.588 (closed form); the voice's own masking takes a little at
    # 65 dB(A), the 2 % of direct sound and the air in the treble's decay give as much.
    box = Loudspeaker(2.6, 0.0, 360.0, 360.0)
    rows = clarity_by_row(box, HALL, Audience(2.0, 17.0), noise_db_spl=SILENCE)
    assert abs(rows.sti[-1] - 0.588) <= 0.02


def test_beside_the_loudspeaker_nothing_is_lost():
    rows = clarity_by_row(Loudspeaker(1.2), HALL, Audience(0.4, 14.0), noise_db_spl=SILENCE)
    assert rows.sti[0] > 0.9


def test_noise_alone_in_a_dead_room():
    # Nothing of a decay of 0.05 s is heard: speech 5 dB over noise of its own spectrum is
    # (5 + 15) / 30 less masking; without it 0.667.
    dead = replace(HALL, rt60_s=0.05)
    first = clarity_by_row(BOX, dead, PEOPLE, row_m=[8.0], noise_db_spl=SILENCE)
    noisy = clarity_by_row(BOX, dead, PEOPLE, row_m=[8.0], noise_db_spl=room_noise_db(80.0))
    assert first.sti[0] > 0.93
    assert noisy.sti[0] < 0.2


def test_middle_of_the_audience_has_the_level_that_is_given():
    rows = clarity_by_row(BOX, HALL, PEOPLE, row_m=[2.0, 8.0, 14.0], speech_dba=70.0)
    levels = [row.level_dba for row in rows.speech]
    assert abs(levels[1] - 70.0) <= 1e-9
    assert levels[0] > 71.0 > 69.5 > levels[2]


@pytest.mark.parametrize(
    "worse",
    [
        {"room": replace(HALL, rt60_s=2.0)},
        {"noise_db_spl": room_noise_db(55.0)},
        {"row_m": [13.0]},
        {"speech_dba": 40.0},
        {"speaker": replace(BOX, down_deg=-40.0)},
    ],
    ids=["reverberation", "noise", "distance", "soft", "aimed at the ceiling"],
)
def test_what_makes_it_worse(worse):
    usual = {"speaker": BOX, "room": HALL, "audience": PEOPLE, "row_m": [6.0]}
    assert clarity_by_row(**usual | worse).sti[0] < clarity_by_row(**usual).sti[0] - 0.02


def test_forecast_agrees_with_a_simulated_hall():
    # Image sources and a loudspeaker of another make; bench/talker.py has forty such halls.
    from evenhall.acoustics.intelligibility import impulse_modulation, speech_transmission_index

    hall = simulated.SimulatedHall(
        room=simulated.Room(18.0, 10.0, 4.5, rt60_s=(1.0,) * 8),
        elements={"left": simulated.Element(simulated.Box(), (1.0, 3.0, 2.6), down_deg=7.0)},
        spots={"back": (15.0, 3.3, 1.2)},
    )
    impulse = hall.true_response("left", "back", rate_hz=48_000)
    true = speech_transmission_index(impulse_modulation(impulse, rate_hz=48_000))
    rows = clarity_by_row(BOX, HALL, PEOPLE, row_m=[14.0], noise_db_spl=SILENCE)
    assert abs(rows.sti[0] - true) <= 0.1


def test_without_the_room_there_is_no_forecast():
    assert clarity_by_row(BOX, Room(), PEOPLE) is None
    assert clarity_by_row(BOX, replace(HALL, rt60_s=None), PEOPLE) is None


def test_setting_that_cannot_be_built_is_refused():
    with pytest.raises(InputError, match=r"last_row_m = 1 is not behind first_row_m = 2"):
        clarity_by_row(BOX, HALL, Audience(2.0, 1.0))


# Words


def at(sti, quiet, dry, level_dba=65.0, noise_dba=35.0):
    return clarity_text("At the back", SpeechAt(sti, quiet, dry, level_dba, noise_dba), doubt=0.03)


def test_good_speech_is_left_alone():
    assert at(0.66, 0.7, 0.9) == "At the back speech is good: STI 0.66, give or take 0.03."


def test_noise_is_named_where_it_takes_most():
    text = at(0.4, 0.62, 0.45, noise_dba=59.0)
    assert text.startswith("At the back speech is poor: STI 0.40")
    assert "Noise spoils most: speech is only 6 dB above it here." in text
    assert "it would be STI 0.62" in text
    assert "reverberation" not in text


def test_reverberation_is_named_where_it_takes_most():
    text = at(0.5, 0.51, 0.95)
    assert "reverberation spoils most" in text
    assert "No EQ fixes it" in text
    assert text.endswith("More level does not help.")
    assert at(0.5, 0.55, 0.95).endswith("Less noise helps too, to STI 0.55 at most.")


def test_word_goes_with_the_figure_that_is_printed():
    assert "good: STI 0.60" in at(0.598, 0.6, 0.9)


def test_unknown_is_said():
    assert at(np.nan, np.nan, 0.9) == "At the back the speech index is unknown."


def test_rows_are_said_in_one_sentence_the_worst_and_what_was_assumed():
    whole, worst, assumed = clarity_texts(clarity_by_row(BOX, replace(HALL, rt60_s=2.5), PEOPLE))
    assert whole.startswith("Forecast: speech is fair in front, poor at the back (STI 0.5")
    assert worst.startswith("In the row at 14 m speech is poor")
    assert "35 dB(A) of background noise" in assumed
    assert "estimate, good to about 0.1" in assumed
    assert len(clarity_texts(clarity_by_row(BOX, replace(HALL, rt60_s=0.4), PEOPLE))) == 2
