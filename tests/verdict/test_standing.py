"""Which fader stands wrong: known wrong settings, through the unit, with noise."""

import numpy as np
import pytest

from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from evenhall.verdict.standing import did_by_takes, wrong_faders
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
        "The 630 Hz fader of right stands about 4 dB too high. Move 630 Hz down by 4 dB, to 0."
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


def test_proof_that_fails_by_one_fader_says_which_and_moves_it():
    unit = graphic_unit(31)
    before = visit(band_gain_db(unit, np.where(unit.nominal_hz == 250.0, 6.0, 0.0)))
    asked = judged(*before).card.solutions["both"].fader_db
    stands = asked + np.where(unit.nominal_hz == 1000.0, 10.0, 0.0)
    was = before[0].level_db
    after = visit(was + band_gain_db(unit, stands), state="after")
    verdict = judged(*before, *after)
    assert not verdict.proof.holds
    assert {(f.side, f.hz, f.off_db) for f in verdict.proof.faders_wrong} == {
        ("left", 1000.0, 10.0),
        ("right", 1000.0, 10.0),
    }
    assert "Move 1 kHz down by 10 dB, to 0." in verdict.moves[0].text
    assert verdict.moves[0].kind == "equalize"
