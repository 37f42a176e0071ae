"""The hall from the side: heights, aims, ears and spots.

The figures around it come from `hall_figures`. Start at `draw_side()`.
"""

from __future__ import annotations

from evenhall.drawing.hall_figures import (
    LEVEL_STEP_PX,
    draw_distances,
    draw_heights,
    heights_of,
    places_of,
)
from evenhall.drawing.hall_marks import (
    UNKNOWN_DASH,
    KeyEntry,
    box,
    fan,
    polygon,
    ray_end,
    spot_mark,
    wall,
)
from evenhall.drawing.hall_view import (
    PROPOSED_DASH,
    STAND_IN_SPEAKER_M,
    Frame,
    degrees,
    is_sub,
    is_top,
    metres,
    turned,
)
from evenhall.drawing.svg import circle, group, line, path, rect
from evenhall.drawing.theme import mixed

__all__ = ["draw_side", "side_key"]

ABOVE_CEILING_PX = 12.0
# A usual two-way box and a seated listener; common practice, no source.
BOX_M = (0.35, 0.6)
SMALLEST_BOX_PX = (7.0, 11.0)
HEAD_M = 0.12
SMALLEST_HEAD_PX = 2.2
HEAD_COUNT = 6
SEAT_M, STANDING_EAR_M = 0.45, 1.4


def draw_side(frame: Frame, top: float) -> tuple[str, float]:
    """Draw the view from `top` down; also the height where the next thing may start."""
    room_px = max(frame.high_m * frame.per_m, LEVEL_STEP_PX * (len(heights_of(frame)) - 1))
    side = _Side(frame, top + ABOVE_CEILING_PX + room_px)
    distances, bottom = draw_distances(frame, side.floor_px)
    body = (
        side.coverage(),
        side.room(),
        side.ears(),
        side.speaker(),
        side.stand_limit(),
        side.subs(),
        side.spots(),
        draw_heights(frame, side.floor_px, top + ABOVE_CEILING_PX),
        distances,
    )
    return group(*body, class_="side-view"), bottom


def side_key(frame: Frame) -> list[KeyEntry]:
    """Say what the lines of the side view stand for, with their figures."""
    view, theme = frame.view, frame.theme
    entries = []
    if view.today is not None:
        words = f"{_stance(view.today)}{_turned(view.speaker_inwards_deg)}, today"
        sample = line(-10, 0, 10, 0, stroke=theme.ink, stroke_width=1.8)
        entries.append(KeyEntry(sample, words, theme.ink, bold=True))
    if view.proposed is not None:
        words = f"{_stance(view.proposed)}{_turned(view.proposed_inwards_deg)}, proposed"
        entries.append(KeyEntry(_dashed(frame), words, frame.proposal, bold=True))
    if view.max_height_m is not None:
        words = f"stand reaches {metres(view.max_height_m)}"
        entries.append(KeyEntry(_limit(theme.ink), words, theme.muted))
    return entries


def _stance(stance: tuple[float, float]) -> str:
    return f"{metres(stance[0])}, {degrees(stance[1])}"


def _turned(inwards_deg: float | None) -> str:
    return f", {turned(inwards_deg)}" if inwards_deg else ""


def _dashed(frame: Frame) -> str:
    return line(
        -10, 0, 10, 0, stroke=frame.proposal, stroke_width=1.8, stroke_dasharray=PROPOSED_DASH
    )


def _limit(ink: str, x: float = 0.0, y: float = 0.0) -> str:
    """Draw a bar with a stop under it."""
    return path([[(x - 8, y), (x + 8, y)], [(x, y), (x, y + 5)]], stroke=ink, fill="none")


