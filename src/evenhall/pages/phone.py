"""A second door for the phone: open only while the user wants it. Start at `Phone`.

The pages are bound to this computer alone. Opened, they are also served at one address of the
local network, to whoever has paired with the one-time code.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from ipaddress import ip_address

import ifaddr
import segno
import uvicorn
from starlette.types import ASGIApp

from evenhall.errors import InputError
from evenhall.pages.pairing import Pairing
from evenhall.pages.threshold import HALL, Threshold, TimedProtocol

__all__ = ["Door", "Phone", "QuietServer", "local_addresses", "served_config"]


class QuietServer(uvicorn.Server):
    """A server that leaves the signals to whoever runs it."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield

    def end(self) -> None:
        """End at once, and drop whoever is there: a listening page would stay for ever."""
        self.should_exit = self.force_exit = True
        for connection in list(self.server_state.connections):
            connection.transport.abort()


def served_config(app: ASGIApp, threshold: Threshold) -> uvicorn.Config:
    """Set up a server: no log of requests, no header that names the software."""
    return uvicorn.Config(
        app,
        http=partial(TimedProtocol, threshold=threshold),  # type: ignore[arg-type]
        ws="none",
        lifespan="off",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=1,
    )


@dataclass(frozen=True)
class Door:
    """Where a phone comes in.

    Parameters
    ----------
    address : str
        Its URL.
    code : str
        One-time, in two groups.
    qr_svg : str
        Both as a QR code (ISO/IEC 18004).
    """

    address: str
    code: str
    qr_svg: str


def local_addresses() -> tuple[str, ...]:
    """IPv4 addresses of this computer in local networks, private ones first."""
    found = [
        address.ip
        for adapter in ifaddr.get_adapters()
        for address in adapter.ips
        if isinstance(address.ip, str)
    ]
    usable = [one for one in dict.fromkeys(found) if not ip_address(one).is_loopback]
    return tuple(sorted(usable, key=lambda one: not ip_address(one).is_private))


class Phone:
    """Opens and closes the second door.

    Parameters
    ----------
    app : ASGIApp
    pairing : Pairing
    port : int
        The first one tried; one that is free is taken where it is not.
    """

    def __init__(self, app: ASGIApp, pairing: Pairing, *, port: int) -> None:
        self._app, self._pairing, self._port = app, pairing, port
        self._server: QuietServer | None = None
        self._task: asyncio.Task[None] | None = None
        self._host: str | None = None
        self._changing = asyncio.Lock()  # two pages may open and close it at once

    @property
    def host(self) -> str | None:
        """Host, name and port, under which it is served; None where it is closed."""
        return self._host

    @property
    def paired(self) -> int:
        """How many devices are paired."""
        return self._pairing.paired

    async def open(self, address: str | None = None) -> Door:
        """Open it, or make a new code where it is open; at another address it is opened anew.

        Parameters
        ----------
        address : str, optional
            One of `local_addresses()`; the first of them without.

        Raises
        ------
        InputError
            There is no network, or no such address.
        """
        known = local_addresses()
        if not known:
            raise InputError(
                "This computer is on no network. Join the phone's Wi-Fi or its hotspot, then "
                "try again."
            )
        if address is not None and address not in known:
            raise InputError(f"This computer has no address {address}. It has {', '.join(known)}.")
        async with self._changing:
            if self._host is None or address not in (None, self._host.rpartition(":")[0]):
                await self._end()
                await self._serve(address or known[0])
            code, url = self._pairing.new_code(), f"http://{self._host}/pair"
        qr = segno.make(f"{url}#{code}", error="m", micro=False)
        return Door(
            address=url,
            code=f"{code[:5]} {code[5:]}",
            qr_svg=qr.svg_inline(scale=6, border=4, dark="#000", light="#fff", omitsize=True),
        )

    async def _serve(self, address: str) -> None:
        listener = Threshold(HALL)
        for port in (self._port, 0):
            try:
                listener.bind((address, port))
                break
            except OSError as error:
                if port == 0:
                    listener.close()
                    raise InputError(
                        f"{address} could not be opened ({error.strerror}). Join the network "
                        "again, or choose another address."
                    ) from error
        self._host = "{}:{}".format(*listener.getsockname()[:2])
        self._server = QuietServer(served_config(self._app, listener))
        self._task = asyncio.create_task(self._server.serve(sockets=[listener]))
        # Its code is shown once it answers.
        while not self._server.started and not self._task.done():
            await asyncio.sleep(0.005)

    async def close(self) -> None:
        """Close it, and forget every device that was let in."""
        async with self._changing:
            await self._end()

    async def _end(self) -> None:
        self._pairing.forget()
        self._host = None
        if self._server is not None and self._task is not None:
            self._server.end()
            await self._task
        self._server = self._task = None
