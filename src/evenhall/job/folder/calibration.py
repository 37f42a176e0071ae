"""The microphone's calibration file: frequency in Hz, deviation in dB, a pair a line."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenhall.errors import InputError
from evenhall.job.folder.textfile import read_text

__all__ = ["parse_calibration", "read_calibration"]

MAX_DEVIATION_DB = 60.0  # no microphone strays that far; a phase column mistaken for dB does
HIGHEST_HZ = 1e6
MOST_LINES = 120_000  # a point a Hz to 100 kHz, and a head
LONGEST_LINE = 1000  # two numbers and what else an instrument writes beside them
MAX_FAULTS = 5

# A line of data starts with a number, perhaps signed or quoted; all else is header or comment.
DATA = re.compile(r'\s*"?[-+−]?\.?\d')
COMMA_NUMBERS = re.compile(r"[-+]?\d+(,\d+)?(\s+[-+]?\d+(,\d+)?)+")
DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")


def read_calibration(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Read a calibration file.

    Returns
    -------
    freq_hz, deviation_db : ndarray, shape (n_points,)
        Frequencies that rise, and what the microphone adds there.

    Raises
    ------
    InputError
        One line a fault, with the file's name and the line's number.
    StoreError
        The file cannot be read.
    """
    return parse_calibration(read_text(path, kind="a calibration file"), name=path.name)


def parse_calibration(text: str, *, name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    r"""Parse the text of a calibration file called `name`; see `read_calibration()`.

    Columns may be parted by spaces, tabs, semicolons or commas. A comma is taken for the
    decimal point where something else parts the columns.

    Examples
    --------
    >>> freq_hz, deviation_db = parse_calibration("Hz dB\n20 -1.5 0\n1000 0 0", name="mic.txt")
    >>> freq_hz.tolist(), deviation_db.tolist()
    ([20.0, 1000.0], [-1.5, 0.0])
    """
    points: list[tuple[float, float]] = []
    faults: list[str] = []
    lines = text.splitlines()
    if len(lines) > MOST_LINES:
        raise InputError(f"{name}: has {len(lines)} lines. Give at most {MOST_LINES}.")
    for number, line in enumerate(lines, 1):
        if len(line) > LONGEST_LINE:
            raise InputError(
                f"{name}, line {number}: has {len(line)} characters. Give a frequency in Hz and a "
                "deviation in dB on each line."
            )
        if not DATA.match(line):
            continue
        where = f"{name}, line {number}"
        point = _point(line)
        if point is None and not points:
            continue  # still the header: a date, a serial number
        if point is None:
            faults.append(
                f"{where}: {line.strip()[:40]!r} is not a frequency in Hz and a deviation in dB."
            )
            continue
        freq_hz, deviation_db = point
        if not freq_hz > 0:
            faults.append(f"{where}: the frequency {freq_hz:g} is not above 0 Hz.")
        elif freq_hz > HIGHEST_HZ:
            faults.append(f"{where}: the frequency {freq_hz:g} is above {HIGHEST_HZ:g} Hz.")
        elif not abs(deviation_db) <= MAX_DEVIATION_DB:
            faults.append(f"{where}: the deviation {deviation_db:g} dB is not within +-60 dB.")
        elif points and freq_hz <= points[-1][0]:
            faults.append(
                f"{where}: {freq_hz:g} Hz does not rise above the {points[-1][0]:g} Hz before it. "
                "Sort the lines by frequency, each once."
            )
        else:
            points.append(point)
    if not faults and len(points) < 2:
        faults.append(
            f"{name}: holds {len(points)} calibration points. Give at least two lines, "
            "each a frequency in Hz and a deviation in dB."
        )
    if faults:
        more = [f"{name}: {len(faults) - MAX_FAULTS} more such lines."]
        raise InputError(*faults[:MAX_FAULTS], *(more if len(faults) > MAX_FAULTS else []))
    freq, deviation = np.array(points, dtype=np.float64).T
    return freq, deviation


def _point(line: str) -> tuple[float, float] | None:
    """First two numbers of a line, or None where they are not two numbers."""
    line = line.replace('"', " ").replace("−", "-").strip()
    if ";" in line or "\t" in line:
        columns = [column for column in re.split(r"[;\t]", line) if column.strip()]
        line = " ".join(column.strip() for column in columns)
        line = DECIMAL_COMMA.sub(".", line)
    elif COMMA_NUMBERS.fullmatch(line):
        line = line.replace(",", ".")  # spaces part the columns: the comma is a decimal one
    columns = line.replace(",", " ").split()
    try:
        return float(columns[0]), float(columns[1])
    except (IndexError, ValueError):
        return None
