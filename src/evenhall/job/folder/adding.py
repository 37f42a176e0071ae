"""A job folder that is recorded into: checked before any sound, and a take more after it.

recordable_job()   the job that the take will belong to; a new one where there is none
next_take_file()   where its sound goes
add_take()         a [[take]] more in job.toml, which is else left as the person wrote it
"""

from __future__ import annotations

import os
import re
import time
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit

from evenhall.errors import InputError, StoreError
from evenhall.hall.elements import Element
from evenhall.hall.label import BOTH, TakeLabel
from evenhall.job.folder.faults import did_you_mean
from evenhall.job.folder.model import Job
from evenhall.job.folder.reading import JOB_FILE, TAKES_FOLDER, load_job, parse_job
from evenhall.job.folder.writing import write_whole

__all__ = [
    "RecordedTake",
    "add_take",
    "check_plays_along",
    "in_lines",
    "next_take_file",
    "recordable_job",
    "take_stem",
]

LONGEST = 40  # letters of each name: no disk takes more than 255 in all
LOCK_FILE = ".job.toml.lock"
# A lock is held for milliseconds; one that is seen for longer belongs to a process that died.
LOCK_DEAD_S, LOCK_WAIT_S = 10.0, 15.0

NEW_JOB = """\
# Written by evenhall take. Fill in what you know: each line that is set makes the worklist better.
# Every field: docs/job-folder.md

[venue]
name = {name}
# length_m = 18.0
# width_m = 10.0
# height_m = 4.5

[audience]
# first_row_m = 2.0          # along the floor, from the point under the loudspeaker
# last_row_m = 14.0
# ear_height_m = 1.2         # 1.2 seated, 1.6 standing

[rig]
# speaker_height_m = 1.8
# speaker_down_deg = 0.0
# low_limit_hz = 55.0        # nothing is boosted below it, and mains are spared what lies below
# max_height_m = 3.0

[equalizer]
bands = 31                   # 31, 15, 10, or a list in Hz
range_db = 12.0
step_db = 0.5

[target]
shape = "tilt"               # "tilt", "flat", "speech", "music"
"""


@dataclass(frozen=True, kw_only=True)
class RecordedTake(TakeLabel):
    """A take that was recorded: the fields of its [[take]], see `model.Take`."""

    file: str
    distance_m: float | None
    mic_channel: int
    reference_channel: int | None
    reference_file: str | None
    delay_is_relative: bool
    walked_m: float | None = None
    passed: Mapping[str, float] = field(default_factory=dict)


def _new_job(folder: Path) -> str:
    name = tomlkit.string(folder.resolve().name or "Job").as_string()
    return NEW_JOB.format(name=name)


def recordable_job(folder: Path, label: TakeLabel) -> Job:
    """Read the job that a take will belong to, and make sure that the take fits in.

    Parameters
    ----------
    folder : Path
        A job folder, with takes or without; or one that does not exist yet.
    label : TakeLabel
        What will be taken.

    Raises
    ------
    InputError
        job.toml is wrong, knows no such element, or none that subs could play along with.
    StoreError
        It cannot be read.
    """
    if folder.is_file() or (folder / JOB_FILE).is_file():
        job = load_job(folder, takes_needed=False)
        _check_takes_one_more(folder / JOB_FILE)
    else:
        job = parse_job(_new_job(folder).encode(), folder=folder, takes_needed=False)
    side = label.side
    sides = () if label.is_walk and side == BOTH else job.rig.sides
    if sides and "sides" in job.rig.model_fields_set and side not in sides:
        raise InputError(
            f'{JOB_FILE}: "{side}" is not among [rig] sides. {did_you_mean(side, job.rig.sides)}'
        )
    if label.with_subs:
        say_so = f"Write feeds_subs = true below [equalizer] in {JOB_FILE}"
        check_plays_along(side, fed=job.equalizer.feeds_subs, say_so=say_so)
    return job


def check_plays_along(side: str, *, fed: bool, say_so: str) -> None:
    """See to it that the subs can play along with an element.

    Parameters
    ----------
    fed : bool
        Whether the equalizer feeds subs too.
    say_so : str
        How to tell that it does.

    Raises
    ------
    InputError
        It is none of the mains, or the equalizer feeds no subs.
    """
    if not Element.named(side).is_main:
        raise InputError(f"The subs play along with the mains: left, say, and not {side!r}.")
    if not fed:
        raise InputError(
            f"The subs play along where the equalizer feeds them too. {say_so}, or take the mains "
            "alone."
        )


