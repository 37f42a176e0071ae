"""The second door: it opens at run time, lets in who pairs, and is shut with nobody left inside.

The local network is this computer's own loopback: the door at 127.0.0.2, the phone at 127.0.0.3.
"""

import asyncio
import contextlib
import http.client
import io
import itertools
import socket
import sys

import httpx
import pytest

from apiroom import opened, served
from evenhall.errors import InputError
from evenhall.pages import api, guard, html, phone
from evenhall.pages.phone import Phone, local_addresses

pytestmark = pytest.mark.skipif(
    sys.platform == "darwin", reason="has no loopback addresses but one"
)
ADDRESS, OTHER, PHONE_AT = "127.0.0.2", "127.0.0.4", "127.0.0.3"


@pytest.fixture
def network(monkeypatch):
    for module in (phone, api.doors, html):
        monkeypatch.setattr(module, "local_addresses", lambda: (ADDRESS, OTHER))
    for module in (guard, api.access, html):
        monkeypatch.setattr(module, "is_here", lambda scope: scope["client"][0] != PHONE_AT)


@pytest.fixture(scope="module")
def one_server(tmp_path_factory):
    with opened(tmp_path_factory.mktemp("phone"), demo=False) as pages:
        assert pages.services.new_demo() == 1
        with served(pages.services) as server:
            yield server


@pytest.fixture
def server(one_server, network):
    yield one_server
    one_server.run(one_server.services.phone.close())
    one_server.services.phone._port = 0


@pytest.fixture
def laptop(server):
    with httpx.Client(base_url=server.address, headers={"origin": server.address}) as laptop:
        yield laptop


def at(door):
    """A phone at a door."""
    base = door["address"].removesuffix("/pair")
    return httpx.Client(
        base_url=base,
        headers={"origin": base},
        transport=httpx.HTTPTransport(local_address=PHONE_AT),
        timeout=5,
    )


def opened_door(laptop, **order):
    answer = laptop.post("/api/phone/open", json=order)
    assert answer.status_code == 200, answer.text
    return answer.json()


def refuses(door):
    host, _, port = door["address"].split("/")[2].partition(":")
    try:
        socket.create_connection((host, int(port)), timeout=2).close()
    except ConnectionRefusedError:
        return True
    return False


def test_door_is_closed_until_the_user_opens_it(server, laptop):
    shown = laptop.get("/api/phone").json()
    assert shown == {
        "open": False,
        "address": None,
        "code": None,
        "qr_svg": None,
        "paired": 0,
        "addresses": [ADDRESS, OTHER],
    }
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((ADDRESS, server.port), timeout=2)


def test_door_answers_as_soon_as_its_code_is_shown(laptop):
    door = opened_door(laptop)
    with at(door) as visitor:
        assert visitor.get("/pair").status_code == 200
        assert visitor.get("/api/visits").status_code == 401
        assert visitor.get("/", headers={"accept": "text/html"}).headers["location"] == "/pair"


def test_code_is_not_shown_before_the_door_answers(server):
    async def run():
        door = await server.services.phone.open()
        host, _, port = door.address.split("/")[2].partition(":")
        socket.create_connection((host, int(port)), timeout=2).close()  # no turn for the server

    server.run(run())


def test_phone_pairs_once_and_then_sees_the_visit(laptop):
    door = opened_door(laptop)
    with at(door) as visitor, at(door) as second:
        assert visitor.post("/api/pair", json={"code": door["code"]}).status_code == 204
        assert second.post("/api/pair", json={"code": door["code"]}).status_code == 401
        assert visitor.get("/api/visits").status_code == 200
        assert visitor.get("/visit/1/takes").status_code == 200
        assert second.get("/api/visits").status_code == 401
        entry = {"value": "by the phone", "was": 0}
        assert visitor.put("/api/visits/1/entries/note.hall", json=entry).status_code == 200
        assert visitor.get("/api/phone").status_code == 422
        assert visitor.post("/api/phone/close").status_code == 422
    assert laptop.get("/api/phone").json()["paired"] == 1


def test_door_shows_no_code_to_whoever_asks_later(laptop):
    opened_door(laptop)
    assert laptop.get("/api/phone").json()["code"] is None


