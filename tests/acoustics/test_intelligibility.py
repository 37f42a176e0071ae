"""The speech transmission index: closed forms, the standard's worked example, a second library."""

from __future__ import annotations

import numpy as np
import pyfar as pf
import pyrato
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.acoustics.intelligibility import (
    MODULATION_HZ,
    REDUNDANCY,
    WEIGHT,
    impulse_modulation,
    rating,
    room_modulation,
    speech_transmission_index,
)
from evenhall.acoustics.voice import (
    SPEECH_DB,
    a_weighted_db,
    hearing_factor,
    octave_power,
    room_noise_db,
    speech_db,
)

RATE_HZ = 48000
SILENCE = np.full(7, -np.inf)


def room(decay_s, *, noise_db=-np.inf, seed=0):
    """Gaussian noise under an exponential envelope, in stationary noise, 0.1 s ahead of it."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    sound = rng.normal(size=time_s.size) * 10.0 ** (-3.0 * time_s / decay_s)
    sound = np.concatenate([np.zeros(RATE_HZ // 10), sound])
    return sound + 10.0 ** (noise_db / 20.0) * rng.normal(size=sound.size)


def measured_sti(impulse):
    return speech_transmission_index(impulse_modulation(impulse, rate_hz=RATE_HZ))


def decay_sti(decay_s, factor=1.0):
    modulation = room_modulation(np.zeros(7), np.ones(7), np.full(7, decay_s))
    return speech_transmission_index(modulation, factor=factor)


# The standard's figures


def test_weights_of_the_standard_sum_to_one():
    # IEC 60268-16: alpha less beta is 1, so that a perfect channel has the index 1.
    assert abs(WEIGHT.sum() - 1.381) <= 1e-9
    assert abs(REDUNDANCY.sum() - 0.381) <= 1e-9


def test_spectrum_is_stated_re_its_own_a_weighted_level():
    # Table of edition 4, printed to 0.1 dB; the seven octaves are all there is.
    assert abs(a_weighted_db(SPEECH_DB)) <= 0.15
    # The same table at 60 dB(A).
    printed = [62.9, 62.9, 59.2, 53.2, 47.2, 41.2, 35.2]
    assert np.abs(speech_db(60.0) - printed).max() <= 0.05


# IEC 60268-16:2011, Annex M, Table M.1, male, from a public transcription: modulation without
# noise (rows 0.63 to 12.5 Hz), the octave levels, and what comes of them.
ANNEX_M = """
0.983 0.960 0.978 0.990 0.990 0.986 0.997
0.968 0.936 0.959 0.974 0.980 0.979 0.995
0.947 0.904 0.931 0.953 0.966 0.968 0.992
0.920 0.869 0.898 0.927 0.949 0.955 0.987
0.886 0.826 0.852 0.892 0.925 0.935 0.981
0.851 0.791 0.808 0.856 0.900 0.914 0.974
0.816 0.756 0.764 0.816 0.871 0.891 0.964
0.773 0.721 0.730 0.776 0.841 0.866 0.953
0.741 0.684 0.705 0.745 0.809 0.838 0.941
0.726 0.628 0.678 0.736 0.780 0.812 0.929
0.714 0.557 0.656 0.723 0.753 0.786 0.916
0.670 0.520 0.623 0.678 0.728 0.765 0.904
0.591 0.483 0.556 0.615 0.701 0.749 0.893
0.554 0.446 0.523 0.614 0.685 0.737 0.884
"""
ANNEX_M_SPEECH_DB = [82.9, 82.9, 79.2, 73.2, 67.2, 61.2, 55.2]
ANNEX_M_NOISE_DB = [55.5, 47.5, 41.5, 37.5, 34.5, 32.5, 30.5]


def test_worked_example_of_the_standard():
    factor = hearing_factor(ANNEX_M_SPEECH_DB, ANNEX_M_NOISE_DB)
    printed = [0.998, 0.985, 0.967, 0.963, 0.981, 0.989, 0.995]
    assert np.abs(factor - printed).max() <= 0.0011
    modulation = np.array(ANNEX_M.split(), dtype=float).reshape(14, 7)
    sti = speech_transmission_index(modulation, factor=factor)
    assert abs(sti - 0.758) <= 0.002  # printed 0.76
    assert rating(sti) == "excellent"


@pytest.mark.parametrize(
    ("level_db", "masking_db"),
    # The table's pieces at their ends and inside them; values worked by hand.
    [
        (50.0, -40.0),
        (62.9, -33.55),
        (63.0, -33.5),
        (65.0, -29.9),
        (67.0, -26.3),
        (80.0, -19.8),
        (99.9, -9.85),
        (100.0, -10.0),
        (110.0, -10.0),
    ],
)
def test_masking_by_the_octave_below(level_db, masking_db):
    # 250 Hz is as loud as what masks it from 125 Hz, and far over its threshold of 27 dB.
    speech = np.full(7, level_db)
    masker = 10.0 ** (masking_db / 10.0)
    threshold = 10.0 ** ((27.0 - level_db) / 10.0)
    assert abs(hearing_factor(speech, SILENCE)[1] - 1.0 / (1.0 + masker + threshold)) <= 1e-6


def test_threshold_takes_what_is_softer():
    # At the threshold itself half is left: 46 dB at 125 Hz, which nothing masks.
    assert abs(hearing_factor(np.full(7, 46.0), SILENCE)[0] - 0.5) <= 1e-9


# Closed forms


@pytest.mark.parametrize(
    ("decay_s", "snr_db", "sti"),
    # m = 1 / sqrt(1 + (2 pi F T / 13.8)^2) / (1 + 10^(-SNR/10)), summed apart from this program
    [
        (0.3, np.inf, 0.8273),
        (0.5, np.inf, 0.7361),
        (1.0, np.inf, 0.5882),
        (2.0, np.inf, 0.4371),
        (5.0, np.inf, 0.2635),
        (0.5, 10.0, 0.6405),
        (1.0, 5.0, 0.4634),
        (2.0, 0.0, 0.2736),
    ],
)
def test_exponential_decay_in_noise(decay_s, snr_db, sti):
    assert abs(decay_sti(decay_s, 1.0 / (1.0 + 10.0 ** (-snr_db / 10.0))) - sti) <= 0.0005


@pytest.mark.parametrize(
    ("snr_db", "sti"),
    # (SNR + 15) / 30 within +-15 dB
    [(-20.0, 0.0), (-15.0, 0.0), (-10.0, 1 / 6), (0.0, 0.5), (6.0, 0.7), (15.0, 1.0), (30.0, 1.0)],
)
def test_noise_alone(snr_db, sti):
    found = speech_transmission_index(
        np.ones((14, 7)), factor=np.full(7, 1.0 / (1.0 + 10.0 ** (-snr_db / 10.0)))
    )
    assert abs(found - sti) <= 1e-6


def test_noise_reaches_the_factor_as_a_ratio_of_powers():
    # Far over threshold; 125 Hz has nothing below it that could mask.
    factor = hearing_factor(np.full(7, 90.0), np.full(7, 90.0))
    assert abs(factor[0] - 0.5) <= 1e-4


def test_neighbours_share_what_they_say():
    # 1, 1/4, 1, ...: 0.943 - 0.381 / 2, by hand from weights and redundancy; m of an index of 1/4
    # is 10^-0.75 / (1 + 10^-0.75).
    quarter = 10.0**-0.75 / (1.0 + 10.0**-0.75)
    modulation = np.ones((14, 7))
    modulation[:, 1::2] = quarter
    assert abs(speech_transmission_index(modulation) - 0.7525) <= 1e-4


def test_direct_sound_and_decay_together():
    # D + R / (1 + j a) over D + R, a = 2 pi F T / 13.8155, for D = R, T = 1 s, F = 1 Hz: by hand.
    a = 2.0 * np.pi / 13.8155
    real, imaginary = 1.0 + 1.0 / (1.0 + a * a), a / (1.0 + a * a)
    ours = room_modulation([1.0], [1.0], [1.0])[np.flatnonzero(MODULATION_HZ == 1.0), 0]
    assert abs(ours[0] - np.hypot(real, imaginary) / 2.0) <= 1e-5


# Impulse responses


@pytest.mark.parametrize(("decay_s", "sti"), [(0.5, 0.7363), (1.0, 0.5885), (2.0, 0.4374)])
def test_decaying_noise_is_read_as_its_closed_form(decay_s, sti):
    # Single responses scatter by about 0.01 (as in the second library): the mean of six.
    found = [measured_sti(room(decay_s, seed=seed)) for seed in range(6)]
    assert abs(np.mean(found) - sti) <= 0.005


@pytest.mark.parametrize("decay_s", [0.5, 1.0, 2.0])
def test_second_library_gives_the_same_index(decay_s):
    impulse = room(decay_s, seed=3)[RATE_HZ // 10 :]
    (theirs,) = pyrato.parameters.speech_transmission_index_indirect(
        pf.Signal(impulse, RATE_HZ), rir_type="electrical"
    )
    # Its filters are steeper (order 14), and it does not put the sound before time zero right.
    assert abs(measured_sti(impulse) - theirs) <= 0.005


def test_noise_of_the_measurement_is_not_taken_for_reverberation():
    quiet, noisy = (measured_sti(room(1.0, noise_db=db, seed=2)) for db in (-np.inf, -30.0))
    assert abs(noisy - quiet) <= 0.005


def test_perfect_channel_is_one():
    impulse = np.zeros(2 * RATE_HZ)
    impulse[RATE_HZ // 10] = -0.3
    assert measured_sti(impulse) > 0.999


def test_two_equal_pulses():
    # m = |cos(pi F 0.2)|: 0.80902 at 1 Hz, none at 2.5 Hz; 0.0307 is -15 dB, and counts as none.
    impulse = np.zeros(2 * RATE_HZ)
    impulse[[4800, 4800 + round(0.2 * RATE_HZ)]] = 1.0
    impulse += 1e-6 * np.random.default_rng(1).normal(size=impulse.size)
    modulation = impulse_modulation(impulse, rate_hz=RATE_HZ)
    assert np.abs(modulation[MODULATION_HZ == 1.0] - 0.80902).max() <= 0.01
    assert modulation[MODULATION_HZ == 2.5].max() <= 0.0307


def test_what_noise_hides_is_unknown_not_bad():
    noise = np.random.default_rng(4).normal(size=2 * RATE_HZ)
    assert np.isnan(measured_sti(noise))
    assert np.isnan(measured_sti(np.zeros(RATE_HZ)))
    slow = impulse_modulation(room(0.5)[::6], rate_hz=RATE_HZ / 6)
    assert np.isnan(slow[:, -1]).all()  # no octave of 8 kHz at 8 kHz
    assert np.isfinite(slow[:, :4]).all()


# What must and must not move it


@settings(max_examples=30, deadline=None)
@given(decay_s=st.floats(0.2, 5.0), longer=st.floats(1.05, 2.0), direct=st.floats(0.0, 4.0))
def test_longer_rooms_and_less_direct_sound_never_help(decay_s, longer, direct):
    def sti(direct, decay_s):
        modulation = room_modulation(np.full(7, direct), np.ones(7), np.full(7, decay_s))
        return speech_transmission_index(modulation)

    assert sti(direct, decay_s * longer) < sti(direct, decay_s)
    assert sti(direct + 0.5, decay_s) >= sti(direct, decay_s)


def test_louder_helps_until_it_masks_itself():
    def sti(level_dba):
        return decay_sti(0.5, hearing_factor(speech_db(level_dba), room_noise_db(40.0)))

    assert sti(40.0) < sti(50.0) < sti(60.0)
    assert sti(100.0) < sti(70.0) - 0.03


@pytest.mark.parametrize(
    ("sti", "word"),
    # IEC 60268-16, from memory; the editions differ
    [
        (0.0, "bad"),
        (0.299, "bad"),
        (0.3, "poor"),
        (0.45, "fair"),
        (0.599, "fair"),
        (0.6, "good"),
        (0.75, "excellent"),
        (1.0, "excellent"),
        (np.nan, "unknown"),
    ],
)
def test_words(sti, word):
    assert rating(sti) == word


def test_usual_noise_has_the_level_that_is_asked_for():
    assert abs(a_weighted_db(room_noise_db(41.0)) - 41.0) <= 1e-9
    # NC-25 is 35 dB(A), from memory.
    assert np.abs(room_noise_db() - [44, 37, 31, 27, 24, 22, 21]).max() <= 0.5


def test_octaves_are_the_mean_power_of_their_thirds():
    thirds = np.full(31, -np.inf)
    thirds[16:19] = [0.0, 0.0, 10.0 * np.log10(4.0)]  # 800, 1000, 1250 Hz
    assert np.abs(octave_power(thirds) - [0, 0, 0, 2.0, 0, 0, 0]).max() <= 1e-9
    thirds[16] = np.nan
    assert abs(octave_power(thirds)[3] - 2.5) <= 1e-9
    assert np.isnan(octave_power(np.full(31, np.nan))).all()
