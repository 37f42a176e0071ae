"""Takes that were recorded and not entered, as the program was ended between the two.

`recovered()` says which element and spot they are, by their names; `enter()` enters one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import get_args

from evenhall.errors import InputError
from evenhall.hall.label import WALK, State, TakeLabel
from evenhall.job.folder.adding import take_stem
from evenhall.job.folder.model import Take as JobTake
from evenhall.pages.guide import elements, feeds_subs, mains_of, spots
from evenhall.visits.judging import Judge
from evenhall.visits.orphans import orphans
from evenhall.visits.store import Store
from evenhall.visits.visit import Visit

__all__ = ["Recovered", "enter", "recovered"]


@dataclass(frozen=True, kw_only=True)
class Recovered(TakeLabel):
    """A recording that no take names, and what its own name says of it."""

    file: str
    reference_file: str | None


def recovered(visit: Visit) -> tuple[Recovered, ...]:
    """List the recordings of a visit that can be entered as takes of it.

    Ask when nothing sounds: a take that is being made has no entry yet.
    """
    mains, alone = mains_of(visit), (False,)
    ways = (False, True) if feeds_subs(visit) else alone
    places = [spot.label for spot in spots(visit)]
    labels = [
        TakeLabel(side=side, spot=spot, state=state, with_subs=with_subs)
        for side in elements(visit)
        for with_subs in (ways if side in mains else alone)
        for spot in (*places, *([WALK] if side in mains else []))
        for state in get_args(State)
    ]
    stems = {take_stem(label): vars(label) for label in labels}
    found = []
    for orphan in orphans(visit):
        stem = re.sub(r"-\d+$", "", PurePosixPath(orphan.file).stem)
        if stem in stems:
            found.append(
                Recovered(file=orphan.file, reference_file=orphan.reference_file, **stems[stem])
            )
    return tuple(found)


def enter(store: Store, judge: Judge, number: int, file: str) -> None:
    """Enter a recording as the take that it is; measured first, as every page will ask for it.

    Raises
    ------
    InputError
        There is no such recording to enter, or a figure of the set-out cannot be so.
    """
    visit = store.visit(number)
    found = {one.file: one for one in recovered(visit)}.get(file)
    if found is None:
        raise InputError(f"There is no recording {file[:80]!r} that could be entered.")
    take = JobTake(
        file=found.file,
        reference_channel=None if found.reference_file else 2,
        reference_file=found.reference_file,
        **vars(found.label),
    )
    judge.take(visit, take)
    store.add_take(number, take)
