"""Which elements are put in time with which, and that the worklist says so."""

from dataclasses import replace

import numpy as np
import pytest

import joinrooms
from evenhall.equalizer.crossover import Crossover
from evenhall.equalizer.graphic import graphic_unit
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.verdict.joining.moves import timing_moves
from evenhall.verdict.joining.subs import join
from evenhall.verdict.judge import Setting, judge
from evenhall.verdict.move import Stage
from evenhall.verdict.target import target_points
from verdict.builders import flat, take

FLAT_DB = np.zeros(31)


def timed(takes, *, has_processor=True):
    return timing_moves(takes, has_processor=has_processor, target_db=FLAT_DB, temperature_c=20.0)


@pytest.fixture(scope="module")
def with_sub():
    case = joinrooms.random_case(3, snr_db=40.0)
    return [*case.takes(case.sides[0]), *case.takes("sub")]


def test_sub_is_joined_and_the_worklist_says_so(with_sub):
    moves = timed(with_sub)
    assert moves
    assert any("sub" in move.text for move in moves)
    setting = Setting(
        unit=graphic_unit(31),
        target=target_points("flat", None),
        stage=Stage(room=Room(), audience=None, speaker=None, max_height_m=None),
        low_limit_hz=None,
        has_processor=True,
    )
    listed = [move.text for move in judge(with_sub, setting).moves]
    assert [move.text for move in moves if move.text in listed] == [move.text for move in moves]


def test_joining_that_stands_below_a_ladder_says_that_it_is_to_be_measured_after_it(with_sub):
    setting = Setting(
        unit=graphic_unit(31),
        target=target_points("flat", None),
        stage=Stage(
            room=Room(18.0, 10.0, 4.5, rt60_s=0.9),
            audience=Audience(2.0, 14.0, 1.2),
            speaker=Loudspeaker(1.6, 0.0, 90.0, 60.0),
            max_height_m=3.0,
        ),
        low_limit_hz=None,
        has_processor=True,
    )
    moves = judge(with_sub, setting).moves
    raised = next(at for at, move in enumerate(moves) if move.kind == "raise")
    first = moves[raised + 1]
    again = "Where the boxes are moved as above, take each element alone again"
    assert first.text.startswith(again)
    assert sum(again in move.text for move in moves) == 1
    low = replace(setting, stage=replace(setting.stage, max_height_m=1.6))
    assert not any(again in move.text for move in judge(with_sub, low).moves)


def test_without_a_processor_nothing_is_delayed(with_sub):
    assert all(move.kind != "delay" for move in timed(with_sub, has_processor=False))


def test_mains_alone_need_no_timing(with_sub):
    assert timed([one for one in with_sub if not one.side.startswith("sub")]) == ()


def test_each_delay_loudspeaker_is_timed_by_itself():
    mains = [
        take(flat(level_db), side="left", spot=spot, delay_s=delay_s, distance_m=distance_m)
        for spot, level_db, delay_s, distance_m in (
            ("front", 0.0, 0.009, 3.0),
            ("back", -8.0, 0.042, 14.0),
        )
    ]
    delays = [
        replace(take(flat(-20.0), side=side, spot="back", delay_s=delay_s, distance_m=3.0))
        for side, delay_s in (("delay left", 0.012), ("delay right", 0.010))
    ]
    found = {
        name: figure
        for move in timed([*mains, *delays])
        for name, figure in move.to.items()
        if name.endswith("delay_s")
    }
    assert found == {
        "delay left_delay_s": pytest.approx(0.040),
        "delay right_delay_s": pytest.approx(0.042),
    }


def test_crossover_is_searched_where_it_can_be_set(with_sub):
    """Takes of a crossover that is set already: what is proposed is worth it, or nothing is."""
    asked = Crossover(low_hz=60.0, high_hz=120.0)
    moves = timing_moves(
        with_sub, has_processor=True, target_db=FLAT_DB, temperature_c=20.0, crossover=asked
    )
    joining = join(
        [take for take in with_sub if take.side != "sub"],
        [take for take in with_sub if take.side == "sub"],
        has_processor=True,
        target_db=FLAT_DB,
        crossover=asked,
    )
    proposed = [move for move in moves if "crossover_hz" in move.to]
    assert bool(proposed) is (joining.filters is not None)
    for move in proposed:
        assert move.to["crossover_hz"] == joining.filters.hz
        assert joining.filters.bass_db <= joining.filters.was_db - 0.3
