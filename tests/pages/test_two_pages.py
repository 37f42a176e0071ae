"""Laptop and phone side by side: in step, neither's work lost, and quiet when the Wi-Fi is gone."""

import re
import time

import pytest

from pageroom import LAPTOP, PHONE, PHONE_ADDRESS, PageRoom, Wire, browser_tests, until, watched

pytestmark = browser_tests("two")

STEADY = 3.0  # times as fast as a real hall: a take lasts some four seconds
CONFLICT = "Changed on another page meanwhile"


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    with Wire("", 0) as wire, PageRoom(tmp_path_factory.mktemp("two"), pace=STEADY) as served:
        served.wire = wire
        yield served


@pytest.fixture(scope="module")
def visit(room):
    return room.new_demo()


@pytest.fixture
def laptop(browser, room):
    with watched(browser, room.url, viewport=LAPTOP) as page:
        yield page


@pytest.fixture
def phone(browser, room, visit):
    """A phone that came in through the code on the laptop; its sound is over when it leaves."""
    origin = f"http://{PHONE_ADDRESS}:{room.port}"
    with watched(browser, origin, viewport=PHONE, has_touch=True, is_mobile=True) as page:
        door = room.ask("POST", "/api/phone/open", {})
        page.goto(f"{door['address']}#{door['code'].replace(' ', '')}")
        page.wait_for_url("**/visit/**")
        page.origin = origin
        yield page
        room.ask("POST", "/api/sound/stop")
        until(lambda: room.phase() in ("ended", "idle", "failed"), "quiet")


def test_code_typed_on_the_phone_lets_it_in_once(browser, room, laptop, visit):
    laptop.goto(f"{room.url}/phone?visit={visit}")
    laptop.get_by_role("button", name=re.compile("Let a phone in|Make a new code")).click()
    code = laptop.locator(".door .code").inner_text()
    address = laptop.locator(".door p").first.inner_text()
    assert laptop.get_by_role("img", name="QR code").is_visible()
    for allowed in (True, False):
        context = browser.new_context(viewport=PHONE)
        page = context.new_page()
        page.goto(address.replace("/pair", f"/visit/{visit}/takes"))
        assert page.url == address, "without a code nothing is shown"
        page.get_by_label("Code").fill(code.lower())
        page.get_by_role("button", name="Come in").click()
        if allowed:
            page.wait_for_url("**/visit/**")
        else:
            page.get_by_role("alert").get_by_text("wrong or spent").wait_for()
        context.close()


@pytest.mark.live
def test_laptop_follows_and_stops_what_the_phone_starts_and_the_other_way_round(
    room, laptop, phone, visit
):
    for page, origin in ((laptop, room.url), (phone, phone.origin)):
        page.goto(f"{origin}/visit/{visit}/takes")
        page.get_by_role("button", name="Take left, front").first.wait_for()
    for starts, follows in ((phone, laptop), (laptop, phone)):
        starts.get_by_role("button", name="Take left, front").first.click()
        begun = time.monotonic()
        follows.get_by_role("button", name="Stop").wait_for(timeout=1000)
        assert time.monotonic() - begun < 1.0
        # What cannot be done while it sounds is not offered either: nobody else can start one.
        assert follows.get_by_role("button", name="Take left, middle").count() == 0
        follows.locator("[data-left]").filter(has_text=re.compile(r"^\d+ s$")).wait_for()
        follows.get_by_role("button", name="Stop").click()
        starts.get_by_text("Stopped. Nothing was kept.").wait_for(timeout=2000)
        assert room.phase() == "ended"
    assert not room.ask("GET", f"/api/visits/{visit}")["takes"]


def test_second_page_that_has_not_heard_yet_cannot_start_another(room, laptop, phone, visit):
    laptop.goto(f"{room.url}/visit/{visit}/takes")
    phone.goto(f"{phone.origin}/visit/{visit}/takes")
    phone.get_by_role("button", name="Take left, front").first.tap()
    laptop.get_by_role("button", name="Stop").wait_for()
    order = {"visit": visit, "side": "right", "spot": "back", "holder": "x", "warned": True}
    answer = laptop.request.post(
        f"{room.url}/api/sound/take", data=order, headers={"origin": room.url}
    )
    assert answer.status == 422
    assert "Stop it first" in answer.text()
    assert room.ask("GET", "/api/sound")["side"] == "left"


