"""News for the pages: who looks at a visit hears at once what changes. Start at `Bulletin`.

News are told from any thread and never wait: a page that does not read loses what is drawn all the
time first, levels and faders, and is then told to look at everything again.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from evenhall.errors import InputError

__all__ = ["BEAT_S", "MAX_LISTENERS", "Bulletin"]

# A page that hears nothing for a few of these knows that the connection is gone.
BEAT_S = 1.0
MAX_LISTENERS = 24  # pages at once: more than one person with laptop and phone ever open
WAITING = 64  # news that may wait for a slow page


@dataclass(eq=False)
class _Listener:
    visit: int
    loop: asyncio.AbstractEventLoop
    news: asyncio.Queue[str] = field(default_factory=lambda: asyncio.Queue(WAITING))

    def take(self, kind: str, message: str) -> None:
        if not self.news.full():
            self.news.put_nowait(message)
        elif kind not in ("levels", "faders"):
            # It is far behind: one word that everything may have changed serves it better.
            while not self.news.empty():
                self.news.get_nowait()
            self.news.put_nowait(_message("changed", {}))


def _message(kind: str, data: Any) -> str:
    """Write a server-sent event (HTML standard, section 9.2)."""
    return f"event: {kind}\ndata: {json.dumps(data)}\n\n"


class Bulletin:
    """Tells news to whoever listens."""

    def __init__(self) -> None:
        self._listeners: set[_Listener] = set()
        self._lock = Lock()

    def tell(self, kind: str, data: Any, *, visit: int | None = None) -> None:
        """Tell those who look at a visit, or all; any thread may.

        Parameters
        ----------
        kind : {"changed", "levels", "faders"}
        data : Any
            What JSON can hold.
        """
        message = _message(kind, data)
        with self._lock:
            listeners = [one for one in self._listeners if visit in (None, one.visit)]
        for one in listeners:
            try:
                one.loop.call_soon_threadsafe(one.take, kind, message)
            except RuntimeError:
                continue  # its loop has just ended, and it with it

    def check_room(self) -> None:
        """Refuse one page too many.

        Raises
        ------
        InputError
            `MAX_LISTENERS` are open.
        """
        with self._lock:
            if len(self._listeners) >= MAX_LISTENERS:
                raise InputError("Too many pages are open. Close some.")

    async def listen(self, visit: int) -> AsyncIterator[str]:
        """Give events as they come, and a beat between them; none where the room is full."""
        one = _Listener(visit, asyncio.get_running_loop())
        with self._lock:
            # Many may have looked for room at once: the browser asks again, and is told.
            if len(self._listeners) >= MAX_LISTENERS:
                return
            self._listeners.add(one)
        try:
            # Whoever comes back has missed something.
            yield _message("changed", {})
            while True:
                try:
                    yield await asyncio.wait_for(one.news.get(), BEAT_S)
                except TimeoutError:
                    yield _message("beat", {})
        finally:
            with self._lock:
                self._listeners.discard(one)
