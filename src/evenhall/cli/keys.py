"""One key stops the sound: whether any was pressed, without waiting. Start at `any_key()`."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["any_key"]


@contextmanager
def any_key() -> Iterator[Callable[[], bool]]:
    """Give a function that says whether a key was pressed; none ever is where nobody types."""
    if not sys.stdin.isatty():
        yield lambda: False
    elif sys.platform == "win32":
        import msvcrt

        try:
            yield msvcrt.kbhit
        finally:
            while msvcrt.kbhit():
                msvcrt.getwch()  # what was pressed is not for the next question, nor the next sound
    else:
        import select
        import termios
        import tty

        before = termios.tcgetattr(sys.stdin)
        try:
            tty.setcbreak(sys.stdin)
            yield lambda: bool(select.select([sys.stdin], [], [], 0.0)[0])
        finally:
            # What was pressed is not for the next question.
            termios.tcflush(sys.stdin, termios.TCIFLUSH)
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
