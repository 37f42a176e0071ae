"""Rows of the store, read with the trust that a file of any age deserves.

What an older version, another program or a fault left there and nobody can read becomes an
`Unreadable`, never an error: everything else of the visit is shown.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from os.path import normpath
from pathlib import PurePath, PurePosixPath
from typing import Any

from pydantic import TypeAdapter, ValidationError

from evenhall.errors import InputError
from evenhall.job.folder.model import Take
from evenhall.visits.entries import Instant, check_entry
from evenhall.visits.visit import Entry, StoredTake, Unreadable

__all__ = [
    "VISITS_FOLDER",
    "entries_of",
    "folder_of",
    "leads_out",
    "moment_of",
    "takes_of",
    "value_of",
]

VISITS_FOLDER = "visits"
MOMENT: TypeAdapter[str] = TypeAdapter(Instant)


def leads_out(name: str) -> bool:
    """Whether a path leads out of the folder that it is given from."""
    # As this system reads it: on Windows a drive or a backslash leads out, too.
    path = PurePath(normpath(name))
    return bool(path.anchor) or path.parts[:1] == ("..",) or "\0" in name


def moment_of(row: sqlite3.Row) -> str | None:
    """Give when a visit or take was made; None where that is no time."""
    try:
        return MOMENT.validate_python(row["made_at"])
    except ValidationError:
        return None


def folder_of(row: sqlite3.Row) -> str:
    """Give the folder of a visit's recordings, from the store's own; refuse what is none."""
    folder = str(row["folder"])
    if leads_out(folder) or PurePosixPath(folder).parts[:1] != (VISITS_FOLDER,):
        raise InputError(
            f"Visit {row['id']} cannot be read: it does not say where its recordings lie. Delete "
            "it from the list of all visits; the recordings stay on the disk."
        )
    return folder


def value_of(name: str, row: sqlite3.Row) -> Any:
    """Give the value of an entry's row; None where it cannot be read."""
    try:
        value = json.loads(row["value"])
        check_entry(name, value)
    except (ValueError, RecursionError, InputError):
        return None
    return value


def entries_of(
    rows: Iterable[sqlite3.Row],
) -> tuple[dict[str, Entry], tuple[Unreadable, ...]]:
    """Give entries by their names; one that cannot be read is as one taken away."""
    read: dict[str, Entry] = {}
    bad = []
    for row in rows:
        name = row["name"]
        value = value_of(name, row)
        # Its revision stays: who types it anew writes over what stands there.
        read[name] = Entry(value, row["revision"])
        if value is None and row["value"] != "null":
            bad.append(
                Unreadable(f"entry:{name}", f"What is kept as {name[:60].replace('_', ' ')}")
            )
    return read, tuple(bad)


def takes_of(
    rows: Iterable[sqlite3.Row],
) -> tuple[tuple[StoredTake, ...], tuple[Unreadable, ...]]:
    """Give the takes in their order, those that were deleted too."""
    read, bad = [], []
    for row in rows:
        made_at = moment_of(row)
        try:
            take = Take.model_validate_json(row["fields"])
        except ValidationError:
            take = None
        if (
            take is None
            or made_at is None
            or any(map(leads_out, filter(None, (take.file, take.reference_file))))
        ):
            bad.append(Unreadable(f"take:{row['id']}", f"Take {row['id']} of this visit"))
            continue
        read.append(StoredTake(row["id"], take, made_at, row["deleted_at"] is not None))
    return tuple(read), tuple(bad)
