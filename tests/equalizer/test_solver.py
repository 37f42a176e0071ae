"""The card solver: optimal on the unit's steps, and against global methods of scipy."""

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import differential_evolution

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer import (
    EARNS_DB,
    MODELS,
    Wanted,
    band_gain_db,
    graphic_unit,
    solve,
)

# The solver rounds the deviation to a millionth of a dB.
HAIR_DB = 1e-5


def rms_db(unit, wanted, faders_db):
    """Weighted rms of what is left, mean removed: by numpy's own weighted average."""
    answered = wanted.weight > 0
    left = (wanted.deviation_db + band_gain_db(unit, faders_db))[answered]
    weight = wanted.weight[answered]
    mean = np.average(left, weights=weight)
    return np.sqrt(np.average((left - mean) ** 2, weights=weight))


def hall(unit, seed, *, gaps=True):
    """Broad faults with finer ones on top; ends, and with `gaps` a few bands, unanswered."""
    rng = np.random.default_rng(seed)
    broad = np.convolve(rng.normal(0, 4, 34), [0.25, 0.5, 0.5, 0.25], "valid")
    weight = rng.uniform(0.1, 1.0, 31)
    may_boost = np.ones(unit.fader_count, dtype=bool)
    if gaps:
        weight[: rng.integers(0, 8)] = 0
        weight[rng.integers(27, 32) :] = 0
        weight[rng.random(31) < 0.06] = 0
        may_boost = rng.random(unit.fader_count) < 0.8
    return Wanted(broad + rng.normal(0, 1, 31), weight, may_boost)


def limits_db(unit, wanted):
    step_db = unit.step_db or 0.01
    low = np.full(unit.fader_count, -np.floor(unit.range_db / step_db + 1e-6) * step_db)
    boost = np.floor(unit.max_boost_db / step_db + 1e-6) * step_db
    return low, np.where(wanted.may_boost, boost, 0.0)


units = st.builds(
    graphic_unit,
    st.sampled_from([10, 15, 31]),
    model=st.sampled_from(MODELS),
    step_db=st.sampled_from([0.5, 1.0, 0.0, 0.1]),
    range_db=st.sampled_from([12.0, 6.0]),
    max_boost_db=st.sampled_from([6.0, 3.0, 0.0]),
)


@settings(max_examples=100, deadline=None)
@given(unit=units, seed=st.integers(0, 2**32 - 1))
def test_no_single_step_improves_the_card_and_no_fader_is_moved_for_nothing(unit, seed):
    wanted = hall(unit, seed)
    solution = solve(unit, wanted)
    low, high = limits_db(unit, wanted)
    step_db = unit.step_db or 0.01
    reached_db = rms_db(unit, wanted, solution.fader_db)
    assert reached_db == pytest.approx(solution.rms_after_db, abs=1e-9)
    for fader, setting in enumerate(solution.fader_db):
        for other in (setting - step_db, setting + step_db):
            if low[fader] - 1e-9 <= other <= high[fader] + 1e-9:
                tried_db = solution.fader_db.copy()
                tried_db[fader] = other
                assert rms_db(unit, wanted, tried_db) >= reached_db - EARNS_DB - HAIR_DB
        if setting != 0:
            tried_db = solution.fader_db.copy()
            tried_db[fader] = 0.0
            assert rms_db(unit, wanted, tried_db) >= reached_db + EARNS_DB - HAIR_DB


@settings(max_examples=60, deadline=None)
@given(unit=units, seed=st.integers(0, 2**32 - 1))
def test_faders_stand_on_steps_within_limits(unit, seed):
    wanted = hall(unit, seed)
    faders_db = solve(unit, wanted).fader_db
    low, high = limits_db(unit, wanted)
    assert np.all(faders_db >= low - 1e-9)
    assert np.all(faders_db <= high + 1e-9)
    assert np.all(faders_db[~wanted.may_boost] <= 0)
    step_db = unit.step_db or 0.01
    np.testing.assert_allclose(faders_db / step_db, np.rint(faders_db / step_db), atol=1e-6)


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


