"""Where visits are kept: a database, and a folder of recordings for each visit. Start at `Store`.

What a method has returned is on the disk. A value is changed by telling the revision that was
seen: whoever saw an older one is told (`Changed`), and nothing is lost silently.
"""

from __future__ import annotations

import datetime
import json
import shutil
import sqlite3
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import RLock
from typing import Any

from platformdirs import user_data_path

from evenhall.disk import make_folder, sync_file, sync_folder
from evenhall.errors import InputError, StoreError
from evenhall.job.folder.model import Take
from evenhall.sound.live.setup import SETUP_FILE
from evenhall.visits.database import open_database, reading, store_errors, writing
from evenhall.visits.entries import check_entries, check_entry
from evenhall.visits.private import FOLDER_MODE, tighten
from evenhall.visits.rows import VISITS_FOLDER, entries_of, folder_of, moment_of, takes_of, value_of
from evenhall.visits.visit import FILES_BESIDE, Entry, StoredTake, Unreadable, Visit
from evenhall.visits.workplace import WORK_FOLDER, Workplace

__all__ = ["Changed", "Store", "VisitLine", "data_path"]

DATABASE_FILE = "visits.sqlite3"
UNITS_FOLDER = "units"  # learned units, kept by name
OURS = (
    *(DATABASE_FILE + ending for ending in ("", "-wal", "-shm", "-journal")),
    *(VISITS_FOLDER, UNITS_FOLDER, WORK_FOLDER),
    SETUP_FILE,  # macOS and Windows have one folder for data and settings
)
MADE_AT = "made_at:"  # key of a visit's date among what cannot be read
MAX_ID = 2**63 - 1  # SQLite's integers
# What a new visit takes over from the last one in its venue: what stands there, not what was done.
CARRIED = (
    "venue.",
    "audience.",
    "rig.",
    "equalizer.",
    "console.",
    "strip.",
    "crossover.",
    "target.",
    "microphone.",
    "talker.",
    "spots",
)
# And what one in another venue takes over from the rig.
CARRIED_RIG = (
    *("rig.", "equalizer.", "console.", "strip.", "crossover.", "target.", "microphone."),
)


def data_path() -> Path:
    """Folder of the user's visits."""
    return user_data_path("evenhall", appauthor=False)


class Changed(Exception):  # noqa: N818 - it is an answer to the asker, no fault
    """Somebody else has changed an entry meanwhile.

    Parameters
    ----------
    entry : Entry
        As it is now.
    """

    def __init__(self, entry: Entry) -> None:
        super().__init__("changed meanwhile")
        self.entry = entry


@dataclass(frozen=True)
class VisitLine:
    """A visit in the list of them; `made_at` is None where it cannot be read."""

    number: int
    venue: str
    made_at: str | None
    takes: int
    demo: bool


@dataclass(frozen=True)
class _New:
    """A visit to make: venue and rig by their names where they are new, else by their numbers."""

    entries: Mapping[str, Any]
    venue: str | int
    rig: str | int = "Rig"
    demo: bool = False
    files: Sequence[tuple[Path, str]] = ()
    takes: Sequence[tuple[Take, str | None, bool]] = ()
    made_at: str | None = None


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


