"""The card solver: its limits, its optimum against scipy, how few faders, and how steady it is."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear, minimize

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.graphic import MODELS, band_gain_db, graphic_unit
from evenhall.equalizer.solver import STOP_DB, Wanted, all_faders, solve

UNITS = [(bands, model) for bands in (31, 15, 10) for model in MODELS]
UNMENDED = 1.5  # dB^2: what doubt and the scatter of seats come to in a usual hall


def error_db(unit, wanted, faders_db):
    """Error with these faders, by numpy's own weighted average and the true cascade."""
    left = wanted.deviation_db + band_gain_db(unit, faders_db)
    mean = np.average(left, weights=wanted.weight)
    return float(np.sqrt(np.average((left - mean) ** 2, weights=wanted.weight) + wanted.unmended))


def hall(unit, seed):
    """Broad faults with finer ones on top; boxes that end somewhere, nothing raised below."""
    rng = np.random.default_rng(seed)
    broad = np.convolve(rng.normal(0, 4, 34), [0.25, 0.5, 0.5, 0.25], "valid")
    low = rng.integers(0, 8)
    weight = np.ones(31)
    weight[:low], weight[29:] = 0.02, (0.5, 0.02)
    may_boost = unit.nominal_hz >= NOMINAL_HZ[low]
    return Wanted(broad + rng.normal(0, 1, 31), weight, may_boost, UNMENDED)


def limits_db(unit, wanted):
    return np.full(unit.fader_count, -unit.range_db), np.where(
        wanted.may_boost, unit.max_boost_db, 0.0
    )


units = st.builds(
    graphic_unit,
    st.sampled_from([10, 15, 31]),
    model=st.sampled_from(MODELS),
    step_db=st.sampled_from([0.5, 1.0, 0.0, 0.1]),
    range_db=st.sampled_from([12.0, 6.0]),
    max_boost_db=st.sampled_from([6.0, 3.0, 0.0]),
)


@settings(max_examples=60, deadline=None)
@given(unit=units, seed=st.integers(0, 2**32 - 1))
def test_faders_stand_on_steps_within_limits_and_no_more_than_the_stop_is_left(unit, seed):
    wanted = hall(unit, seed)
    faders_db = solve(unit, wanted).fader_db
    low, high = limits_db(unit, wanted)
    assert np.all(faders_db >= low - 1e-9)
    assert np.all(faders_db <= high + 1e-9)
    step_db = unit.step_db or 0.01
    np.testing.assert_allclose(faders_db / step_db, np.rint(faders_db / step_db), atol=1e-6)
    assert np.all(np.abs(faders_db[faders_db != 0]) >= 1.0 - 1e-9)
    bound_db = error_db(unit, wanted, all_faders(unit, wanted))
    assert error_db(unit, wanted, faders_db) <= bound_db + STOP_DB + 1e-9


@pytest.mark.parametrize(("bands", "model"), UNITS)
def test_all_faders_reach_what_scipy_reaches(bands, model):
    """L-BFGS-B on the true cascade from two places, its slopes by differences."""
    unit = graphic_unit(bands, model=model)
    columns = np.stack([band_gain_db(unit, one) for one in np.eye(bands)], axis=1)
    for seed in range(6):  # bench/card.py does the same with many more
        wanted = hall(unit, seed)
        low, high = limits_db(unit, wanted)
        root = np.sqrt(wanted.weight)
        linear = lsq_linear(
            np.column_stack([columns, -np.ones(31)]) * root[:, None],
            -root * wanted.deviation_db,
            (np.append(low, -60.0), np.append(high + 1e-9, 60.0)),
        )
        best = minimize(
            lambda faders_db, wanted=wanted: error_db(unit, wanted, faders_db) ** 2,
            np.clip(linear.x[:-1], low, high),
            method="L-BFGS-B",
            bounds=list(zip(low, high, strict=True)),
            options={"maxfun": 4000},
        )
        ours = all_faders(unit, wanted)
        assert np.all((ours >= low - 1e-9) & (ours <= high + 1e-9))
        assert error_db(unit, wanted, ours) <= np.sqrt(best.fun) + 0.01


@pytest.mark.parametrize("model", MODELS)
def test_steps_of_3_db_cost_no_more_than_the_stop_and_plain_rounding(model):
    unit = graphic_unit(31, model=model, step_db=3.0)
    for seed in range(10):
        wanted = hall(unit, seed)
        best = all_faders(unit, wanted)
        low, high = limits_db(unit, wanted)
        rounded_db = error_db(unit, wanted, np.clip(np.rint(best / 3.0) * 3.0, low, high))
        assert error_db(unit, wanted, solve(unit, wanted).fader_db) <= rounded_db + STOP_DB


