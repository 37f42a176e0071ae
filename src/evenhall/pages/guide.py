"""What comes next: the steps of a visit, how far each is, and how long the rest takes.

Pure: from a visit and its result to words. `steps()` for the list at the top of each page,
`next_thing()` for the line below it, `wanted_takes()` for the order of the takes.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from evenhall.errors import InputError
from evenhall.hall.elements import SIDES, Element
from evenhall.hall.label import BOTH, WALK, TakeLabel, for_side
from evenhall.hall.setting import Audience
from evenhall.hall.spots import usual_spots
from evenhall.job.folder.adding import check_plays_along
from evenhall.job.tune.result import Move, Result, TargetCurve
from evenhall.report.point import holds_text
from evenhall.visits.visit import StoredTake, Visit, faults_of
from evenhall.words import count_text, listed

__all__ = [
    "LISTEN",
    "NO_RESULT",
    "STEPS",
    "Next",
    "Spot",
    "Step",
    "WantedTake",
    "alone_so_far",
    "asks_for_walk",
    "card_left",
    "check_element",
    "check_take",
    "done_before",
    "elements",
    "feeds_subs",
    "hand_moves",
    "mains_of",
    "missing",
    "move_key",
    "moved",
    "next_thing",
    "on_middle_line",
    "skip_key",
    "spots",
    "steps",
    "to_do",
    "undone",
    "walks",
    "wanted_takes",
    "wants_anew",
    "wants_device",
    "wants_gain",
]

STEPS = {
    "set-out": "Set out",
    "line-check": "Line check",
    "takes": "Takes",
    "verdict": "Verdict",
    "worklist": "Worklist",
    "proof": "Proof",
    "hand-over": "Hand-over",
}

# How long things take one person in a hall, walking included (common practice, no source).
SET_OUT_S, DEVICE_S, ELEMENT_S, GAIN_S, TAKE_S, READ_S, HAND_S, FADER_S, HAND_OVER_S = (
    *(240.0, 60.0, 45.0, 60.0, 75.0, 60.0, 240.0, 12.0, 300.0),
)
# Set aside for what nobody knows before the takes: two jobs for hands, twenty faders to set.
HANDS_S, CARD_S = 2 * HAND_S, 20 * FADER_S
NO_RESULT = Result(job="", takes=(), target=TargetCurve(shape="", points=()))
SIMULATED_TAKE_S = 5.0
# Where to stand and listen at the end.
LISTEN = ("front", "middle", "back", "between the loudspeakers", "outer seats", "stage")
NEEDED = {
    "venue.length_m": "the room's length",
    "venue.width_m": "its width",
    "venue.height_m": "its height",
    "audience.first_row_m": "the first row",
    "audience.last_row_m": "the last row",
    "rig.speaker_height_m": "the height of the loudspeakers",
}
# Moves that hands carry out, and after which the responses are others than those that were taken.
HANDS = ("raise", "aim", "relocate", "polarity", "gain", "delay", "check")
# A level alone is lined up before anything is judged; all else changes what the card is made of.
CHANGES_TAKES = ("raise", "aim", "relocate", "polarity", "delay", "check")
# And of those what moves the boxes: what follows it on the list was measured before it.
LADDER = ("raise", "aim", "relocate")


@dataclass(frozen=True)
class Spot:
    """Where the microphone goes: its name, and how far along the floor."""

    label: str
    along_m: float | None


@dataclass(frozen=True)
class WantedTake:
    """A take that belongs to the visit, and the last one that was made of it."""

    side: str
    spot: str
    along_m: float | None
    # One place for all elements, on the middle line: what is joined must be heard at one place.
    shared: bool
    with_subs: bool
    take: StoredTake | None  # the one that counts
    usable: bool

    @property
    def name(self) -> str:
        """What plays, in words."""
        return f"{self.side} with the subs" if self.with_subs else self.side


@dataclass(frozen=True)
class Step:
    """One page of the visit."""

    key: str
    title: str
    state: str  # "done", "begun", "open"
    note: str  # how far it is, in a few words
    left_s: float  # what is still to be done takes about so long


@dataclass(frozen=True)
class Next:
    """What to do now, why, and on which page."""

    text: str
    why: str
    step: str
    field: str = ""  # where on that page to type, if that is to be done


ANEW = Next(
    "Take all spots again, then set the card.",
    "Something was moved: the card must fit the rig as it is now.",
    "worklist",
)
WORK = Next(
    "Go on with the worklist.", "Hands first: what a ladder fixes needs no fader.", "worklist"
)


def elements(visit: Visit) -> tuple[str, ...]:
    """Elements of the rig."""
    return tuple(visit.value("rig.sides") or SIDES)


def check_element(visit: Visit, side: str) -> None:
    """See to it that the rig has an element of that name.

    Raises
    ------
    InputError
        It has none.
    """
    if side not in elements(visit):
        raise InputError(f"There is no {side!r} in this rig.")


def mains_of(visit: Visit) -> tuple[str, ...]:
    """Elements of the rig that the card is for."""
    return tuple(side for side in elements(visit) if Element.named(side).is_main)


def feeds_subs(visit: Visit) -> bool:
    """Whether there are subs that the equalizer feeds too."""
    has_subs = any(Element.named(side).is_sub for side in elements(visit))
    return has_subs and bool(visit.value("equalizer.feeds_subs"))


def check_take(visit: Visit, label: TakeLabel) -> None:
    """See to it that a take, or a walk, can be made.

    Raises
    ------
    InputError
        There is no such element or spot, or the subs cannot play along.
    """
    mains = mains_of(visit)
    if not (label.is_walk and label.side == BOTH and len(mains) > 1):
        check_element(visit, label.side)
    if label.is_walk and label.side not in (*mains, BOTH):
        raise InputError(f"Walk with the mains, {listed(mains, 'or')}, and not {label.side!r}.")
    places = [spot.label for spot in spots(visit)]
    if label.at == "audience" and not label.is_walk and label.spot not in places:
        raise InputError(f"There is no spot {label.spot!r} in this visit.")
    if label.with_subs:
        side = mains[0] if label.side == BOTH else label.side
        check_plays_along(side, fed=feeds_subs(visit), say_so="Say so on Set out")


def spots(visit: Visit) -> tuple[Spot, ...]:
    """Places for the microphone, front to back: those chosen, else the usual ones."""
    chosen = visit.value("spots")
    if chosen:
        return tuple(Spot(one["label"], one["along_m"]) for one in chosen)
    first_m, last_m = visit.value("audience.first_row_m"), visit.value("audience.last_row_m")
    if first_m is None or last_m is None or not first_m < last_m:
        return tuple(Spot(label, None) for label in ("front", "middle", "back"))
    return tuple(Spot(one.label, one.along_m) for one in usual_spots(Audience(first_m, last_m)))


def on_middle_line(visit: Visit, spot: str) -> bool:
    """Tell whether a spot is the one that serves all elements, where others join the mains."""
    places = spots(visit)
    middle = places[(len(places) - 1) // 2]
    return len(mains_of(visit)) < len(elements(visit)) and spot == middle.label


def missing(visit: Visit) -> tuple[str, ...]:
    """Name what the set-out still lacks."""
    return tuple(words for name, words in NEEDED.items() if visit.value(name) is None)


def wants_device(visit: Visit, *, has_device: bool) -> bool:
    """Tell whether a sound device is to be chosen: takes that are here came without one."""
    return not (visit.demo or has_device or visit.kept_takes)


def wanted_takes(visit: Visit, result: Result | None, state: str) -> tuple[WantedTake, ...]:
    """List the takes that a visit needs, in the order to make them: one side after the other.

    Mains are heard at every spot, from front to back; subs and delays in the middle. Where the
    equalizer feeds the subs too, mains alone are heard in the middle, to join the subs; then both
    together, there first and then at every other spot, and these the proof takes again.
    """
    places = spots(visit)
    middle = places[(len(places) - 1) // 2]
    names, mains = elements(visit), mains_of(visit)
    if feeds_subs(visit):
        wanted = [(side, spot, True) for side in mains for spot in places]
        if state == "before":
            # The microphone stays in the middle until the joining is proven as well.
            there = [one for one in wanted if one[1] == middle]
            rest = [one for one in wanted if one[1] != middle]
            wanted = [(side, middle, False) for side in names] + there + rest
    else:
        wanted = [
            (side, spot, False)
            for side in names
            for spot in (places if Element.named(side).is_main else (middle,))
        ]
    made = _made(visit, result, state)
    return tuple(
        WantedTake(
            side,
            spot.label,
            spot.along_m,
            on_middle_line(visit, spot.label),
            with_subs,
            *made(side, spot.label, with_subs),
        )
        for side, spot, with_subs in wanted
    )


def wants_gain(visit: Visit, result: Result | None) -> bool:
    """Tell whether the gain is to be set before the next take: a good take shows that it fits."""
    takes = wanted_takes(visit, result, "before")
    return visit.gain.turn != "hold" and not any(one.usable for one in takes)


def walks(visit: Visit, result: Result | None, state: str) -> tuple[WantedTake, ...]:
    """List the walks that a visit may have beside its takes: one a side, as the spots are taken."""
    made, with_subs = _made(visit, result, state), feeds_subs(visit)
    return tuple(
        WantedTake(side, WALK, None, False, with_subs, *made(side, WALK, with_subs))
        for side in mains_of(visit)
    )


def _made(
    visit: Visit, result: Result | None, state: str
) -> Callable[[str, str, bool], tuple[StoredTake | None, bool]]:
    """Give what finds the take that counts of an element at a spot, and whether it is usable."""
    usable = {take.file: take.usable for take in (result or NO_RESULT).takes}
    made: dict[tuple[str, str, bool], StoredTake] = {}
    for one in visit.kept_takes:
        if one.take.state == state and one.take.at == "audience":
            spot = WALK if one.is_walk else one.take.spot
            key = (one.take.side, spot, one.take.with_subs)
            before = made.get(key)
            # The last one counts, unless it cannot be used and an earlier one can.
            if before is None or usable.get(one.take.file) or not usable.get(before.take.file):
                made[key] = one

    def find(side: str, spot: str, with_subs: bool) -> tuple[StoredTake | None, bool]:
        take = made.get((side, spot, with_subs))
        return take, take is not None and usable.get(take.take.file, False)

    return find


def move_key(move: Move) -> str:
    """Name under which a move is ticked; another proposal is another move.

    Without figures it is told by what the hand does, its first sentence: what was measured follows
    that, and changes with every take.
    """
    about = json.dumps([move.kind, dict(move.to), "" if move.to else move.text.split(". ")[0]])
    return f"tick.{move.kind}-{hashlib.sha256(about.encode()).hexdigest()[:10]}"


def skip_key(move: Move) -> str:
    """Name the entry that says that a move cannot be done at this visit."""
    return "skip." + move_key(move).removeprefix("tick.")


def done_before(visit: Visit, move: Move) -> bool:
    """Tell whether a move was done before the takes were begun anew.

    With a figure it is asked for by what is still missing. Without one nobody can tell how far it
    went: asked for again, it would be asked for for ever.
    """
    return not move.to and bool(visit.value("did." + move_key(move).removeprefix("tick.")))


def hand_moves(visit: Visit, result: Result | None) -> list[Move]:
    """List what is for hands, done or not.

    Where there are subs or delays, nothing that follows the ladder: once the boxes are moved it is
    measured again.
    """
    moves = [
        move
        for move in (result or NO_RESULT).moves
        if move.kind in HANDS and not asks_for_walk(move) and not done_before(visit, move)
    ]
    if len(mains_of(visit)) == len(elements(visit)):
        return moves
    climbs = [
        at
        for at, move in enumerate(moves)
        if move.kind in LADDER and not visit.value(skip_key(move))
    ]
    return moves[: climbs[-1] + 1] if climbs else moves


def asks_for_walk(move: Move) -> bool:
    """Tell whether a move is to walk the rows: a take to make, which nobody has to."""
    return "seat_doubt_db" in move.expected


def moved(visit: Visit, result: Result | None) -> bool:
    """Tell whether something was ticked off that makes the takes those of another rig.

    Until mains and subs were taken together only what moves boxes does: takes of each alone are
    for the joining, and no card is made of them.
    """
    kinds = LADDER if alone_so_far(visit) else CHANGES_TAKES
    return any(
        move.kind in kinds and visit.value(move_key(move)) for move in hand_moves(visit, result)
    )


def alone_so_far(visit: Visit) -> bool:
    """Tell whether the mains are still to be taken with the subs, for the card and the verdict."""
    return feeds_subs(visit) and not any(one.take.with_subs for one in visit.kept_takes)


def wants_anew(visit: Visit, result: Result | None) -> bool:
    """Tell whether the takes are to be made again before the card is set."""
    begun = any(visit.values("fader.").values())
    return moved(visit, result) and not undone(visit, result) and not begun


def card_left(visit: Visit, result: Result | None) -> dict[str, tuple[tuple[float, float], ...]]:
    """Faders that do not stand as the card says yet, (Hz, dB), for each main side."""
    if result is None:
        return {}
    left: dict[str, tuple[tuple[float, float], ...]] = {}
    for side in elements(visit):
        if not Element.named(side).is_main:
            continue
        faders = for_side(result.card, side) or ()
        stands = visit.faders(side)
        left[side] = tuple(
            (fader.hz, fader.fader_db)
            for fader in faders
            if fader.fader_db != stands.get(float(f"{fader.hz:g}"), 0.0)
        )
    return left


def undone(visit: Visit, result: Result | None) -> list[Move]:
    """List what hands have still to do."""
    return [
        move
        for move in hand_moves(visit, result)
        if not visit.value(move_key(move)) and not visit.value(skip_key(move))
    ]


def to_do(visit: Visit, result: Result | None) -> int:
    """Count what is still to be done: each job for hands, and the card as one."""
    return len(undone(visit, result)) + any(card_left(visit, result).values())


def _count(done: int, total: int) -> str:
    return f"{done} of {total}"


def _state(done: int, total: int) -> str:
    return "done" if done >= total else "begun" if done else "open"


def _step(key: str, state: str, note: str, left_s: float) -> Step:
    return Step(key, STEPS[key], state, note, left_s)


def steps(visit: Visit, result: Result | None, *, has_device: bool = True) -> tuple[Step, ...]:
    """How far each page of the visit is, in the order of `STEPS`.

    Parameters
    ----------
    has_device : bool
        Whether a sound device is chosen on this computer.
    """
    known = result or NO_RESULT
    return (
        _set_out(visit, wants_device(visit, has_device=has_device)),
        _line_check(visit),
        _takes(visit, known),
        _verdict(visit, known),
        _worklist(visit, known),
        _proof(visit, known),
        _hand_over(visit, known),
    )


def _set_out(visit: Visit, no_device: bool) -> Step:
    lacking, all_of_them = len(missing(visit)), len(NEEDED)
    left_s = SET_OUT_S * lacking / all_of_them + DEVICE_S * no_device
    if lacking:
        note = f"{lacking} figure{'s' if lacking != 1 else ''} missing"
        return _step("set-out", _state(all_of_them - lacking, all_of_them), note, left_s)
    if faults_of(visit):
        return _step("set-out", "begun", "cannot be right", left_s)
    if no_device:
        return _step("set-out", "begun", "no sound device", left_s)
    return _step("set-out", "done", "known", 0.0)


def _line_check(visit: Visit) -> Step:
    line, names = visit.line_check, elements(visit)
    checked = sum(name in line.elements for name in names)
    wrong = {found.element for found in line.findings if found.code != "works"}
    bad = sum(name in wrong for name in names)
    state = _state(checked, len(names))
    return _step(
        "line-check",
        "begun" if bad else state,
        _count(checked, len(names)) + (f", {bad} wrong" if bad else ""),
        ELEMENT_S * (len(names) - checked),
    )


def _usable_of(visit: Visit, result: Result, state: str) -> tuple[int, int, float]:
    """Count the takes that can be used, of how many, and say how long the rest take."""
    takes = wanted_takes(visit, result, state)
    good = sum(one.usable for one in takes)
    take_s = SIMULATED_TAKE_S if visit.demo else TAKE_S
    return good, len(takes), take_s * (len(takes) - good)


def _takes(visit: Visit, result: Result) -> Step:
    good, total, left_s = _usable_of(visit, result, "before")
    if wants_gain(visit, result):
        left_s += SIMULATED_TAKE_S if visit.demo else GAIN_S
    return _step("takes", _state(good, total), _count(good, total), left_s)


def _verdict(visit: Visit, result: Result) -> Step:
    if not result.any_usable:
        return _step("verdict", "open", "needs takes", READ_S)
    good, total, _ = _usable_of(visit, result, "before")
    if good < total:
        return _step("verdict", "begun", f"of {good} take{'s' if good != 1 else ''} so far", READ_S)
    return _step("verdict", "done", "ready", 0.0)


def _worklist(visit: Visit, result: Result) -> Step:
    good, total, _ = _usable_of(visit, result, "before")
    hands = len(undone(visit, result))
    left = sum(len(faders) for faders in card_left(visit, result).values())
    left_s = _work_left_s(visit, result, whole=good == total)
    anew = wants_anew(visit, result)
    if anew and (good == total or alone_so_far(visit)):
        return _step("worklist", "begun", "takes again", left_s)
    if good < total and not hands:
        return _step("worklist", "open", "needs takes", left_s)
    if not hands and not left:
        return _step("worklist", "done", "all done", 0.0)
    begun = any(visit.values("fader.").values()) or any(
        visit.value(move_key(move)) for move in hand_moves(visit, result)
    )
    return _step(
        "worklist",
        "begun" if begun else "open",
        f"{to_do(visit, result)} to do",
        left_s,
    )


def _work_left_s(visit: Visit, result: Result, *, whole: bool) -> float:
    """Say how long the worklist still takes; `whole` where all takes are made.

    What the takes ask for beyond what was set aside is not added: a time that grows while the work
    gets done helps nobody. Nor is a second round of takes, once one was begun.
    """
    left = sum(len(faders) for faders in card_left(visit, result).values())
    card_s = min(FADER_S * left, CARD_S)
    if any(visit.values("did.").values()):
        return card_s if whole else CARD_S
    take_s = SIMULATED_TAKE_S if visit.demo else TAKE_S
    round_s = take_s * len(wanted_takes(visit, result, "before")) + READ_S
    if not whole:
        return HANDS_S + round_s + CARD_S
    hands_s = min(HAND_S * len(undone(visit, result)), HANDS_S)
    begun = any(visit.values("fader.").values())
    changes = moved(visit, result) or any(
        move.kind in CHANGES_TAKES for move in undone(visit, result)
    )
    # Once something is moved, the card is another one.
    return hands_s + (round_s + CARD_S if changes and not begun else card_s)


def _proof(visit: Visit, result: Result) -> Step:
    proven, total, left_s = _usable_of(visit, result, "after")
    note = _count(proven, total)
    if result.proof is not None and proven == total:
        note = holds_text(result.proof.holds)
    return _step("proof", _state(proven, total), note, left_s)


def _hand_over(visit: Visit, result: Result) -> Step:
    walked, total = sum(bool(visit.value(f"walk.{place}")) for place in LISTEN), len(LISTEN)
    state = _state(walked, total)
    return _step(
        "hand-over",
        "begun" if state == "done" and result.proof is None else state,
        "walked" if walked == total else _count(walked, total) if walked else "walk and write",
        HAND_OVER_S * (total - walked) / total,
    )


def _before_joined(visit: Visit, result: Result | None) -> Next | None:
    """Say what comes between the takes of each alone and those of mains and subs together."""
    if wants_anew(visit, result):
        return ANEW
    kinds = {move.kind for move in undone(visit, result)}
    if kinds.intersection(LADDER):
        return WORK
    if kinds - {"check"}:
        return Next(
            "Join the subs to the mains, as the worklist says.",
            "The takes of mains and subs together come after it.",
            "worklist",
        )
    return None


def next_thing(
    visit: Visit, result: Result | None, way: Sequence[Step], *, has_device: bool = True
) -> Next:
    """Say what to do now, and why."""
    state = {step.key: step.state for step in way}
    if wants_device(visit, has_device=has_device):
        return Next(
            "Choose the sound device.",
            "It plays, and it hears the microphone; recordings you have go in on the page Takes.",
            "set-out",
            field="sound",
        )
    if lacking := missing(visit):
        return Next(
            "Type in " + listed(lacking) + ".",
            "The spots, the coverage and the best height follow from it.",
            "set-out",
            field="in-" + next(name for name in NEEDED if visit.value(name) is None),
        )
    if faults := faults_of(visit):
        named = re.search(r"\[(\w+)\] (\w+)", faults[0])
        return Next(
            "Correct the figure that cannot be right.",
            "A wrong figure would spoil every judgement.",
            "set-out",
            field="in-" + ".".join(named.groups()) if named else "figures",
        )
    if state["line-check"] != "done" and state["takes"] == "open":
        if any(one.code != "works" for one in visit.line_check.findings):
            return Next(
                "Fix what is wrong, then check again.",
                "No fader makes up for a dead or inverted box.",
                "line-check",
            )
        return Next(
            "Check that every element works.",
            "A dead driver or an inverted cable would spoil every take after it.",
            "line-check",
        )
    if state["takes"] != "done":
        wanted = wanted_takes(visit, result, "before")
        one = next(one for one in wanted if not one.usable)
        begun = any(other.with_subs and other.usable for other in wanted)
        if one.with_subs and not begun and (before := _before_joined(visit, result)):
            return before
        if wants_gain(visit, result):
            return Next(
                "Set the microphone's gain, once for the visit.",
                "Too low and the noise of the input is heard in every take; too high and it clips.",
                "takes",
            )
        why = "Front, middle and back tell the box from the room."
        if one.take is not None:
            why = "The last one could not be used."
        return Next(f"Take {one.name}, {one.spot}.", why, "takes")
    # Of a second round the verdict was read in the first.
    if state["worklist"] == "open" and not visit.value("first_round"):
        return Next("Read the verdict, then begin the worklist.", _why(visit, result), "verdict")
    if wants_anew(visit, result):
        return ANEW
    # What half a proof asks hands to do waits until the whole is there.
    proving = state["proof"] == "begun" and not any(card_left(visit, result).values())
    if state["worklist"] != "done" and not proving:
        return WORK
    if state["proof"] != "done":
        one = next(one for one in wanted_takes(visit, result, "after") if not one.usable)
        return Next(
            f"Take {one.name}, {one.spot}, again.",
            "Measured again, or it is only believed.",
            "proof",
        )
    if state["hand-over"] != "done":
        return Next(
            "Walk the room and listen, then print the sheet.",
            "Ears hear what a microphone at a few spots does not.",
            "hand-over",
        )
    return Next("All is done.", "The sheet and the job folder are on this page.", "hand-over")


def _why(visit: Visit, result: Result | None) -> str:
    count = to_do(visit, result)
    if count == 1:
        return "The takes ask for one thing."
    return f"The takes ask for {count_text(count)} things."
