"""The worklist: what is found is named, with side and amount, in the order of the work."""

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from evenhall.hall.polar import read_polar
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.verdict import worklist
from evenhall.verdict.move import Stage
from evenhall.verdict.problem import Problem
from evenhall.words import count_text
from verdict.builders import flat, judged, take, visit

HALL = Stage(
    Room(18.0, 10.0, 4.5, rt60_s=0.9),
    Audience(2.0, 14.0, 1.2),
    Loudspeaker(1.6, 0.0, 90.0, 60.0),
    3.0,
)


def pair(left, right, **fields):
    return [*visit(left, sides=["left"], **fields), *visit(right, sides=["right"], **fields)]


def uneven(front_db, back_db, *, sides=("left", "right"), level_db=0.0, **fields):
    """Takes whose distances nobody knows: nothing corrects the forecast."""
    levels = {"front": front_db, "middle": 0.0, "back": back_db}
    return [
        take(flat(db) + level_db, side=side, spot=spot, **fields)
        for side in sides
        for spot, db in levels.items()
    ]


def moves(*takes, **setting):
    return judged(*takes, **setting).moves


def only(found, kind):
    (move,) = [move for move in found if move.kind == kind]
    return move


def test_nothing_wrong_leaves_the_equalizer_flat():
    (move,) = moves(*visit(flat()))
    assert move.kind == "leave"
    assert "Leave the EQ flat" in move.text


@pytest.mark.parametrize("wrong", ["left", "right"])
def test_inverted_side_is_named(wrong):
    takes = [
        *visit(flat(), sides=["left"], polarity=-1 if wrong == "left" else 1),
        *visit(flat(), sides=["right"], polarity=-1 if wrong == "right" else 1),
    ]
    move = only(moves(*takes), "polarity")
    assert f"{wrong.capitalize()} is out of polarity with" in move.text
    assert move.from_ == {f"{wrong}_polarity": -1.0}
    assert move.to == {f"{wrong}_polarity": 1.0}


def test_polarity_that_cannot_be_told_is_no_move():
    takes = [*visit(flat(), sides=["left"]), *visit(flat(), sides=["right"], polarity=0)]
    assert all(move.kind != "polarity" for move in moves(*takes))


@pytest.mark.parametrize(("left_db", "loud"), [(2.4, "left"), (-2.4, "right")])
def test_gain_move_names_the_louder_side_and_the_amount(left_db, loud):
    move = only(moves(*pair(flat(left_db), flat())), "gain")
    assert move.text.startswith(
        f"{loud.capitalize()} is 2.4 dB hot. Pull it down 2.4 dB at the box"
    )
    assert move.to == {f"{loud}_gain_db": pytest.approx(-2.4)}
    assert move.expected["was_db"] == pytest.approx(left_db)
    assert move.expected["left_minus_right_db"] == 0.0


def test_gain_within_1_db_is_no_move():
    assert all(move.kind != "gain" for move in moves(*pair(flat(0.9), flat())))


@pytest.mark.parametrize("weak", ["left", "right"])
def test_dead_horn(weak):
    dead = np.where(EXACT_HZ > 2800.0, -15.0, 0.0)
    sides = (dead, flat()) if weak == "left" else (flat(), dead)
    move = moves(*pair(*sides))[0]
    assert move.kind == "check"
    assert f"Check the horn of the {weak} box" in move.text
    assert "above 3 kHz" in move.text


@pytest.mark.parametrize("weak", ["left", "right"])
def test_dead_woofer(weak):
    dead = np.where(EXACT_HZ < 300.0, -15.0, 0.0)
    sides = (dead, flat()) if weak == "left" else (flat(), dead)
    move = moves(*pair(*sides))[0]
    assert move.kind == "check"
    assert f"Check the woofer of the {weak} box" in move.text


def test_low_cut_left_in_on_one_side():
    # A second-order low cut at 140 Hz: 20 lg of its magnitude, closed form (Butterworth).
    cut = -10.0 * np.log10(1.0 + (140.0 / EXACT_HZ) ** 4)
    found = moves(*pair(flat(), cut))
    move = found[0]
    assert move.kind == "check"
    assert "right" in move.text
    assert "low cut left in" in move.text or "filter left in" in move.text


