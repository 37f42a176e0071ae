"""The sheet of a visit, with what only the visit knows: its date, notes, ticks, first takes."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import TYPE_CHECKING

from evenhall.errors import InputError
from evenhall.job.tune.result import Result
from evenhall.pages.guide import LISTEN, done_before, elements, move_key, skip_key
from evenhall.report.point import Point
from evenhall.report.worklist import DONE, NOT_TONIGHT
from evenhall.visits.visit import Visit, job_of

if TYPE_CHECKING:
    from evenhall.pages.services import Services

__all__ = ["first_result", "notes_of", "print_sheet", "ticked"]

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
    return sheet.render(
        result,
        job_of(visit),
        date=date,
        notes=notes_of(visit),
        ticked=ticked(visit, result),
        first=first_result(services, visit),
        did_before=[Point(one.kind, one.text) for one in visit.did],
    )


def ticked(visit: Visit, result: Result) -> dict[int, str]:
    """Say which moves were done and which not tonight, by their order."""
    done = {
        move.order: DONE
        for move in result.moves
        if visit.value(move_key(move)) or done_before(visit, move)
    }
    skipped = {move.order: NOT_TONIGHT for move in result.moves if visit.value(skip_key(move))}
    return skipped | done


def first_result(services: Services, visit: Visit) -> Result | None:
    """Judge the first round of takes of a visit that has begun them anew; None for others."""
    files = visit.value("first_round") or ()
    takes = tuple(
        replace(one, deleted=False)
        for one in visit.takes
        if one.deleted and one.take.file in files and one.take.side in elements(visit)
    )
    try:
        first = services.judge.result(replace(visit, takes=takes))
    except InputError:
        return None  # they do not fit what the set-out says now: the sheet goes without them
    return first if first.any_usable else None


def notes_of(visit: Visit) -> tuple[tuple[str, str], ...]:
    """Give the notes of a visit, in the order of the walk: where, and what."""
    notes = {
        "For the next visit" if where == ALL else where: text
        for where, text in sorted(
            visit.values("note.").items(),
            key=lambda note: LISTEN.index(note[0]) if note[0] in LISTEN else len(LISTEN),
        )
        if text
    }
    return tuple(notes.items())
