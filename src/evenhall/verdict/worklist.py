"""The worklist: what to do, in order, with the reason and what to expect.

Hands come first (what a cable, a switch, a knob or a ladder mends), then what is left alone and
why, and the card last: it is made for the system as it stands. Start at `worklist()`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenhall.verdict.boxes import BoxFaults
from evenhall.verdict.card import Card, Forecast
from evenhall.verdict.common import CommonResponse
from evenhall.verdict.move import Move
from evenhall.verdict.patterns import Pattern
from evenhall.verdict.take import Take, is_main
from evenhall.verdict.words import count_text, hz_text, join_words

__all__ = ["worklist"]

MOST_LEFT = 4
LARGE_DB = 3.0
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
        moves.append(Move("check", f"{take.side} at {take.spot} ({take.file}): {reason.text}"))
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
            f"Take the proof again, {was}: so the takes before the work were made, and those after "
            f"it {now}.",
        )
    ]


def _relocate(patterns: Sequence[Pattern]) -> list[Move]:
    return [
        Move(
            "relocate",
            f"Move the loudspeakers by half a metre to a metre, off the wall or along it: "
            f"{pattern.why}",
        )
        for pattern in patterns
        if pattern.remedy == "move"
    ][:1]


def _more_takes(patterns: Sequence[Pattern], common: CommonResponse | None) -> list[Move]:
    doubtful = [p for p in patterns if not p.certain and abs(p.depth_db) >= LARGE_DB]
    if common is None or not doubtful:
        return []
    where = join_words([hz_text(pattern.hz) for pattern in doubtful[:3]])
    spots = list(dict.fromkeys(spot.spot for spot in common.spots))
    middle = spots[(len(spots) - 1) // 2]
    return [
        Move(
            "check",
            f"Take two more, each a metre from {middle} to either side: what shows at {where} is "
            "no more than so few places can show by chance.",
        )
    ]


def _leave(patterns: Sequence[Pattern]) -> list[Move]:
    mended = {
        band for pattern in patterns if pattern.remedy == "equalize" for band in pattern.bands
    }
    # Where the card works on what all spots share, what one has beyond it needs no word.
    left = [
        pattern
        for pattern in patterns
        if pattern.remedy == "leave"
        and abs(pattern.depth_db) >= LARGE_DB
        and not mended.intersection(pattern.bands)
    ]
    left.sort(key=lambda pattern: -abs(pattern.depth_db))
    return [
        Move("leave", f"Leave {hz_text(pattern.hz)} alone. {pattern.why}")
        for pattern in left[:MOST_LEFT]
    ]


def _equalize(card: Card | None, forecast: Forecast | None) -> list[Move]:
    if card is None or forecast is None or not np.isfinite(forecast.rms_after_db):
        return []
    moved = {
        side: int(np.count_nonzero(solution.fader_db)) for side, solution in card.solutions.items()
    }
    if not any(moved.values()) and not any(card.strips.values()):
        return [
            Move(
                "leave",
                "Leave the equalizer flat: no fader would bring the listening area nearer to its "
                "target.",
            )
        ]
    if "both" in moved:
        count = moved["both"]
        what = (
            f"Set {count_text(count)} fader{'s' if count > 1 else ''} as the card shows, and copy "
            "them to the other side"
            if len(forecast.spots) and len({spot.side for spot in forecast.spots}) > 1
            else f"Set {count_text(count)} fader{'s' if count > 1 else ''} as the card shows"
        )
    else:
        what = (
            "Set the faders of each side as its own card shows: the sides differ too much for one"
        )
    rest = "All others" if any(moved.values()) else "All faders"
    if any(card.strips.values()):
        strip = "Set the channel strip first, as the list beside the card has it"
        what = f"{strip}. {what}" if any(moved.values()) else strip
    return [
        Move(
            "equalize",
            f"{what}. {rest} stay at 0. The tone is then {forecast.rms_after_db:.1f} dB from "
            f"its target instead of {forecast.rms_before_db:.1f} dB.",
            expected={"rms_db": forecast.rms_after_db, "was_db": forecast.rms_before_db},
        )
    ]


def worklist(
    *,
    takes: Sequence[Take],
    boxes: BoxFaults,
    common: CommonResponse | None,
    patterns: Sequence[Pattern],
    card: Card | None,
    forecast: Forecast | None,
    hands: Sequence[Move] = (),
    timing: Sequence[Move] = (),
) -> tuple[Move, ...]:
    """List the moves in the order in which they are to be done.

    `boxes` is what is wrong with the loudspeakers themselves; `hands` are the moves of their
    stance, `timing` those of subs and delays.
    """
    return (
        *_again([take for take in takes if take.state == "before"]),
        *_other_kind([take for take in takes if is_main(take.side) and take.at == "audience"]),
        *boxes.moves,
        *hands,
        *_relocate(patterns),
        # In time last: what was moved before arrives at another time.
        *timing,
        *_more_takes(patterns, common),
        *_leave(patterns),
        *_equalize(card, forecast),
    )
