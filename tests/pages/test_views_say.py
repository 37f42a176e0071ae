"""What pages say before there is anything to say."""

import datetime
from dataclasses import replace

import pytest

from evenhall.pages.playing import Playing
from evenhall.pages.views import frame_of, line_page
from pages.demo_services import services_in, visit_of
from pages.test_guide import KNOWN
from pages.test_walk import page_of

NOT_YET, HEARD = "Not heard yet.", "Heard; judged once all are."


@pytest.mark.parametrize(
    ("playing", "said"),
    [
        (Playing(), ["", NOT_YET]),
        (Playing("line", "opening", 1), [NOT_YET, NOT_YET]),
        (Playing("line", "sound", 1, "left"), [NOT_YET, NOT_YET]),
        (Playing("line", "asking", 1, "right"), [HEARD, NOT_YET]),
        (Playing("line", "asking", 2, "right"), ["", NOT_YET]),
    ],
)
def test_element_is_heard_once_its_sweep_is_over(playing, said):
    visit = visit_of({**KNOWN, "line_check": {"elements": ["left"], "findings": []}})
    visit = replace(visit, made_at=None)
    now = datetime.datetime(2026, 3, 1, 18, tzinfo=datetime.UTC)
    frame = frame_of(visit, None, at="line-check", playing=playing, here=True, now=now)
    assert [one.waits for one in line_page(visit, frame).checked] == said


def test_nothing_stands_out_only_where_something_was_taken(tmp_path):
    services = services_in(tmp_path)
    services.new_demo()
    page = page_of(services, "verdict")
    assert "Nothing stands out" not in page
    assert "No verdict yet" in page
    services.close()


@pytest.mark.parametrize(("state", "other"), [("before", "proof"), ("after", "takes")])
def test_how_a_take_went_is_told_on_the_page_of_its_state_alone(tmp_path, state, other):
    services = services_in(tmp_path)
    services.new_demo()
    told = "Good: 31 bands are usable."
    services.player.now = Playing(
        "take", "ended", 1, "left", "front", state=state, text=told, good=True, take=1
    )
    (own,) = {"takes", "proof"} - {other}
    assert told in page_of(services, own)
    assert told not in page_of(services, other)
    services.player.now = replace(services.player.now, phase="sound")
    for page in ("takes", "proof"):
        assert 'id="stop"' in page_of(services, page)
    services.close()


def test_page_on_which_something_sounds_leads_not_to_itself(tmp_path):
    services = services_in(tmp_path)
    number = services.new_demo()
    line = {"elements": ["left", "right"], "findings": []}
    services.store.set_entry(number, "line_check", line, was=None)
    services.player.now = Playing("take", "sound", number, "left", "front")
    assert "To the takes</a>" not in page_of(services, "takes")
    assert "To the takes</a>" in page_of(services, "verdict")
    services.close()
