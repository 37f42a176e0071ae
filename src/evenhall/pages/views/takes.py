"""Takes: which comes next, how it goes, and whether it is good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evenhall.job.tune.result import Result
from evenhall.pages.guide import (
    NO_RESULT,
    Spot,
    WantedTake,
    elements,
    feeds_subs,
    mains_of,
    spots,
    wanted_takes,
    wants_gain,
)
from evenhall.pages.recovering import Recovered, recovered
from evenhall.pages.views.frame import Drawing, Frame
from evenhall.pages.views.hall import hall_drawing, spot_state
from evenhall.pages.views.walk import Walk, WalkNow, walk_now, walk_of
from evenhall.visits.visit import StoredTake, Visit

__all__ = ["TakesPage", "takes_page"]


@dataclass(frozen=True)
class TakeRow:
    """A take that the visit needs, and how it stands."""

    wanted: WantedTake
    state: str  # "done", "next", "again", "open"
    problems: tuple[str, ...]  # of the one that was made


@dataclass(frozen=True)
class TakesPage:
    """Takes: which comes next, how it goes, and whether it is good."""

    frame: Frame
    state: str
    rows: tuple[TakeRow, ...]
    walk_rows: tuple[TakeRow, ...]
    following: WantedTake | None
    drawing: Drawing
    others: tuple[StoredTake, ...]
    deleted: tuple[StoredTake, ...]
    gain: str
    gain_holds: bool
    gain_first: bool
    sides: tuple[str, ...]
    along: tuple[str, ...]  # sides that the subs can play along with
    spots: tuple[Spot, ...]
    stimulus: str
    recovered: tuple[Recovered, ...]
    walk: Walk | None
    walking: WalkNow | None


def takes_page(visit: Visit, result: Result | None, frame: Frame, *, state: str) -> TakesPage:
    """Make the page of the takes of one state, "before" or "after"."""
    takes = wanted_takes(visit, result, state)
    following = next((one for one in takes if not one.usable), None)
    problems = {
        take.file: tuple(one.text for one in take.problems) for take in (result or NO_RESULT).takes
    }
    counted = {one.take.number for one in takes if one.take is not None}
    playing = frame.playing
    sounds = playing.side if playing.visit == visit.number and playing.busy else None
    walk = walk_of(visit, result, state, ready=following is None)

    def rows(takes: Sequence[WantedTake], following: WantedTake | None) -> tuple[TakeRow, ...]:
        return tuple(
            TakeRow(
                one,
                spot_state(one, following),
                problems.get(one.take.take.file, ()) if one.take else (),
            )
            for one in takes
        )

    return TakesPage(
        frame=frame,
        state=state,
        rows=rows(takes, following),
        walk_rows=() if walk is None else rows(walk.takes, walk.following),
        following=following,
        drawing=hall_drawing(visit, result, state=state, playing=sounds or None),
        others=tuple(
            one
            for one in visit.kept_takes
            if one.take.state == state
            and one.take.at != "cable"
            and not one.is_walk
            and one.number not in counted
        ),
        deleted=tuple(one for one in visit.takes if one.deleted and one.take.state == state),
        gain=visit.gain.text,
        gain_holds=visit.gain.turn == "hold",
        gain_first=state == "before" and wants_gain(visit, result),
        sides=elements(visit),
        along=mains_of(visit) if feeds_subs(visit) else (),
        spots=spots(visit),
        stimulus=visit.value("reference.file") or "",
        recovered=() if playing.busy else recovered(visit),
        walk=walk,
        walking=walk_now(visit, playing),
    )
