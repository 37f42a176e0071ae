"""A visit as the store gives it, and the job that it is.

Entry      a thing that was typed, ticked or found out, by its name
StoredTake a recording and what job.toml says of it
Visit      both, with where the files lie
job_of()   the visit as a job; faults_of() what is wrong with it as a whole
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from evenhall.errors import InputError
from evenhall.job.checks import Draft, bad_fields, standing_faults
from evenhall.job.faults import did_you_mean, read_section, shown
from evenhall.job.folder import OPTIONAL, SECTIONS, job_from
from evenhall.job.model import Job, Take

__all__ = [
    "FILES_BESIDE",
    "Entry",
    "StoredTake",
    "Visit",
    "check_entry",
    "faults_of",
    "field_model",
    "job_of",
]

MAX_TEXT = 4000  # characters of a note: two pages of it
MAX_NAME = 200
HIGHEST = 1e6  # what no fader, row or metre reaches

# What names a file that goes with the rig from visit to visit.
FILES_BESIDE = ("microphone.calibration", "rig.polar", "equalizer.file", "equalizer.file_right")
# Names outside the sections of job.toml, and what they hold. A name with a dot at its end is
# followed by what it is about: "tick.raise", "fader.left.1000".
OWN_ENTRIES: dict[str, type] = {
    "spots": list,  # {"label", "along_m"}, front to back
    "rack_name": str,  # what the unit in the rack is kept by
    "sound_check": str,  # ISO 8601, with its offset
    "line_check": dict,
    "gain": dict,
    "warned": bool,
    "hands": dict,  # what hands have changed that job.toml has no figure for
    "tick.": bool,
    "skip.": bool,
    "fader.": float,
    "walk.": bool,
    "note.": str,
}


@dataclass(frozen=True)
class Entry:
    """A value and its revision: 0 and None where there is none yet."""

    value: Any = None
    revision: int = 0


@dataclass(frozen=True)
class StoredTake:
    """A recording of a visit.

    Parameters
    ----------
    number : int
        Its own in the store.
    take : Take
        Its [[take]] in job.toml.
    made_at : str
        ISO 8601, UTC.
    deleted : bool
        Taken out of the visit; its recording stays, so that it can be brought back.
    """

    number: int
    take: Take
    made_at: str
    deleted: bool


@dataclass(frozen=True)
class Visit:
    """One tuning of one rig in one venue.

    Parameters
    ----------
    number : int
    folder : Path
        Where its recordings lie, laid out as a job folder.
    demo : bool
        Whether its sound device is the simulated hall.
    revision : int
        Rises with every change.
    made_at : str
        ISO 8601, UTC.
    entries : mapping of str to Entry
    takes : tuple of StoredTake
        In the order they were made; the deleted ones too.
    """

    number: int
    folder: Path
    demo: bool
    revision: int
    made_at: str
    entries: Mapping[str, Entry]
    takes: tuple[StoredTake, ...]

    def value(self, name: str) -> Any:
        """Value of an entry, None where there is none."""
        return self.entries.get(name, Entry()).value

    def values(self, start: str) -> dict[str, Any]:
        """Values of all entries whose name begins so, by the rest of their name."""
        return {
            name.removeprefix(start): entry.value
            for name, entry in self.entries.items()
            if name.startswith(start)
        }

    @property
    def name(self) -> str:
        """Name of the venue."""
        return str(self.value("venue.name"))

    @property
    def kept_takes(self) -> tuple[StoredTake, ...]:
        """Takes that were not deleted."""
        return tuple(one for one in self.takes if not one.deleted)


def field_model(name: str) -> tuple[type[BaseModel], str] | None:
    """Section model and field that an entry's name stands for; None for names of our own."""
    section, _, field = name.partition(".")
    model = SECTIONS.get(section)
    return None if model is None or not field else (model, field)


