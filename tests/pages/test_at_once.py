"""Stop and the sign of life have their own way, and long work has a bound."""

import asyncio
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress

import httpx
import pytest

from apiroom import DOOR, HERE, HOST, PHONE, ask, opened, served
from evenhall.pages import guard
from evenhall.pages.guard import AT_ONCE, BURST, MAX_TRANSFERS, Guard
from evenhall.pages.pairing import Pairing
from evenhall.pages.services import FILES_WAITING, VIEWS_WAITING
from pages.test_guard import Clock, _echo, refused

AT_ONCE_S = 2.0  # an answer on a machine that is busy with other tests; the bench asks for 0.2 s
STOP, ALIVE = "/api/sound/stop", "/api/sound/alive"


@pytest.fixture
def pairing():
    return Pairing()


@pytest.fixture
def door(pairing):
    return Guard(_echo, pairing=pairing, hosts=lambda: frozenset({HOST, DOOR}), clock=Clock())


def many(door, count, method, path, *, client=HERE, headers=None):
    """The statuses of as many requests, all in one moment."""
    host = HOST if client == HERE else DOOR
    given = {"origin": f"http://{host}", **(headers or {})}

    async def run():
        transport = httpx.ASGITransport(door, client=client)
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as asking:
            return [
                (await asking.request(method, path, headers=given)).status_code
                for _ in range(count)
            ]

    return asyncio.run(run())


# Never limited


@pytest.mark.parametrize("path", sorted(AT_ONCE))
@pytest.mark.parametrize("client", [HERE, PHONE])
def test_what_is_needed_at_once_is_never_too_much(door, pairing, path, client):
    session = pairing.redeem(pairing.new_code())
    cookie = {"cookie": f"evenhall_session={session}"}
    assert 429 in many(door, int(BURST) + 5, "GET", "/x", client=client, headers=cookie)
    calls = many(door, int(BURST) + 50, "POST", path, client=client, headers=cookie)
    assert set(calls) == {200}


def test_stop_and_alive_are_among_what_is_needed_at_once():
    assert {STOP, ALIVE, "/api/sound/answer", "/api/phone/close"} == AT_ONCE


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "http://127.0.0.1:3000"}, 403),
        ({"host": "evil.example:8317"}, 421),
        ({"sec-fetch-site": "cross-site", "origin": "null"}, 403),
    ],
)
@pytest.mark.parametrize("path", [STOP, "/api/visits"])
def test_foreign_pages_spend_nothing_of_ours(door, headers, status, path):
    assert set(many(door, 3 * int(BURST), "POST", path, headers=headers)) == {status}
    assert set(many(door, int(BURST), "POST", "/api/visits")) == {200}


def test_unpaired_devices_spend_nothing_of_the_paired_one(door, pairing):
    """Two devices may share an address: behind a router of the hall's, for one."""
    cookie = {"cookie": f"evenhall_session={pairing.redeem(pairing.new_code())}"}
    assert set(many(door, 3 * int(BURST), "GET", "/api/visits", client=PHONE)) == {401}
    assert set(many(door, 20, "GET", "/api/visits", client=PHONE, headers=cookie)) == {200}


def test_stop_stays_refused_to_other_pages_and_to_unpaired_devices(door):
    headers = {"origin": "http://evil.example"}
    assert "Another web page" in refused(ask(door, "POST", STOP, headers=headers), 403)
    refused(ask(door, "POST", STOP, client=PHONE), 401)


# Never queued


@pytest.fixture
def services(tmp_path):
    with opened(tmp_path, demo=False) as pages:
        pages.services.new_demo()
        yield pages.services


@pytest.fixture
def held(services, monkeypatch):
    """Every verdict takes until the test lets it go on."""
    begun, go_on = threading.Semaphore(0), threading.Event()

    def long(visit):
        begun.release()
        go_on.wait(30.0)
        return measured(visit)

    measured = services.judge.result
    monkeypatch.setattr(services.judge, "result", long)
    monkeypatch.setattr(guard, "BURST", 1000.0)
    yield begun, go_on
    go_on.set()


@contextmanager
def asking_of(server, **headers):
    with httpx.Client(
        base_url=server.address,
        headers={"origin": server.address, **headers},
        timeout=30.0,
        limits=httpx.Limits(max_connections=100),
    ) as asking:
        yield asking


def took_s(asking, method, path, **options):
    began_s = time.monotonic()
    answer = asking.request(method, path, **options)
    assert answer.status_code < 300, answer.text
    return time.monotonic() - began_s


def answered(asked, count):
    """Those that have their answer, once they are so many."""
    end_s = time.monotonic() + 20.0
    while len(done := [one.result() for one in asked if one.done()]) < count:
        assert time.monotonic() < end_s, f"{len(done)} answers"
        time.sleep(0.02)
    return done


