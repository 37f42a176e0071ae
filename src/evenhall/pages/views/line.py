"""Line check: every element, and what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.pages.guide import elements
from evenhall.pages.views.frame import Frame, clock
from evenhall.visits.visit import Visit

__all__ = ["LinePage", "line_page"]


@dataclass(frozen=True)
class Checked:
    """An element and what the line check found; no findings where it was not heard."""

    element: str
    heard: bool
    works: bool
    findings: tuple[str, ...]


@dataclass(frozen=True)
class LinePage:
    """Line check: every element, and what is wrong with it."""

    frame: Frame
    checked: tuple[Checked, ...]
    checked_at: str


def line_page(visit: Visit, frame: Frame) -> LinePage:
    """Make the page of the line check."""
    kept = visit.line_check
    checked = [
        Checked(
            element=name,
            heard=name in kept.elements,
            works=all(one.code == "works" for one in kept.findings if one.element == name),
            findings=tuple(one.text for one in kept.findings if one.element == name),
        )
        for name in elements(visit)
    ]
    return LinePage(frame=frame, checked=tuple(checked), checked_at=clock(kept.at))
