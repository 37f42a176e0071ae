"""Polar data of a loudspeaker, read from plain text.

One line a point, four columns with a head: `frequency_hz,plane,angle_deg,level_db`. Plane is h
(to the side) or v (up and down); angles run from the axis, positive to the right as the audience
sees it and towards the floor; where none is negative, both sides are taken to be alike. Every
plane needs the same angles at every frequency, 0 among them. Empty lines and lines that start
with # are passed over. Start at `read_polar()`.
"""

from __future__ import annotations

import math

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.pattern import MeasuredPattern

__all__ = ["read_polar"]

COLUMNS = ("frequency_hz", "plane", "angle_deg", "level_db")
LONGEST_LINE = 1000
SHOWN = 40  # of what stands in a cell
MOST_LINES = 100_000  # 360 degrees by one at 31 bands in two planes are 22 320
MOST_FAULTS = 10
MOST_DB = 120.0

Points = dict[str, dict[float, dict[float, float]]]


def read_polar(text: str, *, name: str) -> MeasuredPattern:
    r"""Read polar data.

    Parameters
    ----------
    name : str
        The file's name, for the lines of faults.

    Raises
    ------
    InputError
        One line a fault, with the number of the line it is in.

    Examples
    --------
    >>> text = "frequency_hz,plane,angle_deg,level_db\n" + "\n".join(
    ...     f"1000,{plane},{angle},{-angle / 15}" for plane in "hv" for angle in (0, 45, 90)
    ... )
    >>> read_polar(text, name="box.csv").off_axis_db(45.0, 0.0, freq_hz=[2000.0]).tolist()
    [-3.0]
    """
    lines = text.lstrip("\ufeff").splitlines()
    if len(lines) > MOST_LINES:
        raise InputError(f"{name}: {len(lines)} lines. Give at most {MOST_LINES}.")
    points: Points = {"h": {}, "v": {}}
    faults: list[str] = []
    head_seen = False
    for number, line in enumerate(lines, 1):
        if len(line) > LONGEST_LINE:
            raise InputError(
                f"{name}, line {number}: has {len(line)} characters. Give {','.join(COLUMNS)}."
            )
        cells = [cell.strip() for cell in line.split(",")]
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        if not head_seen:
            head_seen = True
            if tuple(cell.lower() for cell in cells) != COLUMNS:
                raise InputError(
                    f"{name}, line {number}: the columns are {line.strip()[:60]!r}. "
                    f"Give a first line {','.join(COLUMNS)}."
                )
            continue
        fault = _take(cells, points)
        if fault:
            faults.append(f"{name}, line {number}: {fault}")
    faults = faults or _missing(points, name)
    if len(faults) > MOST_FAULTS:
        faults = [*faults[:MOST_FAULTS], f"{name}: and {len(faults) - MOST_FAULTS} lines more."]
    if faults:
        raise InputError(*faults)
    return _pattern(points)


def _take(cells: list[str], points: Points) -> str | None:
    """Put one line among the points, or say what is wrong with it."""
    if len(cells) != len(COLUMNS):
        return f"{len(cells)} columns. Give {len(COLUMNS)}: {', '.join(COLUMNS)}."
    plane = cells[1].lower()
    if plane not in points:
        return f"plane = {cells[1][:SHOWN]!r}. Give h (to the side) or v (up and down)."
    figures = []
    for column, cell in ((0, cells[0]), (2, cells[2]), (3, cells[3])):
        try:
            figures.append(float(cell))
        except ValueError:
            return f"{COLUMNS[column]} = {cell[:SHOWN]!r} is not a number. Write it as -3.5."
    freq_hz, angle_deg, level_db = figures
    if not 1.0 <= freq_hz <= 100e3:
        return f"frequency_hz = {freq_hz:g}. Give 1 to 100000 Hz."
    if not -180.0 <= angle_deg <= 180.0:
        return f"angle_deg = {angle_deg:g}. Give -180 to 180 degrees from the axis."
    if not (math.isfinite(level_db) and abs(level_db) <= 2 * MOST_DB):
        return f"level_db = {level_db:g}. Give -{2 * MOST_DB:g} to {2 * MOST_DB:g} dB."
    row = points[plane].setdefault(freq_hz, {})
    if angle_deg in row:
        return f"{freq_hz:g} Hz, {plane}, {angle_deg:g} degrees is given twice. Leave one out."
    row[angle_deg] = level_db
    return None


def _missing(points: Points, name: str) -> list[str]:
    faults = []
    for plane, rows in points.items():
        if not rows:
            faults.append(f"{name}: no line for plane {plane}. Give both planes, h and v.")
            continue
        angles = sorted(next(iter(rows.values())))
        if 0.0 not in angles or len(angles) < 2:
            faults.append(f"{name}: plane {plane} has no axis. Give 0 degrees and more angles.")
        faults += [
            f"{name}: plane {plane} has other angles at {freq_hz:g} Hz than at the first "
            "frequency. Give the same at each."
            for freq_hz, row in rows.items()
            if sorted(row) != angles
        ]
    if not faults and sorted(points["h"]) != sorted(points["v"]):
        faults.append(f"{name}: planes h and v have other frequencies. Give the same in both.")
    return faults


def _pattern(points: Points) -> MeasuredPattern:
    freq_hz = sorted(points["h"])
    angles = {plane: sorted(rows[freq_hz[0]]) for plane, rows in points.items()}
    level_db = {
        plane: np.array([[rows[hz][at] - rows[hz][0.0] for at in angles[plane]] for hz in freq_hz])
        for plane, rows in points.items()
    }
    return MeasuredPattern(
        freq_hz=np.array(freq_hz),
        across_deg=np.array(angles["h"]),
        across_db=np.maximum(level_db["h"], -MOST_DB),
        down_deg=np.array(angles["v"]),
        down_db=np.maximum(level_db["v"], -MOST_DB),
    )
