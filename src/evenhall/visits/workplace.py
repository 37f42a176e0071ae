"""Where a running Evenhall keeps what is not finished yet, so that a killed one leaves nothing.

Each has a folder of its own below the store's, known to be in use by a lock that the system lets go
when the process ends, however it ends. The next to start takes away what the dead have left, and
touches nothing of those who live. Start at `Workplace`.
"""

from __future__ import annotations

import shutil
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from evenhall.disk import make_folder
from evenhall.sound.writing import PART
from evenhall.visits.private import FOLDER_MODE

__all__ = ["WORK_FOLDER", "Workplace"]

WORK_FOLDER = "work"
LOCK = ".lock"
NOTES = "making"


class Workplace:
    """A running Evenhall's own folder below the store's.

    `is_kept` tells whether the store has a visit whose recordings lie in a folder, from its own.
    """

    def __init__(self, store: Path, *, is_kept: Callable[[str], bool]) -> None:
        self._store, self._work = store, store / WORK_FOLDER
        make_folder(self._work, mode=FOLDER_MODE)
        while True:
            lock = self._work / f"{uuid.uuid4().hex}{LOCK}"
            held = _held(lock)
            # Somebody who cleans may have been quicker, and taken it for a dead one's.
            if held is not None and lock.exists():
                break
            if held is not None:
                held.close()
        self._lock, self._held = lock, held
        self._folder = lock.with_suffix("")
        (self._folder / NOTES).mkdir(mode=FOLDER_MODE, parents=True)
        for other in sorted(self._work.glob(f"*{LOCK}")):
            if other != lock:
                self._clear_if_dead(other, is_kept)

    def fresh(self) -> Path:
        """Give a place for something that need not last."""
        return self._folder / uuid.uuid4().hex

    @contextmanager
    def making(self, path: Path) -> Iterator[None]:
        """Note what is made elsewhere in the store until it is whole, or gone.

        A folder is taken away by the next to start unless a visit has it; a file if it is a part
        or empty.
        """
        note = self._folder / NOTES / uuid.uuid4().hex
        note.write_text(path.relative_to(self._store).as_posix(), encoding="utf-8")
        try:
            yield
        finally:
            note.unlink(missing_ok=True)

    def close(self) -> None:
        """Leave; nothing may be asked afterwards."""
        shutil.rmtree(self._folder, ignore_errors=True)
        self._held.close()
        _unlink(self._lock)

    def _clear_if_dead(self, lock: Path, is_kept: Callable[[str], bool]) -> None:
        held = _held(lock)
        if held is None:
            return  # its owner is at work
        folder = lock.with_suffix("")
        with closing(held):
            for note in (folder / NOTES).glob("*"):
                self._take_away(note.read_text(encoding="utf-8"), is_kept)
            shutil.rmtree(folder, ignore_errors=True)
        _unlink(lock)

    def _take_away(self, name: str, is_kept: Callable[[str], bool]) -> None:
        path = self._store / name
        if not name:
            return  # killed before it had noted anything: nothing was begun
        if path.is_dir():
            if not is_kept(name):
                shutil.rmtree(path, ignore_errors=True)
        elif path.is_file() and (path.name.endswith(PART) or not path.stat().st_size):
            path.unlink()


def _unlink(lock: Path) -> None:
    with suppress(PermissionError):  # where a file that another has open stays; the next takes it
        lock.unlink(missing_ok=True)


def _held(lock: Path) -> sqlite3.Connection | None:
    """Hold a lock until it is closed, or the process ends; None where another holds it."""
    # SQLite knows how to lock a file on every system.
    connection = sqlite3.connect(lock, timeout=0.0, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode = MEMORY")  # no second file beside it
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        connection.close()
        if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
            raise
        return None
    return connection
