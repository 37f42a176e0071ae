"""The estimate of the listening area: against a general library, and where it must not break."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.verdict.card import estimate as module
from evenhall.verdict.card.estimate import estimate, lined_up, lower_end_hz, posterior
from evenhall.verdict.take import align_level_db
from evenhall.verdict.target import target_db, target_points
from verdict.builders import at, flat, spots_of, visit

EVERYWHERE = np.ones(31, dtype=bool)


def area_of(*takes, target="flat", low_limit_hz=None, rt60_s=0.9):
    points = target_db(target_points(target), EXACT_HZ)
    return estimate(spots_of(*takes), points, rt60_s=rt60_s, low_limit_hz=low_limit_hz)


def test_posterior_is_that_of_a_general_library(monkeypatch):
    """One pair of amplitudes, the level all but known, against scikit-learn's regressor."""
    monkeypatch.setattr(module, "BROAD_DB", (3.0,))
    monkeypatch.setattr(module, "FINE_DB", (1.5,))
    monkeypatch.setattr(module, "FREE_LEVEL_DB", 0.0)
    rng = np.random.default_rng(90)
    use = rng.random(31) < 0.8
    value = rng.normal(0.0, 3.0, 31)
    value -= value[use].mean()
    noise = rng.uniform(0.2, 2.0, 31)
    kernel = ConstantKernel(9.0) * RBF(0.7) + ConstantKernel(2.25) * RBF(0.2)
    octaves = np.log2(EXACT_HZ)[:, None]
    library = GaussianProcessRegressor(kernel, alpha=noise[use], optimizer=None)
    library.fit(octaves[use], value[use])
    mean, covariance = library.predict(octaves, return_cov=True)
    found = posterior(value[None], np.diag(noise)[None], use=use[None])
    assert found.mean_db == pytest.approx(mean, abs=1e-6)
    assert found.covariance == pytest.approx(covariance, abs=1e-6)


def test_likelier_amplitudes_weigh_more_as_the_library_has_it(monkeypatch):
    monkeypatch.setattr(module, "BROAD_DB", (1.0, 3.0))
    monkeypatch.setattr(module, "FINE_DB", (1.5,))
    monkeypatch.setattr(module, "FREE_LEVEL_DB", 0.0)
    value = 4.0 * np.sin(np.log2(EXACT_HZ))
    value -= value.mean()
    octaves = np.log2(EXACT_HZ)[:, None]
    likelihoods, means = [], []
    for broad in (1.0, 3.0):
        kernel = ConstantKernel(broad**2) * RBF(0.7) + ConstantKernel(2.25) * RBF(0.2)
        library = GaussianProcessRegressor(kernel, alpha=0.5, optimizer=None).fit(octaves, value)
        likelihoods.append(library.log_marginal_likelihood_value_)
        means.append(library.predict(octaves))
    share = np.exp(likelihoods - np.max(likelihoods))
    expected = share @ np.array(means) / share.sum()
    found = posterior(value[None], 0.5 * np.eye(31)[None], use=EVERYWHERE[None])
    assert found.mean_db == pytest.approx(expected, abs=1e-6)


@given(gain_db=st.floats(-40.0, 40.0))
@settings(max_examples=20, deadline=None)
def test_gain_of_a_take_moves_nothing(gain_db):
    levels = flat(0.0, {250.0: 5.0, 3150.0: -4.0})
    was = area_of(*visit(levels))
    now = area_of(*visit(levels, local={"back": flat(gain_db)}))
    assert now.excess.mean_db == pytest.approx(was.excess.mean_db, abs=1e-6)


def test_missing_loud_bands_do_not_shift_a_row():
    levels = np.tile(flat(0.0, {1000.0: 9.0, 1250.0: 9.0}), (3, 1))
    levels[1] -= 7.0
    levels[1, [at(1000.0), at(1250.0)]] = np.nan
    aligned = lined_up(levels)
    known = np.isfinite(aligned[1])
    assert aligned[1, known] == pytest.approx(aligned[0, known], abs=0.02)


def test_what_all_spots_have_is_believed_nearly_whole():
    excess = area_of(*visit(flat(0.0, {1000.0: 4.0, 1250.0: 6.0, 1600.0: 4.0}))).excess
    found = excess.mean_db - align_level_db(excess.mean_db)
    assert found[at(1250.0)] == pytest.approx(6.0 - 1.0, abs=0.8)  # 1.0: its mean over 14 bands
    assert excess.sd_db[at(1250.0)] < 1.0


def test_what_one_spot_has_counts_a_third():
    lone = area_of(*visit(flat(), local={"middle": flat(0.0, {1000.0: 9.0})})).excess.mean_db
    every = area_of(*visit(flat(0.0, {1000.0: 9.0}))).excess.mean_db
    assert lone[at(1000.0)] < 0.5 * every[at(1000.0)]


