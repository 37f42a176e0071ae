"""From a fresh install to the first take in a venue of one's own, by the pages alone."""

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import rooms
from jackroom import JackRoom, jack_tests
from pageroom import LAPTOP, browser_tests, chromium, watched

pytestmark = [*jack_tests("first-take"), *browser_tests("first-take")[:2]]

EVENHALL = Path(sys.executable).with_name("evenhall")
RATE_HZ = 48_000
HALL = "hall (JACK Audio Connection Kit)"
FIGURES = {
    "venue.length_m": "12",
    "venue.width_m": "8",
    "venue.height_m": "4",
    "audience.first_row_m": "1.5",
    "audience.last_row_m": "9",
    "rig.speaker_height_m": "2",
}
MOST_TOUCHED = 10


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    response = rooms.hall(RATE_HZ, 0.5, 3)[:24_000]
    response = 0.3 * response / np.abs(response).max()
    paths = {(1, 1): response, (1, 2): np.eye(1, 64)[0]}
    folder = tmp_path_factory.mktemp("first")
    with JackRoom(folder / "jack", paths, rate_hz=RATE_HZ, period=1024) as room:
        server = subprocess.Popen(
            [EVENHALL, "open", "--no-browser", "--port", "0", "--data", folder / "data"],
            env={**os.environ, **room.environment, "XDG_CONFIG_HOME": str(folder / "settings")},
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            yield re.search(r"(http://[^/\s]+)/visits", server.stdout.readline())[1]
        finally:
            server.terminate()
            server.wait(10)
            server.stdout.close()


def test_own_venue_comes_to_its_first_take_by_ten_fields(address):
    touched = []
    with chromium() as browser, watched(browser, address, viewport=LAPTOP) as page:

        def dark(text):
            (act,) = page.locator(".act:visible").all()
            assert act.inner_text() == text
            return act

        def typed(label, text):
            touched.append(label)
            page.locator(f'[id="in-{label}"]').fill(text)
            page.keyboard.press("Tab")

        def ended(what):
            page.locator(".outcome").get_by_text(what).wait_for()

        page.goto(f"{address}/visits")
        typed("new", "Brook Chapel")
        dark("New venue").click()
        page.wait_for_url("**/set-out")
        dark("Choose the sound device").click()
        page.get_by_label("Records with").select_option(HALL)
        touched.append("device")
        assert page.get_by_label("Plays with").input_value() == HALL
        assert not page.get_by_label("Reference on").is_visible(), "no second cable"
        dark("Use this device").click()
        page.get_by_text("not measured: distances are relative").wait_for()

        page.get_by_text("Measure the delay by a cable").click()
        touched.append("warned")
        page.get_by_label(re.compile("amplifiers are down")).check()
        page.get_by_role("button", name="Measure on input 1,").click()
        ended("Input 1 does not carry what output 1 sent")
        page.get_by_role("button", name="Measure on input 2").click()
        ended("The device's own delay is")
        page.get_by_text(re.compile(r"\d ms, taken off")).wait_for()

        for name, figure in FIGURES.items():
            typed(name, figure)
        page.locator(".steps .done").get_by_text("Set out").wait_for()
        dark("To the line check").click()
        page.wait_for_url("**/line-check")
        dark("Start the line check").click()
        for side in ("left", "right"):
            page.get_by_role("button", name=f"Only {side} sounds").click()
        ended("See below")  # there is one box in this room
        page.get_by_role("link", name="Take the rest as it is").click()
        page.get_by_role("button", name=re.compile("^Take left, front")).first.click()
        ended("Good: ")
    assert len(touched) <= MOST_TOUCHED, touched
