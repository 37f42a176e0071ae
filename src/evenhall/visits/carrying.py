"""The job folder of a visit, out of the store and into it again, as one zip file.

    write_folder()   job.toml, the recordings, and visit.json with what job.toml has no place for
    read_folder()    a visit out of any job folder, with visit.json or without

Nothing is lost on the way: notes, ticks and deleted takes are in visit.json. Where the two files
disagree job.toml is right, as it is the one that people edit.
"""

from __future__ import annotations

import shutil
import uuid
import zipfile
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import IO, Any

import tomlkit
from pydantic import BaseModel, ConfigDict, ValidationError

from evenhall.errors import InputError, StoreError
from evenhall.job.folder import JOB_FILE, SECTIONS, load_job
from evenhall.job.model import Job, Take
from evenhall.visits.store import Store
from evenhall.visits.visit import Visit, check_entry

__all__ = ["MAX_FILES", "MAX_FOLDER_BYTES", "VISIT_FILE", "job_toml", "read_folder", "write_folder"]

VISIT_FILE = "visit.json"
# Forty takes of ten minutes in two channels of 24 bit at 96 kHz are more than anyone brings.
MAX_FOLDER_BYTES = 4 * 2**30
MAX_FILES = 5000


class _CarriedTake(BaseModel):
    model_config = ConfigDict(frozen=True)
    take: Take
    made_at: str
    deleted: bool


class _CarriedVisit(BaseModel):
    """visit.json: what job.toml has no place for."""

    model_config = ConfigDict(frozen=True)
    schema_: int = 1
    made_at: str
    entries: dict[str, Any]
    takes: tuple[_CarriedTake, ...]


def job_toml(visit: Visit) -> str:
    """Text of the visit's job.toml; whatever was typed stands there, whether it can be or not."""
    tables: dict[str, Any] = {}
    for section in SECTIONS:
        given = visit.values(f"{section}.")
        if table := {field: value for field, value in given.items() if value is not None}:
            tables[section] = table
    tables["take"] = [
        one.take.model_dump(mode="json", exclude_unset=True, exclude_none=True)
        for one in visit.kept_takes
    ]
    return tomlkit.dumps(tables)


def write_folder(visit: Visit, out: IO[bytes]) -> None:
    """Write the visit's job folder as a zip file.

    Raises
    ------
    StoreError
        A recording cannot be read, or the file not written.
    """
    carried = _CarriedVisit(
        made_at=visit.made_at,
        entries={name: entry.value for name, entry in visit.entries.items()},
        takes=tuple(
            _CarriedTake(take=one.take, made_at=one.made_at, deleted=one.deleted)
            for one in visit.takes
        ),
    )
    try:
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            archive.writestr(JOB_FILE, job_toml(visit))
            archive.writestr(VISIT_FILE, carried.model_dump_json(indent=1, exclude_unset=False))
            for path in _files(visit.folder):
                archive.write(path, path.relative_to(visit.folder).as_posix())
    except OSError as error:
        raise StoreError(f"{visit.folder}: could not be packed ({error.strerror}).") from error


def _files(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.rglob("*")):
        part = path.name.endswith(".part") or path.name.startswith(".")
        if path.is_file() and not path.is_symlink() and not part:
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
    staging = store.folder / "arriving" / uuid.uuid4().hex
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
        shutil.rmtree(staging, ignore_errors=True)


def _unpack(source: IO[bytes], staging: Path) -> None:
    """Unpack, whatever the archive says about where and how much."""
    try:
        with zipfile.ZipFile(source) as archive:
            entries = [one for one in archive.infolist() if not one.is_dir()]
            if len(entries) > MAX_FILES:
                raise InputError(f"The zip file holds more than {MAX_FILES} files.")
            left = MAX_FOLDER_BYTES
            for entry in entries:
                target = staging / _inside(entry.filename)
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(entry) as packed, target.open("xb") as file:
                    while block := packed.read(2**20):
                        left -= len(block)
                        if left < 0:
                            raise InputError(
                                f"The zip file unpacks to over {MAX_FOLDER_BYTES // 2**30} GiB."
                            )
                        file.write(block)
    except (zipfile.BadZipFile, zipfile.LargeZipFile, EOFError, NotImplementedError) as error:
        raise InputError(f"This is no zip file that can be read ({error}).") from error
    except RuntimeError as error:  # what zipfile raises at an encrypted one
        raise InputError("The zip file is locked by a password. Give one without.") from error
    except FileExistsError as error:
        raise InputError("The zip file holds one file twice.") from error


def _inside(name: str) -> Path:
    path = PurePosixPath(name.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or ":" in name or not path.parts:
        raise InputError(f"The zip file holds a path that leads out of it: {name[:80]!r}.")
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
        carried = _CarriedVisit.model_validate_json(path.read_bytes())
    except ValidationError:
        raise InputError(
            f"{VISIT_FILE} is not as Evenhall wrote it. Take it out of the folder, and the visit "
            f"is read from {JOB_FILE} alone."
        ) from None
    for name, value in carried.entries.items():
        check_entry(name, value)
    return carried


def _enter(store: Store, home: Path, job: Job, carried: _CarriedVisit | None) -> int:
    entries: dict[str, Any] = {}
    if carried is not None:
        own = carried.entries.items()
        entries = {name: value for name, value in own if name.split(".")[0] not in SECTIONS}
    tables = job.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude_none=True)
    for section in SECTIONS:
        for field, value in tables.get(section, {}).items():
            entries[f"{section}.{field}"] = value
    for name in (JOB_FILE, VISIT_FILE):
        (home / name).unlink(missing_ok=True)  # the store knows what they say, and writes new ones
    earlier = () if carried is None else carried.takes
    made = {one.take.file: one.made_at for one in earlier}
    files = {take.file for take in job.takes}
    gone = [one for one in earlier if one.deleted and one.take.file not in files]
    return store.take_in(
        home,
        entries=entries,
        takes=[(take, made.get(take.file), False) for take in job.takes]
        + [(one.take, one.made_at, True) for one in gone],
        made_at=None if carried is None else carried.made_at,
    )
