"""The door: what is let in, and what is refused in a line, before any page sees it."""

import asyncio
import json
import logging
import re
import socket

import httpx
import pytest
from starlette.requests import Request
from starlette.responses import JSONResponse

from apiroom import DOOR, HERE, HOST, PHONE, ask, opened, raw, served
from evenhall.pages import api, guard, html
from evenhall.pages.guard import (
    BURST,
    MAX_BODY_BYTES,
    MAX_CALIBRATION_BYTES,
    MAX_CLIENTS,
    MAX_UPLOAD_BYTES,
    RATE_PER_S,
    SESSION_COOKIE,
    Guard,
    is_here,
)
from evenhall.pages.pairing import Pairing


async def _echo(scope, receive, send):
    """Stands for the pages: says how long the body was."""
    body = await Request(scope, receive).body()
    await JSONResponse({"bytes": len(body)})(scope, receive, send)


class Clock:
    now_s = 1000.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def pairing():
    return Pairing()


@pytest.fixture
def door(clock, pairing):
    return Guard(_echo, pairing=pairing, hosts=lambda: frozenset({HOST, DOOR}), clock=clock)


@pytest.fixture
def session(pairing):
    return pairing.redeem(pairing.new_code())


def refused(response, status):
    """The line of a refusal."""
    assert response.status_code == status, response.text
    (line,) = response.json()["faults"]
    assert line.endswith(".")
    return line


# Host


@pytest.mark.parametrize("host", [HOST, DOOR, HOST.upper()])
def test_own_host_is_let_in(door, host):
    assert ask(door, "GET", "/visits", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example:8317",  # DNS rebinding: a foreign name that now points at this computer
        "127.0.0.1:8317.evil.example",
        "127.0.0.1",
        "127.0.0.1:80",
        "127.0.0.1.:8317",
        "2130706433:8317",
        "evil.example@127.0.0.1:8317",
        "",
        "\u00e4",
    ],
)
@pytest.mark.parametrize("path", ["/", "/pair", "/static/pages.js", "/api/pair"])
def test_foreign_host_is_refused_even_from_here(door, host, path):
    response = ask(door, "GET", path, headers={"host": host.encode("latin-1")})
    assert "Open the one" in refused(response, 421)


def test_phones_host_is_refused_once_its_door_is_closed(pairing, session):
    hosts = {HOST, DOOR}
    door = Guard(_echo, pairing=pairing, hosts=lambda: frozenset(hosts))
    assert ask(door, "GET", "/", client=PHONE, session=session).status_code == 200
    hosts.remove(DOOR)
    refused(ask(door, "GET", "/", client=PHONE, session=session), 421)


# Who is here


@pytest.mark.parametrize(
    ("client", "here"),
    [
        (("127.0.0.1", 5), True),
        (("127.8.9.1", 5), True),
        (("::1", 5), True),
        (("192.168.7.9", 5), False),
        (("::ffff:192.168.7.9", 5), False),
        (("0.0.0.0", 5), False),
        (("localhost", 5), False),
        (("", 5), False),
        (None, False),
    ],
)
def test_only_this_computer_is_here(client, here):
    assert is_here({"client": client}) is here


@pytest.mark.parametrize("name", ["x-forwarded-for", "x-real-ip", "forwarded", "x-forwarded-host"])
def test_no_header_makes_a_phone_this_computer(door, name):
    response = ask(door, "GET", "/visits", client=PHONE, headers={name: "127.0.0.1"})
    refused(response, 401)


# Sessions


def test_unpaired_device_is_told_how_to_pair(door):
    assert "Scan the code" in refused(ask(door, "GET", "/api/visits", client=PHONE), 401)
    page = ask(door, "GET", "/visits", client=PHONE, headers={"accept": "text/html"})
    assert (page.status_code, page.headers["location"]) == (303, "/pair")


def test_paired_device_is_let_in(door, session):
    assert ask(door, "GET", "/api/visits", client=PHONE, session=session).status_code == 200


@pytest.mark.parametrize("key", ["", "x", "None", "%00", '"', "a" * 5000])
def test_wrong_session_is_none(door, session, key):
    refused(ask(door, "GET", "/api/visits", client=PHONE, session=key), 401)
    refused(ask(door, "GET", "/api/visits", client=PHONE, session=session[:-1]), 401)


