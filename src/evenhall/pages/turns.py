"""Whose request is read next, where many come in one moment: `Turns`.

The server does one thing after the other. Were all that lies there read at once, whoever comes
then would wait for all of it; so a few are read, then everything else has its turn: newcomers,
answers that are ready, and Stop, which is read at once whoever else waits.
"""

from __future__ import annotations

import asyncio
from collections import deque
from typing import Protocol

__all__ = ["AT_A_TIME", "Turns"]

AT_A_TIME = 8


class Reader(Protocol):
    """Who has something to read."""

    def read(self) -> None:
        """Read it."""


class Turns:
    """Gives turns, a few at a time."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._waiting: deque[Reader] = deque()
        self._left, self._renewed = AT_A_TIME, True

    def is_free(self) -> bool:
        """Take a turn, if one is left."""
        if self._left == 0:
            return False
        self._take()
        return True

    def wait(self, reader: Reader) -> None:
        """Have it read when its turn comes."""
        self._waiting.append(reader)

    def _take(self) -> None:
        self._left -= 1
        if self._renewed:
            self._renewed = False
            self._loop.call_soon(self._renew)

    def _renew(self) -> None:
        self._left, self._renewed = AT_A_TIME, True
        while self._waiting and self._left:
            self._take()
            self._waiting.popleft().read()