def test_figures_and_ticks_of_one_are_seen_on_the_other(room, laptop, phone, visit):
    laptop.goto(f"{room.url}/visit/{visit}/set-out")
    phone.goto(f"{phone.origin}/visit/{visit}/set-out")
    phone.get_by_role("textbox", name="Last row").fill("12,5")
    phone.keyboard.press("Tab")
    row = laptop.get_by_role("textbox", name="Last row")
    until(lambda: row.input_value() == "12.5", "figure on the laptop")
    for page, origin in ((laptop, room.url), (phone, phone.origin)):
        page.goto(f"{origin}/visit/{visit}/hand-over")
    # The laptop's own box has the focus, and follows all the same.
    box, other = (page.get_by_role("checkbox", name="stage") for page in (laptop, phone))
    box.check()
    until(other.is_checked, "tick on the phone")
    other.uncheck()
    until(lambda: not box.is_checked(), "tick gone on the laptop")


@pytest.mark.parametrize("mine", [True, False])
def test_figure_changed_on_both_is_asked_for(room, laptop, phone, visit, mine):
    for page, origin in ((laptop, room.url), (phone, phone.origin)):
        page.goto(f"{origin}/visit/{visit}/set-out")
    here, there = (page.get_by_role("textbox", name="Length") for page in (laptop, phone))
    before = float(here.input_value())
    here.fill(f"{before + 1:g}")  # typed, not left yet
    there.fill(f"{before + 2:g}")
    there.blur()
    until(lambda: room.entries(visit)["venue.length_m"] == before + 2, "the phone's is kept")
    laptop.wait_for_timeout(500)  # the news are here by now
    assert here.input_value() == f"{before + 1:g}"
    here.blur()
    question = laptop.get_by_role("alert").filter(has_text=CONFLICT)
    question.wait_for()
    assert f"to {before + 2:g}" in question.inner_text()
    assert room.entries(visit)["venue.length_m"] == before + 2
    laptop.get_by_role("button", name="Keep mine" if mine else "Take theirs").click()
    question.wait_for(state="detached")
    wanted = before + 1 if mine else before + 2
    until(lambda: room.entries(visit)["venue.length_m"] == wanted, "the answer is kept")
    until(lambda: here.input_value() == there.input_value() == f"{wanted:g}", "both show it")


@pytest.mark.live
def test_reload_of_the_page_that_started_it_lets_the_take_go_on(room, laptop):
    visit = room.new_demo()
    laptop.goto(f"{room.url}/visit/{visit}/takes")
    laptop.get_by_role("button", name="Take left, front").first.click()
    until(lambda: room.phase() == "sound", "sound")
    laptop.reload()
    laptop.get_by_role("button", name="Stop").wait_for()
    laptop.locator(".outcome.good").wait_for()
    assert len(room.ask("GET", f"/api/visits/{visit}")["takes"]) == 1


@pytest.mark.live
def test_page_that_is_closed_stops_its_sound(browser, room):
    visit = room.new_demo()
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visit/{visit}/takes")
        page.get_by_role("button", name="Take left, front").first.click()
        until(lambda: room.phase() == "sound", "sound")
    until(lambda: room.phase() == "ended", "quiet", within_s=2.0)
    assert "was closed" in room.ask("GET", "/api/sound")["text"]


@pytest.fixture
def behind_wire(browser, tmp_path):
    """A phone behind a wire, and the server at the other end; the hall as slow as a real one."""
    with Wire(PHONE_ADDRESS, 0) as wire:
        room = PageRoom(tmp_path / "wire", pace=1.0)
        room.wire_host = wire.host
        with room:
            door = room.ask("POST", "/api/phone/open", {})
            wire.lead_to(PHONE_ADDRESS, room.port)
            context = browser.new_context(viewport=PHONE)
            page = context.new_page()
            page.goto(f"http://{wire.host}/pair#{door['code'].replace(' ', '')}")
            page.wait_for_url("**/visits")
            yield room, wire, page
            wire.mend()
            context.close()


