"""The figures around a side view: heights in the gutter, distances under the floor.

`draw_heights()` leads each height to where it is true, `draw_distances()` names spots and rows.
"""

from __future__ import annotations

from evenhall.drawing.hall_marks import STATE_WORDS, Label, dimension, label_row
from evenhall.drawing.hall_view import Frame, HallView, lettering, metres
from evenhall.drawing.svg import group, path, spread

__all__ = ["LEVEL_STEP_PX", "draw_distances", "draw_heights", "heights_of", "places_of"]

LEVEL_STEP_PX = 13.0  # between two heights in the gutter
UNDER_FLOOR_PX = 11.0
# What is said of several loudspeakers at one distance: the most urgent.
URGENCY = ("next", "again", "open", "done")


def heights_of(frame: Frame) -> list[tuple[float, str, bool, str]]:
    """Heights to letter in the gutter: metres, colour, bold, and what a reader is told."""
    view, theme = frame.view, frame.theme
    found = [(view.ear_height_m, theme.muted, False, "Ears")]
    if view.height_m is not None:
        found.append((view.height_m, theme.muted, False, "Ceiling"))
    if view.today is not None:
        found.append((view.today[0], theme.ink, True, "Loudspeakers today"))
    if view.proposed is not None and (view.today is None or view.proposed[0] != view.today[0]):
        found.append((view.proposed[0], frame.proposal, True, "Loudspeakers as proposed"))
    return found


def draw_heights(frame: Frame, floor_px: float, ceiling_px: float) -> str:
    """Heights in the gutter, each led to where it is true."""
    found = heights_of(frame)
    true_px = [floor_px - height_m * frame.per_m for height_m, *_ in found]
    placed_px = spread(
        true_px,
        [LEVEL_STEP_PX] * len(found),
        low=ceiling_px - LEVEL_STEP_PX / 2,
        high=floor_px + LEVEL_STEP_PX / 2,
    )
    drawn = []
    for (height_m, colour, bold, whose), y, at_px in zip(found, true_px, placed_px, strict=True):
        edge = frame.x(0)
        lead = [[(edge - 11, at_px), (edge - 7, at_px), (edge - 1, y)]]
        drawn.append(
            group(
                path(lead, stroke=colour, fill="none"),
                lettering(edge - 14, at_px, metres(height_m), colour, bold=bold, anchor="end"),
                title=f"{whose}: {metres(height_m)} above the audience floor.",
                class_="level",
            )
        )
    return group(*drawn, class_="levels")


def places_of(view: HallView) -> list[tuple[str, float, str, str]]:
    """Each place once, front to back: names, distance, most urgent state, all states."""
    by_place: dict[float, list[int]] = {}
    for at, spot in enumerate(view.spots):
        by_place.setdefault(round(spot.along_m, 2), []).append(at)
    places = []
    for along_m, found in sorted(by_place.items()):
        spots = [view.spots[at] for at in found]
        names = "/".join(dict.fromkeys(spot.label for spot in spots))
        states = {spot.state for spot in spots}
        worst = next((state for state in URGENCY if state in states), "open")
        said = ", ".join(f"{spot.side} {STATE_WORDS.get(spot.state, spot.state)}" for spot in spots)
        places.append((names, along_m, worst, said))
    return places


def draw_distances(frame: Frame, floor_px: float) -> tuple[str, float]:
    """Under the floor the names of the spots, then the rows; and where that ends."""
    view, theme = frame.view, frame.theme
    drawn, y = [], floor_px + UNDER_FLOOR_PX
    low, high = 4.0, frame.width_px - 4
    places = [
        Label(frame.x(along_m), names, metres(along_m)) for names, along_m, *_ in places_of(view)
    ]
    if places:
        row, y = label_row(places, y, low=low, high=high, fill=theme.ink)
        drawn.append(row)
    rows = [
        Label(frame.x(row_m), name, metres(row_m))
        for row_m, name in ((view.first_row_m, "first row"), (view.last_row_m, "last row"))
        if row_m is not None
    ]
    if rows:
        ends = [row.at_px for row in rows]
        ticks = [(min(ends), y)]
        drawn.append(dimension((frame.x(0), y), (max(ends), y), theme, ticks=ticks))
        row, y = label_row(rows, y + 13, low=low, high=high, fill=theme.muted)
        drawn.append(row)
    return group(*drawn, class_="distances"), y - 4
