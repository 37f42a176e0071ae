"""What an older version, another program or a fault left in the store takes down no page.

It is shown as what cannot be read, and can be deleted; all else of the visit stands.
"""

import json
import re
import sqlite3
from contextlib import closing
from html import unescape

import pytest

from apiroom import ask, opened
from evenhall.visits.carrying import read_folder, write_folder
from visits.made import zip_of

STEPS = ("set-out", "line-check", "takes", "verdict", "worklist", "proof", "hand-over")
AS_PAGE = {"accept": "text/html"}


def pages_of(number):
    return ("/", "/visits", *(f"/visit/{number}/{step}" for step in ("", "rack", "hall", *STEPS)))


@pytest.fixture
def own(tmp_path):
    """A visit in a venue of one's own, and one more in the list."""
    with opened(tmp_path / "store", demo=False) as made:
        made.services.new_own("Mill")
        number = made.services.new_own("Quarry Hall")
        made.services.store.set_entry(number, "note.all", "cold", was=None)

        def put(table, **row):
            names, marks = ", ".join(row), ", ".join("?" * len(row))
            with closing(sqlite3.connect(tmp_path / "store/visits.sqlite3")) as base, base:
                base.execute(
                    f"INSERT OR REPLACE INTO {table} ({names}) VALUES ({marks})", [*row.values()]
                )

        def change(sql, *values):
            with closing(sqlite3.connect(tmp_path / "store/visits.sqlite3")) as base, base:
                base.execute(sql, values)

        def statuses():
            return {
                path: ask(made.app, "GET", path.rstrip("/") or "/", headers=AS_PAGE).status_code
                for path in pages_of(number)
            }

        yield made, number, put, change, statuses


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("line_check", '{"elements": 5}'),
        ("line_check", '{"findings": {"left": "bad"}}'),
        ("line_check", '{"findings": [{"element": "left"}]}'),
        ("gain", "[1, 2"),
        ("gain", '{"text": {}}'),
        ("hands", '{"left_gain_db": "x"}'),
        ("spots", "[3]"),
        ("spots", "{}"),
        ("sound_check", '"9999-12-31T23:59:59-12:00"'),
        ("sound_check", '"0001-01-01T00:00:00+14:00"'),
        ("fader.left.loud", "3.0"),
        ("rig.sides", '"left"'),
        ("rig.speaker_height_m", "[]"),
        ("audience.first_row_m", '"far"'),
        ("equalizer.bands", "{}"),
        ("venue.length_m", "[" * 5000),
        ("venue.colour", '"red"'),
        ("of an older version", "true"),
        ("note.back", "7"),
    ],
)
def test_entry_that_cannot_be_read_is_said_and_deleted_and_takes_down_no_page(own, name, value):
    made, number, put, _, statuses = own
    put("entry", visit_id=number, name=name, value=value, revision=3)
    found = statuses()
    assert set(found.values()) <= {200, 303}, found
    page = ask(made.app, "GET", f"/visit/{number}/hand-over", headers=AS_PAGE).text
    assert "cannot be read" in page
    assert "cold" in page, "all else stands"
    (button,) = re.findall(r'data-do="DELETE ([^"]*/unreadable[^"]*)"', page)
    assert ask(made.app, "DELETE", unescape(button)).status_code == 204
    page = ask(made.app, "GET", f"/visit/{number}/hand-over", headers=AS_PAGE).text
    assert "cannot be read" not in page
    assert "cold" in page


def test_what_cannot_be_read_is_written_over_by_who_types_it_anew(own):
    made, number, put, _, _ = own
    put("entry", visit_id=number, name="venue.length_m", value="{", revision=3)
    path = f"/api/visits/{number}/entries/venue.length_m"
    answer = ask(made.app, "PUT", path, json={"value": 12.0, "was": 3})
    assert answer.status_code == 200
    assert made.services.store.visit(number).value("venue.length_m") == 12.0
    assert made.services.store.visit(number).unreadable == ()


def test_take_that_cannot_be_read_is_said_and_deleted_and_its_recording_stays(own):
    made, number, put, _, statuses = own
    folder = made.services.store.visit(number).folder
    (folder / "takes/left-front.wav").write_bytes(b"sound")
    good = {"file": "takes/left-front.wav", "side": "left", "spot": "front", "reference_channel": 2}
    bad = [
        ("{", "2026-03-01T10:00:00+00:00"),
        (json.dumps({**good, "spot": 3}), "2026-03-01T10:00:00+00:00"),
        (json.dumps({**good, "colour": "red"}), "2026-03-01T10:00:00+00:00"),
        (json.dumps({**good, "file": "../../other.wav"}), "2026-03-01T10:00:00+00:00"),
        (json.dumps(good), "yesterday"),
    ]
    for fields, made_at in bad:
        put("take", visit_id=number, fields=fields, made_at=made_at)
    found = statuses()
    assert set(found.values()) <= {200, 303}, found
    visit = made.services.store.visit(number)
    assert len(visit.unreadable) == len(bad)
    assert visit.takes == ()
    for one in visit.unreadable:
        path = f"/api/visits/{number}/unreadable"
        assert ask(made.app, "DELETE", path, params={"key": one.key}).status_code == 204
    assert made.services.store.visit(number).unreadable == ()
    assert (folder / "takes/left-front.wav").is_file()
    page = ask(made.app, "GET", f"/visit/{number}/takes", headers=AS_PAGE).text
    assert "takes/left-front.wav was recorded, and not entered" in page


