"""What takes on stage tell, and what they must not touch."""

from dataclasses import replace

import numpy as np

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from verdict.builders import flat, judged, take, visit

FAULTS = flat(0.0, dict.fromkeys((200.0, 250.0, 315.0, 2500.0, 3150.0, 4000.0), 8.0))


def on_stage(levels, **fields):
    return replace(take(levels, spot="lectern", **fields), at="stage")


def test_take_on_stage_enters_neither_evenness_nor_card():
    takes = visit(FAULTS)
    alone, with_stage = judged(*takes), judged(*takes, on_stage(flat(20.0, {1000.0: 30.0})))
    assert with_stage.evenness.mean_db == alone.evenness.mean_db
    assert [spot.spot for spot in with_stage.spots] == [spot.spot for spot in alone.spots]
    card, plain = with_stage.card.solutions["both"], alone.card.solutions["both"]
    assert np.array_equal(card.fader_db, plain.fader_db)
    assert with_stage.moves == alone.moves
    assert len(with_stage.takes) == len(takes) + 1


def test_ringing_is_told_with_the_gain_of_the_side_of_the_take():
    impulse = np.zeros(4096)
    impulse[0] = 1.0
    loop = {"impulse": impulse, "rate_hz": 48_000.0}
    verdict = judged(*visit(FAULTS), on_stage(flat(), side="right", **loop))
    (place,) = verdict.ringing
    assert (place.side, place.spot) == ("right", "lectern")
    gain_db = verdict.card.gain_db("right")
    mean_db = gain_db[(EXACT_HZ > 195.0) & (EXACT_HZ < 4100.0)].mean()
    for band in place.ringing.bands:
        at = int(np.abs(EXACT_HZ - band.band_hz).argmin())
        assert abs(band.card_db - (gain_db[at] - mean_db)) <= 0.05
    assert judged(*visit(FAULTS)).ringing == ()


def test_take_on_stage_after_the_work_or_unusable_tells_nothing():
    loop = {"impulse": np.eye(1, 4096)[0], "rate_hz": 48_000.0}
    later = on_stage(flat(), state="after", **loop)
    broken = on_stage(flat(), usable=False, **loop)
    assert judged(*visit(FAULTS), later, broken).ringing == ()


def test_mains_behind_a_high_pass_are_not_raised_where_the_sub_plays():
    """Mains that lie low from 100 Hz down, at every spot alike."""
    filtered = flat(
        0.0, {160.0: -1.5, 125.0: -3.0, 100.0: -5.0, 80.0: -6.0, 63.0: -6.0, 50.0: -6.0}
    )
    takes = visit(filtered, uncertainty_db=0.1)
    unknown, known = (
        judged(*takes, low_limit_hz=50.0),
        judged(*takes, low_limit_hz=50.0, crossed_hz=100.0),
    )
    low = NOMINAL_HZ <= 125.0
    assert np.all(unknown.card.weight[low & (NOMINAL_HZ >= 50.0)] == 1.0)
    assert np.all(known.card.weight[low] < 0.1)
    assert np.all(known.card.solutions["both"].fader_db[low] <= 0.0)
    assert not any(pattern.hz <= 125.0 for pattern in known.patterns)
