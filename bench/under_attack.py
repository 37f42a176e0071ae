"""Stop under attack: `python bench/under_attack.py [TRIES [ATTACK ...]]`.

A real server with a demo visit of six takes, the phone's door open at 127.0.0.2, and one attack
at a time from another process. Meanwhile Stop is asked for so many times at the laptop's door,
every other time on a connection of its own; each must be answered within 0.2 s. What an unpaired
device gets meanwhile is looked at too. Prints a row an attack: how many were in time, the slowest,
and how much the server wrote to its terminal.

For other programs to disturb it less, as root: `nice -n -10 python bench/under_attack.py`; where
Linux groups by session, `echo -10 > /proc/self/autogroup` in a session of its own (`setsid`).
"""

from __future__ import annotations

import http.client
import json
import os
import resource
import selectors
import socket
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from evenhall.job.demo.folder import write_demo
from pageroom import HERE, PHONE_ADDRESS, PageRoom
from visits.made import below, zip_of

TRIES = 200
IN_TIME_S = 0.2
PAUSE_S = 0.01
SETTLE_S = 1.5  # until an attack is at its height


class Line:
    """One connection of an attacker: says its pieces, and comes again when it is dropped."""

    def __init__(self, to: tuple[str, int], source: str, pieces: list[bytes], every_s: float):
        self.to, self.source, self.pieces, self.every_s = to, source, pieces, every_s
        self.at, self.next_s = 0, 0.0
        self.socket: socket.socket | None = None

    def open(self, selector: selectors.BaseSelector) -> None:
        """Begin anew."""
        self.socket = socket.socket()
        self.socket.setblocking(False)
        self.socket.bind((self.source, 0))
        self.socket.connect_ex(self.to)
        self.at, self.next_s = 0, 0.0
        selector.register(self.socket, selectors.EVENT_READ, self)

    def close(self, selector: selectors.BaseSelector) -> None:
        """Go."""
        if self.socket is not None:
            selector.unregister(self.socket)
            self.socket.close()
            self.socket = None

    def speak(self, now_s: float) -> None:
        """Say the next piece, if that is due."""
        if self.socket is None or now_s < self.next_s or self.at >= len(self.pieces):
            return
        with suppress(BlockingIOError):
            piece = self.pieces[self.at]
            sent = self.socket.send(piece)
            # Half a piece may have gone: the rest comes first the next time.
            if sent < len(piece):
                self.pieces = [*self.pieces[: self.at], piece[sent:], *self.pieces[self.at + 1 :]]
                return
            self.at, self.next_s = self.at + 1, now_s + self.every_s


def crowd(
    to: tuple[str, int],
    count: int,
    pieces: list[bytes],
    *,
    sources: tuple[str, ...] = (HERE,),
    every_s: float = 0.5,
    reads: bool = True,
    comes_again_s: float = 0.25,
) -> None:
    """Hold so many connections, each saying its pieces, for as long as the process lives."""
    selector = selectors.DefaultSelector()
    lines = [Line(to, sources[k % len(sources)], list(pieces), every_s) for k in range(count)]
    again_s: dict[Line, float] = dict.fromkeys(lines, 0.0)
    while True:
        now_s = time.monotonic()
        for line in lines:
            try:
                if line.socket is None and now_s >= again_s[line]:
                    line.pieces = list(pieces)
                    line.open(selector)
                line.speak(now_s)
            except OSError:
                line.close(selector)
                again_s[line] = now_s + comes_again_s
        for key, _ in selector.select(0.02):
            line = key.data
            if not reads:
                time.sleep(0.001)
                continue
            try:
                if not line.socket.recv(2**16):
                    raise ConnectionResetError
            except BlockingIOError:
                continue
            except OSError:
                line.close(selector)
                again_s[line] = now_s + comes_again_s


def asks(
    to: tuple[str, int], count: int, request: bytes, *, source: str = HERE, pause_s: float = 0.0
) -> None:
    """Ask as fast as there are answers, on so many connections, for as long as it lives."""
    from threading import Thread

    def one() -> None:
        while True:
            with (
                suppress(OSError),
                socket.create_connection(to, timeout=30, source_address=(source, 0)) as line,
            ):
                while True:
                    line.sendall(request)
                    answer = http.client.HTTPResponse(line)
                    answer.begin()
                    while answer.read(2**16):
                        pass
                    time.sleep(pause_s)

    for _ in range(count):
        Thread(target=one, daemon=True).start()
    time.sleep(3600)


def head(method: str, path: str, host: str, *lines: str) -> bytes:
    """Give the head of a request."""
    return "\r\n".join((f"{method} {path} HTTP/1.1", f"Host: {host}", *lines, "", "")).encode()


