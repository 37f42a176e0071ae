"""What a cable behind the equalizer says of the card: made from the unit's own gains."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from scaleroom import random_case, said_of
from verdict.builders import flat, judged, take, visit

UNIT = graphic_unit(31)
FAULTS = flat(0.0, {200.0: 7.0, 250.0: 10.0, 315.0: 7.0, 3150.0: 6.0, 4000.0: 4.0})
OTHER = flat(0.0, {800.0: 7.0, 1000.0: 12.0, 1250.0: 12.0, 1600.0: 7.0})


@pytest.fixture(scope="module")
def before():
    return visit(FAULTS)


def faders_of(before, side="left"):
    card = judged(*before).card
    return (card.solutions.get("both") or card.solutions[side]).fader_db


def by_cable(level_db, side="left", **fields):
    made = take(level_db, side=side, spot="cable", state="after", uncertainty_db=0.02, **fields)
    return replace(made, at="cable")


def stands(before, changes_db=None):
    """Give what the unit does, -7 dB of cable and preamp with it."""
    faders = faders_of(before).copy()
    for hz, change_db in (changes_db or {}).items():
        faders[hz == UNIT.nominal_hz] += change_db
    return band_gain_db(UNIT, faders) - 7.0


def proof_of(before, *cables):
    (proof,) = judged(*before, *cables).by_cable
    return proof


def test_faders_as_the_card_asks_hold_at_any_level(before):
    proof = proof_of(before, by_cable(stands(before)))
    assert proof.holds
    assert proof.rms_db <= 0.01
    assert proof.text == "left, by cable: as the card asks, within 0.0 dB (rms)."


@pytest.mark.parametrize("off_db", [3.0, -3.0, 1.5])
def test_fader_that_stands_wrong_is_named_with_its_correction(before, off_db):
    verdict = judged(*before, by_cable(stands(before, {630.0: off_db})))
    (proof,) = verdict.by_cable
    (fader,) = proof.faders_wrong
    assert fader.hz == 630.0
    assert fader.off_db == pytest.approx(off_db, abs=0.5)
    assert not proof.holds
    assert verdict.moves[0].text == fader.text
    assert verdict.moves[0].to == {"hz": 630.0, "fader_db": fader.asked_db}


def test_any_fader_3_db_off_is_named_95_times_in_100(before):
    named, tries = 0, 40  # bench/standing.py asks oftener
    rng = np.random.default_rng(3)
    for _ in range(tries):
        hz, off_db = rng.choice(UNIT.nominal_hz[3:28]), rng.choice([-3.0, 3.0])
        noise = rng.normal(0.0, 0.1, 31)
        proof = proof_of(before, by_cable(stands(before, {hz: off_db}) + noise))
        # At an end of the range it is asked to be looked at: there the unit may do it.
        ends = proof.unlike_scale.faders if proof.unlike_scale else ()
        named += [fader.hz for fader in (*proof.faders_wrong, *ends)] == [hz]
    assert named >= 0.95 * tries


def test_fader_off_alike_on_both_channels_is_the_units_scale(before):
    """One check for both, in place of two corrections; what one hand set wrong stays with it."""
    left = by_cable(stands(before, {16000.0: -4.0, 630.0: 3.0}))
    right = by_cable(stands(before, {16000.0: -3.5}), side="right")
    verdict = judged(*before, left, right)
    first, second = verdict.by_cable
    assert [fader.hz for fader in first.faders_wrong] == [630.0]
    assert second.faders_wrong == ()
    assert not second.holds
    check, correction = verdict.moves[:2]
    assert (check.kind, correction.kind) == ("check", "equalize")
    assert "does not do what its scale says at 16 kHz: learn it" in check.text
    assert "learn it" in second.text
    assert [move.text for move in verdict.moves].count(check.text) == 1
    assert not any("16 kHz fader" in move.text for move in verdict.moves)


def test_last_take_by_cable_of_a_side_counts(before):
    wrong, right = by_cable(stands(before, {630.0: 4.0})), by_cable(stands(before))
    assert not proof_of(before, right, wrong).holds
    assert proof_of(before, wrong, right).holds


def test_take_that_cannot_be_used_says_nothing(before):
    right = by_cable(stands(before))
    assert judged(*before, by_cable(flat(), usable=False)).by_cable == ()
    assert proof_of(before, right, by_cable(flat(), usable=False)).holds


def test_takes_by_cable_enter_neither_evenness_nor_card_nor_proof(before):
    alone, verdict = judged(*before), judged(*before, by_cable(stands(before)))
    assert verdict.proof is None
    assert np.array_equal(verdict.card.gain_db("left"), alone.card.gain_db("left"))
    assert verdict.moves == alone.moves
    assert all(not one.problems for one in verdict.takes)


def test_bypass_is_named(before):
    verdict = judged(*before, by_cable(flat(-3.0)))
    assert "the unit is bypassed, or the cable goes around it" in verdict.by_cable[0].text
    assert verdict.moves[0].kind == "check"
    assert verdict.moves[0].text.startswith("Left, by cable: nothing of the card is heard")


def test_reverse_of_the_card_is_named(before):
    proof = proof_of(before, by_cable(-stands(before)))
    assert "the reverse of the card" in proof.text
    assert proof.faders_wrong == ()


def test_channel_of_the_other_side_is_named():
    takes = [*visit(FAULTS, sides=("left",)), *visit(OTHER, sides=("right",))]
    card = judged(*takes).card
    assert set(card.solutions) == {"left", "right"}
    right = band_gain_db(UNIT, card.solutions["right"].fader_db)
    proof = proof_of(takes, by_cable(right, side="left"))
    assert "this is the card of right" in proof.text
    assert not proof.holds


def test_unit_that_is_another_is_told_as_a_whole(before):
    ripple = 2.5 * np.where(np.arange(31) % 2 == 0, 1.0, -1.0)
    proof = proof_of(before, by_cable(stands(before) + ripple))
    assert proof.faders_wrong == ()
    assert "no few faders explain it" in proof.text
    assert proof.rms_db == pytest.approx(2.5, abs=0.1)


def test_cable_goes_before_the_air(before):
    """After takes with a fader wrong by ear, and a cable that says another: the cable's is told."""
    after = visit(FAULTS + stands(before, {1000.0: 12.0}), sides=("left",), state="after")
    assert "1 kHz fader of left" in judged(*before, *after).moves[0].text
    verdict = judged(*before, *after, by_cable(stands(before, {630.0: 4.0})))
    lines = [move.text for move in verdict.moves if move.from_.get("fader_db") is not None]
    assert [line for line in lines if "left" in line] == [
        fader.text for fader in verdict.by_cable[0].faders_wrong
    ]