class Store:
    """The visits of a user.

    Parameters
    ----------
    folder : Path
        Made where there is none.
    now : callable, optional
        Gives the time, ISO 8601.

    Raises
    ------
    StoreError
        It cannot be opened; every method may raise it too.
    """

    def __init__(self, folder: Path, *, now: Callable[[], str] = _now) -> None:
        self.folder = folder
        self._path = folder / DATABASE_FILE
        self._connection = open_database(self._path)
        self._files = _numbers(self._path)
        self._now = now
        # One connection for all threads, used by one at a time.
        self._lock = RLock()
        try:
            with store_errors(self._path):
                self.workplace = Workplace(folder, is_kept=self._is_kept)
            tighten(folder, OURS)
        except StoreError:
            self._connection.close()
            raise
        except OSError as error:
            self._connection.close()
            raise StoreError(
                f"{folder}: visits cannot be kept there ({error.strerror}). Make room, or give "
                "another folder with --data."
            ) from error

    def close(self) -> None:
        """Close the database; nothing may be asked afterwards."""
        with self._lock:
            self.workplace.close()
            self._connection.close()

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._lock, store_errors(self._path), reading(self._connection):
            yield self._connection

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock, store_errors(self._path):
            with writing(self._connection):
                yield self._connection
            if _numbers(self._path) != self._files:
                raise StoreError(
                    f"{self._path}: was taken away while Evenhall was open; nothing can be kept "
                    "any more. Take the job folder of each visit away (Hand-over), then end "
                    "Evenhall, open it again and read them in."
                )

    def _is_kept(self, folder: str) -> bool:
        with self._reading() as base:
            row = base.execute("SELECT 1 FROM visit WHERE folder = ?", (folder,)).fetchone()
        return row is not None

    def visits(self, *, deleted: bool = False) -> tuple[VisitLine, ...]:
        """List the visits, or those that were deleted, the latest first."""
        with self._reading() as base:
            rows = base.execute(
                "SELECT visit.id, visit.made_at, visit.demo, venue.name,"
                " (SELECT count(*) FROM take WHERE visit_id = visit.id AND deleted_at IS NULL)"
                " AS takes FROM visit JOIN venue ON venue.id = venue_id"
                " WHERE (visit.deleted_at IS NOT NULL) = ? ORDER BY visit.id DESC",
                (int(deleted),),
            ).fetchall()
        return tuple(
            VisitLine(row["id"], row["name"], moment_of(row), row["takes"], bool(row["demo"]))
            for row in rows
        )

    def new_visit(self, venue: str, entries: Mapping[str, Any], *, demo: bool = False) -> int:
        """Begin a visit in a venue that is new, with what is known of it; give its number."""
        return self._begin(_New({**entries, "venue.name": venue}, venue, demo=demo))

    def next_visit(self, number: int, *, venue: str | None = None) -> int:
        """Begin a visit that starts from an earlier one, with the same rig.

        Parameters
        ----------
        number : int
            The earlier one.
        venue : str, optional
            Name of a venue that is new; without it the visit is in the same one, and starts from
            what stood there.
        """
        before = self.visit(number)
        carried = CARRIED if venue is None else CARRIED_RIG
        entries = {
            name: entry.value
            for name, entry in before.entries.items()
            if name.startswith(carried) and entry.value is not None
        }
        with self._reading() as base:
            venue_id, rig_id = base.execute(
                "SELECT venue_id, rig_id FROM visit WHERE id = ?", (number,)
            ).fetchone()
        if venue is not None:
            entries["venue.name"] = venue
        named = [entries.get(name) for name in FILES_BESIDE]
        # One that is missing or lies elsewhere is a fault of the new visit as of the old one.
        beside = [file for file in named if file and _is_in(before.folder, file)]
        new = _New(
            entries,
            venue_id if venue is None else venue,
            rig_id,
            demo=before.demo and venue is None,
            files=[(before.folder / name, name) for name in beside],
        )
        return self._begin(new)

    def take_in(
        self,
        folder: Path,
        *,
        entries: Mapping[str, Any],
        takes: Sequence[tuple[Take, str | None, bool]],
        made_at: str | None,
        demo: bool = False,
    ) -> int:
        """Make a visit of a job folder, whose files are copied; give its number.

        Each take comes with when it was made and whether it is deleted. `made_at` is when the visit
        was, now where it is None.
        """
        files = [(one, one.relative_to(folder).as_posix()) for one in folder.rglob("*")]
        new = _New(
            entries,
            str(entries["venue.name"]),
            demo=demo,
            files=[(one, name) for one, name in files if one.is_file()],
            takes=takes,
            made_at=made_at,
        )
        return self._begin(new)

    def _begin(self, new: _New) -> int:
        """Make a visit; its files are there before it is."""
        check_entries(new.entries)
        folder = Path(VISITS_FOLDER) / uuid.uuid4().hex
        home = self.folder / folder
        try:
            with self.workplace.making(home):
                make_folder(home / "takes", mode=FOLDER_MODE)
                for source, name in new.files:
                    _copy(source, home / name)
                # What was acknowledged survives the mains: names, too, before the visit is.
                for place in {home, *((home / name).parent for _, name in new.files)}:
                    sync_folder(place)
                return self._enter_visit(new, folder)
        except OSError as error:
            shutil.rmtree(home, ignore_errors=True)
            raise StoreError(
                f"{home}: could not be written ({error.strerror}). Make room."
            ) from error
        except StoreError:
            shutil.rmtree(home, ignore_errors=True)
            raise

    def _enter_visit(self, new: _New, folder: Path) -> int:
        with self._writing() as base:
            now = self._now()
            ids = [
                one
                if isinstance(one, int)
                else base.execute(
                    f"INSERT INTO {table} (name, made_at) VALUES (?, ?)", (one, now)
                ).lastrowid
                for table, one in (("venue", new.venue), ("rig", new.rig))
            ]
            number = base.execute(
                "INSERT INTO visit (venue_id, rig_id, folder, demo, revision, made_at)"
                " VALUES (?, ?, ?, ?, 1, ?)",
                (*ids, folder.as_posix(), int(new.demo), new.made_at or now),
            ).lastrowid
            base.executemany(
                "INSERT INTO entry (visit_id, name, value, revision) VALUES (?, ?, ?, 1)",
                [
                    (number, name, json.dumps(value))
                    for name, value in new.entries.items()
                    if value is not None
                ],
            )
            base.executemany(
                "INSERT INTO take (visit_id, fields, made_at, deleted_at) VALUES (?, ?, ?, ?)",
                [
                    (
                        number,
                        take.model_dump_json(exclude_unset=True),
                        taken_at or now,
                        now if deleted else None,
                    )
                    for take, taken_at, deleted in new.takes
                ],
            )
        assert number is not None
        return number

    def visit(self, number: int) -> Visit:
        """Give a visit, whole; what cannot be read of it is named and left out.

        Raises
        ------
        InputError
            There is none of that number, or it does not say where its recordings lie.
        """
        with self._reading() as base:
            row = _visit_row(base, number)
            entries = base.execute(
                "SELECT name, value, revision FROM entry WHERE visit_id = ?", (number,)
            ).fetchall()
            takes = base.execute(
                "SELECT * FROM take WHERE visit_id = ? ORDER BY id", (number,)
            ).fetchall()
        read, bad_entries = entries_of(entries)
        stored, bad_takes = takes_of(takes)
        made_at = moment_of(row)
        no_date = () if made_at else (Unreadable(MADE_AT, "The date of this visit"),)
        return Visit(
            number=number,
            folder=self.folder / folder_of(row),
            demo=bool(row["demo"]),
            revision=row["revision"],
            made_at=made_at,
            entries=read,
            takes=stored,
            unreadable=(*no_date, *bad_entries, *bad_takes),
        )

    def delete_unreadable(self, number: int, key: str) -> None:
        """Delete what cannot be read of a visit; recordings stay.

        Parameters
        ----------
        key : str
            See `Unreadable`; a date becomes that of today.

        Raises
        ------
        InputError
            There is no such thing, or it can be read.
        """
        if key not in {one.key for one in self.visit(number).unreadable}:
            raise InputError("That is gone. Load the page again.")
        kind, _, which = key.partition(":")
        with self._writing() as base:
            _next_revision(base, number)
            if kind == "entry":
                base.execute("DELETE FROM entry WHERE visit_id = ? AND name = ?", (number, which))
            elif kind == "take":
                base.execute("DELETE FROM take WHERE visit_id = ? AND id = ?", (number, int(which)))
            else:
                base.execute("UPDATE visit SET made_at = ? WHERE id = ?", (self._now(), number))

    def set_entry(self, number: int, name: str, value: Any, *, was: int | None) -> Entry:
        """Change a value; None takes it away.

        Parameters
        ----------
        value : Any
            What JSON can hold.
        was : int or None
            Revision of the value that was seen; None writes over whatever is there.

        Raises
        ------
        InputError
            There is no such thing, or the value is not allowed.
        Changed
            Somebody else has changed it since.
        """
        check_entry(name, value)
        with self._writing() as base:
            _visit_row(base, number)
            row = base.execute(
                "SELECT value, revision FROM entry WHERE visit_id = ? AND name = ?", (number, name)
            ).fetchone()
            now = Entry() if row is None else Entry(value_of(name, row), row["revision"])
            if now.value == value:
                return now  # two who want the same do not quarrel
            if was is not None and was != now.revision:
                raise Changed(now)
            return _put(base, number, name, value)

    def set_entries(self, number: int, entries: Mapping[str, Any]) -> None:
        """Change some values all at once, or none; None takes one away.

        Raises
        ------
        InputError
            There is no such visit, or an entry is none.
        """
        check_entries(entries)
        with self._writing() as base:
            _put_all(base, number, entries)

    def begin_anew(self, number: int, entries: Mapping[str, Any]) -> None:
        """Change entries and delete all takes, all at once: the rig is another now.

        Raises
        ------
        InputError
            There is no such visit, or an entry is none.
        """
        check_entries(entries)
        with self._writing() as base:
            _put_all(base, number, entries)
            base.execute(
                "UPDATE take SET deleted_at = ? WHERE visit_id = ? AND deleted_at IS NULL",
                (self._now(), number),
            )
            _next_revision(base, number)

    def add_take(self, number: int, take: Take) -> StoredTake:
        """Enter a take whose recording lies in the visit's folder already."""
        fields = take.model_dump_json(exclude_unset=True)
        with self._writing() as base:
            _visit_row(base, number)
            made_at = self._now()
            _next_revision(base, number)
            key = base.execute(
                "INSERT INTO take (visit_id, fields, made_at) VALUES (?, ?, ?)",
                (number, fields, made_at),
            ).lastrowid
        assert key is not None
        return StoredTake(key, take, made_at, deleted=False)

    def set_visit_deleted(self, number: int, *, deleted: bool) -> None:
        """Take a visit out of the list, or bring it back; its recordings stay.

        Raises
        ------
        InputError
            There is none of that number.
        """
        with self._writing() as base:
            _visit_row(base, number)
            base.execute(
                "UPDATE visit SET deleted_at = ? WHERE id = ?",
                (self._now() if deleted else None, number),
            )

    def set_deleted(self, number: int, take: int, *, deleted: bool) -> None:
        """Take a take out of the visit, or bring it back.

        Raises
        ------
        InputError
            The visit has no such take.
        """
        with self._writing() as base:
            _visit_row(base, number)
            if not -MAX_ID <= take <= MAX_ID:
                raise InputError(f"This visit has no take {take}.")
            changed = base.execute(
                "UPDATE take SET deleted_at = ? WHERE id = ? AND visit_id = ?",
                (self._now() if deleted else None, take, number),
            ).rowcount
            if not changed:
                raise InputError(f"This visit has no take {take}.")
            _next_revision(base, number)