def upload(path: str, host: str, content: bytes, **fields: str) -> bytes:
    """Give an upload, whole."""
    body = b"".join(
        f'--b\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
        for name, value in fields.items()
    )
    body += b'--b\r\nContent-Disposition: form-data; name="file"; filename="a.wav"\r\n\r\n'
    body += content + b"\r\n--b--\r\n"
    kind = "Content-Type: multipart/form-data; boundary=b"
    return head("POST", path, host, kind, f"Content-Length: {len(body)}") + body


def attacks(here: tuple[str, int], hall: tuple[str, int], folder: Path) -> dict[str, Callable]:
    """Give the attacks by name: each runs until its process is ended."""
    host, door = (f"{address}:{port}" for address, port in (here, hall))
    devices = tuple(f"127.0.1.{k}" for k in range(1, 51))
    half = [b"POST /api/sound/stop HTTP/1.1\r\nHost: ", *[b"x"] * 1000]
    slow = head("POST", "/api/visits", host, "Content-Length: 60000")
    slow_upload = head(
        *("POST", "/api/visits/import", host),
        *("Content-Type: multipart/form-data; boundary=b", "Content-Length: 400000000"),
    )
    foreign = head("POST", "/api/sound/stop", host, "Origin: http://evil.example")
    own = head("GET", "/api/sound", host)
    wrong = json.dumps({"code": "AAAAAAAAAA"})
    guess = head(
        *("POST", "/api/pair", door, f"Origin: http://{door}", "Content-Type: application/json"),
        f"Content-Length: {len(wrong)}",
    )
    sign = head(
        *("POST", "/api/sound/alive", host, "Content-Type: application/json"), "Content-Length: 14"
    )
    recording = next(folder.rglob("takes/*.wav")).read_bytes()
    taken = upload("/api/visits/1/takes/upload", host, recording, side="left", spot="front")
    packed = next(folder.parent.glob("job.zip")).read_bytes()
    forecast = "/visit/1/hall?rig.speaker_height_m=2.{k}"
    return {
        "nothing": lambda: time.sleep(3600),
        "half-open at the phone's door, one device": lambda: crowd(
            hall, 1500, half, sources=("127.0.0.7",)
        ),
        "half-open at the phone's door, 50 devices": lambda: crowd(
            hall, 1500, half, sources=devices
        ),
        "half-open at the laptop's door": lambda: crowd(here, 1500, half),
        "connections that say nothing, both doors": lambda: both(
            lambda: crowd(here, 700, []), lambda: crowd(hall, 700, [], sources=devices)
        ),
        "half-open, 128 descriptors (ulimit -n)": lambda: both(
            lambda: crowd(here, 700, half), lambda: crowd(hall, 700, half, sources=devices)
        ),
        "foreign page, 60 connections": lambda: asks(here, 60, foreign),
        "own requests, 60 connections": lambda: asks(here, 60, own),
        "unpaired requests, 60 connections": lambda: asks(
            hall, 60, head("GET", "/api/visits", door), source="127.0.0.7"
        ),
        "60 downloads": lambda: asks(here, 60, head("GET", "/api/visits/1/folder.zip", host)),
        "60 downloads that nobody reads": lambda: crowd(
            here, 60, [head("GET", "/api/visits/1/folder.zip", host)], reads=False
        ),
        "forecasts, 40 at once": lambda: every(
            40, lambda k: asks(here, 1, head("GET", forecast.format(k=k), host))
        ),
        "pages, 40 at once": lambda: asks(here, 40, head("GET", "/visit/1/verdict", host)),
        "sheets (PDF), 20 at once": lambda: asks(
            here, 20, head("GET", "/api/visits/1/sheet.pdf", host)
        ),
        "uploads, 20 at once": lambda: asks(here, 20, taken),
        "imports, 10 at once": lambda: asks(
            here, 10, upload("/api/visits/import", host, packed), pause_s=0.5
        ),
        "slow bodies": lambda: both(
            lambda: crowd(here, 300, [slow, *[b"x"] * 1000]),
            lambda: crowd(here, 300, [slow_upload, *[b"x"] * 1000]),
        ),
        "wrong codes, 12 connections": lambda: asks(
            hall, 12, guess + wrong.encode(), source="127.0.0.7"
        ),
        "signs of life, 60 connections": lambda: asks(here, 60, sign + b'{"holder":"a"}'),
    }


def both(first: Callable, second: Callable) -> None:
    """Run two at once."""
    every(2, lambda k: (first, second)[k]())


