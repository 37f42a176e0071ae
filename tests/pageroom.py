"""A real server of the pages, a real browser before it, and a wire between them that can be cut.

`PageRoom` runs `evenhall.pages.serve` in a process of its own, on a free port, with a store in a
folder of the test; `chromium()` starts Debian's browser; `Wire` stands between the two as the
Wi-Fi does. The server is started through this very file, which makes the demo's hall quicker and
takes a second loopback address for the network that a phone comes through.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
import subprocess
import sys
import threading
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

__all__ = [
    "LAPTOP",
    "PHONE",
    "PHONE_ADDRESS",
    "PageRoom",
    "Wire",
    "browser_tests",
    "chromium",
    "until",
    "watched",
]

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
LAPTOP = {"width": 1366, "height": 768}
PHONE = {"width": 390, "height": 844}
HERE, PHONE_ADDRESS, WIRE_ADDRESS = "127.0.0.1", "127.0.0.2", "127.0.0.3"
# Times as fast as a real hall. Quicker still, and a busy machine would read too late: where ten
# seconds of the hall pass unread, sound is lost.
QUICK = 16.0
WAIT_S = 60.0  # patience with a busy machine; what must be quick says so
# The browser's own words for an answer that a page counts on: changed meanwhile, cannot be.
REFUSED = re.compile(
    r"Failed to load resource: the server responded with a status of (409|422|401)"
)

missing = not (Path(CHROMIUM).exists() or shutil.which("chromium"))


def browser_tests(group: str) -> list[pytest.MarkDecorator]:
    """Marks of tests that need the browser: skipped without one, unless continuous integration.

    A group stays on one worker (`--dist loadgroup`), as it shares a browser, a server, a visit.
    """
    skipped = missing and os.environ.get("CI") != "true"
    return [
        pytest.mark.browser,
        pytest.mark.skipif(skipped, reason="chromium not installed"),
        pytest.mark.xdist_group(f"browser-{group}"),
    ]


@contextmanager
def chromium():
    """Start the browser.

    Not once for all tests: while it runs this thread has an event loop, and a test that wants
    one of its own would fail.
    """
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


def until(said, what: str, *, within_s: float = WAIT_S):
    """Ask again until the answer is yes; give it."""
    end = time.monotonic() + within_s
    while not (answer := said()):
        assert time.monotonic() < end, f"{what}: not within {within_s:g} s"
        time.sleep(0.05)  # oftener, and the door would refuse so many requests
    return answer


class PageRoom:
    """A server with a store of its own.

    Parameters
    ----------
    folder : Path
        Of the store; the user's settings go beside it.
    pace : float
        Of the simulated hall.
    """

    def __init__(self, folder: Path, *, pace: float = QUICK) -> None:
        self.folder, self.pace = folder, pace
        self.port = 0
        self.wire_host = ""

    def __enter__(self) -> PageRoom:
        self.start()
        return self

    def __exit__(self, *error) -> None:
        self.process.terminate()
        try:
            self.process.wait(5.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def start(self) -> None:
        """Start it; on the port that it had before."""
        self.folder.mkdir(exist_ok=True)
        environment = {
            **os.environ,
            "XDG_CONFIG_HOME": str(self.folder / "config"),
            "XDG_DATA_HOME": str(self.folder / "data"),
        }
        order = [self.folder / "store", self.port, self.pace, self.wire_host]
        log = self.folder / "server.log"
        with log.open("a") as errors:
            self.process = subprocess.Popen(
                [sys.executable, __file__, *map(str, order)],
                env=environment,
                stdout=subprocess.PIPE,
                stderr=errors,
                text=True,
            )
        assert self.process.stdout is not None
        with self.process.stdout as said:
            line = said.readline()
        assert line.startswith("http://"), log.read_text()
        self.port = int(line.split(":")[2].split("/")[0])

    def kill(self) -> None:
        """End it without a word, as a battery does that is empty."""
        self.process.kill()
        self.process.wait()

    @property
    def url(self) -> str:
        """Address on the laptop."""
        return f"http://{HERE}:{self.port}"

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        """Ask the interface as a program on the laptop would."""
        request = urllib.request.Request(
            self.url + path,
            method=method,
            data=None if body is None else json.dumps(body).encode(),
            headers={"content-type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
            text = answer.read()
        return json.loads(text) if text else None

    def new_demo(self) -> int:
        """Begin a visit in the demo's hall."""
        number: int = self.ask("POST", "/api/visits", {"kind": "demo"})["number"]
        return number

    def taken_demo(self) -> int:
        """Begin one, and make its six takes."""
        number = self.new_demo()
        for side in ("left", "right"):
            for spot in ("front", "middle", "back"):
                self.take(number, side, spot)
        return number

    def take(self, visit: int, side: str, spot: str, state: str = "before") -> None:
        """Make a take, and wait for it."""
        order = {"visit": visit, "side": side, "spot": spot, "state": state}
        self.ask("POST", "/api/sound/take", {**order, "holder": "test", "warned": True})

        def over() -> bool:
            # On a busy machine it lasts longer than a page may be silent.
            self.ask("POST", "/api/sound/alive", {"holder": "test"})
            time.sleep(0.1)
            return self.phase() in ("ended", "failed")

        until(over, f"take of {side}, {spot}")
        assert self.ask("GET", "/api/sound")["good"]

    def phase(self) -> str:
        """What the sound is at."""
        phase: str = self.ask("GET", "/api/sound")["phase"]
        return phase

    def entries(self, visit: int) -> dict[str, Any]:
        """Give the values of a visit."""
        entries = self.ask("GET", f"/api/visits/{visit}")["entries"]
        return {name: entry["value"] for name, entry in entries.items()}


