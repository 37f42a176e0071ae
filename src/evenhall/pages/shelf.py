"""Units that were learned, kept by name for all visits: `put()`, `names()`, `take()`.

They lie in a folder of their own beside the visits, a file a channel.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

from evenhall.errors import InputError, StoreError
from evenhall.job.folder.unit_file import UnitFile, read_unit
from evenhall.job.folder.writing import write_whole
from evenhall.visits.store import UNITS_FOLDER, Store

__all__ = ["names", "put", "take"]

RIGHT_ENDING = "-right"
LONGEST = 40  # letters of a name in its file's


def _path(store: Store, name: str, *, right: bool) -> Path:
    """Give a file name that any disk takes, and that no other unit has."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:LONGEST]
    mark = hashlib.sha256(name.encode()).hexdigest()[:8]
    ending = RIGHT_ENDING if right else ""
    return store.folder / UNITS_FOLDER / f"{plain or 'unit'}-{mark}{ending}.json"


def put(store: Store, unit: UnitFile, *, right: bool) -> None:
    """Keep a unit under its name; one of that name gives way to it.

    Raises
    ------
    StoreError
        It cannot be written.
    """
    path = _path(store, unit.name, right=right)
    write_whole({path: unit.to_json()})
    if not right:
        # Its right channel was learned beside another left one.
        _path(store, unit.name, right=True).unlink(missing_ok=True)


def names(store: Store) -> tuple[str, ...]:
    """List the units that are kept; what cannot be read is not among them."""
    found = []
    for path in sorted((store.folder / UNITS_FOLDER).glob("*.json")):
        if not path.stem.endswith(RIGHT_ENDING):
            try:
                found.append(read_unit(path).name)
            except (InputError, StoreError):
                continue
    return tuple(sorted(set(found)))


def take(store: Store, name: str) -> tuple[UnitFile, UnitFile | None]:
    """Give a unit by its name, and its right channel where that has its own.

    Raises
    ------
    InputError
        There is none of that name.
    """
    left, right = (_path(store, name, right=side) for side in (False, True))
    if not left.is_file():
        raise InputError(f"No unit called {name[:60]!r} is kept. Learn it, or choose another.")
    return read_unit(left), read_unit(right) if right.is_file() else None
