"""Line check: every element, and what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.drawing import draw_line_sketch
from evenhall.job.live.line_check import elements_of
from evenhall.pages.guide import elements
from evenhall.pages.views.frame import Drawing, Frame, clock, drawn
from evenhall.visits.entries import LineCheck
from evenhall.visits.visit import Visit

__all__ = ["LinePage", "line_page"]


@dataclass(frozen=True)
class Checked:
    """An element and what the line check found; no findings where it was not heard."""

    element: str
    heard: bool
    works: bool
    waits: str  # what there is to say before it is judged
    findings: tuple[str, ...]


@dataclass(frozen=True)
class LinePage:
    """Line check: every element, and what is wrong with it."""

    frame: Frame
    sketch: Drawing | None  # of a pair; without one there is nothing to mute
    checked: tuple[Checked, ...]
    checked_at: str


def line_page(visit: Visit, frame: Frame) -> LinePage:
    """Make the page of the line check."""
    now = frame.playing
    under_way = now.busy and (now.what, now.visit) == ("line", visit.number)
    # What the round before has found is being looked at again.
    kept = LineCheck() if under_way else visit.line_check
    order = [one.name for one in elements_of(elements(visit))]
    at = order.index(now.side) if now.side in order else 0

    def waits(name: str) -> str:
        if name in kept.elements:
            return ""
        passed = under_way and order.index(elements_of([name])[0].name) < at
        return "Heard; judged once all are." if passed else "Not heard yet."

    checked = [
        Checked(
            element=name,
            heard=name in kept.elements,
            works=all(one.code == "works" for one in kept.findings if one.element == name),
            waits=waits(name),
            findings=tuple(one.text for one in kept.findings if one.element == name),
        )
        for name in elements(visit)
    ]
    pairs = [(one.name, one.partner) for one in elements_of(elements(visit)) if one.partner]
    sketch = None
    if pairs:
        sketch = drawn(
            f"Only {pairs[0][0]} may sound", lambda theme: draw_line_sketch(*pairs[0], theme=theme)
        )
    return LinePage(frame=frame, sketch=sketch, checked=tuple(checked), checked_at=clock(kept.at))
