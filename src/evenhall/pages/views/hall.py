"""The hall, drawn with its spots. Start at `hall_drawing()`."""

from __future__ import annotations

from typing import Any

from evenhall.drawing import HallSpot, HallView, draw_hall
from evenhall.job.result import Result
from evenhall.pages.guide import WantedTake, elements, wanted_takes
from evenhall.pages.views.frame import Drawing, drawn
from evenhall.visits.visit import Visit

__all__ = ["hall_drawing", "proposed", "spot_state"]

WIDTH_PX = 420.0  # legible on a phone, where it is a little smaller, and beside a form


def spot_state(one: WantedTake, following: WantedTake | None) -> str:
    """Say how a spot is marked."""
    if one is following:
        return "next"
    if one.usable:
        return "done"
    return "again" if one.take is not None else "open"


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
    stance = proposed(result)
    view = HallView(
        title=visit.name,
        length_m=visit.value("venue.length_m"),
        width_m=visit.value("venue.width_m"),
        height_m=visit.value("venue.height_m"),
        first_row_m=visit.value("audience.first_row_m"),
        last_row_m=visit.value("audience.last_row_m"),
        ear_height_m=visit.value("audience.ear_height_m") or 1.2,
        sides=elements(visit),
        speaker_height_m=visit.value("rig.speaker_height_m"),
        speaker_down_deg=visit.value("rig.speaker_down_deg") or 0.0,
        coverage_h_deg=visit.value("rig.coverage_h_deg") or 90.0,
        coverage_v_deg=visit.value("rig.coverage_v_deg") or 60.0,
        max_height_m=visit.value("rig.max_height_m"),
        proposed_height_m=stance.get("speaker_height_m"),
        proposed_down_deg=stance.get("speaker_down_deg"),
        spots=tuple(
            HallSpot(
                one.spot,
                one.side,
                one.along_m,
                spot_state(one, following) if marked else "open",
            )
            for one in takes
            if one.along_m is not None and with_spots
        ),
        playing=playing,
    )
    return drawn(
        "The hall from the side and from above",
        lambda theme: draw_hall(view, theme=theme, width_px=WIDTH_PX),
    )


def proposed(result: Result | None) -> dict[str, Any]:
    """Give the height and tilt that the worklist proposes, by the names of their figures."""
    figures: dict[str, Any] = {}
    for move in () if result is None else result.moves:
        if move.kind in ("raise", "aim"):
            figures |= move.to
    return figures
