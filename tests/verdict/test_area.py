"""What the area asks: closed forms of the shrinking, rows shared out, spots left out."""

import numpy as np

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.hall.setting import Audience
from evenhall.verdict.area import area_wanted_db, seat_share
from evenhall.verdict.common import common_response
from evenhall.verdict.leftout import LeftOut, too_bold
from verdict.builders import flat, judged, spots_of, take, visit

ONES = np.ones(31)


def wanted_db(levels, **words):
    spots = spots_of(*(take(level, spot=str(k)) for k, level in enumerate(levels)))
    common = common_response(spots, rt60_s=0.9)
    return area_wanted_db(common, np.zeros(31), np.ones(len(spots)), ONES, **words)


def test_what_all_spots_share_is_asked_nearly_whole():
    slope = np.linspace(6.0, -6.0, 31)
    assert np.abs(wanted_db([slope] * 4) - slope)[3:28].max() < 0.3


def test_what_spots_disagree_on_is_asked_less():
    rng = np.random.default_rng(20)
    shared = np.linspace(4.0, -4.0, 31)
    scatter = rng.normal(0, 4.0, (3, 31))
    plain = (shared + scatter).mean(axis=0)
    found = wanted_db(shared + scatter)
    error = [np.sqrt(np.mean((x - x.mean() - shared) ** 2)) for x in (plain, found)]
    # The plain mean strays by 4 / sqrt(3) = 2.3 dB (closed form); drawn in, by clearly less.
    assert error[1] < 0.75 * error[0]


def test_more_caution_asks_for_less_and_much_of_it_for_nothing():
    levels = np.random.default_rng(20).normal(0, 3.0, (3, 31))
    size = [np.abs(wanted_db(levels, caution=c)).sum() for c in (1.0, 2.0, 4.0, 1e6)]
    assert size[0] > size[1] > size[2] > size[3] == 0.0


def test_rows_count_for_the_nearest_spot():
    spots = spots_of(
        take(flat(), spot="front", distance_m=1.0),
        take(flat(), spot="middle", distance_m=6.0),
        take(flat(), spot="back", distance_m=14.0),
    )
    # Halfway marks at 3.5 and 10 m: of rows from 4 to 14 m, none, six tenths and four tenths.
    share = seat_share(spots, Audience(first_row_m=4.0, last_row_m=14.0), None)
    np.testing.assert_allclose(share, [0.1, 1.8, 1.2], atol=0.04)
    assert seat_share(spots, None, None).tolist() == [1.0, 1.0, 1.0]


def test_each_place_is_left_out_once_for_each_side():
    verdict = judged(*visit(flat(0.0, {250.0: 8.0})))
    assert len(verdict.left_out) == 6
    assert all(spot.rms_after_db < spot.rms_before_db for spot in verdict.left_out)


def test_one_place_alone_cannot_be_left_out():
    assert judged(take(6.0 * (EXACT_HZ < 300.0))).left_out == ()


def test_card_is_too_bold_where_a_spot_would_be_worse_off_than_without_it():
    assert not too_bold((LeftOut("left", "back", 2.0, 2.0),))
    assert too_bold((LeftOut("left", "front", 3.0, 1.0), LeftOut("left", "back", 2.0, 2.1)))