SMALL_UNITS = [
    ([200, 2000], {"step_db": 0.5}),
    ([100, 1000, 10_000], {"step_db": 0.5}),
    ([63, 250, 1000, 4000], {"step_db": 1.0}),
    ([80, 160, 315, 630], {"step_db": 1.0, "q": 4.318}),
    ([63, 250, 1000, 4000, 12_500], {"step_db": 2.0}),
    ([250, 315, 400, 500, 630], {"step_db": 3.0, "max_boost_db": 12.0}),
]


def best_of_all_settings_db(unit, wanted):
    """Least rms over every setting of every fader, summed over 9 midpoints a band."""
    low, high = limits_db(unit, wanted)
    answered = wanted.weight > 0
    weight = wanted.weight[answered] / wanted.weight[answered].sum()
    place = (np.arange(9) - 4) / 9
    node_hz = 1000 * 10 ** ((np.arange(-17, 14)[answered, None] + place) / 10)
    choices, sections = [], []
    for fader, (a, b) in enumerate(zip(low, high, strict=True)):
        setting_db = np.arange(round(a / unit.step_db), round(b / unit.step_db) + 1) * unit.step_db
        choices.append(setting_db)
        sections.append(np.stack([section_power(unit, fader, x, node_hz) for x in setting_db]))
    # Sections multiply, so that all but the last fader are multiplied out once.
    power = np.ones((1, *node_hz.shape))
    for section in sections[:-1]:
        power = (power[:, None] * section).reshape(-1, *node_hz.shape)
    least, best = np.inf, ()
    for last, section in zip(choices[-1], sections[-1], strict=True):
        left = wanted.deviation_db[answered] + 10 * np.log10((power * section).mean(axis=2))
        variance = left**2 @ weight - (left @ weight) ** 2
        if variance.min() < least:
            least = variance.min()
            place = np.unravel_index(variance.argmin(), [x.size for x in choices[:-1]])
            best = (*(x[i] for x, i in zip(choices[:-1], place, strict=True)), last)
    return rms_db(unit, wanted, np.array(best))


def section_power(unit, fader, setting_db, freq_hz):
    """|H|^2 of one section as its transfer function is printed."""
    g, q = 10 ** (setting_db / 20), unit.q[fader]
    s = 1j * freq_hz / unit.centre_hz[fader]
    if unit.model == "constant-q":
        top, bottom = s**2 + s * max(g, 1) / q + 1, s**2 + s * max(1 / g, 1) / q + 1
    else:
        top, bottom = s**2 + s * np.sqrt(g) / q + 1, s**2 + s / (np.sqrt(g) * q) + 1
    return np.abs(top / bottom) ** 2


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize(("bands", "options"), SMALL_UNITS)
def test_small_unit_within_2_percent_of_all_settings_tried(bands, options, model):
    unit = graphic_unit(bands, model=model, **options)
    for seed in range(3):
        wanted = hall(unit, seed, gaps=seed > 0)
        best_db = best_of_all_settings_db(unit, wanted)
        assert solve(unit, wanted).rms_after_db <= 1.02 * best_db


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("bands", [[100, 1000, 10_000], [63, 250, 1000, 4000, 12_500]])
def test_continuous_faders_within_2_percent_of_differential_evolution(bands, model):
    unit = graphic_unit(bands, model=model, step_db=0.0)
    for seed in range(2):
        wanted = hall(unit, seed, gaps=seed > 0)
        bounds = list(zip(*limits_db(unit, wanted), strict=True))
        found = differential_evolution(
            lambda faders_db, wanted=wanted: rms_db(unit, wanted, faders_db),
            [(low, max(high, 1e-9)) for low, high in bounds],
            rng=np.random.default_rng(seed),
            maxiter=40,
            popsize=10,
        )
        assert solve(unit, wanted).rms_after_db <= 1.02 * found.fun


def test_one_fader_undoes_what_it_did():
    for model, bands, fader_db in product(MODELS, (10, 15, 31), (6.0, -4.5)):
        unit = graphic_unit(bands, model=model)
        faders_db = np.zeros(unit.fader_count)
        faders_db[4] = fader_db
        deviation_db = band_gain_db(unit, faders_db)
        may_boost = np.ones(unit.fader_count, bool)
        solution = solve(unit, Wanted(deviation_db, np.ones(31), may_boost))
        # A step off at most, and not zero: the power means of a peak and of its mirror within a
        # band are no mirrors.
        np.testing.assert_allclose(solution.fader_db, -faders_db, atol=0.5)
        assert np.flatnonzero(solution.fader_db).tolist() == [4]
        assert solution.rms_after_db < 0.1 * solution.rms_before_db
        assert solution.out_of_reach == ()


