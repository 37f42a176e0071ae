"""The card: what it answers for, what it may raise, one list or two."""

import numpy as np
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from evenhall.verdict.card import deviation_db, weighted_rms_db
from verdict.builders import at, flat, judged, visit

BUILD_UP = flat(0.0, {200.0: 3.0, 250.0: 6.0, 315.0: 3.0})
BROAD_DIP = flat(0.0, {400.0: -3.0, 500.0: -4.0, 630.0: -4.5, 800.0: -4.0, 1000.0: -3.0})


def faders(verdict, side="both"):
    return dict(
        zip(verdict.card.unit.nominal_hz, verdict.card.solutions[side].fader_db, strict=True)
    )


def test_deviation_has_no_mean_over_200_hz_to_4_khz():
    deviation = deviation_db(flat(7.0, {1000.0: 14.0, 63.0: -3.0}), flat(1.0))
    assert deviation[at(1000.0)] == pytest.approx(13.0)
    assert deviation[at(63.0)] == pytest.approx(-4.0)


def test_weighted_rms_by_hand():
    values = flat(np.nan)
    weight = np.zeros(31)
    values[[3, 4, 5]], weight[[3, 4]] = [1.0, 4.0, 100.0], [2.0, 1.0]
    # Weighted mean 2; (2 * 1 + 1 * 4) / 3 = 2.
    assert weighted_rms_db(values, weight) == pytest.approx(np.sqrt(2.0))
    assert np.isnan(weighted_rms_db(values, np.zeros(31)))


def test_build_up_is_cut_where_it_is():
    verdict = judged(*visit(BUILD_UP))
    set_db = faders(verdict)
    assert min(set_db, key=set_db.get) == 250.0
    assert set_db[250.0] <= -3.0
    assert max(set_db.values()) <= 0.0
    assert verdict.forecast.rms_after_db < 0.3 * verdict.forecast.rms_before_db


def test_broad_common_dip_may_be_raised():
    verdict = judged(*visit(BROAD_DIP))
    assert faders(verdict)[630.0] > 0.0
    assert max(faders(verdict).values()) <= 6.0
    assert verdict.forecast.rms_after_db < 0.3 * verdict.forecast.rms_before_db


@pytest.mark.parametrize("hz", [250.0, 2000.0])
def test_build_up_that_one_fader_makes_one_fader_takes_away(hz):
    unit = graphic_unit(31)
    made = np.where(unit.nominal_hz == hz, 5.0, 0.0)
    set_db = faders(judged(*visit(band_gain_db(unit, made))))
    assert {hz: db for hz, db in set_db.items() if db} == {hz: -5.0}


def test_even_response_moves_no_fader():
    assert not any(faders(judged(*visit(flat()))).values())


def test_local_dip_is_not_filled():
    verdict = judged(*visit(flat(), local={"middle": flat(0.0, {1000.0: -9.0})}))
    set_db = faders(verdict)
    assert max(set_db[hz] for hz in (800.0, 1000.0, 1250.0)) <= 0.0


def test_nothing_below_the_low_limit_is_raised_nor_asked_for():
    levels = flat(0.0, {20.0: -30.0, 25.0: -25.0, 31.5: -18.0, 40.0: -12.0, 50.0: -6.0})
    verdict = judged(*visit(levels), low_limit_hz=55.0)
    set_db = faders(verdict)
    assert max(set_db[hz] for hz in (20.0, 25.0, 31.5, 40.0, 50.0)) <= 0.0
    answered = NOMINAL_HZ[verdict.card.weight > 0]
    assert answered.min() == 63.0


def test_fader_just_below_the_low_limit_is_not_raised_for_a_band_just_above():
    dip = flat(0.0, {63.0: -5.0, 80.0: -5.0, 100.0: -5.0, 125.0: -5.0, 160.0: -3.0})
    centres = [60.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0]
    set_db = faders(judged(*visit(dip), bands=centres, low_limit_hz=62.0))
    assert set_db[125.0] > 0.0
    assert set_db[60.0] <= 0.0
    assert faders(judged(*visit(dip), bands=centres, low_limit_hz=55.0))[60.0] > 0.0


