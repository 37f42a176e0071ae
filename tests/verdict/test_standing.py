"""Which fader stands wrong: known wrong settings, through the unit, with noise."""

import numpy as np
import pytest

from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from evenhall.verdict.proof.wrong_faders import (
    WrongFader,
    did_by_takes,
    hand_or_scale,
    wrong_faders,
)
from verdict.builders import flat, judged, spots_of, take, visit

DOUBT_DB = np.full(31, 0.3)


def asked_of(unit, rng):
    """A card: two faders in three at 0, the others on half decibels."""
    steps = rng.integers(-12, 5, unit.fader_count) * (rng.random(unit.fader_count) < 0.33)
    return 0.5 * steps


def named_right(unit, rng, *, noise_db):
    """Whether the one fader that stands 3 to 6 dB wrong is named, alone, the right way."""
    asked = asked_of(unit, rng)
    heard = np.flatnonzero((unit.nominal_hz > 60) & (unit.nominal_hz < 12_600))
    fader = int(rng.choice(heard))
    off_db = rng.choice([-1, 1]) * rng.choice([3.0, 4.0, 5.0, 6.0])
    stands = asked.copy()
    stands[fader] += off_db
    did = band_gain_db(unit, stands) + rng.normal(0, noise_db, 31) + rng.normal(0, 2)
    found = wrong_faders(unit, asked, did, np.full(31, noise_db), side="left")
    return [f.hz for f in found] == [unit.nominal_hz[fader]] and found[0].off_db * off_db > 0


@pytest.mark.parametrize("bands", [31, 15])
def test_fader_three_decibels_wrong_is_named_nearly_always(bands):
    unit = graphic_unit(bands)
    rng = np.random.default_rng(20)
    right = [named_right(unit, rng, noise_db=rng.uniform(0.1, 0.5)) for _ in range(20)]
    assert sum(right) >= 19


def test_faders_that_stand_right_are_not_accused():
    unit = graphic_unit(31)
    rng = np.random.default_rng(20)
    accused = 0
    for _ in range(20):
        asked = asked_of(unit, rng)
        did = band_gain_db(unit, asked) + rng.normal(0, 0.3, 31)
        accused += bool(wrong_faders(unit, asked, did, DOUBT_DB, side="left"))
    assert accused <= 1


def test_two_wrong_faders_are_both_named_with_how_far():
    unit = graphic_unit(31)
    asked = np.zeros(31)
    stands = asked.copy()
    stands[[15, 21]] = 4.0, -5.0
    found = wrong_faders(unit, asked, band_gain_db(unit, stands), DOUBT_DB, side="right")
    assert [(f.hz, f.off_db) for f in found] == [(630.0, 4.0), (2500.0, -5.0)]
    assert found[0].text == (
        "Pull down the 630 Hz fader of right 4 dB, to 0 dB: it is about that much too high."
    )


def test_unit_that_was_bypassed_accuses_no_fader():
    unit = graphic_unit(31)
    asked = np.where(np.arange(31) % 4 < 2, -5.0, 0.0)
    assert wrong_faders(unit, asked, np.zeros(31), DOUBT_DB, side="left") == ()


def test_change_of_level_alone_accuses_no_fader():
    unit = graphic_unit(31)
    assert wrong_faders(unit, np.zeros(31), np.full(31, 5.0), DOUBT_DB, side="left") == ()


def test_what_no_spot_was_measured_twice_for_is_not_known():
    did, doubt = did_by_takes(spots_of(take(flat())), (), "left")
    assert np.isnan(did).all()
    assert wrong_faders(graphic_unit(31), np.zeros(31), did, doubt, side="left") == ()


def proven(*, left_db, right_db):
    """Verdict on a visit after which faders stand off by so much, by nominal frequency.

    A side with None was not taken again.
    """
    unit = graphic_unit(31)
    boom = np.isin(unit.nominal_hz, (200.0, 250.0, 315.0))
    before = visit(band_gain_db(unit, np.where(boom, 7.0, 0.0)))
    asked = judged(*before).card.solutions["both"].fader_db
    after = []
    for side, off_db in (("left", left_db), ("right", right_db)):
        if off_db is None:
            continue
        stands = asked + sum(np.where(unit.nominal_hz == hz, db, 0.0) for hz, db in off_db.items())
        did = band_gain_db(unit, np.asarray(stands))
        after += visit(before[0].level_db + did, sides=(side,), state="after")
    return judged(*before, *after)