def test_visit_without_a_card_has_no_proof_by_cable():
    assert judged(by_cable(flat())).by_cable == ()


@pytest.mark.parametrize("kind", ["treble", "top cut", "all weaker", "all wider"])
@pytest.mark.parametrize("sides", [("left",), ("left", "right")])
def test_unit_unlike_its_scale_is_said_to_be_learned_and_seldom_the_hand_is_blamed(kind, sides):
    said = [
        said_of(*random_case(kind, np.random.default_rng(seed), sides=sides))
        for seed in range(1000, 1012)
    ]
    assert "nothing" not in said
    assert said.count("hand") + said.count("hand and unit") <= 1
    # The others lie within 1 dB (rms) of the card all the same.
    assert said.count("unit") >= 5
    assert said.count("unit") + said.count("holds") + said.count("either") >= 11


def test_fader_that_one_hand_set_wrong_is_told_with_its_figure_unless_it_lies_at_an_end():
    said = [
        said_of(*random_case("hand", np.random.default_rng(seed))) for seed in range(1000, 1012)
    ]
    assert set(said) <= {"hand", "either", "unit"}
    assert said.count("hand") + said.count("either") >= 8


@pytest.mark.parametrize("off_db", [-3.0, 1.5, 3.0])
def test_all_faders_that_stand_off_alike_are_said_with_how_far(before, off_db):
    """A level behind the unit that nobody knows hides it but for the ends of the range."""
    did = band_gain_db(UNIT, faders_of(before) + off_db) - 7.0
    verdict = judged(*before, by_cable(did))
    way = "high" if off_db > 0 else "low"
    assert f"all faders are about {abs(off_db):g} dB too {way}." in verdict.moves[0].text
    assert verdict.by_cable[0].faders_wrong == ()


def test_nothing_on_the_scale_is_asked_of_a_unit_that_does_otherwise(before):
    """The treble does half of what the scale says: to be learned, and no card to be set by it."""
    unlike = dict.fromkeys((8000.0, 10000.0, 12500.0, 16000.0), 4.0)
    verdict = judged(*before, by_cable(stands(before, unlike)))
    assert "this unit does not do what its scale says" in verdict.moves[0].text
    assert not any(move.kind == "equalize" for move in verdict.moves)


def test_lone_fader_that_its_scale_may_explain_is_said_with_both_ways(before):
    asked = dict(zip(UNIT.nominal_hz, faders_of(before), strict=True))
    assert asked[250.0] < -4.0
    verdict = judged(*before, by_cable(stands(before, {250.0: 3.0})))
    assert verdict.moves[0].text.endswith(
        "If it is set there already, this unit does not do what its scale says: learn it."
    )
