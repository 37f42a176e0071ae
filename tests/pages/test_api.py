"""The interface of the pages: what it says of itself is so, and every error is a line.

What it says is OpenAPI 3.1; schemathesis reads it, asks for all of it with values that fit and
with values that do not, and compares each answer with what was promised.
"""

import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from threading import Event, Thread

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
    unsupported_method,
)

from apiroom import ask, demo_zip, opened, served
from evenhall.errors import DeviceError, StoreError
from evenhall.pages import api, guard, phone
from evenhall.sound.live.device import Device
from evenhall.visits.carrying import read_folder

# The simulated interface of these tests; nothing is opened.
BOX = Device(0, "Desk interface", "Test host", 2, 2, 48_000.0, True, True)
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    unsupported_method,
]


@pytest.fixture(scope="module")
def patch():
    with pytest.MonkeyPatch.context() as patch:
        yield patch


@pytest.fixture(scope="module")
def pages(tmp_path_factory, patch):
    """The demo's visit, on a computer whose devices and networks are made up."""
    patch.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("config")))
    patch.setattr(api.sound, "present", lambda: (BOX,))
    for module in (api.doors, phone):
        patch.setattr(module, "local_addresses", lambda: ("127.0.0.2",))
    patch.setattr(guard, "BURST", 1e9)
    with opened(tmp_path_factory.mktemp("api")) as pages:
        yield pages


@pytest.fixture(scope="module")
def server(pages):
    closed = pages.services.phone
    with served(pages.services) as server:
        yield server
    pages.services.phone = closed


@pytest.fixture(scope="module")
def document(pages):
    return ask(pages.app, "GET", "/api/openapi.json").json()


@pytest.fixture(scope="module")
def promised(server):
    return schemathesis.openapi.from_url(f"{server.address}/api/openapi.json")


# The news have no end.
ASKED = sorted(
    (route.path_format, method)
    for part in api.PARTS
    for route in part.router.routes
    for method in route.methods
    if not route.path.endswith("/live")
)
FEW = ("folder.zip", "sheet.pdf")  # always the same answer, and slow to make
UPLOADS = ("/calibration", "/unit", "/stimulus", "/takes/upload", "/takes/enter")
some = settings(
    max_examples=14,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)


def cases(operation):
    """Requests that fit the document, and such that do not where anything can be wrong."""
    fit = operation.as_strategy(generation_mode=GenerationMode.POSITIVE)
    if "{" not in operation.path and not list(operation.body):
        return fit
    return st.one_of(fit, operation.as_strategy(generation_mode=GenerationMode.NEGATIVE))


def compared(case):
    response = case.call()
    case.validate_response(response, checks=CHECKS)
    if response.status_code >= 400 and response.status_code != 409:
        lines = json.loads(response.content)["faults"]
        assert lines
        assert all(isinstance(line, str) and line.strip() for line in lines)
    return response.status_code


@pytest.mark.parametrize(("path", "method"), ASKED)
def test_every_answer_is_as_the_document_says(promised, path, method):
    @some
    @given(cases(promised[path][method]))
    def each(case):
        compared(case)

    each()


@pytest.mark.parametrize(
    ("path", "method"), [one for one in ASKED if "{visit}" in one[0] or "/sound/" in one[0]]
)
def test_every_answer_about_a_visit_that_is_there_is_as_the_document_says(
    promised, server, path, method
):
    """What was made up names nothing that there is; so it is told what there is."""
    there = {"visit": 1, "take": 3, "name": "note.hall", "side": "left", "spot": "front"}
    there["key"] = "entry:gain"
    statuses = set()
    store = server.services.store
    with closing(sqlite3.connect(store.folder / "visits.sqlite3")) as base, base:
        base.execute("INSERT OR REPLACE INTO entry VALUES (1, 'gain', '[', 1)")
    for one in store.visit(1).takes:  # whatever another of these cases has deleted
        store.set_deleted(1, one.number, deleted=False)

    @settings(some, max_examples=2 if path.endswith(FEW) else 14)
    @given(promised[path][method].as_strategy())
    def each(case):
        for given_ in (case.path_parameters, case.query, case.body):
            if isinstance(given_, dict):
                given_ |= {name: value for name, value in there.items() if name in given_}
        if path.endswith("/entries/{name}"):
            case.body["value"] = f"seen as {case.body.get('was')}"
        if isinstance(case.body, dict) and "warned" in case.body:
            case.body["warned"] = True
        statuses.add(compared(case))

    each()
    server.services.player.close()
    # A file that was made up is never one, and nobody walks.
    assert path.endswith((*UPLOADS, "/sound/passed")) or min(statuses) < 300