def _put_all(base: sqlite3.Connection, number: int, entries: Mapping[str, Any]) -> None:
    _visit_row(base, number)
    for name, value in entries.items():
        _put(base, number, name, value)


def _put(base: sqlite3.Connection, number: int, name: str, value: Any) -> Entry:
    revision = _next_revision(base, number)
    # A value taken away stays as null: its revision must not begin again.
    base.execute(
        "INSERT INTO entry (visit_id, name, value, revision) VALUES (?, ?, ?, ?)"
        " ON CONFLICT DO UPDATE SET value = excluded.value, revision = excluded.revision",
        (number, name, json.dumps(value), revision),
    )
    if name == "venue.name" and value is not None:
        base.execute(
            "UPDATE venue SET name = ? WHERE id = (SELECT venue_id FROM visit WHERE id = ?)",
            (value, number),
        )
    return Entry(value, revision)


def _numbers(path: Path) -> tuple[tuple[int, int] | None, ...]:
    """Tell the files of a database from others that have their names; None where there is none."""

    def number(name: str) -> tuple[int, int] | None:
        try:
            status = path.with_name(name).stat()
        except OSError:
            return None
        return status.st_dev, status.st_ino

    return tuple(number(path.name + ending) for ending in ("", "-wal"))


def _copy(source: Path, target: Path) -> None:
    make_folder(target.parent, mode=FOLDER_MODE)
    with source.open("rb") as old, target.open("xb") as new:
        shutil.copyfileobj(old, new, 2**20)
        new.flush()
        # On the disk before the visit is: what was acknowledged survives the mains.
        sync_file(new.fileno())


def _is_in(folder: Path, name: str) -> bool:
    try:
        path = (folder / name).resolve()
        return path.is_relative_to(folder.resolve()) and path.is_file()
    except (OSError, ValueError):  # too long, or holds a NUL
        return False


def _visit_row(base: sqlite3.Connection, number: int) -> sqlite3.Row:
    """Give the row of a visit; an address typed by hand may hold any number."""
    row: sqlite3.Row | None = None
    if -MAX_ID <= number <= MAX_ID:
        row = base.execute("SELECT * FROM visit WHERE id = ?", (number,)).fetchone()
    if row is None:
        raise InputError(f"There is no visit {number}. Open one from the list.")
    return row


def _next_revision(base: sqlite3.Connection, number: int) -> int:
    row = base.execute(
        "UPDATE visit SET revision = revision + 1 WHERE id = ? RETURNING revision", (number,)
    ).fetchone()
    return int(row["revision"])