def _check_takes_one_more(path: Path) -> None:
    """See to it that a [[take]] can be put at the end: behind a list, take = [...], none can."""
    try:
        tomllib.loads(path.read_text(encoding="utf-8-sig") + "\n[[take]]\n")
    except tomllib.TOMLDecodeError:
        raise InputError(
            f"{JOB_FILE}: take = [...] is a list, to which none can be added. Write each take "
            "below a [[take]] of its own, and leave the list out."
        ) from None


def _plain(label: str) -> str:
    """Name that every file system takes."""
    ascii_only = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", ascii_only.lower()).strip("-")[:LONGEST] or "take"


def take_stem(label: TakeLabel) -> str:
    """Give what the names of the recordings of an element at a spot begin with.

    Examples
    --------
    >>> take_stem(TakeLabel(side="left", spot="front"))
    'left-front'
    >>> take_stem(TakeLabel(side="left", spot="front", state="after", with_subs=True))
    'left-and-subs-front-after'
    """
    words = [label.side, *(["and subs"] if label.with_subs else []), label.spot]
    if label.state != "before":
        words.append(label.state)
    return "-".join(_plain(word) for word in words)


def next_take_file(folder: Path, label: TakeLabel) -> str:
    """Path in the folder at which no file stands yet: takes/left-front.wav, then -2 and so on.

    Examples
    --------
    >>> next_take_file(Path("none"), TakeLabel(side="left", spot="Row 3, aisle", state="after"))
    'takes/left-row-3-aisle-after.wav'
    """
    stem = take_stem(label)
    number = 1
    while True:
        name = f"{TAKES_FOLDER}/{stem}{'' if number == 1 else f'-{number}'}.wav"
        if not any((folder / (name + end)).exists() for end in ("", ".part")):
            return name
        number += 1


def in_lines(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Give a take's fields so that each is written in a line: {front = 3.0}, and no table below."""
    found = dict(fields)
    for name, value in fields.items():
        if isinstance(value, Mapping):
            found[name] = tomlkit.inline_table()
            found[name].update(value)
    return found


def add_take(folder: Path, take: RecordedTake) -> None:
    """Add a [[take]] at the end of job.toml; every byte that stands there stays.

    Raises
    ------
    InputError
        job.toml was changed meanwhile, so that the take no longer fits.
    StoreError
        It could not be written; the sound is safe where it is.
    """
    path = folder / JOB_FILE
    fields = {
        name: value
        for name, value in vars(take).items()
        if value not in (None, False, {}) and (name, value) != ("at", "audience")
    }
    entry = "[[take]]\n" + tomlkit.dumps(in_lines(fields))
    with _locked(folder):
        try:
            before = path.read_bytes() if path.is_file() else _new_job(folder).encode()
        except OSError as error:
            raise StoreError(f"{path}: cannot be read ({error.strerror}).") from error
        gap = b"" if before.endswith(b"\n") else b"\n"
        after = before + gap + b"\n" + entry.encode()
        parse_job(after, folder=folder)
        write_whole({path: after})


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Keep a second process from reading job.toml before this one has written it."""
    lock = folder / LOCK_FILE
    seen, seen_s = None, time.monotonic()
    until_s = seen_s + LOCK_WAIT_S
    while True:
        try:
            os.close(os.open(lock, os.O_CREAT | os.O_EXCL))
            break
        except FileExistsError:
            # Timed by a clock that nobody sets, not by the file's own date.
            if (now := _mark(lock)) != seen:
                seen, seen_s = now, time.monotonic()
            elif time.monotonic() - seen_s > LOCK_DEAD_S:
                lock.unlink(missing_ok=True)
            elif time.monotonic() > until_s:
                raise StoreError(
                    f"{lock}: another program is writing {JOB_FILE}. Wait for it, or remove that "
                    "file if there is none."
                ) from None
            time.sleep(0.01)
        except OSError as error:
            raise StoreError(
                f"{folder / JOB_FILE}: could not be written ({error.strerror})."
            ) from error
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)


def _mark(file: Path) -> tuple[int, int] | None:
    """Tell one file from the next of the same name; None where there is none."""
    try:
        found = file.stat()
    except FileNotFoundError:
        return None
    return found.st_ino, found.st_mtime_ns