# The document


def operations(document):
    return [
        (f"{method.upper()} {path}", operation)
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]


def test_every_operation_says_what_it_does(document):
    found = operations(document)
    assert len(found) > 25
    for name, operation in found:
        assert operation["description"].strip(), name
        assert operation["summary"].strip(), name


def test_every_answer_has_a_type(document):
    for name, operation in operations(document):
        for status, answer in operation["responses"].items():
            if status == "204":
                assert "content" not in answer, name
                continue
            for kind, content in answer["content"].items():
                assert content["schema"] not in ({}, True), (name, status, kind)


def test_every_error_is_lines(document):
    for name, operation in operations(document):
        for status, answer in operation["responses"].items():
            if status.startswith(("4", "5")) and status != "409":
                schema = answer["content"]["application/json"]["schema"]
                assert schema == {"$ref": "#/components/schemas/Faults"}, (name, status)
    assert document["components"]["schemas"]["Faults"]["properties"]["faults"]["items"] == {
        "type": "string"
    }


def test_what_the_door_refuses_is_documented_everywhere(document):
    for name, operation in operations(document):
        assert {"401", "403", "413", "421", "422", "429"} <= set(operation["responses"]), name


def test_pages_are_not_in_the_document(document):
    assert all(path.startswith("/api/") for path in document["paths"])


def test_files_are_of_the_kind_that_is_promised(document, pages):
    visit = read_folder(pages.services.store, demo_zip())  # nobody else's: its takes are all there
    for path, kind in (("sheet.pdf", "application/pdf"), ("folder.zip", "application/zip")):
        address = f"/api/visits/{{visit}}/{path}"
        assert set(document["paths"][address]["get"]["responses"]["200"]["content"]) == {kind}
        answer = ask(pages.app, "GET", f"/api/visits/{visit}/{path}")
        assert answer.headers["content-type"] == kind
        assert answer.content[:4] in (b"%PDF", b"PK\x03\x04")
        assert answer.headers["content-disposition"].count('"') == 2


# Errors


def lines(response, status):
    assert response.status_code == status, response.text
    assert list(response.json()) == ["faults"]
    return response.json()["faults"]


@pytest.mark.parametrize(
    ("method", "path", "status", "words"),
    [
        ("GET", "/api/nothing", 404, "There is nothing at this address. Go back"),
        ("GET", "/nothing", 404, "There is nothing at this address. Go back"),
        ("GET", "/static/nothing.js", 404, "There is nothing at this address. Go back"),
        ("DELETE", "/api/visits", 405, "Load the page again."),
        ("GET", "/api/visits/77", 422, "There is no visit 77. Open one from the list."),
        ("GET", "/api/visits/" + "9" * 40, 422, "Open one from the list."),
        ("GET", "/api/visits/one", 422, "visit: Input should be a valid integer"),
        ("DELETE", "/api/visits/1/takes/99", 422, "This visit has no take 99."),
        ("PUT", "/api/visits/1/card?side=balcony", 422, "There is no card for 'balcony'."),
    ],
)
def test_what_is_not_there_is_a_line(pages, method, path, status, words):
    (line,) = lines(ask(pages.app, method, path), status)
    assert words in line


@pytest.mark.parametrize(
    ("content", "status", "words"),
    [
        (b"{", 422, "is not JSON"),
        (b"", 422, "request"),
        (b'{"kind": "demo", "of": 1}', 422, "of: "),
        (b'{"kind": "later"}', 422, "kind: "),
        (b'{"venue": "\xff"}', 400, "cannot be read. Load the page again"),
        (b'{"venue": "\\ud800"}', 422, ""),
        (b'{"\\ud800": 1}', 422, ""),
        (b'{"venue": ""}', 422, "venue: "),
        (b'{"kind": "again"}', 422, "Say which visit to go on from."),
        (b'{"kind": "again", "visit": NaN}', 422, "visit: "),
        (b"[" * 20_000, 422, ""),
        (b'{"venue": ' + b"[" * 20_000 + b"]" * 20_000 + b"}", 422, ""),
    ],
)
def test_what_cannot_be_a_visit_is_lines(pages, content, status, words):
    before = pages.services.store.visits()
    answer = ask(
        pages.app,
        "POST",
        "/api/visits",
        content=content,
        headers={"content-type": "application/json"},
    )
    # Depth is the parser's business: what it cannot follow it cannot read.
    assert answer.status_code in ({400, 422} if b"[[" in content else {status})
    assert words in "\n".join(answer.json()["faults"])
    assert pages.services.store.visits() == before


