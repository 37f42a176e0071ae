"""Which box may sound in the line check, and where the microphone goes: `draw_line_sketch()`."""

from __future__ import annotations

import math

from evenhall.drawing.svg import (
    circle,
    group,
    line,
    path,
    picture,
    rect,
    shorten,
    text,
    text_width_px,
)
from evenhall.drawing.theme import PAPER, Theme

__all__ = ["draw_line_sketch"]

WIDTH_PX, HEIGHT_PX, PANEL_PX = 360.0, 258.0, 180.0
TITLE_PX, LETTERING_PX = 17.0, 15.0
BOX_Y_PX, BOX_WIDTH_PX, BOX_HEIGHT_PX = 62.0, 26.0, 22.0
LEFT_PX, RIGHT_PX = 46.0, 134.0  # of the boxes, from the edge of their panel
MIC_X_PX, MIC_Y_PX = 66.0, 142.0
WAVES_PX, WAVE_DEG, WAVE_STEP_DEG = (16.0, 25.0, 34.0), 40, 10
CROSS_PX = 17.0
MARGIN_PX = 14.0
LINES_Y_PX = (186.0, 205.0, 224.0, 243.0)


def draw_line_sketch(first: str, second: str, *, theme: Theme = PAPER) -> str:
    """Draw muting the other box beside a solo key that leaves both on, as SVG.

    Parameters
    ----------
    first, second : str
        Names of a pair; the microphone is nearer the first.
    """
    return picture(
        _panel(
            0.0,
            shorten(f"Yes: mute {second}", size_px=TITLE_PX, width_px=PANEL_PX - 2 * MARGIN_PX),
            _wrapped(f"Microphone 2 to 3 m away, nearer {first}: {first} must arrive first."),
            muted=True,
            theme=theme,
        ),
        line(PANEL_PX, 12, PANEL_PX, HEIGHT_PX - 12, stroke=theme.faint, stroke_width=2),
        _panel(
            PANEL_PX,
            "No: solo",
            _wrapped("Many solo keys feed the headphones alone: both boxes play."),
            muted=False,
            theme=theme,
        ),
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        title=f"Only {first} may sound",
        description=f"{second} is muted, and the microphone is nearer {first}; with a solo key in "
        "the headphones both would play.",
        theme=theme,
    )


def _panel(at: float, title: str, lines: tuple[str, ...], *, muted: bool, theme: Theme) -> str:
    return group(
        text(at + MARGIN_PX, 22, title, size_px=TITLE_PX, fill=theme.ink, bold=True),
        _box(at + LEFT_PX, theme),
        _waves(at + LEFT_PX, theme),
        _box(at + RIGHT_PX, theme),
        _cross(at + RIGHT_PX, theme) if muted else _waves(at + RIGHT_PX, theme),
        _microphone(at + MIC_X_PX, theme) if muted else _headphones(at + PANEL_PX / 2, theme),
        *(
            text(at + MARGIN_PX, y, words, size_px=LETTERING_PX, fill=theme.ink)
            for y, words in zip(LINES_Y_PX, lines, strict=False)
        ),
    )


def _wrapped(sentence: str) -> tuple[str, ...]:
    """Break a sentence into the lines of a panel; the last ends in an ellipsis where it must."""
    width_px = PANEL_PX - 2 * MARGIN_PX
    lines, left = [], sentence.split()
    for _ in LINES_Y_PX[:-1]:
        line_words: list[str] = []
        while left and text_width_px(" ".join([*line_words, left[0]]), LETTERING_PX) <= width_px:
            line_words.append(left.pop(0))
        lines.append(" ".join(line_words))
    return (*lines, shorten(" ".join(left), size_px=LETTERING_PX, width_px=width_px))


def _box(x: float, theme: Theme) -> str:
    return rect(
        x - BOX_WIDTH_PX / 2,
        BOX_Y_PX - BOX_HEIGHT_PX / 2,
        BOX_WIDTH_PX,
        BOX_HEIGHT_PX,
        fill="none",
        stroke=theme.ink,
        stroke_width=2,
    )


def _arc(
    x: float, y: float, radius: float, from_deg: int, to_deg: int
) -> list[tuple[float, float]]:
    """Points of an arc; 0° is down, the angle grows to the right."""
    turns = (math.radians(deg) for deg in range(from_deg, to_deg + 1, WAVE_STEP_DEG))
    return [(x + radius * math.sin(turn), y + radius * math.cos(turn)) for turn in turns]


def _waves(x: float, theme: Theme) -> str:
    front = BOX_Y_PX + BOX_HEIGHT_PX / 2 - 6
    arcs = [_arc(x, front, radius, -WAVE_DEG, WAVE_DEG) for radius in WAVES_PX]
    return path(arcs, stroke=theme.ink, stroke_width=2, fill="none", class_="sounds")


def _cross(x: float, theme: Theme) -> str:
    strokes = [
        [(x - CROSS_PX, BOX_Y_PX + way * CROSS_PX), (x + CROSS_PX, BOX_Y_PX - way * CROSS_PX)]
        for way in (-1, 1)
    ]
    return path(strokes, stroke=theme.ink, stroke_width=4, fill="none", class_="muted")


def _microphone(x: float, theme: Theme) -> str:
    return group(
        circle(x, MIC_Y_PX, 5, fill=theme.ink),
        line(x, MIC_Y_PX, x + 5, MIC_Y_PX + 22, stroke=theme.ink, stroke_width=4),
        class_="microphone",
    )


def _headphones(x: float, theme: Theme) -> str:
    radius, y = 19.0, MIC_Y_PX + 8
    return group(
        path([_arc(x, y, radius, 90, 270)], stroke=theme.ink, stroke_width=3, fill="none"),
        *(rect(x + side * radius - 4, y - 3, 8, 17, rx=3, fill=theme.ink) for side in (-1, 1)),
        class_="headphones",
    )
