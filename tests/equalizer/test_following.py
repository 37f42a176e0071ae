"""Following the hand: the right fader, soon enough, and near enough, on simulated rounds."""

from functools import partial

import numpy as np
import pytest

from evenhall.acoustics.periodic import bands_of, round_gain
from evenhall.equalizer.following import at_rest, begin, follow, start_doubt_db
from evenhall.equalizer.graphic import graphic_unit, unit_gain_db

ROUND_S = 0.2
BANDS = bands_of(9600, rate_hz=48_000.0, low_hz=16.0, high_hz=20_000.0)
UNIT = graphic_unit(31)
PINK = 1.0 / BANDS.line_hz


def heard(fader_db, noise, rng):
    """Power of the lines behind the unit, Gaussian noise added to each."""
    amplitude = np.sqrt(PINK) * 10.0 ** (unit_gain_db(UNIT, fader_db, BANDS.line_hz) / 20.0)
    wave = rng.normal(size=(2, PINK.size)) * np.sqrt(noise / 2.0)
    return (amplitude + wave[0]) ** 2 + wave[1] ** 2


def step(state, fader_db, *, noise, rng, level_db=0.0):
    told = round_gain(heard(fader_db, noise, rng), PINK, noise, BANDS)
    return follow(
        state, told.freq_hz, told.gain_db + level_db, told.uncertainty_db, elapsed_s=ROUND_S
    )


def test_cable_finds_faders_and_level_behind_the_unit_by_itself():
    rng = np.random.default_rng(2)
    truth_db = np.zeros(31)
    truth_db[[7, 12, 20]] = -6.0, 3.5, -2.0
    state = begin(UNIT, np.zeros(31), fader_sigma_db=6.0, level_sigma_db=20.0)
    for _ in range(5):
        state = step(state, truth_db, noise=1e-6 * PINK, rng=rng, level_db=-11.0)
    assert np.abs(state.fader_db - truth_db).max() <= 0.5
    assert abs(state.level_db + 11.0) <= 0.5


@pytest.mark.parametrize(("which", "neighbour"), [(8, 9), (17, 16), (25, 26)])
def test_hand_at_20_db_above_noise_is_known_within_a_second_and_the_neighbour_stays(
    which, neighbour
):
    rng = np.random.default_rng(which)
    on = partial(step, noise=1e-2 * PINK, rng=rng)
    state = begin(UNIT, np.zeros(31), fader_sigma_db=0.1, level_sigma_db=0.3)
    faders_db = np.zeros(31)
    for _ in range(5):
        state = on(state, faders_db)
    state = at_rest(state)
    assert state.in_hand is None
    for _ in range(5):  # one second, 4 dB
        faders_db[which] -= 0.8
        state = on(state, faders_db)
    assert state.in_hand == which
    for _ in range(5):
        state = on(state, faders_db)
    assert abs(state.fader_db[which] + 4.0) <= 1.0
    assert abs(state.fader_db[neighbour]) <= 1.0
    assert state.still_s[which] >= 0.6


def test_hand_goes_over_to_another_fader():
    rng = np.random.default_rng(9)
    on = partial(step, noise=1e-2 * PINK, rng=rng)
    state = begin(UNIT, np.zeros(31), fader_sigma_db=0.1, level_sigma_db=0.3)
    faders_db, seen = np.zeros(31), []
    for which, goal_db in ((10, -5.0), (22, 3.0)):
        faders_db[which] = goal_db
        for _ in range(5):
            state = on(state, faders_db)
        seen.append(state.in_hand)
    assert seen == [10, 22]


def test_nothing_moves_so_none_is_in_hand():
    rng = np.random.default_rng(4)
    state = begin(UNIT, np.zeros(31), fader_sigma_db=0.1, level_sigma_db=0.3)
    for _ in range(50):
        state = step(state, np.zeros(31), noise=1e-2 * PINK, rng=rng)
    assert state.in_hand is None
    assert abs(state.still_s.min() - 10.0) <= 1e-6


def test_louder_behind_the_unit_is_no_fader():
    rng = np.random.default_rng(6)
    on = partial(step, noise=1e-3 * PINK, rng=rng)
    state = begin(UNIT, np.zeros(31), fader_sigma_db=0.1, level_sigma_db=0.3)
    for _ in range(5):
        state = on(state, np.zeros(31))
    for _ in range(3):
        state = on(state, np.zeros(31), level_db=3.0)
    assert abs(state.level_db - 3.0) <= 0.3
    assert np.abs(state.fader_db).max() <= 0.4


def test_doubt_of_the_start_falls_with_what_was_heard_and_is_wide_where_nothing_was():
    state = begin(UNIT, np.zeros(31), fader_sigma_db=0.1, level_sigma_db=0.3)
    freq_hz = BANDS.line_hz[BANDS.first]
    sigma_db = np.where(freq_hz < 100.0, np.inf, 0.3)
    doubt_db = start_doubt_db(state, freq_hz, sigma_db)
    better_db = start_doubt_db(state, freq_hz, sigma_db / 3.0)
    assert doubt_db[2] > 6.0  # 31.5 Hz: nothing below 100 Hz was heard
    assert doubt_db[17] < 0.5  # 1 kHz
    assert better_db[17] < 0.6 * doubt_db[17]
