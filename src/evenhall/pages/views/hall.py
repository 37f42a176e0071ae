"""The hall, drawn with its spots. Start at `hall_drawing()`."""

from __future__ import annotations

from dataclasses import dataclass, replace

from evenhall.drawing import HallSpot, draw_hall
from evenhall.hall.stance_words import NOT_WORTH, STAY
from evenhall.job.tune.planning import talker_lines
from evenhall.job.tune.result import Result
from evenhall.pages.fields import in_plain_words
from evenhall.pages.guide import NO_RESULT, WantedTake, wanted_takes
from evenhall.pages.views.frame import Drawing, drawn
from evenhall.report.views import hall_view, stance_of
from evenhall.report.worklist import whole_text
from evenhall.visits.visit import Visit, draft_of, job_of

__all__ = ["HallForecast", "hall_drawing", "hall_forecast", "spot_state"]

WIDTH_PX = 420.0  # legible on a phone, where it is a little smaller, and beside a form


@dataclass(frozen=True)
class HallForecast:
    """The hall as drawn, and what hands could do for it in sentences."""

    drawing: Drawing
    lines: tuple[str, ...]
    faults: tuple[str, ...] = ()
    asked: str = ""  # what it does without until it is typed in


# Figures that only moves of the mains' stance, the question for their height, and what would help
# beyond them, have.
OF_THE_HALL = ("front_minus_back_db", "row_spread_db", "seat_gain_db")
WANTED = (
    "How even the rows are, and what a ladder, a tilt or a turn would bring, is forecast here once "
    "both rows and the height of the loudspeakers are known."
)
NO_HEIGHT = "No advice on height is given until you type in the highest your stands allow."


def hall_forecast(
    visit: Visit, result: Result | None, *, faults: tuple[str, ...] = (), marked: bool = False
) -> HallForecast:
    """Draw the hall and say what hands could do.

    Without a result where a figure cannot be so, as `faults` say; `marked` as for
    `hall_drawing()`.
    """
    lines: list[str] = []
    if result is not None:
        lines = [
            whole_text(move)
            for move in result.moves
            if any(name in move.expected for name in OF_THE_HALL)
        ]
        if not lines:
            lines = [f"{STAY}: {NOT_WORTH}." if result.rows else WANTED]
        lines += talker_lines(job_of(visit), visit.folder)
    return HallForecast(
        hall_drawing(visit, result, marked=marked),
        tuple(lines),
        tuple(map(in_plain_words, faults)),
        NO_HEIGHT if visit.value("rig.max_height_m") is None else "",
    )


def spot_state(one: WantedTake, following: WantedTake | None) -> str:
    """Say how a spot is marked."""
    if one is following:
        return "next"
    if one.usable:
        return "done"
    return "again" if one.take is not None else "open"


def _place(one: WantedTake) -> tuple[str, str]:
    return ("" if one.shared else one.side, one.spot)


def hall_drawing(
    visit: Visit,
    result: Result | None,
    *,
    state: str = "before",
    playing: str | None = None,
    marked: bool = True,
    with_spots: bool = True,
) -> Drawing:
    """Draw the hall with its spots; `marked` shows which are done and which is next."""
    takes = wanted_takes(visit, result, state)
    following = next((one for one in takes if not one.usable), None) if marked else None
    # A place that is wanted more than once is marked for what is to be done there next.
    shown = {_place(one): one for one in reversed(takes)}
    shown |= {_place(one): one for one in reversed(takes) if not one.usable}
    known = result or NO_RESULT
    draft, _ = draft_of(visit)
    view = replace(
        hall_view(draft, stance_of(known), known.rows),
        title=visit.name,
        spots=tuple(
            HallSpot(
                one.spot,
                one.side,
                one.along_m,
                spot_state(one, following) if marked else "open",
                between=one.shared,
            )
            for one in takes
            if one is shown[_place(one)] and one.along_m is not None and with_spots
        ),
        playing=playing,
    )
    return drawn(
        "The hall from the side and from above",
        lambda theme: draw_hall(view, theme=theme, width_px=WIDTH_PX),
    )
