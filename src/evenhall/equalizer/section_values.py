"""Figures that a person can set: preferred numbers for centre and Q, steps for the gain.

`on_values()` puts a set of sections on them and walks on them until no neighbour is better.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.section_search import Rows, SectionTask
from evenhall.equalizer.sections import KINDS, Section

__all__ = ["on_values"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FINEST_DB = 0.1  # where the console has no steps
LEAST_GAIN = 1e-9  # of the mean square: less is arithmetic
# Preferred numbers of ISO 3: frequencies of R40, twelve to the octave; Q of R20.
R40 = (
    *(100, 106, 112, 118, 125, 132, 140, 150, 160, 170, 180, 190, 200, 212, 224, 236, 250, 265),
    *(280, 300, 315, 335, 355, 375, 400, 425, 450, 475, 500, 530, 560, 600, 630, 670, 710, 750),
    *(800, 850, 900, 950),
)


def on_values(task: SectionTask, rows: Rows) -> tuple[Section, ...]:
    """Put one set on values that can be set, and walk on them until none helps."""
    kinds, figures = rows.kind[0], rows.figures[0]
    values = [_values_of(task, rows, k) for k in range(kinds.size)]
    places = np.array(
        [
            [np.abs(some - figure).argmin() for some, figure in zip(mine, own, strict=True)]
            for mine, own in zip(values, figures, strict=True)
        ]
    )

    def powers(section: int, some: IntArray) -> FloatArray:
        own = np.stack([values[section][f][some[:, f]] for f in range(3)], axis=1)[:, None]
        return task.power(Rows(np.full((len(some), 1), kinds[section]), own, own, own))[:, 0]

    around = np.stack(np.meshgrid([-1, 0, 1], [-1, 0, 1], [-1, 0, 1]), axis=-1).reshape(-1, 3)
    now = np.stack([powers(k, places[[k]])[0] for k in range(kinds.size)])
    least = float(np.square(task.left_db(now.prod(axis=0))) @ task.share)
    while True:
        best: tuple[float, int, IntArray, FloatArray] | None = None
        for k in range(kinds.size):
            some = places[k] + around
            count = np.array([one.size for one in values[k]])
            some = some[((some >= 0) & (some < count)).all(axis=1)]
            each = powers(k, some)
            others = np.delete(now, k, axis=0).prod(axis=0)
            squares = np.square(task.left_db(others * each)) @ task.share
            at = int(squares.argmin())
            if squares[at] < (least if best is None else best[0]) - LEAST_GAIN:
                best = float(squares[at]), k, some[at], each[at]
        if best is None:
            break
        least, k, places[k], now[k] = best
    found = [
        [mine[f][place[f]] for f in range(3)] for mine, place in zip(values, places, strict=True)
    ]
    sections = [
        Section(KINDS[int(kind)], _tidy(np.exp(u)), _tidy(g), _tidy(np.exp(v)))
        for kind, (u, g, v) in zip(kinds, found, strict=True)
        if g
    ]
    return tuple(sorted(sections, key=lambda one: one.centre_hz))


def _tidy(value: float) -> float:
    """Decimal again: 3 * 0.1 is to read 0.3."""
    return float(np.round(value, 6))


def _values_of(task: SectionTask, rows: Rows, section: int) -> tuple[FloatArray, ...]:
    """Log centres, gains and log Q that a section may be set to, within its own bounds."""
    supply = next(
        one for one in task.supply.supplies if KINDS.index(one.kind) == rows.kind[0, section]
    )
    step_db = task.supply.step_db or FINEST_DB
    low, high = rows.low[0, section], rows.high[0, section]
    steps = np.arange(np.ceil(low[1] / step_db - 1e-6), np.floor(high[1] / step_db + 1e-6) + 1)
    every = (
        np.log(_preferred(supply.low_hz, supply.high_hz, R40)),
        steps * step_db,
        np.log(_preferred(supply.lowest_q, supply.highest_q, R40[::2])),
    )
    return tuple(
        _inside(some, *ends) for some, ends in zip(every, zip(low, high, strict=True), strict=True)
    )


def _inside(values: FloatArray, low: float, high: float) -> FloatArray:
    """Values within bounds, or the one nearest to them."""
    inside = values[(values >= low - 1e-9) & (values <= high + 1e-9)]
    return inside if inside.size else values[[np.abs(values - (low + high) / 2.0).argmin()]]


def _preferred(low: float, high: float, series: tuple[int, ...]) -> FloatArray:
    """Preferred numbers from `low` to `high`; the figure itself where it is fixed."""
    decades = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    numbers = np.array([number / 100.0 * 10.0**decade for decade in decades for number in series])
    inside = numbers[(numbers >= low * 0.999) & (numbers <= high * 1.001)]
    return inside if inside.size and low < high else np.array([low])
