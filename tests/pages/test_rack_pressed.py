"""The unit in the rack learned in a real browser: asked, played, named what is wrong, kept."""

import re

import pytest

from pageroom import LAPTOP, PHONE, browser_tests, until, watched

pytestmark = [*browser_tests("rack"), pytest.mark.live]


def test_unit_is_learned_from_the_phone_and_the_laptop_follows(browser, room):
    with (
        watched(browser, room.url, viewport=LAPTOP) as laptop,
        watched(browser, room.url, viewport=PHONE) as phone,
    ):
        visit = f"{room.url}/visit/{room.new_demo()}"
        laptop.goto(f"{visit}/set-out")
        laptop.locator("[data-entry='equalizer.bands']").select_option("10")
        laptop.get_by_text("Learned equalizer: none").click()
        laptop.get_by_role("link", name="Learn it now").click()
        laptop.get_by_text("10 faders").wait_for()
        phone.goto(f"{visit}/rack")
        phone.get_by_role("button", name="Learn it").click()
        asked, stands = phone.locator(".big-note"), "All set: play the sweep"
        seen = set()
        while True:
            phone.locator("[data-do*=answer], .outcome").first.wait_for()
            if phone.locator(".outcome").count():
                break
            text = asked.inner_text()
            seen.add(text)
            if len(seen) == 3:
                # What is asked stands on the laptop as well, drawn as the faceplate.
                laptop.locator(".big-note").filter(has_text=text).wait_for()
                assert laptop.locator(".rack svg").count() > 0
            phone.get_by_role("button", name=stands).click()
            until(lambda before=text: _other(phone, before), "the next is asked")
        assert phone.locator(".outcome .now").inner_text().startswith("Learned, to within")
        assert len(seen) == int(re.search(r"of (\d+):", max(seen))[1])
        laptop.goto(f"{visit}/set-out")
        laptop.get_by_text("Learned equalizer: in use").click()
        laptop.get_by_text("The card is made for the unit as it was learned").wait_for()


def _other(page, before):
    note = page.locator(".big-note")
    return page.locator(".outcome").count() > 0 or (
        note.count() > 0 and note.inner_text() != before
    )
