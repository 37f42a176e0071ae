"""What each page shows, as one typed value: from a visit and its verdict to words and drawings.

`frame_of()` makes what stands around every page; a function a page makes the rest.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from evenhall.drawing import (
    DARK,
    LIGHT,
    CardFader,
    CardView,
    Curve,
    HallSpot,
    HallView,
    ResponseView,
    Theme,
    draw_card,
    draw_evenness_map,
    draw_hall,
    draw_response_chart,
)
from evenhall.drawing.svg import frequency_label, signed_db
from evenhall.job.result import Move, Pattern, Proof, Result
from evenhall.pages.fields import GROUPS, Filled, filled, gear
from evenhall.pages.guide import (
    HANDS,
    Next,
    Spot,
    Step,
    WantedTake,
    card_left,
    elements,
    missing,
    move_key,
    moved,
    next_thing,
    spots,
    steps,
    wanted_takes,
)
from evenhall.pages.player import Playing
from evenhall.sheet import words
from evenhall.sheet.views import card_views, evenness_view, response_view, side_title
from evenhall.verdict.words import hz_text
from evenhall.visits.visit import Entry, StoredTake, Visit, faults_of, job_of

__all__ = [
    "CardPage",
    "Drawing",
    "Frame",
    "HandOverPage",
    "LinePage",
    "ProofPage",
    "SetOutPage",
    "TakesPage",
    "VerdictPage",
    "WorklistPage",
    "card_page",
    "frame_of",
    "hall_drawing",
    "hand_over_page",
    "line_page",
    "proof_page",
    "set_out_page",
    "takes_page",
    "verdict_page",
    "worklist_page",
]

MAP_WIDTH_PX, CHART_WIDTH_PX, CHART_HEIGHT_PX, HALL_WIDTH_PX = 1044.0, 718.0, 300.0, 420.0
CARD_WIDTH_PX, CARD_RAIL_PX = 1044.0, 190.0
ONE_FADER_PX, ONE_RAIL_PX = 360.0, 220.0
CALIBRATION, STIMULUS = "microphone.calibration", "reference.file"


@dataclass(frozen=True)
class Drawing:
    """One drawing in both looks; the style sheet shows the one that fits.

    Parameters
    ----------
    light, dark : Markup
        SVG.
    title : str
        For whoever cannot see it.
    """

    light: Markup
    dark: Markup
    title: str


def _drawn(title: str, draw: Callable[[Theme], str]) -> Drawing:
    # The SVG is made here, and whatever people typed is escaped in it.
    return Drawing(light=Markup(draw(LIGHT)), dark=Markup(draw(DARK)), title=title)


@dataclass(frozen=True)
class Frame:
    """What stands around every page of a visit.

    Parameters
    ----------
    visit, name, demo, made_on
        Which visit it is.
    steps : tuple of Step
    at : str
        Key of the page.
    next : Next
    sound_check : str
        ISO 8601, or empty.
    left_min, needed_min : int or None, int
        Until then, and for what is still to do.
    faults : tuple of str
        What cannot be so in the set-out.
    playing : Playing
        What sounds; of another visit too, as there is one sound device.
    warned : bool
        Whether everybody near the loudspeakers was warned at this visit.
    here : bool
        Whether the page is shown on the laptop itself.
    """

    visit: int
    name: str
    demo: bool
    made_on: str
    steps: tuple[Step, ...]
    at: str
    next: Next
    sound_check: str
    left_min: int | None
    needed_min: int
    faults: tuple[str, ...]
    playing: Playing
    warned: bool
    here: bool


def frame_of(
    visit: Visit,
    result: Result | None,
    *,
    at: str,
    playing: Playing,
    here: bool,
    now: datetime.datetime,
) -> Frame:
    """Make what stands around a page."""
    way = steps(visit, result)
    check = visit.value("sound_check")
    left = None
    if check:
        left = round((datetime.datetime.fromisoformat(check) - now).total_seconds() / 60.0)
    made = datetime.datetime.fromisoformat(visit.made_at).astimezone()
    return Frame(
        visit=visit.number,
        name=visit.name,
        demo=visit.demo,
        made_on=f"{made.day} {made:%B %Y}",
        steps=way,
        at=at,
        next=next_thing(visit, result, way),
        sound_check=check or "",
        left_min=left,
        needed_min=max(1, round(sum(step.left_s for step in way) / 60.0)),
        faults=faults_of(visit),
        playing=playing,
        warned=visit.demo or bool(visit.value("warned")),
        here=here,
    )


def _spot_state(one: WantedTake, following: WantedTake | None) -> str:
    if one is following:
        return "next"
    if one.usable:
        return "done"
    return "again" if one.take is not None else "open"


def hall_drawing(
    visit: Visit,
    result: Result | None,
    *,
    state: str = "before",
    playing: str | None = None,
    marked: bool = True,
) -> Drawing:
    """Draw the hall with its spots; `marked` shows which are done and which is next."""
    takes = wanted_takes(visit, result, state)
    following = next((one for one in takes if not one.usable), None) if marked else None
    proposed = _proposed(result)
    view = HallView(
        title=visit.name,
        length_m=visit.value("venue.length_m"),
        width_m=visit.value("venue.width_m"),
        height_m=visit.value("venue.height_m"),
        first_row_m=visit.value("audience.first_row_m"),
        last_row_m=visit.value("audience.last_row_m"),
        ear_height_m=visit.value("audience.ear_height_m") or 1.2,
        sides=elements(visit),
        speaker_height_m=visit.value("rig.speaker_height_m"),
        speaker_down_deg=visit.value("rig.speaker_down_deg") or 0.0,
        coverage_h_deg=visit.value("rig.coverage_h_deg") or 90.0,
        coverage_v_deg=visit.value("rig.coverage_v_deg") or 60.0,
        max_height_m=visit.value("rig.max_height_m"),
        proposed_height_m=proposed.get("speaker_height_m"),
        proposed_down_deg=proposed.get("speaker_down_deg"),
        spots=tuple(
            HallSpot(
                one.spot,
                one.side,
                one.along_m,
                _spot_state(one, following) if marked else "open",
            )
            for one in takes
            if one.along_m is not None
        ),
        playing=playing,
    )
    return _drawn(
        "The hall from the side and from above",
        lambda theme: draw_hall(view, theme=theme, width_px=HALL_WIDTH_PX),
    )


def _proposed(result: Result | None) -> dict[str, Any]:
    figures: dict[str, Any] = {}
    for move in () if result is None else result.moves:
        if move.kind in ("raise", "aim"):
            figures |= move.to
    return figures


@dataclass(frozen=True)
class FilledGroup:
    """Fields that belong together, with what stands in them."""

    title: str
    fields: tuple[Filled, ...]
    more: tuple[Filled, ...]


@dataclass(frozen=True)
class SetOutPage:
    """Set out: what is asked for, the hall as far as it is known, and what to bring."""

    frame: Frame
    groups: tuple[FilledGroup, ...]
    missing: tuple[str, ...]
    drawing: Drawing
    spots: tuple[Spot, ...]
    spots_entry: Entry
    own_spots: bool
    gear: tuple[str, ...]
    calibration: str
    sound_check: Entry
    sound_check_clock: str


def set_out_page(visit: Visit, result: Result | None, frame: Frame) -> SetOutPage:
    """Make the page of the set-out."""
    return SetOutPage(
        frame=frame,
        groups=tuple(
            FilledGroup(
                group.title,
                tuple(filled(field, visit) for field in group.fields),
                tuple(filled(field, visit) for field in group.more),
            )
            for group in GROUPS
        ),
        missing=missing(visit),
        drawing=hall_drawing(visit, result, marked=False),
        spots=spots(visit),
        spots_entry=visit.entries.get("spots", Entry()),
        own_spots=bool(visit.value("spots")),
        gear=gear(visit, elements(visit)),
        calibration=visit.value(CALIBRATION) or "",
        sound_check=visit.entries.get("sound_check", Entry()),
        sound_check_clock=_clock(visit.value("sound_check")),
    )


def _clock(at: str | None) -> str:
    """Time of day, here, of an ISO 8601 time."""
    return f"{datetime.datetime.fromisoformat(at).astimezone():%H:%M}" if at else ""


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
    kept = visit.value("line_check") or {}
    found = kept.get("findings", [])
    checked = [
        Checked(
            element=name,
            heard=name in kept.get("elements", []),
            works=all(one["code"] == "works" for one in found if one["element"] == name),
            findings=tuple(one["text"] for one in found if one["element"] == name),
        )
        for name in elements(visit)
    ]
    return LinePage(frame=frame, checked=tuple(checked), checked_at=_clock(kept.get("at")))


@dataclass(frozen=True)
class TakeRow:
    """A take that the visit needs, and how it stands.

    Parameters
    ----------
    wanted : WantedTake
    state : {"done", "next", "again", "open"}
    problems : tuple of str
        Of the one that was made.
    """

    wanted: WantedTake
    state: str
    problems: tuple[str, ...]


@dataclass(frozen=True)
class TakesPage:
    """Takes: which comes next, how it goes, and whether it is good."""

    frame: Frame
    state: str
    rows: tuple[TakeRow, ...]
    following: WantedTake | None
    drawing: Drawing
    others: tuple[StoredTake, ...]
    deleted: tuple[StoredTake, ...]
    gain: str
    gain_holds: bool
    sides: tuple[str, ...]
    spots: tuple[Spot, ...]
    stimulus: str


def takes_page(visit: Visit, result: Result | None, frame: Frame, *, state: str) -> TakesPage:
    """Make the page of the takes of one state, "before" or "after"."""
    takes = wanted_takes(visit, result, state)
    following = next((one for one in takes if not one.usable), None)
    problems = (
        {}
        if result is None
        else {take.file: tuple(one.text for one in take.problems) for take in result.takes}
    )
    counted = {one.take.number for one in takes if one.take is not None}
    gain = visit.value("gain") or {}
    playing = frame.playing
    sounds = playing.side if playing.visit == visit.number and playing.busy else None
    return TakesPage(
        frame=frame,
        state=state,
        rows=tuple(
            TakeRow(
                one,
                _spot_state(one, following),
                problems.get(one.take.take.file, ()) if one.take else (),
            )
            for one in takes
        ),
        following=following,
        drawing=hall_drawing(visit, result, state=state, playing=sounds or None),
        others=tuple(
            one for one in visit.kept_takes if one.take.state == state and one.number not in counted
        ),
        deleted=tuple(one for one in visit.takes if one.deleted and one.take.state == state),
        gain=gain.get("text", ""),
        gain_holds=gain.get("turn") == "hold",
        sides=elements(visit),
        spots=spots(visit),
        stimulus=visit.value(STIMULUS) or "",
    )


@dataclass(frozen=True)
class Finding:
    """A dip or build-up: one line, and behind it its reason and its numbers."""

    head: str
    remedy: str
    why: str
    figures: tuple[tuple[str, str], ...]


REMEDY_WORDS = {
    "equalize": "The card takes it out.",
    "leave": "Leave it alone.",
    "move": "Move the source or the microphone, not a fader.",
    "polarity": "A matter of polarity, not of a fader.",
    "delay": "A matter of delay, not of a fader.",
}


def _finding(pattern: Pattern) -> Finding:
    kind = "Dip" if pattern.depth_db < 0 else "Build-up"
    where = "at every spot" if pattern.scope == "common" else "at " + ", ".join(pattern.spots)
    return Finding(
        head=f"{kind} at {hz_text(pattern.hz)}, {where}",
        remedy=REMEDY_WORDS[pattern.remedy],
        why=pattern.why
        + ("" if pattern.certain else " It may be chance: so few spots cannot tell."),
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
    points: tuple[words.Point, ...]
    map: Drawing | None
    map_after: Drawing | None
    findings: tuple[Finding, ...]
    chart: Drawing | None
    troubles: tuple[words.Point, ...]
    missing: tuple[str, ...]
    evenness_rows: tuple[tuple[str, str, str], ...]


def _map(result: Result | None, state: str) -> Drawing | None:
    view = None if result is None else evenness_view(result, state)
    if view is None:
        return None
    return _drawn(
        view.title, lambda theme: draw_evenness_map(view, theme=theme, width_px=MAP_WIDTH_PX)
    )


def _chart(view: ResponseView | None) -> Drawing | None:
    if view is None:
        return None
    return _drawn(
        view.title,
        lambda theme: draw_response_chart(
            view, theme=theme, width_px=CHART_WIDTH_PX, height_px=CHART_HEIGHT_PX
        ),
    )


def _summary(result: Result | None) -> str:
    if result is None or not result.any_usable:
        return "No verdict yet: it takes a take at the front and one at the back."
    evenness, match = result.evenness, result.match
    said = []
    if evenness is not None and evenness.bands:
        held = sum(band.holds for band in evenness.bands)
        said.append(
            "The back hears what the front hears, within 6 dB in every band"
            if evenness.holds
            else f"The back is more than {evenness.limit_db:g} dB from the front in "
            f"{len(evenness.bands) - held} of {len(evenness.bands)} bands"
        )
    if match is not None:
        said.append("the sides match" if match.holds else "the sides do not match")
    count = len(result.moves)
    said.append(f"{count} thing{'s' if count != 1 else ''} to do" if count else "nothing to do")
    sentence = "; ".join(said) + "."
    return sentence[0].upper() + sentence[1:]


def verdict_page(visit: Visit, result: Result | None, frame: Frame) -> VerdictPage:
    """Make the page of the verdict."""
    chart = None if result is None else _chart(response_view(result, job_of(visit)))
    patterns = () if result is None else result.patterns
    largest_first = sorted(patterns, key=lambda pattern: -abs(pattern.depth_db))
    evenness = None if result is None else result.evenness
    todo = [
        f"{one.side}, {one.spot}" for one in wanted_takes(visit, result, "before") if not one.usable
    ]
    return VerdictPage(
        frame=frame,
        summary=_summary(result),
        points=() if result is None else words.verdicts(result),
        map=_map(result, "before"),
        map_after=_map(result, "after"),
        findings=tuple(_finding(pattern) for pattern in largest_first),
        chart=chart,
        troubles=() if result is None else words.troubles(result),
        missing=tuple(todo),
        evenness_rows=()
        if evenness is None
        else tuple(
            (
                hz_text(band.hz),
                f"{signed_db(band.front_minus_back_db, 1)} dB",
                "holds" if band.holds else "too much",
            )
            for band in evenness.bands
        ),
    )


@dataclass(frozen=True)
class Task:
    """A move to tick off.

    Parameters
    ----------
    key : str
        Name of its entry.
    kind, text, expected : str
    done : bool
    revision : int
    care : str
        What to mind where it can hurt someone.
    """

    key: str
    kind: str
    text: str
    expected: str
    done: bool
    revision: int
    care: str


CARE = {
    "raise": "Two lift a loudspeaker. Keep within the rated load and height of the stand, and "
    "people from under it; what hangs over people is for those licensed for it.",
    "aim": "Hold the box while its clamp is open, and keep people from under it.",
    "relocate": "Two lift a loudspeaker. Mind cables on the floor where people walk.",
    "polarity": "Mute first. Mains wiring stays closed: it is for a licensed electrician.",
}


@dataclass(frozen=True)
class CardSide:
    """The card of one side.

    Parameters
    ----------
    side : str
    title : str
    drawing : Drawing
    moving, left : int
        Faders that the card moves, and those that do not stand there yet.
    copy_of : str
        Side whose settings these are too; empty for the first.
    """

    side: str
    title: str
    drawing: Drawing
    moving: int
    left: int
    copy_of: str


@dataclass(frozen=True)
class WorklistPage:
    """Worklist: hands first, then the card, then what to leave alone."""

    frame: Frame
    tasks: tuple[Task, ...]
    cards: tuple[CardSide, ...]
    leave: tuple[words.Point, ...]
    leave_moves: tuple[Move, ...]
    moved: bool
    ready: bool
    drawing: Drawing | None


def _card_drawing(view: CardView, *, width_px: float, rail_px: float) -> Drawing:
    return _drawn(
        f"Card, {view.title}",
        lambda theme: draw_card(view, theme=theme, width_px=width_px, rail_height_px=rail_px),
    )


def _card_sides(visit: Visit, result: Result | None) -> tuple[CardSide, ...]:
    if result is None:
        return ()
    keys = (key for key, faders in result.card.items() if faders)
    views = dict(zip(keys, card_views(result, job_of(visit)), strict=True))
    left = card_left(visit, result)
    sides = []
    first = ""
    for side, faders in left.items():
        view = views.get(side, views.get("both"))
        if view is None:
            continue
        own = CardView(side_title(side, ()), view.faders, view.range_db, view.step_db)
        sides.append(
            CardSide(
                side=side,
                title=own.title,
                drawing=_card_drawing(own, width_px=CARD_WIDTH_PX, rail_px=CARD_RAIL_PX),
                moving=len(own.marks),
                left=len(faders),
                copy_of=first if side not in views else "",
            )
        )
        first = first or side
    return tuple(sides)


def worklist_page(visit: Visit, result: Result | None, frame: Frame) -> WorklistPage:
    """Make the page of the worklist."""
    moves = () if result is None else sorted(result.moves, key=lambda move: move.order)
    tasks = tuple(
        Task(
            key=move_key(move),
            kind=move.kind,
            text=move.text,
            expected=words.expected_gain(move).strip(),
            done=bool(visit.value(move_key(move))),
            revision=visit.entries.get(move_key(move), Entry()).revision,
            care=CARE.get(move.kind, ""),
        )
        for move in moves
        if move.kind in HANDS
    )
    return WorklistPage(
        frame=frame,
        tasks=tasks,
        cards=_card_sides(visit, result),
        leave=() if result is None else words.left_alone(result),
        leave_moves=tuple(move for move in moves if move.kind == "leave"),
        moved=moved(visit, result),
        ready=result is not None and result.any_usable,
        drawing=hall_drawing(visit, result, marked=False) if _proposed(result) else None,
    )


@dataclass(frozen=True)
class FaderStep:
    """One fader to set, in its turn.

    Parameters
    ----------
    hz : float
    name, value : str
        As it is lettered, and where it must stand.
    fader_db : float
    key : str
        Name of its entry.
    done : bool
    revision : int
    drawing : Drawing
        The fader alone.
    """

    hz: float
    name: str
    value: str
    fader_db: float
    key: str
    done: bool
    revision: int
    drawing: Drawing


@dataclass(frozen=True)
class CardPage:
    """The card of one side, filling the screen: one fader at a time, or all of them."""

    frame: Frame
    side: str
    sides: tuple[str, ...]
    drawing: Drawing | None
    faders: tuple[FaderStep, ...]
    at: int
    copy_of: str


def card_page(visit: Visit, result: Result | None, frame: Frame, *, side: str, at: int) -> CardPage:
    """Make the page of the card of a side, at its fader number `at` (0 = all of them)."""
    cards = {one.side: one for one in _card_sides(visit, result)}
    card = cards.get(side)
    steps_: list[FaderStep] = []
    if card is not None and result is not None:
        unit = job_of(visit).equalizer
        for fader in result.card.get(side, result.card.get("both", ())):
            key = f"fader.{side}.{fader.hz:g}"
            entry = visit.entries.get(key, Entry())
            # One that stands off the card is to be set too, back to 0 if need be.
            if not fader.fader_db and not entry.value:
                continue
            own = CardView("", (CardFader(fader.hz, fader.fader_db),), unit.range_db, unit.step_db)
            steps_.append(
                FaderStep(
                    hz=fader.hz,
                    name=frequency_label(fader.hz),
                    value=signed_db(fader.fader_db, own.decimals),
                    fader_db=fader.fader_db,
                    key=key,
                    done=fader.fader_db == (entry.value or 0.0) and entry.revision > 0,
                    revision=entry.revision,
                    drawing=_card_drawing(own, width_px=ONE_FADER_PX, rail_px=ONE_RAIL_PX),
                )
            )
    return CardPage(
        frame=frame,
        side=side,
        sides=tuple(cards),
        drawing=card.drawing if card else None,
        faders=tuple(steps_),
        at=max(0, min(at, len(steps_))),
        copy_of=card.copy_of if card else "",
    )


@dataclass(frozen=True)
class ProofPage:
    """Proof: the takes again, and what they say beside forecast and target."""

    frame: Frame
    takes: TakesPage
    proof: Proof | None
    sentence: str
    chart: Drawing | None
    map: Drawing | None
    map_before: Drawing | None
    undone: tuple[str, ...]


def proof_page(visit: Visit, result: Result | None, frame: Frame) -> ProofPage:
    """Make the page of the proof."""
    proof = None if result is None else result.proof
    chart = None
    if proof is not None and proof.bands:
        hz = [band.hz for band in proof.bands]
        chart = _chart(
            ResponseView(
                title="Measured, forecast and target",
                common=Curve("measured", hz, [band.measured_db for band in proof.bands]),
                target=Curve("target", hz, [band.target_db for band in proof.bands]),
                forecast=Curve("forecast", hz, [band.forecast_db for band in proof.bands]),
                low_limit_hz=visit.value("rig.low_limit_hz"),
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
        map=_map(result, "after"),
        map_before=_map(result, "before"),
        undone=tuple(undone),
    )


def _proof_sentence(proof: Proof | None, result: Result | None) -> str:
    if proof is None:
        return "Nothing is proven yet: take every spot again, with the work done."
    before = result.forecast.rms_before_db if result and result.forecast else None
    was = f" ({before:.1f} dB before the work)" if before is not None else ""
    verdict = "It holds" if proof.holds else "It does not hold yet"
    return (
        f"{verdict}: {proof.rms_db:.1f} dB from the target{was}, "
        f"{proof.forecast_error_db:.1f} dB from the forecast."
    )


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
WALK: tuple[tuple[str, str], ...] = (
    ("front", "Is it too loud or too sharp here? Does the sound come from where people look?"),
    ("middle", "Speech you know: is every word clear, and the voice neither boomy nor thin?"),
    ("back", "The same voice: is it as bright as in the middle, and loud enough?"),
    ("between the loudspeakers", "Walk across: does the tone change sharply anywhere?"),
    ("outer seats", "Do the ends of the rows still hear the treble?"),
    ("stage", "Raise the talker's microphone slowly, ears protected: where does it begin to ring?"),
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
    for label, listen_for in WALK:
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
        cautions=words.CAUTIONS,
    )
