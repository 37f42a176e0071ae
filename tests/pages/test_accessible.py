"""Every page in both looks and at both sizes: for thumbs, for keys, for readers, and for itself.

Rules: WCAG 2.2 levels A and AA as axe-core checks them. Targets of 44 px: WCAG 2.2, 2.5.5
(enhanced), a link within a sentence excepted; that they are 8 px apart is common practice, no
source. No sideways scrolling at 320 px: WCAG 2.2, 1.4.10. Layout shift: the web performance
group's Layout Instability draft.
"""

import math
import re
import zipfile
from itertools import combinations

import pytest
from axe_playwright_python.sync_playwright import Axe

from evenhall.job.demo.folder import write_demo, write_demo_after
from pageroom import LAPTOP, PHONE, PageRoom, browser_tests, until, watched

pytestmark = browser_tests("accessible")

CARD = {"both": {200.0: -5.0, 3150.0: -4.0}}
STEPS = ("set-out", "line-check", "takes", "verdict", "worklist", "proof", "hand-over")
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}
# Colours are all that differs between the two looks.
RULES_OF_COLOUR = {"runOnly": {"type": "rule", "values": ["color-contrast"]}}
TARGET_PX, APART_PX = 44.0, 8.0
NARROW = {"width": 320, "height": 640}
SHIFT = 0.02

TARGETS = """() => {
  const found = [];
  for (const one of document.querySelectorAll("button, a, input, select, summary, textarea")) {
    // Within a sentence, and the one that is hidden until it has the focus.
    if (one.matches("p:not(.venue) a:not(.button), li > a:not(.visits a), .skip")) continue;
    // A box to tick is as large as what is written beside it: all of it can be pressed.
    const place = one.matches("[type=checkbox]") ? one.closest("label") : one;
    const { left, right, top, bottom, width, height } = place.getBoundingClientRect();
    if (width && height && one.checkVisibility()) {
      const name = one.ariaLabel || one.innerText || one.name || one.id;
      found.push([name.slice(0, 50), width, height, left, right, top, bottom]);
    }
  }
  return found;
}"""
SHIFTED = """() => new Promise((done) => {
  let sum = 0;
  new PerformanceObserver((list) => {
    for (const one of list.getEntries()) sum += one.value;
  }).observe({ type: "layout-shift", buffered: true });
  setTimeout(() => done(sum), 150);
})"""
FOCUSED = """() => {
  const one = document.activeElement;
  const { outlineStyle, outlineWidth } = getComputedStyle(one);
  return {
    tag: one.tagName,
    name: one.ariaLabel || one.innerText || one.labels?.[0]?.innerText || "",
    ring: outlineStyle !== "none" && parseFloat(outlineWidth) >= 2,
    inside: one !== document.body,
  };
}"""


@pytest.fixture(scope="module")
def paths(browser, room, tmp_path_factory):
    """Pages of a visit that has just begun and of one that is all done, and those around them."""
    folder = tmp_path_factory.mktemp("done") / "demo"
    write_demo(folder)
    write_demo_after(folder, CARD)
    packed = folder.with_suffix(".zip")
    with zipfile.ZipFile(packed, "w") as archive:
        for file in folder.rglob("*"):
            archive.write(file, file.relative_to(folder))
    context = browser.new_context()
    file = {"name": "demo.zip", "mimeType": "application/zip", "buffer": packed.read_bytes()}
    answer = context.request.post(f"{room.url}/api/visits/import", multipart={"file": file})
    done = answer.json()["number"]
    context.close()
    begun = room.new_demo()
    return (
        *(f"/visit/{done}/{step}" for step in STEPS),
        f"/visit/{done}/card?side=left",
        f"/visit/{done}/card?side=left&at=1",
        *(f"/visit/{begun}/{step}" for step in ("set-out", "line-check", "takes")),
        "/visits",
        f"/phone?visit={begun}",
        "/pair",
        "/visit/999/takes",
    )


def violations(page):
    """What axe-core finds on this page in the light, and in the dark."""
    found = []
    looks = (("light", "none", RULES), ("dark", "none", RULES_OF_COLOUR))
    for scheme, forced, rules in (*looks, ("dark", "active", RULES_OF_COLOUR)):
        page.emulate_media(color_scheme=scheme, forced_colors=forced)
        for one in Axe().run(page, options=rules).response["violations"]:
            look = f"{scheme}, forced {forced}, {one['id']}"
            found += [f"{look}: {node['html'][:150]}" for node in one["nodes"]]
    page.emulate_media(forced_colors="none")
    return found


def unfit(page):
    """What is too small for a thumb on this page, or too near something else."""
    targets = page.evaluate(TARGETS)
    assert targets
    small = [one[:3] for one in targets if min(one[1:3]) < TARGET_PX - 0.01]
    return small + [
        (one[0], other[0], apart)
        for one, other in combinations(targets, 2)
        if (apart := _apart_px(one[3:], other[3:])) < APART_PX - 0.01
    ]


