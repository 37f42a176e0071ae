"""The hall alone: what hands would bring, from job.toml with takes or without."""

import pytest

from evenhall.errors import InputError
from evenhall.job.demo.folder import demo_job, write_demo
from evenhall.job.folder.model import Talker
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.planning import plan_hall
from evenhall.job.tune.tuning import result_from


@pytest.fixture(scope="module")
def bare():
    return demo_job()


def changed(job, section, **figures):
    part = getattr(job, section)
    return job.model_copy(update={section: part.model_copy(update=figures)})


def test_low_boxes_in_a_long_hall_are_raised_and_tipped(bare, tmp_path):
    plan = plan_hall(bare, tmp_path)
    assert plan.found.proposed.height_m > plan.found.was.height_m
    assert plan.stance[0].startswith("Raise both boxes to ")
    assert any("Two people lift" in line for line in plan.stance)
    # Raising the loudspeakers evens out the level: common practice, no source.
    dry = plan_hall(changed(bare, "venue", rt60_s=0.4), tmp_path)
    assert dry.found.proposed_db < dry.found.was_db - 2.0


def test_stand_that_goes_no_higher_leaves_the_height(bare, tmp_path):
    plan = plan_hall(changed(bare, "rig", max_height_m=1.6), tmp_path)
    assert plan.found.proposed.height_m == 1.6


def test_height_that_nobody_gave_is_asked_for_as_in_the_worklist(bare, tmp_path):
    unsaid = changed(bare, "rig", max_height_m=None)
    plan = plan_hall(unsaid, tmp_path)
    (asked,) = [line for line in plan.lacking if "max_height_m" in line]
    assert asked in [move.text for move in result_from(unsaid, [], tmp_path).moves]
    assert plan.found.proposed.height_m == plan.found.was.height_m
    high = changed(unsaid, "rig", speaker_height_m=3.4, speaker_down_deg=9.0)
    assert not any("max_height_m" in line for line in plan_hall(high, tmp_path).lacking)


def test_spots_go_from_front_to_back_off_the_middle_line(bare, tmp_path):
    spots = plan_hall(bare, tmp_path).spots
    needed = [spot for spot in spots if spot.leave_out == 0]
    assert [spot.label for spot in needed] == ["front", "middle", "back"]
    assert sorted(spot.along_m for spot in needed) == [spot.along_m for spot in needed]
    # One or two metres in front of the loudspeaker: common practice, no source.
    assert 1.0 <= needed[0].along_m <= 2.0
    assert all(abs(spot.across_m) > 0.1 for spot in spots)


def test_help_is_offered_where_hands_leave_too_much_and_only_there(bare, tmp_path):
    # Dry, so that distance tells, and nothing to climb.
    dry = changed(changed(bare, "venue", rt60_s=0.3), "rig", max_height_m=None)
    assert any("delay pair" in line for line in plan_hall(dry, tmp_path).beyond)
    short = changed(bare, "audience", last_row_m=5.0)
    assert plan_hall(short, tmp_path).beyond == ()


def test_decay_that_nobody_knows_is_guessed_from_the_size_and_said(bare, tmp_path):
    # DIN 18041:2016, group A2: 0.37 lg V - 0.14 = 0.89 s for 604.8 cubic metres, from memory.
    (line,) = [line for line in plan_hall(bare, tmp_path).lacking if "0.9 s is assumed" in line]
    assert "Many halls ring longer" in line
    unsized = changed(bare, "venue", height_m=None)
    assert not any("is assumed" in line for line in plan_hall(unsized, tmp_path).lacking)


def test_worklist_without_takes_proposes_the_same_stance(bare, tmp_path):
    plan = plan_hall(bare, tmp_path)
    (move,) = [move for move in result_from(bare, [], tmp_path).moves if move.kind == "raise"]
    assert move.to == plan.proposed
    assert plan.stance[0] in move.text
    assert result_from(bare, [], tmp_path).rows == plan.rows


def test_measured_polar_data_stand_in_for_the_nominal_angles(bare, tmp_path):
    # A box that sends the same everywhere has no aim to be found.
    lines = [f"1000,{plane},{angle},90" for plane in "hv" for angle in (0, 60, 120, 180)]
    (tmp_path / "round.csv").write_text(
        "\n".join(["frequency_hz,plane,angle_deg,level_db", *lines]), encoding="utf-8"
    )
    job = changed(bare, "rig", polar="round.csv", max_height_m=None, speaker_down_deg=20.0)
    assert plan_hall(job, tmp_path).found.alone_db.keys().isdisjoint({"inwards_deg", "height_m"})
    narrow = changed(job, "rig", polar=None)
    assert plan_hall(narrow, tmp_path).found.was_db != plan_hall(job, tmp_path).found.was_db


def test_speech_is_said_once_the_room_is_known(bare, tmp_path):
    assert plan_hall(bare, tmp_path).speech == ()
    assert "rt60_s" in " ".join(plan_hall(bare, tmp_path).lacking)
    known = plan_hall(changed(bare, "venue", rt60_s=0.7), tmp_path)
    assert known.speech[0].startswith("Forecast: speech is ")
    assert "rt60_s" not in " ".join(known.lacking)


def test_talker_has_gain_before_feedback_and_steps_that_buy_more(bare, tmp_path):
    assert plan_hall(bare, tmp_path).talker == ()
    assert "[talker]" in " ".join(plan_hall(bare, tmp_path).lacking)
    near = bare.model_copy(update={"talker": Talker(behind_m=0.5, aside_m=2.0)})
    gain, *steps = plan_hall(near, tmp_path).talker
    assert gain.startswith("The last row can have ")
    # Halving the distance from mouth to microphone gains 6 dB: inverse square.
    assert any("6.0 dB more" in step for step in steps)


def test_microphone_in_the_loudspeaker_is_one_line(bare, tmp_path):
    there = Talker(behind_m=0.0, aside_m=0.0, height_m=1.6)
    with pytest.raises(InputError, match="put it into the loudspeaker"):
        plan_hall(bare.model_copy(update={"talker": there}), tmp_path)


def test_takes_tell_how_long_the_room_rings(tmp_path):
    write_demo(tmp_path / "demo")
    plan = plan_hall(load_job(tmp_path / "demo"), tmp_path / "demo")
    assert any("STI" in line and line.startswith("At back") for line in plan.speech)
    # The demo's boxes are sound, and stand as job.toml says: nothing is to be looked at first.
    assert plan.checks == ()


def test_missing_figures_are_named_all_at_once(bare, tmp_path):
    lacking = changed(bare, "audience", first_row_m=None, last_row_m=None)
    with pytest.raises(InputError) as refused:
        plan_hall(lacking, tmp_path)
    assert [line.split(" is missing")[0] for line in refused.value.faults] == [
        "job.toml: [audience] first_row_m",
        "job.toml: [audience] last_row_m",
    ]


def test_loudspeaker_above_the_ceiling_is_one_line(bare, tmp_path):
    with pytest.raises(InputError, match="is not below the ceiling"):
        plan_hall(changed(bare, "rig", speaker_height_m=5.0, max_height_m=6.0), tmp_path)


def test_one_loudspeaker_is_not_turned(bare, tmp_path):
    plan = plan_hall(changed(bare, "rig", sides=("mono",)), tmp_path)
    assert len(plan.found.pair) == 1
    assert "the box" in plan.stance[0]