def test_odd_cookies_of_other_programs_do_not_hide_the_session(door, session):
    cookie = f'settings={{"a": [1, 2]}}; b\u00e4d=\u00e4; =x; flag; {SESSION_COOKIE}={session}; z=@'
    headers = {"cookie": cookie.encode("latin-1")}
    assert ask(door, "GET", "/", client=PHONE, headers=headers).status_code == 200


# Other web pages


@pytest.mark.parametrize(
    "origin",
    [
        "null",
        "http://evil.example",
        "https://127.0.0.1:8317",
        "http://127.0.0.1:3000",
        "http://localhost:8317",
        "http://127.0.0.1:8317.evil.example",
        "http://127.0.0.1",
        "",
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "PROPFIND"])
def test_foreign_origin_changes_nothing(door, session, origin, method):
    for client in (HERE, PHONE):
        response = ask(
            door, method, "/api/x", client=client, session=session, headers={"origin": origin}
        )
        assert "Another web page" in refused(response, 403)


def unnamed(door, client, **headers):
    """POST that names no Origin."""

    async def once():
        transport = httpx.ASGITransport(door, client=client)
        host = HOST if client == HERE else DOOR
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as asking:
            return await asking.post("/api/x", headers=headers)

    return asyncio.run(once())


def test_change_without_origin_is_for_programs_on_this_computer(door, session):
    assert unnamed(door, HERE).status_code == 200
    paired = {"cookie": f"{SESSION_COOKIE}={session}"}
    assert "Only these pages" in refused(unnamed(door, PHONE, **paired), 403)
    for site in ("cross-site", "same-site"):
        refused(unnamed(door, HERE, **{"sec-fetch-site": site}), 403)


@pytest.mark.parametrize(
    ("site", "mode", "path", "allowed"),
    [
        # W3C Fetch Metadata: a page of another port is "same-site", as a site knows no ports.
        ("cross-site", "cors", "/api/visits", False),
        ("cross-site", "no-cors", "/static/pages.js", False),
        ("cross-site", "navigate", "/api/visits", False),
        ("cross-site", "navigate", "/visit/1/takes", True),
        ("cross-site", None, "/visits", False),
        ("same-site", "cors", "/api/visits", False),
        ("same-site", "no-cors", "/visits", False),
        ("same-origin", "cors", "/api/visits", True),
        ("none", "navigate", "/api/visits/1/sheet.pdf", True),
        (None, None, "/api/visits", True),
    ],
)
def test_another_page_reads_nothing_but_may_link_to_a_page(door, site, mode, path, allowed):
    given = {"sec-fetch-site": site, "sec-fetch-mode": mode}
    response = ask(door, "GET", path, headers={k: v for k, v in given.items() if v})
    if allowed:
        assert response.status_code == 200
    else:
        assert "read nothing" in refused(response, 403)


# Size


@pytest.mark.parametrize(
    ("method", "path", "limit"),
    [
        ("POST", "/api/visits", MAX_BODY_BYTES),
        ("POST", "/api/pair", MAX_BODY_BYTES),
        ("PUT", "/api/visits/1/entries/note.hall", MAX_BODY_BYTES),
        ("PUT", "/api/visits/1/entries/calibration", MAX_BODY_BYTES),
        ("PUT", "/api/visits/1/entries/stimulus", MAX_BODY_BYTES),
        ("PUT", "/api/visits/1/card?side=calibration", MAX_BODY_BYTES),
        ("POST", "/api/x/takes/upload", MAX_BODY_BYTES),
        ("POST", "/api/visits/1/stimulus/more", MAX_BODY_BYTES),
        ("POST", "/more/api/visits/import", MAX_BODY_BYTES),
        ("PUT", "/api/visits/import", MAX_BODY_BYTES),
        ("POST", "/api/visits/1/calibration", MAX_CALIBRATION_BYTES),
        ("POST", "/api/visits/1/stimulus", MAX_UPLOAD_BYTES),
        ("POST", "/api/visits/12/takes/upload", MAX_UPLOAD_BYTES),
        ("POST", "/api/visits/import", MAX_UPLOAD_BYTES),
    ],
)
def test_body_may_be_as_large_as_its_address_needs(door, method, path, limit):
    def length(size):
        return ask(door, method, path, headers={"content-length": str(size)})

    assert length(limit).status_code == 200
    size = {MAX_BODY_BYTES: "64 kB", MAX_CALIBRATION_BYTES: "2 MB", MAX_UPLOAD_BYTES: "512 MB"}
    assert size[limit] in refused(length(limit + 1), 413)


