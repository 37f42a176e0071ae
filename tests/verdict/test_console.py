"""The card as parametric sections, with few faders, and what it does to the level."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.graphic import Law, graphic_unit
from evenhall.equalizer.parametric import channel_strip, console
from evenhall.equalizer.sections import Section, sections_band_gain_db
from evenhall.equalizer.solver import Solution
from evenhall.verdict.card.console import ConsoleCard, console_card
from evenhall.verdict.card.estimate import estimate
from evenhall.verdict.card.faders import Card, make_card
from evenhall.verdict.card.headroom import headroom
from evenhall.verdict.card.loss import SeatError, seat_error, weighted_rms_db
from verdict.builders import at, flat, judged, spots_of, visit

PEAK = Section("peaking", 250.0, 9.0, 1.4)
WIDE = Section("peaking", 250.0, 9.0, 0.7)


def area_of(*takes, low_limit_hz=None):
    return estimate(spots_of(*takes), np.zeros(31), rt60_s=0.9, low_limit_hz=low_limit_hz)


def headroom_of(gain_db, *, low_limit_hz):
    """Headroom of a card that does just this to each band, over a box that ends there."""
    gain = np.asarray(gain_db, float)
    none = SeatError(1.0, 1.0, 1.0)
    card = Card(
        graphic_unit(31),
        {"both": Solution(np.zeros(31), gain, gain, 1.0, 1.0, (), ())},
        np.zeros(31),
        np.ones(31),
        {},
        none,
        none,
        2,
    )
    return headroom(card, area_of(*visit(flat()), low_limit_hz=low_limit_hz))


def console_of(takes, supply, *, low_limit_hz=None):
    area = area_of(*takes, low_limit_hz=low_limit_hz)
    card = make_card(area, graphic_unit(31))
    return console_card(card, area, supply), card, area


def test_one_section_does_what_the_faders_do_and_no_more_are_set():
    found, card, area = console_of(visit(sections_band_gain_db([WIDE])), console(4))
    (one,) = found.sections["both"]
    assert found.enough == 1
    assert one.kind == "peaking"
    assert 224.0 <= one.centre_hz <= 280.0
    assert -9.0 <= one.gain_db < -4.0
    gain_db = sections_band_gain_db([one])
    with_it = seat_error(area, dict.fromkeys(("left", "right"), gain_db)).expected_db
    assert found.seat_db[0] == pytest.approx(with_it)
    assert with_it <= card.seat_after.expected_db + 0.1
    assert found.text.startswith("1 section does what the 31 faders do: seats are then ")


def test_no_section_rises_below_the_end_of_a_small_box():
    """It falls by 24 dB an octave below 80 Hz, and has a build-up that asks for a card."""
    fall_db = np.where(NOMINAL_HZ < 80.0, -24.0 * np.log2(80.0 / NOMINAL_HZ), 0.0)
    fall_db[at(80.0)] = -3.0
    level_db = fall_db + sections_band_gain_db([WIDE])
    found, _, _ = console_of(visit(level_db), console(4), low_limit_hz=80.0)
    assert found.sections["both"]
    assert not [one for one in found.sections["both"] if one.gain_db > 0 and one.centre_hz < 79.0]
    # Nor does all of it raise there what the box cannot give.
    gain_db = sections_band_gain_db(found.sections["both"])
    assert gain_db[at(50.0)] < 1.0


def test_each_side_has_its_sections_where_each_has_its_card():
    sides = [
        *visit(sections_band_gain_db([replace(WIDE, gain_db=12.0)]), sides=("left",)),
        *visit(
            sections_band_gain_db([replace(WIDE, gain_db=12.0, centre_hz=2500.0)]),
            sides=("right",),
        ),
    ]
    found, card, _ = console_of(sides, console(4))
    assert set(card.solutions) == {"left", "right"}
    assert set(found.sections) == {"left", "right"}

    def deepest_hz(side):
        return min(found.sections[side], key=lambda one: one.gain_db).centre_hz

    assert 200.0 <= deepest_hz("left") <= 315.0
    assert 2000.0 <= deepest_hz("right") <= 3150.0


def test_too_few_sections_say_what_they_leave():
    card = ConsoleCard({"both": ()}, (2.4, 1.9), 0.6, "the 31 faders")
    assert card.enough is None
    assert card.text == (
        "With 2 sections seats are 1.9 dB from the target on average; with the 31 faders, 0.6 dB."
    )


def test_more_sections_than_needed_say_what_they_would_bring():
    card = ConsoleCard({"both": ()}, (2.4, 0.9, 0.5), 0.8, "the 15 faders")
    assert card.enough == 2
    assert card.text == (
        "2 sections do what the 15 faders do: seats are then 0.9 dB from the target on average. "
        "All 3 would bring that to 0.5 dB."
    )


def test_few_faders_and_what_they_cost():
    level_db = sections_band_gain_db([WIDE, replace(WIDE, centre_hz=4000.0)])
    free = judged(*visit(level_db))
    unit = replace(graphic_unit(31), most_moved=2)
    few = judged(*visit(level_db), unit=unit)
    assert np.count_nonzero(few.card.solutions["both"].fader_db) == 2
    moved = np.count_nonzero(free.card.solutions["both"].fader_db)
    assert moved > 2
    assert few.card.free == (moved, pytest.approx(free.forecast.rms_after_db))
    assert few.card.seat_after.expected_db > free.card.seat_after.expected_db
    assert free.card.free is None


def test_a_card_that_takes_level_says_how_much_to_make_up():
    """3 dB off everywhere; and off 200 Hz to 4 kHz alone, where the ends then stand out."""
    (whole,) = headroom_of(np.full(31, -3.0), low_limit_hz=50.0)
    assert whole.level_db == pytest.approx(-3.0)
    assert whole.make_up_db == pytest.approx(3.0)
    assert whole.most_db == pytest.approx(0.0)
    middle = (NOMINAL_HZ >= 200.0) & (NOMINAL_HZ <= 4000.0)
    (some,) = headroom_of(np.where(middle, -4.0, 0.0), low_limit_hz=50.0)
    assert some.make_up_db == pytest.approx(4.0)
    assert some.most_db == pytest.approx(4.0)
    assert NOMINAL_HZ[some.most_band] == 50.0  # what the loudspeaker does not give drives nothing
    assert "make it up at the EQ's output" in some.text
    assert "4.0 dB more than without the card: watch the limit lights." in some.text


def test_level_is_a_power_mean():
    """Half the bands of 200 Hz to 4 kHz down by 10 dB: 10 lg((7 + 7 * 0.1) / 14)."""
    gain_db = np.zeros(31)
    gain_db[10:17] = -10.0
    (found,) = headroom_of(gain_db, low_limit_hz=20.0)
    assert found.level_db == pytest.approx(10.0 * np.log10((7 + 7 * 0.1) / 14))


def test_a_card_that_leaves_the_level_says_so():
    (found,) = headroom_of(np.zeros(31), low_limit_hz=50.0)
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
    # A fader of 1 dB may rest in one of the two cards.
    apart_db = card.gain_db("right") - card.gain_db("left")
    assert abs(apart_db[at(250.0)]) <= 0.4
    assert np.sqrt(np.mean(apart_db**2)) <= 0.3
    spots = verdict.forecast.spots
    assert {spot.side for spot in spots} == {"left", "right"}
    assert all(spot.rms_after_db < 0.5 * spot.rms_before_db for spot in spots)


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
        *visit(sections_band_gain_db([Section("peaking", 500.0, 9.0, 0.7)])), strip=channel_strip()
    )
    assert not verdict.card.solutions["both"].fader_db.any()
    text = verdict.moves[-1].text
    assert text.startswith("Set the channel strip first, as listed beside the card. ")
    assert "All faders stay at 0." in text


@pytest.mark.parametrize("top_db", [np.nan, -12.0, 8.0])
def test_the_treble_knob_goes_no_farther_than_the_loss_justifies(top_db):
    """16 and 20 kHz unknown, far too soft, or too loud: 10 and 12.5 kHz are charged beside them."""
    level_db = sections_band_gain_db([WIDE])
    level_db[NOMINAL_HZ >= 16_000.0] = top_db
    area = area_of(*visit(level_db))
    card = make_card(area, graphic_unit(31), strip=channel_strip())
    knobs = card.strips["both"]
    assert knobs
    shelves = [one for one in knobs if one.kind == "high-shelf"]
    assert all(-6.0 <= one.gain_db < 0.0 for one in shelves)
    for shelf in shelves:
        with_it = card.wanted["both"].deviation_db + card.gain_db("left")
        without = with_it - sections_band_gain_db([shelf])
        assert weighted_rms_db(without, card.weight) > weighted_rms_db(with_it, card.weight)
    assert bool(shelves) == (top_db > 0)
