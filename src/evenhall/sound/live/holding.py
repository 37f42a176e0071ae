"""One program at a time plays on a device: a second one would spoil the first one's take.

Some sound systems let every program play at once, others refuse the second by themselves. Start
at `held()`.
"""

from __future__ import annotations

import getpass
import hashlib
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from evenhall.errors import DeviceError

__all__ = ["held"]

# A program that has just ended keeps its device for a moment.
WAIT_S = 2.0


def _take(file: int) -> bool:
    """Take the lock of an open file; the system gives it back when this process ends, however."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:  # another process has it
        return False
    return True


def _lock_path(name: str) -> Path:
    # Programs of one user can have sound servers of their own, whose devices are named alike.
    whole = f"{getpass.getuser()} {name} {os.environ.get('JACK_DEFAULT_SERVER', '')}"
    digest = hashlib.sha256(whole.encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"evenhall-{digest}.lock"


@contextmanager
def held(name: str) -> Iterator[None]:
    """Hold a device that is played on, until the block ends or this process does.

    Parameters
    ----------
    name : str
        The device's full name.

    Raises
    ------
    DeviceError
        Another process holds it, or nothing can be written where such files lie.
    """
    path = _lock_path(name)
    try:
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise DeviceError(f"{path}: could not be written ({error.strerror}).") from error
    try:
        until_s = time.monotonic() + WAIT_S
        while not _take(file):
            if time.monotonic() > until_s:
                raise DeviceError(
                    f'"{name}" is in use by another Evenhall on this computer. Stop it there, or '
                    "wait until it has ended."
                )
            time.sleep(0.05)
        yield
    finally:
        os.close(file)
