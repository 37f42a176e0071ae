"""The sheet of a visit, with what only the visit knows: its date, notes, ticks, first takes."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import TYPE_CHECKING

from evenhall.errors import InputError
from evenhall.job.tune.result import Result
from evenhall.pages.guide import elements, move_key, skip_key
from evenhall.pages.views.hand_over import WALK
from evenhall.report.worklist import DONE, NOT_TONIGHT
from evenhall.visits.visit import StoredTake, Visit, job_of

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
    )


def ticked(visit: Visit, result: Result) -> dict[int, str]:
    """Say which moves were done and which not tonight, by their order."""
    done = {move.order: DONE for move in result.moves if visit.value(move_key(move))}
    skipped = {move.order: NOT_TONIGHT for move in result.moves if visit.value(skip_key(move))}
    return skipped | done


def first_result(services: Services, visit: Visit) -> Result | None:
    """Judge the earliest takes of a visit whose takes were begun anew; None where they were not.

    Those are older than any that is kept, and of all that was taken again; of each element at each
    spot the first that is usable counts.
    """
    kept = [one for one in visit.kept_takes if one.take.state == "before"]
    since = min((one.number for one in kept), default=0)
    names = elements(visit)
    earliest = [
        replace(one, deleted=False)
        for one in visit.takes
        if one.deleted
        and one.take.state == "before"
        and one.take.at == "audience"
        and one.take.side in names
        and one.number < since
    ]
    if not earliest:
        return None
    try:
        judged = services.judge.result(replace(visit, takes=tuple(earliest)))
        usable = {take.file for take in judged.takes if take.usable}
        first: dict[tuple[str, str, bool], StoredTake] = {}
        for one in earliest:
            if one.take.file in usable:
                first.setdefault(_place(one), one)
        # A few that were taken again for a slip tell no first state.
        if not {_place(one) for one in kept if one.take.at == "audience"} <= first.keys():
            return None
        return services.judge.result(replace(visit, takes=tuple(first.values())))
    except InputError:
        return None  # they do not fit what the set-out says now: the sheet goes without them


def _place(one: StoredTake) -> tuple[str, str, bool]:
    return one.take.side, one.take.spot, one.take.with_subs


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