@pytest.mark.parametrize("length", ["-1", "1e3", " ", "+5", "9" * 5000, "0x10", "\u00b2"])
def test_length_that_is_none_is_refused(door, length):
    headers = {"content-length": length.encode("latin-1")}
    refused(ask(door, "POST", "/api/visits", headers=headers), 413)


def test_body_is_counted_as_it_comes_whatever_its_length_says(tmp_path):
    async def much():
        yield b'{"kind": "'
        for _ in range(2000):  # 32 MB
            yield b"x" * 2**14

    with opened(tmp_path, demo=False) as pages:
        response = ask(
            pages.app,
            "POST",
            "/api/visits",
            content=much(),
            headers={"content-type": "application/json"},
        )
        assert "64 kB" in refused(response, 413)
        assert pages.services.store.visits() == ()


# Rate


def test_too_many_requests_are_refused_and_let_in_again_after_a_moment(door, clock):
    async def burst(count, client):
        transport = httpx.ASGITransport(door, client=client)
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as asking:
            return [(await asking.get("/pair")) for _ in range(count)]

    many = asyncio.run(burst(int(BURST) + 5, PHONE))
    assert [one.status_code for one in many] == [200] * int(BURST) + [429] * 5
    assert "Wait" in refused(many[-1], 429)
    assert many[-1].headers["retry-after"] == "1"
    assert asyncio.run(burst(1, HERE))[0].status_code == 200  # the laptop is not held up
    clock.now_s += 1.0
    again = asyncio.run(burst(int(RATE_PER_S) + 1, PHONE))
    assert [one.status_code for one in again] == [200] * int(RATE_PER_S) + [429]
    clock.now_s += 3600.0
    later = asyncio.run(burst(int(BURST) + 1, PHONE))
    assert [one.status_code for one in later] == [200] * int(BURST) + [429]


def test_only_so_many_clients_are_remembered(door):
    async def all_of_them():
        for number in range(MAX_CLIENTS + 50):
            client = (f"10.0.{number // 250}.{number % 250}", 1)
            transport = httpx.ASGITransport(door, client=client)
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{DOOR}") as asking:
                await asking.get("/pair")

    asyncio.run(all_of_them())
    assert len(door._left) == MAX_CLIENTS


# Headers


def test_every_answer_says_what_a_browser_may_do_with_it(door):
    for response in (ask(door, "GET", "/"), ask(door, "GET", "/", headers={"host": "x"})):
        assert response.headers["x-content-type-options"] == "nosniff"
        assert response.headers["referrer-policy"] == "no-referrer"
        assert response.headers["cross-origin-resource-policy"] == "same-origin"
        policy = response.headers["content-security-policy"]
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert not any(name.startswith("access-control-") for name in response.headers)


def test_web_socket_is_not_answered(door):
    sent = []

    async def send(message):
        sent.append(message)

    asyncio.run(door({"type": "websocket", "path": "/", "headers": []}, None, send))
    assert sent == []


# The whole application


def routes():
    """Method and address of each route of the pages and of the API, for the demo's visit."""
    filled = {"name": "note.hall", "side": "left", "take": "1", "number": "1", "visit": "1"}
    routers = (*(part.router for part in api.PARTS), html.router)
    for route in (route for router in routers for route in router.routes):
        path = re.sub(r"{(\w+)}", lambda found: filled[found[1]], route.path)
        for method in sorted(route.methods):
            yield method, path
    yield "GET", "/api/openapi.json"


OPEN = {("GET", "/pair"), ("POST", "/api/pair")}


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    patch = pytest.MonkeyPatch()
    patch.setattr(guard, "BURST", 1e9)
    with opened(tmp_path_factory.mktemp("guard")) as pages:
        yield pages
    patch.undo()


def test_routes_are_found():
    found = set(routes())
    assert found > OPEN
    assert {("GET", "/visit/1/takes"), ("POST", "/api/sound/take"), ("GET", "/")} < found
    assert len(found) > 30


