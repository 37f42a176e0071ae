"""The worklist: what to do, in order, with the reason and what to expect.

Hands come first (what a cable, a switch, a knob or a ladder mends), then what is left alone and
why, and the card last: it is made for the system as it stands. Start at `worklist()`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.verdict.card import WORTH_DB, Card
from evenhall.verdict.estimate import Estimate
from evenhall.verdict.evenness import Match
from evenhall.verdict.move import Move
from evenhall.verdict.patterns import Pattern
from evenhall.verdict.proof import Proof
from evenhall.verdict.standing import correcting_moves
from evenhall.verdict.take import SpotResponse, Take, is_main
from evenhall.verdict.words import count_text, hz_text, join_words

__all__ = ["worklist"]

FloatArray = NDArray[np.float64]
GAIN_DB = 1.0
MISSING_DB = 8.0  # a driver or half of a box that is silent leaves a step, not a slope
FILTER_DB = 3.0
TREBLE = EXACT_HZ > 3000.0
BASS_HZ = 200.0
MOST_LEFT = 4
LARGE_DB = 3.0
FIRST_FADERS = 5  # what two minutes are enough for
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


def _polarity(match: Match | None, spots: Sequence[SpotResponse]) -> list[Move]:
    if match is None or match.polarity >= 0:
        return []
    votes = {
        side: sum(
            take.response.polarity
            for spot in spots
            if spot.side == side
            for take in spot.takes
            if take.response is not None
        )
        for side in ("left", "right")
    }
    side = min(votes, key=lambda name: votes[name])
    return [
        Move(
            "polarity",
            f"Flip the polarity of the {side} loudspeaker: it pushes where the other pulls. "
            "Look for a swapped pair in its cable before using a switch, then take both again.",
            before={f"{side}_polarity": -1.0},
            after={f"{side}_polarity": 1.0},
        )
    ]


def _side_names(louder_left: bool) -> tuple[str, str]:
    return ("left", "right") if louder_left else ("right", "left")


def _unlike(match: Match | None) -> list[Move]:
    """Look for what makes one side's tone unlike the other's: a driver, a filter, an equalizer."""
    if match is None:
        return []
    known = np.isfinite(match.difference_db)
    if known.sum() < 5:
        return []
    level = float(np.median(match.difference_db[known]))
    shape = match.difference_db - level

    def mean_over(bands: NDArray[np.bool_]) -> float:
        inside = bands & known
        return float(shape[inside].mean()) if inside.sum() >= 3 else 0.0

    treble = mean_over(TREBLE & (EXACT_HZ < 12000.0))
    bass = mean_over((EXACT_HZ < BASS_HZ) & (EXACT_HZ > 60.0))
    if abs(treble) > MISSING_DB:
        _, weak = _side_names(treble > 0)
        return [
            Move(
                "check",
                f"Check the horn of the {weak} loudspeaker: above 3 kHz it is {abs(treble):.0f} dB "
                "below the other side. A blown or unplugged driver, a blocked horn, or a high cut "
                "left in.",
                expected={"left_minus_right_db": 0.0, "was_db": treble},
            )
        ]
    if abs(bass) > MISSING_DB:
        _, weak = _side_names(bass > 0)
        return [
            Move(
                "check",
                f"Check the woofer of the {weak} loudspeaker: below 200 Hz it is {abs(bass):.0f} "
                "dB below the other side. A dead driver, a loose cable, or a low cut left in.",
                expected={"left_minus_right_db": 0.0, "was_db": bass},
            )
        ]
    off = known & (EXACT_HZ > 95.0) & (EXACT_HZ < 10500.0) & (np.abs(shape) > FILTER_DB)
    if off.sum() < 2:
        return []
    worst = int(np.where(off, np.abs(shape), 0.0).argmax())
    loud, weak = _side_names(shape[worst] > 0)
    return [
        Move(
            "check",
            f"Find out why {loud} and {weak} differ in tone: at {hz_text(NOMINAL_HZ[worst])} "
            f"{weak} is {abs(shape[worst]):.1f} dB below {loud}, levels apart. Look for a channel "
            "equalizer or filter left in, a cover on the grille, or a different aim.",
            expected={"left_minus_right_db": 0.0, "was_db": float(shape[worst])},
        )
    ]


def _gain(match: Match | None) -> list[Move]:
    if match is None or not abs(match.level_db) > GAIN_DB:
        return []
    loud, weak = _side_names(match.level_db > 0)
    size = abs(match.level_db)
    return [
        Move(
            "gain",
            f"Turn the {loud} loudspeaker down by {size:.1f} dB, at its own level knob or its "
            f"master: it is that much louder than {weak} at the same places.",
            before={f"{loud}_gain_db": 0.0},
            after={f"{loud}_gain_db": -size},
            expected={"left_minus_right_db": 0.0, "was_db": match.level_db},
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


def _more_takes(patterns: Sequence[Pattern], area: Estimate | None) -> list[Move]:
    doubtful = [p for p in patterns if not p.certain and abs(p.depth_db) >= LARGE_DB]
    if area is None or not doubtful:
        return []
    where = join_words([hz_text(pattern.hz) for pattern in doubtful[:3]])
    spots = list(dict.fromkeys(spot.spot for spot in area.spots))
    middle = spots[(len(spots) - 1) // 2]
    return [
        Move(
            "check",
            f"Take two more, each a metre from {middle} to either side: what shows at {where} is "
            "no more than so few places can show by chance.",
        )
    ]


def _leave(patterns: Sequence[Pattern]) -> list[Move]:
    left = [
        pattern
        for pattern in patterns
        if pattern.remedy == "leave" and abs(pattern.depth_db) >= LARGE_DB
    ]
    left.sort(key=lambda pattern: -abs(pattern.depth_db))
    return [
        Move("leave", f"Leave {hz_text(pattern.hz)} alone. {pattern.why}")
        for pattern in left[:MOST_LEFT]
    ]


def _first_faders(card: Card) -> str:
    """Say what the first faders bring, where there are many."""
    if len(card.steps) < 2 * FIRST_FADERS:
        return ""
    first = card.seat_before.expected_db - card.steps[FIRST_FADERS - 1].seat_after_db
    return f" The first {count_text(FIRST_FADERS)} faders bring {first:.1f} dB of it."


def _equalize(card: Card | None, proof: Proof | None) -> list[Move]:
    if card is None:
        return []
    before, after = card.seat_before, card.seat_after
    if proof is not None and proof.holds and (proof.faders_wrong or proof.unlike_scale):
        return list(correcting_moves(proof.faders_wrong, proof.unlike_scale))
    if card.is_flat:
        return [
            Move(
                "leave",
                f"Leave the equalizer flat. Seats are {before.expected_db:.1f} dB from the target "
                f"on average, and no card would better that by {WORTH_DB:g} dB.",
            )
        ]
    if proof is not None and proof.holds:
        return [
            Move(
                "leave",
                "Leave the equalizer as it stands: the card is set and proven, the area as a whole "
                f"{proof.rms_db:.1f} dB from its target.",
            )
        ]
    moved = {side: int(np.count_nonzero(one.fader_db)) for side, one in card.solutions.items()}
    count = moved.get("both", 0)
    faders = f"Set {count_text(count)} fader{'s' if count > 1 else ''} as the card shows"
    if not any(moved.values()):
        what = ""
    elif "both" not in moved:
        what = (
            "Set the faders of each side as its own card shows: the sides differ too much for one."
        )
    elif card.is_copied:
        what = f"{faders}, and copy them to the other side."
    else:
        what = f"{faders}."
    strip = "Set the channel strip first, as the list beside the card has it. "
    strip = strip if any(card.strips.values()) else ""
    rest = "All others" if any(moved.values()) else "All faders"
    return [
        Move(
            "equalize",
            f"{strip}{what} {rest} stay at 0. Seats are then {after.expected_db:.1f} dB from the "
            f"target on average ({after.low_90_db:.1f} to {after.high_90_db:.1f}) instead of "
            f"{before.expected_db:.1f} dB.{_first_faders(card)}".replace("  ", " "),
            expected={"seat_db": after.expected_db, "was_db": before.expected_db},
        )
    ]


def worklist(
    *,
    takes: Sequence[Take],
    spots: Sequence[SpotResponse],
    match: Match | None,
    area: Estimate | None,
    patterns: Sequence[Pattern],
    card: Card | None,
    proof: Proof | None = None,
    hands: Sequence[Move] = (),
    timing: Sequence[Move] = (),
) -> tuple[Move, ...]:
    """List the moves in the order in which they are to be done.

    `hands` are those of the loudspeakers' stance, `timing` those of subs and delays. `proof` is
    that of the card, unless something speaks against it.
    """
    differ = _unlike(match)
    return (
        *_again([take for take in takes if take.state == "before"]),
        *_other_kind([take for take in takes if is_main(take.side) and take.at == "audience"]),
        *_polarity(match, spots),
        *differ,
        # What a fault takes away is no reason to turn the sound side down.
        *(() if differ else _gain(match)),
        *hands,
        *_relocate(patterns),
        # In time last: what was moved before arrives at another time.
        *timing,
        *_more_takes(patterns, area),
        *_leave(patterns),
        *_equalize(card, proof),
    )
