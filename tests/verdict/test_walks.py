"""What is wrong with a walk is said by name, and what it tells is weighed by its places."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.bandlevel import BandLevels
from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.acoustics.walking import Walked, independent_places
from evenhall.verdict.card.estimate import estimate, with_usual_walk
from evenhall.verdict.card.loss import doubt_db, seat_error
from evenhall.verdict.take import Take, WalkResponse, walk_responses
from evenhall.verdict.trust import take_sentence
from evenhall.verdict.walks import flag_walks, walk_problems, walk_rows
from verdict.builders import flat, spots_of, take

LEVEL_DB = -20.0
ALL = np.ones(31, dtype=bool)
TILT = -1.0 * np.log2(EXACT_HZ / 1000.0)


def walked(level_db=LEVEL_DB, **changes):
    """Make a good walk of 30 s with these levels all along."""
    level_db = np.broadcast_to(level_db, (31,)).astype(float)
    pieces = np.tile(level_db, (20, 1))
    good = Walked(
        bands=BandLevels(level_db, np.full(31, 0.1), ALL, np.ones(31), np.ones(31)),
        shape_db=level_db - level_db[10:24].mean(),
        halves_db=np.zeros(31),
        piece_s=3.0 + 1.5 * (np.arange(20) + 0.5),
        piece_db=pieces,
        pace_m_s=0.8,
        sounded_s=30.0,
        kept_s=29.0,
        still_s=0.5,
        evenly_ratio=np.ones(31),
        disturbances=(),
        noise_known=True,
        snr_db=np.full(31, 30.0),
        match_score=2.5,
        step_db=0.0,
        step_s=0.0,
        start_s=3.0,
    )
    return replace(good, **changes)


def walk_take(side="left", found=None, **changes):
    return Take(
        file=f"{side}-walk.wav",
        side=side,
        spot="walk",
        distance_m=None,
        response=None,
        walked=found or walked(),
        **changes,
    )


def said(found, **how):
    problems, usable = walk_problems(found, full_range=True, **how)
    return {problem.code: problem.text for problem in problems}, usable


def test_good_walk_has_no_problem_and_a_sentence():
    assert said(walked()) == ({}, True)
    sentence = take_sentence(walk_take())
    assert "29 s walked at 0.8 m/s" in sentence
    assert "1.0 s of knocks left out" in sentence


@pytest.mark.parametrize(
    ("changes", "code", "words", "usable"),
    [
        ({"match_score": 0.7}, "no_match", "What was played is not in the walk", False),
        ({"evenly_ratio": np.full(31, 0.1)}, "band_limited", "is a sweep", False),
        ({"sounded_s": 15.0, "kept_s": 14.0}, "short", "Only 14 s", True),
        ({"sounded_s": 8.0, "kept_s": 8.0}, "short", "Only 8 s", False),
        ({"still_s": 10.0}, "stood_still", "for 10 of 30 s, which are left out", True),
        ({"still_s": 25.0}, "stood_still", "this is a spot, and no walk", False),
        ({"pace_m_s": 2.1}, "too_fast", "Walked at 2.1 m/s", True),
        ({"step_db": -6.0, "step_s": 12.0}, "time_varying", "fell by 6.0 dB at 12.0 s", False),
        ({"kept_s": 23.0}, "too_noisy", "23 % of the walk has knocks", True),
        ({"kept_s": 12.0}, "too_noisy", "60 % of the walk", False),
        ({"noise_known": False}, "too_noisy", "without that silence the hall's own noise", True),
        ({"halves_db": np.where(EXACT_HZ > 2000, 9.0, 0.0)}, "time_varying", "first half", True),
    ],
)
def test_what_is_wrong_with_a_walk_is_said_by_name(changes, code, words, usable):
    texts, counts = said(walked(**changes))
    assert words in texts[code]
    assert texts[code].endswith(".")
    assert counts == usable


def test_noise_and_music_name_their_bands():
    lost = ~((NOMINAL_HZ >= 100) & (NOMINAL_HZ <= 3000))
    bands = walked().bands
    noisy = replace(bands, usable=bands.usable & lost, level_db=np.where(lost, -20.0, np.nan))
    texts, _ = said(walked(bands=noisy))
    assert "Noise covers 15 of" in texts["too_noisy"]
    passing = np.where(NOMINAL_HZ > 6000, 0.2, 1.0)
    texts, usable = said(walked(evenly_ratio=passing))
    assert "at 6.3 to 10 kHz: little is known there" in texts["band_limited"]
    assert usable


def test_what_a_box_does_not_play_is_not_missed():
    deep = NOMINAL_HZ <= 125
    bands = replace(walked().bands, covered_ratio=np.where(deep, 0.0, 1.0))
    assert "band_limited" in said(walked(bands=bands))[0]
    assert said(walked(bands=bands), low_limit_hz=140.0) == ({}, True)


def spots(side, front=LEVEL_DB + 4.0, back=LEVEL_DB - 4.0):
    return [take(flat(front), side=side), take(flat(back), side=side, spot="back")]


def test_gain_that_was_moved_between_spots_and_walk_is_told():
    def codes(level_db, side="left", takes=None):
        flagged = flag_walks(
            [*(takes or spots("left")), walk_take(side, walked(LEVEL_DB + level_db))]
        )
        return [problem.code for problem in flagged[-1].problems]

    assert codes(0.0) == []
    assert codes(6.5) == []
    assert codes(9.0) == ["gain_moved"]
    assert codes(-9.0) == ["gain_moved"]
    # Both sides at once are louder by what two are.
    both = [*spots("left"), *spots("right")]
    assert codes(9.0, "both", both) == []
    assert codes(12.0, "both", both) == ["gain_moved"]
    # Of one spot, or of another element, nothing can be told.
    assert codes(12.0, takes=spots("right")) == []


def test_another_element_on_the_walk_is_told():
    odd = np.where(NOMINAL_HZ > 900, -15.0, 0.0)
    flagged = flag_walks([*spots("left"), walk_take("left", walked(LEVEL_DB + odd))])
    (problem,) = flagged[-1].problems
    assert problem.code == "time_varying"
    assert "Sounds unlike the spots of left" in problem.text


def test_rows_are_told_from_front_to_back_where_they_were_passed_in_order():
    share = np.interp(walked().piece_s, [3.0, 15.0, 21.0, 33.0], [0.0, 1.0, 1.0, 0.0])
    found = walked(piece_db=LEVEL_DB - 10.0 * share[:, None] + np.zeros(31))
    rows = walk_rows(walk_take(found=found, passed={"front": 3.0, "back": 15.0}))
    assert [row.share for row in rows] == pytest.approx([0.1, 0.3, 0.5, 0.7, 0.9])
    level = np.array([row.level_db[17] for row in rows])
    assert level == pytest.approx(LEVEL_DB - 10.0 * np.array([0.1, 0.3, 0.5, 0.7, 0.95]), abs=0.7)
    assert (np.diff(level) < 0).all()
    # A middle that was passed late shifts what lies before it.
    slow = walk_rows(walk_take(found=found, passed={"Front": 3.0, "middle": 13.0, "back": 15.0}))
    assert slow[1].level_db[17] < rows[1].level_db[17]
    for passed in ({}, {"front": 3.0}, {"front": 15.0, "back": 3.0}):
        assert walk_rows(walk_take(found=found, passed=passed)) == ()
    assert (
        walk_rows(walk_take(found=found, passed={"front": 3.0, "back": 15.0}, usable=False)) == ()
    )


def test_walks_of_one_element_are_one_witness_with_the_places_of_the_longest():
    takes = [walk_take(walked_m=20.0), walk_take(walked_m=30.0), walk_take("right", usable=False)]
    (found,) = walk_responses(takes, state="before")
    assert found.side == "left"
    assert found.length_m == 30.0
    assert found.places == pytest.approx(independent_places(30.0))
    assert found.uncertainty_db == pytest.approx(np.full(31, 0.1 / np.sqrt(2.0)))
    # Without a length the pace tells it.
    (told,) = walk_responses([walk_take()], state="before")
    assert told.length_m == pytest.approx(0.8 * 29.5)


def response(shape_db, side="both", length_m=24.0):
    return WalkResponse(
        side=side,
        spot="walk",
        shape_db=np.broadcast_to(shape_db, (31,)).astype(float),
        uncertainty_db=np.full(31, 0.15),
        places=independent_places(length_m),
        length_m=length_m,
    )


def area(spot_db, walks):
    takes = [
        take(flat(LEVEL_DB) + spot_db, side=side, spot=spot)
        for side in ("left", "right")
        for spot in ("front", "middle", "back")
    ]
    return estimate(
        spots_of(*takes),
        np.zeros(31),
        rt60_s=1.0,
        low_limit_hz=50.0,
        walks=walks,
    )


def test_walk_outweighs_spots_and_lessens_the_doubt():
    boom = 6.0 * np.exp(-(((np.log2(EXACT_HZ / 200.0)) / 0.5) ** 2))
    alone, both = area(boom, []), area(boom, [response(np.zeros(31))])
    at = int(np.argmin(np.abs(EXACT_HZ - 200.0)))
    # The walk says that there is no boom: less than half of it is left.
    assert both.excess.mean_db[at] < 0.5 * alone.excess.mean_db[at]
    assert doubt_db(both) < 0.6 * doubt_db(alone)
    assert doubt_db(both) == pytest.approx(doubt_db(alone, walked=True), abs=0.05)
    assert doubt_db(with_usual_walk(alone)) == pytest.approx(doubt_db(alone, walked=True))


def test_longer_walk_leaves_less_doubt():
    doubts = [doubt_db(area(0.0, [response(0.0, length_m=m)])) for m in (8.0, 16.0, 32.0, 64.0)]
    assert (np.diff(doubts) < 0).all()


def test_two_walks_tell_the_sides_apart_and_one_leaves_the_other_in_doubt():
    tilt = 0.5 * TILT
    apart = area(0.0, [response(tilt, "left"), response(-tilt, "right")])
    strays = apart.sides_db["left"] - apart.sides_db["right"]
    judged = (NOMINAL_HZ >= 100) & (NOMINAL_HZ <= 8000)
    # The spots, three places against seventeen, say that there is no difference.
    share = float(strays[judged] @ tilt[judged] / (2.0 * tilt[judged] @ tilt[judged]))
    assert 0.75 < share < 1.0
    assert np.abs(strays - 2.0 * share * tilt)[judged].max() < 0.5
    assert np.abs(apart.excess.mean_db[judged]).max() < 0.3
    one = area(0.0, [response(0.0, "left")])
    two = area(0.0, [response(0.0, "left"), response(0.0, "right")])
    assert doubt_db(two) < doubt_db(one) < doubt_db(area(0.0, []))


def test_walk_alone_makes_an_area_of_one_list():
    found = estimate(
        [], np.zeros(31), rt60_s=None, low_limit_hz=None, walks=[response(TILT, "both")]
    )
    assert list(found.sides_db) == ["both"]
    judged = (NOMINAL_HZ >= 63) & (NOMINAL_HZ <= 12_500)
    level = found.excess.mean_db - found.excess.mean_db[judged].mean()
    assert np.abs(level - (TILT - TILT[judged].mean()))[judged].max() < 1.0
    assert found.known[judged].all()
    error = seat_error(found, {"both": np.zeros(31)})
    assert error.low_90_db < error.expected_db < error.high_90_db