def test_qr_code_holds_address_and_code(laptop):
    import segno

    door = opened_door(laptop)
    text = f"{door['address']}#{door['code'].replace(' ', '')}"
    assert door["qr_svg"] == segno.make(text, error="m", micro=False).svg_inline(
        scale=6, border=4, dark="#000", light="#fff", omitsize=True
    )
    assert "<script" not in door["qr_svg"]


def test_closed_door_refuses_forgets_and_drops_who_listens(server, laptop):
    door = opened_door(laptop)
    with at(door) as visitor:
        visitor.post("/api/pair", json={"code": door["code"]})
        with visitor.stream("GET", "/api/visits/1/live") as live:
            events = live.iter_text()
            assert "event: changed" in next(events)
            assert laptop.post("/api/phone/close").status_code == 204
            # What is told after that reaches no phone.
            server.services.bulletin.tell("changed", {"name": "secret"}, visit=1)
            heard = []
            with pytest.raises(httpx.TransportError):
                heard.extend(itertools.islice(events, 20))
        assert "secret" not in "".join(heard)
        assert refuses(door)
        again = opened_door(laptop)
        # Its port may be another: the key is tried at the new door.
        cookie = {"cookie": f"evenhall_session={visitor.cookies['evenhall_session']}"}
    with at(again) as visitor:
        assert visitor.get("/api/visits", headers=cookie).status_code == 401
    assert laptop.get("/api/phone").json()["paired"] == 0


def test_listener_of_the_laptop_stays_when_the_phones_door_closes(server, laptop):
    with laptop.stream("GET", "/api/visits/1/live") as live:
        events = live.iter_text()
        next(events)
        with httpx.Client(base_url=server.address) as other:
            other.post("/api/phone/open", json={})
            other.post("/api/phone/close")
        server.services.bulletin.tell("changed", {"name": "still here"}, visit=1)
        assert any("still here" in event for event in events)


def test_code_is_void_once_the_door_was_closed(laptop):
    door = opened_door(laptop)
    laptop.post("/api/phone/close")
    again = opened_door(laptop)
    with at(again) as visitor:
        assert visitor.post("/api/pair", json={"code": door["code"]}).status_code == 401


def test_new_code_at_an_open_door_keeps_who_is_paired(laptop):
    door = opened_door(laptop)
    with at(door) as visitor:
        visitor.post("/api/pair", json={"code": door["code"]})
        again = opened_door(laptop)
        assert again["address"] == door["address"]
        assert again["code"] != door["code"]
        assert again["paired"] == 1
        assert visitor.get("/api/visits").status_code == 200


def test_door_moves_to_the_address_that_is_chosen(laptop):
    door = opened_door(laptop)
    assert ADDRESS in door["address"]
    moved = opened_door(laptop, address=OTHER)
    assert OTHER in moved["address"]
    assert refuses(door)
    with at(moved) as visitor:
        assert visitor.post("/api/pair", json={"code": moved["code"]}).status_code == 204
    assert opened_door(laptop, address=OTHER)["paired"] == 1  # the same one: it stays


@pytest.mark.parametrize("address", ["0.0.0.0", "8.8.8.8", "", "evil.example", "127.0.0.1\n"])
def test_only_an_address_of_this_computer_can_be_opened(laptop, address):
    answer = laptop.post("/api/phone/open", json={"address": address})
    assert answer.status_code == 422
    assert ADDRESS in "".join(answer.json()["faults"])
    assert laptop.get("/api/phone").json()["open"] is False


def test_half_a_character_is_no_address(laptop):
    answer = laptop.post(
        "/api/phone/open",
        content=b'{"address": "\\ud800"}',
        headers={"content-type": "application/json"},
    )
    assert answer.status_code == 422
    assert all(answer.json()["faults"])


def test_without_a_network_it_is_said_what_to_do(laptop, monkeypatch):
    monkeypatch.setattr(phone, "local_addresses", tuple)
    answer = laptop.post("/api/phone/open", json={})
    assert answer.status_code == 422
    assert "Join the phone's Wi-Fi" in answer.json()["faults"][0]


