"""Only the dark button is pressed, from the demo's first page to the printed sheet."""

import io
import re

import pypdf
import pytest
from playwright.sync_api import Error

from pageroom import LAPTOP, PHONE, browser_tests, until, watched

pytestmark = browser_tests("dark")

# Six takes, six more once something was moved, and six for the proof; the rest is the way between.
MOST_PRESSES = 37
PAGES = ["set-out", "line-check", "takes", "verdict", "worklist", "card", "proof", "hand-over"]
LOOK = """() => {
  const shown = (one) => one.checkVisibility();
  const all = (what) => Array.from(document.querySelectorAll(what)).filter(shown);
  return {
    acts: all(".act").map((one) => one.innerText),
    stops: all(".stop").length,
    words: location.href + document.body.innerText,
  };
}"""


def look(page):
    try:
        return page.evaluate(LOOK)
    except Error:  # it goes to another page at this moment
        return None


def settled(page, before):
    """What stands there once it is another page than before, nothing sounds, and it stays so."""

    def same_twice():
        first = look(page)
        page.wait_for_timeout(150)
        second = look(page)
        if first is None or first != second or second["words"] == before:
            return None
        return second if second["acts"] or not second["stops"] else None

    return until(same_twice, "the page shows the next step")


@pytest.fixture(scope="module", params=["laptop", "phone"])
def pressed(request, browser, room):
    """What was pressed, on which page, and the sheet."""
    options = {"viewport": LAPTOP}
    if request.param == "phone":
        options = {"viewport": PHONE, "has_touch": True, "is_mobile": True}
    visit = room.new_demo()
    presses, words = [], ""
    with watched(browser, room.url, **options) as page:
        page.goto(f"{room.url}/visit/{visit}")
        while len(presses) < MOST_PRESSES:
            seen = settled(page, words)
            words = seen["words"]
            where = re.search(r"/visit/\d+/([-a-z]+)", page.url)[1]
            assert len(seen["acts"]) == 1, (where, seen["acts"], presses)
            presses.append((where, seen["acts"][0]))
            button = page.locator(".act:visible")
            if where == "hand-over":
                address = button.get_attribute("href")
                return presses, page.request.get(room.url + address).body()
            button.click()
    pytest.fail(f"no sheet after {len(presses)} presses: {presses}")


def test_dark_button_leads_through_every_page_to_the_sheet(pressed):
    presses, sheet = pressed
    assert list(dict.fromkeys(where for where, _ in presses)) == PAGES
    assert "Ottersfold Hall" in pypdf.PdfReader(io.BytesIO(sheet)).pages[0].extract_text()


def test_nothing_is_pressed_in_vain(pressed):
    presses, _ = pressed
    takes = [text for _, text in presses if text.startswith("Take left, front")]
    assert len(takes) == 3, "as found, once something was moved, and for the proof"
    assert presses[-1] == ("hand-over", "Sheet to print (PDF)")
