"""Verdict: one sentence, what to do first, the map; behind folds what it is made of."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.cautions import care
from evenhall.drawing import (
    ResponseView,
    Theme,
    draw_evenness_map,
    draw_response_chart,
    draw_row_names,
)
from evenhall.drawing.svg import signed_db
from evenhall.job.tune.result import Pattern, Result
from evenhall.pages.guide import NO_RESULT, card_left, undone, wanted_takes, wants_anew
from evenhall.pages.views.frame import Drawing, Frame, drawn
from evenhall.pages.views.walk import walked_line
from evenhall.report.point import Point
from evenhall.report.verdicts import headline, verdicts
from evenhall.report.views import evenness_view, response_view
from evenhall.report.worklist import largest_first, pattern_kind, remedy_text, troubles
from evenhall.visits.visit import Visit, job_of
from evenhall.words import hz_text

__all__ = ["Chart", "VerdictPage", "chart_of", "faders_of", "map_drawing", "verdict_page"]

# On a laptop, and on a phone held upright.
WIDE_PX, NARROW_PX = (
    {"width_px": 900.0, "height_px": 300.0},
    {"width_px": 380.0, "height_px": 260.0},
)
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
class Chart:
    """A response chart, and the same for a phone held upright."""

    wide: Drawing
    narrow: Drawing


@dataclass(frozen=True)
class VerdictPage:
    """Verdict: one sentence, what to do first, the map; behind folds what it is made of."""

    frame: Frame
    sentence: str
    first: str  # first open entry of the worklist
    first_care: str  # and what to mind, beside what it says itself
    even: Point | None
    points: tuple[Point, ...]
    map: Drawing | None
    findings: tuple[Finding, ...]
    chart: Chart | None
    troubles: tuple[Point, ...]
    missing: tuple[str, ...]
    evenness_rows: tuple[tuple[str, str, str], ...]
    walked: str  # what doubt a walk has left


def map_drawing(result: Result | None, state: str) -> Drawing | None:
    """Draw the evenness map of the takes of a state; None where there is none."""
    view = evenness_view(result or NO_RESULT, state)
    if view is None:
        return None

    def draw(theme: Theme) -> str:
        names = draw_row_names(view, theme=theme)
        return f'{draw_evenness_map(view, theme=theme)}<div class="row-names">{names}</div>'

    return drawn(view.title, draw)


def chart_of(view: ResponseView | None) -> Chart | None:
    """Draw a response chart; None where there is nothing to show."""
    if view is None:
        return None

    def of_size(size_px: dict[str, float]) -> Drawing:
        return drawn(view.title, lambda theme: draw_response_chart(view, theme=theme, **size_px))

    return Chart(wide=of_size(WIDE_PX), narrow=of_size(NARROW_PX))


def faders_of(side: str, count: int) -> str:
    """Say how many faders of a card."""
    return f"{count} fader{'s' if count != 1 else ''} of the {side} card"


def _first(visit: Visit, result: Result | None) -> tuple[str, str]:
    """Say what is first to do of what is still open, and what to mind; empty where nothing is."""
    if hands := sorted(undone(visit, result), key=lambda move: move.order):
        return hands[0].text, care(hands[0].kind, hands[0].text)
    if wants_anew(visit, result):
        return "Take all spots again, then set the card.", ""
    for side, faders in card_left(visit, result).items():
        if faders:
            return f"Set {faders_of(side, len(faders))}.", ""
    return "", ""


def verdict_page(visit: Visit, result: Result | None, frame: Frame) -> VerdictPage:
    """Make the page of the verdict."""
    known = result or NO_RESULT
    first, first_care = _first(visit, result)
    points = () if result is None else verdicts(result)
    return VerdictPage(
        frame=frame,
        sentence=headline(known) if known.any_usable else NO_VERDICT,
        first=first,
        first_care=first_care,
        even=points[0] if points else None,
        points=points,
        map=map_drawing(result, "before"),
        findings=tuple(_finding(pattern) for pattern in largest_first(known.patterns)),
        chart=None if result is None else chart_of(response_view(result, job_of(visit))),
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
                "within it" if band.holds else "beyond",
            )
            for band in (known.evenness.bands if known.evenness else ())
        ),
        walked=walked_line(known.forecast),
    )