@settings(max_examples=30, deadline=None)
@given(unit=units, seed=st.integers(0, 1000), shift_db=st.floats(-120, 120))
def test_level_of_the_deviation_changes_nothing(unit, seed, shift_db):
    wanted = hall(unit, seed)
    shifted = Wanted(wanted.deviation_db + shift_db, wanted.weight, wanted.may_boost)
    first, second = solve(unit, wanted), solve(unit, shifted)
    assert first.fader_db.tolist() == second.fader_db.tolist()
    assert first.rms_after_db == pytest.approx(second.rms_after_db, abs=1e-9)
    np.testing.assert_allclose(first.after_db, second.after_db, atol=1e-9)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), scale=st.floats(0.001, 1000))
def test_scale_of_the_weights_changes_nothing(seed, scale):
    unit = graphic_unit(15)
    wanted = hall(unit, seed)
    scaled = Wanted(wanted.deviation_db, wanted.weight * scale, wanted.may_boost)
    assert solve(unit, scaled).fader_db.tolist() == solve(unit, wanted).fader_db.tolist()


def test_more_faders_reach_no_less():
    for seed in range(5):
        coarse, fine = graphic_unit(10), graphic_unit(31)
        wanted = hall(coarse, seed, gaps=False)
        for_fine = Wanted(wanted.deviation_db, wanted.weight, np.ones(31, bool))
        reached_db = solve(coarse, wanted).rms_after_db
        assert solve(fine, for_fine).rms_after_db < reached_db < solve(coarse, wanted).rms_before_db


@pytest.mark.parametrize("model", MODELS)
def test_band_nobody_answers_for_is_not_chased(model):
    unit = graphic_unit(31, model=model)
    deviation_db = np.where(NOMINAL_HZ == 500, -15.0, 0.0)
    deviation_db[NOMINAL_HZ < 100] = np.linspace(-30, 10, 7)
    weight = np.where((NOMINAL_HZ == 500) | (NOMINAL_HZ < 100), 0.0, 1.0)
    solution = solve(unit, Wanted(deviation_db, weight, np.ones(31, bool)))
    assert np.all(solution.fader_db == 0)


def test_fader_out_of_sight_digs_no_hole_to_trim_its_neighbour():
    unit = graphic_unit(31)
    rng = np.random.default_rng(4)
    weight = np.where(NOMINAL_HZ < 100, 0.0, 1.0)
    for _ in range(10):
        deviation_db = np.clip(rng.normal(0, 2, 31), -4, 4)
        faders_db = solve(unit, Wanted(deviation_db, weight, np.ones(31, bool))).fader_db
        assert np.all(np.abs(faders_db[NOMINAL_HZ < 80]) <= 1.0)


def test_nothing_answered_moves_nothing_and_claims_nothing():
    unit = graphic_unit(15)
    solution = solve(unit, Wanted(np.full(31, np.nan), np.zeros(31), np.ones(15, bool)))
    assert np.all(solution.fader_db == 0)
    assert np.isnan(solution.rms_before_db)
    assert np.isnan(solution.rms_after_db)
    assert solution.out_of_reach == ()


@pytest.mark.parametrize("missing", [np.nan, np.inf, -np.inf])
def test_band_without_a_figure_is_not_answered_for(missing):
    unit = graphic_unit(31)
    known = hall(unit, 7)
    gone = NOMINAL_HZ == 1000
    with_hole = Wanted(np.where(gone, missing, known.deviation_db), known.weight, known.may_boost)
    unweighted = Wanted(known.deviation_db, np.where(gone, 0, known.weight), known.may_boost)
    solution = solve(unit, with_hole)
    assert solution.fader_db.tolist() == solve(unit, unweighted).fader_db.tolist()
    assert np.isfinite(solution.rms_after_db)
    assert np.all(np.isfinite(solution.after_db[~gone]))