def test_form_that_is_none_is_a_line(pages):
    answer = ask(
        pages.app,
        "POST",
        "/api/visits/import",
        content=b"no form",
        headers={"content-type": "multipart/form-data; boundary=b"},
    )
    assert answer.status_code in (400, 422)
    assert all(answer.json()["faults"])
    answer = ask(
        pages.app,
        "POST",
        "/api/visits/import",
        content=b"no form",
        headers={"content-type": "multipart/form-data"},
    )
    assert answer.status_code in (400, 422)


def test_store_device_and_our_own_errors_have_their_status(pages, monkeypatch):
    def fail(error):
        def raise_it(*_):
            raise error

        return raise_it

    monkeypatch.setattr(
        pages.services.store, "visits", fail(StoreError("The disk is full. Tidy up."))
    )
    assert lines(ask(pages.app, "GET", "/api/visits"), 507) == ["The disk is full. Tidy up."]
    monkeypatch.setattr(api.sound, "present", fail(DeviceError("It is gone. Plug it in.")))
    assert lines(ask(pages.app, "GET", "/api/devices"), 503) == ["It is gone. Plug it in."]


def test_error_of_our_own_tells_nothing_of_the_inside(pages, server, monkeypatch, capfd):
    def fail():
        raise RuntimeError("secret")

    monkeypatch.setattr(pages.services.store, "visits", fail)
    (line,) = lines(httpx.get(f"{server.address}/api/visits"), 500)
    assert "inside Evenhall" in line
    page = httpx.get(f"{server.address}/visits", headers={"accept": "text/html"})
    assert page.status_code == 500
    assert "inside Evenhall" in page.text
    for answer in (line, page.text):
        assert "secret" not in answer
        assert "Traceback" not in answer


def test_page_that_is_not_there_is_a_page(pages):
    answer = ask(pages.app, "GET", "/visit/77/takes", headers={"accept": "text/html"})
    assert answer.status_code == 422
    assert "There is no visit 77" in answer.text
    answer = ask(pages.app, "GET", "/nothing", headers={"accept": "text/html"})
    assert (answer.status_code, answer.headers["content-type"]) == (404, "text/html; charset=utf-8")


# One thing changed by two pages


def change(pages, name, value, was):
    return ask(
        pages.app,
        "PUT",
        f"/api/visits/{pages.visit}/entries/{name}",
        json={"value": value, "was": was},
    )


def test_second_of_two_pages_is_told_what_the_first_wrote(pages):
    first = change(pages, "note.stage", "left stack hums", 0)
    assert first.status_code == 200
    second = change(pages, "note.stage", "right stack hums", 0)
    assert second.status_code == 409
    assert second.json() == {"value": "left stack hums", "revision": first.json()["revision"]}
    # Nothing was lost; and whoever has seen it may change it.
    assert pages.services.store.visit(pages.visit).value("note.stage") == "left stack hums"
    third = change(pages, "note.stage", "both hum", second.json()["revision"])
    assert third.status_code == 200
    assert change(pages, "note.stage", "both hum", 0).status_code == 200  # they agree


def test_of_many_changes_at_once_one_is_kept_and_the_others_are_told(pages):
    for number in range(5):
        name = f"note.race-{number}"
        with ThreadPoolExecutor(6) as pool:
            answers = list(
                pool.map(lambda k, name=name: change(pages, name, f"by {k}", 0), range(6))
            )
        kept = [one for one in answers if one.status_code == 200]
        assert len(kept) == 1
        assert {one.status_code for one in answers} == {200, 409}
        stands = pages.services.store.visit(pages.visit).entries[name]
        for one in answers:
            assert one.json() == {"value": stands.value, "revision": stands.revision}


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("venue.length_m", "long", 'The length of the room = "long" is'),
        ("venue.length", 3, "There is no venue.length"),
        ("note.hall", 5, "note.hall does not take int"),
        ("nothing", 5, "There is no entry called 'nothing'"),
        ("note.hall", "x" * 5000, "Shorten it"),
    ],
)
def test_entry_that_cannot_be_is_a_line(pages, name, value, words):
    before = pages.services.store.visit(pages.visit)
    assert words in lines(change(pages, name, value, None), 422)[0]
    assert pages.services.store.visit(pages.visit) == before


