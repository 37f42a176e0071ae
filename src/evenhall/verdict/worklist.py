"""The worklist: what to do, in order, with the reason and what to expect.

Hands come first (what a cable, a switch, a knob or a ladder mends), then what is left alone and
why, and the card last: it is made for the system as it stands. Start at `worklist()`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenhall.cautions import LIFTING
from evenhall.hall.label import BOTH
from evenhall.verdict.boxes.faults import BoxFaults
from evenhall.verdict.card.estimate import Estimate
from evenhall.verdict.card.faders import WORTH_DB, Card, Forecast
from evenhall.verdict.card.loss import doubt_db
from evenhall.verdict.card.patterns import Pattern
from evenhall.verdict.card.words import first_faders_text, off_target
from evenhall.verdict.move import Move
from evenhall.verdict.proof.proving import Proof
from evenhall.verdict.proof.wrong_faders import correcting_moves
from evenhall.verdict.take import Take
from evenhall.words import count_text, hz_listed, listed, uncapitalised

__all__ = ["AtTheRack", "worklist"]

MOST_LEFT = 4
LARGE_DB = 3.0
WALK_WORTH_DB = 0.2  # of doubt at a seat; for less nobody is sent through the rows
# What changes the tone that the card was made for; a level knob or a switch of polarity does not
# change the tone of each side alone.
CHANGES = ("raise", "aim", "relocate")
TIMES = ("gain", "delay", "polarity", "relocate")
AGAIN_CODES = ("gain_moved", "time_varying")


def _again(takes: Sequence[Take]) -> list[Move]:
    moves = []
    for take in takes:
        if not take.usable and take.problems:
            reason = take.problems[0]
        else:
            late = [problem for problem in take.problems if problem.code in AGAIN_CODES]
            if not late:
                continue
            reason = late[0]
        fault = uncapitalised(reason.text)
        moves.append(Move("check", f"{take.side} at {take.spot} ({take.file}): {fault}"))
    return moves


def _other_kind(takes: Sequence[Take]) -> list[Move]:
    """Ask for takes after the work that can be held against those before it."""
    kinds = {
        state: {take.with_subs for take in takes if take.usable and take.state == state}
        for state in ("before", "after")
    }
    whole = True in kinds["before"]
    if not kinds["after"] or whole in kinds["after"]:
        return []
    ways = ("with the sub playing along", "of the mains alone")
    was, now = ways if whole else ways[::-1]
    return [
        Move(
            "check",
            f"Take the proof again {was}, as before the work. It was taken {now}.",
        )
    ]


def _relocate(patterns: Sequence[Pattern]) -> list[Move]:
    return [
        Move(
            "relocate",
            # What is said of lifting stands first: a sheet may cut a long reason off.
            "Move the boxes by half a metre to a metre, off the wall or along it. "
            f"{LIFTING} {pattern.why}",
        )
        for pattern in patterns
        if pattern.remedy == "move"
    ][:1]


def _more_takes(
    patterns: Sequence[Pattern], area: Estimate | None, *, may_walk: bool
) -> list[Move]:
    doubtful = [p for p in patterns if not p.certain and abs(p.depth_db) >= LARGE_DB]
    if area is None or not area.spots:
        return []
    was_db, then_db = doubt_db(area), doubt_db(area, walked=True)
    if may_walk and not area.walks and was_db - then_db >= WALK_WORTH_DB:
        return [
            Move(
                "check",
                "Walk the rows with the microphone while noise plays, half a minute a side: the "
                f"forecast for a seat is then good to {then_db:.1f} dB instead of {was_db:.1f} dB.",
                expected={"seat_doubt_db": then_db, "was_db": was_db},
            )
        ]
    if not doubtful:
        return []
    where = hz_listed([pattern.hz for pattern in doubtful[:3]])
    spots = list(dict.fromkeys(spot.spot for spot in area.spots))
    middle = spots[(len(spots) - 1) // 2]
    return [
        Move(
            "check",
            f"Take two more spots, a metre to either side of {middle}: with so few, what shows at "
            f"{where} may be chance.",
        )
    ]


def _leave(patterns: Sequence[Pattern]) -> list[Move]:
    left = [
        pattern
        for pattern in patterns
        if pattern.remedy == "leave" and abs(pattern.depth_db) >= LARGE_DB
    ]
    left.sort(key=lambda pattern: -abs(pattern.depth_db))
    return [Move("leave", pattern.why) for pattern in left[:MOST_LEFT]]


def _after_ladder(timing: Sequence[Move]) -> tuple[Move, ...]:
    """Say of what is to be set in time that it was measured before the boxes are moved."""
    first = next((move for move in timing if move.kind in TIMES), None)
    return tuple(
        replace(
            move,
            text="Where the boxes are moved as above, take each element alone again before you do "
            f"this: its figures change. {move.text}",
        )
        if move is first
        else move
        for move in timing
    )


@dataclass(frozen=True)
class AtTheRack:
    """What the moves at the equalizer follow from.

    `proof` is that of the card, unless something speaks against it; `unlike` says that the unit
    was found to do otherwise than its scale says.
    """

    card: Card | None
    forecast: Forecast | None
    proof: Proof | None = None
    unlike: bool = False

    @property
    def is_open(self) -> bool:
        """Whether there are faders to set that are not proven yet."""
        proven = self.proof is not None and self.proof.holds
        return self.card is not None and not self.card.is_flat and not proven


def _equalize(rack: AtTheRack, boxes: BoxFaults, *, hands_first: bool) -> list[Move]:
    card, forecast, proof = rack.card, rack.forecast, rack.proof
    if card is None or forecast is None:
        why = boxes.withheld
        return [] if why is None else [Move("leave", f"Leave the EQ flat for now. {why}")]
    before, after = card.seat_before, card.seat_after
    if proof is not None and proof.holds and (proof.faders_wrong or proof.unlike_scale):
        return list(correcting_moves(proof.faders_wrong, proof.unlike_scale))
    if rack.unlike:
        return []  # every figure of the card is one on a scale that is not known
    if card.is_flat:
        return [
            Move(
                "leave",
                f"Leave the EQ flat. Seats are {off_target(before.expected_db)}, and no card would "
                f"better that by {WORTH_DB:g} dB.",
            )
        ]
    if proof is not None and proof.holds:
        return [
            Move(
                "leave",
                "Leave the EQ as it is: the card is set and proven, the area as a whole "
                f"{proof.rms_db:.1f} dB from its target.",
            )
        ]
    moved = {side: int(np.count_nonzero(one.fader_db)) for side, one in card.solutions.items()}
    count = moved.get(BOTH, 0)
    faders = f"Set {count_text(count)} fader{'s' if count > 1 else ''} as the card shows"
    if not any(moved.values()):
        what = ""
    elif BOTH not in moved:
        what = "Set each side as its own card shows: the sides differ too much for one."
    elif card.is_copied:
        what = f"{faders}, and copy them to the other side."
    else:
        what = f"{faders}."
    first = "Set the channel strip first, as listed beside the card. "
    first = first if any(card.strips.values()) else ""
    if boxes.sides_out:
        lone = listed(sorted(boxes.sides_out))
        first = (
            f"Fix the {lone} side and take the spots again: this card is made without it. {first}"
        )
    elif hands_first:
        first = f"Do the work above and take the spots again first: that renews the card. {first}"
    rest = " All others" if any(moved.values()) else "All faders"
    return [
        Move(
            "equalize",
            f"{first}{what}{rest} stay at 0. Seats are then {off_target(after.expected_db)} "
            f"({after.low_90_db:.1f} to {after.high_90_db:.1f}) instead of "
            f"{before.expected_db:.1f} dB."
            f"{first_faders_text(before.expected_db, [step.seat_after_db for step in card.steps])}",
            expected={
                "rms_db": forecast.rms_after_db,
                "was_db": forecast.rms_before_db,
                "seat_db": after.expected_db,
                "seat_was_db": before.expected_db,
            },
        )
    ]


def worklist(
    *,
    takes: Sequence[Take],
    boxes: BoxFaults,
    area: Estimate | None,
    patterns: Sequence[Pattern],
    rack: AtTheRack,
    hands: Sequence[Move] = (),
    timing: Sequence[Move] = (),
) -> tuple[Move, ...]:
    """List the moves in the order in which they are to be done.

    `boxes` is what is wrong with the loudspeakers themselves; `hands` are the moves of their
    stance, `timing` those of subs and delays.
    """
    mended = (*boxes.moves, *_relocate(patterns))
    hands_first = any(move.kind in CHANGES for move in (*mended, *hands))
    return (
        *_again([take for take in takes if take.state == "before"]),
        *_other_kind([take for take in takes if take.element.is_main and take.at == "audience"]),
        *boxes.moves,
        *hands,
        *_relocate(patterns),
        # In time last: what was moved before arrives at another time.
        *(_after_ladder(timing) if hands_first else timing),
        # Where no card would better anything, or it is proven, nobody is sent through the rows.
        *_more_takes(patterns, area, may_walk=rack.is_open),
        *_leave(patterns),
        *_equalize(rack, boxes, hands_first=hands_first),
    )
