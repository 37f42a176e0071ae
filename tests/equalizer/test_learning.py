"""Learning a unit: a lying one is known within 0.3 dB at settings that nobody showed."""

import numpy as np
import pytest

from evenhall.equalizer.checking import setting_fault
from evenhall.equalizer.graphic import band_gain_db, graphic_unit, unit_gain_db
from evenhall.equalizer.learning import fit_freq_hz, fit_round, fit_unit, learning_round
from evenhall.equalizer.solver import Wanted, solve
from evenhall.sound.simulated.unit import lying_unit

FREQ_HZ = fit_freq_hz()
NOISE_DB = 0.02
HEARD_HZ = np.geomspace(25.0, 16_000.0, 300)


def gain_db(true, fader_db, freq_hz):
    """Give the gain of the real unit, re flat and in."""
    flat = true.response(np.zeros(len(fader_db)), freq_hz)
    return 20.0 * np.log10(np.abs(true.response(fader_db, freq_hz) / flat))


def shown(true, settings, seed=0):
    noise = np.random.default_rng(seed).normal(0.0, NOISE_DB, (len(settings), FREQ_HZ.size))
    return np.array([gain_db(true, one, FREQ_HZ) for one in settings]) + noise


@pytest.fixture(scope="module", params=[(31, 3), (31, 8), (15, 1)], ids=lambda p: f"{p[0]}-{p[1]}")
def learned(request):
    bands, seed = request.param
    unit = graphic_unit(bands)
    true = lying_unit(unit.centre_hz, unit.q, seed=seed)
    settings = learning_round(unit)
    return unit, true, fit_unit(unit, settings, shown(true, settings), FREQ_HZ)


def test_round_of_31_faders_is_under_four_minutes_of_sound():
    settings = learning_round(graphic_unit(31))
    assert len(settings) * 2.0 < 240.0
    assert not settings[0].any()
    assert np.all(np.any(settings != 0.0, axis=0))
    # No two that move together are neighbours: a third octave apart they would hide each other.
    for setting in settings[1:]:
        assert np.diff(np.flatnonzero(setting)).min() >= 3


def test_learned_unit_is_right_at_settings_it_was_not_shown(learned):
    unit, true, found = learned
    rng = np.random.default_rng(9)
    for _ in range(10):
        faders = rng.uniform(-12.0, 12.0, unit.fader_count)
        really = gain_db(true, faders, HEARD_HZ)
        assert np.abs(unit_gain_db(found.unit, faders, HEARD_HZ) - really).max() <= 0.3
        # Who trusts the scale is off by decibels: otherwise nothing was to be learned.
        assert np.abs(unit_gain_db(unit, faders, HEARD_HZ) - really).max() > 1.0


def test_card_on_the_learned_unit_does_what_it_promises(learned):
    unit, true, found = learned
    rng = np.random.default_rng(4)
    wanted = np.convolve(rng.normal(0.0, 4.0, 35), np.full(5, 0.4), "valid")
    weight = ((np.arange(31) > 2) & (np.arange(31) < 29)).astype(float)
    may = np.ones(unit.fader_count, bool)

    def left_db(hand):
        card = solve(hand, Wanted(wanted, weight, may)).fader_db
        nodes = 10.0 ** ((np.arange(13, 44)[:, None] + np.linspace(-0.45, 0.45, 19)) / 10.0)
        power = 10.0 ** (gain_db(true, card, nodes.ravel()) / 10.0)
        level = wanted + 10.0 * np.log10(power.reshape(nodes.shape).mean(axis=1))
        share = weight / weight.sum()
        return np.sqrt(np.square(level - share @ level) @ share), card

    knowing, card = left_db(found.unit)
    trusting, _ = left_db(unit)
    promised = solve(found.unit, Wanted(wanted, weight, may)).rms_after_db
    assert abs(knowing - promised) <= 0.15
    assert knowing < trusting
    assert np.all(np.abs(band_gain_db(found.unit, card)) < 30.0)


def test_fader_that_was_not_moved_as_told_is_named():
    unit = graphic_unit(31)
    true = lying_unit(unit.centre_hz, unit.q, seed=5)
    settings = learning_round(unit)
    stood = settings.copy()
    at = int(np.flatnonzero(settings[6])[3])
    stood[6, at] = 0.0  # told to move, and forgotten
    gains = shown(true, stood)
    found, (wrong,) = fit_round(unit, settings, gains, FREQ_HZ)
    assert (wrong.setting, wrong.hz) == (6, unit.nominal_hz[at])
    assert abs(wrong.stood_db) <= 1.0
    assert wrong.asked_db == settings[6, at]
    faders = np.random.default_rng(2).uniform(-12.0, 12.0, 31)
    off = unit_gain_db(found.unit, faders, HEARD_HZ) - gain_db(true, faders, HEARD_HZ)
    assert np.abs(off).max() <= 0.3


def test_fader_that_was_never_moved_is_like_its_neighbours_and_says_so():
    unit = graphic_unit(31)
    true = lying_unit(unit.centre_hz, unit.q, seed=6)
    settings = learning_round(unit)
    settings[:, 12] = 0.0
    found = fit_unit(unit, settings, shown(true, settings), FREQ_HZ)
    assert np.flatnonzero(~found.moved).tolist() == [12]
    q = found.unit.q
    assert min(q[11], q[13]) <= q[12] <= max(q[11], q[13])


def test_checks_of_a_setting_know_slips_from_a_unit_that_merely_lies():
    """31 faders of six old units: made as told, one forgotten, one the other way, bypassed."""
    face, freq_hz = graphic_unit(31), fit_freq_hz()
    wrong = {"as told": 0, "forgotten": 0, "the other way": 0}
    for seed in range(6):
        true = lying_unit(face.centre_hz, face.q, seed=seed)
        flat_db = gain_db(true, np.zeros(31), freq_hz)
        rng = np.random.default_rng(seed)
        for asked_db in learning_round(face)[1 + seed :: 8]:
            change_db = gain_db(true, asked_db, freq_hz) - flat_db
            wrong["as told"] += setting_fault(face, asked_db, change_db, freq_hz) is not None
            without_db = asked_db.copy()
            without_db[rng.choice(np.flatnonzero(asked_db))] = 0.0
            told = setting_fault(
                face, asked_db, gain_db(true, without_db, freq_hz) - flat_db, freq_hz
            )
            wrong["forgotten"] += "Not moved" not in (told or "")
            other_db = gain_db(true, -asked_db, freq_hz) - flat_db
            told = setting_fault(face, asked_db, other_db, freq_hz)
            wrong["the other way"] += "the opposite way" not in (told or "")
    assert wrong == {"as told": 0, "forgotten": 0, "the other way": 0}
    nothing = setting_fault(face, learning_round(face)[1], np.zeros(freq_hz.size), freq_hz)
    assert "bypassed" in nothing
