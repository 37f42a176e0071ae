"""The line check through JACK: boxes in a simulated room as the convolver's responses.

The convolver's first input is the mixer's, and its third output the mixer's send; "soloing" an
element joins that send to the input of one box. Its second output is a cable, late by the one
block that the way through the mixer takes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from evenhall.errors import DeviceError, InputError
from evenhall.job.live.line_check import Soloed, check_round, elements_of, line_sweep
from evenhall.job.live.watch import Watch
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup
from evenhall.verdict.line.check import check_line
from jackroom import JackRoom, jack_tests
from verdict.lines import RATE_HZ, Line, hall, heard

PERIOD = 1024
FAULTY_BOX = Path(__file__).parents[1] / "faulty_box.py"
SETUP = SoundSetup("hall", "hall", reference="cable", reference_channel=2, output_channels=(1,))
PAIR = (Soloed("left", "right"), Soloed("right", "left"))
TAPS = 40_000


def responses():
    """Left and right box at the microphone."""
    where = hall(0.5, seed=2)
    pair = [
        where.true_response(name, "front", rate_hz=RATE_HZ)[:TAPS] for name in ("left", "right")
    ]
    return [response * 0.5 for response in pair]


LEFT, RIGHT = responses()


def room_with(place, left, right):
    mixer = np.eye(1, 2 * PERIOD)[0]
    cable = np.eye(1, 2 * PERIOD, PERIOD)[0]
    paths = {(1, 2): cable, (1, 3): mixer, (2, 1): left, (3, 1): right}
    return JackRoom(place, paths, rate_hz=RATE_HZ, period=PERIOD)


class AtMixer(Watch):
    """Does what the person does at the mixer."""

    def __init__(self, room, boxes):
        self.room, self.boxes, self.joined = room, boxes, None
        self.levels = []

    def ask(self, wanted):
        if self.joined:
            self.room.disconnect("hall:out_3", self.joined)
        self.joined = self.boxes[wanted.element]
        if self.joined:
            self.room.connect("hall:out_3", self.joined)
        return "on"

    def tell(self, news):
        self.levels.append(news.readings[0].fast_dbfs)


BOXES = {"left": "hall:in_2", "right": "hall:in_3"}


def codes(place, monkeypatch, left, right, *, boxes=BOXES, faults=()):
    """Run the round; the codes found for each element."""
    with room_with(place / "jack", left, right) as room:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)
        if faults:
            room.run_client(FAULTY_BOX, *faults)
            room._wait_for("box:out")
            room.connect("box:out", "hall:in_3")
            if "hum" in faults:
                room.connect("box:out", "hall:in_2")
        with Live(SETUP) as live:
            findings = check_round(live, PAIR, low_limit_hz=None, watch=AtMixer(room, boxes))
    return {
        name: [finding.code for finding in findings if finding.element == name]
        for name in ("left", "right")
    }


class TestThroughJack:
    """What a device may change on the way; the other faults are simulated (`test_linecheck`)."""

    pytestmark = jack_tests("line")

    def test_healthy_pair_works(self, tmp_path, monkeypatch):
        found = codes(tmp_path, monkeypatch, LEFT, RIGHT)
        assert found == {"left": ["works"], "right": ["works"]}

    def test_inverted_box_is_named(self, tmp_path, monkeypatch):
        found = codes(tmp_path, monkeypatch, LEFT, -RIGHT)
        assert found == {"left": ["works"], "right": ["inverted"]}

    def test_silent_box_is_named(self, tmp_path, monkeypatch):
        found = codes(
            tmp_path, monkeypatch, LEFT, RIGHT, boxes={"left": "hall:in_2", "right": None}
        )
        assert found["right"] == ["silent"]

    def test_swapped_sides_are_named(self, tmp_path, monkeypatch):
        found = codes(tmp_path, monkeypatch, RIGHT, LEFT)
        assert found == {"left": ["wrong_side"], "right": ["wrong_side"]}

    def test_hum_is_named(self, tmp_path, monkeypatch):
        found = codes(tmp_path, monkeypatch, LEFT, RIGHT, faults=["hum"])
        assert "hum" in found["left"] + found["right"]

    def test_distorted_box_is_named(self, tmp_path, monkeypatch):
        found = codes(
            tmp_path,
            monkeypatch,
            LEFT,
            RIGHT,
            boxes={"left": "hall:in_2", "right": "box:in"},
            faults=["distort"],
        )
        assert found["right"] == ["distorted"]

    def test_round_that_is_broken_off_judges_what_was_heard(self, tmp_path, monkeypatch):
        class Quits(AtMixer):
            def ask(self, wanted):
                return super().ask(wanted) if wanted.element == "left" else "end"

        with room_with(tmp_path / "jack", LEFT, RIGHT) as room:
            monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)
            with Live(SETUP) as live:
                findings = check_round(live, PAIR, low_limit_hz=None, watch=Quits(room, BOXES))
        assert [(finding.element, finding.code) for finding in findings] == [("left", "works")]

    def test_reference_from_outside_cannot_serve(self, tmp_path, monkeypatch):
        with room_with(tmp_path / "jack", LEFT, RIGHT) as room:
            monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)
            outside = SoundSetup("hall", "", reference="outside", reference_channel=2)
            with (
                Live(outside) as live,
                pytest.raises(
                    DeviceError, match="The line check needs one device that both plays and records"
                ),
            ):
                check_round(live, PAIR, low_limit_hz=None, watch=AtMixer(room, BOXES))


@pytest.mark.parametrize("low_limit_hz", [55.0, 120.0])
def test_sweeps_cut_to_the_element_still_tell_the_healthy_from_the_inverted(low_limit_hz):
    names = {"left": "right", "right": "left", "sub left": "sub right", "sub right": "sub left"}
    where = hall(0.9, seed=3)

    def codes_of(turned):
        round_heard = []
        for name, partner in names.items():
            turn = np.negative if name == turned else None
            sweep = line_sweep(name, low_limit_hz=low_limit_hz)
            line = Line(name, partner, after=turn)
            round_heard.append(heard(where, line, seed=3, snr_db=30.0, sweep=sweep))
        findings = check_line(round_heard, delay_is_absolute=True)
        return {finding.element: finding.code for finding in findings}

    assert codes_of(None) == dict.fromkeys(names, "works")
    for turned in ("right", "sub right"):
        assert codes_of(turned) == {**dict.fromkeys(names, "works"), turned: "inverted"}


def test_pairs_stand_together_the_left_one_first():
    named = elements_of(["sub right", "delay", "right", "sub left", "left", "centre"])
    assert [(one.name, one.partner) for one in named] == [
        ("sub left", "sub right"),
        ("sub right", "sub left"),
        ("left", "right"),
        ("right", "left"),
        ("delay", None),
        ("centre", None),
    ]


def test_element_named_twice_is_told():
    with pytest.raises(InputError, match='"left" is named twice'):
        elements_of(["left", "Left "])


def test_six_elements_take_less_than_two_minutes_of_sound():
    names = ["left", "right", "sub left", "sub right", "delay left", "delay right"]
    sweeps = [line_sweep(name, low_limit_hz=None) for name in names]
    assert sum(sweep.lead_s + sweep.duration_s for sweep in sweeps) < 60.0


def test_small_boxes_are_spared_the_deep_bass_and_subs_the_treble():
    assert line_sweep("left", low_limit_hz=80.0).first_hz >= 45.0
    assert line_sweep("sub", low_limit_hz=80.0).high_hz <= 600.0