@pytest.mark.parametrize(("method", "path"), sorted(set(routes()) - OPEN))
def test_unpaired_phone_sees_and_starts_nothing(pages, method, path):
    before = pages.services.store.visits(), pages.services.store.visit(pages.visit)
    assert refused(ask(pages.app, method, path, client=PHONE, json={}), 401)
    page = ask(pages.app, method, path, client=PHONE, json={}, headers={"accept": "text/html"})
    if method == "GET":
        assert (page.status_code, page.headers["location"]) == (303, "/pair")
        assert page.content == b""
    else:
        refused(page, 401)
    assert (pages.services.store.visits(), pages.services.store.visit(pages.visit)) == before
    assert not pages.services.player.now.busy
    assert pages.services.phone.host is None


def test_what_an_unpaired_phone_may_see_tells_nothing_of_the_visits(pages):
    name = pages.services.store.visit(pages.visit).name
    for path in ("/pair", "/static/pages.js", "/static/no-such-thing", "/static/pages.css"):
        for accept in ("text/html", "*/*"):
            response = ask(pages.app, "GET", path, client=PHONE, headers={"accept": accept})
            assert response.status_code in (200, 404)
            assert name not in response.text


DEVICES = {
    ("GET", "/api/devices"),
    ("PUT", "/api/devices"),
    ("GET", "/api/phone"),
    ("POST", "/api/phone/open"),
    ("POST", "/api/phone/close"),
}


@pytest.mark.parametrize(("method", "path"), sorted(DEVICES))
def test_paired_phone_chooses_no_devices_and_lets_nobody_in(pages, method, path):
    pairing = pages.services.pairing
    session = pairing.redeem(pairing.new_code())
    response = ask(pages.app, method, path, client=PHONE, session=session, json={})
    assert "on the laptop itself" in refused(response, 422)
    assert pairing.knows(session)  # nobody was forgotten either


def test_only_here_holds_for_all_that_concerns_devices_and_the_door():
    found = {pair for pair in routes() if pair[1].startswith(("/api/devices", "/api/phone"))}
    assert found == DEVICES


# A real port


@pytest.fixture(scope="module")
def port(pages):
    phone = pages.services.phone
    with served(pages.services) as server:
        yield server.port
    pages.services.phone = phone


TRICKS = [
    b"/static/../../pyproject.toml",
    b"/static/../guard.py",
    b"/static/%2e%2e/guard.py",
    b"/static/%2e%2e%2fguard.py",
    b"/static/..%5cguard.py",
    b"/static/..\\guard.py",
    b"/static//etc/passwd",
    b"/static/%2fetc/passwd",
    b"/static/\\\\server\\share",
    b"/static/%00",
    b"/static/pages.js%00.txt",
    b"/static/" + b"a" * 5000,
    b"/static/%ff%fe",
    b"//evil.example/visits",
    b"//evil.example/%2e%2e",
    b"/api/visits/1/entries/..%2f..%2fetc",
    b"/api/visits/1/entries/%2e%2e",
    b"/api/visits/..%2f1",
    b"/api/visits/1%00",
    b"/api/visits/1/takes/..%5c1",
    b"/visit/1/card?side=..%2f..%2fguard.py",
    b"/visit/1/card?side=%00",
    b"/visit/1/card/..%2f..%2fguard.py",
    b"/visit/%2e%2e/set-out",
    b"/%2e%2e/%2e%2e/etc/passwd",
    b"/./static/./../guard.py",
    b"*",
]


@pytest.mark.parametrize("path", TRICKS)
@pytest.mark.parametrize("accept", [b"*/*", b"text/html"])
def test_path_tricks_find_nothing(pages, port, path, accept):
    request = b"GET %s HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nAccept: %s\r\nConnection: close\r\n\r\n"
    status, answer = raw(port, request % (path, port, accept))
    assert status in (400, 404, 405, 422), answer
    for secret in (b"root:", b"class Guard", b"[project]", b"Traceback", b"/src/evenhall"):
        assert secret not in answer


@pytest.mark.parametrize(
    "path", [b"//evil.example/", b"//evil.example//", b"/visits//", b"/visits/"]
)
def test_no_redirect_leads_to_another_computer(port, path):
    _, answer = raw(
        port, b"GET %s HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nConnection: close\r\n\r\n" % (path, port)
    )
    for place in re.findall(rb"(?i)\r\nlocation: (.*)\r\n", answer):
        assert place.startswith(b"http://127.0.0.1:%d/visits" % port)


