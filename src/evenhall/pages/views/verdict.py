"""Verdict: one sentence, the map, then what it is made of."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.drawing import ResponseView, draw_evenness_map, draw_response_chart
from evenhall.drawing.svg import signed_db
from evenhall.job.tune.result import Pattern, Result
from evenhall.pages.guide import NO_RESULT, to_do, wanted_takes
from evenhall.pages.views.frame import Drawing, Frame, drawn
from evenhall.pages.views.walk import walked_line
from evenhall.report.point import Point
from evenhall.report.verdicts import summary, verdicts
from evenhall.report.views import evenness_view, response_view
from evenhall.report.worklist import largest_first, pattern_kind, remedy_text, troubles
from evenhall.visits.visit import Visit, job_of
from evenhall.words import hz_text

__all__ = ["VerdictPage", "chart_drawing", "map_drawing", "verdict_page"]

CHART_HEIGHT_PX = 300.0
NO_VERDICT = "No verdict yet: it takes a take at the front and one at the back."


@dataclass(frozen=True)
class Finding:
    """A dip or build-up: one line, and behind it its reason and its numbers."""

    head: str
    remedy: str
    why: str
    figures: tuple[tuple[str, str], ...]


def _finding(pattern: Pattern) -> Finding:
    where = "at every spot" if pattern.scope == "common" else "at " + ", ".join(pattern.spots)
    return Finding(
        head=f"{pattern_kind(pattern).capitalize()} at {hz_text(pattern.hz)}, {where}",
        remedy=remedy_text(pattern),
        why=pattern.why,
        figures=(
            ("Centre", hz_text(pattern.hz)),
            ("Size", f"{signed_db(pattern.depth_db, 1)} dB re the target"),
            ("Width", f"{pattern.width_octaves:.1f} octaves"),
            ("Heard", ", ".join(pattern.spots)),
        ),
    )


@dataclass(frozen=True)
class VerdictPage:
    """Verdict: one sentence, the map, then what it is made of."""

    frame: Frame
    summary: str
    points: tuple[Point, ...]
    map: Drawing | None
    findings: tuple[Finding, ...]
    chart: Drawing | None
    troubles: tuple[Point, ...]
    missing: tuple[str, ...]
    evenness_rows: tuple[tuple[str, str, str], ...]
    walked: str  # what doubt a walk has left


def map_drawing(result: Result | None, state: str) -> Drawing | None:
    """Draw the evenness map of the takes of a state; None where there is none."""
    view = evenness_view(result or NO_RESULT, state)
    if view is None:
        return None
    return drawn(view.title, lambda theme: draw_evenness_map(view, theme=theme))


def chart_drawing(view: ResponseView | None) -> Drawing | None:
    """Draw a response chart; None where there is nothing to show."""
    if view is None:
        return None
    return drawn(
        view.title,
        lambda theme: draw_response_chart(view, theme=theme, height_px=CHART_HEIGHT_PX),
    )


def verdict_page(visit: Visit, result: Result | None, frame: Frame) -> VerdictPage:
    """Make the page of the verdict."""
    known = result or NO_RESULT
    return VerdictPage(
        frame=frame,
        summary=summary(known, to_do=to_do(visit, result)) if known.any_usable else NO_VERDICT,
        points=() if result is None else verdicts(result),
        map=map_drawing(result, "before"),
        findings=tuple(_finding(pattern) for pattern in largest_first(known.patterns)),
        chart=None if result is None else chart_drawing(response_view(result, job_of(visit))),
        troubles=troubles(known),
        missing=tuple(
            f"{one.name}, {one.spot}"
            for one in wanted_takes(visit, result, "before")
            if not one.usable
        ),
        evenness_rows=tuple(
            (
                hz_text(band.hz),
                f"{signed_db(band.front_minus_back_db, 1)} dB",
                "holds" if band.holds else "too much",
            )
            for band in (known.evenness.bands if known.evenness else ())
        ),
        walked=walked_line(known.forecast),
    )
