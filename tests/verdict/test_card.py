"""The card: what it moves and what it leaves, in which order, one list or two."""

import numpy as np
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from evenhall.equalizer.solver import STOP_DB
from evenhall.verdict.card.faders import WORTH_DB
from evenhall.verdict.card.loss import seat_error, weighted_rms_db
from verdict.builders import at, flat, judged, visit

BUILD_UP = flat(0.0, {160.0: 2.0, 200.0: 6.0, 250.0: 9.0, 315.0: 6.0, 400.0: 2.0})
BROAD_DIP = flat(0.0, {400.0: -3.0, 500.0: -4.0, 630.0: -4.5, 800.0: -4.0, 1000.0: -3.0})


def faders(verdict, side="both"):
    return dict(
        zip(verdict.card.unit.nominal_hz, verdict.card.solutions[side].fader_db, strict=True)
    )


def test_build_up_is_cut_where_it_is():
    verdict = judged(*visit(BUILD_UP))
    set_db = faders(verdict)
    assert min(set_db, key=set_db.get) == 250.0
    assert set_db[250.0] <= -3.0
    # The spots have less bass and more treble than the area: a touch, and no more, is asked there.
    assert max(set_db.values()) <= 1.0
    assert verdict.forecast.rms_after_db < 0.3 * verdict.forecast.rms_before_db


def test_broad_common_dip_may_be_raised():
    verdict = judged(*visit(1.6 * BROAD_DIP))
    assert faders(verdict)[630.0] > 0.0
    assert max(faders(verdict).values()) <= 6.0
    assert verdict.forecast.rms_after_db < 0.3 * verdict.forecast.rms_before_db


def test_even_response_moves_no_fader():
    assert not any(faders(judged(*visit(flat()))).values())


def test_local_dip_is_not_filled():
    verdict = judged(*visit(flat(), local={"middle": flat(0.0, {1000.0: -9.0})}))
    set_db = faders(verdict)
    assert max(set_db[hz] for hz in (800.0, 1000.0, 1250.0)) <= 0.0


def test_fader_just_below_the_low_limit_is_not_raised_for_a_band_just_above():
    dip = flat(0.0, {63.0: -5.0, 80.0: -5.0, 100.0: -5.0, 125.0: -5.0, 160.0: -3.0})
    centres = [60.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0]
    set_db = faders(judged(*visit(dip), bands=centres, low_limit_hz=62.0))
    assert set_db[125.0] > 0.0
    assert set_db[60.0] <= 0.0
    assert faders(judged(*visit(dip), bands=centres, low_limit_hz=55.0))[60.0] > 0.0


def test_without_a_stated_limit_the_measured_one_is_kept():
    levels = flat(0.0, {20.0: -30.0, 25.0: -25.0, 31.5: -20.0, 40.0: -14.0, 50.0: -5.0})
    set_db = faders(judged(*visit(levels)))
    assert max(set_db[hz] for hz in (20.0, 25.0, 31.5, 40.0)) <= 0.0


def test_sides_that_differ_get_a_list_each():
    left = flat(0.0, {315.0: 6.0, 400.0: 11.0, 500.0: 11.0, 630.0: 6.0})
    right = flat(0.0, {1000.0: 6.0, 1250.0: 11.0, 1600.0: 11.0, 2000.0: 6.0})
    verdict = judged(*visit(left, sides=["left"]), *visit(right, sides=["right"]))
    assert set(verdict.card.solutions) == {"left", "right"}
    for spot in verdict.forecast.spots:
        assert spot.rms_after_db < 0.5 * spot.rms_before_db


def test_sides_alike_share_one_list():
    assert set(judged(*visit(BUILD_UP)).card.solutions) == {"both"}


@pytest.mark.parametrize("bands", [10, 15])
def test_finer_unit_reaches_no_less(bands):
    verdict = judged(*visit(BUILD_UP), bands=bands)
    # Both stop where nothing more would be heard.
    assert verdict.card.finer_rms_db <= verdict.forecast.rms_after_db + STOP_DB
    whole = judged(*visit(BUILD_UP), bands=31)
    assert whole.card.finer_rms_db is None
    assert verdict.card.finer_rms_db == pytest.approx(whole.forecast.rms_after_db, abs=0.05)


def test_nothing_below_the_low_limit_is_raised():
    levels = flat(0.0, {20.0: -30.0, 25.0: -25.0, 31.5: -18.0, 40.0: -12.0, 50.0: -6.0})
    levels += BUILD_UP
    set_db = faders(judged(*visit(levels), low_limit_hz=55.0))
    assert max(set_db[hz] for hz in (20.0, 25.0, 31.5, 40.0, 50.0)) <= 0.0
    assert min(set_db[hz] for hz in (20.0, 25.0, 31.5, 40.0)) >= 0.0  # and none is cut for it


def test_band_that_no_take_tells_is_left_where_it_is():
    levels = BUILD_UP.copy()
    levels[[at(12500.0), at(16000.0), at(20000.0)]] = np.nan
    card = judged(*visit(levels)).card
    gain = card.gain_db("left")
    assert np.abs(gain[at(12500.0) :]).max() < 1.0