def test_even_response_needs_no_card():
    unit = graphic_unit(31)
    solution = solve(unit, Wanted(np.full(31, 3.0), np.ones(31), np.ones(31, bool)))
    assert np.all(solution.fader_db == 0)
    assert solution.rms_after_db == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("model", MODELS)
def test_a_card_cuts_where_cut_and_boost_serve_alike(model):
    # As much too loud in one half as too soft in the other.
    unit = graphic_unit(31, model=model)
    deviation_db = np.where(NOMINAL_HZ < 700, 2.0, -2.0)
    wanted = Wanted(deviation_db, np.ones(31), np.ones(31, bool))
    faders_db = solve(unit, wanted).fader_db
    assert np.maximum(faders_db, 0).sum() <= 2.0
    assert np.minimum(faders_db, 0).sum() <= -30.0


def why(unit, deviation_db, *, may_boost=None, weight=None):
    allowed = np.ones(unit.fader_count, bool) if may_boost is None else may_boost
    weight = np.ones(31) if weight is None else weight
    return {
        left.hz: left for left in solve(unit, Wanted(deviation_db, weight, allowed)).out_of_reach
    }


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
    assert any("pull against it" in one.why for one in left.values())
    assert np.mean([abs(one.left_db) for one in left.values()]) > 3


def test_fault_between_two_faders_is_out_of_reach_of_an_octave_unit():
    left = why(graphic_unit(10), np.where(NOMINAL_HZ == 1250, 10.0, 0.0))
    assert left[1250.0].left_db > 3
    assert left[1250.0].why.startswith("No fader sits here: the 1000 Hz fader is the nearest")


def test_what_is_out_of_reach_is_just_what_stays_a_db_off():
    for seed in range(5):
        unit = graphic_unit(10)
        wanted = hall(unit, seed)
        solution = solve(unit, wanted)
        off = (wanted.weight > 0) & (np.abs(solution.after_db) > 1.0)
        assert [left.hz for left in solution.out_of_reach] == NOMINAL_HZ[off].tolist()


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", range(3))
def test_few_faders_are_nearly_the_best_few(model, seed):
    """Three of ten: against every choice of three, each solved for itself."""
    unit = graphic_unit(10, model=model)
    wanted = hall(unit, seed, gaps=False)
    few = solve(replace(unit, most_moved=3), wanted)
    assert np.count_nonzero(few.fader_db) <= 3
    best_db = np.inf
    for some in combinations(range(10), 3):
        unit_of_three = replace(unit, nominal_hz=unit.nominal_hz[list(some)])
        unit_of_three = replace(
            unit_of_three, centre_hz=unit.centre_hz[list(some)], q=unit.q[list(some)]
        )
        three = Wanted(wanted.deviation_db, wanted.weight, wanted.may_boost[list(some)])
        best_db = min(best_db, solve(unit_of_three, three).rms_after_db)
    assert few.rms_after_db <= 1.1 * best_db
    assert few.rms_after_db >= solve(unit, wanted).rms_after_db


def test_a_limit_that_does_not_bind_changes_nothing():
    unit = graphic_unit(15)
    wanted = hall(unit, 5)
    free = solve(unit, wanted)
    moved = np.count_nonzero(free.fader_db)
    limited = solve(replace(unit, most_moved=moved), wanted)
    assert limited.fader_db.tolist() == free.fader_db.tolist()


@pytest.mark.parametrize("step_db", [2.0, 0.5])
def test_one_fader_that_may_rise_by_a_single_step_is_found(step_db):
    """A dip that one raised fader mends; of all faders that one is to move."""
    unit = replace(graphic_unit(10, step_db=step_db, max_boost_db=2.0), most_moved=1)
    dip_db = -band_gain_db(unit, np.where(unit.nominal_hz == 1000.0, 2.0, 0.0))
    found = solve(unit, Wanted(dip_db, np.ones(31), np.ones(10, dtype=bool)))
    assert dict(zip(unit.nominal_hz, found.fader_db, strict=True))[1000.0] == 2.0
    assert np.count_nonzero(found.fader_db) == 1