def every(count: int, one: Callable) -> None:
    """Run so many at once."""
    from threading import Thread

    for k in range(count):
        Thread(target=one, args=(k,), daemon=True).start()
    time.sleep(3600)


@contextmanager
def under(attack: Callable) -> Iterator[None]:
    """Run an attack in a process of its own."""
    pid = os.fork()
    if pid == 0:
        hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 8192), hard))
        attack()
        os._exit(0)
    try:
        time.sleep(SETTLE_S)
        yield
    finally:
        os.kill(pid, 9)
        os.waitpid(pid, 0)


def stop_s(to: tuple[str, int], kept: http.client.HTTPConnection | None) -> float | None:
    """How long Stop takes; None where it was refused, or not answered within two seconds."""
    began_s = time.monotonic()
    asking = kept or http.client.HTTPConnection(*to, timeout=2.0)
    try:
        asking.request("POST", "/api/sound/stop", headers={"origin": f"http://{to[0]}:{to[1]}"})
        answer = asking.getresponse()
        answer.read()
    except (OSError, http.client.HTTPException) as error:
        print(f"  {error!r}", file=sys.stderr)
        asking.close()
        return None
    finally:
        if kept is None:
            asking.close()
    if answer.status != 204:
        print(f"  {answer.status}", file=sys.stderr)
        return None
    return time.monotonic() - began_s


def unpaired_gets(hall: tuple[str, int]) -> str:
    """Give what a device without a code gets: the statuses of some requests."""
    found = []
    for method, path in (("GET", "/api/visits"), ("POST", "/api/sound/stop"), ("GET", "/visits")):
        asking = http.client.HTTPConnection(*hall, timeout=2.0, source_address=("127.0.0.8", 0))
        try:
            asking.request(method, path, headers={"origin": f"http://{hall[0]}:{hall[1]}"})
            found.append(str(asking.getresponse().status))
        except OSError:
            found.append("-")
        asking.close()
    return " ".join(found)


def row(name: str, tries: int, descriptors: int | None) -> None:
    """Measure one attack."""
    with tempfile.TemporaryDirectory() as place:
        room = PageRoom(Path(place))
        before = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (descriptors or min(1024, before[1]), before[1]))
        with room:
            resource.setrlimit(resource.RLIMIT_NOFILE, before)
            here = (HERE, room.port)
            write_demo(Path(place) / "demo")
            packed = zip_of(below(Path(place) / "demo")).getvalue()
            (Path(place) / "job.zip").write_bytes(packed)
            asking = http.client.HTTPConnection(*here, timeout=60.0)
            asking.connect()
            asking.sock.sendall(upload("/api/visits/import", f"{HERE}:{room.port}", packed))
            answer = http.client.HTTPResponse(asking.sock)
            answer.begin()
            assert json.loads(answer.read()) == {"number": 1}
            asking.close()
            opened = room.ask("POST", "/api/phone/open", {})
            hall = (PHONE_ADDRESS, int(opened["address"].split(":")[2].split("/")[0]))
            log = Path(place) / "server.log"
            with under(attacks(here, hall, Path(place) / "store")[name]):
                times: list[float | None] = []
                kept = http.client.HTTPConnection(*here, timeout=2.0)
                for k in range(tries):
                    times.append(stop_s(here, kept if k % 2 else None))
                    time.sleep(PAUSE_S)
                kept.close()
                unpaired = unpaired_gets(hall)
            answered = [one for one in times if one is not None]
            in_time = sum(one <= IN_TIME_S for one in answered)
            print(
                f"{name:44} {in_time:4d}/{tries}"
                f" {1000 * statistics.median(answered or [9.999]):7.0f}"
                f" {1000 * max(answered or [9.999]):7.0f} ms"
                f"   {unpaired:12} {log.stat().st_size / 1000:6.1f} kB",
                flush=True,
            )


def main() -> None:
    """Measure all attacks, or those whose names hold one of the words."""
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else TRIES
    words = sys.argv[2:]
    print(f"{'':44} {'in time':>8} {'median':>7} {'slowest':>7}      unpaired     written")
    names = attacks((HERE, 0), (PHONE_ADDRESS, 0), _dummy())
    for name in names:
        if not words or any(word in name for word in words):
            row(name, tries, 128 if "descriptors" in name else None)


def _dummy() -> Path:
    place = Path(tempfile.mkdtemp())
    (place / "store" / "takes").mkdir(parents=True)
    (place / "store" / "takes" / "a.wav").write_bytes(b"")
    (place / "job.zip").write_bytes(b"")
    return place / "store"


if __name__ == "__main__":
    main()