def _apart_px(one, other):
    across = max(one[0], other[0]) - min(one[1], other[1])
    along = max(one[2], other[2]) - min(one[3], other[3])
    return math.hypot(max(across, 0.0), max(along, 0.0))


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_pages_are_fit_for_readers_thumbs_and_both_looks(browser, room, paths, size):
    wrong = {}
    with watched(browser, room.url, viewport=size) as page:
        for path in paths:
            page.goto(room.url + path)
            if (shifted := page.evaluate(SHIFTED)) >= SHIFT:
                wrong[path, "shift"] = shifted
            wide = page.evaluate("document.scrollingElement.scrollWidth")
            if wide > size["width"]:
                wrong[path, "too wide"] = wide
            if small := unfit(page):
                wrong[path, "too small"] = small
            if found := violations(page):
                wrong[path, "rules"] = found
    assert not wrong, "\n".join(f"{where}: {what}" for where, what in wrong.items())


def test_pages_hold_at_320_px(browser, room, paths):
    wrong = {}
    with watched(browser, room.url, viewport=NARROW) as page:
        for path in paths:
            page.goto(room.url + path)
            wide = page.evaluate("document.scrollingElement.scrollWidth")
            if wide > NARROW["width"]:
                wrong[path, "too wide"] = wide
            if small := unfit(page):
                wrong[path, "unfit"] = small
    assert not wrong, "\n".join(f"{where}: {what}" for where, what in wrong.items())


@pytest.fixture(scope="module")
def slow(tmp_path_factory):
    """A server whose hall is as slow as a real one: there is time to look while it sounds."""
    with PageRoom(tmp_path_factory.mktemp("slow"), pace=1.0) as served:
        yield served


@pytest.mark.live
def test_pages_are_fit_while_something_sounds_or_is_asked(browser, slow):
    visit = slow.new_demo()
    wrong = {}

    def look(what):
        for size in (LAPTOP, PHONE):
            page.set_viewport_size(size)
            if found := [*violations(page), *unfit(page)]:
                wrong[what, size["width"]] = found

    with watched(browser, slow.url, viewport=LAPTOP) as page:
        page.goto(f"{slow.url}/visit/{visit}/line-check")
        page.get_by_role("button", name="Start the line check").click()
        page.get_by_role("button", name="Only left sounds").wait_for()
        look("asking")
        page.get_by_role("button", name="Stop").click()
        page.locator(".outcome").wait_for()
        look("stopped")
        page.goto(f"{slow.url}/visit/{visit}/takes")
        page.get_by_role("button", name="Take left, front").first.click()
        page.locator("[data-left]").filter(has_text=re.compile(r"\d s")).wait_for()
        look("sounding")
        assert slow.phase() == "sound", "it sounded all the while"
        page.get_by_role("button", name="Stop").click()
        page.locator(".outcome").wait_for()
    assert not wrong, "\n".join(f"{where}: {what}" for where, what in wrong.items())


def press(page, name, key="Enter"):
    """Go to what is so named with the tab key, see that it shows, and press it."""
    for _ in range(160):
        page.keyboard.press("Tab")
        at = page.evaluate(FOCUSED)
        if re.match(name, " ".join(at["name"].split())):
            break
    else:
        raise AssertionError(f"the tab key never comes to {name!r}")
    assert at["ring"], f"{name!r} does not show that it has the focus"
    page.keyboard.press(key)


def test_visit_goes_by_keyboard_alone(browser, room):
    visit = room.new_demo()
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visit/{visit}/set-out")
        page.keyboard.press("Tab")
        assert page.evaluate(FOCUSED)["name"] == "To the page"
        press(page, "To the line check")
        page.wait_for_url("**/line-check")
        press(page, "Start the line check")
        for side in ("left", "right"):
            page.get_by_role("button", name=f"Only {side} sounds").wait_for()
            press(page, f"Only {side} sounds")
        page.locator(".outcome").wait_for()
        press(page, "Takes")
        page.wait_for_url("**/takes")
        for side in ("left", "right"):
            for spot in ("front", "middle", "back"):
                press(page, f"Take {side}, {spot}$")
                page.locator(".outcome").filter(has_text=f"{side}, {spot}:").wait_for()
                until(lambda: page.evaluate(FOCUSED)["inside"], "focus")
        press(page, "To the verdict")
        page.wait_for_url("**/verdict")
        press(page, "To the worklist")
        page.wait_for_url("**/worklist")
        press(page, "Left is .* hot", "Space")
        until(lambda: any(n.startswith("tick.") for n in room.entries(visit)), "tick is kept")
        press(page, "One fader at a time")
        page.wait_for_url("**/card?side=left&at=1")
        press(page, "Set$")
        page.wait_for_url("**/card?side=left&at=2")
        press(page, "Back$")
        page.wait_for_url("**/worklist")
        press(page, "To the proof")
        page.wait_for_url("**/proof")


