"""The error at a seat: by hand, by simulation, and that no band is free."""

import numpy as np
import pytest

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.verdict.card.loss import band_weights, judged_share, seat_error, weighted_rms_db
from verdict.builders import at, flat, visit
from verdict.test_estimate import area_of

BOTH = {"left": np.zeros(31), "right": np.zeros(31)}


def with_gain(gain):
    return {"left": gain, "right": gain}


def test_no_band_of_the_range_is_free():
    weight = band_weights(55.0)
    inside = (NOMINAL_HZ >= 55.0) & (NOMINAL_HZ <= 16000.0)
    assert weight[inside].min() >= 0.5
    assert weight.min() > 0.0
    assert np.ptp(weight[(NOMINAL_HZ >= 55.0) & (NOMINAL_HZ <= 12500.0)]) == 0.0


def test_weight_does_not_depend_on_the_takes():
    few = area_of(*visit(flat(0.0, {500.0: 8.0})), low_limit_hz=55.0)
    assert band_weights(few.low_hz) == pytest.approx(band_weights(55.0))


def test_weighted_rms_by_hand():
    values, weight = flat(np.nan), np.zeros(31)
    values[[3, 4, 5]], weight[[3, 4]] = [1.0, 4.0, 100.0], [2.0, 1.0]
    # Weighted mean 2; (2 * 1 + 1 * 4) / 3 = 2.
    assert weighted_rms_db(values, weight) == pytest.approx(np.sqrt(2.0))
    assert np.isnan(weighted_rms_db(values, np.zeros(31)))


@pytest.mark.parametrize("hz", [80.0, 1000.0, 10000.0])
def test_gain_that_nobody_asked_for_is_charged_at_any_band(hz):
    area = area_of(*visit(flat()), low_limit_hz=55.0)
    gain = np.where(hz == NOMINAL_HZ, 6.0, 0.0)
    assert seat_error(area, with_gain(gain)).expected_db > seat_error(area, BOTH).expected_db + 0.1


def test_level_is_free():
    area = area_of(*visit(flat(0.0, {500.0: 8.0})))
    shifted = seat_error(area, with_gain(np.full(31, -7.0)))
    assert shifted.expected_db == pytest.approx(seat_error(area, BOTH).expected_db)


def test_one_side_set_otherwise_counts_as_any_mixture_does():
    """Seats that hear a share p of one side, p even from 0 to 1: averaged by brute force."""
    area = area_of(*visit(flat()), low_limit_hz=55.0)
    gain = np.where((NOMINAL_HZ > 400) & (NOMINAL_HZ < 1500), 6.0, 0.0)
    share = judged_share(area.low_hz)
    shares = np.linspace(0.0, 1.0, 1001)
    rest = area.excess.mean_db + shares[:, None] * gain
    rest = rest - (rest @ share)[:, None]
    brute = np.mean(np.square(rest) @ share)
    flat_square = seat_error(area, BOTH).expected_db ** 2
    mean = area.excess.mean_db - area.excess.mean_db @ share
    scatter = flat_square - np.square(mean) @ share
    found = seat_error(area, {"left": gain, "right": np.zeros(31)}).expected_db
    assert found**2 == pytest.approx(brute + scatter, rel=2e-3)


def test_expected_error_and_its_90_percent_are_those_of_drawn_areas():
    """Areas drawn from the estimate's own doubt, seats from its scatter, by numpy's generator."""
    area = area_of(*visit(flat(0.0, {200.0: 4.0, 250.0: 6.0, 3150.0: -4.0})), low_limit_hz=55.0)
    rng = np.random.default_rng(91)
    share = judged_share(area.low_hz)
    jitter = 1e-9 * np.eye(31)
    draws = rng.multivariate_normal(area.excess.mean_db, area.excess.covariance + jitter, 300)
    means = []
    for draw in draws:
        seats = rng.multivariate_normal(draw, area.seat, 40)
        seats = seats - (seats @ share)[:, None]
        means.append(np.sqrt(np.square(seats) @ share).mean())
    said = seat_error(area, BOTH)
    assert said.expected_db == pytest.approx(np.mean(means), abs=0.06)
    inside = np.mean((said.low_90_db <= np.array(means)) & (np.array(means) <= said.high_90_db))
    assert inside >= 0.85  # a little wider than drawn: halls differ in their scatter too


def test_judged_bands_end_at_the_low_limit_and_12_5_khz():
    share = judged_share(55.0)
    assert NOMINAL_HZ[share > 0][[0, -1]].tolist() == [63.0, 12500.0]
    assert share.sum() == pytest.approx(1.0)
    assert share[at(63.0)] == share[at(12500.0)] == pytest.approx(1 / 24)
    assert EXACT_HZ[share > 0].size == 24