@pytest.mark.live
def test_sound_stops_within_two_seconds_of_lost_wifi_and_all_comes_back(behind_wire):
    room, wire, page = behind_wire
    visit = room.new_demo()
    page.goto(f"http://{wire.host}/visit/{visit}/takes")
    page.get_by_role("button", name="Take left, front").first.click()
    until(lambda: room.phase() == "sound", "sound")
    time.sleep(1.0)
    assert room.phase() == "sound"

    wire.cut()
    cut_s = time.monotonic()
    until(lambda: room.phase() == "ended", "quiet", within_s=2.0)
    print(f"quiet {time.monotonic() - cut_s:.2f} s after the cut")  # noqa: T201
    page.get_by_role("alert").get_by_text("No connection to the laptop").wait_for(timeout=20_000)

    wire.mend()
    page.get_by_text("No connection to the laptop. Any sound").wait_for(
        state="hidden", timeout=20_000
    )
    page.locator(".outcome").get_by_text("Stopped by itself").wait_for()
    assert page.get_by_role("button", name="Take left, front").first.is_enabled()
    assert not room.ask("GET", f"/api/visits/{visit}")["takes"]


def test_notes_and_ticks_of_a_time_without_wifi_are_kept_when_it_comes_back(behind_wire):
    room, wire, page = behind_wire
    visit = room.new_demo()
    page.goto(f"http://{wire.host}/visit/{visit}/hand-over")
    wire.cut()
    note = page.get_by_role("textbox", name="Note, middle")
    note.fill("Boomy")
    page.get_by_role("checkbox", name="back").check()
    page.get_by_role("textbox", name="For the next visit").fill("not left ye")
    page.get_by_role("alert").get_by_text("No connection to the laptop").wait_for(timeout=20_000)
    wire.mend()
    page.get_by_text("No connection to the laptop. Any sound").wait_for(
        state="hidden", timeout=20_000
    )
    page.keyboard.type("t")
    until(lambda: room.entries(visit).get("note.middle") == "Boomy", "note is kept")
    until(lambda: room.entries(visit).get("walk.back") is True, "tick is kept")
    assert note.input_value() == "Boomy"
    assert page.get_by_role("textbox", name="For the next visit").input_value() == "not left yet"
    page.get_by_role("heading", name="Next time").click()
    until(lambda: room.entries(visit).get("note.all") == "not left yet", "last note is kept")


def test_page_comes_back_when_the_server_does(browser, tmp_path):
    with PageRoom(tmp_path / "killed") as room:
        visit = room.new_demo()
        room.take(visit, "left", "front")
        context = browser.new_context(viewport=LAPTOP)
        page = context.new_page()
        page.goto(f"{room.url}/visit/{visit}/hand-over")
        room.kill()
        note = page.get_by_role("textbox", name="Note, front")
        note.fill("Typed while it was gone")
        note.blur()
        page.get_by_role("alert").get_by_text("No connection to the laptop").wait_for(
            timeout=20_000
        )
        room.start()
        page.get_by_text("No connection to the laptop. Any sound").wait_for(
            state="hidden", timeout=20_000
        )
        until(
            lambda: room.entries(visit).get("note.front") == "Typed while it was gone",
            "the note is kept",
        )
        assert note.input_value() == "Typed while it was gone"
        assert len(room.ask("GET", f"/api/visits/{visit}")["takes"]) == 1
        context.close()


def test_page_renews_itself_one_time_after_the_other(room, laptop):
    """Two at once came back in the wrong order now and then: a page stayed at a take long over."""
    visit = room.new_demo()
    laptop.goto(f"{room.url}/visit/{visit}/hand-over")
    under_way, most = set(), 0

    def begun(request):
        nonlocal most
        if request.url.endswith("/hand-over"):
            under_way.add(request)
            most = max(most, len(under_way))

    laptop.on("request", begun)
    laptop.on("requestfinished", lambda request: under_way.discard(request))
    for count in range(10):
        room.ask("PUT", f"/api/visits/{visit}/entries/note.all", {"value": f"note {count}"})
        laptop.wait_for_timeout(15)
    note = laptop.get_by_role("textbox", name="For the next visit")
    until(lambda: note.input_value() == "note 9", "the last note is shown")
    assert most == 1


def test_what_takes_longer_than_a_moment_says_so_until_it_is_done(laptop, room):
    held = []
    laptop.goto(f"{room.url}/visits")
    laptop.route("**/api/visits", lambda route: held.append(route))
    laptop.get_by_text("Simulated hall, to try").click()
    laptop.get_by_role("button", name="Try the simulated hall").click()
    laptop.get_by_text("One moment").wait_for()
    held[0].fulfill(status=409, json={"faults": ["Not now."]})
    laptop.get_by_text("Not now.").wait_for()
    assert not laptop.get_by_text("One moment").count()
