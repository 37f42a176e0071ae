"""The same correction with parametric sections: which, where, how far. Start at `solve_sections()`.

A console gives some peaking sections, and perhaps shelves; a channel strip gives one of each with
most of its figures fixed. `Parametric` says what there is. The solver adds one section after the
other where it helps most, settles all of them together, carries the best few sets on from one count
to the next, and at last puts the best on values that a person can set.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.section_search import (
    Parametric,
    SectionsWanted,
    SectionTask,
    Supply,
    smooth_sections,
)
from evenhall.equalizer.section_values import on_values
from evenhall.equalizer.sections import Section, sections_band_gain_db
from evenhall.equalizer.solver import centred

__all__ = [
    "Parametric",
    "SectionSolution",
    "SectionsWanted",
    "Supply",
    "channel_strip",
    "console",
    "solve_sections",
]

FloatArray = NDArray[np.float64]

SHELF_Q = 0.71  # the steepest shelf without a bump
# A section that lowers the weighted rms by less is left out: it is not worth setting.
EARNS_DB = 0.02


def console(
    count: int,
    *,
    shelves: bool = True,
    reach_hz: tuple[float, float] = (20.0, 20_000.0),
    reach_q: tuple[float, float] = (0.4, 6.0),
    range_db: float = 15.0,
    max_boost_db: float = 6.0,
    step_db: float = 0.5,
) -> Parametric:
    """Sections of a digital console: all may be peaking, one a low and one a high shelf."""
    supplies = [Supply("peaking", count, *reach_hz, *reach_q)]
    if shelves:
        supplies.append(Supply("low-shelf", 1, *reach_hz, SHELF_Q, SHELF_Q))
        supplies.append(Supply("high-shelf", 1, *reach_hz, SHELF_Q, SHELF_Q))
    return Parametric(tuple(supplies), count, range_db, min(max_boost_db, range_db), step_db)


def channel_strip(
    *,
    low_shelf_hz: float = 80.0,
    mid_low_hz: float = 150.0,
    mid_high_hz: float = 3500.0,
    mid_q: float = 0.7,
    high_shelf_hz: float = 12_000.0,
    range_db: float = 15.0,
    max_boost_db: float = 6.0,
    step_db: float = 1.0,
) -> Parametric:
    """Three knobs of an analog channel: two fixed shelves, and a middle that only sweeps."""
    supplies = (
        Supply("low-shelf", 1, low_shelf_hz, low_shelf_hz, SHELF_Q, SHELF_Q),
        Supply("peaking", 1, mid_low_hz, mid_high_hz, mid_q, mid_q),
        Supply("high-shelf", 1, high_shelf_hz, high_shelf_hz, SHELF_Q, SHELF_Q),
    )
    return Parametric(supplies, 3, range_db, min(max_boost_db, range_db), step_db)


@dataclass(frozen=True, eq=False)
class SectionSolution:
    """Sections to set, lowest first, and what they do.

    Parameters
    ----------
    gain_db, after_db : ndarray, shape (31,)
        What they do to each band; deviation plus that, the weighted mean removed.
    rms_before_db, rms_after_db : float
        Weighted, weighted mean removed.
    """

    sections: tuple[Section, ...]
    gain_db: FloatArray
    after_db: FloatArray
    rms_before_db: float
    rms_after_db: float


def solve_sections(supply: Parametric, wanted: SectionsWanted) -> tuple[SectionSolution, ...]:
    """Give the best that one section does, and two, and so on to all there are.

    Returns
    -------
    tuple of SectionSolution
        Each with as many sections as its place tells, or fewer where one more earns less than
        `EARNS_DB`; a single one without sections where none helps.

    Notes
    -----
    Centres stand on the numbers of ISO 3's series R40, Q on R20, gains on the step.
    """
    assert np.all(np.isfinite(wanted.deviation_db)), "every band has an estimate"
    assert wanted.weight.sum() > 0, "some band counts"
    task = SectionTask(supply, wanted)
    found = [_solution(on_values(task, rows), wanted) for rows in smooth_sections(task)]
    return tuple(_no_worse(found)) or (_solution((), wanted),)


def _no_worse(found: list[SectionSolution]) -> Iterator[SectionSolution]:
    """With more sections, never a worse solution, nor one for next to nothing."""
    best: SectionSolution | None = None
    for one in found:
        if best is None or one.rms_after_db < best.rms_after_db - EARNS_DB:
            best = one
        yield best


def _solution(sections: tuple[Section, ...], wanted: SectionsWanted) -> SectionSolution:
    gain_db = sections_band_gain_db(sections)
    _, rms_before_db = centred(wanted.deviation_db, wanted.weight)
    after_db, rms_after_db = centred(wanted.deviation_db + gain_db, wanted.weight)
    return SectionSolution(sections, gain_db, after_db, rms_before_db, rms_after_db)
