"""Hand-over: the walk, the notes, and what to take away."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.cautions import CAUTIONS
from evenhall.job.tune.result import Result
from evenhall.pages.guide import LISTEN
from evenhall.pages.views.frame import Frame
from evenhall.visits.visit import Entry, Visit

__all__ = ["HandOverPage", "hand_over_page"]


@dataclass(frozen=True)
class WalkSpot:
    """A place to stand and listen, and what was heard there."""

    label: str
    listen_for: str
    walked: bool
    walked_key: str
    walked_revision: int
    note: str
    note_key: str
    note_revision: int


# What ears find out quickest, place by place (common practice, no source).
LISTEN_FOR = (
    "Is it too loud or too sharp here? Does the sound come from where people look?",
    "Speech you know: is every word clear, and the voice neither boomy nor thin?",
    "The same voice: is it as bright as in the middle, and loud enough?",
    "Walk across: does the tone change sharply anywhere?",
    "Do the ends of the rows still hear the treble?",
    "Raise the talker's microphone slowly, ears protected: where does it begin to ring?",
)


@dataclass(frozen=True)
class HandOverPage:
    """Hand-over: the walk, the notes, and what to take away."""

    frame: Frame
    walk: tuple[WalkSpot, ...]
    note: Entry
    printable: bool
    lacking: tuple[str, ...]
    cautions: tuple[tuple[str, str], ...]


def hand_over_page(visit: Visit, result: Result | None, frame: Frame) -> HandOverPage:
    """Make the page of the hand-over."""
    walk = []
    for label, listen_for in zip(LISTEN, LISTEN_FOR, strict=True):
        walked = visit.entries.get(f"walk.{label}", Entry())
        note = visit.entries.get(f"note.{label}", Entry())
        walk.append(
            WalkSpot(
                label=label,
                listen_for=listen_for,
                walked=bool(walked.value),
                walked_key=f"walk.{label}",
                walked_revision=walked.revision,
                note=note.value or "",
                note_key=f"note.{label}",
                note_revision=note.revision,
            )
        )
    lacking = [
        f"{step.title}: {step.note}"
        for step in frame.steps
        if step.state != "done" and step.key != "hand-over"
    ]
    return HandOverPage(
        frame=frame,
        walk=tuple(walk),
        note=visit.entries.get("note.all", Entry()),
        printable=result is not None,
        lacking=tuple(lacking),
        cautions=CAUTIONS,
    )
