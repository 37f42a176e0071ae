"""Proof: the takes again, and what they say beside forecast and target."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.hall.elements import Element
from evenhall.job.tune.result import Result
from evenhall.pages.guide import NO_RESULT, card_left
from evenhall.pages.views.frame import Drawing, Frame
from evenhall.pages.views.takes import TakesPage, takes_page
from evenhall.pages.views.verdict import chart_drawing, map_drawing
from evenhall.report.verdicts import proof_point
from evenhall.report.views import proof_view
from evenhall.visits.visit import Visit, job_of
from evenhall.words import capitalised

__all__ = ["ProofPage", "proof_page"]

UNPROVEN = "Nothing is proven yet: take every spot again, with the work done."


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
    chart: Drawing | None
    map: Drawing | None
    map_before: Drawing | None
    undone: tuple[str, ...]
    cable: int
    by_cable: tuple[CableRow, ...]


def proof_page(visit: Visit, result: Result | None, frame: Frame, *, cable: int) -> ProofPage:
    """Make the page of the proof."""
    point = proof_point(result or NO_RESULT)
    chart = None if result is None else proof_view(result, job_of(visit))
    left = card_left(visit, result)
    undone = [
        f"The {side} card is not set yet: {len(faders)} faders."
        for side, faders in left.items()
        if faders
    ]
    return ProofPage(
        frame=frame,
        takes=takes_page(visit, result, frame, state="after"),
        sentence=UNPROVEN if point is None else f"{point.head}. {point.body}",
        chart=chart_drawing(chart),
        map=map_drawing(result, "after"),
        map_before=map_drawing(result, "before"),
        undone=tuple(undone),
        cable=cable,
        by_cable=_cable_rows(result),
    )


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
