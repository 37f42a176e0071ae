"""Every link and button holds for every name that an element or a spot may have.

Addresses are taken apart as a browser does: WHATWG URL, 4.4, a segment ".." or "%2e%2e" goes up.
"""

import json
import re
from html import unescape
from urllib.parse import unquote, urljoin, urlsplit, urlunsplit

import pytest

from apiroom import ask, demo_files, opened
from evenhall.visits.carrying import read_folder
from visits.made import zip_of

AS_PAGE = {"accept": "text/html"}
STEPS = ("set-out", "line-check", "takes", "verdict", "worklist", "proof", "hand-over")
NAMES = (
    ("..", "a/../b?c#d&e=%41%2F \u00fc+", "fr/\u00f6nt % 1"),
    (".", "L" * 200, "S" * 200),
)


def as_browser(address, at):
    """Where a browser goes: names that mean this folder or the one above are no names there."""
    whole = urlsplit(urljoin(at, address))
    parts = []
    for part in whole.path.split("/"):
        plain = unquote(part) if unquote(part) in (".", "..") else part
        if plain == "..":
            parts[1:] and parts.pop()
        elif plain != ".":
            parts.append(part)
    return urlunsplit(("", "", "/".join(parts) or "/", whole.query, ""))


@pytest.fixture(params=NAMES, ids=ascii)
def named(request, tmp_path):
    """The demo with its six takes, its elements and one spot called otherwise."""
    left, right, front = map(json.dumps, request.param)
    files = dict(demo_files())
    text = files["job.toml"].decode()
    for old, new in (('"left"', left), ('"right"', right), ('"front"', front)):
        text = text.replace(old, new)
    files["job.toml"] = text.encode()
    with opened(tmp_path / "store", demo=False) as made:
        yield made, read_folder(made.services.store, zip_of(files)), request.param


def test_every_link_of_every_page_leads_somewhere(named):
    made, number, (left, right, front) = named
    made.services.store.set_entry(
        number, "spots", [{"label": front, "along_m": 2.5}, {"label": "b", "along_m": 9}], was=None
    )
    seen, waiting, buttons = set(), [f"/visit/{number}/{step}" for step in STEPS], set()
    while waiting:
        path = waiting.pop()
        if path in seen:
            continue
        seen.add(path)
        answer = ask(made.app, "GET", path, headers=AS_PAGE)
        assert answer.status_code in (200, 303), (path, answer.text)
        text = answer.text if answer.headers["content-type"].startswith("text/html") else ""
        found = re.findall(r'(?:href|hx-get|data-then)="([^"]*)"', text)
        links = [as_browser(unescape(one), path) for one in found if not one.startswith(("#", "d"))]
        # Of the faders the first one is enough.
        waiting += [one for one in links if re.match(r"/visit/(?!.*&at=(?!1$))", one)]
        buttons |= set(re.findall(r'data-do="PUT ([^"]*/(?:entries/fader|card)[^"]*)"', text))
    assert {one for one in seen if "/card?" in one}
    # "Set", on both sides: the fader that is marked is the one that was meant.
    assert buttons
    for button in buttons:
        path = as_browser(unescape(button), "/")
        if "/entries/" in path:
            key = unquote(path.partition("/entries/")[2])
            assert ask(made.app, "PUT", path, json={"value": -1.5}).status_code == 200
            assert made.services.store.visit(number).value(key) == -1.5
    visit = made.services.store.visit(number)
    assert all(-1.5 in visit.faders(side).values() for side in (left, right))
    for button in buttons:
        path = as_browser(unescape(button), "/")
        if "/card?" in path:
            assert ask(made.app, "PUT", path, json={}).status_code == 204


def test_recording_is_taken_in_for_it(named):
    made, number, (left, _, front) = named
    sound = demo_files()["takes/left-front.wav"]
    answer = ask(
        made.app,
        "POST",
        f"/api/visits/{number}/takes/upload",
        files={"file": ("a.wav", sound)},
        data={"side": left, "spot": front},
    )
    assert answer.status_code == 422, "there is no such spot yet"
    made.services.store.set_entry(
        number, "spots", [{"label": front, "along_m": 2.5}, {"label": "b", "along_m": 9}], was=None
    )
    answer = ask(
        made.app,
        "POST",
        f"/api/visits/{number}/takes/upload",
        files={"file": ("a.wav", sound)},
        data={"side": left, "spot": front},
    )
    assert answer.status_code == 201, answer.text
    assert answer.json()["usable"]
