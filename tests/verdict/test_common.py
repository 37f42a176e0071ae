"""What the spots share, and what one place alone can know."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.bands import LOWER_HZ, NOMINAL_HZ, UPPER_HZ
from evenhall.verdict.common import common_response, direct_ratio, scatter_db
from evenhall.verdict.take import align_level_db
from verdict.builders import at, diffuse_levels_db, flat, spots_of, take

PLACES = 600


@pytest.mark.parametrize("rt60_s", [0.9, 2.0])
def test_scatter_is_that_of_simulated_reverberant_fields(rt60_s):
    # 600 Gaussian responses under an exponential envelope; the standard deviation of 600
    # values is itself uncertain by 1 / sqrt(2 * 600) = 2.9 %. The formula (from memory: Lubman;
    # Craik) is an approximation: a tenth is allowed.
    hz = (100.0, 200.0, 500.0, 1000.0, 2000.0)
    levels = diffuse_levels_db(np.random.default_rng(60), PLACES, rt60_s=rt60_s, hz=hz)
    stated = scatter_db(rt60_s)[[at(f) for f in hz]]
    assert levels.std(axis=0, ddof=1) == pytest.approx(stated, rel=0.10)


def test_scatter_of_a_sine_is_that_of_an_exponential_power():
    # Closed form: standard deviation of 10 lg of an exponentially distributed power.
    closed_form_db = 10.0 / np.log(10.0) * np.pi / np.sqrt(6.0)
    assert scatter_db(1e-9)[at(1000.0)] == pytest.approx(closed_form_db, abs=0.01)


@pytest.mark.parametrize(
    ("hz", "rt60_s", "expected_db"),
    [
        # 5.57 / sqrt(1 + 0.238 B T), worked out by hand (formula from memory: Lubman; Craik)
        (100.0, 0.9, 2.28),
        (1000.0, 0.9, 0.78),
        (500.0, 2.0, 0.74),
        (4000.0, 2.0, 0.27),
    ],
)
def test_scatter_by_the_formula(hz, rt60_s, expected_db):
    assert scatter_db(rt60_s)[at(hz)] == pytest.approx(expected_db, abs=0.006)


def test_scatter_below_the_statistics_of_many_modes_is_larger():
    formula_db = 5.57 / np.sqrt(1.0 + 0.238 * 50.0 * (10**0.05 - 10**-0.05) * 0.9)
    assert scatter_db(0.9)[at(50.0)] > formula_db


def test_direct_sound_does_not_scatter():
    assert scatter_db(0.9, 1.0) == pytest.approx(0.0)
    assert np.all(scatter_db(0.9, 0.5) < scatter_db(0.9))
    assert scatter_db(0.9, 0.0) == pytest.approx(scatter_db(0.9))


def test_half_direct_sound_scatters_as_simulated():
    # A single pulse of the same energy in the 1 kHz band as the reverberant field behind it.
    rng = np.random.default_rng(61)
    rate_hz, rt60_s, band = 3000.0, 0.9, at(1000.0)
    n_taps = int(1.2 * rt60_s * rate_hz)
    envelope = 10.0 ** (-3.0 * np.arange(n_taps) / (rt60_s * rate_hz))
    impulses = rng.standard_normal((PLACES, n_taps)) * envelope
    impulses[:, 0] += np.sqrt(np.sum(envelope**2))
    freq_hz = np.fft.rfftfreq(2 * n_taps, 1.0 / rate_hz)
    inside = (freq_hz >= LOWER_HZ[band]) & (freq_hz < UPPER_HZ[band])
    power = np.mean(np.abs(np.fft.rfft(impulses, 2 * n_taps)[:, inside]) ** 2, axis=1)
    simulated_db = (10.0 * np.log10(power)).std(ddof=1)
    assert scatter_db(rt60_s, 0.5)[band] == pytest.approx(simulated_db, rel=0.10)


def test_direct_ratio_of_sound_without_a_room_is_one():
    rate_hz, arrival = 48000.0, 480
    impulse = np.zeros(48000)
    impulse[arrival] = 1.0
    alone = replace(
        take(flat(0.0)).response, impulse=impulse, rate_hz=rate_hz, arrival_s=arrival / rate_hz
    )
    ratio = direct_ratio(alone)
    assert ratio[at(400.0) :] == pytest.approx(1.0, abs=0.02)
    assert np.all(ratio[: at(250.0) + 1] == 0.0)  # too slow for ten milliseconds to tell


def test_direct_ratio_halves_where_the_room_gives_as_much():
    impulse = np.zeros(48000)
    impulse[480] = 1.0
    twice = replace(take(flat(10 * np.log10(2.0))).response, impulse=impulse, arrival_s=0.01)
    assert direct_ratio(twice)[at(400.0) :] == pytest.approx(0.5, abs=0.02)


def test_direct_ratio_is_unknown_without_an_arrival():
    assert not direct_ratio(take(flat()).response).any()


def test_spots_are_aligned_before_they_are_joined():
    common = common_response(
        spots_of(take(flat(-10.0), spot="front"), take(flat(-22.0), spot="back")), rt60_s=0.9
    )
    assert common.aligned_db == pytest.approx(np.zeros((2, 31)))
    assert common.level_db == pytest.approx(flat())


def test_common_response_is_the_mean_in_db_by_trust():
    rng = np.random.default_rng(62)
    takes = [
        take(rng.normal(0.0, 2.0, 31), spot=name, uncertainty_db=rng.uniform(0.05, 0.7, 31))
        for name in ("front", "middle", "back")
    ]
    common = common_response(spots_of(*takes), rt60_s=0.9)
    aligned = np.stack([t.level_db - align_level_db(t.level_db) for t in takes])
    expected = np.average(aligned, weights=common.trust, axis=0)
    assert common.level_db == pytest.approx(expected)


def test_trust_falls_with_the_take_s_own_uncertainty():
    common = common_response(
        spots_of(
            take(flat(), spot="front", uncertainty_db=0.05),
            take(flat(), spot="back", uncertainty_db=2.0),
        ),
        rt60_s=0.9,
    )
    assert np.all(common.trust[0] > common.trust[1])
    # In the treble places hardly scatter, so the take's own noise counts for more.
    ratio = common.trust[0] / common.trust[1]
    assert ratio[at(8000.0)] > ratio[at(125.0)]


def test_unusable_band_has_no_say():
    odd = flat(0.0, {40.0: 12.0})
    odd[at(63.0)] = np.nan
    common = common_response(
        spots_of(take(odd, spot="front"), take(flat(0.0, {63.0: 5.0}), spot="back")), rt60_s=0.9
    )
    assert common.trust[0, at(63.0)] == 0.0
    assert common.level_db[at(63.0)] == pytest.approx(5.0)
    assert common.level_db[at(40.0)] == pytest.approx(6.0)


def test_band_unusable_everywhere_is_unknown():
    gap = flat()
    gap[at(20.0)] = np.nan
    common = common_response(spots_of(take(gap)), rt60_s=0.9)
    assert np.isnan(common.level_db[at(20.0)])
    assert np.isnan(common.uncertainty_db[at(20.0)])


def test_one_spot_has_no_spread_but_expected_scatter():
    common = common_response(spots_of(take(flat())), rt60_s=0.9)
    assert np.isnan(common.spread_db).all()
    assert np.all(common.uncertainty_db >= scatter_db(0.9))


def test_uncertainty_falls_with_the_number_of_places():
    one = common_response(spots_of(take(flat(), spot="a")), rt60_s=0.9)
    four = common_response(spots_of(*(take(flat(), spot=name) for name in "abcd")), rt60_s=0.9)
    assert four.uncertainty_db == pytest.approx(one.uncertainty_db / 2.0)


def test_uncertainty_covers_the_truth_in_simulated_rooms():
    """The true response is flat: what is found off it must be within twice the stated error."""
    rng = np.random.default_rng(63)
    rooms, places = 40, 3
    levels = np.zeros((rooms * places, 31))
    inside = (NOMINAL_HZ >= 100.0) & (NOMINAL_HZ <= 4000.0)
    levels[:, inside] = diffuse_levels_db(rng, rooms * places, rt60_s=0.9, hz=NOMINAL_HZ[inside])
    within = []
    sizes = []
    for room in levels.reshape(rooms, places, -1):
        common = common_response(
            spots_of(*(take(level, spot=f"{k}") for k, level in enumerate(room))), rt60_s=0.9
        )
        # The mean of 10 lg of a scattering power lies below 10 lg of its mean, alike at each
        # place; against the mean of all rooms it is gone.
        off = common.level_db - (levels.mean(axis=0) - align_level_db(levels.mean(axis=0)))
        within.append(np.abs(off) <= 2.0 * common.uncertainty_db)
        sizes.append(common.uncertainty_db / (scatter_db(0.9) / np.sqrt(places)))
    assert np.mean(np.array(within)[:, inside]) >= 0.90
    assert np.median(np.array(sizes)[:, inside]) < 1.6  # and not by being large
