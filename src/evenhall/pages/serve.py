"""Serving the pages: a port on this computer, a browser, and a quiet end. Start at `serve()`."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenhall.errors import InputError
from evenhall.pages.app import create_app
from evenhall.pages.house import House, open_house
from evenhall.pages.phone import Phone, QuietServer, served_config

__all__ = ["PORT", "serve"]

PRIVATE = 0o077  # whatever this process writes is its user's alone
PORT = 8317  # free in IANA's list of services when it was chosen; from memory
HERE = "127.0.0.1"
ALSO_HERE = ("localhost", "[::1]")


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
        Whether to open on a visit in the demo's hall in which nothing is taken yet.
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
    house = open_house(folder)
    path = f"/visit/{house.fresh_demo()}" if demo else "/"
    asyncio.run(_run(house, listener, path, browser, say))


def _has_screen() -> bool:
    """Whether a browser can show itself; in a bare terminal one would take the terminal over."""
    screens = ("DISPLAY", "WAYLAND_DISPLAY")
    return not sys.platform.startswith("linux") or any(map(os.environ.get, screens))


def _listen(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
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
    house: House,
    listener: socket.socket,
    path: str,
    browser: bool,
    say: Callable[[str], None],
) -> None:
    port = listener.getsockname()[1]
    here = frozenset(f"{name}:{port}" for name in (HERE, *ALSO_HERE))

    def hosts() -> frozenset[str]:
        phone = house.phone.host if house.phone is not None else None
        return here if phone is None else here | {phone}

    app = create_app(house, hosts=hosts)
    house.phone = Phone(app, house.pairing, port=port)
    server = QuietServer(served_config(app, lifespan=False))
    loop = asyncio.get_running_loop()

    def end(*_: Any) -> None:
        house.player.stop()
        server.should_exit = True
        server.force_exit = True  # a listening page would hold it open

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: loop.call_soon_threadsafe(end))
    task = asyncio.create_task(server.serve(sockets=[listener]))
    while not server.started and not task.done():
        await asyncio.sleep(0.005)
    address = f"http://{HERE}:{port}{path}"
    say(address)
    if browser and _has_screen():
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    await task
    await house.phone.close()
    house.close()
