"""Worklist: hands first, then the card, then what to leave alone; and the card by itself."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from evenhall.cautions import care
from evenhall.drawing import CardFader, CardView, FaderView, draw_card, draw_fader
from evenhall.drawing.card import MAX_FADERS_IN_ROW
from evenhall.drawing.svg import signed_db
from evenhall.hall.label import for_side
from evenhall.job.tune.result import Move, Result
from evenhall.pages.fields import Filled, fields_named, filled
from evenhall.pages.guide import (
    NO_RESULT,
    asks_for_walk,
    card_left,
    done_before,
    hand_moves,
    move_key,
    moved,
    skip_key,
    wants_anew,
)
from evenhall.pages.views.frame import Drawing, Frame, drawn
from evenhall.pages.views.hall import hall_drawing
from evenhall.report import worklist
from evenhall.report.point import Point
from evenhall.report.views import card_views, side_title, stance_of
from evenhall.visits.visit import Entry, Visit, job_of
from evenhall.words import fader_name

__all__ = ["CardPage", "WorklistPage", "card_page", "worklist_page"]

# What may be found to be otherwise once somebody stands on the ladder.
STANCE_FIELDS = fields_named(
    "rig.max_height_m", "rig.speaker_height_m", "rig.speaker_down_deg", "rig.speaker_inwards_deg"
)
# On a phone held upright: slots as wide as a thumb.
PHONE_WIDTH_PX, PHONE_RAIL_PX, PHONE_IN_ROW = 380.0, 100.0, 8


@dataclass(frozen=True)
class Task:
    """A move to tick off."""

    key: str  # name of its entry
    kind: str
    text: str
    expected: str
    done: bool
    revision: int
    care: str  # what to mind where it can hurt someone
    skip_key: str  # name of the entry that says that it cannot be done tonight
    skipped: bool


@dataclass(frozen=True)
class CardSide:
    """The card of one side, drawn in one row, and in several for a phone held upright."""

    side: str
    title: str
    drawing: Drawing
    narrow: Drawing
    moving: int  # faders that the card moves
    left: int  # and those that do not stand there yet
    copy_of: str  # side whose settings these are too; empty for the first


@dataclass(frozen=True)
class WorklistPage:
    """Worklist: hands first, then the card, then what to leave alone."""

    frame: Frame
    tasks: tuple[Task, ...]
    done_before: tuple[str, ...]  # and what the takes still show of it stays
    walk: str  # what a walk would bring, where that is much
    stays: tuple[str, ...]
    cards: tuple[CardSide, ...]
    levels: tuple[str, ...]
    strip: tuple[Point, ...]
    sections: tuple[Point, ...]
    leave: tuple[Point, ...]
    no_card: str
    moved: bool
    # What the dark button does: tick off this task, begin the takes anew, set the card of a side.
    first: str
    anew: bool
    card_next: str
    ready: bool
    drawing: Drawing | None
    stance: tuple[Filled, ...]


def _card_drawing(view: CardView, in_row: int, **size_px: float) -> Drawing:
    rows = math.ceil(len(view.faders) / in_row)
    return drawn(
        f"Card, {view.title}",
        lambda theme: draw_card(view, theme=theme, rows=rows, **size_px),
    )


def _card_sides(visit: Visit, result: Result) -> tuple[CardSide, ...]:
    if not any(result.card.values()):
        return ()
    views = card_views(result, job_of(visit))
    left = card_left(visit, result)
    sides = []
    first = ""
    for side, faders in left.items():
        view = for_side(views, side)
        if view is None:
            continue
        own = replace(view, title=side_title(side, ()))
        sides.append(
            CardSide(
                side=side,
                title=own.title,
                drawing=_card_drawing(own, MAX_FADERS_IN_ROW),
                narrow=_card_drawing(
                    own, PHONE_IN_ROW, width_px=PHONE_WIDTH_PX, rail_height_px=PHONE_RAIL_PX
                ),
                moving=len(own.marks),
                left=len(faders),
                copy_of=first if side not in views else "",
            )
        )
        first = first or side
    return tuple(sides)


def _told(move: Move, result: Result) -> bool:
    """Tell whether a move only repeats what is said of a pattern."""
    return any(one.why in move.text for one in result.patterns)


def worklist_page(visit: Visit, result: Result | None, frame: Frame) -> WorklistPage:
    """Make the page of the worklist."""
    known = result or NO_RESULT
    moves = worklist.moves_in_order(known)
    hands = hand_moves(visit, result)
    tasks = tuple(_task(visit, move) for move in moves if move in hands)
    first = next((task.key for task in tasks if not task.done and not task.skipped), "")
    anew = wants_anew(visit, result)
    cards = _card_sides(visit, known)
    return WorklistPage(
        frame=frame,
        tasks=tasks,
        done_before=tuple(move.text.split(". ")[0] for move in moves if done_before(visit, move)),
        walk=" ".join(move.text for move in moves if asks_for_walk(move)),
        # Patterns to leave have a list of their own.
        stays=tuple(move.text for move in moves if move.kind == "leave" and not _told(move, known)),
        cards=cards,
        levels=tuple(one.text for one in known.headroom),
        strip=worklist.strip(known),
        sections=worklist.sections(known),
        leave=worklist.left_alone(known),
        no_card=worklist.no_card(known),
        moved=moved(visit, result),
        first=first,
        anew=anew,
        card_next="" if first or anew else next((one.side for one in cards if one.left), ""),
        ready=known.any_usable,
        drawing=hall_drawing(visit, result, with_spots=False) if stance_of(known) else None,
        stance=tuple(filled(field, visit) for field in STANCE_FIELDS),
    )


def _task(visit: Visit, move: Move) -> Task:
    entry = visit.entries.get(move_key(move), Entry())
    return Task(
        key=move_key(move),
        kind=move.kind,
        text=move.text,
        expected=worklist.expected_gain(move),
        done=bool(entry.value),
        revision=entry.revision,
        care=care(move.kind, move.text),
        skip_key=skip_key(move),
        skipped=bool(visit.value(skip_key(move))),
    )


@dataclass(frozen=True)
class FaderStep:
    """One fader to set, in its turn."""

    name: str  # as it is lettered
    value: str  # where it must stand
    place: str  # where on the faceplate it is
    fader_db: float
    key: str  # name of its entry
    done: bool
    drawing: Drawing  # the fader alone


@dataclass(frozen=True)
class CardPage:
    """The card of one side, filling the screen: one fader at a time, or all of them."""

    frame: Frame
    side: str
    next_side: str  # to set after this one; empty if there is none, or it is set
    drawing: Drawing | None
    narrow: Drawing | None
    faders: tuple[FaderStep, ...]
    at: int
    copy_of: str


def _fader_drawing(view: FaderView) -> Drawing:
    return drawn(f"{view.fader.hz:g} Hz", lambda theme: draw_fader(view, theme=theme))


def _ordinal(place: int) -> str:
    """Write a place as it is spoken.

    Examples
    --------
    >>> [_ordinal(place) for place in (1, 2, 3, 4, 11, 21, 31)]
    ['1st', '2nd', '3rd', '4th', '11th', '21st', '31st']
    """
    ending = "th" if 10 < place % 100 < 20 else {1: "st", 2: "nd", 3: "rd"}.get(place % 10, "th")
    return f"{place}{ending}"


def card_page(visit: Visit, result: Result | None, frame: Frame, *, side: str, at: int) -> CardPage:
    """Make the page of the card of a side, at its fader number `at` (0 = all of them)."""
    known = result or NO_RESULT
    cards = {one.side: one for one in _card_sides(visit, known)}
    card = cards.get(side)
    steps = _fader_steps(visit, known, side) if card else ()
    return CardPage(
        frame=frame,
        side=side,
        next_side=next((one.side for one in cards.values() if one.left and one.side != side), ""),
        drawing=card.drawing if card else None,
        narrow=card.narrow if card else None,
        faders=steps,
        at=max(0, min(at, len(steps))),
        copy_of=card.copy_of if card else "",
    )


def _fader_steps(visit: Visit, result: Result, side: str) -> tuple[FaderStep, ...]:
    """List the faders of a side, what brings most first: so the first five take two minutes."""
    unit = job_of(visit).equalizer
    faders = for_side(result.card, side) or ()
    decimals = CardView("", (), unit.range_db, unit.step_db).decimals
    places = {fader.hz: place for place, fader in enumerate(faders, 1)}
    steps = []
    for fader in sorted(faders, key=lambda fader: fader.order or len(faders) + 1):
        place = places[fader.hz]
        key = f"fader.{side}.{fader.hz:g}"
        entry = visit.entries.get(key, Entry())
        # One that stands off the card is to be set too, back to 0 if need be.
        if not fader.fader_db and not entry.value:
            continue
        own = FaderView(
            CardFader(fader.hz, fader.fader_db), unit.range_db, place, len(faders), decimals
        )
        steps.append(
            FaderStep(
                name=fader_name(fader.hz),
                value=signed_db(fader.fader_db, decimals),
                place=f"{_ordinal(place)} of {len(faders)} from the left",
                fader_db=fader.fader_db,
                key=key,
                done=fader.fader_db == (entry.value or 0.0) and entry.revision > 0,
                drawing=_fader_drawing(own),
            )
        )
    return tuple(steps)
