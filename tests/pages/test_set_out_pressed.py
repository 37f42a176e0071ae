"""The set-out in a browser: how much there is to read, and what there is to touch."""

import re

import pytest

from pageroom import LAPTOP, PHONE, browser_tests, watched

pytestmark = browser_tests("set-out")

MOST_WORDS = 250


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_set_out_is_read_at_once(browser, room, size):
    visit = room.new_demo()
    with watched(browser, room.url, viewport=size) as page:
        page.goto(f"{room.url}/visit/{visit}/set-out")
        assert page.locator("main details[open]").count() == 0
        assert len(page.inner_text("main").split()) < MOST_WORDS
        names = page.locator("main summary").all_inner_texts()
        assert len(names) > 5
        assert not [name for name in names if re.match("more", name, re.IGNORECASE)]


def test_height_that_stands_allow_is_asked_for_and_missed(browser, room):
    visit = room.new_demo()
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visit/{visit}/set-out")
        missed = page.get_by_text("No advice on height is given until")
        stands = page.get_by_label("Highest your stands allow")
        assert stands.is_visible()
        assert missed.count() == 0
        stands.fill("")
        missed.wait_for()
        stands.fill("3")
        missed.wait_for(state="detached")


def test_loudspeaker_above_the_ceiling_is_said_in_plain_words(browser, room):
    visit = room.new_demo()
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visit/{visit}/set-out")
        page.locator('[id="in-rig.speaker_height_m"]').fill("4.5")
        said = "Loudspeaker height (4.5 m) is above the ceiling (4.2 m)."
        page.locator("#hall").get_by_text(said).wait_for()
        page.keyboard.press("Tab")
        page.locator(".steps .begun").get_by_text("cannot be right").wait_for()
