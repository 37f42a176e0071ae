"""The rows walked with a phone in the hand, in a real browser, to a verdict that is surer."""

from itertools import pairwise

import pytest

from pageroom import PHONE, browser_tests, until, watched

pytestmark = browser_tests("walk")

# Keeps where the mark was drawn, and what was said above it.
WATCH = """() => {
  window.seen = { places: [], words: [] };
  new MutationObserver((changes) => {
    for (const { target } of changes) {
      if (target.nodeType !== 1 || !target.matches(".walker")) continue;
      seen.places.push(target.getAttribute("transform").match(/[-.0-9]+/g).map(Number));
    }
    const leg = document.querySelector("[data-walk-leg]")?.textContent;
    if (leg && leg !== seen.words.at(-1)) seen.words.push(leg);
  }).observe(document.body, { subtree: true, childList: true, attributes: true });
}"""
LEGS = [
    "Stand at the front of the left aisle.",
    "Walk down the aisle.",
    "Walk across the back.",
    "Walk up the other aisle.",
    "Stand still: it rings out.",
]


@pytest.fixture(scope="module")
def visit(room):
    return room.taken_demo()


def phone(browser, room, **options):
    return watched(browser, room.url, viewport=PHONE, has_touch=True, is_mobile=True, **options)


def forecast(room, visit):
    return room.ask("GET", f"/api/visits/{visit}/result")["forecast"]


def assert_at_once(page):
    """The plan, the buttons and Stop are on the screen, and nothing is scrolled sideways."""
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert page.evaluate("scrollY") == 0
    shown = [
        page.locator(".walk-plan svg:visible"),
        *(page.get_by_role("button", name=name) for name in ("front", "middle", "back", "Stop")),
    ]
    for one in shown:
        box = one.bounding_box()
        assert box["x"] >= 0
        assert box["y"] >= 0
        assert box["x"] + box["width"] <= PHONE["width"]
        assert box["y"] + box["height"] <= PHONE["height"]
        assert box["height"] >= 44


def assert_way(places):
    """Down the room, across it, and up again; never back."""
    first, last = places[0], places[-1]
    farthest = max(x for x, _ in places)
    turn = [x for x, _ in places].index(farthest)
    down, up = places[: turn + 1], places[turn:]
    assert all(x <= after + 0.01 for (x, _), (after, _) in pairwise(down))
    assert all(x >= after - 0.01 for (x, _), (after, _) in pairwise(up))
    assert last[0] == pytest.approx(first[0], abs=1.0)
    assert abs(last[1] - first[1]) > 50


@pytest.fixture(scope="module")
def pressed(browser, room, visit):
    """Both sides, walked from the page of the takes to the verdict."""
    seen = {"before": forecast(room, visit)}
    with phone(browser, room) as page:
        page.goto(f"{room.url}/visit/{visit}/takes")
        page.evaluate(WATCH)
        beside = page.locator(".all-done + .row")
        seen["offered"] = beside.get_by_role("button").all_inner_texts()
        beside.get_by_role("button", name="Walk left").tap()
        page.locator(".walking").wait_for()
        assert_at_once(page)
        until(lambda: page.evaluate("seen.words.length") > 2, "it goes across the back")
        assert_at_once(page)
        page.get_by_role("button", name="back").tap()
        page.locator('[aria-pressed="true"]').wait_for()
        page.locator(".outcome.good").filter(has_text="left, walk:").wait_for()
        seen |= page.evaluate("seen")
        beside.get_by_role("button", name="Walk right").tap()
        page.locator(".outcome.good").filter(has_text="right, walk:").wait_for()
        assert beside.get_by_role("button").count() == 0
        page.get_by_role("link", name="To the verdict").tap()
        page.get_by_role("heading", name="Verdict", exact=True).wait_for()
        seen["verdict"] = page.locator("main").inner_text()
        seen["map"] = page.locator("svg:visible").first.text_content()
    seen["after"] = forecast(room, visit)
    return seen


def test_walk_is_the_one_button_beside_the_way_on(pressed):
    assert pressed["offered"] == ["Walk left"]


def test_mark_goes_the_way_and_words_say_where_to(pressed):
    assert pressed["words"][:5] == LEGS
    assert_way(pressed["places"])
    assert len(pressed["places"]) > 50, "it glides"


def test_verdict_is_surer_and_shows_the_rows(pressed):
    before, after = pressed["before"], pressed["after"]
    assert after["seat_doubt_db"] < before["seat_doubt_db"] - 0.4
    assert (
        f"Walked: each seat is known give or take {after['seat_doubt_db']:.1f} dB ("
        in pressed["verdict"]
    )
    low_db, high_db = after["seat_after_90_db"]
    assert high_db - low_db < before["seat_after_90_db"][1] - before["seat_after_90_db"][0]
    assert "walk 5 of 5" in pressed["map"]


def test_press_in_passing_is_kept_with_the_take(pressed, room, visit):
    rows = [
        take["walk"]["rows"]
        for take in room.ask("GET", f"/api/visits/{visit}/result")["takes"]
        if take["walk"]
    ]
    assert [len(one) for one in rows] == [5, 5]


def test_mark_steps_where_motion_is_to_be_spared_and_stop_keeps_nothing(browser, room, visit):
    with phone(browser, room, reduced_motion="reduce", color_scheme="dark") as page:
        page.goto(f"{room.url}/visit/{visit}/takes")
        page.evaluate(WATCH)
        takes = len(room.ask("GET", f"/api/visits/{visit}")["takes"])
        page.get_by_role("button", name="Walk left, again").tap()
        until(lambda: page.evaluate("seen.words.length") > 3, "it goes up the other aisle")
        page.get_by_role("button", name="Stop").tap()
        page.get_by_text("Stopped. Nothing was kept.").wait_for()
        places = {tuple(place) for place in page.evaluate("seen.places")}
        assert 1 < len(places) <= 32, "once a second"
        assert len(room.ask("GET", f"/api/visits/{visit}")["takes"]) == takes
        assert page.locator(".docket").is_visible(), "the page is whole again"
