"""The tables, and how they come to be: one migration a version. Start at `open_database()`.

A change is on the disk when its transaction ends (WAL, synchronous = FULL): what was
acknowledged survives the process and the mains. There is one writer at a time.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from evenhall.disk import make_folder
from evenhall.errors import StoreError
from evenhall.visits.private import FOLDER_MODE

__all__ = ["MIGRATIONS", "open_database", "reading", "store_errors", "writing"]

BUSY_S = 5.0  # another Evenhall may be writing; it does so for milliseconds
BUSY_STEP_S = 0.01

# Each is applied once, in order; what was published is never edited, only added to.
MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE venue (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        made_at TEXT NOT NULL
    ) STRICT;
    CREATE TABLE rig (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        made_at TEXT NOT NULL
    ) STRICT;
    CREATE TABLE visit (
        id INTEGER PRIMARY KEY,
        venue_id INTEGER NOT NULL REFERENCES venue (id),
        rig_id INTEGER NOT NULL REFERENCES rig (id),
        folder TEXT NOT NULL UNIQUE,
        demo INTEGER NOT NULL DEFAULT 0 CHECK (demo IN (0, 1)),
        revision INTEGER NOT NULL DEFAULT 0,
        made_at TEXT NOT NULL,
        deleted_at TEXT
    ) STRICT;
    -- What was typed, ticked or found out, one row a thing: two pages that change two things
    -- never meet, and two that change one are told.
    CREATE TABLE entry (
        visit_id INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
        name TEXT NOT NULL,
        value TEXT NOT NULL,
        revision INTEGER NOT NULL,
        PRIMARY KEY (visit_id, name)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE take (
        id INTEGER PRIMARY KEY,
        visit_id INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
        fields TEXT NOT NULL,
        made_at TEXT NOT NULL,
        deleted_at TEXT
    ) STRICT;
    CREATE INDEX take_of_visit ON take (visit_id);
    """,
)


@contextmanager
def store_errors(path: Path) -> Iterator[None]:
    """Turn what SQLite says into ours; the only place that knows its errors."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"{path}: the store of visits cannot be used ({error}). "
            "Make room on the disk, close other programs that use it, or move the file away to "
            "start with a new one; the recordings beside it stay."
        ) from error


def open_database(path: Path) -> sqlite3.Connection:
    """Open the store, made or brought up to date as needed; its folder too.

    Raises
    ------
    StoreError
        It cannot be opened, is damaged, or is of a later version.
    """
    try:
        make_folder(path.parent, mode=FOLDER_MODE)
    except OSError as error:
        raise StoreError(
            f"{path.parent}: visits cannot be kept there ({error.strerror}). Give a folder that "
            "you may write to with --data."
        ) from error
    with store_errors(path):
        # autocommit: transactions are begun and ended by `writing()` alone.
        connection = sqlite3.connect(
            path, timeout=BUSY_S, isolation_level=None, check_same_thread=False
        )
        try:
            connection.row_factory = sqlite3.Row
            # What is no text in the store is no reason to show nothing of it.
            connection.text_factory = lambda raw: raw.decode(errors="replace")
            _write_ahead(connection)
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA fullfsync = ON")  # on macOS as in disk.py; elsewhere nothing
            connection.execute("PRAGMA foreign_keys = ON")
            _migrate(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def _write_ahead(connection: sqlite3.Connection) -> None:
    # Of two processes that make the file at once one is refused here: SQLite waits for the
    # other everywhere but in this change.
    until_s = time.monotonic() + BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until_s:
                raise
        time.sleep(BUSY_STEP_S)


def _version(connection: sqlite3.Connection) -> int:
    with closing(connection.execute("PRAGMA user_version")) as answer:
        return int(answer.fetchone()[0])


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    if _version(connection) > len(MIGRATIONS):
        raise StoreError(
            f"{path}: was written by a later version of Evenhall. Use that one, or move the file "
            "away to start with a new one."
        )
    while (version := _version(connection)) < len(MIGRATIONS):
        with writing(connection):
            if _version(connection) != version:
                continue  # another process was quicker
            for statement in _statements(MIGRATIONS[version]):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {version + 1}")


def _statements(script: str) -> Iterator[str]:
    """Split a script: `executescript()` would commit in the middle of a migration."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


@contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction; it takes the writer's place from the start, and is whole or not at all."""
    with _transaction(connection, "BEGIN IMMEDIATE"):
        yield


@contextmanager
def reading(connection: sqlite3.Connection) -> Iterator[None]:
    """Whatever is read belongs to one moment, even while another process writes."""
    with _transaction(connection, "BEGIN"):
        yield


@contextmanager
def _transaction(connection: sqlite3.Connection, begin: str) -> Iterator[None]:
    connection.execute(begin)
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # A full disk ends some transactions by itself, and leaves others open.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
