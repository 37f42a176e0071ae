"""Press through the demo visit and take pictures of its pages.

`python docs/make_screenshots.py` writes docs/pages/*.png. It needs Debian's Chromium and what the
tests need. The hall is invented.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

OUT = Path(__file__).parent / "pages"
CHROMIUM = "/usr/bin/chromium"
QUIET = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update"),
)
LAPTOP = {"width": 1366, "height": 768}
PHONE = {"width": 390, "height": 844}
SPOTS = [(side, spot) for side in ("left", "right") for spot in ("front", "middle", "back")]


def main() -> None:
    """Take the pictures."""
    OUT.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as data:
        command = [sys.executable, "-c", "from evenhall.cli import main; main()", "open", "--demo"]
        server = subprocess.Popen(
            [*command, "--no-browser", "--port", "0", "--data", data],
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert server.stdout is not None
            found = re.search(r"http://\S+", server.stdout.readline())
            assert found is not None, "the pages did not open"
            take_pictures(found[0])
        finally:
            server.terminate()
            server.wait(10)


def take_pictures(address: str) -> None:
    """Press through a visit, laptop in light and phone in dark."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        laptop = browser.new_context(viewport=LAPTOP, color_scheme="light").new_page()
        phone = browser.new_context(
            viewport=PHONE, color_scheme="dark", has_touch=True, device_scale_factor=1.5
        ).new_page()
        press_through(laptop, phone, address)
        browser.close()


def press_through(laptop: Page, phone: Page, visit: str) -> None:
    """Go from set-out to hand-over, with a picture of every page."""

    def picture(page: Page, name: str, *, whole: bool = True) -> None:
        page.wait_for_timeout(400)
        page.screenshot(path=OUT / f"{name}.png", full_page=whole)

    laptop.goto(visit)
    laptop.evaluate("document.fonts.ready")
    laptop.goto(f"{visit}/set-out")
    picture(laptop, "set-out")
    laptop.goto(f"{visit}/rack")
    laptop.get_by_role("button", name="Learn it").click()
    for _ in range(3):  # bypassed, flat, and the first faders
        asked = laptop.locator(".big-note").inner_text()
        laptop.get_by_role("button", name="All set").click()
        laptop.locator(".big-note", has_not_text=asked).wait_for()
        laptop.get_by_role("button", name="All set").wait_for()
    picture(laptop, "rack")
    laptop.get_by_role("button", name="Stop").click()
    laptop.locator(".outcome").wait_for()
    laptop.get_by_role("button", name="Delete the recordings").click()
    laptop.goto(f"{visit}/line-check")
    laptop.get_by_role("button", name="Start the line check").click()
    laptop.get_by_role("button", name="Only left sounds").click()
    laptop.get_by_role("button", name="Only right sounds").click()
    laptop.locator(".outcome").wait_for()
    picture(laptop, "line-check")
    laptop.goto(f"{visit}/takes")
    laptop.get_by_role("button", name="Set the gain").click()
    laptop.locator(".outcome").wait_for()
    take_all(laptop, while_second=lambda: picture(laptop, "takes"), phone=phone, visit=visit)
    laptop.goto(f"{visit}/verdict")
    picture(laptop, "verdict")
    phone.goto(f"{visit}/verdict")
    picture(phone, "verdict-phone", whole=False)
    laptop.goto(f"{visit}/worklist")
    picture(laptop, "worklist")
    for box in laptop.locator(".tasks li", has_text="by cancellation").get_by_role("button").all():
        box.click()
    laptop.get_by_text("Not tonight").wait_for()
    for box in laptop.locator(".tasks li:not(:has-text('Not tonight')) input").all():
        box.check()
    laptop.get_by_role("button", name="Take all spots again").click()
    laptop.wait_for_url("**/takes")
    take_all(laptop)
    phone.goto(f"{visit}/card?side=left&at=1")
    picture(phone, "fader-phone", whole=False)
    phone.goto(f"{visit}/card?side=left")
    picture(phone, "card-phone", whole=False)
    laptop.goto(f"{visit}/card?side=left")
    for side in ("Left", "Right"):
        laptop.get_by_role("heading", name=side).wait_for()
        laptop.get_by_role("button", name="All set").click()
    laptop.get_by_text("side is set").wait_for()
    laptop.goto(f"{visit}/proof")
    take_all(laptop)
    picture(laptop, "proof")
    laptop.goto(f"{visit}/hand-over")
    picture(laptop, "hand-over")
    laptop.goto(f"{visit.rsplit('/visit', 1)[0]}/visits")
    picture(laptop, "visits", whole=False)


def take_all(
    laptop: Page, *, while_second: object = None, phone: Page | None = None, visit: str = ""
) -> None:
    """Press for every take in its order."""
    for count, (side, spot) in enumerate(SPOTS):
        laptop.locator("button.act", has_text=f"Take {side}, {spot}").click()
        if count == 1 and callable(while_second) and phone is not None:
            phone.goto(f"{visit}/takes")
            laptop.locator("[data-left]", has_text=" s").wait_for()
            while_second()
            phone.screenshot(path=OUT / "takes-phone.png")
        laptop.locator(".outcome", has_text=f"{side}, {spot}:").wait_for()


if __name__ == "__main__":
    main()
