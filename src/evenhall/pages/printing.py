"""The sheet of a visit, with what only the visit knows: its date, and what was written down."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from evenhall.errors import InputError
from evenhall.pages.views.hand_over import WALK
from evenhall.visits.visit import Visit, job_of

if TYPE_CHECKING:
    from evenhall.pages.services import Services

__all__ = ["notes_of", "print_sheet"]

ALL = "all"  # the note that belongs to no place


def print_sheet(services: Services, visit: Visit) -> bytes:
    """Make the PDF.

    Raises
    ------
    InputError
        There is no take yet, or a figure of the set-out cannot be so.
    """
    from evenhall import sheet

    result = services.result(visit)
    if result is None:
        raise InputError("There is no take yet, and so nothing to print. Make the takes first.")
    made = datetime.datetime.fromisoformat(visit.made_at) if visit.made_at else services.now()
    date = made.astimezone().date()
    return sheet.render(result, job_of(visit), date=date, notes=notes_of(visit))


def notes_of(visit: Visit) -> tuple[tuple[str, str], ...]:
    """Give the notes of a visit, in the order of the walk: where, and what."""
    order = [label for label, _ in WALK]
    notes = {
        "For the next visit" if where == ALL else where: text
        for where, text in sorted(
            visit.values("note.").items(),
            key=lambda note: order.index(note[0]) if note[0] in order else len(order),
        )
        if text
    }
    return tuple(notes.items())
