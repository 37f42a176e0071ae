"""Early sound: levels of a known filter, and which of two is later, inverted, or the same."""

import numpy as np
import pytest
from scipy import signal

import rooms
from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.early import compare, early_levels, onset_s

RATE_HZ = 48_000
ARRIVAL_S = 0.1
BANDS = rooms.bands_between(200, 10_000)


def arriving(at_s, *, after=None, seed=1):
    """A click at a time, through a filter, in faint noise."""
    impulse = 1e-4 * np.random.default_rng(seed).standard_normal(RATE_HZ)
    click = np.zeros(RATE_HZ)
    click[round(at_s * RATE_HZ)] = 1.0
    return impulse + (click if after is None else signal.sosfilt(after, click))


def test_early_level_of_a_filter_is_its_magnitude():
    sos = signal.butter(1, 1000.0, "low", fs=RATE_HZ, output="sos")
    found = early_levels(arriving(ARRIVAL_S, after=sos), rate_hz=RATE_HZ, arrival_s=ARRIVAL_S)
    _, gain = signal.freqz_sos(sos, EXACT_HZ, fs=RATE_HZ)
    error_db = found.level_db - 20.0 * np.log10(np.abs(gain))
    assert np.abs(error_db[BANDS]).max() <= 0.6


def test_late_reflection_is_left_out_of_the_treble():
    late = arriving(ARRIVAL_S) + arriving(ARRIVAL_S + 0.02, seed=2)
    found = early_levels(late, rate_hz=RATE_HZ, arrival_s=ARRIVAL_S)
    assert np.abs(found.level_db[rooms.bands_between(500, 10_000)]).max() <= 0.2


def test_floor_is_the_noise_s_own_level():
    noise = 0.01 * np.random.default_rng(4).standard_normal(RATE_HZ)
    found = early_levels(noise, rate_hz=RATE_HZ, arrival_s=0.5)
    # Level and floor are two estimates of one noise; over many bands their mean is alike.
    difference_db = (found.level_db - found.floor_db)[rooms.bands_between(500, 10_000)]
    assert abs(difference_db.mean()) <= 3.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("later_s", [-0.0003, 0.0, 0.0004])
def test_lag_and_polarity_between_two_responses(sign, later_s):
    sos = signal.butter(2, 100.0, "high", fs=RATE_HZ, output="sos")
    first = arriving(ARRIVAL_S, after=sos)
    second = sign * 0.3 * arriving(ARRIVAL_S + later_s, after=sos, seed=2)
    like = compare(
        first,
        second,
        rate_hz=RATE_HZ,
        at_s=(ARRIVAL_S, ARRIVAL_S),
        band_hz=(300.0, 6000.0),
        length_s=0.008,
        slack_s=0.0005,
    )
    assert abs(like.later_s - round(later_s * RATE_HZ) / RATE_HZ) <= 1e-9
    assert 0.9 <= sign * like.correlation <= 1.0
    assert like.opposite < 0.6


def test_two_noises_are_not_alike():
    rng = np.random.default_rng(8)
    first, second = rng.standard_normal((2, RATE_HZ))
    like = compare(
        first,
        second,
        rate_hz=RATE_HZ,
        at_s=(0.2, 0.2),
        band_hz=(300.0, 6000.0),
        length_s=0.25,
        slack_s=0.0005,
    )
    assert abs(like.correlation) <= 0.3


def test_onset_of_a_sub_in_a_room():
    sos = signal.butter(2, [35.0, 110.0], "band", fs=RATE_HZ, output="sos")
    for at_s in (0.1, 0.13):
        found = onset_s(arriving(at_s, after=sos), rate_hz=RATE_HZ, low_hz=35.0, high_hz=110.0)
        # The envelope of a filter of some 75 Hz rises over a hundredth of a second.
        assert abs(found - at_s) <= 0.006
