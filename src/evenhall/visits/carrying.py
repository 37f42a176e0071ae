"""The job folder of a visit, out of the store and into it again, as one zip file.

    write_folder()   job.toml, the recordings, and visit.json with what job.toml has no place for
    read_folder()    a visit out of any job folder, with visit.json or without

Nothing is lost on the way: notes, ticks and deleted takes are in visit.json. Where the two files
disagree job.toml is right, as it is the one that people edit.
"""

from __future__ import annotations

import errno
import shutil
import struct
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import IO, Any, Literal

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from evenhall.disk import refused
from evenhall.errors import InputError, StoreError
from evenhall.job.folder.adding import in_lines
from evenhall.job.folder.model import Job, Take
from evenhall.job.folder.reading import JOB_FILE, SECTIONS, load_job
from evenhall.sound.writing import PART
from evenhall.visits.entries import Instant, check_entries
from evenhall.visits.rows import leads_out
from evenhall.visits.store import Store
from evenhall.visits.visit import UNNAMED, Visit

__all__ = ["MAX_FILES", "MAX_FOLDER_BYTES", "VISIT_FILE", "job_toml", "read_folder", "write_folder"]

VISIT_FILE = "visit.json"
# Five minutes in two channels of 24 bit at 96 kHz, more than any take lasts, are 173 MB.
MAX_FILE_BYTES = 256 * 2**20
# A hundred takes of half a minute in two channels of 24 bit at 48 kHz are 0.9 GB.
MAX_FOLDER_BYTES = 2**30
# As many takes, what was played for each, both channels of a learned unit, and as much again.
MAX_FILES = 1000
# What the system says of a name that no disk takes.
BAD_NAMES = (errno.ENAMETOOLONG, errno.EINVAL, errno.EILSEQ)
MAX_ENTRIES = 5000  # every figure, every fader of eight sides, and thousands of notes
MAX_VISIT_BYTES = 16 * 2**20  # of visit.json: thousands of long notes

LOCKED = 0x1  # bit of an entry's flags: encrypted (APPNOTE.TXT 4.4.4)
METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
# What zipfile and zlib raise at a file that is broken: sizes and names that cannot be, too.
BROKEN = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,
    ValueError,
    OverflowError,
    struct.error,
)


