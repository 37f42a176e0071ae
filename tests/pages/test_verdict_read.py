"""Verdict and proof as they are read: how many words, what scrolls, and which cell is meant."""

import re
import zipfile

import pytest

from evenhall.job.demo.folder import write_demo, write_demo_after
from pageroom import LAPTOP, PHONE, browser_tests, watched

pytestmark = browser_tests("read")

MOST_WORDS = 200
SMALL = {"width": 320, "height": 640}
CARD = {"both": {200.0: -5.0, 3150.0: -4.0}}
# What a person sees: the names of the rows lie over the very same names of the map.
SEEN = """() => {
  for (const one of document.querySelectorAll(".row-names, .skip")) one.style.display = "none";
  return document.body.innerText;
}"""
SIDEWAYS = """() => {
  for (const one of document.querySelectorAll("main details")) one.open = true;
  return Array.from(document.querySelectorAll("main, main *"))
    .filter((one) => one.scrollWidth > one.clientWidth + 1 && !one.closest("svg"))
    .filter((one) => ["auto", "scroll"].includes(getComputedStyle(one).overflowX))
    .map((one) => !!one.querySelector(".row-names"));
}"""
NAMES = """(figure) => {
  const place = (one) => {
    const { x, y } = one.getBoundingClientRect();
    return [Math.round(x * 2) / 2, Math.round(y * 2) / 2];
  };
  const shown = Array.from(figure.querySelectorAll("svg")).filter((one) => one.checkVisibility());
  return shown.map((svg) =>
    Array.from(svg.querySelectorAll("text"))
      .filter((one) => ["front", "middle", "back", "Hz", "Left"].includes(one.textContent))
      .map(place)
  );
}"""

MEANT = """(figure) => {
  const [names] = Array.from(figure.querySelectorAll(".row-names svg")).filter((one) =>
    one.checkVisibility()
  );
  const ring = Array.from(figure.querySelectorAll(".ring")).pop();
  const boxes = [figure.querySelector(".pointed > rect"), ring, names].map((one) =>
    one.getBoundingClientRect().toJSON()
  );
  return [...boxes, getComputedStyle(ring).stroke];
}"""


@pytest.fixture(scope="module")
def visit(browser, room, tmp_path_factory):
    """A visit of the demo with all its takes, and the proof."""
    folder = tmp_path_factory.mktemp("read") / "demo"
    write_demo(folder)
    write_demo_after(folder, CARD)
    packed = folder.with_suffix(".zip")
    with zipfile.ZipFile(packed, "w") as archive:
        for file in folder.rglob("*"):
            archive.write(file, file.relative_to(folder))
    file = {"name": "demo.zip", "mimeType": "application/zip", "buffer": packed.read_bytes()}
    context = browser.new_context()
    answer = context.request.post(f"{room.url}/api/visits/import", multipart={"file": file})
    number = answer.json()["number"]
    context.close()
    return f"{room.url}/visit/{number}"


def words(text):
    """Everything that is read as a word: figures and the axis of the map are not."""
    return re.findall(r"[A-Za-z][A-Za-z'-]+", text)


def test_words_are_counted_as_they_are_read():
    assert words("Front-to-back is 8.5 dB at 1.25k, don't ask. − 6 m") == [
        *("Front-to-back", "is", "dB", "at", "don't", "ask")
    ]


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_verdict_is_one_page_to_read(browser, room, visit, size):
    with watched(browser, room.url, viewport=size) as page:
        page.goto(f"{visit}/verdict")
        read = words(page.evaluate(SEEN))
        assert 100 < len(read) < MOST_WORDS
        assert page.locator(".lead.sentence").inner_text().count(". ") == 0
        assert page.locator("main details[open]").count() == 0
        assert page.locator("main figure:visible").count() == 1


@pytest.mark.parametrize("step", ["verdict", "proof"])
def test_only_the_map_scrolls_sideways_on_the_smallest_phone(browser, room, visit, step):
    with watched(browser, room.url, viewport=SMALL) as page:
        page.goto(f"{visit}/{step}")
        is_map = page.evaluate(SIDEWAYS)
        assert is_map
        assert all(is_map)
        assert page.evaluate("document.scrollingElement.scrollWidth") == SMALL["width"]


def test_names_of_the_rows_stay_while_the_map_scrolls(browser, room, visit):
    with watched(browser, room.url, viewport=PHONE) as page:
        page.goto(f"{visit}/verdict")
        figure = page.locator("figure:has(.row-names)").first
        figure.scroll_into_view_if_needed()
        under, names = figure.evaluate(NAMES)
        assert len(names) == 8
        assert names == under
        figure.locator(".sheet").evaluate("(one) => (one.scrollLeft = 300)")
        under, stayed = figure.evaluate(NAMES)
        assert stayed == names
        assert [x for x, _ in under] == [x - 300 for x, _ in names]


@pytest.mark.parametrize("colours", ["none", "active"])
def test_cell_that_is_meant_is_outlined_and_in_view(browser, room, visit, colours):
    with watched(browser, room.url, viewport=PHONE, forced_colors=colours) as page:
        page.goto(f"{visit}/verdict")
        figure = page.locator("figure:has(.row-names)").first
        figure.locator("[data-step='1']").focus()
        for key in [*["ArrowRight"] * 20, *["ArrowLeft"] * 18]:
            page.keyboard.press(key)
        assert re.match(r"Left, front, 25 Hz: ", figure.locator(".reading").inner_text())
        # In one go: the page may renew itself between two questions.
        cell, around, names, stroke = figure.evaluate(MEANT)
        assert stroke not in ("none", "")
        assert around["x"] <= cell["x"]
        assert around["x"] + around["width"] >= cell["x"] + cell["width"]
        assert cell["x"] >= names["x"] + names["width"] - 1
        assert cell["x"] + cell["width"] <= PHONE["width"]
        edge = {
            "x": around["x"] - 3,
            "y": around["y"] - 3,
            "width": around["width"] + 6,
            "height": around["height"] + 6,
        }
        with_ring = page.screenshot(clip=edge)
        page.evaluate("document.querySelectorAll('.ring').forEach((one) => one.remove())")
        assert page.screenshot(clip=edge) != with_ring