def test_bass_is_in_more_doubt_than_the_middle():
    sd = area_of(*visit(flat())).excess.sd_db
    assert sd[at(63.0)] > 1.3 * sd[at(1000.0)]


def test_band_that_no_take_tells_follows_its_neighbours_in_more_doubt():
    levels = flat(0.0, dict.fromkeys((400.0, 500.0, 630.0), 6.0))
    levels[at(500.0)] = np.nan
    area = area_of(*visit(levels))
    level = area.excess.mean_db - align_level_db(area.excess.mean_db)
    assert 2.0 < level[at(500.0)] < 6.0
    assert not area.known[at(500.0)]
    assert area.excess.sd_db[at(500.0)] > area.excess.sd_db[at(630.0)]


def test_more_places_leave_less_doubt():
    one = area_of(*visit(flat(), sides=["left"])[:1]).excess.sd_db
    three = area_of(*visit(flat(), sides=["left"])).excess.sd_db
    assert np.all(three[at(63.0) : at(12500.0)] < one[at(63.0) : at(12500.0)])


def test_a_take_s_own_doubt_counts():
    sure = area_of(*visit(flat(), uncertainty_db=0.1)).excess.sd_db
    unsure = area_of(*visit(flat(), uncertainty_db=3.0)).excess.sd_db
    assert np.all(unsure > sure)


def test_the_area_has_more_bass_and_less_treble_than_the_spots():
    excess = area_of(*visit(flat())).excess.mean_db
    assert excess[at(63.0)] > excess[at(1000.0)] > excess[at(12500.0)]


@pytest.mark.parametrize("order", [2, 4])
@pytest.mark.parametrize("low_hz", [40.0, 63.0, 80.0, 120.0])
def test_end_of_a_box_is_where_it_falls_and_never_comes_back(low_hz, order):
    # A Butterworth high-pass in closed form; 10 dB under its middle at low_hz * 9^(-1 / 2n).
    fall = -10.0 * np.log10(1.0 + (low_hz / EXACT_HZ) ** (2 * order))
    ends_hz = lower_end_hz(fall, None)
    # The first third octave above it: no farther than one band's spacing, 10^0.1 = 1.26.
    assert 0.98 <= ends_hz / (low_hz * 9.0 ** (-0.5 / order)) <= 1.27


def test_deep_dip_in_the_bass_is_not_the_end_of_the_box():
    hole = flat(0.0, {50.0: -3.0, 63.0: -14.0, 80.0: -14.0})
    assert lower_end_hz(hole, None) == 20.0


def test_stated_limit_stands():
    assert lower_end_hz(flat(), 55.0) == 55.0


def test_dull_box_is_not_cut_off_at_the_top():
    treble = np.interp(np.log2(EXACT_HZ), np.log2([2000.0, 16000.0]), [0.0, -14.0])
    area = area_of(*visit(treble))
    assert area.in_range[at(16000.0)]
    assert area.asked_db[at(12500.0)] < area.asked_db[at(1000.0)] - 6.0


def test_nothing_below_the_end_of_the_box_pulls_at_a_fader():
    fall = -10.0 * np.log10(1.0 + (63.0 / EXACT_HZ) ** 8)
    area = area_of(*visit(fall))
    below = area.low_hz > NOMINAL_HZ
    assert np.ptp(area.asked_db[below]) < 1e-9
    assert area.asked_db[below].min() >= 0.0


def test_cancelled_dip_asks_for_what_lies_beside_it():
    area = area_of(*visit(flat(0.0, {160.0: -4.0, 200.0: -9.0, 250.0: -4.0})))
    cancelled = np.zeros(31, dtype=bool)
    cancelled[at(200.0)] = True
    spared = area.sparing(cancelled)
    beside = 0.5 * (area.excess.mean_db[at(160.0)] + area.excess.mean_db[at(250.0)])
    assert spared.asked_db[at(200.0)] == pytest.approx(beside)
    assert spared.excess is area.excess  # what is not asked for stays charged


def test_sides_are_told_apart_as_far_as_they_differ():
    left = visit(flat(0.0, {400.0: 6.0, 500.0: 9.0, 630.0: 6.0}), sides=["left"])
    area = area_of(*left, *visit(flat(), sides=["right"]))
    apart = area.sides_db["left"] - area.sides_db["right"]
    assert 4.0 < apart[at(500.0)] - apart[at(2000.0)] < 9.5
    alike = area_of(*visit(flat()))
    assert np.abs(alike.sides_db["left"]).max() < 0.01