@pytest.mark.parametrize(("bands", "model"), UNITS)
def test_a_twentieth_of_a_db_in_the_takes_moves_no_fader_by_more_than_a_db(bands, model):
    """And the level, which is free, by 0.3 dB: of a wide fader a few draws in a hundred by more."""
    unit = graphic_unit(bands, model=model)
    moved_db, level_db = [], []
    for seed in range(12):
        wanted, rng = hall(unit, seed), np.random.default_rng(seed)
        card = solve(unit, wanted)
        for _ in range(8):
            noisy = replace(wanted, deviation_db=wanted.deviation_db + rng.normal(0, 0.05, 31))
            then = solve(unit, noisy)
            moved_db.append(np.abs(then.fader_db - card.fader_db).max())
            level_db.append(abs(np.average(then.gain_db - card.gain_db, weights=wanted.weight)))
    assert max(moved_db) <= 1.0
    assert np.quantile(level_db, 1.0 if bands == 31 else 0.95) <= 0.3


@pytest.mark.parametrize(("bands", "model"), UNITS)
def test_a_limit_of_faders_is_kept_and_more_are_never_worse(bands, model):
    unit = graphic_unit(bands, model=model)
    for seed in range(2):
        wanted = hall(unit, seed)
        free_db = error_db(unit, wanted, solve(unit, wanted).fader_db)
        errors = []
        for most in range(1, bands + 1):
            faders_db = solve(replace(unit, most_moved=most), wanted).fader_db
            assert np.count_nonzero(faders_db) <= most
            errors.append(error_db(unit, wanted, faders_db))
        assert np.diff(errors).max() <= 1e-9
        assert free_db - STOP_DB <= errors[-1] <= free_db + 1e-9


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", range(3))
def test_few_faders_are_nearly_the_best_few(model, seed):
    """Three of ten: against every choice of three, all of them used as far as they help."""
    unit = graphic_unit(10, model=model)
    wanted = hall(unit, seed)
    few = solve(replace(unit, most_moved=3), wanted)
    assert np.count_nonzero(few.fader_db) <= 3
    best_db = np.inf
    for some in combinations(range(10), 3):
        at = list(some)
        three = replace(
            unit, nominal_hz=unit.nominal_hz[at], centre_hz=unit.centre_hz[at], q=unit.q[at]
        )
        own = replace(wanted, may_boost=wanted.may_boost[at])
        best_db = min(best_db, error_db(three, own, all_faders(three, own)))
    assert error_db(unit, wanted, few.fader_db) <= best_db + STOP_DB


@pytest.mark.parametrize(("bands", "model"), UNITS)
def test_order_names_each_time_the_fader_that_brings_most(bands, model):
    unit = graphic_unit(bands, model=model)
    for seed in range(5):
        wanted = hall(unit, seed)
        solution = solve(unit, wanted)
        assert sorted(solution.order) == np.flatnonzero(solution.fader_db).tolist()
        set_db, waiting = np.zeros(bands), set(solution.order)
        for fader in solution.order:
            left = {}
            for other in waiting:
                one_more = set_db.copy()
                one_more[other] = solution.fader_db[other]
                left[other] = error_db(unit, wanted, one_more)
            assert left[fader] <= min(left.values()) + 1e-9
            set_db[fader] = solution.fader_db[fader]
            waiting.remove(fader)


def test_each_fader_of_a_usual_card_helps_beside_those_before_it():
    """Faults as large as in most halls; nearly all faders far down do help only together."""
    unit = graphic_unit(31)
    for seed in range(20):
        wanted = hall(unit, seed)
        wanted = replace(wanted, deviation_db=0.6 * wanted.deviation_db)
        solution = solve(unit, wanted)
        set_db = np.zeros(31)
        errors = [error_db(unit, wanted, set_db)]
        for fader in solution.order:
            set_db[fader] = solution.fader_db[fader]
            errors.append(error_db(unit, wanted, set_db))
        assert np.diff(errors).max() <= 1e-9


def test_limits_that_are_no_whole_steps_are_not_reached():
    unit = graphic_unit(10, step_db=5.0)
    deviation_db = np.where(NOMINAL_HZ < 1000, 15.0, -15.0)
    faders_db = solve(unit, Wanted(deviation_db, np.ones(31), np.ones(10, bool))).fader_db
    assert set(faders_db) <= {-10.0, -5.0, 0.0, 5.0}
    assert faders_db.min() == -10.0


def test_decimal_steps_read_as_decimals():
    unit = graphic_unit(31, step_db=0.1)
    faders_db = solve(unit, hall(unit, 1)).fader_db
    assert faders_db.tolist() == [round(setting, 1) for setting in faders_db.tolist()]


