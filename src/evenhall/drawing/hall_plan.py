"""The hall from above, the stage at the left: elements, coverage across, people, spots.

Left is left as the audience sees it, which is the lower half of the page; where each element
stands comes from `hall_places`. Start at `draw_plan()`.
"""

from __future__ import annotations

import math
from itertools import pairwise

from evenhall.drawing.hall_marks import (
    STATE_WORDS,
    UNKNOWN_DASH,
    KeyEntry,
    box,
    dimension,
    fan,
    polygon,
    ray_end,
    spot_mark,
    wall,
)
from evenhall.drawing.hall_places import Placed, elements_of
from evenhall.drawing.hall_view import (
    LETTERING_PX,
    PROPOSED_DASH,
    Frame,
    is_delay,
    is_sub,
    is_top,
    lettering,
    metres,
    turned,
)
from evenhall.drawing.svg import circle, group, line, path, shorten, spread, text
from evenhall.drawing.svg import element as tag
from evenhall.drawing.theme import mixed

__all__ = ["draw_plan", "draw_way", "plan_key"]

NUMBER_PX = 11.0
NAME_STEP_PX = 13.0
LENGTH_PX, BOTTOM_PX = 30.0, 10.0  # under the plan, with and without the dimension of the length
ROW_PITCH_M = 0.9
SMALLEST_PITCH_PX = 6.0
BOX_M = (0.35, 0.45)
SMALLEST_BOX_PX = (7.0, 9.0)
ARROW_PX, LABEL_PX, WALKER_PX = 11.0, 15.0, 9.0


def draw_plan(frame: Frame, top: float) -> tuple[str, float]:
    """Draw the plan from `top` down; also the height where the next thing may start."""
    plan = _Plan(frame, top + frame.wide_m * frame.per_m / 2)
    body = (
        plan.coverage(),
        plan.audience(),
        plan.room(),
        plan.proposed_turn(),
        plan.elements_drawn(),
        plan.names(),
        plan.spots(),
        plan.sizes(),
    )
    below_px = BOTTOM_PX if frame.view.length_m is None else LENGTH_PX
    return group(*body, class_="plan-view"), top + frame.wide_m * frame.per_m + below_px


def draw_way(frame: Frame, top: float) -> tuple[str, float]:
    """Draw the plan with the way through the rows alone; also the height where it ends."""
    plan = _Plan(frame, top + frame.wide_m * frame.per_m / 2)
    body = plan.audience(), plan.room(), plan.elements_drawn(), plan.names(), plan.way()
    return group(*body, class_="plan-view"), top + frame.wide_m * frame.per_m + BOTTOM_PX


def plan_key(frame: Frame) -> list[KeyEntry]:
    """Say what the marks of the plan stand for, as far as they are there."""
    view, theme = frame.view, frame.theme
    entries = []
    if view.playing is not None and view.playing in view.sides:
        look = {"fill": theme.ink, "stroke": theme.ink}
        sample = box((-5, 0), look, size_px=(10, 11), back_share=0.7)
        entries.append(KeyEntry(sample, f"playing: {view.playing}", theme.ink, bold=True))
    for state, words in STATE_WORDS.items():
        found = [(at, spot) for at, spot in enumerate(view.spots, start=1) if spot.state == state]
        if not found:
            continue
        if state == "next":
            at, spot = found[0]
            words = f"next: {at} {spot.side} {spot.label}"
        mark = spot_mark((0, 0), state, theme)
        entries.append(KeyEntry(mark, words, theme.ink, bold=state == "next"))
    if None in (view.length_m, view.width_m, view.height_m):
        sample = line(
            -10, 0, 10, 0, stroke=theme.muted, stroke_width=1.5, stroke_dasharray=UNKNOWN_DASH
        )
        entries.append(KeyEntry(sample, "not known yet", theme.muted))
    return entries


