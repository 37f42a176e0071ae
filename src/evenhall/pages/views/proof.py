"""Proof: the takes again, and what they say beside forecast and target."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.drawing import Curve, ResponseView
from evenhall.hall.elements import Element
from evenhall.job.tune.result import Proof, Result
from evenhall.pages.guide import card_left, feeds_subs
from evenhall.pages.views.frame import Drawing, Frame
from evenhall.pages.views.takes import TakesPage, takes_page
from evenhall.pages.views.verdict import chart_drawing, map_drawing
from evenhall.sheet import words
from evenhall.verdict.words import count_text
from evenhall.visits.visit import Visit

__all__ = ["ProofPage", "proof_page"]


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
    proof: Proof | None
    sentence: str
    chart: Drawing | None
    map: Drawing | None
    map_before: Drawing | None
    undone: tuple[str, ...]
    cable: int
    by_cable: tuple[CableRow, ...]


def proof_page(visit: Visit, result: Result | None, frame: Frame, *, cable: int) -> ProofPage:
    """Make the page of the proof."""
    proof = None if result is None else result.proof
    chart = None
    if proof is not None and proof.bands:
        hz = [band.hz for band in proof.bands]
        chart = chart_drawing(
            ResponseView(
                title="Measured, forecast and target",
                common=Curve("measured", hz, [band.measured_db for band in proof.bands]),
                target=Curve("target", hz, [band.target_db for band in proof.bands]),
                forecast=Curve("forecast", hz, [band.forecast_db for band in proof.bands]),
                low_limit_hz=None if feeds_subs(visit) else visit.value("rig.low_limit_hz"),
            )
        )
    left = card_left(visit, result)
    undone = [
        f"The {side} card is not set yet: {len(faders)} faders."
        for side, faders in left.items()
        if faders
    ]
    return ProofPage(
        frame=frame,
        takes=takes_page(visit, result, frame, state="after"),
        proof=proof,
        sentence=_proof_sentence(proof, result),
        chart=chart,
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
        return words[:1].upper() + words[1:]

    sides = dict.fromkeys(take.side for take in result.takes if Element.named(take.side).is_main)
    return tuple(
        CableRow(
            side,
            text(side),
            side in told and told[side].holds,
        )
        for side in sides
    )


def _proof_sentence(proof: Proof | None, result: Result | None) -> str:
    if proof is None:
        return "Nothing is proven yet: take every spot again, with the work done."
    before = result.forecast.rms_before_db if result and result.forecast else None
    count = f"{count_text(proof.takes)} take{'s say' if proof.takes != 1 else ' says'}"
    was = f", {before:.1f} dB before the work" if before is not None else ""
    verdict = "It holds" if proof.holds else "It does not hold yet"
    scale = [proof.unlike_scale] if proof.unlike_scale else []
    wrong = "".join(f" {line}" for line in [*scale, *(one.text for one in proof.faders_wrong)])
    return (
        f"{verdict}: {count} that the area as a whole is {proof.rms_db:.1f} dB "
        f"from the target{was}, and {proof.forecast_error_db:.1f} dB from what the card promised."
        f" {words.proof_evenness(proof)}{wrong}"
    )
