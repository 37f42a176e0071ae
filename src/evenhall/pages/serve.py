"""Serving the pages: a port on this computer, a browser, and a quiet end. Start at `serve()`."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import sys
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenhall.errors import InputError
from evenhall.pages.app import create_app
from evenhall.pages.html import warm
from evenhall.pages.once import Once
from evenhall.pages.phone import Phone, QuietServer, served_config
from evenhall.pages.services import Services, open_services
from evenhall.pages.threshold import HERE as HERE_BUDGET
from evenhall.pages.threshold import Threshold

__all__ = ["PORT", "serve"]

PRIVATE = 0o077  # whatever this process writes is its user's alone
PORT = 8317  # free in IANA's list of services when it was chosen; from memory
HERE = "127.0.0.1"
ALSO_HERE = ("localhost", "[::1]")
# Threads take turns of 5 ms unless told otherwise; Stop needs some turns, and others want theirs.
TURN_S = 1e-3
# Told to end, it is gone within two seconds: what is under way has so long to become quiet and
# to close the store, and is then left as a power cut would leave it.
QUIET_S, LATEST_S = 1.0, 1.8


def serve(
    folder: Path,
    *,
    port: int,
    demo: bool,
    browser: bool,
    say: Callable[[str], None],
) -> None:
    """Serve the pages until the process is told to end.

    Parameters
    ----------
    folder : Path
        Of the store.
    port : int
        On this computer; 0 takes any.
    demo : bool
        Whether to open on a visit in the demo's hall in which nothing is taken yet; else it is on
        the list of one's own.
    browser : bool
        Whether to open the address in the user's browser.
    say : callable
        Is told the address as soon as it answers.

    Raises
    ------
    InputError
        The port is taken.
    StoreError
        The store cannot be opened.
    """
    os.umask(PRIVATE)
    listener = _listen(port)
    services = open_services(folder)
    first = services.fresh_demo() if demo else None
    sys.setswitchinterval(TURN_S)
    # The server has a way of its own to the terminal; all others go by the last resort.
    for place in (logging.getLogger("uvicorn.error"), logging.lastResort):
        if place is not None:
            place.addFilter(Once())
    # The kind that asks a listening socket for each connection, which Windows has another beside.
    asyncio.SelectorEventLoop().run_until_complete(_run(services, listener, first, browser, say))
    _leave(services)


def _leave(services: Services) -> None:
    """End the process, whatever its threads are at: nothing that was acknowledged is in memory."""
    closing = threading.Thread(target=services.close, daemon=True)
    closing.start()
    closing.join(QUIET_S)
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(0)


def _has_screen() -> bool:
    """Whether a browser can show itself; in a bare terminal one would take the terminal over."""
    screens = ("DISPLAY", "WAYLAND_DISPLAY")
    return not sys.platform.startswith("linux") or any(map(os.environ.get, screens))


def _listen(port: int) -> Threshold:
    listener = Threshold(HERE_BUDGET)
    try:
        listener.bind((HERE, port))
    except OSError as error:
        listener.close()
        raise InputError(
            f"Port {port} is taken ({error.strerror}). If the pages are open already, use them; "
            "else give another with --port, or --port 0 for any."
        ) from error
    return listener


async def _run(
    services: Services,
    listener: Threshold,
    first: int | None,
    browser: bool,
    say: Callable[[str], None],
) -> None:
    port = listener.getsockname()[1]
    here = frozenset(f"{name}:{port}" for name in (HERE, *ALSO_HERE))

    def hosts() -> frozenset[str]:
        phone = services.phone.host if services.phone is not None else None
        return here if phone is None else here | {phone}

    app = create_app(services, hosts=hosts)
    services.phone = Phone(app, services.pairing, port=port)
    server = QuietServer(served_config(app, listener))
    loop = asyncio.get_running_loop()

    def end() -> None:
        services.player.stop()
        logging.disable()  # requests break off now, and none of that is a fault
        server.end()

    def told_to_end(*_: Any) -> None:
        if hasattr(signal, "setitimer"):
            # The system ends it should the way out take too long: no thread of ours is needed.
            signal.setitimer(signal.ITIMER_REAL, LATEST_S)
        else:  # on Windows
            late = threading.Timer(LATEST_S, os._exit, (0,))
            late.daemon = True
            late.start()
        loop.call_soon_threadsafe(end)

    # Windows says by a signal of its own that the window is closed.
    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), told_to_end)
    task = asyncio.create_task(server.serve(sockets=[listener]))
    while not server.started and not task.done():
        await asyncio.sleep(0.005)
    address = f"http://{HERE}:{port}/" + ("visits" if first is None else f"visit/{first}")
    say(address)
    # A page takes a few tenths of a second the first time, and a browser as long to open.
    threading.Thread(target=warm, args=(services, first), daemon=True).start()
    if browser and _has_screen():
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    await task
    await services.phone.close()
