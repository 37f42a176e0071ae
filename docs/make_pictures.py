"""Make the pictures that README and docs show: `python docs/make_pictures.py`.

Card and evenness map are those of the demo; the plan of the walk is drawn to scale from the way
that is laid through a hall.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from evenhall.drawing import PAPER, draw_card, draw_evenness_map
from evenhall.drawing.svg import circle, group, line, path, picture, rect, text
from evenhall.hall.path import PACE_M_S, walk_path
from evenhall.hall.setting import Audience
from evenhall.job.demo.folder import write_demo
from evenhall.job.folder.reading import load_job
from evenhall.job.live.taking import WALK_LEAD_S
from evenhall.job.tune.tuning import tune
from evenhall.report.views import card_views, evenness_view

DOCS = Path(__file__).parent
Point = tuple[float, float]

LENGTH_M, WIDTH_M, BEHIND_M = 16.5, 10.0, 1.0
ROWS, BOX_ACROSS_M = Audience(2.0, 14.0), 3.2
HEAD_PX, SIZE_PX, SMALL_PX = 18.0, 15.0, 14.0
ARROW_PX, DASH = 11.0, "7 5"


def main() -> None:
    """Tune the demo, draw its card and its map of evenness; and how to walk, and how not to."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "demo"
        write_demo(folder)
        job = load_job(folder)
        result = tune(job, folder)
    view = evenness_view(result, "before")
    assert view is not None, "the demo has a front and a back"
    (DOCS / "card.svg").write_text(
        draw_card(card_views(result, job)["both"], rail_height_px=250.0), encoding="utf-8"
    )
    (DOCS / "evenness.svg").write_text(draw_evenness_map(view), encoding="utf-8")
    (DOCS / "walk.svg").write_text(draw_walk(), encoding="utf-8")


@dataclass(frozen=True)
class Plan:
    """The hall from above, the stage at the left; metres to pixels."""

    left: float
    top: float
    per_m: float

    def at(self, along_m: float, across_m: float) -> Point:
        """Along from the line of the loudspeakers; across to the audience's right, here up."""
        y = self.top + (WIDTH_M / 2 - across_m) * self.per_m
        return self.left + (BEHIND_M + along_m) * self.per_m, y

    def room(self) -> str:
        """Walls, rows, middle line and boxes."""
        rows = [
            [self.at(along, -0.44 * WIDTH_M), self.at(along, 0.44 * WIDTH_M)]
            for along in np.arange(ROWS.first_row_m, ROWS.last_row_m + 0.1, 1.0).tolist()
        ]
        width, height = LENGTH_M * self.per_m, WIDTH_M * self.per_m
        face = 0.9 * self.per_m
        boxes = [
            rect(x - 0.6 * face, y - face / 2, 0.6 * face, face, fill=PAPER.ink)
            for x, y in (self.at(0.0, BOX_ACROSS_M), self.at(0.0, -BOX_ACROSS_M))
        ]
        middle = [self.at(0.0, 0.0), self.at(LENGTH_M - BEHIND_M, 0.0)]
        return group(
            path(rows, stroke=PAPER.faint, stroke_width=1.5, fill="none"),
            rect(self.left, self.top, width, height, fill="none", stroke=PAPER.ink),
            line(
                self.left, self.top, self.left, self.top + height, stroke=PAPER.ink, stroke_width=4
            ),
            path([middle], stroke=PAPER.muted, stroke_dasharray="12 3 2 3", fill="none"),
            *boxes,
        )

    def way(self, corners_m: Sequence[Point], *, good: bool) -> str:
        """Draw a way, an arrow on each leg; a bad one is dashed."""
        points = [self.at(*corner) for corner in corners_m]
        look: dict[str, str | float] = {"stroke": PAPER.ink, "fill": "none"}
        arrows = []
        for (x, y), (to_x, to_y) in pairwise(points):
            turn = math.atan2(to_y - y, to_x - x)
            tip = 0.6 * to_x + 0.4 * x, 0.6 * to_y + 0.4 * y
            size = ARROW_PX if good else 0.8 * ARROW_PX
            barbs = [
                (tip[0] - size * math.cos(turn + by), tip[1] - size * math.sin(turn + by))
                for by in (-0.5, 0.5)
            ]
            arrows.append([barbs[0], tip, barbs[1]])
        return group(
            path(
                [points],
                stroke_width=3.5 if good else 2,
                **look,
                stroke_dasharray=None if good else DASH,
            ),
            path(arrows, stroke_width=3 if good else 2, **look),
        )

    def apart(self, along_m: float, across_m: float, words: str) -> str:
        """Dimension from the middle line to an aisle, its figure to the left of it."""
        (x, y), (_, middle) = self.at(along_m, across_m), self.at(along_m, 0.0)
        strokes = [[(x, y), (x, middle)], *([(x - 4, end), (x + 4, end)] for end in (y, middle))]
        said = text(x - 6, (y + middle) / 2, words, size_px=SMALL_PX, fill=PAPER.ink, anchor="end")
        return path(strokes, stroke=PAPER.ink, fill="none") + said


