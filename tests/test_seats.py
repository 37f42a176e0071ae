"""What a seat hears: the judge of the decision on a few halls of both physics.

`bench/seats.py` has the whole table. The second physics is pyroomacoustics' image sources.
"""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
import halls
import seats

SEEDS = range(2100, 2110)
pytestmark = pytest.mark.xdist_group("seats")  # whose outcomes take a while


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(halls, "CACHE", tmp_path_factory.mktemp("halls"))
        return [seats.outcome(seed) for seed in SEEDS]


def mean_db(found, name):
    return np.mean([one.rms_db[name] for one in found])


@pytest.mark.parametrize("rival", seats.RIVALS)
def test_card_is_better_at_a_seat_than_each_rival(found, rival):
    assert mean_db(found, "card") < mean_db(found, rival) - 0.05


def test_card_is_within_a_tenth_of_the_best_for_the_true_spots(found):
    assert mean_db(found, "card") <= 1.10 * mean_db(found, "true spots")
    assert mean_db(found, "every fader") <= 1.05 * mean_db(found, "true spots")


def test_what_is_foretold_is_what_is_heard(found):
    off = [one.foretold_db - one.same_db for one in found]
    # Ten halls: the mean of what strays by 0.3 dB each is known to 0.1.
    assert abs(np.mean(off)) <= 0.25
    assert np.mean([one.inside_90 for one in found]) >= 0.6


def test_sound_hall_is_left_as_it_is(found):
    sound = [one for one in found if not one.has_fault]
    assert sound
    assert mean_db(sound, "card") <= mean_db(sound, "no card") + 0.1


def test_no_more_faders_than_pay(found):
    assert np.mean([one.moved for one in found if one.faders == 31]) <= 17


def test_the_table_says_all_of_it(found):
    lines = seats.table(found)
    assert lines[0].startswith("| card | all halls (10)")
    assert sum(line.startswith("| ") for line in lines) == 12
    assert sum("above eleven other seats" in line for line in lines) == 3


def test_both_physics_are_there():
    assert {halls.drawn(seed).own_physics for seed in SEEDS} == {True, False}


def test_levels_of_a_pure_delay_are_flat():
    # One sample 1 m away: power 1 in every band, and two in step are 6 dB louder, not 3.
    pulse = np.zeros(4096)
    pulse[100] = 1.0
    powers = halls.cell_powers(pulse, pulse)
    assert powers[:2] == pytest.approx(np.ones((2, 31)), rel=1e-6)
    assert powers.sum(axis=0) == pytest.approx(np.full(31, 4.0), rel=1e-6)