class _Side:
    def __init__(self, frame: Frame, floor_px: float) -> None:
        self.frame, self.view, self.theme = frame, frame.view, frame.theme
        self.floor_px = floor_px
        self.box_px = frame.box_px(BOX_M, SMALLEST_BOX_PX)

    def y(self, height_m: float) -> float:
        return self.floor_px - height_m * self.frame.per_m

    def _fan(self, stance: tuple[float, float]) -> list[tuple[float, float]]:
        """Outline of the vertical coverage on the page; empty where none can be drawn."""
        height_m, down_deg = stance
        ceiling_m = self.view.height_m or self.frame.high_m
        if not self.view.coverage_v_deg or height_m > ceiling_m:
            return []
        outline = fan(
            down_deg,
            self.view.coverage_v_deg,
            far=self.frame.far_m,
            low=height_m - ceiling_m,
            high=height_m,
        )
        return [(self.frame.x(along), self.y(height_m - drop)) for along, drop in outline]

    def _aim(self, stance: tuple[float, float], **look: str | float) -> str:
        height_m, down_deg = stance
        ceiling_m = self.view.height_m or self.frame.high_m
        if height_m > ceiling_m:
            return ""
        along, drop = ray_end(
            down_deg, far=self.frame.far_m, low=height_m - ceiling_m, high=height_m
        )
        return line(
            self.frame.x(0),
            self.y(height_m),
            self.frame.x(along),
            self.y(height_m - drop),
            **look,
        )

    def coverage(self) -> str:
        words = f"Coverage up and down: {self.view.coverage_v_deg:g} degrees between its edges."
        drawn = []
        if self.view.today is not None and (outline := self._fan(self.view.today)):
            edges = [[outline[0], outline[1]], [outline[0], outline[-1]]]
            drawn.append(polygon(outline, fill=self.frame.tint, class_="covered"))
            drawn.append(path(edges, stroke=self.theme.muted, fill="none", class_="edge"))
        if self.view.proposed is not None and (outline := self._fan(self.view.proposed)):
            edges = [[outline[0], outline[1]], [outline[0], outline[-1]]]
            look = {"stroke": self.frame.proposal, "stroke_dasharray": "2 4"}
            drawn.append(path(edges, fill="none", class_="edge proposed", **look))
        return group(*drawn, title=words, class_="coverage") if drawn else ""

    def room(self) -> str:
        view, frame = self.view, self.frame
        ceiling_y = self.y(view.height_m or frame.high_m)
        left, right = frame.x(0), frame.x(view.length_m or frame.far_m)
        known_height, known_length = view.height_m is not None, view.length_m is not None
        length = f"{metres(view.length_m)} long" if view.length_m else "length not known"
        height = f"{metres(view.height_m)} high" if view.height_m else "height not known"
        return group(
            wall((left, self.floor_px), (right, self.floor_px), known=True, theme=self.theme),
            wall((left, ceiling_y), (right, ceiling_y), known=known_height, theme=self.theme),
            wall((left, self.floor_px), (left, ceiling_y), known=known_height, theme=self.theme),
            wall((right, self.floor_px), (right, ceiling_y), known=known_length, theme=self.theme),
            title=f"Room from the side: {length}, {height}.",
            class_="room",
        )

    def ears(self) -> str:
        """Draw a line at ear height with seated people under it, where the rows are known."""
        y, frame = self.y(self.view.ear_height_m), self.frame
        if self.view.rows is None:
            open_line = line(
                frame.x(0),
                y,
                frame.right_px,
                y,
                stroke=self.theme.muted,
                stroke_dasharray=UNKNOWN_DASH,
            )
            words = f"Ears at {metres(self.view.ear_height_m)}, rows not known."
            return group(open_line, title=words, class_="ears unknown")
        first_m, last_m = self.view.rows
        shade = mixed(self.theme.ground, self.theme.ink, 0.35)
        radius = max(HEAD_M * frame.per_m, SMALLEST_HEAD_PX)
        # Enough to see a row of people, with air between them in a short room.
        count = max(2, min(HEAD_COUNT, int((last_m - first_m) * frame.per_m / (6 * radius))))
        people = []
        for at in range(count):
            x = frame.x(first_m + (last_m - first_m) * at / (count - 1))
            people.append(circle(x, y, radius, fill=shade))
            people.append(
                path(
                    [self._body(x, y, radius)],
                    stroke=shade,
                    stroke_width=1.6 * radius,
                    stroke_linecap="round",
                    stroke_linejoin="round",
                    fill="none",
                )
            )
        ears = line(frame.x(first_m), y, frame.x(last_m), y, stroke=self.theme.muted)
        words = (
            f"Ears at {metres(self.view.ear_height_m)} above the floor, "
            f"from the first row at {metres(first_m)} to the last at {metres(last_m)}."
        )
        return group(ears, *people, title=words, class_="ears")

    def _body(self, x: float, y: float, radius: float) -> list[tuple[float, float]]:
        """Neck, hip, knee and foot of somebody who faces the stage, seated or standing."""
        foot, neck = self.floor_px - 0.8 * radius, (x + 0.3 * radius, y + 2.2 * radius)
        if self.view.ear_height_m > STANDING_EAR_M:
            return [neck, (x + 0.3 * radius, max(foot, neck[1]))]
        seat = max(min(self.y(SEAT_M), foot), neck[1])
        hip, knee = (x + 0.8 * radius, seat), (x - 2.4 * radius, seat)
        return [neck, hip, knee, (x - 2.8 * radius, max(foot, seat))]

    def stand_limit(self) -> str:
        limit_m = self.view.max_height_m
        if limit_m is None or limit_m > self.frame.high_m:
            return ""
        # Clear of the box, which often stands right at its limit.
        mark = _limit(self.theme.ink, self.frame.x(0) + self.box_px[0] + 8, self.y(limit_m))
        return group(mark, title=f"Stand reaches {metres(limit_m)}.", class_="limit")

    def speaker(self) -> str:
        """Draw the box as it stands, and where the worklist wants it; aims and all."""
        view, theme, frame = self.view, self.theme, self.frame
        if not any(is_top(side) for side in view.sides):
            return ""
        drawn = []
        look: dict[str, str | float]
        if view.today is None:
            at = frame.x(0), self.y(min(STAND_IN_SPEAKER_M, frame.high_m))
            look = {"stroke": theme.muted, "fill": theme.ground, "stroke_dasharray": "2 3"}
            stands = box(at, look, size_px=self.box_px)
            words = "Loudspeakers: height not known."
            drawn.append(group(stands, title=words, class_="speaker unknown"))
        if view.proposed is not None:
            at = frame.x(0), self.y(view.proposed[0])
            look = {"stroke": frame.proposal, "stroke_dasharray": PROPOSED_DASH}
            aim = self._aim(view.proposed, stroke_width=1.8, class_="aim", **look)
            look = {"stroke": frame.proposal, "stroke_dasharray": "3 2", "fill": theme.ground}
            stands = box(at, look, size_px=self.box_px, turn_deg=view.proposed[1])
            words = f"Proposed for the loudspeakers: {_stance(view.proposed)}."
            drawn.append(group(aim, stands, title=words, class_="speaker proposed"))
        if view.today is not None:
            at = frame.x(0), self.y(view.today[0])
            aim = self._aim(view.today, stroke=theme.ink, stroke_width=1.8, class_="aim")
            sounds = view.playing in [side for side in view.sides if is_top(side)]
            fill = theme.ink if sounds else theme.faint
            look = {"stroke": theme.ink, "stroke_width": 1.4, "fill": fill}
            stands = box(at, look, size_px=self.box_px, turn_deg=view.today[1])
            words = (
                f"Loudspeakers today: {_stance(view.today)}, "
                f"covering {view.coverage_v_deg:g} degrees up and down."
            )
            drawn.append(group(aim, stands, title=words, class_="speaker"))
        return group(*drawn)

    def subs(self) -> str:
        subs = [side for side in self.view.sides if is_sub(side)]
        if not subs:
            return ""
        depth, face = self.box_px
        fill = self.theme.ink if self.view.playing in subs else self.theme.faint
        stands = rect(
            self.frame.x(0),
            self.floor_px - 0.8 * face,
            1.3 * depth,
            0.8 * face,
            fill=fill,
            stroke=self.theme.ink,
        )
        return group(stands, title=f"On the floor: {', '.join(subs)}.", class_="speaker sub")

    def spots(self) -> str:
        y = self.y(self.view.ear_height_m)
        return group(
            *(
                group(
                    spot_mark((self.frame.x(along_m), y), state, self.theme),
                    title=f"Microphone {names}: {metres(along_m)} along the floor from under the "
                    f"loudspeaker, {metres(self.view.ear_height_m)} high: {said}.",
                    class_=f"place {state}",
                )
                for names, along_m, state, said in places_of(self.view)
            )
        )
