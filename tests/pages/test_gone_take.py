"""A take whose recording was deleted from the disk is named, and everything goes on without it."""

import io
import json

import pytest

from apiroom import ask, demo_files, opened
from evenhall.errors import exit_code
from evenhall.job.folder.reading import load_job
from evenhall.visits.carrying import VISIT_FILE, read_folder, write_folder
from visits.made import zip_of

STEPS = ("", "set-out", "line-check", "takes", "verdict", "worklist", "proof", "hand-over")
GONE = "takes/left-back.wav"


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    with opened(tmp_path_factory.mktemp("gone")) as made:
        (made.folder / GONE).unlink()
        yield made


def test_result_names_it_and_judges_the_others(pages):
    answer = ask(pages.app, "GET", f"/api/visits/{pages.visit}/result")
    assert answer.status_code == 200
    takes = {take["file"]: take for take in answer.json()["takes"]}
    (problem,) = takes.pop(GONE)["problems"]
    assert problem["code"] == "unreadable"
    assert problem["text"].startswith("Its file is gone. Put it back where it was")
    assert len(takes) == 5
    assert all(take["usable"] for take in takes.values())


def test_pages_name_it_and_open(pages):
    texts = {
        step: ask(
            pages.app, "GET", f"/visit/{pages.visit}/{step}".rstrip("/"),
            headers={"accept": "text/html"},
        )
        for step in STEPS
    }  # fmt: skip
    assert {answer.status_code for step, answer in texts.items() if step} == {200}
    assert texts[""].status_code == 303
    assert "Its file is gone" in texts["takes"].text
    assert f"({GONE})" in texts["worklist"].text
    assert "left, back" in texts["verdict"].text


def test_sheet_is_printed(pages):
    answer = ask(pages.app, "GET", f"/api/visits/{pages.visit}/sheet.pdf")
    assert answer.status_code == 200
    assert answer.content.startswith(b"%PDF")


def test_folder_of_the_visit_is_whole_without_it(pages, tmp_path):
    out = io.BytesIO()
    write_folder(pages.services.store.visit(pages.visit), out)
    out.seek(0)
    again = pages.services.store.visit(read_folder(pages.services.store, out))
    assert GONE not in {one.take.file for one in again.takes}
    assert len(again.kept_takes) == 5


def test_take_that_is_gone_is_still_a_fault_of_a_job_folder(pages, tmp_path):
    files = {name: content for name, content in demo_files().items() if name != GONE}
    for name, content in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(content)
    with pytest.raises(Exception, match=r"left-back.wav\" does not exist") as error:
        load_job(tmp_path)
    assert exit_code(error.value) == 2
    answer = ask(
        pages.app, "POST", "/api/visits/import", files={"file": ("job.zip", zip_of(files))}
    )
    assert answer.status_code == 422


@pytest.mark.parametrize("column", ["file", "reference_file"])
def test_whatever_stands_in_its_place_is_a_problem_of_that_take_alone(tmp_path, column):
    take = {"file": "takes/a.wav", "side": "left", "spot": "front", "reference_channel": 2}
    if column == "reference_file":
        take = {"file": "takes/a.wav", "side": "left", "spot": "front",
                "reference_file": "takes/b.wav"}  # fmt: skip
    carried = {"made_at": "2026-03-01T10:00:00+00:00", "entries": {}, "takes": [
        {"take": take, "made_at": "2026-03-01T10:00:00+00:00", "deleted": True}]}  # fmt: skip
    with opened(tmp_path / "store", demo=False) as made:
        files = {"job.toml": '[venue]\nname = "Mill"\n', VISIT_FILE: json.dumps(carried)}
        number = read_folder(made.services.store, zip_of(files))
        visit = made.services.store.visit(number)
        made.services.store.set_deleted(number, visit.takes[0].number, deleted=False)
        (visit.folder / "takes/a.wav").mkdir(parents=True)
        answer = ask(made.app, "GET", f"/api/visits/{number}/result")
        assert answer.status_code == 200, answer.text
        (taken,) = answer.json()["takes"]
        assert [problem["code"] for problem in taken["problems"]] == ["unreadable"]


def test_recording_that_cannot_be_measured_is_not_entered(pages, monkeypatch):
    """Every page asks for what was measured: what spoils that would spoil them all."""
    visit = pages.services.store.visit(pages.visit)
    (visit.folder / "takes/left-front-2.wav").write_bytes(demo_files()["takes/left-front.wav"])

    def spoilt(*_):
        raise ValueError("no such sound was thought of")

    monkeypatch.setattr(pages.services.judge, "take", spoilt)
    with pytest.raises(ValueError, match="no such sound"):
        ask(
            pages.app,
            "POST",
            f"/api/visits/{pages.visit}/takes/enter",
            json={"file": "takes/left-front-2.wav"},
        )
    assert pages.services.store.visit(pages.visit).takes == visit.takes