@pytest.mark.parametrize("value", [b"NaN", b"Infinity", b"1e999", b'"\\ud800"'])
def test_value_that_json_cannot_hold_is_a_line(pages, value):
    answer = ask(
        pages.app,
        "PUT",
        f"/api/visits/{pages.visit}/entries/fader.left.1000",
        content=b'{"value": ' + value + b', "was": null}',
        headers={"content-type": "application/json"},
    )
    assert lines(answer, 422)


def test_takes_are_begun_anew_once_by_two_pages_that_say_so_at_once(pages, monkeypatch):
    """What was turned by hand is counted once, though its tick is cleared after that."""
    store = pages.services.store
    number = store.new_visit("Quarry Lane Hall", {"tick.gain-x": True}, demo=True)

    def done(visit, result):
        return {"left_gain_db": 2.0} if visit.value("tick.gain-x") else {}

    monkeypatch.setattr("evenhall.pages.devices.hands_done", done)
    counted, second_is_done = Event(), Event()
    begin_anew = store.begin_anew

    def slow(number, entries):
        if not counted.is_set():
            counted.set()
            second_is_done.wait(0.3)
        begin_anew(number, entries)

    monkeypatch.setattr(store, "begin_anew", slow)
    first = Thread(target=pages.services.take_anew, args=(number,))
    first.start()
    assert counted.wait(5)
    pages.services.take_anew(number)
    second_is_done.set()
    first.join()
    assert store.visit(number).value("hands") == {"left_gain_db": 2.0}


def test_takes_are_not_begun_anew_while_one_is_made(pages, monkeypatch):
    from dataclasses import replace

    now = replace(pages.services.player.now, phase="sound", visit=pages.visit)
    monkeypatch.setattr(pages.services.player, "now", now)
    before = pages.services.store.visit(pages.visit)
    answer = ask(pages.app, "POST", f"/api/visits/{pages.visit}/takes/anew")
    assert "Stop it" in lines(answer, 422)[0]
    assert pages.services.store.visit(pages.visit) == before


# Sound and devices


@pytest.mark.parametrize("what", ["take", "gain", "line"])
def test_nothing_sounds_before_people_were_warned(pages, what):
    order = {"visit": pages.visit, "holder": "page", "warned": False}
    if what == "take":
        order |= {"side": "left", "spot": "front"}
    answer = ask(pages.app, "POST", f"/api/sound/{what}", json=order)
    assert "Turn the amplifiers down, keep ears away" in lines(answer, 422)[0]
    assert not pages.services.player.now.busy


def choose(pages, **choice):
    return ask(pages.app, "PUT", "/api/devices", json=choice)


def test_chosen_device_is_remembered(pages):
    answer = choose(pages, input="Desk", output="Desk", mic_channel=2, output_channels=[1])
    assert answer.status_code == 200, answer.text
    shown = ask(pages.app, "GET", "/api/devices").json()
    assert shown["chosen"]["mic_channel"] == 2
    assert shown["chosen"]["output_channels"] == [1]
    assert shown["devices"][0]["full_name"] == BOX.full_name


@pytest.mark.parametrize(
    "choice",
    [
        {"output_channels": [0]},
        {"output_channels": [-1, 2]},
        {"output_channels": [2**70]},
        {"output_channels": []},
        {"mic_channel": 0},
        {"rate_hz": 8000},
        {"input": "no such box"},
        {"input": "\u0000"},
        {"reference": "beside"},
    ],
)
def test_choice_that_makes_no_sense_is_refused_and_the_last_one_stands(pages, choice):
    choose(pages, input="Desk", output="Desk", output_channels=[1, 2])
    before = ask(pages.app, "GET", "/api/devices").json()["chosen"]
    assert before is not None
    assert lines(choose(pages, **choice), 422)
    assert ask(pages.app, "GET", "/api/devices").json()["chosen"] == before


def unfinished(pages):
    """What lies in the places of those who are at something."""
    places = (pages.services.store.folder / "work").glob("*/*")
    return [path for path in places if path.is_file()]


def test_folder_that_cannot_be_packed_leaves_no_file_behind(pages, monkeypatch):
    def fail(visit, file):
        raise StoreError("It could not be packed. Make room.")

    monkeypatch.setattr(api.visits, "write_folder", fail)
    answer = ask(pages.app, "GET", f"/api/visits/{pages.visit}/folder.zip")
    assert lines(answer, 507) == ["It could not be packed. Make room."]
    assert unfinished(pages) == []


def test_folder_that_was_taken_away_leaves_no_file_behind(pages):
    assert ask(pages.app, "GET", f"/api/visits/{pages.visit}/folder.zip").status_code == 200
    assert unfinished(pages) == []
