"""The walk through the rows: what it would bring, how each side's stands, and the one under way."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from evenhall.drawing import draw_walk
from evenhall.errors import InputError
from evenhall.hall.label import BOTH
from evenhall.hall.path import WalkPath
from evenhall.job.live.taking import way_of
from evenhall.job.tune.result import Forecast, Result
from evenhall.pages.guide import WantedTake, walks
from evenhall.pages.playing import Playing
from evenhall.pages.views.frame import Drawing, drawn
from evenhall.report.views import hall_view
from evenhall.verdict.worklist import WALK_WORTH_DB
from evenhall.visits.visit import StoredTake, Visit, draft_of, job_of
from evenhall.words import count_text

__all__ = ["Walk", "WalkNow", "walk_now", "walk_of", "walked_line"]

UNKNOWN_ROWS = "Type in the first and the last row, then walk them."
WALK_AGAIN = "The rows were walked before the work: walk them again and the proof covers them all."
WALKED_AGAIN = "Walked: the proof covers the rows."


WIDTH_PX = 350.0  # legible at arm's length on a phone


@dataclass(frozen=True)
class Walk:
    """The walks of one state, "before" or "after"."""

    title: str
    sentence: str  # what one would bring, or has brought
    takes: tuple[WantedTake, ...]  # none where nobody can walk
    following: WantedTake | None
    others: tuple[StoredTake, ...]


@dataclass(frozen=True)
class WalkNow:
    """The walk that is under way: the plan with its way, and what the mark on it follows."""

    drawing: Drawing
    stand: str
    figures: dict[str, Any]


def walk_of(visit: Visit, result: Result | None, state: str, *, ready: bool) -> Walk | None:
    """Offer the walk, once the spots are taken (`ready`) and where it is worth it.

    None where it is not offered and none was made.
    """
    takes = walks(visit, result, state)
    counted = {one.take.number for one in takes if one.take is not None}
    made = [
        one
        for one in visit.kept_takes
        if one.is_walk and (one.take.state, one.take.at) == (state, "audience")
    ]
    way = _way(visit)
    sentence = _sentence(visit, result, state, way, made=bool(made))
    if not made and not (ready and sentence):
        return None
    title = "Walk the rows"
    if way is not None:
        title += f": {way.length_s:.0f} s" + (" a side" if len(takes) > 1 else "")
    shown = takes if way is not None or made else ()
    return Walk(
        title=title,
        sentence=sentence,
        takes=shown,
        # A walk with both sides at once is as good as one a side.
        following=None
        if any(one.take.side == BOTH for one in made)
        else next((one for one in shown if not one.usable), None),
        others=tuple(one for one in made if one.number not in counted),
    )


def _sentence(
    visit: Visit, result: Result | None, state: str, way: WalkPath | None, *, made: bool
) -> str:
    if way is None and not made:
        return UNKNOWN_ROWS
    if state == "after" and any(one.usable for one in walks(visit, result, "before")):
        walked = any(one.usable for one in walks(visit, result, "after"))
        return WALKED_AGAIN if walked else WALK_AGAIN
    forecast = None if result is None else result.forecast
    if forecast is None or way is None:
        return ""
    return walked_line(forecast) or _promise(forecast, len(walks(visit, result, state)), way)


def _promise(forecast: Forecast, sides: int, way: WalkPath) -> str:
    """Say what a walk would bring; empty where that is too little to send anybody."""
    was_db, then_db = forecast.seat_doubt_db, forecast.seat_doubt_walked_db
    if was_db is None or then_db is None or was_db - then_db < WALK_WORTH_DB:
        return ""
    minutes = max(1, round(sides * way.length_s / 60.0))
    takes = "a minute" if minutes == 1 else f"{count_text(minutes)} minutes"
    return (
        f"With a walk each seat is known give or take {then_db:.1f} dB (now {was_db:.1f}). "
        f"It takes {takes}."
    )


def walked_line(forecast: Forecast | None) -> str:
    """Say what doubt a walk has left; empty where none was made."""
    if forecast is None or forecast.seat_doubt_db is None:
        return ""
    if forecast.seat_doubt_walked_db is not None:
        return ""
    was_db = forecast.seat_doubt_spots_db
    was = "" if was_db is None else f" ({was_db:.1f} by the spots)"
    return f"Walked: each seat is known give or take {forecast.seat_doubt_db:.1f} dB{was}."


def _way(visit: Visit) -> WalkPath | None:
    try:
        return way_of(job_of(visit))
    except InputError:
        return None  # the frame says what cannot be so


def walk_now(visit: Visit, playing: Playing) -> WalkNow | None:
    """Show the walk that is under way in a visit; None where there is none."""
    if playing.visit != visit.number or not playing.busy or not playing.is_walk:
        return None
    walking = playing.walking
    way = _way(visit) if walking is None else walking.path
    draft, _ = draft_of(visit)
    view = replace(
        hall_view(draft, {}, ()), title=visit.name, playing=playing.side or None, way=way
    )
    title = "The hall from above, with the way through the rows"
    aisle = "one" if way is None else "the left" if way.corner_m[0, 1] < 0.0 else "the right"
    figures: dict[str, Any] = {"legs": [] if way is None else way.legs}
    if walking is not None:
        figures |= {"from_s": walking.from_s, "to_s": walking.to_s}
    return WalkNow(
        drawn(title, lambda theme: draw_walk(view, theme=theme, width_px=WIDTH_PX)),
        f"Stand at the front of {aisle} aisle.",
        figures,
    )
