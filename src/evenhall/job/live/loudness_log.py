"""The log of how loud it was: a CSV file with a row a second, to hand over. Start at `LoudnessLog`.

Each row is on the disk once its second is over, so that a computer that is cut off loses the second
under way; who starts again with the same file goes on where it ended.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.level import db_from_power, power_from_db
from evenhall.acoustics.loudness import Second
from evenhall.disk import sync_file, sync_folder
from evenhall.errors import InputError, StoreError
from evenhall.verdict.loudness import Loudness

__all__ = ["COLUMNS", "LoudnessLog", "Past", "past_of", "power_of"]

COLUMNS = (
    "time",
    "LAF dB(A)",
    "LCF dB(C)",
    "LAeq 1 s dB(A)",
    "LCeq 1 s dB(C)",
    "LC peak dB(C)",
    "LAeq 1 min dB(A)",
    "LAeq 15 min dB(A)",
    "LAeq 60 min dB(A)",
    "LAeq since start dB(A)",
    "audience limit used %",
    "work limit used %",
    "note",
)
TIME, LEQ_1_S, PEAK = 0, 3, 5
HEAD = ",".join(COLUMNS)
MOST_BYTES = 100_000_000  # ten days of rows
# After so long a break it is another event, and counted from its own start.
OTHER_EVENT_S = 12 * 3600.0


@dataclass(frozen=True)
class Past:
    """What a log holds of the event that goes on.

    Parameters
    ----------
    leq_db : ndarray, shape (n_seconds,)
        LAeq of each second from the first row to now; nan where nothing was heard.
    peak_db : float
        Highest C-weighted peak.
    """

    leq_db: NDArray[np.float64]
    peak_db: float

    @property
    def heard_s(self) -> int:
        """How many seconds were heard."""
        return int(np.isfinite(self.leq_db).sum())


def past_of(path: Path, now: datetime) -> Past | None:
    """Read what a log holds; None where there is none, or it is of another event.

    Raises
    ------
    InputError
        The file is no log, or too large.
    StoreError
        It cannot be read.
    """
    try:
        if not path.exists():
            return None
        if path.stat().st_size > MOST_BYTES:
            raise InputError(f"{path}: is larger than 100 MB. Begin another log.")
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError as error:
        raise StoreError(f"{path}: could not be read ({error.strerror}).") from error
    if HEAD not in lines:
        raise InputError(
            f"{path}: is no loudness log, and nothing is written to it. Give another name."
        )
    rows = [row for row in map(_row, csv.reader(lines)) if row is not None]
    if not rows:
        return None
    times_s, leq_db, peaks_db = np.array(rows).T
    gaps_s = np.diff(times_s, append=now.timestamp())
    if gaps_s[-1] > OTHER_EVENT_S:
        return None
    breaks = np.flatnonzero(gaps_s > OTHER_EVENT_S)
    first = breaks[-1] + 1 if breaks.size else 0
    # A row and the seconds after it of which there is none.
    missing = np.maximum(np.rint(gaps_s[first:]).astype(int) - 1, 0)
    at = np.arange(missing.size) + np.append(0, np.cumsum(missing[:-1]))
    whole = np.full(missing.size + missing.sum(), np.nan)
    whole[at] = leq_db[first:]
    return Past(whole, float(peaks_db[first:].max()))


def _row(cells: Sequence[str]) -> tuple[float, float, float] | None:
    """Time and levels of a row; None of a remark, of the head, and of what a power cut left."""
    if len(cells) != len(COLUMNS):
        return None
    try:
        time_s = datetime.fromisoformat(cells[TIME]).timestamp()
        leq_db, peak_db = float(cells[LEQ_1_S]), float(cells[PEAK])
    except (ValueError, OverflowError):
        return None
    return (time_s, leq_db, peak_db) if leq_db < np.inf and peak_db < np.inf else None


class LoudnessLog:
    """A log that is open: `with LoudnessLog(path, remarks) as log:`.

    Parameters
    ----------
    path : Path
        Made where there is none; else it goes on.
    remarks : sequence of str
        What the levels rest on, in front of the rows.
    lasting : bool
        Whether each row is seen on to the disk, which costs some milliseconds.

    Raises
    ------
    StoreError
        It cannot be written.
    """

    def __init__(self, path: Path, remarks: Sequence[str], *, lasting: bool = True) -> None:
        self._path, self._remarks, self._lasting = path, remarks, lasting

    def __enter__(self) -> Self:
        try:
            new = not self._path.exists()
            self._file = self._path.open("ab+")
            self._cut_torn_row()
            lines = [f"# {remark}" for remark in self._remarks]
            self._write("\n".join([*lines, HEAD] if new else lines))
            if new:
                sync_folder(self._path.absolute().parent)
        except OSError as error:
            raise self._fault(error) from error
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def add(
        self, time: str, second: Second, loudness: Loudness, *, offset_db: float, note: str
    ) -> None:
        """Add a row.

        Parameters
        ----------
        time : str
            When the second ended.
        offset_db : float
            What makes the second's levels those at the place.
        """
        powers = (second.a_fast, second.c_fast, second.a_power, second.c_power, second.c_peak)
        figures = [
            *(offset_db + db_from_power(powers)),
            loudness.leq_1_db,
            loudness.leq_15_db,
            loudness.leq_60_db,
            loudness.leq_db,
        ]
        doses = (100.0 * loudness.audience_dose, 100.0 * loudness.work_dose)
        cells = [time, *(f"{one:.2f}" for one in figures), *(f"{one:.1f}" for one in doses), note]
        try:
            self._write(",".join(cells))
        except OSError as error:
            raise self._fault(error) from error

    def _write(self, text: str) -> None:
        self._file.write(f"{text}\n".encode())
        if self._lasting:
            self._file.flush()
            sync_file(self._file.fileno())

    def _cut_torn_row(self) -> None:
        """Take off what has no end of line: a row that was being written in a power cut."""
        size = self._file.seek(0, 2)
        start = max(size - 4096, 0)
        self._file.seek(start)
        tail = self._file.read()
        self._file.truncate(start + tail.rfind(b"\n") + 1)

    def _fault(self, error: OSError) -> StoreError:
        return StoreError(f"{self._path}: the log could not be written ({error.strerror}).")


def power_of(past: Past, offset_db: float) -> NDArray[np.float64]:
    """Turn levels of a log back to power re a full-scale sine."""
    return power_from_db(past.leq_db - offset_db)
