"""The hall drawing: side view and plan on one scale, from the figures that are set out.

The side view is in `hall_side`, the levels of the rows in `hall_levels`, the plan in `hall_plan`,
what they show in `hall_view`. Start at `draw_hall()`.
"""

from __future__ import annotations

from evenhall.drawing.hall_levels import draw_levels
from evenhall.drawing.hall_marks import key
from evenhall.drawing.hall_plan import draw_plan, draw_way, plan_key
from evenhall.drawing.hall_side import draw_side, side_key
from evenhall.drawing.hall_view import HallView, degrees, frame_of, metres
from evenhall.drawing.svg import UPRIGHT_PX, picture, shorten, text
from evenhall.drawing.theme import PAPER, Theme

__all__ = ["draw_hall", "draw_walk"]

TITLE_SIZE_PX = 18.0
TITLE_HEIGHT_PX = 32.0
GAP_PX = 12.0


def draw_hall(
    view: HallView, *, theme: Theme = PAPER, width_px: float = UPRIGHT_PX, plan: bool = True
) -> str:
    """Draw the hall as SVG.

    Parameters
    ----------
    view : HallView
        What to show. A figure that is None, or cannot be, is left out or drawn open, never an
        error: the drawing follows the typing.
    width_px : float
        Width of the drawing: 718 fills an upright A4 page, 360 a phone.
    plan : bool
        False leaves out the view from above, where there is little room.
    """
    frame = frame_of(view, theme, width_px)
    title = shorten(view.title, size_px=TITLE_SIZE_PX, width_px=width_px - 12)
    heading = text(6, 16, title, size_px=TITLE_SIZE_PX, fill=theme.ink, bold=True)
    aims, y = key(side_key(frame), TITLE_HEIGHT_PX, width_px)
    side, y = draw_side(frame, y)
    levels, y = draw_levels(frame, y)
    parts = [heading, aims, side, levels]
    if plan:
        above, y = draw_plan(frame, y + GAP_PX)
        marks, y = key(plan_key(frame), y, width_px)
        parts += [above, marks]
    return picture(
        *parts,
        width_px=width_px,
        height_px=y + 4,
        title=view.title,
        description=_in_words(frame.view),
        theme=theme,
    )


def draw_walk(view: HallView, *, theme: Theme = PAPER, width_px: float = UPRIGHT_PX) -> str:
    """Draw the hall from above as SVG, with the way of the microphone and a mark at its start.

    The line is of class "way", the mark of class "walker"; whoever moves the mark translates it to
    a place on the line.
    """
    frame = frame_of(view, theme, width_px, right_px=GAP_PX)
    above, y = draw_way(frame, GAP_PX)
    way = view.way
    words = "" if way is None else f" The way is {metres(round(way.length_m))} long."
    return picture(
        above,
        width_px=width_px,
        height_px=y,
        title=f"{view.title}: the way through the rows",
        description=_in_words(frame.view) + words,
        theme=theme,
    )


def _in_words(view: HallView) -> str:
    sizes = (("long", view.length_m), ("wide", view.width_m), ("high", view.height_m))
    known = [f"{metres(size_m)} {word}" for word, size_m in sizes if size_m is not None]
    said = [f"Hall, {', '.join(known)}." if known else "Hall, its sizes not known yet."]
    if view.rows is not None:
        first_m, last_m = view.rows
        said.append(f"Audience from {metres(first_m)} to {metres(last_m)}.")
    for when, stance in (("today", view.today), ("proposed", view.proposed)):
        if stance is not None:
            said.append(f"Loudspeakers {when}: {metres(stance[0])}, {degrees(stance[1])}.")
    for when, levels in (("now", view.rows_now_db), ("proposed", view.rows_proposed_db)):
        if levels:
            said.append(f"First row minus last, {when}: {levels[0] - levels[-1]:.1f} dB.")
    recorded = sum(spot.state == "done" for spot in view.spots)
    if view.spots:
        said.append(f"{recorded} of {len(view.spots)} spots done.")
    said += [
        f"Next: {spot.side} {spot.label}, {metres(spot.along_m)}."
        for spot in view.spots
        if spot.state == "next"
    ]
    if view.playing is not None:
        said.append(f"Playing: {view.playing}.")
    return " ".join(said)