def test_equalizer_band_left_in_on_one_side():
    bump = flat(0.0, {1600.0: 4.0, 2000.0: 8.0, 2500.0: 4.0})
    move = moves(*pair(bump, flat()))[0]
    assert move.kind == "check"
    assert "at 2 kHz right is" in move.text
    assert "below left" in move.text


def test_dead_horn_is_no_gain_to_turn():
    """What a broken driver takes away is no reason to turn the sound one down."""
    dead = np.where(EXACT_HZ > 2800.0, -20.0, 0.0)
    found = moves(*pair(flat(), dead))
    assert all(move.kind != "gain" for move in found)


def test_raise_says_how_far_and_what_it_gains():
    move = only(moves(*uneven(4.0, -4.0), stage=HALL), "raise")
    assert move.from_ == {
        "speaker_height_m": 1.6,
        "speaker_down_deg": 0.0,
        "speaker_inwards_deg": 0.0,
    }
    assert 1.6 < move.to["speaker_height_m"] <= 3.0
    assert f"Raise both boxes to {move.to['speaker_height_m']:.1f} m" in move.text
    assert "rated for the weight" in move.text
    gain_db = move.expected["was_db"] - move.expected["front_minus_back_db"]
    assert f"Front to back gains {gain_db:.1f} dB" in move.text
    assert gain_db - move.expected["uncertainty_db"] >= 1.5  # two people and a ladder
    was_db, then_db = (move.expected[f"seat_spread_{at}db"] for at in ("was_", ""))
    assert f"{then_db:.1f} dB instead of {was_db:.1f} dB" in move.text
    assert was_db - then_db > move.expected["seat_uncertainty_db"]
    assert move.expected["was_db"] == pytest.approx(8.0)  # as measured
    assert move.expected["front_minus_back_db"] < 7.5


ALL_ROUND = "\n".join(
    ["frequency_hz,plane,angle_deg,level_db"]
    + [f"1000,{plane},{angle},90" for plane in "hv" for angle in (0, 60, 120, 180)]
)


def raise_outdoors(front_minus_back_db):
    """Raise move where only the inverse square counts: no room, no directivity, measured spots."""
    box = replace(Loudspeaker(1.6), measured=read_polar(ALL_ROUND, name="round.csv"))
    stage = Stage(Room(), Audience(1.5, 14.0, 1.2), box, 3.0)
    levels = {"front": front_minus_back_db, "middle": 0.0, "back": 0.0}
    # Without distances nothing corrects the forecast, and the rows are those of the audience.
    takes = [take(flat(db), spot=spot) for spot, db in levels.items()]
    move = only(moves(*takes, stage=stage), "raise")

    def by_inverse_square(height_m):
        slant_m = [np.hypot(row_m, height_m - 1.2) for row_m in (1.5, 14.0)]
        return 20.0 * np.log10(slant_m[1] / slant_m[0])

    change_db = by_inverse_square(move.to["speaker_height_m"]) - by_inverse_square(1.6)
    assert move.expected["was_db"] == pytest.approx(front_minus_back_db)
    gained_db = move.expected["front_minus_back_db"] - move.expected["was_db"]
    return gained_db, change_db


def test_raise_gains_what_the_inverse_square_law_says():
    gained_db, change_db = raise_outdoors(14.0)
    # Air takes a few hundredths of a dB over these metres, which the closed form leaves out.
    assert gained_db == pytest.approx(change_db, abs=0.05)
    assert change_db < -0.5


def test_raise_gains_the_forecast_change_whatever_was_measured():
    gained_db, change_db = raise_outdoors(7.0)
    assert gained_db == pytest.approx(change_db, abs=0.05)


# Whether it is worth two people and a ladder


def test_climb_that_gains_little_from_front_to_back_is_not_proposed():
    # Outdoors, rows from 3 m on: 1.2 dB by the inverse square from 1.6 m to 3.0 m at most.
    near = Stage(Room(), Audience(3.0, 14.0, 1.2), Loudspeaker(1.6, 0.0, 360.0, 360.0), 3.0)
    assert 20.0 * np.log10(np.hypot(3.0, 1.8) / np.hypot(3.0, 0.4)) < 1.5
    found = moves(*uneven(7.0, 0.0), stage=near)
    assert all(move.kind not in ("raise", "aim") for move in found)


