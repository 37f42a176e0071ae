"""The same verdict as parametric sections, for a digital console. Start at `console_card()`.

The sections correct just what the card of faders corrects, in the same loss; and by the error at a
seat the two are held against each other.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.parametric import (
    Parametric,
    SectionSolution,
    SectionsWanted,
    solve_sections,
)
from evenhall.equalizer.sections import Section
from evenhall.equalizer.solver import STOP_DB
from evenhall.hall.label import for_side
from evenhall.verdict.card.estimate import Estimate
from evenhall.verdict.card.faders import Card
from evenhall.verdict.card.loss import seat_error
from evenhall.verdict.card.words import off_target

__all__ = ["ConsoleCard", "console_card"]


@dataclass(frozen=True, eq=False)
class ConsoleCard:
    """Sections to set, and what fewer or more of them would do.

    Parameters
    ----------
    sections : dict of tuple of Section
        For "both", or for each side, as the card of faders has it.
    seat_db : tuple of float
        Error to be expected at a seat with one section, with two, and so on.
    faders_seat_db : float
        The same with the card of faders.
    faders : str
        Which faders those are.
    """

    sections: dict[str, tuple[Section, ...]]
    seat_db: tuple[float, ...]
    faders_seat_db: float
    faders: str

    @property
    def enough(self) -> int | None:
        """How many sections do as well at a seat as the faders; None if none do."""
        return _enough(self.seat_db, self.faders_seat_db)

    @property
    def text(self) -> str:
        """Say how sections and faders compare, in one sentence or two."""
        faders, count = self.faders, len(self.seat_db)
        if self.enough is None:
            return (
                f"With {_sections(count)} seats are {off_target(self.seat_db[-1])}; with {faders}, "
                f"{self.faders_seat_db:.1f} dB."
            )
        verb = "does" if self.enough == 1 else "do"
        text = (
            f"{_sections(self.enough)} {verb} what {faders} do: seats are then "
            f"{off_target(self.seat_db[self.enough - 1])}."
        )
        if self.seat_db[self.enough - 1] - self.seat_db[-1] >= STOP_DB:
            text += f" All {count} would bring that to {self.seat_db[-1]:.1f} dB."
        return text


def _sections(count: int) -> str:
    return f"{count} section{'s' if count > 1 else ''}"


def _enough(seat_db: tuple[float, ...], faders_seat_db: float) -> int | None:
    """Give the fewest that leave less than `STOP_DB` more than the faders."""
    found = (k for k, left in enumerate(seat_db, 1) if left <= faders_seat_db + STOP_DB)
    return next(found, None)


def console_card(card: Card, area: Estimate, supply: Parametric) -> ConsoleCard | None:
    """Solve for the sections of a console what a card was solved for; None where it is flat.

    As few sections as do what the faders do at a seat; all there are where they do less.

    Parameters
    ----------
    area : Estimate
        That it was made of.
    """
    if card.is_flat:
        return None
    # A section may rise where a fader may.
    may_fill = area.low_hz * 0.99 <= NOMINAL_HZ
    found = {
        side: solve_sections(supply, SectionsWanted(wanted.deviation_db, wanted.weight, may_fill))
        for side, wanted in card.wanted.items()
    }

    def with_count(count: int) -> dict[str, SectionSolution]:
        return {side: each[min(count, len(each)) - 1] for side, each in found.items()}

    def seat_with(count: int) -> float:
        some = with_count(count)
        gain_db = {
            side: one.gain_db for side in area.sides_db if (one := for_side(some, side)) is not None
        }
        return seat_error(area, gain_db).expected_db

    most = max(len(each) for each in found.values())
    seat_db = tuple(seat_with(count) for count in range(1, most + 1))
    faders_seat_db = card.seat_after.expected_db
    count, moved = card.unit.fader_count, card.unit.most_moved
    use = with_count(_enough(seat_db, faders_seat_db) or most)
    return ConsoleCard(
        sections={side: each.sections for side, each in use.items()},
        seat_db=seat_db,
        faders_seat_db=faders_seat_db,
        faders=f"the {count} faders" if moved is None else f"{moved} of the {count} faders",
    )
