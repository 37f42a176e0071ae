"""Files chosen and dropped in a real browser: good ones, wrong ones, and what their names say."""

import base64
import io
import re
import zipfile

import numpy as np
import pytest
import soundfile

from evenhall.job.demo.folder import write_demo
from pageroom import LAPTOP, browser_tests, until, watched

pytestmark = browser_tests("files")

DROP = """(zone, files) => {
  const data = new DataTransfer();
  for (const [name, content] of files) {
    const bytes = Uint8Array.from(atob(content), (sign) => sign.charCodeAt(0));
    data.items.add(new File([bytes], name));
  }
  for (const kind of ["dragover", "drop"]) {
    zone.dispatchEvent(
      new DragEvent(kind, { dataTransfer: data, bubbles: true, cancelable: true }),
    );
  }
}"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Job folder of the demo, with six good recordings."""
    folder = tmp_path_factory.mktemp("files") / "demo"
    write_demo(folder)
    return folder


@pytest.fixture
def visit(room):
    return room.new_demo()


@pytest.fixture
def page(browser, room, visit):
    with watched(browser, room.url, viewport=LAPTOP) as opened:
        opened.goto(f"{room.url}/visit/{visit}/takes")
        yield opened


def drop(page, files):
    page.locator("[data-drop]").evaluate(
        DROP, [(name, base64.b64encode(content).decode()) for name, content in files]
    )


def takes(room, visit):
    kept = room.ask("GET", f"/api/visits/{visit}")["takes"]
    return [(one["side"], one["spot"]) for one in kept]


def test_file_of_a_walk_is_one_by_its_name(room, visit, page, demo):
    content = recordings(demo)["left-front.wav"].read_bytes()
    drop(page, [("Right_Walk 2.wav", content), ("left-front.wav", content)])
    until(lambda: len(takes(room, visit)) == 2, "both are taken in")
    assert takes(room, visit) == [("right", "walk"), ("left", "front")]
    line = page.locator("[data-arrived] li").first
    line.filter(has_text="as right, walk:").wait_for()


def recordings(demo):
    return {file.name: file for file in sorted((demo / "takes").glob("*.wav"))}


def test_dropped_files_are_what_their_names_say(room, visit, page, demo):
    files = recordings(demo)
    assert "left-front.wav" in files
    drop(
        page,
        [
            ("Saturday_RIGHT_middle (2).wav", files["right-middle.wav"].read_bytes()),
            ("left-back.wav", files["left-back.wav"].read_bytes()),
        ],
    )
    arrived = page.locator("[data-arrived] li")
    arrived.filter(has_text="left-back.wav as left, back: ").wait_for()
    assert "(2).wav as right, middle: " in arrived.first.inner_text()
    assert takes(room, visit) == [("right", "middle"), ("left", "back")]
    page.get_by_role("button", name="Delete the take of left, back").wait_for()


def test_dropped_files_of_mains_with_the_subs_are_such(room, visit, page, demo):
    for name, value in (
        ("rig.sides", ["left", "right", "sub"]),
        ("equalizer.feeds_subs", True),
    ):
        room.ask("PUT", f"/api/visits/{visit}/entries/{name}", {"value": value})
    page.reload()
    files = recordings(demo)
    left, right = (files[f"{side}-middle.wav"].read_bytes() for side in ("left", "right"))
    drop(page, [("left-and-subs-middle.wav", left), ("left-middle.wav", left)])
    page.get_by_text("left-and-subs-middle.wav as left with the subs, middle: ").wait_for()
    page.get_by_text("left-middle.wav as left, middle: ").wait_for()
    page.get_by_role("combobox", name="Playing").select_option("with the subs")
    drop(page, [("right middle.wav", right), ("sub middle.wav", right)])
    page.get_by_text("right middle.wav as right with the subs, middle: ").wait_for()
    page.get_by_text("sub middle.wav as sub, middle: ").wait_for()
    kept = room.ask("GET", f"/api/visits/{visit}")["takes"]
    assert [(one["side"], one["with_subs"]) for one in kept] == [
        ("left", True),
        ("left", False),
        ("right", True),
        ("sub", False),
    ]


