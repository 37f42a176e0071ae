"""A channel strip and a graphic unit together: `solve_jointly()`.

The strip first, as its few knobs do what is broad; then the faders for what it leaves; then each
again with the other standing, as long as that brings something.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.graphic import GraphicUnit
from evenhall.equalizer.parametric import Parametric, SectionsWanted, solve_sections
from evenhall.equalizer.sections import Section, sections_band_gain_db
from evenhall.equalizer.solver import EARNS_DB, Solution, Wanted, solve

__all__ = ["Together", "solve_jointly"]

TURNS = 4


@dataclass(frozen=True, eq=False)
class Together:
    """What both do.

    Parameters
    ----------
    sections : tuple of Section
        Of the strip; empty where it brings nothing.
    solution : Solution
        Of the faders, for what the strip leaves.
    """

    sections: tuple[Section, ...]
    solution: Solution


def solve_jointly(
    strip: Parametric, unit: GraphicUnit, wanted: Wanted, may_fill: NDArray[np.bool_]
) -> Together:
    """Settle a strip and the faders behind it for one correction.

    Parameters
    ----------
    strip : Parametric
    unit : GraphicUnit
    wanted : Wanted
        As for the faders alone.
    may_fill : ndarray of bool, shape (31,)
        Bands in which the strip may boost.

    Returns
    -------
    Together
        Never worse than the faders alone; without sections where they bring nothing.
    """
    best = Together((), solve(unit, wanted))
    faders_db = np.zeros_like(wanted.deviation_db)
    for _ in range(TURNS):
        rest_db = wanted.deviation_db + faders_db
        sections = solve_sections(strip, SectionsWanted(rest_db, wanted.weight, may_fill))[-1]
        strip_db = sections_band_gain_db(sections.sections)
        solution = solve(
            unit, Wanted(wanted.deviation_db + strip_db, wanted.weight, wanted.may_boost)
        )
        if not _cheaper(solution, best.solution):
            break
        best, faders_db = Together(sections.sections, solution), solution.gain_db
    return best


def _cheaper(new: Solution, old: Solution) -> bool:
    """Whether less is left, or as little with less to do: a fader counts as the solver has it."""
    return bool(_cost_db(new) < _cost_db(old) - 1e-6)


def _cost_db(one: Solution) -> float:
    rms_db = one.rms_after_db if np.isfinite(one.rms_after_db) else 0.0
    return rms_db + EARNS_DB * np.count_nonzero(one.fader_db)