def test_stop_waits_behind_no_long_work_and_too_much_of_it_is_refused(services, held):
    begun, go_on = held
    with served(services) as server, ThreadPoolExecutor(80) as askers, asking_of(server) as asking:
        asked = [askers.submit(asking.get, "/visit/1/hall") for _ in range(VIEWS_WAITING + 20)]
        try:
            assert begun.acquire(timeout=20.0)
            for one in answered(asked, 20):
                assert one.status_code == 503
                assert int(one.headers["retry-after"]) >= 1
                assert "busy" in refused(one, 503)
            for _ in range(5):
                assert took_s(asking, "POST", STOP) < AT_ONCE_S
                assert took_s(asking, "POST", ALIVE, json={"holder": "me"}) < AT_ONCE_S
            # What is quick has its threads still, and so has the other kind of long work.
            entry = {"value": "it goes on", "was": None}
            assert took_s(asking, "PUT", "/api/visits/1/entries/note.hall", json=entry) < AT_ONCE_S
            assert took_s(asking, "GET", "/api/visits/1/folder.zip") < AT_ONCE_S
        finally:
            go_on.set()
        statuses = [one.result().status_code for one in asked]
    assert (statuses.count(503), statuses.count(200)) == (20, VIEWS_WAITING)


def test_page_of_a_busy_program_says_so_in_words(services, held):
    _, go_on = held
    with (
        served(services) as server,
        ThreadPoolExecutor(80) as askers,
        asking_of(server, accept="text/html") as asking,
    ):
        asked = [askers.submit(asking.get, "/visit/1/hall") for _ in range(VIEWS_WAITING + 1)]
        try:
            (page,) = answered(asked, 1)
        finally:
            go_on.set()
    assert page.status_code == 503
    assert "The laptop is busy" in page.text
    assert page.headers["content-type"].startswith("text/html")
    assert int(page.headers["retry-after"]) >= 1


def test_stop_waits_for_no_store(services):
    """Somebody writes, and the disk takes its time, while pages begin to listen."""
    with served(services) as server, ThreadPoolExecutor(4) as askers, asking_of(server) as asking:

        def listen():
            with suppress(httpx.TimeoutException):
                httpx.get(f"{server.address}/api/visits/1/live", timeout=1.0)

        with services.store._lock:
            for _ in range(4):
                askers.submit(listen)
            time.sleep(0.2)
            assert took_s(asking, "POST", STOP) < AT_ONCE_S
            assert took_s(asking, "POST", ALIVE, json={"holder": "me"}) < AT_ONCE_S


def test_only_so_many_files_go_in_and_out_at_once(services):
    """A transfer has its place from the first byte to the last, and the laptop's are its own."""

    class Open:
        def __init__(self):
            self.go_on = asyncio.Event()

        async def __call__(self, scope, receive, send):
            await self.go_on.wait()
            await _echo(scope, receive, send)

    async def run():
        app = Open()
        pairing = Pairing()
        door = Guard(app, pairing=pairing, hosts=lambda: frozenset({HOST, DOOR}))
        session = pairing.redeem(pairing.new_code())

        def asking(client):
            host = HOST if client == HERE else DOOR
            return httpx.AsyncClient(
                transport=httpx.ASGITransport(door, client=client),
                base_url=f"http://{host}",
                headers={"origin": f"http://{host}", "cookie": f"evenhall_session={session}"},
            )

        async with asking(HERE) as here, asking(PHONE) as there:
            ways = [("POST", "/api/visits/import"), ("GET", "/api/visits/1/folder.zip")]
            under_way = [
                asyncio.create_task(there.request(*ways[k % 2])) for k in range(MAX_TRANSFERS)
            ]
            await asyncio.sleep(0)
            for _ in range(20):
                await asyncio.sleep(0)
            refusals = [await there.request(*way) for way in ways]
            own = asyncio.create_task(here.request(*ways[1]))
            await asyncio.sleep(0.01)
            app.go_on.set()
            whole = [(await one).status_code for one in under_way]
            again = await there.request(*ways[0])
            return refusals, whole, (await own).status_code, again.status_code

    refusals, whole, own, again = asyncio.run(run())
    for one in refusals:
        assert "Wait" in refused(one, 503)
        assert int(one.headers["retry-after"]) >= 1
    assert set(whole) == {200}
    assert (own, again) == (200, 200)


def test_job_folder_that_goes_out_leaves_nothing_in_the_temporary_folder(
    services, tmp_path, monkeypatch
):
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    with (
        served(services) as server,
        httpx.stream("GET", f"{server.address}/api/visits/1/folder.zip") as answer,
    ):
        assert answer.headers["content-type"] == "application/zip"
        assert list(place.iterdir()) == []  # killed now, it leaves nothing behind
        size = len(answer.read())
    assert size == int(answer.headers["content-length"])
    assert FILES_WAITING >= MAX_TRANSFERS
