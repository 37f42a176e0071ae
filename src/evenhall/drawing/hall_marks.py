"""The marks that both views of a hall share: rays, spots, dimension lines, rows of labels.

`fan()` and `ray_end()` cut what a loudspeaker covers at the walls.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evenhall.drawing.hall_view import LETTERING_PX, lettering
from evenhall.drawing.svg import circle, element, group, line, path, shorten, spread, text_width_px
from evenhall.drawing.theme import Theme

__all__ = [
    "STATE_WORDS",
    "UNKNOWN_DASH",
    "KeyEntry",
    "Label",
    "box",
    "dimension",
    "fan",
    "key",
    "label_row",
    "polygon",
    "ray_end",
    "spot_mark",
    "wall",
]

Point = tuple[float, float]

UNKNOWN_DASH = "2 5"
SPOT_RADIUS_PX, NEXT_RADIUS_PX = 5.5, 8.0
STATE_WORDS = {"open": "to do", "next": "next", "done": "done", "again": "take again"}
LABEL_LINE_PX = 15.0
LABEL_GAP_PX = 8.0
FARTHEST_LABEL_PX = 20.0  # farther, a label seems to belong to another place
KEY_LINE_PX = 18.0
KEY_SAMPLE_PX = 26.0
KEY_GAP_PX = 16.0
STEEPEST_DEG = 89.0  # the stage end is a wall too


def ray_end(angle_deg: float, *, far: float, low: float, high: float) -> Point:
    """Where a ray from the origin leaves the room from 0 to `far`, `low` (<= 0) to `high`.

    Examples
    --------
    >>> ray_end(0.0, far=10.0, low=-2.0, high=1.0)
    (10.0, 0.0)
    >>> x, y = ray_end(45.0, far=10.0, low=-2.0, high=1.0)
    >>> round(x, 6), round(y, 6)
    (1.0, 1.0)
    """
    along, across = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    reach = far / along
    if across:
        reach = min(reach, (high if across > 0 else low) / across)
    return reach * along, reach * across


def fan(centre_deg: float, full_deg: float, *, far: float, low: float, high: float) -> list[Point]:
    """Outline of what is covered, from the origin around to its other edge, cut at the walls."""
    first = max(centre_deg - full_deg / 2, -STEEPEST_DEG)
    last = min(centre_deg + full_deg / 2, STEEPEST_DEG)
    corners = [
        (far, edge) for edge in (low, high) if first < math.degrees(math.atan2(edge, far)) < last
    ]
    ends = [ray_end(angle, far=far, low=low, high=high) for angle in (first, last)]
    return [(0.0, 0.0), ends[0], *corners, ends[1]]


def polygon(points: Sequence[Point], **attributes: str | float | None) -> str:
    """Fill or line around several points."""
    return path([[*points, points[0]]], **attributes)


def wall(first: Point, second: Point, *, known: bool, theme: Theme) -> str:
    """Draw a wall, floor or ceiling; open where its place is only a stand-in."""
    return line(
        *first,
        *second,
        stroke=theme.ink if known else theme.muted,
        stroke_width=1.5,
        stroke_dasharray=None if known else UNKNOWN_DASH,
        class_="wall" if known else "wall unknown",
    )


def box(
    at: Point,
    look: Mapping[str, str | float],
    *,
    size_px: Point,
    turn_deg: float = 0.0,
    back_share: float = 1.0,
) -> str:
    """Draw a loudspeaker from the middle of its back, turned clockwise on the page."""
    depth, face = size_px
    sine, cosine = math.sin(math.radians(turn_deg)), math.cos(math.radians(turn_deg))
    back = face * back_share
    corners = ((0.0, -back / 2), (depth, -face / 2), (depth, face / 2), (0.0, back / 2))
    turned = [
        (at[0] + dx * cosine - dy * sine, at[1] + dx * sine + dy * cosine) for dx, dy in corners
    ]
    return polygon(turned, stroke_linejoin="round", **look)


def dimension(first: Point, second: Point, theme: Theme, *, ticks: Sequence[Point] = ()) -> str:
    """Draw a dimension line with a slanted stroke at its ends and wherever else it is cut."""
    strokes = [[(x - 3, y + 3), (x + 3, y - 3)] for x, y in (first, second, *ticks)]
    return path([[first, second], *strokes], stroke=theme.muted, fill="none", class_="dimension")


def spot_mark(at: Point, state: str, theme: Theme) -> str:
    """Draw a ring; larger and filled where it is next, with a tick or a cross once recorded."""
    x, y = at
    upcoming = state == "next"
    radius = NEXT_RADIUS_PX if upcoming else SPOT_RADIUS_PX
    fill = {"next": theme.above, "done": theme.ink}.get(state, theme.ground)
    ring = circle(x, y, radius, fill=fill, stroke=theme.ink, stroke_width=1.6)
    if upcoming:
        return ring + circle(x, y, 2.5, fill="#000000")
    if state == "done":
        tick = [[(x - 2.8, y + 0.2), (x - 0.8, y + 2.4), (x + 2.9, y - 2.3)]]
        return ring + path(tick, stroke=theme.ground, stroke_width=1.6, fill="none")
    if state == "again":
        reach = 0.5 * radius
        cross = [
            [(x - reach, y - reach), (x + reach, y + reach)],
            [(x - reach, y + reach), (x + reach, y - reach)],
        ]
        return ring + path(cross, stroke=theme.ink, stroke_width=1.6, fill="none")
    return ring


@dataclass(frozen=True)
class Label:
    """What stands under a place: its name and its figure, on one line or on two."""

    at_px: float
    name: str
    figure: str


def label_row(
    labels: Sequence[Label], y: float, *, low: float, high: float, fill: str
) -> tuple[str, float]:
    """Set labels under their places from the middle height `y` down; the next free one.

    On one line where each stays near its place, else the figures under the names, and names
    shortened to an equal share where even that is too wide.
    """
    lines = [[f"{label.name} {label.figure}" for label in labels]]
    centres = _under(labels, lines, low, high)
    if any(
        abs(x - label.at_px) > FARTHEST_LABEL_PX for x, label in zip(centres, labels, strict=True)
    ):
        share_px = (high - low) / len(labels) - LABEL_GAP_PX
        lines = [
            [shorten(label.name, size_px=LETTERING_PX, width_px=share_px) for label in labels],
            [shorten(label.figure, size_px=LETTERING_PX, width_px=share_px) for label in labels],
        ]
        centres = _under(labels, lines, low, high)
    drawn = [
        lettering(x, y + at * LABEL_LINE_PX, words, fill, anchor="middle")
        for at, line_of in enumerate(lines)
        for x, words in zip(centres, line_of, strict=True)
    ]
    return group(*drawn, class_="labels"), y + len(lines) * LABEL_LINE_PX


def _under(
    labels: Sequence[Label], lines: Sequence[Sequence[str]], low: float, high: float
) -> list[float]:
    sizes = [
        max(text_width_px(words, LETTERING_PX) for words in words_of)
        for words_of in zip(*lines, strict=True)
    ]
    wanted = [label.at_px for label in labels]
    return spread(wanted, sizes, low=low, high=high, gap=LABEL_GAP_PX)


@dataclass(frozen=True)
class KeyEntry:
    """One entry of a key: a sample drawn around the middle of its place, and what it means."""

    sample: str  # drawn about (0, 0)
    words: str
    fill: str
    bold: bool = False


def key(entries: Sequence[KeyEntry], top: float, width_px: float) -> tuple[str, float]:
    """Set the entries in lines from `top` down; the height where the next thing may start."""
    if not entries:
        return "", top
    x, y, drawn = 6.0, top + KEY_LINE_PX / 2, []
    for entry in entries:
        room_px = width_px - KEY_SAMPLE_PX - 12
        written = shorten(entry.words, size_px=LETTERING_PX, width_px=room_px)
        words_px = text_width_px(written, LETTERING_PX, bold=entry.bold)
        if x > 6.0 and x + KEY_SAMPLE_PX + words_px > width_px - 4:
            x, y = 6.0, y + KEY_LINE_PX
        sample = element(
            "g", entry.sample, transform=f"translate({x + KEY_SAMPLE_PX / 2 - 3:.2f} {y:.2f})"
        )
        words = lettering(x + KEY_SAMPLE_PX, y, written, entry.fill, bold=entry.bold)
        drawn.append(sample + words)
        x += KEY_SAMPLE_PX + words_px + KEY_GAP_PX
    return group(*drawn, class_="key"), y + KEY_LINE_PX / 2
