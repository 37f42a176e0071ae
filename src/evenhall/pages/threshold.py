"""The threshold of a door: how many connections may stand there, and how long each may take.

Start at `Threshold`. Whoever reaches the port can open connections and say half of what he wants,
by the thousand and without a code. So each door has a budget of its own; where it is spent, only
who has said the whole head of a request comes in, and somebody who says nothing gives way; for Stop
anybody does. What comes too slowly is dropped.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import h11
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from evenhall.pages.guard import AT_ONCE
from evenhall.pages.turns import Turns

__all__ = ["HALL", "HERE", "Budget", "Threshold", "TimedProtocol"]

HEAD_S = 5.0  # for a whole head; a browser sends it in one piece
# For a body, and for each further piece of one: a Wi-Fi that brings less brings no upload.
BODY_S, BODY_LEAST_BYTES = 10.0, 2**16
UNREAD_S = 20.0  # for an answer that nobody reads
# A device that is out of the Wi-Fi hears nothing of an end: it has ended after so long unheard.
UNHEARD_S = 15.0
# Newcomers that are let in, and turned away, before all others have their turn.
AT_A_TIME, TURNED_AWAY_AT_A_TIME = 8, 64
NEW_S = 1.0
STOP = b"POST /api/sound/stop "
LONGEST_HEAD_BYTES = 2**14
FULL = (errno.EMFILE, errno.ENFILE)
KEPT_DESCRIPTORS = 64  # for the store, recordings, devices


@dataclass(frozen=True)
class Budget:
    """How many connections may stand at a door.

    Parameters
    ----------
    most : int
        In all.
    most_an_address : int
        From one device.
    """

    most: int
    most_an_address: int

    def within(self, descriptors: int) -> Budget:
        """Give what is left of it where the process may open so few files."""
        # Two doors, and a file for each connection at the most.
        most = min(self.most, max(8, (descriptors - KEPT_DESCRIPTORS) // 4))
        return replace(self, most=most, most_an_address=min(most, self.most_an_address))


# Every listening page, all long work that may wait, all transfers, and room beside them.
HERE = Budget(128, 128)
# A browser has six at the most; eight phones have two or three each.
HALL = Budget(48, 12)


def _descriptors() -> int:
    try:
        import resource
    except ImportError:  # not on Windows, where the limit is another
        return 1024
    soft = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return soft if soft != resource.RLIM_INFINITY else 1024


class Threshold(socket.socket):
    """A listening socket that keeps to a budget.

    Parameters
    ----------
    budget : Budget
    """

    def __init__(self, budget: Budget) -> None:
        super().__init__(socket.AF_INET, socket.SOCK_STREAM)
        # On Windows the usual option would let two programs have the port at once.
        once = getattr(socket, "SO_EXCLUSIVEADDRUSE", socket.SO_REUSEADDR)
        self.setsockopt(socket.SOL_SOCKET, once, 1)
        if hasattr(socket, "TCP_DEFER_ACCEPT"):
            # The system hands a connection over once something has come on it, or after a second.
            self.setsockopt(socket.IPPROTO_TCP, socket.TCP_DEFER_ACCEPT, 1)
        self._budget = budget.within(_descriptors())
        # Accepted, and not yet with a protocol of their own, by address and port.
        self._coming: dict[Any, socket.socket] = {}
        self._here: list[TimedProtocol] = []
        self._turns: Turns | None = None

    def accept(self) -> tuple[socket.socket, Any]:
        """Take the next connection; where the budget is spent another gives way to it.

        Raises
        ------
        BlockingIOError
            None is there, or those that are must wait until all others had their turn.
        """
        coming = {key: line for key, line in self._coming.items() if line.fileno() >= 0}
        self._coming = coming
        if len(coming) >= AT_A_TIME:
            raise BlockingIOError
        for _ in range(TURNED_AWAY_AT_A_TIME):
            line, address = self._next()
            crowd = self._crowd(address[0])
            if crowd is not None:
                asked = _asked(line)
                # For Stop anybody goes; else only a stranger who says nothing.
                some = crowd if asked in AT_ONCE else [one for one in crowd if one.is_idle]
                if asked is None or (crowd and not some):
                    line.close()
                    continue
                self._give_way(some)
            if hasattr(socket, "TCP_USER_TIMEOUT"):
                line.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(1000 * UNHEARD_S))
            coming[address] = line
            return line, address
        raise BlockingIOError

    def _next(self) -> tuple[socket.socket, Any]:
        try:
            return super().accept()
        except OSError as error:
            if error.errno not in FULL:
                raise
            logging.getLogger("uvicorn.error").warning(
                "No more files or connections can be opened. Close programs that are not needed."
            )
            self._give_way(self._here)
            # It waits in the queue: the one that went is gone at the next turn.
            raise BlockingIOError from error

    def _crowd(self, address: str) -> Sequence[TimedProtocol] | None:
        """Give those of which one must go where another comes in from there; None for nobody."""
        own = [one for one in self._here if one.address == address]
        own_coming = sum(other == address for other, _ in self._coming)
        if len(own) + own_coming >= self._budget.most_an_address:
            return own
        if len(self._here) + len(self._coming) < self._budget.most:
            return None
        counted = Counter(one.address for one in self._here)
        return [one for one in self._here if counted[one.address] == max(counted.values())]

    def _give_way(self, some: Sequence[TimedProtocol]) -> None:
        """Drop one: rather a stranger than who was let in or is served, rather the oldest."""
        if some:
            min(some, key=lambda one: (one.served, one.known, one.is_new, not one.is_idle)).drop()

    @property
    def turns(self) -> Turns:
        """Whose request is read next."""
        if self._turns is None:
            self._turns = Turns(asyncio.get_running_loop())
        return self._turns

    def entered(self, one: TimedProtocol) -> None:
        """Count a connection from now on."""
        self._coming.pop(one.client, None)
        self._here.append(one)

    def left(self, one: TimedProtocol) -> None:
        """Count it no more."""
        if one in self._here:
            self._here.remove(one)


def _asked(line: socket.socket) -> str | None:
    """Give what a new connection asks for, None where the whole head has not come."""
    line.setblocking(False)
    try:
        head = line.recv(LONGEST_HEAD_BYTES, socket.MSG_PEEK)
    except BlockingIOError:
        # Without this option it may be on its way.
        return None if hasattr(socket, "TCP_DEFER_ACCEPT") else ""
    except OSError:
        return None
    if b"\r\n\r\n" not in head:
        return None
    return [*head.split(b" ", 2), b""][1].decode("latin-1")


class TimedProtocol(H11Protocol):
    """HTTP/1.1 as the server speaks it, and in time.

    Parameters
    ----------
    threshold : Threshold
        Where it is counted; everything else is the server's.
    """

    def __init__(self, *arguments: Any, threshold: Threshold, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._threshold = threshold
        self._timed = ""  # what is waited for
        self._timer: asyncio.TimerHandle | None = None
        self._unread: asyncio.TimerHandle | None = None
        self._came = self._came_before = 0  # bytes
        self._lies_there = b""
        self._began_s = self.loop.time()
        self.known = False  # whether its last request was let in
        self.app = self._noting(self.app)

    @property
    def address(self) -> str:
        """Of the other end, without the port."""
        return self.client[0] if self.client else ""

    @property
    def served(self) -> bool:
        """Whether a request has come whole, and its answer has not gone whole."""
        return self._awaited() == ""

    @property
    def is_idle(self) -> bool:
        """Whether it has had time, was never let in, and has not asked whole for anything."""
        return not (self.is_new or self.known) and self._awaited() not in ("", "body")

    @property
    def is_new(self) -> bool:
        """Whether it may have asked already, and has not had its turn."""
        return self.loop.time() - self._began_s < NEW_S

    def drop(self) -> None:
        """End it at once."""
        self._threshold.left(self)
        self.transport.abort()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to count and to time it."""
        super().connection_made(transport)
        self._threshold.entered(self)
        self._time()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        for timer in (self._timer, self._unread):
            if timer is not None:
                timer.cancel()
        self._threshold.left(self)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take in what has come, when its turn is."""
        self._came += len(data)
        self._unset_keepalive_if_required()
        at_once = data.startswith(STOP) or self._awaited() == "body"
        if not self._lies_there and (at_once or self._threshold.turns.is_free()):
            self._take_in(data)
            return
        if not self._lies_there:
            self._threshold.turns.wait(self)
        self._lies_there += data
        self.transport.pause_reading()

    def read(self) -> None:
        """Take in what lies there, see `Turns`."""
        data, self._lies_there = self._lies_there, b""
        if self.transport.is_closing():
            return
        if not self.flow.read_paused:
            self.transport.resume_reading()
        self._take_in(data)

    def _take_in(self, data: bytes) -> None:
        super().data_received(data)
        self._time()

    def on_response_complete(self) -> None:
        """Go on to the next request."""
        super().on_response_complete()
        self._time()

    def pause_writing(self) -> None:
        """Begin to wait for whoever should read."""
        super().pause_writing()
        self._unread = self.loop.call_later(UNREAD_S, self.drop)

    def resume_writing(self) -> None:
        """Somebody reads."""
        super().resume_writing()
        if self._unread is not None:
            self._unread.cancel()

    def _awaited(self) -> str:
        if self.cycle is not None and not self.cycle.response_complete:
            return "body" if self.cycle.more_body else ""
        if self.cycle is not None and self.conn.their_state is h11.SEND_BODY:
            return "rest"  # of a body that was refused
        # A next head that has begun is timed from its beginning.
        return "idle" if self.cycle is not None and not self.conn.trailing_data[0] else "head"

    def _time(self) -> None:
        """Give what is waited for its time, from when it began."""
        if (awaited := self._awaited()) != self._timed:
            self._timed = awaited
            self._set_timer()

    def _set_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._timed:
            within_s = BODY_S if self._timed in ("body", "rest") else HEAD_S
            self._came_before = self._came
            self._timer = self.loop.call_later(within_s, self._late)

    def _late(self) -> None:
        # An upload goes on as long as it comes, and waits where we are the slow ones.
        fair = self._came - self._came_before >= BODY_LEAST_BYTES or self.flow.read_paused
        if self._timed in ("body", "rest") and fair:
            self._set_timer()
        else:
            self.drop()

    def _noting(self, app: Any) -> ASGIApp:
        """Note whether a request is let in: such a connection is no stranger's."""

        async def ask(scope: Scope, receive: Receive, send: Send) -> None:
            async def note(message: Message) -> None:
                if message["type"] == "http.response.start":
                    self.known = message["status"] < 300
                await send(message)

            await app(scope, receive, note)

        return ask
