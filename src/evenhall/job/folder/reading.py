"""The job folder: its job.toml read, checked and written.

Start at `load_job()`. The models are in `model.py`, the words for a wrong field in `faults.py`,
what fields must keep between them and on the disk in `checks.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from evenhall.errors import InputError, StoreError
from evenhall.job.folder.checks import Draft, bad_fields, standing_faults
from evenhall.job.folder.faults import MOST_FAULTS, did_you_mean, read_section, shown
from evenhall.job.folder.model import (
    MOST_TAKES,
    Audience,
    Console,
    Crossover,
    Equalizer,
    Job,
    Microphone,
    Reference,
    Rig,
    Strip,
    Take,
    Talker,
    Target,
    Venue,
)
from evenhall.job.folder.tomlfile import MAX_BYTES, read_toml

__all__ = [
    "JOB_FILE",
    "TAKES_FOLDER",
    "Audience",
    "Equalizer",
    "Job",
    "Microphone",
    "Reference",
    "Rig",
    "Take",
    "Target",
    "Venue",
    "dump_job",
    "job_from",
    "load_job",
    "parse_job",
    "read_sections",
]

JOB_FILE = "job.toml"
TAKES_FOLDER = "takes"
MOST_LINES = 100  # of faults

SECTIONS: dict[str, type[BaseModel]] = {
    "venue": Venue,
    "audience": Audience,
    "rig": Rig,
    "equalizer": Equalizer,
    "console": Console,
    "strip": Strip,
    "crossover": Crossover,
    "target": Target,
    "microphone": Microphone,
    "reference": Reference,
    "talker": Talker,
}
# What is not there unless it is given.
OPTIONAL = ("reference", "talker", "console", "strip", "crossover")
FIRST_STEPS = "Give at least [equalizer] and one [[take]] for each recording."


def load_job(folder: Path, *, takes_needed: bool = True) -> Job:
    """Read the job folder and check all that can be checked without opening a sound file.

    Parameters
    ----------
    folder : Path
        Holds job.toml; every file that it names lies inside.
    takes_needed : bool
        Whether a job without takes is at fault.

    Raises
    ------
    InputError
        Anything is wrong: one line a fault, all faults at once.
    StoreError
        job.toml cannot be read.
    """
    if folder.is_file():
        raise InputError(f"{folder}: is a file. Give the folder that holds {JOB_FILE}.")
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder. Give the folder that holds {JOB_FILE}.")
    path = folder / JOB_FILE
    if not path.is_file():
        raise InputError(f"{path}: is missing. A job folder holds a {JOB_FILE}.")
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise StoreError(f"{path}: cannot be read ({error.strerror}).") from error
    if len(raw) > MAX_BYTES:
        raise InputError(f"{path}: is larger than a {JOB_FILE} can be. Give a text file.")
    return parse_job(raw, folder=folder, takes_needed=takes_needed)


def parse_job(raw: bytes, *, folder: Path, takes_needed: bool = True) -> Job:
    """Make the job of the bytes of a job.toml that lies in `folder`; see `load_job()`."""
    tables = read_toml(raw, name=JOB_FILE)
    if not tables:
        raise InputError(f"{JOB_FILE}: is empty. {FIRST_STEPS}")
    draft, faults = _draft(
        tables, default_name=folder.resolve().name or "Job", takes_needed=takes_needed
    )
    faults += standing_faults(folder, draft)
    if faults:
        raise InputError(*_at_most(faults))
    return job_from(draft)


def _at_most(faults: list[str]) -> list[str]:
    """Leave out what nobody reads any more."""
    if len(faults) <= MOST_LINES:
        return faults
    return [*faults[:MOST_LINES], f"{JOB_FILE}: {len(faults) - MOST_LINES} faults more."]


def job_from(draft: Draft) -> Job:
    """Make the job of sections and takes that are known to be without fault."""
    assert draft.venue is not None
    takes = tuple(take for take in draft.takes if take is not None)
    return Job(
        venue=draft.venue,
        audience=draft.audience,
        rig=draft.rig.with_sides_of(takes),
        equalizer=draft.equalizer,
        console=draft.console,
        strip=draft.strip,
        crossover=draft.crossover,
        target=draft.target,
        microphone=draft.microphone,
        reference=draft.reference,
        talker=draft.talker,
        takes=takes,
    )


def dump_job(job: Job) -> str:
    """Text of a job.toml that gives `job` again; fields that were never set are left out."""
    import tomlkit

    tables = job.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude_none=True)
    # The takes go last, as a person would write them.
    tables["take"] = tables.pop("take")
    return tomlkit.dumps(tables)


def read_sections(
    tables: Mapping[str, Any], *, where: str = ""
) -> tuple[dict[str, Any], list[str], set[str]]:
    """Read a table a section: the models, a line a fault, and the fields that could not be read.

    A section that need not be there and is not is left out; any other has its defaults.
    """
    sections: dict[str, Any] = {}
    faults: list[str] = []
    bad: set[str] = set()
    for name, model in SECTIONS.items():
        if name in OPTIONAL and name not in tables:
            continue
        reading = read_section(f"{where}[{name}]", model, tables.get(name, {}))
        if reading.section is not None:
            sections[name] = reading.section
        faults += reading.faults
        bad |= bad_fields(name, reading.bad)
    return sections, faults, bad


def _draft(
    tables: Mapping[str, Any], *, default_name: str, takes_needed: bool
) -> tuple[Draft, list[str]]:
    strange = [name for name in SECTIONS if not isinstance(tables.get(name, {}), dict)]
    faults = _stray(tables)
    faults += [f"{JOB_FILE}: {_not_a_section(name, tables[name])}" for name in strange]
    given = {name: table for name, table in tables.items() if name not in strange}
    given["venue"] = {"name": default_name, **given.get("venue", {})}
    sections, lines, bad = read_sections(given, where=f"{JOB_FILE}: ")
    faults += lines
    for name in strange:
        bad |= bad_fields(name, SECTIONS[name].model_fields)

    takes, take_names = [], []
    for number, table in enumerate(_take_tables(tables, faults, needed=takes_needed), 1):
        file = table.get("file")
        where = f"[[take]] {number}" + (f" ({shown(file)[1:-1]})" if isinstance(file, str) else "")
        reading = read_section(f"{JOB_FILE}: {where}", Take, table)
        takes.append(reading.section)
        take_names.append(where)
        faults += reading.faults
        bad |= bad_fields(where, reading.bad)
    draft = Draft(
        **sections,
        has_reference="reference" in tables,
        takes=tuple(takes),
        take_names=tuple(take_names),
        bad=frozenset(bad),
    )
    return draft, faults


def _stray(tables: Mapping[str, Any]) -> list[str]:
    """Lines about what stands at the top of job.toml and does not belong there."""
    faults = []
    stray = [name for name in tables if name not in SECTIONS and name != "take"]
    for name in stray[:MOST_FAULTS]:
        value = tables[name]
        home = [section for section, model in SECTIONS.items() if name in model.model_fields]
        if isinstance(value, (dict, list)) and not home:
            near = did_you_mean(name, [*SECTIONS, "take"], form="[{}]").replace(
                "[take]", "[[take]]"
            )
            faults.append(f"{JOB_FILE}: there is no section [{name}]. {near}")
        elif home:
            faults.append(
                f"{JOB_FILE}: {name} = {shown(value)} stands in no section. "
                f"Move it below [{home[0]}]."
            )
        else:
            every = {field for model in SECTIONS.values() for field in model.model_fields}
            faults.append(
                f"{JOB_FILE}: {name} = {shown(value)} is not known and stands in no section. "
                f"{did_you_mean(name, sorted(every))}"
            )
    if len(stray) > MOST_FAULTS:
        faults.append(f"{JOB_FILE}: {len(stray) - MOST_FAULTS} more like these.")
    return faults


def _not_a_section(name: str, value: Any) -> str:
    if isinstance(value, list):
        return f"[[{name}]] is written with one pair of brackets, and once. Write [{name}]."
    return f"{name} = {shown(value)} is not a section. Write [{name}], and its fields below."


def _take_tables(
    tables: Mapping[str, Any], faults: list[str], *, needed: bool
) -> list[dict[str, Any]]:
    """Take the tables of the takes; what is no list of them becomes a fault."""
    takes = tables.get("take", [])
    if isinstance(takes, dict):
        faults.append(f"{JOB_FILE}: [take] is written with two pairs of brackets: [[take]].")
        return [takes]
    if not isinstance(takes, list) or not all(isinstance(take, dict) for take in takes):
        faults.append(f"{JOB_FILE}: take = {shown(takes)} is not allowed. Write [[take]].")
        return []
    if len(takes) > MOST_TAKES:
        # Said at once, before each is looked at.
        raise InputError(
            f"{JOB_FILE}: there are {len(takes)} [[take]]. Give at most {MOST_TAKES}: the takes of "
            "one visit."
        )
    if not takes and needed:
        faults.append(f"{JOB_FILE}: there is no [[take]]. Give one for each recording.")
    return takes
