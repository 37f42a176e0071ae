"""Recordings that no take names: the program was killed between the sound and its entry.

Start at `orphans()`. A recording that was broken off is another matter, see `sound/writing.py:
leftovers()`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from evenhall.job.folder.reading import TAKES_FOLDER
from evenhall.visits.visit import FILES_BESIDE, Visit

__all__ = ["SOUND_ENDINGS", "Orphan", "orphans"]

SOUND_ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".rf64")
PLAYED = "-played.wav"  # what was played for the recording beside it, see `job.taking`


@dataclass(frozen=True)
class Orphan:
    """A recording without a take, and what was played for it where that lies beside it.

    Both are paths from the visit's folder, as a take has them.
    """

    file: str
    reference_file: str | None


def orphans(visit: Visit) -> tuple[Orphan, ...]:
    """List recordings of a visit that none of its takes names, deleted ones included.

    Also what was recorded and found unusable is there: it was kept, and is no take. While a take
    is being made its recording has no entry yet, so ask when nobody records.
    """
    place = visit.folder / TAKES_FOLDER
    if not place.is_dir():
        return ()
    named = set(_named(visit))
    files = {f"{TAKES_FOLDER}/{path.name}" for path in place.iterdir() if path.is_file()}
    found = []
    for file in sorted(files - named):
        if not file.lower().endswith(SOUND_ENDINGS) or file.endswith(PLAYED):
            continue
        played = file.removesuffix(".wav") + PLAYED
        found.append(Orphan(file, played if played in files - named else None))
    return tuple(found)


def _named(visit: Visit) -> Iterator[str]:
    names = [visit.value(name) for name in ("reference.file", *FILES_BESIDE)]
    for one in visit.takes:
        names += [one.take.file, one.take.reference_file]
    for name in names:
        if name is not None:
            yield Path(os.path.normpath(name)).as_posix()