class _Plan:
    def __init__(self, frame: Frame, middle_px: float) -> None:
        self.frame, self.view, self.theme = frame, frame.view, frame.theme
        self.middle_px = middle_px
        self.elements = elements_of(frame)

    def y(self, across_m: float) -> float:
        return self.middle_px + across_m * self.frame.per_m

    def _at(self, element: Placed) -> tuple[float, float]:
        return self.frame.x(element.along_m), self.y(element.across_m)

    def _sounds(self, element: Placed) -> bool:
        return element.side == self.view.playing

    def coverage(self) -> str:
        """Edges of each top's coverage across; filled where it sounds, or where it is alone."""
        tops = [element for element in self.elements if is_top(element.side)]
        if not self.view.coverage_h_deg:
            return ""
        half_m = self.frame.wide_m / 2
        fills, edges = [], []
        for element in tops:
            outline = fan(
                element.turn_deg,
                self.view.coverage_h_deg,
                far=self.frame.far_m,
                low=-half_m - element.across_m,
                high=half_m - element.across_m,
            )
            page = [
                (self.frame.x(along), self.y(element.across_m + across))
                for along, across in outline
            ]
            if self._sounds(element) or len(tops) == 1:
                fills.append(polygon(page, fill=self.frame.tint, class_="covered"))
            edges.append(
                path(
                    [[page[0], page[1]], [page[0], page[-1]]],
                    stroke=self.theme.muted,
                    stroke_width=1.6 if self._sounds(element) else 1,
                    fill="none",
                    class_="edge",
                )
            )
        words = f"Coverage across: {self.view.coverage_h_deg:g} degrees between its edges."
        return group(*fills, *edges, title=words, class_="coverage")

    def proposed_turn(self) -> str:
        """Draw the axes as the worklist wants them turned."""
        turn_deg = self.view.proposed_turn_deg
        if turn_deg is None:
            return ""
        half_m = self.frame.wide_m / 2
        axes = []
        for element in self.elements:
            if not is_top(element.side) or not element.across_m:
                continue
            along, across = ray_end(
                -turn_deg * math.copysign(1.0, element.across_m),
                far=self.frame.far_m,
                low=-half_m - element.across_m,
                high=half_m - element.across_m,
            )
            end = self.frame.x(along), self.y(element.across_m + across)
            axes.append([self._at(element), end])
        drawn = path(
            axes,
            stroke=self.frame.proposal,
            stroke_width=1.8,
            stroke_dasharray=PROPOSED_DASH,
            fill="none",
        )
        return group(drawn, title=f"Turned {turned(turn_deg)}, as proposed.", class_="proposed")

    def audience(self) -> str:
        """Light strokes across, as rows of seats, from the first row to the last."""
        if self.view.rows is None:
            return ""
        first_m, last_m = self.view.rows
        pitch_m = max(ROW_PITCH_M, SMALLEST_PITCH_PX / self.frame.per_m)
        count = max(1, round((last_m - first_m) / pitch_m))
        half_m = 0.44 * self.frame.wide_m
        strokes = []
        for at in range(count + 1):
            x = self.frame.x(first_m + (last_m - first_m) * at / count)
            strokes.append([(x, self.y(-half_m)), (x, self.y(half_m))])
        stroke = mixed(self.theme.ground, self.theme.ink, 0.22)
        words = (
            f"Audience from the first row at {metres(first_m)} to the last at {metres(last_m)}, "
            f"ears {metres(self.view.ear_height_m)} above the floor."
        )
        rows = path(strokes, stroke=stroke, fill="none")
        return group(rows, title=words, class_="audience")

    def room(self) -> str:
        view, frame, theme = self.view, self.frame, self.theme
        half_m = frame.wide_m / 2
        top, bottom = self.y(-half_m), self.y(half_m)
        left, right = frame.x(0), frame.x(view.length_m or frame.far_m)
        known_width, known_length = view.width_m is not None, view.length_m is not None
        length = f"{metres(view.length_m)} long" if view.length_m else "length not known"
        width = f"{metres(view.width_m)} wide" if view.width_m else "width not known"
        return group(
            wall((left, top), (right, top), known=known_width, theme=theme),
            wall((left, bottom), (right, bottom), known=known_width, theme=theme),
            wall((right, top), (right, bottom), known=known_length, theme=theme),
            line(left, top, left, bottom, stroke=theme.ink, stroke_width=4, class_="stage"),
            title=f"Room from above: {length}, {width}, the stage at the left.",
            class_="room",
        )

    def elements_drawn(self) -> str:
        return group(*(self._element(element) for element in self.elements))

    def _element(self, element: Placed) -> str:
        theme, sounds = self.theme, self._sounds(element)
        depth, face = self.frame.box_px(BOX_M, SMALLEST_BOX_PX)
        at = self._at(element)
        look: dict[str, str | float] = {
            "fill": theme.ink if sounds else theme.faint,
            "stroke": theme.ink,
            "stroke_width": 1.4,
        }
        kind, where = "loudspeaker", "at the stage end"
        back_share = 0.7
        if is_sub(element.side):
            kind, back_share = "on the floor", 1.0
        if is_delay(element.side):
            where = "down the room, its place not known"
            look["stroke_dasharray"] = "3 2"
        drawn = [
            box(at, look, size_px=(depth, face), turn_deg=element.turn_deg, back_share=back_share)
        ]
        if sounds:
            drawn.append(_waves(at, depth, element.turn_deg, theme.ink))
        if is_delay(element.side):
            label = shorten(element.side, size_px=LETTERING_PX, width_px=70)
            drawn.append(lettering(at[0], at[1] + face / 2 + 8, label, theme.ink))
        said = f"{element.side[:1].upper()}{element.side[1:]}, {kind}, {where}"
        if is_top(element.side) and self.view.coverage_h_deg:
            said += f", covering {self.view.coverage_h_deg:g} degrees across"
        if sounds:
            said += ", playing now"
        class_ = "speaker playing" if sounds else "speaker"
        return group(*drawn, title=f"{said}.", class_=class_)

    def names(self) -> str:
        """Names in the gutter, beside the elements at the stage end."""
        named = [element for element in self.elements if not is_delay(element.side)]
        true_px = [self.y(element.across_m) for element in named]
        half_px = self.frame.wide_m * self.frame.per_m / 2
        spare_px = max(0.0, NAME_STEP_PX * len(named) / 2 - half_px)
        placed_px = spread(
            true_px,
            [NAME_STEP_PX] * len(named),
            low=self.middle_px - half_px - spare_px,
            high=self.middle_px + half_px + spare_px,
        )
        edge = self.frame.left_px - 8
        return group(
            *(
                lettering(
                    edge,
                    y,
                    shorten(element.side, size_px=LETTERING_PX, width_px=edge - 2),
                    self.theme.ink,
                    bold=self._sounds(element),
                    anchor="end",
                )
                for element, y in zip(named, placed_px, strict=True)
            ),
            class_="names",
        )

    def spots(self) -> str:
        """Each spot on its element's axis or on the middle line, with its number."""
        by_side = {element.side: element for element in self.elements}
        drawn = []
        for number, spot in enumerate(self.view.spots, start=1):
            middle_line = Placed(spot.side, 0.0, 0.0, 0.0, 0.0)
            element = middle_line if spot.between else by_side.get(spot.side, middle_line)
            inwards_m = (spot.along_m - element.along_m) * math.tan(math.radians(element.spots_deg))
            x, y = self.frame.x(spot.along_m), self.y(element.across_m + inwards_m)
            at_wall = x > self.frame.right_px - 24
            drawn.append(
                group(
                    spot_mark((x, y), spot.state, self.theme),
                    text(
                        x + (-11 if at_wall else 11),
                        y,
                        str(number),
                        size_px=NUMBER_PX,
                        fill=self.theme.ink,
                        bold=True,
                        anchor="end" if at_wall else "start",
                    ),
                    title=f"Spot {number}, {spot.side} {spot.label}: {metres(spot.along_m)} along "
                    "the floor from under the loudspeaker, "
                    f"{STATE_WORDS.get(spot.state, spot.state)}.",
                    class_=f"spot {spot.state}",
                )
            )
        return group(*drawn)

    def way(self) -> str:
        """Draw the way with its arrows and what it passes, and the mark of who walks it."""
        way, theme = self.view.way, self.theme
        if way is None:
            return ""

        def at(share: float) -> tuple[float, float]:
            along_m, across_m = way.at(share).tolist()
            return self.frame.x(along_m), self.y(-across_m)

        begins = [share for share, _ in way.legs] + [1.0]
        stroke = {"stroke": theme.ink, "fill": "none"}
        corners = [at(share) for share in begins]
        drawn = [path([corners], stroke_width=2.4, stroke_linejoin="round", class_="way", **stroke)]
        arrows = []
        for begin, end in pairwise(begins):
            (x, y), (x_before, y_before) = at((begin + end) / 2), at(begin)
            turn = math.atan2(y - y_before, x - x_before)
            sides = [
                (x - ARROW_PX * math.cos(turn + side), y - ARROW_PX * math.sin(turn + side))
                for side in (0.5, -0.5)
            ]
            arrows.append([sides[0], (x, y), sides[1]])
        drawn.append(path(arrows, stroke_width=2.4, **stroke))
        # Lettered on the side of the wall, clear of the other aisle.
        beside = math.copysign(LABEL_PX, corners[0][1] - self.middle_px)
        for label, share in way.passes.items():
            x, y = at(share)
            drawn.append(circle(x, y, 3.0, fill=theme.ink))
            # Clear of the loudspeaker and of what sounds from it.
            anchor = "middle" if share else "start"
            drawn.append(lettering(x, y + beside, label, theme.ink, anchor=anchor))
        x, y = corners[-1]
        drawn.append(path([[(x, y - 6), (x, y + 6)]], stroke_width=2.4, **stroke))
        drawn.append(lettering(x, y - beside, "end", theme.ink))
        mark = circle(0, 0, WALKER_PX, fill=theme.above, stroke=theme.ink, stroke_width=2)
        mark += circle(0, 0, 3, fill="#000000")
        x, y = corners[0]
        walker = tag("g", mark, transform=f"translate({x:.2f} {y:.2f})", class_="walker")
        legs = ", ".join(words for _, words in way.legs)
        return group(*drawn, walker, title=f"The way through the rows: {legs}.", class_="walk")

    def sizes(self) -> str:
        """Figures of the length below and the width at the right, where known."""
        view, frame, theme = self.view, self.frame, self.theme
        half_m = frame.wide_m / 2
        drawn = []
        if view.length_m is not None:
            y, left, right = self.y(half_m) + 10, frame.x(0), frame.x(view.length_m)
            drawn.append(dimension((left, y), (right, y), theme))
            middle, length = (left + right) / 2, metres(view.length_m)
            drawn.append(lettering(middle, y + 12, length, theme.muted, anchor="middle"))
        if view.width_m is not None:
            x = frame.right_px + 9
            drawn.append(dimension((x, self.y(-half_m)), (x, self.y(half_m)), theme))
            drawn.append(lettering(x + 6, self.middle_px, metres(view.width_m), theme.muted))
        return group(*drawn, class_="sizes")


def _waves(at: tuple[float, float], depth_px: float, turn_deg: float, ink: str) -> str:
    """Two bows in front of a box that sounds."""
    bows = []
    for radius in (depth_px + 6, depth_px + 11):
        turns = [math.radians(turn_deg + step) for step in (-28, -14, 0, 14, 28)]
        bows.append([(at[0] + radius * math.cos(a), at[1] + radius * math.sin(a)) for a in turns])
    return path(bows, stroke=ink, stroke_width=1.4, fill="none", class_="waves")
