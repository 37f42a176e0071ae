"""Work that takes long, on threads of its own, and a bound to how much of it may wait.

Start at `Workers`. What is quick, Stop above all, then finds the other threads free: a verdict of
many takes, a sheet or a job folder may take minutes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Lock
from typing import Any, TypeVar

from starlette.exceptions import HTTPException

__all__ = ["RETRY_S", "Busy", "Workers"]

T = TypeVar("T")
RETRY_S = 3


class Busy(HTTPException):
    """Too much is under way already."""

    def __init__(self) -> None:
        super().__init__(
            503,
            "The laptop is busy with what was asked before. Wait a moment, then try again.",
            {"retry-after": str(RETRY_S)},
        )


class Workers:
    """Threads for one kind of work.

    Parameters
    ----------
    count : int
        How many.
    waiting : int
        How much work may be under way or wait.
    """

    def __init__(self, count: int, *, waiting: int) -> None:
        self._threads = ThreadPoolExecutor(count, thread_name_prefix="worker")
        self._waiting, self._under_way = waiting, 0
        self._lock = Lock()

    async def do(self, work: Callable[[], T]) -> T:
        """Do it when its turn comes.

        Raises
        ------
        Busy
            Too much waits already.
        """
        with self._lock:
            if self._under_way >= self._waiting:
                raise Busy
            self._under_way += 1
        future = self._threads.submit(work)
        future.add_done_callback(self._done)
        return await asyncio.wrap_future(future)

    def _done(self, future: Future[Any]) -> None:
        del future
        with self._lock:
            self._under_way -= 1

    def close(self) -> None:
        """Begin nothing more; what is under way is not waited for."""
        self._threads.shutdown(wait=False, cancel_futures=True)