def test_phone_finds_no_way_in_by_path_tricks(pages, port, monkeypatch):
    monkeypatch.setattr(guard, "is_here", lambda scope: False)
    name = pages.services.store.visit(pages.visit).name.encode()
    for path in (*TRICKS, b"/static/../api/visits", b"/pair/../visits", b"/pair%2f..%2fvisits"):
        request = b"GET %s HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nConnection: close\r\n\r\n"
        status, answer = raw(port, request % (path, port))
        assert status in (400, 401, 404), (path, answer)
        assert name not in answer


@pytest.mark.parametrize(
    "head",
    [
        b"Host: 127.0.0.1:%d\r\nHost: evil.example",
        b"Host: 127.0.0.1:%d\r\nContent-Length: 5\r\nContent-Length: 6",
        b"Host: 127.0.0.1:%d\r\nContent-Length: -5",
        b"Host: 127.0.0.1:%d\r\nContent-Length: " + b"9" * 400,
        b"Host: 127.0.0.1:%d\r\nTransfer-Encoding: gzip, chunked",
        b"Host: 127.0.0.1:%d\r\nX: " + b"y" * 200_000,
        b"Host: 127.0.0.1:%d\r\nBad Header: 1",
        b"Host: 127.0.0.1:%d\r\nCookie: " + b"a=b; " * 8000,
        b"Host: 127.0.0.1:%d\r\nOrigin: http://127.0.0.1:1\r\nOrigin: null",
        b"X: no host",
    ],
)
def test_absurd_headers_are_refused_and_the_server_goes_on(port, head):
    head = head.replace(b"%d", b"%d" % port)
    status, answer = raw(
        port, b"POST /api/visits HTTP/1.1\r\n" + head + b"\r\nConnection: close\r\n\r\n"
    )
    assert status in (400, 403, 413, 421, 422, 431, 501), answer
    assert b"Traceback" not in answer
    assert httpx.get(f"http://127.0.0.1:{port}/api/visits").status_code == 200


def chunked(path, port, type_=b"application/json"):
    return (
        b"POST %s HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Type: %s\r\n"
        b"Transfer-Encoding: chunked\r\n\r\n" % (path, port, type_)
    )


def test_huge_body_without_a_length_is_broken_off(pages, port):
    block = b"10000\r\n" + b"[" * 2**16 + b"\r\n"
    before = pages.services.store.visits()
    status, answer = raw(port, chunked(b"/api/visits", port), *[block] * 200)
    assert (status, b"64 kB" in answer) == (413, True)
    assert pages.services.store.visits() == before
    # One that waits for the answer gets it.
    status, answer = raw(port, chunked(b"/api/visits", port), block, b"1\r\n[\r\n")
    assert (status, json.loads(answer.partition(b"\r\n\r\n")[2])["faults"]) == (
        413,
        ["That is too large. Send 64 kB at the most."],
    )


def test_upload_without_a_length_is_broken_off_at_its_limit_and_leaves_nothing(
    pages, port, monkeypatch
):
    small = {address: min(limit, 200_000) for address, limit in guard.LIMITS.items()}
    monkeypatch.setattr(guard, "LIMITS", small)
    form = (
        b'--b\r\nContent-Disposition: form-data; name="file"; filename="a.zip"\r\n'
        b"Content-Type: application/zip\r\n\r\n"
    )
    block = b"10000\r\n" + b"x" * 2**16 + b"\r\n"
    before = sorted(pages.services.store.folder.rglob("*"))
    status, answer = raw(
        port,
        chunked(b"/api/visits/import", port, b"multipart/form-data; boundary=b"),
        b"%x\r\n%s\r\n" % (len(form), form),
        *[block] * 4,
    )
    assert status == 413, answer
    assert sorted(pages.services.store.folder.rglob("*")) == before


@pytest.mark.parametrize("path", [b"/api/visits", b"/api/visits/import", b"/api/pair"])
def test_body_that_breaks_off_is_no_error_of_ours(pages, port, path, caplog):
    log = logging.getLogger("uvicorn.error")  # it passes nothing on to where caplog looks
    log.addHandler(caplog.handler)
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(
            b"POST %s HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Length: 1000\r\n"
            b"Content-Type: multipart/form-data; boundary=b\r\n\r\n--b\r\n" % (path, port)
        )
        line.shutdown(socket.SHUT_WR)
        line.settimeout(5)
        while line.recv(2**16):
            pass
    assert httpx.get(f"http://127.0.0.1:{port}/api/visits").status_code == 200
    log.removeHandler(caplog.handler)
    assert [one.getMessage() for one in caplog.records if one.levelno >= logging.ERROR] == []
