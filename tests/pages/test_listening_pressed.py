"""Listening along in a real browser, in real time, the demo's hand on the faders."""

import re

import pytest

from pageroom import PHONE, browser_tests, until, watched

pytestmark = [*browser_tests("listening"), pytest.mark.live]

SPOTS = ("front", "middle", "back")


def test_figure_follows_the_hand_and_what_stands_is_marked(browser, room):
    with watched(browser, room.url, viewport=PHONE) as page:
        visit = room.new_demo()
        page.goto(f"{room.url}/visit/{visit}/takes")
        for side in ("left", "right"):
            for spot in SPOTS:
                page.locator(".order button").get_by_text(f"Take {side}, {spot}").click()
                page.locator(".outcome").filter(has_text=f"{side}, {spot}:").wait_for()
        page.goto(f"{room.url}/visit/{visit}/card?side=left&at=1")
        page.get_by_role("link", name="Listen along while I set it").click()
        before = int(re.search(r"(\d+) faders to set", page.locator("main").inner_text())[1])
        page.get_by_role("button", name="Listen by the microphone").click()
        page.get_by_role("button", name="Stop").wait_for()
        assert "Simulated: a hand moves the faders" in page.locator("main").inner_text()
        text = page.locator("[data-follow-text]")
        until(lambda: re.match(r"(up|down) \d", text.inner_text()), "a figure is shown")
        arrow = page.locator("[data-follow-arrow]").inner_text()
        assert arrow == ("\u2191" if text.inner_text().startswith("up") else "\u2193")
        # The figure is for eyes; a reader is told what stands and what is next.
        assert page.locator("[data-follow]").get_attribute("aria-hidden") == "true"
        told = page.locator(".told")
        until(lambda: re.search(r"\w is set\. Now ", told.inner_text()), "one is set")
        page.get_by_role("button", name="Stop").click()
        page.get_by_text("Stopped. The faders that are set are ticked.").wait_for()
        after = int(re.search(r"(\d+) faders to set", page.locator("main").inner_text())[1])
        assert after < before
