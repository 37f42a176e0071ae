"""The card as parametric sections, with few faders, and what it does to the level."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer import Solution, graphic_unit
from evenhall.equalizer.graphic import Law
from evenhall.equalizer.parametric import channel_strip, console
from evenhall.equalizer.sections import Section, sections_band_gain_db
from evenhall.verdict.card import Card
from evenhall.verdict.console import ConsoleCard, console_card
from evenhall.verdict.headroom import headroom
from verdict.builders import flat, judged, visit

PEAK = Section("peaking", 250.0, 6.0, 1.4)


def card_of(gain_db):
    """Build a card that does just this to each band."""
    gain = np.asarray(gain_db, float)
    solution = Solution(np.zeros(31), gain, gain, 1.0, 1.0, ())
    ones, nowhere = np.ones(31), np.zeros(31, dtype=bool)
    unit = graphic_unit(31)
    return Card(unit, {"both": solution}, np.zeros(31), ones, {"both": np.zeros(31)}, nowhere)


def test_sections_correct_what_the_card_corrects():
    verdict = judged(*visit(sections_band_gain_db([PEAK])))
    card = console_card(verdict.card, console(4))
    (found,) = card.sections["both"]
    assert found == replace(PEAK, gain_db=-PEAK.gain_db)
    assert card.enough == 1
    assert card.text.startswith("1 section does what the 31 faders do: 0.0 dB are left")
    gain_db = sections_band_gain_db(card.sections["both"])
    assert gain_db == pytest.approx(verdict.card.gain_db("left"), abs=0.8)


def test_a_narrow_dip_nobody_fills_no_section_fills():
    dip = flat(0.0, {100.0: -9.0})
    card = console_card(judged(*visit(dip)).card, console(4))
    gains = [one.gain_db for one in card.sections["both"]]
    assert max(gains, default=0.0) <= 0.0


def test_each_side_has_its_sections_where_each_has_its_card():
    sides = [
        *visit(sections_band_gain_db([replace(PEAK, gain_db=9.0)]), sides=("left",)),
        *visit(sections_band_gain_db([replace(PEAK, centre_hz=2000.0)]), sides=("right",)),
    ]
    verdict = judged(*sides)
    assert set(verdict.card.solutions) == {"left", "right"}
    card = console_card(verdict.card, console(2))
    assert set(card.sections) == {"left", "right"}
    assert card.sections["left"][0].centre_hz == 250.0
    assert card.sections["right"][0].centre_hz == 2000.0


def test_too_few_sections_say_what_they_leave():
    card = ConsoleCard({"both": ()}, (2.4, 1.9), 0.6, "the 31 faders")
    assert card.enough is None
    assert card.text == "2 sections leave 1.9 dB, the 31 faders 0.6 dB."


def test_more_sections_than_needed_say_what_they_bring():
    card = ConsoleCard({"both": ()}, (2.4, 0.9, 0.5), 0.8, "the 15 faders")
    assert card.enough == 2
    assert card.text == (
        "2 sections do what the 15 faders do: 0.9 dB are left. All 3 leave 0.5 dB."
    )


def test_few_faders_and_what_they_cost():
    level_db = flat(0.0, {125.0: 4.0, 500.0: 5.0, 2000.0: 6.0, 5000.0: 4.0})
    free = judged(*visit(level_db))
    unit = replace(graphic_unit(31), most_moved=2)
    few = judged(*visit(level_db), unit=unit)
    assert np.count_nonzero(few.card.solutions["both"].fader_db) == 2
    moved = np.count_nonzero(free.card.solutions["both"].fader_db)
    assert few.card.free == (moved, pytest.approx(free.forecast.rms_after_db))
    assert few.forecast.rms_after_db > free.forecast.rms_after_db
    assert free.card.free is None


def test_a_card_that_takes_level_says_how_much_to_make_up():
    """3 dB off everywhere; and off 200 Hz to 4 kHz alone, where the ends then stand out."""
    (whole,) = headroom(card_of(np.full(31, -3.0)), range_hz=(50.0, 16_000.0))
    assert whole.level_db == pytest.approx(-3.0)
    assert whole.make_up_db == pytest.approx(3.0)
    assert whole.most_db == pytest.approx(0.0)
    middle = (NOMINAL_HZ >= 200.0) & (NOMINAL_HZ <= 4000.0)
    (some,) = headroom(card_of(np.where(middle, -4.0, 0.0)), range_hz=(50.0, 16_000.0))
    assert some.make_up_db == pytest.approx(4.0)
    assert some.most_db == pytest.approx(4.0)
    assert NOMINAL_HZ[some.most_band] == 50.0  # what the loudspeaker does not give drives nothing
    assert "turn the level behind it up" in some.text
    assert "4.0 dB more: watch their limit lights." in some.text


def test_level_is_a_power_mean():
    """Half the bands of 200 Hz to 4 kHz down by 10 dB: 10 lg((7 + 7 * 0.1) / 14)."""
    gain_db = np.zeros(31)
    gain_db[10:17] = -10.0
    (found,) = headroom(card_of(gain_db), range_hz=(20.0, 20_000.0))
    assert found.level_db == pytest.approx(10.0 * np.log10((7 + 7 * 0.1) / 14))


def test_a_card_that_leaves_the_level_says_so():
    (found,) = headroom(card_of(np.zeros(31)), range_hz=(50.0, 16_000.0))
    assert found.text == "The card leaves the level as it is."


def test_each_channel_has_the_card_of_its_own_unit():
    """The right channel gives 0.7 of its scale: its faders go further for the same sound."""
    plain = graphic_unit(31)
    zeros = np.zeros(31)
    weak = replace(plain, law=Law(share=np.full(31, 0.7), sag=zeros, q_bend=zeros))
    verdict = judged(*visit(sections_band_gain_db([PEAK])), other_units={"right": weak})
    card = verdict.card
    assert set(card.solutions) == {"left", "right"}
    assert card.unit_of("right") is weak
    assert card.unit_of("left") is card.unit
    left, right = (card.solutions[side].fader_db for side in ("left", "right"))
    assert right.min() < left.min() - 1.0
    assert card.gain_db("right") == pytest.approx(card.gain_db("left"), abs=0.4)
    assert all(spot.rms_after_db < 0.4 for spot in verdict.forecast.spots)


def test_strip_is_part_of_the_card_its_forecast_and_its_proof():
    """What the strip does counts in the forecast, and is no fader that stands wrong."""
    made = [Section("low-shelf", 80.0, 6.0, 0.71), Section("peaking", 500.0, 5.0, 0.7)]
    level_db = sections_band_gain_db(made)
    before = visit(level_db)
    verdict = judged(*before, strip=channel_strip())
    strip = verdict.card.strips["both"]
    assert {one.centre_hz for one in strip} <= {80.0, 500.0, 12_000.0}
    assert verdict.forecast.rms_after_db < 0.4
    assert "Set the channel strip" in verdict.moves[-1].text
    done = level_db + verdict.card.gain_db("left")
    after = visit(done, state="after")
    proof = judged(*before, *after, strip=channel_strip()).proof
    assert proof.holds
    assert proof.faders_wrong == ()
    (height,) = verdict.headroom
    assert height.level_db == pytest.approx(
        10 * np.log10(np.mean(10 ** (verdict.card.gain_db("left")[10:24] / 10)))
    )


def test_where_the_strip_does_it_all_no_fader_is_asked_for():
    verdict = judged(
        *visit(sections_band_gain_db([Section("peaking", 500.0, 3.0, 0.7)])), strip=channel_strip()
    )
    assert not verdict.card.solutions["both"].fader_db.any()
    text = verdict.moves[-1].text
    assert text.startswith("Set the channel strip first, as the list beside the card has it. ")
    assert "All faders stay at 0." in text