@pytest.mark.parametrize(("bands", "model"), UNITS)
@pytest.mark.parametrize("fader_db", [6.0, -4.5])
def test_one_fader_undoes_what_it_did(bands, model, fader_db):
    unit = graphic_unit(bands, model=model)
    faders_db = np.zeros(unit.fader_count)
    faders_db[4] = fader_db
    wanted = Wanted(band_gain_db(unit, faders_db), np.ones(31), np.ones(bands, bool))
    solution = solve(unit, wanted)
    # A step off at most: the power means of a peak and of its mirror are no mirrors.
    np.testing.assert_allclose(solution.fader_db, -faders_db, atol=0.5)
    assert solution.order == (4,)
    assert solution.rms_after_db < 0.1
    assert solution.out_of_reach == ()


@settings(max_examples=20, deadline=None)
@given(unit=units, seed=st.integers(0, 1000), shift_db=st.floats(-60, 60))
def test_level_of_the_deviation_and_scale_of_the_weights_change_nothing(unit, seed, shift_db):
    wanted = hall(unit, seed)
    other = replace(wanted, deviation_db=wanted.deviation_db + shift_db, weight=7.0 * wanted.weight)
    first, second = solve(unit, wanted), solve(unit, other)
    # Of continuous faders arithmetic may move a hundredth of a dB.
    np.testing.assert_allclose(first.fader_db, second.fader_db, atol=0.0101)
    np.testing.assert_allclose(first.after_db, second.after_db, atol=0.02)


def test_even_response_needs_no_card():
    unit = graphic_unit(31)
    solution = solve(unit, Wanted(np.full(31, 3.0), np.ones(31), np.ones(31, bool)))
    assert np.all(solution.fader_db == 0)
    assert solution.rms_after_db == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_a_band_without_estimate_is_our_own_mistake(bad):
    unit = graphic_unit(31)
    with pytest.raises(AssertionError, match="every band has an estimate"):
        solve(unit, Wanted(np.where(NOMINAL_HZ == 1000, bad, 0.0), np.ones(31), np.ones(31, bool)))
    with pytest.raises(AssertionError, match="some band counts"):
        solve(unit, Wanted(np.zeros(31), np.zeros(31), np.ones(31, bool)))


def why(unit, deviation_db, *, may_boost=None):
    allowed = np.ones(unit.fader_count, bool) if may_boost is None else may_boost
    found = solve(unit, Wanted(deviation_db, np.ones(31), allowed)).out_of_reach
    return {left.hz: left for left in found}


def test_build_up_beyond_the_range_is_out_of_reach():
    left = why(graphic_unit(31, range_db=6.0), np.where(NOMINAL_HZ == 1000, 15.0, 0.0))
    assert left[1000.0].left_db > 3
    assert left[1000.0].why == "The 1000 Hz fader is all the way down."


def test_dip_beyond_the_boost_limit_is_out_of_reach():
    left = why(graphic_unit(31, max_boost_db=3.0), np.where(NOMINAL_HZ == 1000, -9.0, 0.0))
    assert left[1000.0].left_db < -1.5
    assert left[1000.0].why == "The 1000 Hz fader is at its limit of 3 dB boost."


def test_dip_that_may_not_be_boosted_is_out_of_reach():
    unit = graphic_unit(31)
    left = why(unit, np.where(NOMINAL_HZ == 80, -9.0, 0.0), may_boost=unit.nominal_hz != 80)
    assert left[80.0].left_db < -2
    assert left[80.0].why == "The 80 Hz fader may not be raised here."


def test_zigzag_that_pulls_neighbours_apart_is_out_of_reach_of_constant_q():
    # Constant-Q third octaves give no more than about 3.6 dB of zigzag, however far they move.
    zigzag_db = 8.0 * (-1.0) ** np.arange(31)
    unit = graphic_unit(31, model="constant-q", range_db=24.0, max_boost_db=24.0)
    left = why(unit, zigzag_db)
    assert any("work against it" in one.why for one in left.values())
    assert np.mean([abs(one.left_db) for one in left.values()]) > 3


def test_fault_between_two_faders_is_out_of_reach_of_an_octave_unit():
    left = why(graphic_unit(10), np.where(NOMINAL_HZ == 1250, 10.0, 0.0))
    assert left[1250.0].left_db > 3
    assert left[1250.0].why.startswith("No fader is here: the 1000 Hz fader is the nearest")


def test_what_is_out_of_reach_is_just_what_stays_a_db_off_where_bands_count_in_full():
    unit = graphic_unit(10)
    for seed in range(5):
        wanted = hall(unit, seed)
        solution = solve(unit, wanted)
        off = (wanted.weight == 1.0) & (np.abs(solution.after_db) > 1.0)
        assert [left.hz for left in solution.out_of_reach] == NOMINAL_HZ[off].tolist()