def draw_walk() -> str:
    """Draw a good way through the rows, to scale, and beside it what spoils one."""
    inside_m = LENGTH_M - BEHIND_M
    good = walk_path(ROWS, length_m=inside_m, width_m=WIDTH_M)
    large = Plan(20.0, 52.0, 31.0)
    corners = [(x, y) for x, y in good.corner_m.tolist()]
    (_, down_m), (_, up_m) = corners[0], corners[-1]
    marks = []
    for spot, share in good.passes.items():
        x, y = large.at(*good.at(share).tolist())
        words = f"{spot}, {WALK_LEAD_S + share * good.length_s:.0f} s"
        marks += [
            circle(x, y, 6.5, fill=PAPER.ground, stroke=PAPER.ink, stroke_width=3),
            text(x, y + 20, words, size_px=SIZE_PX, fill=PAPER.ink, bold=True, anchor="middle"),
        ]
    x, y = large.at(*corners[-1])
    ends = f"end, {WALK_LEAD_S + good.length_s:.0f} s"
    marks += [
        rect(x - 6, y - 6, 12, 12, fill=PAPER.ink),
        text(x, y - 18, ends, size_px=SIZE_PX, fill=PAPER.ink, bold=True, anchor="middle"),
    ]
    below = large.top + WIDTH_M * large.per_m + 20
    said = (
        f"{good.length_m:.0f} m at {PACE_M_S:g} m/s: {good.length_s:.0f} s, after "
        f"{WALK_LEAD_S:.0f} s of silence. Microphone at ear height,",
        "arm stretched out, cable off the floor.",
    )
    return picture(
        _heading(large.left, "A good walk", good=True),
        large.room(),
        large.apart(1.1, down_m, f"{-down_m:.1f} m"),
        large.apart(1.1, up_m, f"{up_m:.1f} m"),
        large.way(corners, good=True),
        *marks,
        *(
            text(large.left, below + 20 * at, words, size_px=SIZE_PX, fill=PAPER.ink)
            for at, words in enumerate(said)
        ),
        *_spoilt(),
        width_px=1040.0,
        height_px=below + 44,
        title="A walk through the rows, and what spoils one",
        description="Plan of a hall, the stage at the left. A good walk goes down one aisle, "
        f"across the back and up the other, {-down_m:.1f} m and {up_m:.1f} m from the middle line, "
        "and passes front, middle and back on the way down. Spoilt: aisles that mirror each other; "
        "stops on the way; a way that begins at the boxes; a way along the walls.",
        theme=PAPER,
    )


def _spoilt() -> list[str]:
    """Four small plans."""
    alike, walls, first, last = 0.3 * WIDTH_M, 0.47 * WIDTH_M, ROWS.first_row_m, ROWS.last_row_m
    aisles = walk_path(ROWS, length_m=LENGTH_M - BEHIND_M, width_m=WIDTH_M).corner_m.tolist()
    usual = [(x, y) for x, y in aisles]
    end = LENGTH_M - BEHIND_M - 0.3
    ways = {
        ("Aisles alike", "What one misses,", "the other misses too."): _around(first, last, alike),
        ("Stops on the way", "They are left out;", "many of them: no walk."): usual,
        ("Up to the boxes", "They are heard there,", "and not the rows."): _around(
            0.3, last, BOX_ACROSS_M
        ),
        ("Along the walls", "They add bass", "that no row has."): _around(first, end, walls),
    }
    drawn = [_heading(575.0, "What spoils one", good=False)]
    for at, ((name, *why), corners) in enumerate(ways.items()):
        plan = Plan(575.0 + 242.0 * (at % 2), 52.0 + 196.0 * (at // 2), 12.6)
        drawn += [plan.room(), plan.way(corners, good=False)]
        if at == 0:
            drawn += [plan.apart(1.6, side, "=") for side in (alike, -alike)]
        if at == 1:
            drawn += [_stop(plan.at(*place)) for place in ((6.0, usual[0][1]), (last, 0.7))]
        below = plan.top + WIDTH_M * plan.per_m + 15
        lines = ((f"{name}. {why[0]}", 0), (why[1], 18))
        drawn += [
            text(plan.left, below + down, words, size_px=SMALL_PX, fill=PAPER.ink)
            for words, down in lines
        ]
    return drawn


def _around(first_m: float, last_m: float, across_m: float) -> list[Point]:
    """Give a way whose aisles mirror each other."""
    return [(first_m, -across_m), (last_m, -across_m), (last_m, across_m), (first_m, across_m)]


def _stop(at: Point) -> str:
    """Two bars in a ring."""
    x, y = at
    bars = [[(x + by, y - 4), (x + by, y + 4)] for by in (-2.5, 2.5)]
    ring = circle(x, y, 9, fill=PAPER.ground, stroke=PAPER.ink, stroke_width=1.5)
    return ring + path(bars, stroke=PAPER.ink, stroke_width=2.5, fill="none")


def _heading(left: float, words: str, *, good: bool) -> str:
    """Heading behind a tick on black, or a cross on white."""
    x, y = left + 11.0, 26.0
    tick = [[(x - 5, y), (x - 1, y + 5), (x + 5, y - 5)]]
    cross = [[(x - 4, y - 4), (x + 4, y + 4)], [(x - 4, y + 4), (x + 4, y - 4)]]
    return group(
        circle(
            x, y, 10, fill=PAPER.ink if good else PAPER.ground, stroke=PAPER.ink, stroke_width=2
        ),
        path(
            tick if good else cross,
            stroke=PAPER.ground if good else PAPER.ink,
            stroke_width=2.5,
            fill="none",
        ),
        text(x + 20, y, words, size_px=HEAD_PX, fill=PAPER.ink, bold=True),
    )


if __name__ == "__main__":
    main()
