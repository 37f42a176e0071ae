"""A whole visit in the demo's hall, pressed through in a real browser as a newcomer does."""

import io
import re
import zipfile

import pypdf
import pytest

from pageroom import LAPTOP, PHONE, browser_tests, until, watched

pytestmark = browser_tests("visit")

SPOTS = ("front", "middle", "back")
ORDER = [(side, spot) for side in ("left", "right") for spot in SPOTS]
HEARD_BACK, FOR_NEXT_TIME = "Dull under the gallery", "Bring the taller stands"


def take_all(page):
    for side, spot in ORDER:
        page.locator("button.act").get_by_text(f"Take {side}, {spot}").click()
        page.locator(".outcome").filter(has_text=f"{side}, {spot}:").wait_for()


def set_card(page):
    """Set each fader that is asked for; give what was read on the way, Hz and dB."""
    read = []
    while page.get_by_role("button", name="Set", exact=True).count():
        read.append((page.locator(".hz").inner_text(), page.locator(".value").inner_text()))
        address = page.url
        page.get_by_role("button", name="Set", exact=True).click()
        page.wait_for_url(lambda url, address=address: url != address)
    return read


@pytest.fixture(scope="module")
def pressed(browser, room):
    """A visit from the first page to the hand-over: what was seen on the way."""
    seen = {}
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visits")
        page.get_by_text("Simulated hall, to try").click()
        page.get_by_role("button", name="Try the simulated hall").click()
        page.get_by_role("heading", name="Set out").wait_for()
        seen["visit"] = int(re.search(r"/visit/(\d+)/", page.url)[1])
        page.get_by_role("link", name="To the line check").click()

        page.get_by_role("button", name="Start the line check").click()
        page.get_by_role("button", name="Only left sounds").click()
        page.get_by_role("button", name="Only right sounds").click()
        seen["line"] = page.get_by_role("region", name="How it went").inner_text()

        page.get_by_role("navigation", name="Steps").get_by_role(
            "link", name=re.compile("^Takes")
        ).click()
        page.get_by_role("button", name="Set the gain").click()
        page.get_by_role("button", name="Set the gain again").wait_for()
        take_all(page)
        page.get_by_role("link", name="To the verdict").click()
        page.get_by_role("heading", name="Verdict", exact=True).wait_for()
        seen["verdict"] = page.locator(".sentence").inner_text()
        seen["first"] = page.locator("section", has_text="Do first").locator("p").first.inner_text()

        page.get_by_role("link", name="To the worklist").click()
        page.get_by_role("heading", name="Worklist", exact=True).wait_for()
        seen["hands"] = [
            one.inner_text()
            for one in page.get_by_role("listitem").filter(has=page.get_by_role("checkbox")).all()
        ]
        for box in page.get_by_role("checkbox").all():
            box.check()
        page.get_by_role("button", name="Take all spots again").click()
        page.get_by_role("heading", name="Takes", exact=True).first.wait_for()
        take_all(page)
        page.get_by_role("link", name="To the worklist").click()
        page.get_by_role("heading", name="Worklist", exact=True).wait_for()
        skips = page.get_by_role("button", name="Cannot be done tonight")
        while left := skips.count():
            skips.first.click()
            until(lambda left=left: skips.count() < left, "what cannot be done is skipped")
        page.get_by_role("link", name="One fader at a time").first.click()
        page.wait_for_url("**/card?**")
        seen["faders"] = set_card(page)
        page.get_by_role("link", name="Now right").click()
        page.get_by_role("button", name="All set").click()
        page.get_by_text("The right side is set").wait_for()

        page.get_by_role("link", name="To the proof").click()
        take_all(page)
        seen["proof"] = page.locator(".sentence").inner_text()
        page.get_by_role("link", name="To the hand-over").click()
        for place in page.locator(".walk").get_by_role("checkbox").all():
            place.check()
        page.get_by_role("textbox", name="Note, back").fill(HEARD_BACK)
        page.get_by_role("textbox", name="For the next visit").fill(FOR_NEXT_TIME)
        page.get_by_role("heading", name="To take away").click()
        until(lambda: room.entries(seen["visit"]).get("note.all"), "the note is kept")
        for name, link in (("pdf", "Sheet to print"), ("zip", "Job folder")):
            address = page.get_by_role("link", name=link).get_attribute("href")
            seen[name] = page.request.get(room.url + address).body()
        seen["next"] = page.locator("#next").inner_text()
    return seen


