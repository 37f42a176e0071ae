"""A channel strip and a graphic unit together: `solve_jointly()`.

The strip first, as its few knobs do what is broad; then the faders for what it leaves; then each
again with the other standing, as long as that brings something. The strip only cuts: raising with
it too brings next to nothing (bench/sections.py), and a shelf raises what lies beyond the range.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenhall.equalizer.graphic import GraphicUnit
from evenhall.equalizer.parametric import Parametric, SectionsWanted, solve_sections
from evenhall.equalizer.sections import Section, sections_band_gain_db
from evenhall.equalizer.solver import Solution, Wanted, solve

__all__ = ["Together", "solve_jointly"]

TURNS = 4
FADER_DB = 0.005  # what a fader that is moved must earn
TRAVEL = 0.002  # dB a dB of any knob


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

    @property
    def cost_db(self) -> float:
        """What is left, and a price for each fader and for each dB: they are not to fight."""
        rms_db = self.solution.rms_after_db
        moved = np.count_nonzero(self.solution.fader_db)
        travel_db = np.abs(self.solution.fader_db).sum()
        travel_db += sum(abs(one.gain_db) for one in self.sections)
        return float(rms_db + FADER_DB * moved + TRAVEL * travel_db)


def solve_jointly(strip: Parametric, unit: GraphicUnit, wanted: Wanted) -> Together:
    """Settle a strip and the faders behind it for one correction.

    Parameters
    ----------
    wanted : Wanted
        As for the faders alone.

    Returns
    -------
    Together
        Never worse than the faders alone; without sections where they bring nothing.
    """
    nowhere = np.zeros(wanted.weight.size, dtype=bool)
    best = Together((), solve(unit, wanted))
    faders_db = np.zeros_like(wanted.deviation_db)
    for _ in range(TURNS):
        rest_db = wanted.deviation_db + faders_db
        sections = solve_sections(strip, SectionsWanted(rest_db, wanted.weight, nowhere))[-1]
        strip_db = sections_band_gain_db(sections.sections)
        solution = solve(unit, replace(wanted, deviation_db=wanted.deviation_db + strip_db))
        then = Together(sections.sections, solution)
        if then.cost_db >= best.cost_db - 1e-6:
            break
        best, faders_db = then, solution.gain_db
    return best