def test_horns_behind_the_heads_are_raised_whatever_they_gain():
    near = Stage(Room(), Audience(3.0, 14.0, 1.2), Loudspeaker(1.3, 0.0, 360.0, 360.0), 3.0)
    move = only(moves(*uneven(7.0, 0.0), stage=near), "raise")
    assert move.to["speaker_height_m"] > 1.3
    assert "The horns are 1.3 m high and heads reach 1.3 m" in move.text
    assert "rated for the weight" in move.text


@pytest.mark.parametrize("height_m", [1.2, 1.6])
def test_height_that_nobody_gave_is_asked_for_and_not_assumed(height_m):
    speaker = replace(HALL.speaker, height_m=height_m)
    nobody = Stage(HALL.room, HALL.audience, speaker, None)
    found = moves(*uneven(4.0, -4.0), stage=nobody)
    (asked,) = [move for move in found if "max_height_m" in move.text]
    assert asked.kind == "check"
    assert asked.text.startswith("How high can your stands or brackets go")
    assert "[rig] max_height_m" in asked.text
    assert asked.to == {}
    assert all(move.kind != "raise" for move in found)
    known = moves(*uneven(4.0, -4.0), stage=replace(nobody, max_height_m=3.0))
    assert only(known, "raise").to["speaker_height_m"] > height_m
    assert all("max_height_m" not in move.text for move in known)


def test_height_is_not_asked_for_where_no_climb_would_pay():
    high = Stage(HALL.room, HALL.audience, Loudspeaker(2.9, 7.0, 90.0, 60.0), None)
    assert all("max_height_m" not in move.text for move in moves(*uneven(4.0, -4.0), stage=high))


def test_stand_at_its_limit_is_not_raised():
    limited = Stage(HALL.room, HALL.audience, HALL.speaker, 1.6)
    local = {"front": flat(4.0), "back": flat(-4.0)}
    found = moves(*visit(flat(), local=local), stage=limited)
    assert all(move.kind != "raise" for move in found)


def test_unusable_takes_come_first_with_their_cure():
    clipped = Problem("clipped", "Clipped at 3 places. Lower the preamp.")
    bad = take(flat(), side="left", spot="aside", usable=False, problems=(clipped,), file="x.wav")
    found = moves(*pair(flat(3.0), flat()), bad, stage=HALL)
    assert found[0].kind == "check"
    assert "left at aside (x.wav): clipped at 3 places. Lower the preamp." in found[0].text


def test_unusable_take_after_the_work_is_no_move():
    bad = take(flat(), state="after", usable=False, problems=(Problem("silent", "Is silent."),))
    assert moves(*visit(flat()), bad) == moves(*visit(flat()))


def test_local_dip_is_left_alone_and_says_so():
    found = moves(*visit(flat(), local={"middle": flat(0.0, {2000.0: -8.0})}))
    assert "2 kHz is 7.4 dB down at middle only. Don't chase it" in found[0].text
    assert found[0].kind == "leave"


def test_two_more_takes_where_so_few_cannot_tell():
    levels = flat(0.0, dict.fromkeys((80.0, 100.0, 125.0, 160.0), 8.0))
    takes = visit(levels, sides=["left"])[1:2]
    (move,) = [move for move in moves(*takes) if move.kind == "check"]
    assert "Walk the rows" in move.text
    assert move.expected["seat_doubt_db"] < move.expected["was_db"] - 0.2
    # Where that was done, or would bring too little, two more spots may tell.
    with mock.patch.object(worklist, "WALK_WORTH_DB", 3.0):
        (move,) = [move for move in moves(*takes) if move.kind == "check"]
    assert "Take two more spots, a metre to either side of middle" in move.text