def text_of(pdf):
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def lettered(faders):
    """What the faceplate of a card says, slider by slider: its turn and value, its frequency."""
    words = []
    for one in faders:
        hertz, decibels = one["hz"], one["fader_db"]
        if decibels:
            words += [str(one["order"]), f"{decibels:+g}".replace("-", "\u2212")]
        words.append(f"{hertz / 1000.0:g}k" if hertz >= 1000.0 else f"{hertz:g}")
    return " ".join(words)


@pytest.fixture(scope="module")
def result(room, pressed):
    return room.ask("GET", f"/api/visits/{pressed['visit']}/result")


def test_every_element_is_heard(pressed):
    assert pressed["line"].strip() == "Every element works."


def test_verdict_and_hands_are_told(pressed):
    assert re.match(r"Seats are [\d.]+ dB from the target on average now; ", pressed["verdict"])
    assert pressed["first"].strip() in pressed["hands"][0]
    assert any("aise" in text for text in pressed["hands"])


def test_work_is_proven(pressed, result):
    assert pressed["proof"].startswith("Proven. Six takes after the work")
    assert result["proof"]["holds"]
    assert pressed["next"].startswith("Now: All is done.")


def test_one_fader_at_a_time_says_what_the_result_says(pressed, result):
    card = result["card"].get("left") or result["card"]["both"]
    first = sorted((one for one in card if one["fader_db"]), key=lambda one: one["order"])
    wanted = [(one["hz"], one["fader_db"]) for one in first]
    assert wanted
    read = []
    for hz, value in pressed["faders"]:
        number = hz.replace("Hz", "").strip()
        hertz = float(number.replace("k", "")) * (1000.0 if "k" in number else 1.0)
        decibels = float(value.replace("dB", "").replace("\u2212", "-").replace("+", "").strip())
        read.append((hertz, decibels))
    assert read == wanted


def test_sheet_holds_venue_moves_notes_and_card(pressed, result):
    text = text_of(pressed["pdf"])
    assert "Ottersfold Hall" in text
    for move in result["moves"]:
        assert " ".join(move["text"].split()) in text
    assert HEARD_BACK in text
    assert FOR_NEXT_TIME in text
    for faders in result["card"].values():
        assert lettered(faders) in text


@pytest.fixture(scope="module")
def again(browser, room, pressed, tmp_path_factory):
    """The visit out of its job folder, read in through the page."""
    file = tmp_path_factory.mktemp("again") / "folder.zip"
    file.write_bytes(pressed["zip"])
    assert "job.toml" in {name.split("/")[-1] for name in zipfile.ZipFile(file).namelist()}
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visits")
        page.get_by_label("Read in a job folder").set_input_files(file)
        page.wait_for_url("**/visit/*/*")
        number = int(re.search(r"/visit/(\d+)", page.url)[1])
        page.goto(f"{room.url}/visit/{number}/hand-over")
        note = page.get_by_role("textbox", name="For the next visit").input_value()
    return number, note


def test_job_folder_read_in_again_gives_the_same_verdict(room, pressed, result, again):
    number, note = again
    assert number != pressed["visit"]
    assert note == FOR_NEXT_TIME
    assert room.ask("GET", f"/api/visits/{number}/result") == result


def test_card_on_a_phone_whole_and_one_fader_at_a_time(browser, room, again):
    visit = again[0]
    faders = [name for name in room.entries(visit) if name.startswith("fader.left.")]
    for name in faders:
        room.ask("PUT", f"/api/visits/{visit}/entries/{name}", {"value": None})
    with watched(browser, room.url, viewport=PHONE, has_touch=True, is_mobile=True) as page:
        page.goto(f"{room.url}/visit/{visit}/worklist")
        page.get_by_role("link", name="Set the left card").tap()
        page.get_by_role("link", name="One fader at a time").wait_for()
        drawing = page.locator(".card-page svg:visible")
        assert drawing.count() == 1
        box = drawing.bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= PHONE["width"]
        page.get_by_role("link", name="One fader at a time").tap()
        page.get_by_role("button", name="Set", exact=True).wait_for()
        height = page.get_by_role("button", name="Set", exact=True).bounding_box()
        assert height["y"] + height["height"] <= PHONE["height"], "reached without scrolling"
        assert len(set_card(page)) >= 2
        page.get_by_text("The left side is set").wait_for()
    assert all(room.entries(visit)[name] for name in faders)