class _CarriedTake(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    take: Take
    made_at: Instant
    deleted: bool


class _CarriedVisit(BaseModel):
    """visit.json: what job.toml has no place for."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    version: Literal[1] = 1
    made_at: Instant | None
    demo: bool = False
    entries: dict[str, Any] = Field(max_length=MAX_ENTRIES)
    takes: tuple[_CarriedTake, ...] = Field(max_length=MAX_FILES, fail_fast=True)


def job_toml(visit: Visit) -> str:
    """Text of the visit's job.toml; whatever was typed stands there, whether it can be or not.

    A take whose recording is gone is named in a comment alone: without it the folder is whole.
    """
    tables: dict[str, Any] = {}
    for section, model in SECTIONS.items():
        given = visit.values(f"{section}.")
        # In the order of the docs, not of the store.
        order = [field for field in model.model_fields if given.get(field) is not None]
        if table := {field: given[field] for field in order}:
            tables[section] = table
    # An empty list would stand as `take = []`, behind which no [[take]] can be added.
    files = {one.take.file: (visit.folder / one.take.file).is_file() for one in visit.kept_takes}
    if kept := [one.take for one in visit.kept_takes if files[one.take.file]]:
        tables["take"] = [
            in_lines(take.model_dump(mode="json", exclude_unset=True, exclude_none=True))
            for take in kept
        ]
    gone = [f"# {file!a} is gone, and its take left out.\n" for file in files if not files[file]]
    return "".join(gone) + tomlkit.dumps(tables)


def write_folder(visit: Visit, out: IO[bytes]) -> None:
    """Write the visit's job folder as a zip file.

    Raises
    ------
    StoreError
        A recording cannot be read, or the file not written.
    """
    carried = _CarriedVisit(
        made_at=visit.made_at,
        demo=visit.demo,
        entries={
            name: entry.value for name, entry in visit.entries.items() if entry.value is not None
        },
        takes=tuple(
            _CarriedTake(take=one.take, made_at=one.made_at, deleted=one.deleted)
            for one in visit.takes
        ),
    )
    try:
        # Not strict: a recorder whose clock is not set dates its files before zip files begin.
        with zipfile.ZipFile(
            out, "w", zipfile.ZIP_DEFLATED, compresslevel=1, strict_timestamps=False
        ) as archive:
            archive.writestr(JOB_FILE, job_toml(visit))
            archive.writestr(VISIT_FILE, carried.model_dump_json(indent=1))
            for path in _files(visit.folder):
                archive.write(path, path.relative_to(visit.folder).as_posix())
        out.flush()
    except OSError as error:
        raise StoreError(
            f"{visit.folder}: could not be packed ({error.strerror}). Make room on the disk."
        ) from error


def _files(folder: Path) -> Iterator[Path]:
    ours = (folder / JOB_FILE, folder / VISIT_FILE)
    for path in sorted(folder.rglob("*")):
        part = path.name.endswith(PART)
        if path.is_file() and not path.is_symlink() and not part and path not in ours:
            yield path


def read_folder(store: Store, source: IO[bytes]) -> int:
    """Make a visit of a job folder in a zip file; give its number.

    Raises
    ------
    InputError
        It is no job folder, or one with faults: a line for each.
    StoreError
        It cannot be unpacked.
    """
    arriving = store.workplace.fresh()
    # A job.toml that does not name its venue takes its folder's name.
    staging = arriving / UNNAMED
    try:
        staging.mkdir(parents=True)
        _unpack(source, staging)
        home = _home(staging)
        job = load_job(home, takes_needed=False)
        carried = _carried(home)
        return _enter(store, home, job, carried)
    except OSError as error:
        raise StoreError(
            f"{store.folder}: the folder could not be unpacked ({error.strerror}). Make room."
        ) from error
    finally:
        shutil.rmtree(arriving, ignore_errors=True)


def _unpack(source: IO[bytes], staging: Path) -> None:
    """Unpack, whatever the archive says about where and how much."""
    try:
        with zipfile.ZipFile(source) as archive:
            entries = [one for one in archive.infolist() if not one.filename.endswith("/")]
            if len(entries) > MAX_FILES:
                raise InputError(f"The zip file holds more than {MAX_FILES} files.")
            left = MAX_FOLDER_BYTES
            if sum(entry.file_size for entry in entries) > left:
                raise InputError(_too_much("The zip file", left))
            for entry in entries:
                if entry.flag_bits & LOCKED:
                    raise InputError("The zip file is locked by a password. Give one without.")
                if entry.compress_type not in METHODS:
                    raise InputError("The zip file is packed in a rare way. Pack it as plain zip.")
                left -= _unpack_one(archive, entry, staging, left)
    except BROKEN as error:
        why = str(error) or "it ends too early"
        raise InputError(f"This is no zip file that can be read ({why}).") from error


def _unpack_one(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, staging: Path, most: int) -> int:
    """Unpack a file, and give its size; what the archive says of that is not believed."""
    shown = ascii(entry.filename[:60])
    target = staging / _inside(entry.filename)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        # A link is unpacked as the text that it is made of: it leads nowhere.
        file = target.open("xb")
    except (FileExistsError, NotADirectoryError) as error:
        # Most disks of Windows and macOS take "Left.wav" and "left.wav" for one.
        raise InputError(
            f"The zip file holds one file twice, or two names that are one on this disk: {shown}. "
            "Rename one, in job.toml too, and pack it again."
        ) from error
    except OSError as error:
        if error.errno in BAD_NAMES:
            raise InputError(
                f"The zip file holds a name that no disk takes: {shown}. Shorten it, and pack "
                "it again."
            ) from error
        raise
    size = 0
    with file, archive.open(entry) as packed:
        while block := packed.read(2**20):
            size += len(block)
            if size > MAX_FILE_BYTES:
                raise InputError(_too_much(f"The file {shown} in the zip file", MAX_FILE_BYTES))
            if size > most:
                raise InputError(_too_much("The zip file", MAX_FOLDER_BYTES))
            file.write(block)
    return size


def _too_much(what: str, most: int) -> str:
    return f"{what} unpacks to over {most // 2**20} MB. Leave out what the visit does not need."


def _inside(name: str) -> Path:
    path = PurePosixPath(name.replace("\\", "/"))
    drive = PureWindowsPath(name).drive
    if path.is_absolute() or ".." in path.parts or drive or not path.parts:
        raise InputError(f"The zip file holds a path that leads out of it: {name[:80]!r}.")
    if (bad := refused("/".join(path.parts))) is not None:
        raise InputError(
            f"The zip file holds a name that Windows does not take: {bad[:60]!a}. Rename that "
            "file, in job.toml too, and pack it again."
        )
    return Path(*path.parts)


def _home(staging: Path) -> Path:
    """Find job.toml: at the top, or in the one folder that was packed as a whole."""
    if (staging / JOB_FILE).is_file():
        return staging
    found = [path.parent for path in staging.glob(f"*/{JOB_FILE}")]
    if len(found) != 1:
        raise InputError(f"There is no {JOB_FILE} in the zip file. Pack a job folder.")
    return found[0]


def _carried(home: Path) -> _CarriedVisit | None:
    path = home / VISIT_FILE
    if not path.is_file():
        return None
    try:
        if path.stat().st_size > MAX_VISIT_BYTES:
            raise InputError("is too large")
        carried = _CarriedVisit.model_validate_json(path.read_bytes())
        check_entries(_own(carried))
        if any(map(leads_out, _files_of(carried))):
            raise InputError("a take lies outside the folder")
    except (ValidationError, InputError) as error:
        # Pydantic's words are for programmers, ours for whoever edited the file.
        why = f" ({error.faults[0].rstrip('.')})" if isinstance(error, InputError) else ""
        raise InputError(
            f"{VISIT_FILE} is not as Evenhall wrote it{why}. Take it out of the folder, and the "
            f"visit is read from {JOB_FILE} alone."
        ) from None
    return carried


def _files_of(carried: _CarriedVisit) -> Iterator[str]:
    for one in carried.takes:
        yield one.take.file
        if one.take.reference_file is not None:
            yield one.take.reference_file


def _own(carried: _CarriedVisit) -> dict[str, Any]:
    """Give the entries that job.toml has no place for; in all else it is right."""
    entries = carried.entries.items()
    return {name: value for name, value in entries if name.partition(".")[0] not in SECTIONS}


def _enter(store: Store, home: Path, job: Job, carried: _CarriedVisit | None) -> int:
    entries: dict[str, Any] = {} if carried is None else _own(carried)
    tables = job.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude_none=True)
    for section in SECTIONS:
        for field, value in tables.get(section, {}).items():
            entries[f"{section}.{field}"] = value
    for name in (JOB_FILE, VISIT_FILE):
        (home / name).unlink(missing_ok=True)  # the store knows what they say, and writes new ones
    return store.take_in(
        home,
        entries=entries,
        takes=list(_takes(job, () if carried is None else carried.takes)),
        made_at=None if carried is None else carried.made_at,
        demo=carried is not None and carried.demo,
    )


def _takes(job: Job, earlier: Sequence[_CarriedTake]) -> Iterator[tuple[Take, str | None, bool]]:
    """Give job.toml's takes in its order, each deleted one behind the take it was made after."""
    kept = {_channel(take) for take in job.takes}
    made = {_channel(one.take): one.made_at for one in earlier}
    gone: dict[tuple[str, int] | None, list[tuple[Take, str, bool]]] = {}
    last: tuple[str, int] | None = None
    for one in earlier:
        key = _channel(one.take)
        if key in kept:
            last = key
        elif one.deleted:
            gone.setdefault(last, []).append((one.take, one.made_at, True))
    yield from gone.get(None, ())
    for take in job.takes:
        key = _channel(take)
        yield take, made.get(key), False
        yield from gone.get(key, ())


def _channel(take: Take) -> tuple[str, int]:
    """Tell a recording from all others of a job, as `job.checks` does."""
    return take.file, take.mic_channel