@pytest.mark.live
def test_focus_stays_on_the_page_while_it_renews_itself_during_a_take(browser, slow):
    visit = slow.new_demo()
    with watched(browser, slow.url, viewport=LAPTOP) as page:
        page.goto(f"{slow.url}/visit/{visit}/takes")
        press(page, "Take left, front$")
        until(lambda: slow.phase() == "sound", "sound")
        until(lambda: page.evaluate(FOCUSED)["name"] == "Stop", "focus on Stop", within_s=2.0)
        page.keyboard.press("Enter")
        page.locator(".outcome").get_by_text("Stopped").wait_for()
        # What was stopped is told, and Enter would not start it again.
        until(lambda: page.evaluate(FOCUSED)["tag"] == "SECTION", "focus", within_s=2.0)
        assert page.evaluate(FOCUSED)["name"] == "How it went"


def test_focus_and_half_a_figure_stay_when_another_page_changes_something(browser, room):
    visit = room.new_demo()
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visit/{visit}/set-out")
        width = page.get_by_role("textbox", name="Width")
        width.fill("9.")
        room.ask("PUT", f"/api/visits/{visit}/entries/venue.height_m", {"value": 4.9})
        height = page.get_by_role("textbox", name="Height").first
        until(lambda: height.input_value() == "4.9", "height")
        page.keyboard.type("25")
        assert width.input_value() == "9.25"
        page.keyboard.press("Tab")
        until(lambda: room.entries(visit)["venue.width_m"] == 9.25, "width is kept")


def test_hall_and_its_forecast_follow_what_is_typed(browser, room):
    visit = room.new_demo()
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visit/{visit}/set-out")
        hall = page.locator("#hall")
        hall.get_by_text("What height and aim would bring").click()  # it stays open
        hall.get_by_text(re.compile("Raise both boxes to .* licensed rigger")).wait_for()
        assert hall.locator("svg:visible .row-levels").count() == 1
        page.get_by_label("Highest your stands allow").fill("2.8")
        hall.get_by_text(re.compile("Raise both boxes to 2.[6-8] m")).wait_for()
        hall.locator("svg:visible .key").get_by_text("stand reaches 2.8 m").wait_for()
        page.get_by_label("Last row").fill("30")
        hall.get_by_text("The last row (30 m) is above the length of the room (16 m).").wait_for()
        assert hall.locator("svg:visible").count() == 1


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_drawings_tell_their_figures_to_keys_pointer_and_thumb(browser, room, paths, size):
    touch = {"has_touch": True, "is_mobile": True} if size is PHONE else {}
    with watched(browser, room.url, viewport=size, **touch) as page:
        page.goto(room.url + paths[3])
        figure = page.locator("[data-explore]").first
        reading = figure.locator(".reading")
        figure.locator("[data-step='1']").focus()
        said = []
        for key in ("ArrowRight", "ArrowRight", "ArrowLeft"):
            page.keyboard.press(key)
            said.append(reading.inner_text())
        assert "dB" in said[0] + said[1]
        assert said[0] != said[1]
        assert said[2] == said[0]
        cells = figure.locator("svg:visible g:has(> title)").filter(has=page.locator("rect"))
        cell = cells.filter(has_text=re.compile("dB")).nth(12)
        cell.scroll_into_view_if_needed()
        (cell.tap if touch else cell.hover)()
        told = cell.locator("> title").text_content()
        assert "dB" in told
        assert reading.inner_text() == told


def test_own_step_stays_in_sight_on_a_phone_when_the_page_renews_itself(browser, room):
    number = room.new_demo()
    with watched(browser, room.url, viewport=PHONE) as page:
        page.goto(f"{room.url}/visit/{number}/hand-over")
        own = page.locator(".steps [aria-current]")
        for _ in range(2):
            with page.expect_response("**/hand-over"):
                page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
            page.wait_for_timeout(200)
            box = own.bounding_box()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= PHONE["width"]


def test_content_policy_holds(browser, room):
    context = browser.new_context()
    page = context.new_page()
    page.goto(f"{room.url}/visits")
    refused = []
    page.on("console", lambda message: refused.append(message.text))
    page.evaluate(
        """() => {
          const script = document.createElement("script");
          script.textContent = "window.strange = 1";
          document.body.append(script);
          const image = document.createElement("img");
          image.src = "http://127.0.0.9:1/";
          document.body.append(image);
        }"""
    )
    until(lambda: len(refused) >= 2, "both are refused")
    assert page.evaluate("window.strange") is None
    assert all("Content Security Policy" in line for line in refused)
    context.close()
