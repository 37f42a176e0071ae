"""The line check through JACK: boxes in a simulated room as the convolver's responses.

The convolver's first input is the mixer's, and its third output the mixer's send; "soloing" an
element joins that send to the input of one box, of which there are a left one, a right one, and
right ones with a fault each. Its second output is a cable, late by the one block that the way
through the mixer takes.
"""

from __future__ import annotations

import signal
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from evenhall.errors import DeviceError, InputError
from evenhall.job.live.line_check import Soloed, check_round, elements_of, line_sweep
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


def cut(response, order, hz, kind):
    return sosfilt(butter(order, hz, kind, fs=RATE_HZ, output="sos"), response)


# Inputs of the boxes, and what the microphone hears of each.
RESPONSES = {
    "left": LEFT,
    "right": RIGHT,
    "inverted": -RIGHT,
    "low cut": cut(RIGHT, 3, 200.0, "high"),
    "no tweeter": cut(RIGHT, 4, 2000.0, "low"),
    "weak": RIGHT * 10.0 ** (-9.0 / 20.0),
}
INPUTS = {name: f"hall:in_{at}" for at, name in enumerate(RESPONSES, 2)}
BOXES = {"left": INPUTS["left"], "right": INPUTS["right"]}


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    mixer = np.eye(1, 2 * PERIOD)[0]
    cable = np.eye(1, 2 * PERIOD, PERIOD)[0]
    paths = {(1, 2): cable, (1, 3): mixer}
    paths |= {(at, 1): response for at, response in enumerate(RESPONSES.values(), 2)}
    place = tmp_path_factory.mktemp("jack")
    with JackRoom(place, paths, rate_hz=RATE_HZ, period=PERIOD) as running:
        yield running


class Solo:
    """Does what the person does at the mixer."""

    def __init__(self, room, boxes):
        self.room, self.boxes, self.joined = room, boxes, None
        self.levels = []

    def join(self, box):
        if self.joined:
            self.room.disconnect("hall:out_3", self.joined)
        self.joined = box
        if box:
            self.room.connect("hall:out_3", box)

    def ready(self, element):
        self.join(self.boxes[element.name])
        return True

    def step(self, elapsed_s, length_s, readings):
        self.levels.append(readings[0].fast_dbfs)

    def stop_wanted(self):
        return False


@contextmanager
def faulty(room, faults):
    """A box with such faults on the way to the right one, for as long."""
    process = room.run_client(FAULTY_BOX, *faults)
    room._wait_for("box:out")
    room.connect("box:out", INPUTS["right"])
    if "hum" in faults:
        room.connect("box:out", INPUTS["left"])
    try:
        yield
    finally:
        process.send_signal(signal.SIGINT)
        process.wait()


def heard_by(watch):
    """Findings of a round; whatever became of it, nothing is soloed after it."""
    try:
        with Live(SETUP) as live:
            return check_round(live, PAIR, low_limit_hz=None, watch=watch)
    finally:
        watch.join(None)


def codes(room, **boxes):
    """Run the round; the codes found for each element."""
    findings = heard_by(Solo(room, BOXES | boxes))
    return {
        name: [finding.code for finding in findings if finding.element == name]
        for name in ("left", "right")
    }


class TestThroughJack:
    pytestmark = jack_tests("line")

    @pytest.fixture(autouse=True)
    def in_room(self, room, monkeypatch):
        monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)
        if room.convolver.poll() is not None:  # it ends by itself where it was much too late
            room.convolver = room.add_convolver(room.name, room.paths)

    def test_healthy_pair_works(self, room):
        assert codes(room) == {"left": ["works"], "right": ["works"]}

    def test_inverted_box_is_named(self, room):
        found = codes(room, right=INPUTS["inverted"])
        assert found == {"left": ["works"], "right": ["inverted"]}

    def test_low_cut_that_was_left_in_is_named(self, room):
        assert codes(room, right=INPUTS["low cut"])["right"] == ["filtered"]

    def test_missing_tweeter_is_named(self, room):
        assert codes(room, right=INPUTS["no tweeter"])["right"] == ["no_highs"]

    def test_silent_box_is_named(self, room):
        assert codes(room, right=None)["right"] == ["silent"]

    def test_swapped_sides_are_named(self, room):
        found = codes(room, left=INPUTS["right"], right=INPUTS["left"])
        assert found == {"left": ["wrong_side"], "right": ["wrong_side"]}

    def test_weak_box_is_named(self, room):
        assert codes(room, right=INPUTS["weak"])["right"] == ["weak"]

    def test_hum_is_named(self, room):
        with faulty(room, ["hum"]):
            found = codes(room)
        assert "hum" in found["left"] + found["right"]

    def test_distorted_box_is_named(self, room):
        with faulty(room, ["distort"]):
            assert codes(room, right="box:in")["right"] == ["distorted"]

    def test_round_that_is_broken_off_judges_what_was_heard(self, room):
        class Quits(Solo):
            def ready(self, element):
                return element.name == "left" and super().ready(element)

        findings = heard_by(Quits(room, BOXES))
        assert [(finding.element, finding.code) for finding in findings] == [("left", "works")]

    def test_reference_from_outside_cannot_serve(self, room):
        outside = SoundSetup("hall", "", reference="outside", reference_channel=2)
        with (
            Live(outside) as live,
            pytest.raises(DeviceError, match="The line check plays by itself"),
        ):
            check_round(live, PAIR, low_limit_hz=None, watch=Solo(room, BOXES))


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
