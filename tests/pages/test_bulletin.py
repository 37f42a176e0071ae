"""News: who looks at a visit hears what changes; a slow page loses levels, never a change."""

import asyncio
import json
import socket
import time
from threading import Thread

import pytest

from apiroom import opened, served
from evenhall.errors import InputError
from evenhall.pages import bulletin
from evenhall.pages.bulletin import BEAT_S, MAX_LISTENERS, WAITING, Bulletin


def read(event):
    """Kind and data of an event (HTML standard, section 9.2.6: fields, then an empty line)."""
    kind, data, *rest = event.split("\n")
    assert rest == ["", ""]
    return kind.removeprefix("event: "), json.loads(data.removeprefix("data: "))


async def listener(news, visit=1):
    """A page that listens, past the word that everything may have changed."""
    page = news.listen(visit)
    assert read(await anext(page)) == ("changed", {})
    return page


async def waiting(page):
    """What lies there for a page by now."""
    events = []
    while (event := read(await anext(page)))[0] != "beat":
        events.append(event)
    return events


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(bulletin, "BEAT_S", 0.02)


def test_page_hears_of_its_visit_and_of_all_but_not_of_others():
    async def run():
        news = Bulletin()
        page = await listener(news)
        news.tell("changed", {"name": "a"}, visit=1)
        news.tell("changed", {"name": "b"}, visit=2)
        news.tell("levels", {"left_s": 1.0})
        assert await waiting(page) == [("changed", {"name": "a"}), ("levels", {"left_s": 1.0})]
        await page.aclose()

    asyncio.run(run())


def test_beat_comes_where_nothing_is_told():
    async def run():
        page = await listener(Bulletin())
        assert [read(await anext(page)) for _ in range(3)] == [("beat", {})] * 3
        await page.aclose()

    asyncio.run(run())


def test_line_breaks_in_what_is_told_do_not_break_an_event():
    async def run():
        news = Bulletin()
        page = await listener(news)
        news.tell("changed", {"name": "a\n\nevent: levels\r\ndata: 1\u2028"}, visit=1)
        assert await waiting(page) == [("changed", {"name": "a\n\nevent: levels\r\ndata: 1\u2028"})]
        await page.aclose()

    asyncio.run(run())


def test_slow_page_loses_levels_only():
    async def run():
        news = Bulletin()
        page = await listener(news)
        news.tell("changed", {"name": "first"}, visit=1)
        for number in range(3 * WAITING):
            news.tell("levels", {"left_s": number}, visit=1)
        got = await waiting(page)
        assert got[0] == ("changed", {"name": "first"})
        assert [data["left_s"] for _, data in got[1:]] == list(range(WAITING - 1))
        await page.aclose()

    asyncio.run(run())


def test_page_that_is_far_behind_is_told_that_everything_may_have_changed():
    async def run():
        news = Bulletin()
        page = await listener(news)
        for number in range(2 * WAITING):
            news.tell("levels", {"left_s": number}, visit=1)
        news.tell("changed", {"name": "late"}, visit=1)
        assert await waiting(page) == [("changed", {})]
        for number in range(WAITING + 1):
            news.tell("changed", {"name": number}, visit=1)
        assert await waiting(page) == [("changed", {})]
        await page.aclose()

    asyncio.run(run())


def test_slow_page_holds_up_no_other_and_no_teller():
    async def run():
        news = Bulletin()
        slow, quick_page = await listener(news), await listener(news)
        heard = []
        for number in range(3 * WAITING):
            news.tell("changed", {"name": number}, visit=1)
            heard.append(read(await anext(quick_page))[1]["name"])
        assert heard == list(range(3 * WAITING))
        await slow.aclose()
        await quick_page.aclose()

    asyncio.run(run())


