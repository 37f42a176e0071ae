"""A visit as the store gives it, and the job that it is.

Entry      a thing that was typed, ticked or found out, by its name; see `entries`
StoredTake a recording and what job.toml says of it
Unreadable what an older version or a fault left in the store, and nobody can read
Visit      all of them, with where the files lie
job_of()   the visit as a job; draft_of() as far as it can be read; faults_of() what is wrong
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenhall.errors import InputError
from evenhall.hall.label import TakeLabel
from evenhall.job.folder.checks import Draft, standing_faults
from evenhall.job.folder.model import Job, Take
from evenhall.job.folder.reading import SECTIONS, job_from, read_sections
from evenhall.visits.entries import Did, Gain, LineCheck, hz_of

__all__ = [
    "FILES_BESIDE",
    "Entry",
    "StoredTake",
    "Unreadable",
    "Visit",
    "draft_of",
    "faults_of",
    "job_of",
]

UNNAMED = "Unnamed venue"
# What names a file that goes with the rig from visit to visit.
FILES_BESIDE = ("microphone.calibration", "rig.polar", "equalizer.file", "equalizer.file_right")


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

    @property
    def is_walk(self) -> bool:
        """Whether the microphone was carried through the audience."""
        return TakeLabel.of(self.take).is_walk


@dataclass(frozen=True)
class Unreadable:
    """What stands in the store and is no value of this version; it is shown, and can be deleted.

    Parameters
    ----------
    key : str
        By which it is deleted: "entry:gain", "take:7", "made_at:".
    what : str
        What it is, as a sentence begins.
    """

    key: str
    what: str


@dataclass(frozen=True)
class Visit:
    """One tuning of one rig in one venue.

    Parameters
    ----------
    folder : Path
        Where its recordings lie, laid out as a job folder.
    demo : bool
        Whether its sound device is the simulated hall.
    revision : int
        Rises with every change.
    made_at : str or None
        ISO 8601, UTC; None where it cannot be read.
    takes : tuple of StoredTake
        In the order they were made; the deleted ones too.
    """

    number: int
    folder: Path
    demo: bool
    revision: int
    made_at: str | None
    entries: Mapping[str, Entry]
    takes: tuple[StoredTake, ...]
    unreadable: tuple[Unreadable, ...] = ()

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
        return str(self.value("venue.name") or UNNAMED)

    @property
    def line_check(self) -> LineCheck:
        """How the line check ended; nothing heard where there was none."""
        return LineCheck.model_validate(self.value("line_check") or {})

    @property
    def gain(self) -> Gain:
        """How the microphone's gain was left; without a text where it was not set."""
        return Gain.model_validate(self.value("gain") or {})

    @property
    def did(self) -> tuple[Did, ...]:
        """What hands did before the takes were begun anew, in that order."""
        kept = sorted(
            (entry for name, entry in self.entries.items() if name.startswith("did.")),
            key=lambda entry: entry.revision,
        )
        return tuple(Did.model_validate(one.value) for one in kept if isinstance(one.value, dict))

    def faders(self, side: str) -> dict[float, float]:
        """Where faders of a side stand, dB by Hz; those that nobody set are not there."""
        stands = {hz_of(hz): fader_db for hz, fader_db in self.values(f"fader.{side}.").items()}
        return {
            hz: float(fader_db)
            for hz, fader_db in stands.items()
            if hz is not None and fader_db is not None
        }

    @property
    def kept_takes(self) -> tuple[StoredTake, ...]:
        """Takes that were not deleted."""
        return tuple(one for one in self.takes if not one.deleted)


def draft_of(visit: Visit) -> tuple[Draft, list[str]]:
    """Give the visit as a job as far as it can be read, and a line for what cannot."""
    tables = {
        name: {
            field: value for field, value in visit.values(f"{name}.").items() if value is not None
        }
        for name in SECTIONS
    }
    sections, faults, bad = read_sections({name: one for name, one in tables.items() if one})
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
    draft, faults = draft_of(visit)
    faults += standing_faults(visit.folder, draft, recordings_needed=False)
    return tuple(line.removeprefix("job.toml: ") for line in faults)


def job_of(visit: Visit) -> Job:
    """Give the visit as a job, its takes those that were not deleted.

    Raises
    ------
    InputError
        A figure cannot be so: one line a fault.
    """
    draft, _ = draft_of(visit)
    if faults := faults_of(visit):
        raise InputError(*faults)
    return job_from(draft)