def check_entry(name: str, value: Any) -> None:
    """Refuse an entry that is none.

    Raises
    ------
    InputError
        There is no such thing, or the value is not allowed there; one line.
    """
    _check_text(name, value)
    found = field_model(name)
    if found is not None:
        model, field = found
        if field not in model.model_fields:
            raise InputError(f"There is no {name}. {did_you_mean(field, model.model_fields)}")
        if value is None and name != "venue.name":
            return
        # Without its name a venue would be at fault for that, not for this field.
        beside = {"name": "-", "file": "-"} if field not in ("name", "file") else {}
        beside = {key: text for key, text in beside.items() if key in model.model_fields}
        given = {} if value is None else {field: value}
        reading = read_section("", model, {**beside, **given})
        if reading.faults:
            raise InputError(*(line.removeprefix(" ") for line in reading.faults))
        return
    kind = next(
        (
            kind
            for own, kind in OWN_ENTRIES.items()
            if (name.startswith(own) and name != own if own.endswith(".") else name == own)
        ),
        None,
    )
    if kind is None or len(name) > MAX_NAME:
        raise InputError(f"There is no entry called {name[:60]!r}.")
    if value is None:
        return
    number_ok = kind is float and isinstance(value, int) and not isinstance(value, bool)
    if not (isinstance(value, kind) or number_ok):
        raise InputError(f"{name} does not take {type(value).__name__}.")
    if isinstance(value, str) and len(value) > MAX_TEXT:
        raise InputError(f"{name} is longer than {MAX_TEXT} characters. Shorten it.")
    if kind is float and not -HIGHEST <= value <= HIGHEST:
        raise InputError(f"{name} is out of range. Give a number such as -2.5.")
    if name == "spots":
        _check_spots(value)
    if name == "sound_check":
        _check_time(value)


def _check_text(name: str, value: Any) -> None:
    """Refuse what the store or a zip file could not hold: NaN, half a character, an object."""
    try:
        (name + json.dumps(value, allow_nan=False, ensure_ascii=False)).encode()
    except (TypeError, ValueError, RecursionError):
        raise InputError(
            f"{ascii(name)[1:-1][:60]} holds something that cannot be kept. Type it again."
        ) from None


def _check_time(text: str) -> None:
    try:
        has_offset = datetime.datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        has_offset = False
    if not has_offset:
        raise InputError(
            f"sound_check = {shown(text)} is no time. Give date, time and offset, such as "
            '"2026-05-02T18:30+02:00".'
        )


def _check_spots(spots: list[Any]) -> None:
    if not 1 <= len(spots) <= 12:
        raise InputError("Give 1 to 12 spots.")
    for spot in spots:
        fits = isinstance(spot, dict) and set(spot) == {"label", "along_m"}
        if not fits or not isinstance(spot["label"], str) or not spot["label"].strip():
            raise InputError("A spot has a label and a distance, along_m.")
        along_m, label = spot["along_m"], spot["label"]
        # A take at that spot must be able to bear its name.
        named = read_section("", Take, {"file": "-", "side": "-", "spot": label})
        if named.faults:
            raise InputError(*(line.removeprefix(" ") for line in named.faults))
        if isinstance(along_m, bool) or not isinstance(along_m, (int, float)):
            raise InputError(f"The distance of {label} is no number. Give metres.")
        if not 0.1 <= along_m <= 300.0:
            raise InputError(
                f"{label}: {shown(along_m)} m is too near or too far. Give 0.1 to 300 metres."
            )
    labels = [spot["label"] for spot in spots]
    if len(set(labels)) < len(labels):
        raise InputError("Two spots have one name. Give each its own.")


def _draft(visit: Visit) -> tuple[Draft, list[str]]:
    sections: dict[str, Any] = {}
    faults: list[str] = []
    bad: set[str] = set()
    for name, model in SECTIONS.items():
        given = visit.values(f"{name}.")
        table = {field: value for field, value in given.items() if value is not None}
        if name in OPTIONAL and not table:
            continue
        reading = read_section(f"[{name}]", model, table)
        faults += reading.faults
        bad |= bad_fields(name, reading.bad)
        if reading.section is not None:
            sections[name] = reading.section
    takes = tuple(one.take for one in visit.kept_takes)
    draft = Draft(
        **sections,
        has_reference="reference" in sections,
        takes=takes,
        take_names=tuple(take.file for take in takes),
        bad=frozenset(bad),
    )
    return draft, faults


def faults_of(visit: Visit) -> tuple[str, ...]:
    """Lines about what cannot be so: rows past the end of the room, a stand through the ceiling."""
    draft, faults = _draft(visit)
    faults += standing_faults(visit.folder, draft)
    return tuple(line.removeprefix("job.toml: ") for line in faults)


def job_of(visit: Visit) -> Job:
    """Give the visit as a job, its takes those that were not deleted.

    Raises
    ------
    InputError
        A figure cannot be so: one line a fault.
    """
    draft, _ = _draft(visit)
    if faults := faults_of(visit):
        raise InputError(*faults)
    return job_from(draft)