def test_proof_that_fails_by_one_fader_says_which_and_moves_it():
    verdict = proven(left_db={1000.0: 12.0}, right_db=None)
    assert not verdict.proof.holds
    (fader,) = verdict.proof.faders_wrong
    assert (fader.side, fader.hz, fader.off_db) == ("left", 1000.0, 12.0)
    assert verdict.proof.unlike_scale is None
    assert "Pull down the 1 kHz fader of left 12 dB, to 0 dB: " in verdict.moves[0].text
    assert verdict.moves[0].kind == "equalize"


def test_slip_of_one_side_that_the_mean_hides_is_said_last():
    verdict = proven(left_db={1000.0: 9.0}, right_db={})
    assert verdict.proof.holds
    assert [(f.side, f.hz, f.off_db) for f in verdict.proof.faders_wrong] == [("left", 1000.0, 9.0)]
    assert "Pull down the 1 kHz fader of left 9 dB, to 0 dB: " in verdict.moves[-1].text
    assert not any("set and proven" in move.text for move in verdict.moves)


def test_fader_off_alike_on_both_sides_is_the_units_scale_and_no_hand():
    verdict = proven(left_db={1000.0: 12.0}, right_db={1000.0: 11.0})
    assert not verdict.proof.holds
    assert verdict.proof.faders_wrong == ()
    checks = [move for move in verdict.moves if move.kind == "check"]
    assert [move for move in checks if "Walk the rows" not in move.text] == checks[:1]
    assert verdict.moves[0].kind == "check"
    assert verdict.moves[0].text == (
        "Check that left and right are set as the card asks: 1 kHz at 0. If so, this unit does "
        "not do what its scale says at 1 kHz: learn it (Set out, Learn it now, or evenhall "
        "learn-unit), then tune once more. Both sides are off alike there (+12, +11 dB)."
    )
    assert all("it is about that much" not in move.text for move in verdict.moves)


def test_beside_an_unlike_scale_the_fader_that_one_hand_set_wrong_is_moved():
    verdict = proven(left_db={1000.0: 10.0, 4000.0: -8.0}, right_db={1000.0: 10.0})
    assert [fader.hz for fader in verdict.proof.unlike_scale.faders] == [1000.0, 1000.0]
    assert [(f.side, f.hz) for f in verdict.proof.faders_wrong] == [("left", 4000.0)]
    assert [move.kind for move in verdict.moves[:2]] == ["check", "equalize"]


def off(side, hz, off_db):
    return WrongFader(side, hz, -3.0, -3.0 + off_db)


def share_of(hz, asked_db):
    """A fader that seems to do half of what is asked; 2 dB where nothing is."""
    return WrongFader("left", hz, asked_db, 0.5 * asked_db if asked_db else 2.0)


@pytest.mark.parametrize(
    ("found", "by_scale"),
    [
        ([off("left", 1000.0, 3.0)], 0),
        ([off("left", 1000.0, 3.0), off("right", 1000.0, -3.0)], 0),
        ([off("left", 1000.0, 3.0), off("right", 1000.0, 5.0)], 0),
        ([off("left", 1000.0, 3.0), off("right", 1000.0, 4.5)], 2),
        ([off("left", 1000.0, 3.0), off("right", 1250.0, 3.0)], 0),
        ([off("left", 1000.0, 3.0), off("left", 4000.0, 3.0)], 0),
        ([off("left", hz, 3.0) for hz in (250.0, 1000.0, 4000.0)], 3),
        ([off("left", 250.0, -3.0), off("left", 1000.0, 3.0), off("left", 4000.0, 3.0)], 0),
        ([off("left", 12500.0, 3.0), off("left", 16000.0, -3.0)], 2),
        ([off("left", 12500.0, 3.0), off("right", 16000.0, 2.0)], 2),
        ([off("left", 16000.0, 3.0), off("right", 16000.0, -3.0)], 0),
        ([off("left", 16000.0, 3.0)], 1),
        ([off("left", 40.0, -2.0)], 1),
        ([share_of(hz, asked) for hz, asked in ((250.0, -8.0), (1000.0, 6.0), (4000.0, -6.0))], 3),
        ([share_of(hz, asked) for hz, asked in ((250.0, -8.0), (1000.0, 0.0), (4000.0, 6.0))], 0),
        ([off("left", 40.0, 3.0), off("left", 16000.0, 3.0)], 0),
        ([off("left", 40.0, 2.0), off("left", 63.0, 3.0)], 2),
        ([], 0),
    ],
)
def test_units_err_alike_one_way_or_at_an_end_and_hands_do_not(found, by_scale):
    hand, scale = hand_or_scale(found)
    told = () if scale is None else scale.faders
    assert len(told) == by_scale
    assert sorted((*hand, *told), key=found.index) == found