def test_any_thread_may_tell():
    async def run():
        news = Bulletin()
        page = await listener(news)

        def tell(start):
            for number in range(10):
                news.tell("changed", {"name": start + number}, visit=1)

        threads = [Thread(target=tell, args=(100 * k,)) for k in range(4)]
        for one in threads:
            one.start()
        for one in threads:
            await asyncio.to_thread(one.join)
        got = [data["name"] for _, data in await waiting(page)]
        assert sorted(got) == sorted(100 * k + n for k in range(4) for n in range(10))
        for k in range(4):  # each thread's in its order
            own = [name for name in got if name // 100 == k]
            assert own == sorted(own)
        await page.aclose()

    asyncio.run(run())


def test_telling_whoever_listened_in_a_loop_that_has_ended_is_no_error():
    news = Bulletin()
    page = news.listen(1)

    async def begin():
        await anext(page)

    loop = asyncio.new_event_loop()
    loop.run_until_complete(begin())
    loop.close()
    news.tell("changed", {}, visit=1)


def test_room_is_limited_and_free_again_when_a_page_goes():
    async def run():
        news = Bulletin()
        pages = [await listener(news) for _ in range(MAX_LISTENERS)]
        with pytest.raises(InputError, match=r"Too many pages are open\. Close some\."):
            news.check_room()
        # One that had found room before the others came hears nothing, and asks again.
        assert await anext(news.listen(1), None) is None
        await pages.pop().aclose()
        news.check_room()
        pages.append(await listener(news))
        for page in pages:
            await page.aclose()
        assert news._listeners == set()

    asyncio.run(run())


def test_page_that_is_cancelled_is_gone():
    async def run():
        news = Bulletin()

        async def listen():
            async for _ in news.listen(1):
                pass

        task = asyncio.create_task(listen())
        await asyncio.sleep(0.005)
        assert len(news._listeners) == 1
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert news._listeners == set()

    asyncio.run(run())


# On a port


@pytest.fixture(scope="module")
def one_server(tmp_path_factory):
    with opened(tmp_path_factory.mktemp("bulletin"), demo=False) as pages:
        assert pages.services.new_demo() == 1
        with served(pages.services) as server:
            yield server


@pytest.fixture
def server(one_server):
    yield one_server
    assert soon(lambda: not one_server.services.bulletin._listeners)


def listening(server, visit=1):
    line = socket.create_connection(("127.0.0.1", server.port), timeout=5)
    line.sendall(
        b"GET /api/visits/%d/live HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n"
        b"Accept-Encoding: gzip\r\n\r\n" % (visit, server.port)
    )
    got = b""
    while b"event: " not in got and (block := line.recv(2**16)):
        got += block
        if b"faults" in got:
            break
    return line, got


def soon(true, within_s=5.0):
    """Whether something becomes so; an honest failure, not a hang, where it does not."""
    until_s = time.monotonic() + within_s
    while not true():
        if time.monotonic() > until_s:
            return False
        time.sleep(0.005)
    return True


def test_pages_that_go_leave_the_room(server):
    listeners = server.services.bulletin._listeners
    lines = [listening(server)[0] for _ in range(5)]
    assert soon(lambda: len(listeners) == 5)
    for line in lines:
        line.close()
    assert soon(lambda: not listeners)


def test_events_are_not_packed_and_come_at_once(server):
    line, got = listening(server)
    assert b"text/event-stream" in got
    assert b"content-encoding" not in got.lower()
    server.services.bulletin.tell("changed", {"name": "note.hall"}, visit=1)
    while b"note.hall" not in got:
        got += line.recv(2**16)
    line.close()


def test_one_page_too_many_is_told(server):
    lines = [listening(server)[0] for _ in range(MAX_LISTENERS)]
    assert soon(lambda: len(server.services.bulletin._listeners) == MAX_LISTENERS)
    line, got = listening(server)
    assert b"422" in got.split(b"\r\n")[0]
    assert b"Close some" in got
    for one in (line, *lines):
        one.close()


def test_visit_that_is_none_is_not_listened_to(server):
    line, got = listening(server, visit=77)
    assert b"There is no visit 77" in got
    line.close()
    assert not server.services.bulletin._listeners


def test_beat_is_often_enough_to_know_of_a_lost_connection_within_two_seconds():
    assert BEAT_S <= 1.0
