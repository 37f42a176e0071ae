"""Pages for the tests, in this process or on a real port, with the demo's hall in their store.

demo_zip()      the demo's job folder with six takes
opened()        services, their application and the demo's visit
ask()           one request in this process, from here or from another device
served()        the same application on a port of this computer
raw()           bytes to a port, and what comes back
"""

from __future__ import annotations

import asyncio
import re
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from threading import Thread
from typing import Any

import httpx

from evenhall.job.demo.folder import write_demo
from evenhall.pages.app import create_app
from evenhall.pages.phone import Phone, QuietServer, served_config
from evenhall.pages.services import Services, open_services
from evenhall.pages.threshold import HERE as HERE_BUDGET
from evenhall.pages.threshold import Threshold
from evenhall.visits.carrying import read_folder
from visits.made import below, zip_of

__all__ = [
    "DOOR",
    "HERE",
    "HOST",
    "PHONE",
    "Opened",
    "Served",
    "ask",
    "demo_files",
    "demo_zip",
    "opened",
    "raw",
    "served",
]

HERE, PHONE = ("127.0.0.1", 1), ("192.168.7.9", 1)
HOST, DOOR = "127.0.0.1:8317", "192.168.7.2:8317"  # of this computer, and of the phone's door


@cache
def demo_files() -> dict[str, bytes]:
    """Give the demo's job folder, by path."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "demo"
        write_demo(folder)
        return below(folder)


def demo_zip() -> Any:
    """Give the demo's job folder as a zip file."""
    return zip_of(demo_files())


@dataclass(frozen=True)
class Opened:
    """Services and the application that serves it; `visit` is the demo's, zero without."""

    services: Services
    app: Any
    visit: int

    @property
    def folder(self) -> Path:
        """Where the visit's files are."""
        return self.services.store.visit(self.visit).folder


@contextmanager
def opened(folder: Path, *, demo: bool = True) -> Iterator[Opened]:
    """Open the services of a folder, with a phone's door that is still closed."""
    services = open_services(folder)
    visit = read_folder(services.store, demo_zip()) if demo else 0
    app = create_app(services, hosts=lambda: frozenset({HOST, DOOR}))
    services.phone = Phone(app, services.pairing, port=0)
    try:
        yield Opened(services, app, visit)
    finally:
        services.close()


def ask(
    app: Any,
    method: str,
    path: str,
    *,
    client: tuple[str, int] = HERE,
    session: str | None = None,
    headers: dict[str, str] | None = None,
    **options: Any,
) -> httpx.Response:
    """Ask as a page would: with its Host and, to change something, its Origin."""
    host = HOST if client == HERE else DOOR
    given = {"host": host, "origin": f"http://{host}", **(headers or {})}
    if session is not None:
        given["cookie"] = f"evenhall_session={session}"

    async def once() -> httpx.Response:
        transport = httpx.ASGITransport(app, client=client)
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as asking:
            return await asking.request(method, path, headers=given, **options)

    return asyncio.run(once())


@dataclass(frozen=True)
class Served:
    """An application on a port."""

    services: Services
    port: int
    loop: asyncio.AbstractEventLoop

    @property
    def address(self) -> str:
        """Its URL."""
        return f"http://127.0.0.1:{self.port}"

    def run(self, work: Any) -> Any:
        """Run a coroutine where the server runs."""
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(20)


@contextmanager
def served(services: Services) -> Iterator[Served]:
    """Serve them on a port of this computer, as `serve()` does."""
    listener = Threshold(HERE_BUDGET)
    listener.bind(("127.0.0.1", 0))
    port = listener.getsockname()[1]

    def hosts() -> frozenset[str]:
        door = services.phone.host if services.phone is not None else None
        return frozenset({f"127.0.0.1:{port}"} | ({door} if door else set()))

    app = create_app(services, hosts=hosts)
    server = QuietServer(served_config(app, listener))
    loop = asyncio.new_event_loop()

    async def serve() -> None:
        services.phone = Phone(app, services.pairing, port=0)
        await server.serve(sockets=[listener])
        await services.phone.close()
        for task in asyncio.all_tasks() - {asyncio.current_task()}:
            task.cancel()

    thread = Thread(target=loop.run_until_complete, args=(serve(),), daemon=True)
    thread.start()
    try:
        while not server.started:
            thread.join(0.005)
        yield Served(services, port, loop)
    finally:
        loop.call_soon_threadsafe(server.end)
        thread.join(10)
        loop.run_until_complete(loop.shutdown_asyncgens())
        loop.run_until_complete(loop.shutdown_default_executor())
        loop.close()


def raw(port: int, *parts: bytes, address: str = "127.0.0.1") -> tuple[int, bytes]:
    """Send bytes; give the status and the answer, 0 where the line was cut without one."""
    got = b""
    with socket.create_connection((address, port), timeout=10) as line:
        # Where it is refused before the end the line may be cut, and the answer lie there already.
        with suppress(BrokenPipeError, ConnectionResetError):
            for part in parts:
                line.sendall(part)
        with suppress(ConnectionResetError):
            while not _is_whole(got) and (block := line.recv(2**16)):
                got += block
    status = got.split(b" ", 2)[1] if got.startswith(b"HTTP/") else b"0"
    return int(status), got


def _is_whole(got: bytes) -> bool:
    head, end, body = got.partition(b"\r\n\r\n")
    length = re.search(rb"(?i)\r\ncontent-length: (\d+)", head)
    return bool(end) and length is not None and len(body) >= int(length[1])
