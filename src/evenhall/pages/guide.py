"""What comes next: the steps of a visit, how far each is, and how long the rest takes.

Pure: from a visit and its result to words. `steps()` for the list at the top of each page,
`next_thing()` for the line below it, `wanted_takes()` for the order of the takes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass

from evenhall.errors import InputError
from evenhall.hall.elements import Element
from evenhall.hall.setting import Audience
from evenhall.hall.spots import usual_spots
from evenhall.job.tune.result import Move, Result
from evenhall.visits.visit import StoredTake, Visit

__all__ = [
    "STEPS",
    "Next",
    "Spot",
    "Step",
    "WantedTake",
    "card_left",
    "check_with_subs",
    "elements",
    "feeds_subs",
    "missing",
    "move_key",
    "moved",
    "next_thing",
    "skip_key",
    "spots",
    "steps",
    "to_do",
    "wanted_takes",
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
SET_OUT_S, ELEMENT_S, GAIN_S, TAKE_S, READ_S, HAND_S, FADER_S, HAND_OVER_S = (
    *(240.0, 45.0, 60.0, 75.0, 60.0, 240.0, 12.0, 300.0),
)
SIMULATED_TAKE_S = 5.0
NEEDED = {
    "venue.length_m": "the room's length",
    "venue.width_m": "its width",
    "venue.height_m": "its height",
    "audience.first_row_m": "the first row",
    "audience.last_row_m": "the last row",
    "rig.speaker_height_m": "the height of the loudspeakers",
}
DEFAULT_SIDES = ("left", "right")
# Moves that hands carry out, and after which the responses are others than those that were taken.
HANDS = ("raise", "aim", "relocate", "polarity", "gain", "delay", "check")
# A level alone is lined up before anything is judged; all else changes what the card is made of.
CHANGES_TAKES = ("raise", "aim", "relocate", "polarity", "delay", "check")


@dataclass(frozen=True)
class Spot:
    """Where the microphone goes: its name, and how far along the floor."""

    label: str
    along_m: float | None


@dataclass(frozen=True)
class WantedTake:
    """A take that belongs to the visit, and the last one that was made of it.

    Parameters
    ----------
    side, spot : str
    along_m : float or None
    shared : bool
        Whether the place is one for all elements, on the middle line: what is joined there must
        be heard at one place.
    with_subs : bool
        Whether the subs play along.
    take : StoredTake or None
        The one that counts.
    usable : bool
        Whether it can be used; False where there is none.
    """

    side: str
    spot: str
    along_m: float | None
    shared: bool
    with_subs: bool
    take: StoredTake | None
    usable: bool

    @property
    def name(self) -> str:
        """What plays, in words."""
        return f"{self.side} with the subs" if self.with_subs else self.side


@dataclass(frozen=True)
class Step:
    """One page of the visit.

    Parameters
    ----------
    key, title : str
    state : {"done", "begun", "open"}
    note : str
        How far it is, in a few words.
    left_s : float
        What is still to be done takes about so long.
    """

    key: str
    title: str
    state: str
    note: str
    left_s: float


@dataclass(frozen=True)
class Next:
    """What to do now, why, and on which page."""

    text: str
    why: str
    step: str


def elements(visit: Visit) -> tuple[str, ...]:
    """Elements of the rig."""
    return tuple(visit.value("rig.sides") or DEFAULT_SIDES)


def feeds_subs(visit: Visit) -> bool:
    """Whether there are subs that the equalizer feeds too."""
    has_subs = any(Element.named(side).is_sub for side in elements(visit))
    return has_subs and bool(visit.value("equalizer.feeds_subs"))


def check_with_subs(visit: Visit, side: str) -> None:
    """See to it that the subs can play along with an element.

    Raises
    ------
    InputError
        It is none of the mains, or the equalizer does not feed subs.
    """
    if not Element.named(side).is_main:
        raise InputError(f"The subs play along with the mains, and not with {side!r}.")
    if not feeds_subs(visit):
        raise InputError(
            "The subs play along where the equalizer feeds them too. Say so on Set out, or take "
            "the mains alone."
        )


def spots(visit: Visit) -> tuple[Spot, ...]:
    """Places for the microphone, front to back: those chosen, else the usual ones."""
    chosen = visit.value("spots")
    if chosen:
        return tuple(Spot(one["label"], one["along_m"]) for one in chosen)
    first_m, last_m = visit.value("audience.first_row_m"), visit.value("audience.last_row_m")
    if first_m is None or last_m is None or not first_m < last_m:
        return tuple(Spot(label, None) for label in ("front", "middle", "back"))
    return tuple(Spot(one.label, one.along_m) for one in usual_spots(Audience(first_m, last_m)))


def missing(visit: Visit) -> tuple[str, ...]:
    """Name what the set-out still lacks."""
    return tuple(words for name, words in NEEDED.items() if visit.value(name) is None)


def wanted_takes(visit: Visit, result: Result | None, state: str) -> tuple[WantedTake, ...]:
    """List the takes that a visit needs, in the order to make them: one side after the other.

    Mains are heard at every spot, from front to back; subs and delays in the middle. Where the
    equalizer feeds the subs too, mains alone are heard in the middle, to join the subs; then both
    together, there first and then at every other spot, and these the proof takes again.
    """
    usable = {} if result is None else {take.file: take.usable for take in result.takes}
    made: dict[tuple[str, str, bool], StoredTake] = {}
    for one in visit.kept_takes:
        if one.take.state == state and one.take.at == "audience":
            key = (one.take.side, one.take.spot, one.take.with_subs)
            before = made.get(key)
            # The last one counts, unless it cannot be used and an earlier one can.
            if before is None or usable.get(one.take.file) or not usable.get(before.take.file):
                made[key] = one
    places = spots(visit)
    middle = places[(len(places) - 1) // 2]
    names = elements(visit)
    mains = [side for side in names if Element.named(side).is_main]
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
    return tuple(
        WantedTake(
            side,
            spot.label,
            spot.along_m,
            spot is middle and len(mains) < len(names),
            with_subs,
            take := made.get((side, spot.label, with_subs)),
            take is not None and usable.get(take.take.file, False),
        )
        for side, spot, with_subs in wanted
    )


def move_key(move: Move) -> str:
    """Name under which a move is ticked; another proposal is another move."""
    about = json.dumps([move.kind, dict(move.to), move.text if not move.to else ""])
    return f"tick.{move.kind}-{hashlib.sha256(about.encode()).hexdigest()[:10]}"


def skip_key(move: Move) -> str:
    """Name the entry that says that a move cannot be done at this visit."""
    return "skip." + move_key(move).removeprefix("tick.")


def moved(visit: Visit, result: Result | None) -> bool:
    """Tell whether something was ticked off that makes the takes those of another rig.

    Until mains and subs were taken together no card is made for the rig as it is anyway.
    """
    if feeds_subs(visit) and not any(one.take.with_subs for one in visit.kept_takes):
        return False
    moves = () if result is None else result.moves
    return any(move.kind in CHANGES_TAKES and visit.value(move_key(move)) for move in moves)


def card_left(visit: Visit, result: Result | None) -> dict[str, tuple[tuple[float, float], ...]]:
    """Faders that do not stand as the card says yet, (Hz, dB), for each main side."""
    if result is None:
        return {}
    left: dict[str, tuple[tuple[float, float], ...]] = {}
    for side in elements(visit):
        if not Element.named(side).is_main:
            continue
        faders = result.card.get(side, result.card.get("both", ()))
        stands = visit.faders(side)
        left[side] = tuple(
            (fader.hz, fader.fader_db)
            for fader in faders
            if fader.fader_db != stands.get(float(f"{fader.hz:g}"), 0.0)
        )
    return left


def _undone(visit: Visit, result: Result | None) -> list[Move]:
    """List what hands have still to do."""
    moves = () if result is None else result.moves
    return [
        move
        for move in moves
        if move.kind in HANDS
        and not visit.value(move_key(move))
        and not visit.value(skip_key(move))
    ]


def _count(done: int, total: int) -> str:
    return f"{done} of {total}"


def _state(done: int, total: int) -> str:
    return "done" if done >= total else "begun" if done else "open"


def steps(visit: Visit, result: Result | None) -> tuple[Step, ...]:
    """How far each page of the visit is."""
    take_s = SIMULATED_TAKE_S if visit.demo else TAKE_S
    lacking = missing(visit)
    known = len(NEEDED) - len(lacking)
    line = visit.line_check
    names = elements(visit)
    checked = [name for name in names if name in line.elements]
    bad = {found.element for found in line.findings if found.code != "works"}
    takes = wanted_takes(visit, result, "before")
    after = wanted_takes(visit, result, "after")
    good, proven = sum(one.usable for one in takes), sum(one.usable for one in after)
    moves = () if result is None else result.moves
    hands = [move for move in moves if move.kind in HANDS]
    ticked = [move for move in hands if visit.value(move_key(move))]
    undone = _undone(visit, result)
    left = sum(len(faders) for faders in card_left(visit, result).values())
    walked = visit.values("walk.")
    judged = result is not None and result.any_usable
    work_s = HAND_S * len(undone) + FADER_S * left
    proof = None if result is None else result.proof
    state = {
        "set-out": (
            _state(known, len(NEEDED)),
            "known" if not lacking else f"{len(lacking)} figures missing",
            SET_OUT_S * len(lacking) / len(NEEDED),
        ),
        "line-check": (
            _state(len(checked), len(names)),
            _count(len(checked), len(names)) + (f", {len(bad)} wrong" if bad else ""),
            ELEMENT_S * (len(names) - len(checked)),
        ),
        "takes": (
            _state(good, len(takes)),
            _count(good, len(takes)),
            take_s * (len(takes) - good),
        ),
        "verdict": (
            "done" if good == len(takes) and judged else "begun" if judged else "open",
            "ready" if judged else "needs takes",
            0.0 if judged else READ_S,
        ),
        "worklist": (
            "open"
            if not judged
            else "done"
            if not undone and not left
            else "begun"
            if ticked or any(visit.values("fader.").values())
            else "open",
            "needs takes"
            if not judged
            else "all done"
            if not undone and not left
            else f"{len(undone) + bool(left)} to do",
            work_s if judged else 2 * HAND_S,
        ),
        "proof": (
            _state(proven, len(after)),
            ("holds" if proof.holds else "does not hold yet")
            if proof is not None and proven == len(after)
            else _count(proven, len(after)),
            take_s * (len(after) - proven),
        ),
        "hand-over": (
            "done" if any(walked.values()) and proof is not None else "open",
            "walked" if any(walked.values()) else "walk and write",
            HAND_OVER_S if not any(walked.values()) else 0.0,
        ),
    }
    return tuple(Step(key, title, *state[key]) for key, title in STEPS.items())


def next_thing(visit: Visit, result: Result | None, way: Sequence[Step]) -> Next:
    """Say what to do now, and why."""
    state = {step.key: step.state for step in way}
    if lacking := missing(visit):
        return Next(
            "Type in " + _listed(lacking) + ".",
            "The spots, the coverage and the best height follow from it.",
            "set-out",
        )
    if state["line-check"] != "done" and state["takes"] == "open":
        return Next(
            "Check that every element works.",
            "A dead driver or an inverted cable would spoil every take after it.",
            "line-check",
        )
    if state["takes"] != "done":
        wanted = wanted_takes(visit, result, "before")
        one = next(one for one in wanted if not one.usable)
        begun = any(other.with_subs and other.usable for other in wanted)
        if one.with_subs and not begun and any(m.kind != "check" for m in _undone(visit, result)):
            return Next(
                "Join the subs to the mains, as the worklist says.",
                "The takes of both together are made of what stands then.",
                "worklist",
            )
        why = "Front, middle and back tell what the loudspeaker does from what the room does."
        if one.take is not None:
            why = "The last one could not be used."
        return Next(f"Take {one.name}, {one.spot}.", why, "takes")
    if state["worklist"] == "open":
        return Next("Read the verdict, then begin the worklist.", _why(result), "verdict")
    undone = _undone(visit, result)
    if moved(visit, result) and not undone and not any(visit.values("fader.").values()):
        return Next(
            "Take all spots again, then set the card.",
            "Something was moved: the card is to be made for how it stands now.",
            "worklist",
        )
    if state["worklist"] != "done":
        return Next(
            "Go on with the worklist.",
            "Hands first: what a ladder mends need not be bent with faders.",
            "worklist",
        )
    if state["proof"] != "done":
        one = next(one for one in wanted_takes(visit, result, "after") if not one.usable)
        return Next(
            f"Take {one.name}, {one.spot}, again.",
            "What was done is proven by measuring, not by believing.",
            "proof",
        )
    if state["hand-over"] != "done":
        return Next(
            "Walk the room and listen, then print the sheet.",
            "Ears hear what a microphone at a few spots does not.",
            "hand-over",
        )
    return Next("All is done.", "The sheet and the job folder are on this page.", "hand-over")


def to_do(result: Result | None) -> int:
    """Count what is to be done; what is to be left alone is no work."""
    return 0 if result is None else sum(move.kind != "leave" for move in result.moves)


def _why(result: Result | None) -> str:
    count = to_do(result)
    if count == 1:
        return "One thing to do follows from the takes."
    return f"{count} things to do follow from the takes."


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
