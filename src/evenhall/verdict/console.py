"""The same verdict as parametric sections, for a digital console. Start at `console_card()`.

The sections correct just what the card of faders corrects, with the same weights and in the same
bands; so the two may be held against each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.parametric import (
    Parametric,
    SectionSolution,
    SectionsWanted,
    solve_sections,
)
from evenhall.equalizer.sections import Section
from evenhall.verdict.card import Card
from evenhall.verdict.estimate import Estimate
from evenhall.verdict.loss import weighted_rms_db

__all__ = ["ConsoleCard", "console_card"]

FloatArray = NDArray[np.float64]

# What nobody hears: with no more left than that, the sections do what the faders do.
AS_GOOD_DB = 0.2


@dataclass(frozen=True, eq=False)
class ConsoleCard:
    """Sections to set, and what fewer of them would do.

    Parameters
    ----------
    sections : dict of tuple of Section
        For "both", or for each side, as the card of faders has it.
    rms_db : tuple of float
        Left with one section, with two, and so on: weighted, over all sides and the loudspeakers'
        range.
    faders_rms_db : float
        Left with the card of faders, in the same way.
    faders : str
        Which faders those are.
    """

    sections: dict[str, tuple[Section, ...]]
    rms_db: tuple[float, ...]
    faders_rms_db: float
    faders: str

    @property
    def enough(self) -> int | None:
        """With how many sections as little is left as with the faders; None if with none."""
        found = (
            k for k, rms in enumerate(self.rms_db, 1) if rms <= self.faders_rms_db + AS_GOOD_DB
        )
        return next(found, None)

    @property
    def text(self) -> str:
        """Say how sections and faders compare, in one sentence."""
        faders = self.faders
        if self.enough is not None:
            many = "1 section does" if self.enough == 1 else f"{self.enough} sections do"
            text = f"{many} what {faders} do: {self.rms_db[self.enough - 1]:.1f} dB are left."
            more = f" All {len(self.rms_db)} leave {self.rms_db[-1]:.1f} dB."
            return text + more if self.rms_db[-1] < self.rms_db[self.enough - 1] else text
        count = len(self.rms_db)
        return (
            f"{count} section{'s leave' if count > 1 else ' leaves'} {self.rms_db[-1]:.1f} dB, "
            f"{faders} {self.faders_rms_db:.1f} dB."
        )


def console_card(card: Card, area: Estimate, supply: Parametric) -> ConsoleCard | None:
    """Solve for the sections of a console what a card was solved for; None where it is flat.

    Parameters
    ----------
    card : Card
    area : Estimate
        That it was made of.
    supply : Parametric
    """
    if card.is_flat:
        return None
    found = {
        side: solve_sections(
            supply, SectionsWanted(wanted.deviation_db, wanted.weight, area.in_range)
        )
        for side, wanted in card.wanted.items()
    }
    most = max(len(each) for each in found.values())
    count, moved = card.unit.fader_count, card.unit.most_moved
    weight = card.weight * area.in_range

    def with_count(each: tuple[SectionSolution, ...], count: int) -> SectionSolution:
        return each[min(count, len(each)) - 1]

    def left_db(gain_db: Mapping[str, FloatArray]) -> float:
        left = (one.deviation_db + gain_db[side] for side, one in card.wanted.items())
        return _mean_rms_db([weighted_rms_db(one, weight) for one in left])

    rms_db = tuple(
        left_db({side: with_count(each, count).gain_db for side, each in found.items()})
        for count in range(1, most + 1)
    )
    return ConsoleCard(
        sections={side: each[-1].sections for side, each in found.items()},
        rms_db=rms_db,
        faders_rms_db=left_db({side: card.gain_db(side) for side in card.wanted}),
        faders=f"the {count} faders" if moved is None else f"{moved} of the {count} faders",
    )


def _mean_rms_db(each: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(each))))