def test_hands_come_before_the_card():
    faults = flat(0.0, dict.fromkeys((200.0, 250.0, 315.0, 2500.0, 3150.0, 4000.0), 8.0))
    takes = [
        *uneven(4.0, -4.0, sides=["left"], level_db=faults + 3.0),
        *uneven(4.0, -4.0, sides=["right"], level_db=faults, polarity=-1),
    ]
    kinds = [move.kind for move in moves(*takes, stage=HALL)]
    assert kinds == ["polarity", "gain", "raise", "check", "equalize"]


def test_equalize_move_counts_the_faders_that_move():
    unit = graphic_unit(31)
    made = np.where(np.isin(unit.nominal_hz, (250.0, 2500.0, 3150.0)), 11.0, 0.0)
    verdict = judged(*visit(band_gain_db(unit, made)))
    count = np.count_nonzero(verdict.card.solutions["both"].fader_db)
    assert 3 <= count <= 9
    assert f"Set {count_text(count)} faders as the card shows" in verdict.moves[-1].text
    assert "copy them to the other side" in verdict.moves[-1].text


def test_room_whose_figures_do_not_fit_together_is_said_in_one_line():
    odd = Stage(Room(18.0, 10.0, 1.7), HALL.audience, Loudspeaker(1.8), None)
    found = moves(*visit(flat()), stage=odd)
    assert found[0].kind == "check"
    assert "Correct the figures of the room." in found[0].text
    assert "\n" not in found[0].text


def test_last_row_at_the_far_wall_fits_in():
    short = replace(HALL, room=replace(HALL.room, length_m=14.2))
    local = {"front": flat(4.0), "back": flat(-4.0)}
    found = moves(*visit(flat(), local=local), stage=short)
    assert [move.kind for move in found if "Correct the figures" in move.text] == []
    found = moves(*uneven(4.0, -4.0), stage=short)
    assert only(found, "raise").expected["was_db"] == pytest.approx(8.0)


def test_what_would_help_is_said_where_hands_leave_more_than_the_limit():
    long = replace(
        HALL,
        room=replace(HALL.room, length_m=34.0, rt60_s=0.5),  # a dry one: distance tells
        audience=replace(HALL.audience, last_row_m=30.0),
    )
    takes = visit(flat(), sides=["left"], local={"front": flat(8.0), "back": flat(-8.0)})
    found = moves(*takes, stage=long)
    helps = [move for move in found if "row_spread_db" in move.expected]
    assert helps
    assert all(move.expected["row_spread_db"] < move.expected["was_db"] for move in helps)
    assert any(move.kind == "delay" and "delay pair" in move.text for move in helps)
    # Hands first: what costs a second pair comes after what a ladder does.
    kinds = [move.kind for move in found]
    assert kinds.index("raise") < found.index(helps[0])


def test_no_help_is_offered_within_the_limit():
    takes = visit(flat(), sides=["left"], local={"front": flat(2.0), "back": flat(-2.0)})
    assert all("row_spread_db" not in move.expected for move in moves(*takes, stage=HALL))


# Distances that no room holds


def far(*, back_m):
    hall = Stage(Room(14.0, 9.0, 4.5), Audience(2.0, 11.0, 1.2), Loudspeaker(1.8), 3.0)
    metres = {"front": 5.0, "middle": 12.0, "back": back_m}
    takes = [
        take(flat(-3.0 * k), side=side, spot=spot, distance_m=distance_m)
        for side in ("left", "right")
        for k, (spot, distance_m) in enumerate(metres.items())
    ]
    return judged(*takes, stage=hall)


def test_sound_delayed_on_the_way_is_told_and_the_forecast_goes_without_the_takes():
    # A mixer's delay of 10 ms looks like 3.4 m more: once it ended the whole verdict.
    verdict = far(back_m=22.0)
    (late,) = [move for move in verdict.moves if "digital mixer" in move.text]
    assert late.kind == "check"
    assert "22.0 m from its box" in late.text
    assert "Give distance_m of each take, or correct the length" in late.text
    assert verdict.rows is not None


def test_spot_in_a_far_corner_is_no_delay():
    verdict = far(back_m=16.0)  # the floor's diagonal is 16.6 m
    assert not any("digital mixer" in move.text for move in verdict.moves)
    assert verdict.rows is not None