class Wire:
    """What lies between a page and the server: it hands on what comes, or nothing.

    Nothing is closed when it is cut, as when the Wi-Fi is gone: both ends just hear no more, and
    what was under way arrives once it is mended.

    Parameters
    ----------
    address, port
        Of the server.
    """

    def __init__(self, address: str, port: int) -> None:
        self._to = (address, port)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)

    def __enter__(self) -> Wire:
        self._thread.start()
        self.port: int = self._do(self._listen())
        return self

    def __exit__(self, *error) -> None:
        self._do(self._end())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    @property
    def host(self) -> str:
        """Host under which the page sees it."""
        return f"{WIRE_ADDRESS}:{self.port}"

    def cut(self) -> None:
        """Hand on nothing any more."""
        self._loop.call_soon_threadsafe(self._whole.clear)

    def mend(self) -> None:
        """Hand on again, and first what was held up."""
        self._loop.call_soon_threadsafe(self._whole.set)

    def lead_to(self, address: str, port: int) -> None:
        """Lead to another place from now on."""
        self._to = (address, port)

    def _do(self, work):
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(WAIT_S)

    async def _listen(self) -> int:
        self._whole = asyncio.Event()
        self._whole.set()
        self._server = await asyncio.start_server(self._come, WIRE_ADDRESS, 0)
        return int(self._server.sockets[0].getsockname()[1])

    async def _end(self) -> None:
        self._server.close()
        ways = asyncio.all_tasks() - {asyncio.current_task()}
        for way in ways:
            way.cancel()
        await asyncio.gather(*ways, return_exceptions=True)

    async def _come(self, reader, writer) -> None:
        try:
            await self._whole.wait()
            try:
                there, back = await asyncio.open_connection(*self._to)
            except OSError:
                return
            try:
                await asyncio.gather(self._hand(reader, back), self._hand(there, writer))
            finally:
                back.close()
        finally:
            writer.close()

    async def _hand(self, reader, writer) -> None:
        try:
            while block := await reader.read(65536):
                await self._whole.wait()
                writer.write(block)
                await writer.drain()
        except OSError:
            pass  # the other end has gone, and this one goes with it
        writer.close()


@contextmanager
def watched(browser, origin: str, **options):
    """Open a page that may neither complain nor ask anybody else for anything."""
    context = browser.new_context(**options)
    page = context.new_page()
    page.set_default_timeout(1000 * WAIT_S)
    complaints: list[str] = []

    def on_console(message) -> None:
        if message.type in ("error", "warning") and not REFUSED.match(message.text):
            complaints.append(message.text)

    page.on("console", on_console)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "request",
        lambda request: (
            complaints.append(f"asked {request.url}")
            if not request.url.startswith((origin, "data:", "about:", "blob:"))
            else None
        ),
    )
    page.complaints = complaints
    yield page
    page.evaluate("1")  # what the page has said until now has then come
    # A request that is cut off by the end of the test is nothing to complain of.
    page.remove_listener("console", on_console)
    context.close()
    assert not complaints, complaints


def _serve(folder: str, port: str, pace: str, wire_host: str) -> None:
    """Serve, in a process of its own."""
    from evenhall.pages import api, devices, guard, html, phone, serve

    devices.DEMO_PACE = float(pace)

    def is_here(scope) -> bool:
        return scope["server"][0] == HERE

    def local_addresses() -> tuple[str, ...]:
        return (PHONE_ADDRESS,)

    for module in (guard, api.access, html):
        module.is_here = is_here
    for module in (phone, api.doors, html):
        module.local_addresses = local_addresses
    create_app = serve.create_app

    def with_wire(services, *, hosts):
        return create_app(services, hosts=lambda: hosts() | {wire_host})

    serve.create_app = with_wire
    serve.serve(
        Path(folder),
        port=int(port),
        demo=False,
        browser=False,
        say=lambda line: print(line, flush=True),  # noqa: T201
    )


if __name__ == "__main__":
    _serve(*sys.argv[1:])