def test_network_that_has_just_gone_is_a_line(laptop, monkeypatch):
    # TEST-NET-1 (RFC 5737): no computer has it.
    monkeypatch.setattr(phone, "local_addresses", lambda: ("192.0.2.1",))
    answer = laptop.post("/api/phone/open", json={})
    assert answer.status_code == 422
    assert "192.0.2.1 could not be opened" in answer.json()["faults"][0]
    assert laptop.get("/api/phone").json()["open"] is False


def test_taken_port_gives_another(server, laptop):
    server.services.phone._port = server.port
    with socket.create_server((ADDRESS, server.port)):
        door = opened_door(laptop)
        assert not door["address"].endswith(f":{server.port}/pair")
        with at(door) as visitor:
            assert visitor.get("/pair").status_code == 200


def test_opening_and_closing_at_once_leaves_it_in_one_state(server, network):
    door = server.services.phone

    async def at_once():
        for _ in range(2):
            await asyncio.gather(
                door.open(), door.close(), door.open(OTHER), door.open(), door.close()
            )
            assert door.host is None
            opened_twice = await asyncio.gather(door.open(), door.open())
            assert len({one.address for one in opened_twice}) == 1
            # The code that was made last is the one that counts.
            plain = opened_twice[-1].code.replace(" ", "")
            assert server.services.pairing.redeem(plain)
            await door.close()

    server.run(at_once())


def test_pages_answer_while_the_door_closes(server, laptop):
    """Closing takes a moment, in which the laptop's pages are still asked for."""

    async def both():
        door = server.services.phone
        await door.open()
        async with httpx.AsyncClient(base_url=server.address) as asking:
            closing = asyncio.create_task(door.close())
            codes = []
            while not closing.done():
                codes.append((await asking.get("/api/visits")).status_code)
            await closing
        return codes

    codes = server.run(both())
    assert set(codes) == {200}


def test_upload_of_a_phone_is_dropped_when_the_door_closes(server, laptop):
    door = opened_door(laptop)
    with at(door) as visitor:
        visitor.post("/api/pair", json={"code": door["code"]})
        key = visitor.cookies["evenhall_session"]
    host = door["address"].split("/")[2]
    before = sorted(server.services.store.folder.rglob("*"))
    with socket.create_connection(
        (ADDRESS, int(host.partition(":")[2])), source_address=(PHONE_AT, 0), timeout=5
    ) as line:
        cookie = f"Host: {host}\r\nCookie: evenhall_session={key}\r\n"
        line.sendall(f"GET /api/sound HTTP/1.1\r\n{cookie}\r\n".encode())
        answer = http.client.HTTPResponse(line)
        answer.begin()
        assert answer.status == 200
        answer.read()
        line.sendall(
            (
                f"POST /api/visits/import HTTP/1.1\r\n{cookie}Origin: http://{host}\r\n"
                "Content-Length: 100000\r\n"
                "Content-Type: multipart/form-data; boundary=b\r\n\r\n--b\r\n"
            ).encode()
        )
        laptop.post("/api/phone/close")
        with contextlib.suppress(ConnectionResetError):
            assert line.recv(1000) == b""
    assert sorted(server.services.store.folder.rglob("*")) == before


def test_local_addresses_are_those_of_networks_private_ones_first(monkeypatch):
    class Address:
        def __init__(self, ip):
            self.ip = ip

    class Adapter:
        def __init__(self, *ips):
            self.ips = [Address(ip) for ip in ips]

    adapters = [
        Adapter("127.0.0.1", ("::1", 0, 0)),
        Adapter("8.8.4.4", "10.0.0.5"),
        Adapter("192.168.7.2", ("fe80::1", 0, 2), "10.0.0.5"),
    ]
    monkeypatch.setattr(phone.ifaddr, "get_adapters", lambda: adapters)
    assert local_addresses() == ("10.0.0.5", "192.168.7.2", "8.8.4.4")


def test_closing_a_door_that_is_closed_is_nothing(network):
    from evenhall.pages.pairing import Pairing

    async def run():
        door = Phone(None, Pairing(), port=0)
        await door.close()
        with pytest.raises(InputError, match="has no address"):
            await door.open("10.9.9.9")
        assert door.host is None

    asyncio.run(run())


def test_svg_is_well_formed(laptop):
    import xml.etree.ElementTree as Tree

    Tree.parse(io.StringIO(opened_door(laptop)["qr_svg"]))
