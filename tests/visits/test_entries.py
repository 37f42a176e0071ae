"""What no page could show is refused at the door, whoever sends it."""

import pytest

from evenhall.errors import InputError
from evenhall.visits.entries import check_entry

WORKS = {"element": "left", "code": "works", "text": "Left works."}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("line_check", {"elements": 5}),
        ("line_check", {"elements": "left"}),
        ("line_check", {"elements": ["left", None]}),
        ("line_check", {"findings": {"left": "works"}}),
        ("line_check", {"findings": [{"element": "left"}]}),
        ("line_check", {"findings": [{**WORKS, "text": 3}]}),
        ("line_check", {"elements": ["left"], "findings": [WORKS], "at": "yesterday"}),
        ("line_check", {"at": "0001-01-01T00:00:00+14:00"}),
        ("line_check", {"left": "fine"}),
        ("gain", {"text": ["loud"]}),
        ("gain", {"turned_db": "a lot"}),
        ("gain", {"turned_db": 1e300}),
        ("gain", {"turn": "louder"}),
        ("hands", {"left_gain_db": "some"}),
        ("hands", {"speaker_height_m": "high"}),
        ("hands", {"left_gain_db": [1.0]}),
        ("hands", {str(number): 1.0 for number in range(1000)}),
        ("sound_check", "9999-12-31T23:59:59-12:00"),
        ("sound_check", "0001-01-01T00:00:00+14:00"),
        ("sound_check", "1969-12-31T23:59:59+00:00"),
        ("fader.left.loud", -3.0),
        ("fader.left.nan", -3.0),
        ("fader.left", -3.0),
        ("fader.left.1000", 1e5),
        ("rig.sides", [f"side {number}" for number in range(1000)]),
        ("rig.sides", ["left" * 1000]),
        ("spots", [{"label": "front" * 1000, "along_m": 2.0}]),
        ("equalizer.bands", [20.0 + number for number in range(1000)]),
        ("rack_name", "two\nlines"),
        ("rack_name", " "),
        ("rack_name", "x" * 1000),
    ],
)
def test_what_no_page_could_show_is_no_entry(name, value):
    with pytest.raises(InputError) as error:
        check_entry(name, value)
    (line,) = error.value.faults
    assert name.partition(".")[2] in line or name in line
    assert len(line) < 300


@pytest.mark.parametrize(
    ("name", "value"),
    [
        (
            "line_check",
            {"at": "2026-03-01T10:00:00+00:00", "elements": ["left"], "findings": [WORKS]},
        ),
        ("gain", {"text": "It stands.", "turn": "hold", "at": "2026-03-01T10:00:00+00:00"}),
        ("gain", {"turned_db": -30.0}),
        ("hands", {"left_gain_db": 2.0, "left_polarity": 1.0, "delay_m": 3}),
        ("sound_check", "1970-01-01T00:00:00+00:00"),  # a laptop whose clock has lost its battery
        ("sound_check", "2199-12-31T23:59:59+00:00"),
        ("fader.a/b. c.31.5", 0.5),
        (f"fader.{'L' * 200}.31.5", 0.5),
        ("rig.sides", ["a/b", "..", "%41?#", "Bühne links"]),
        ("rack_name", "Grey box"),
    ],
)
def test_what_evenhall_itself_keeps_is_an_entry(name, value):
    check_entry(name, value)
