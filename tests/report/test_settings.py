from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenhall.report.point import MAX_CHARACTERS
from evenhall.report.settings import noted, rig_and_settings

Make = Callable[..., Any]


def test_no_sentence_is_longer_than_a_page_bears(make_result: Make, make_job: Make) -> None:
    result = make_result(target={"shape": "x" * 900, "points": []})
    for point in rig_and_settings(result, make_job()):
        assert len(point.body) <= MAX_CHARACTERS


def test_rig_leaves_out_what_is_not_known(make_result: Make, make_job: Make) -> None:
    bare = make_job(venue={"name": "x"}, audience={}, rig={"sides": ("mono",)})
    said = {point.head: point.body for point in rig_and_settings(make_result(), bare)}
    assert said["Room"] == "size not given; 20 °C, 50 % humidity"
    assert said["Audience"] == "ears at 1.2 m"
    assert said["Loudspeakers"] == "mono; covering 90° × 60°"
    assert said["Equalizer"].startswith("31 faders, proportional-q, ±12 dB, steps of 0.5 dB")


def test_notes_that_say_nothing_are_left_out() -> None:
    assert [(one.head, one.body) for one in noted((("front", "too  loud"), ("back", " ")))] == [
        ("front", "too loud")
    ]


def test_notes_are_whole() -> None:
    (note,) = noted((("front", "Long. " * 600 + "The end."),))
    assert note.body.endswith("Long. The end.")
