"""Proof: the takes again, and what they say beside forecast and target."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.hall.elements import Element
from evenhall.job.tune.result import Result
from evenhall.pages.guide import NO_RESULT, card_left, undone
from evenhall.pages.views.frame import Drawing, Frame
from evenhall.pages.views.takes import TakesPage, takes_page
from evenhall.pages.views.verdict import Chart, chart_of, faders_of, map_drawing
from evenhall.report.point import Point
from evenhall.report.verdicts import proof_point
from evenhall.report.views import proof_view
from evenhall.visits.visit import Visit, job_of
from evenhall.words import capitalised, listed

__all__ = ["ProofPage", "proof_page"]

UNPROVEN = "Not proven yet: take every spot again, with the work done."


@dataclass(frozen=True)
class CableRow:
    """What a cable behind the equalizer says of a side; empty where it was not asked."""

    side: str
    text: str
    holds: bool


@dataclass(frozen=True)
class ProofPage:
    """Proof: the takes again, and what they say beside forecast and target.

    `cable` is the input that a cable behind the equalizer goes to, 0 where there can be none.
    """

    frame: Frame
    takes: TakesPage
    sentence: str
    left: str  # of the worklist
    chart: Chart | None
    map: Drawing | None
    map_before: Drawing | None
    cable: int
    by_cable: tuple[CableRow, ...]


def proof_page(visit: Visit, result: Result | None, frame: Frame, *, cable: int) -> ProofPage:
    """Make the page of the proof."""
    point = proof_point(result or NO_RESULT)
    chart = None if result is None else proof_view(result, job_of(visit))
    takes = takes_page(visit, result, frame, state="after")
    return ProofPage(
        frame=frame,
        takes=takes,
        sentence=UNPROVEN
        if point is None
        else _sentence(point, so_far=takes.following is not None),
        left=_left(visit, result),
        chart=chart_of(chart),
        map=map_drawing(result, "after"),
        map_before=map_drawing(result, "before"),
        cable=cable,
        by_cable=_cable_rows(result),
    )


def _sentence(point: Point, *, so_far: bool) -> str:
    """Say whether it is proven, and by what; `so_far` while takes are still to be made."""
    return f"{'Proven' if point.holds else 'Not proven'}{' so far' * so_far}. {point.body}"


def _left(visit: Visit, result: Result | None) -> str:
    """Say what of the worklist is left to do; empty before there is one."""
    if result is None or not result.any_usable:
        return ""
    hands = len(undone(visit, result))
    left = [f"{hands} thing{'s' if hands != 1 else ''} by hand"] if hands else []
    left += [
        faders_of(side, len(faders)) for side, faders in card_left(visit, result).items() if faders
    ]
    return f"Left to do: {listed(left)}." if left else "Nothing is left to do on the worklist."


def _cable_rows(result: Result | None) -> tuple[CableRow, ...]:
    if result is None or not result.card:
        return ()
    told = {one.side: one for one in result.by_cable}

    def text(side: str) -> str:
        if side not in told:
            return ""
        words = told[side].text.removeprefix(f"{side}, by cable: ")  # the row says so
        return capitalised(words)

    sides = dict.fromkeys(take.side for take in result.takes if Element.named(take.side).is_main)
    return tuple(CableRow(side, text(side), side in told and told[side].holds) for side in sides)
