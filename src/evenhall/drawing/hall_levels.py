"""The level down the rows, under the side view and on its scale. Start at `draw_levels()`.

Each row against the middle one, now and as proposed; the ground is as high as first and last row
may differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from evenhall.drawing.hall_view import PROPOSED_DASH, Frame, lettering, metres
from evenhall.drawing.svg import MINUS, circle, group, line, path, rect, spread
from evenhall.drawing.theme import mixed
from evenhall.hall.level import EVEN_WITHIN_DB

__all__ = ["draw_levels"]

PX_A_DB = 7.0
TOP_PX, BOTTOM_PX = 10.0, 12.0
FIGURE_STEP_PX = 13.0
LARGEST_DB = 12.0  # what is beyond is drawn at the edge; its figure is still told
DOT_PX = 2.4


def draw_levels(frame: Frame, top: float) -> tuple[str, float]:
    """Draw the levels from `top` down; also the height where the next thing may start."""
    view, theme = frame.view, frame.theme
    if len(view.rows_m) < 2:
        return "", top
    series: list[tuple[tuple[float, ...], str, str | None, str]] = [
        (view.rows_now_db, theme.ink, None, "now")
    ]
    if view.rows_proposed_db:
        series.append((view.rows_proposed_db, frame.proposal, PROPOSED_DASH, "as proposed"))
    loudest_db = max(abs(level) for levels, *_ in series for level in levels)
    half_db = min(max(EVEN_WITHIN_DB / 2, math.ceil(loudest_db)), LARGEST_DB)
    middle = top + TOP_PX + half_db * PX_A_DB

    def y(level_db: float) -> float:
        return middle - min(max(level_db, -half_db), half_db) * PX_A_DB

    first, last = frame.x(view.rows_m[0]), frame.x(view.rows_m[-1])
    ground = rect(
        first,
        y(EVEN_WITHIN_DB / 2),
        last - first,
        EVEN_WITHIN_DB * PX_A_DB,
        fill=mixed(theme.ground, theme.ink, 0.08),
    )
    words = f"Within {EVEN_WITHIN_DB:g} dB from first to last row."
    drawn = [
        group(ground, title=words, class_="limit"),
        line(first, middle, last, middle, stroke=theme.faint),
        lettering(frame.left_px - 8, middle, "level", theme.muted, anchor="end"),
    ]
    for levels, colour, dash, when in series:
        points = [
            (frame.x(row_m), y(level)) for row_m, level in zip(view.rows_m, levels, strict=True)
        ]
        drawn.append(
            path([points], stroke=colour, stroke_width=1.8, stroke_dasharray=dash, fill="none")
        )
        drawn += [
            group(
                circle(x, at, DOT_PX, fill=colour),
                title=f"Row at {metres(row_m)}: {_figure(level)} dB against the middle row, "
                f"{when}.",
                class_="row",
            )
            for (x, at), row_m, level in zip(points, view.rows_m, levels, strict=True)
        ]
    bounds = middle - half_db * PX_A_DB, middle + half_db * PX_A_DB
    for end, x, anchor in ((0, first - 6, "end"), (-1, last + 6, "start")):
        drawn += _figures(
            [(y(levels[end]), levels[end], colour) for levels, colour, *_ in series],
            x,
            anchor,
            bounds,
        )
    said = "; ".join(
        f"{when} the first row is {_figure(levels[0] - levels[-1])} dB above the last"
        for levels, _, _, when in series
    )
    height_px = 2 * half_db * PX_A_DB
    return (
        group(*drawn, title=f"Level down the rows: {said}.", class_="row-levels"),
        top + TOP_PX + height_px + BOTTOM_PX,
    )


def _figures(
    figures: Sequence[tuple[float, float, str]], x: float, anchor: str, bounds: tuple[float, float]
) -> list[str]:
    placed = spread(
        [at for at, *_ in figures],
        [FIGURE_STEP_PX] * len(figures),
        low=bounds[0] - FIGURE_STEP_PX / 2,
        high=bounds[1] + FIGURE_STEP_PX / 2,
    )
    return [
        lettering(x, at, _figure(level), colour, bold=True, anchor=anchor)
        for at, (_, level, colour) in zip(placed, figures, strict=True)
    ]


def _figure(level_db: float) -> str:
    return f"{level_db:+.1f}".replace("-", MINUS)