def test_chosen_file_without_a_telling_name_is_what_is_chosen_beside_it(room, visit, page, demo):
    page.get_by_role("combobox", name="Element").select_option("right")
    page.get_by_role("combobox", name="Spot").select_option("back")
    # The page renews itself whenever something changes: what was chosen stays.
    with page.expect_response("**/takes"):
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    page.wait_for_timeout(300)
    page.get_by_label("Recordings").set_input_files(
        {
            "name": "REC0007.wav",
            "mimeType": "audio/wav",
            "buffer": recordings(demo)["right-back.wav"].read_bytes(),
        }
    )
    page.get_by_text("REC0007.wav as right, back: ").wait_for()
    assert takes(room, visit) == [("right", "back")]


def test_wrong_and_damaged_files_are_refused_in_a_line_and_the_good_one_is_kept(
    room, visit, page, demo
):
    good = recordings(demo)["left-front.wav"].read_bytes()
    drop(
        page,
        [
            ("set-list.txt", b"one, two"),
            ("left-middle.wav", good[:20] + bytes(400)),
            ("left-front.wav", good),
            ("<img src=x onerror=alert(1)>.wav", b"RIFF"),
        ],
    )
    page.locator("[data-arrived] li").nth(3).filter(has_not_text="reading").wait_for()
    lines = [one.inner_text() for one in page.locator("[data-arrived] li").all()]
    assert "is not a recording. Give WAV, FLAC or AIFF." in lines[0]
    assert lines[1].startswith("left-middle.wav: ")
    assert " as " not in lines[1]
    assert lines[2].startswith("left-front.wav as left, front: ")
    assert lines[3].startswith("<img src=x onerror=alert(1)>.wav: ")
    assert takes(room, visit) == [("left", "front")]
    assert not list(room.folder.rglob("*.part"))


def test_recording_of_one_channel_says_that_its_reference_is_missing(room, visit, page, demo):
    mono = io.BytesIO()
    samples, rate_hz = soundfile.read(recordings(demo)["left-front.wav"])
    soundfile.write(mono, np.asarray(samples)[:, 0], rate_hz, format="WAV")
    drop(page, [("left-front.wav", mono.getvalue())])
    line = page.locator("[data-arrived] li").filter(has_not_text="reading")
    line.wait_for()
    assert "channel" in line.inner_text()


def test_file_that_misses_the_place_does_not_replace_the_page(page, demo):
    address = page.url
    page.get_by_role("heading", name="Takes", exact=True).first.evaluate(
        DROP, [("left-front.wav", base64.b64encode(b"RIFF").decode())]
    )
    assert page.url == address
    assert page.locator("[data-arrived] li").count() == 0


def test_calibration_file_is_taken_in_or_refused_with_its_own_name(room, browser):
    visit = room.ask("POST", "/api/visits", {"kind": "own"})["number"]
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visit/{visit}/set-out")
        page.get_by_text("Calibration file of the microphone: none").click()
        page.get_by_text("Without one the microphone's own treble").wait_for()
        chooser = page.get_by_label("Calibration file", exact=True)
        chooser.set_input_files(
            {"name": "mine.txt", "mimeType": "text/plain", "buffer": b"loud\nquiet\n"}
        )
        page.get_by_role("status").filter(has_text="mine.txt").wait_for()
        assert "microphone.calibration" not in room.entries(visit)
        chooser.set_input_files(
            {"name": "mine.txt", "mimeType": "text/plain", "buffer": b"20 0.5\n1000 0\n20000 -2\n"}
        )
        page.get_by_text("Calibration file of the microphone: in use").wait_for()
    assert room.entries(visit)["microphone.calibration"]


def test_job_folder_is_read_in_from_the_list_of_visits(browser, room, demo, tmp_path):
    packed = tmp_path / "demo.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for file in demo.rglob("*"):
            archive.write(file, file.relative_to(demo))
    (tmp_path / "broken.zip").write_bytes(packed.read_bytes()[:4000])
    with watched(browser, room.url, viewport=LAPTOP) as page:
        page.goto(f"{room.url}/visits")
        chooser = page.get_by_label("Read in a job folder")
        chooser.set_input_files(tmp_path / "broken.zip")
        page.get_by_role("status").filter(has_text=re.compile("zip")).wait_for()
        chooser.set_input_files(packed)
        page.wait_for_url("**/visit/*/*")
        number = int(re.search(r"/visit/(\d+)", page.url)[1])
    until(lambda: len(takes(room, number)) == 6, "six takes")