@pytest.mark.parametrize("made_at", ["", "yesterday", "0001-01-01T00:00:00+14:00"])
def test_date_that_cannot_be_read_is_said_and_becomes_today(own, made_at):
    made, number, _, change, statuses = own
    change("UPDATE visit SET made_at = ? WHERE id = ?", made_at, number)
    found = statuses()
    assert set(found.values()) <= {200, 303}, found
    page = ask(made.app, "GET", f"/visit/{number}/takes", headers=AS_PAGE).text
    assert "The date of this visit cannot be read" in page
    assert ask(made.app, "GET", f"/api/visits/{number}").json()["made_at"] is None
    assert "no date" in ask(made.app, "GET", "/visits", headers=AS_PAGE).text
    path = f"/api/visits/{number}/unreadable"
    assert ask(made.app, "DELETE", path, params={"key": "made_at:"}).status_code == 204
    assert made.services.store.visit(number).made_at is not None


@pytest.mark.parametrize("folder", ["../..", "/etc", "", "visits/../../x"])
def test_visit_without_its_folder_is_refused_in_a_line_and_the_others_are_listed(own, folder):
    made, number, _, change, statuses = own
    change("UPDATE visit SET folder = ? WHERE id = ?", folder, number)
    found = statuses()
    assert found["/visits"] == 200
    assert {status for path, status in found.items() if path.startswith("/visit/")} == {422}
    page = ask(made.app, "GET", f"/visit/{number}/takes", headers=AS_PAGE).text
    assert "does not say where its recordings lie" in page
    assert ask(made.app, "DELETE", f"/api/visits/{number}").status_code == 204
    assert ask(made.app, "GET", "/", headers=AS_PAGE).headers["location"] == f"/visit/{number - 1}"


def test_what_is_no_text_at_all_takes_down_no_page(own):
    _made, number, _, change, statuses = own
    change("UPDATE venue SET name = CAST(x'ff41' AS TEXT)")
    change("INSERT INTO entry VALUES (?, CAST(x'6ee9' AS TEXT), CAST(x'22ff' AS TEXT), 1)", number)
    found = statuses()
    assert set(found.values()) <= {200, 303}, found


def test_visit_is_packed_and_begun_again_without_what_cannot_be_read(own, tmp_path):
    made, number, put, change, _ = own
    put("entry", visit_id=number, name="gain", value="{", revision=3)
    put("entry", visit_id=number, name="venue.colour", value='"red"', revision=3)
    change("UPDATE visit SET made_at = 'x' WHERE id = ?", number)
    store = made.services.store
    path = tmp_path / "out.zip"
    with path.open("wb") as out:
        write_folder(store.visit(number), out)
    with path.open("rb") as file:
        again = store.visit(read_folder(store, file))
    assert again.unreadable == ()
    assert again.value("note.all") == "cold"
    following = store.visit(made.services.next_visit(number))
    assert following.unreadable == ()
    assert following.name == "Quarry Hall"


@pytest.mark.parametrize(
    "change",
    [
        {"made_at": "yesterday"},
        {"made_at": "9999-12-31T23:59:59-12:00"},
        {"made_at": 5},
        {"takes": [{"take": {"file": "a.wav", "side": "left", "spot": "front"},
                    "made_at": "soon", "deleted": True}]},
        {"takes": [{"take": {"file": "a.wav", "side": "left", "spot": "front",
                             "reference_file": "../b.wav"},
                    "made_at": "2026-03-01T10:00:00+00:00", "deleted": True}]},
        {"entries": {"line_check": {"elements": 5}}},
        {"entries": {"sound_check": "0001-01-01T00:00:00+14:00"}},
    ],
)  # fmt: skip
def test_imported_visit_that_no_page_could_show_is_refused(own, change):
    made, *_ = own
    carried = {"made_at": "2026-03-01T10:00:00+00:00", "entries": {}, "takes": []} | change
    files = {"job.toml": '[venue]\nname = "Mill"\n', "visit.json": json.dumps(carried)}
    answer = ask(made.app, "POST", "/api/visits/import", files={"file": ("job.zip", zip_of(files))})
    assert answer.status_code == 422
    (line,) = answer.json()["faults"]
    assert "visit.json is not as Evenhall wrote it" in line