@pytest.mark.parametrize("seed", range(4))
def test_most_faders_stay_at_0_and_the_level_is_kept(seed):
    rng = np.random.default_rng([92, seed])
    hz = rng.choice([200.0, 315.0, 500.0, 800.0, 2000.0, 3150.0], 2, replace=False)
    levels = sum(
        rng.uniform(5.0, 8.0) * np.exp(-0.5 * (np.log2(NOMINAL_HZ / one) / 0.3) ** 2) for one in hz
    )
    card = judged(*visit(levels)).card
    set_db = np.array(list(faders(judged(*visit(levels))).values()))
    assert 0 < np.count_nonzero(set_db) <= 12
    assert np.median(card.gain_db("left")) == pytest.approx(0.0, abs=1.0)


def test_sound_hall_is_left_flat_and_says_so():
    verdict = judged(*visit(flat(0.0, {250.0: 1.0, 2000.0: -1.0})))
    assert verdict.card.is_flat
    assert verdict.card.steps == ()
    assert verdict.card.seat_after == verdict.card.seat_before
    (move,) = [move for move in verdict.moves if move.text.startswith("Leave the EQ flat")]
    assert f"by {WORTH_DB:g} dB" in move.text


def test_card_is_set_where_it_brings_enough_at_a_seat():
    card = judged(*visit(BUILD_UP + BROAD_DIP)).card
    assert card.seat_before.expected_db - card.seat_after.expected_db >= WORTH_DB
    assert card.seat_after.low_90_db < card.seat_after.expected_db < card.seat_after.high_90_db


def test_steps_are_what_the_first_faders_bring():
    verdict = judged(*visit(BUILD_UP + BROAD_DIP))
    card, solution = verdict.card, verdict.card.solutions["both"]
    assert [step.faders for step in card.steps] == list(range(1, card.moved + 1))
    few = np.zeros(31)
    few[list(solution.order[:2])] = solution.fader_db[list(solution.order[:2])]
    gain = band_gain_db(card.unit, few)
    told = seat_error(verdict.area, {"left": gain, "right": gain}).expected_db
    assert card.steps[1].seat_after_db == pytest.approx(told)
    assert card.steps[-1].seat_after_db == pytest.approx(card.seat_after.expected_db)
    assert card.seat_before.expected_db - card.steps[0].seat_after_db >= 0.1


def test_forecast_of_each_spot_is_its_own_level_and_the_card():
    local = {"back": flat(0.0, {2000.0: 3.0})}
    verdict = judged(*visit(BUILD_UP, local=local))
    card = verdict.card
    gain = band_gain_db(graphic_unit(31), card.solutions["both"].fader_db)
    weight = card.weight * verdict.area.in_range
    for spot in verdict.forecast.spots:
        level = BUILD_UP + local.get(spot.spot, 0.0)
        assert spot.rms_before_db == pytest.approx(weighted_rms_db(level, weight))
        assert spot.rms_after_db == pytest.approx(weighted_rms_db(level + gain, weight))


def test_target_is_aimed_at():
    verdict = judged(*visit(flat()), target="music")
    inside = verdict.card.weight >= 1.0
    before = (verdict.forecast.before_db - verdict.card.target)[inside]
    after = (verdict.forecast.after_db - verdict.card.target)[inside]
    assert np.sqrt(np.mean(after**2)) < 0.5 * np.sqrt(np.mean(before**2))


@pytest.mark.parametrize("bands", [31, 15])
def test_noise_of_a_twentieth_db_moves_no_fader_by_more_than_1_db(bands):
    rng = np.random.default_rng(93)
    for _ in range(6):
        levels = np.convolve(rng.normal(0, 4.0, 35), [0.2, 0.5, 0.7, 0.5, 0.2], "valid")
        local = {spot: rng.normal(0, 1.0, 31) for spot in ("front", "middle", "back")}
        cards = []
        for _ in range(8):
            noisy = {spot: own + rng.normal(0, 0.05, 31) for spot, own in local.items()}
            cards.append(list(faders(judged(*visit(levels, local=noisy), bands=bands)).values()))
        assert np.ptp(cards, axis=0).max() <= 1.0
        assert np.ptp(np.mean(cards, axis=1)) <= 0.3


def test_calibration_changes_the_card_by_what_the_file_says():
    levels = BUILD_UP + BROAD_DIP
    microphone = 1.5 * np.clip(np.log2(NOMINAL_HZ / 4000.0), 0.0, 1.0)
    was = np.array(list(faders(judged(*visit(levels))).values()))
    now = np.array(list(faders(judged(*visit(levels + microphone))).values()))
    low = NOMINAL_HZ < 2000.0
    assert np.abs(now - was)[low].max() <= 1.0
    assert abs((now - was)[low].mean()) <= 0.3
    assert (now - was)[~low].min() >= -3.0
