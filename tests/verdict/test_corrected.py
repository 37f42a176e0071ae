"""The forecast corrected by takes: what was put in must come out, and faults must be named."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.errors import InputError
from evenhall.hall.level import front_minus_back_db, level_parts, mid_mean_db
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.verdict.stance.fitted_hall import corrected_move, fit_to_takes

HALL = Room(18.0, 10.0, 4.5, rt60_s=0.9)
BOX = Loudspeaker(2.0, 3.0)
ROWS_M = np.array([1.8, 5.0, 9.0, 14.0])
FAR_M = np.hypot(0.8, ROWS_M)
KILO = 17


def takes(*, box=BOX, room_db=0.0, law_db=0.0, own_db=0.0, noise_db=0.0, seed=1):
    """Levels of a hall that departs from the forecast as told, 0.3 dB of doubt."""
    place = {"height_m": box.height_m, "down_deg": box.down_deg, "row_m": ROWS_M}
    place["ear_height_m"] = 1.2
    direct_db, late = level_parts(box, HALL, **place)
    direct = 10 ** (direct_db / 10)
    level = 10 * np.log10(direct + late * 10 ** (room_db / 10))
    level = level - law_db * np.log2(FAR_M / FAR_M.mean())[:, None] + own_db
    noise = np.random.default_rng(seed).normal(0, 1, level.shape) * noise_db
    return level + noise


def fit(level_db, *, box=BOX, **more):
    return fit_to_takes(
        box,
        HALL,
        ear_height_m=1.2,
        distance_m=FAR_M,
        level_db=level_db,
        uncertainty_db=np.full_like(level_db, 0.3),
        **more,
    )


def test_hall_as_forecast_needs_no_correction_whatever_the_box_sounds_like():
    own_db = 6 * np.sin(np.arange(31.0))
    found = fit(takes(own_db=own_db))
    assert abs(found.room_db) <= 0.05
    assert abs(found.law_db) <= 0.05
    assert abs(found.down_off_deg) <= 0.1
    inside = (EXACT_HZ > 95) & (EXACT_HZ < 10_500)
    assert np.abs((found.own_db - own_db)[inside]).max() <= 0.1
    assert found.checks == ()
    assert found.misfit <= 0.05


def test_livelier_room_is_found_within_its_doubt():
    found = fit(takes(room_db=2.5, noise_db=0.3))
    assert abs(found.room_db - 2.5) <= 2 * found.room_sd_db
    assert found.room_db >= 1.0
    assert found.room_sd_db < 2.0  # the takes have taught something


def test_steeper_fall_with_distance_is_found_in_the_right_direction():
    found = fit(takes(law_db=1.0, noise_db=0.2))
    # shared out between steeper and drier: together they must give the level at the spots
    assert found.law_db > 0.1
    assert np.abs(np.nanmean(found.residual_db[:, 10:24], axis=1)).max() <= 0.5


def test_figures_stay_within_their_bounds():
    found = fit(takes(room_db=15.0, law_db=-5.0))
    assert abs(found.room_db) <= 6.0
    assert abs(found.law_db) <= 1.5
    assert abs(found.down_off_deg) <= 12.0


def test_doubt_is_as_large_as_the_errors():
    # 40 halls with the errors that are assumed: the standard score of the room's level has a
    # standard deviation near 1 (and would be 2 if the doubt were half of what it is).
    rng = np.random.default_rng(4)
    scores = []
    for seed in range(40):
        room_db, law_db = rng.normal(0, [2.0, 0.5])
        spots_db = rng.normal(0, 0.7, (4, 1))
        found = fit(takes(room_db=room_db, law_db=law_db, noise_db=0.9, seed=seed) + spots_db)
        scores.append((found.room_db - room_db) / found.room_sd_db)
    assert 0.6 <= np.std(scores) <= 1.4
    assert abs(np.mean(scores)) <= 0.6


def test_move_without_correction_is_the_plain_forecast():
    moved, people = Loudspeaker(2.8, 7.0), Audience(1.8, 14.0)
    found = corrected_move(fit(takes()), BOX, moved, HALL, people)
    plain = [mid_mean_db(front_minus_back_db(box, HALL, people)) for box in (BOX, moved)]
    assert abs(found.was_db - plain[0]) <= 0.05
    assert abs(found.change_db - (plain[1] - plain[0])) <= 0.05
    assert 0.5 <= found.change_sd_db <= 1.5


def test_move_gains_less_in_a_livelier_room():
    moved, people = Loudspeaker(2.8, 7.0), Audience(1.8, 14.0)
    plain = corrected_move(fit(takes()), BOX, moved, HALL, people)
    lively = corrected_move(fit(takes(room_db=3.0)), BOX, moved, HALL, people)
    assert plain.change_db < lively.change_db < 0.0
    assert lively.was_db < plain.was_db


def test_box_that_points_elsewhere_is_a_check_and_not_a_move():
    # A box that covers 40 degrees down, said to look straight ahead and hanging 20 down
    narrow = Loudspeaker(2.0, 0.0, 90.0, 40.0)
    found = fit(takes(box=replace(narrow, down_deg=20.0)), box=narrow)
    assert found.down_off_deg > 3.0
    assert [check.kind for check in found.checks] == ["aim"]
    assert "° down, not the 0° given" in found.checks[0].text


@pytest.mark.parametrize("loss_db", [12.0, 18.0])
def test_blocked_horn_or_a_box_that_faces_away_is_a_check(loss_db):
    own_db = np.where(EXACT_HZ > 2500.0, -loss_db, 0.0)
    found = fit(takes(own_db=own_db, noise_db=0.3), name="the left loudspeaker")
    assert [check.kind for check in found.checks] == ["dull"]
    assert f"the left loudspeaker before moving it: above 3 kHz it is {loss_db:.0f} dB" in (
        found.checks[0].text
    )


def test_spot_behind_a_pillar_is_a_check():
    level_db = takes(noise_db=0.2)
    level_db[2] -= np.where(EXACT_HZ > 2500.0, 9.0, 0.0)
    found = fit(level_db, spots=("front", "middle", "row 8", "back"))
    assert [check.kind for check in found.checks] == ["hidden"]
    assert found.checks[0].text.startswith("Look from row 8 to the loudspeaker: its highs")


def test_take_at_another_gain_is_a_check():
    level_db = takes()
    level_db[1] += 7.0
    found = fit(level_db, spots=("front", "middle", "row 8", "back"))
    assert [check.kind for check in found.checks] == ["level"]
    assert "take at middle: it is" in found.checks[0].text


def test_unusable_bands_and_spots_are_left_out():
    level_db = takes(room_db=2.0)
    level_db[3] = np.nan
    level_db[0, :20] = np.nan
    found = fit(level_db)
    assert np.isfinite([found.room_db, found.law_db, found.down_off_deg]).all()
    assert np.isnan(found.residual_db[3]).all()
    with pytest.raises(InputError, match="Fewer than two spots"):
        fit(np.where(np.arange(4)[:, None] == 0, level_db, np.nan))