def test_build_up_below_the_low_limit_may_be_cut():
    verdict = judged(*visit(flat(0.0, {40.0: 4.0, 50.0: 7.0})), low_limit_hz=55.0)
    assert faders(verdict)[50.0] < -2.0


def test_without_a_stated_limit_the_measured_one_is_kept():
    levels = flat(0.0, {20.0: -30.0, 25.0: -25.0, 31.5: -20.0, 40.0: -14.0, 50.0: -5.0})
    set_db = faders(judged(*visit(levels)))
    assert max(set_db[hz] for hz in (20.0, 25.0, 31.5, 40.0)) <= 0.0


def test_band_that_is_less_sure_weighs_less():
    uncertainty = np.full(31, 0.1)
    uncertainty[at(1000.0)] = 3.0
    weight = judged(*visit(flat(), uncertainty_db=uncertainty)).card.weight
    assert 0.0 < weight[at(1000.0)] < 0.7 * weight[at(1250.0)]


def test_unusable_band_weighs_nothing():
    levels = flat()
    levels[at(80.0)] = np.nan
    assert judged(*visit(levels)).card.weight[at(80.0)] == 0.0


def test_sides_that_differ_get_a_list_each():
    # Broad and opposed, so that one list for both would mend neither.
    slope = np.linspace(-9.0, 9.0, 31)
    verdict = judged(*visit(slope, sides=["left"]), *visit(-slope, sides=["right"]))
    assert set(verdict.card.solutions) == {"left", "right"}
    for spot in verdict.forecast.spots:
        assert spot.rms_after_db < 0.5 * spot.rms_before_db


def test_sides_with_faults_of_their_own_get_a_list_each():
    left = visit(flat(0.0, {400.0: 4.0, 500.0: 9.0, 630.0: 4.0}), sides=["left"])
    right = visit(flat(0.0, {2000.0: 4.0, 2500.0: 9.0, 3150.0: 4.0}), sides=["right"])
    verdict = judged(*left, *right)
    assert set(verdict.card.solutions) == {"left", "right"}
    assert faders(verdict, "left")[500.0] < -4.0
    assert faders(verdict, "left")[2500.0] > -2.0
    assert faders(verdict, "right")[2500.0] < -4.0


def test_sides_alike_share_one_list():
    assert set(judged(*visit(BUILD_UP)).card.solutions) == {"both"}


def test_forecast_of_each_spot_is_its_own_level_and_the_card():
    local = {"back": flat(0.0, {2000.0: 3.0})}
    verdict = judged(*visit(BUILD_UP, local=local))
    card = verdict.card
    gain = band_gain_db(graphic_unit(31), card.solutions["both"].fader_db)
    for spot in verdict.forecast.spots:
        level = BUILD_UP + local.get(spot.spot, 0.0)
        assert spot.rms_before_db == pytest.approx(weighted_rms_db(level, card.weight))
        assert spot.rms_after_db == pytest.approx(weighted_rms_db(level + gain, card.weight))


def test_target_is_aimed_at():
    verdict = judged(*visit(flat()), target="tilt")
    inside = verdict.card.weight > 0
    left = (verdict.forecast.after_db - verdict.card.target)[inside]
    assert np.abs(left).max() < 1.0
    before = (verdict.forecast.before_db - verdict.card.target)[inside]
    assert np.abs(before).max() > 3.0


@pytest.mark.parametrize("bands", [10, 15])
def test_finer_unit_reaches_no_less(bands):
    verdict = judged(*visit(BUILD_UP), bands=bands)
    assert verdict.card.finer_rms_db <= verdict.forecast.rms_after_db + 1e-9
    whole = judged(*visit(BUILD_UP), bands=31)
    assert whole.card.finer_rms_db is None
    assert verdict.card.finer_rms_db == pytest.approx(whole.forecast.rms_after_db, abs=0.05)
