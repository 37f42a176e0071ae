"""What is to be done so that a sub joins the mains, in sentences. Start at `joining_moves()`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from evenhall.cautions import CARRYING, MUTING
from evenhall.verdict.joining.after import HeardAs
from evenhall.verdict.joining.subs import Filters, Joining, SubSetting
from evenhall.verdict.joining.summing import Summation
from evenhall.verdict.move import Figure, Move
from evenhall.verdict.take import Take
from evenhall.words import capitalised, count_text, hz_text, listed, uncapitalised

__all__ = ["joining_moves", "together_move"]

WORTH_DB = 0.5  # less is not worth a hand
HELD_DB = 1.0  # a processor is worth its money only where it brings more than that
LEAST_DELAY_S = 0.00005  # what rounds to 0.0 ms
LEAST_MOVE_M = 0.05
ROUND_HZ = 5.0
LEAST_SURE_DB = 0.25  # by which the other polarity must be worse to be called wrong

NOT_YET = "Not done yet, going by the takes of both together:"


def _named(setting: SubSetting, count: int) -> str:
    name = setting.side.replace("_", " ").replace("-", " ")
    return "the sub" if count == 1 else f"the {name}" if "sub" in name else f"the sub {name}"


def _spots_text(spots: tuple[Summation, ...]) -> str:
    names = list(dict.fromkeys(one.spot for one in spots))
    if len(names) == 1:
        return f"at {names[0]}"
    return f"at {'both' if len(names) == 2 else 'all ' + count_text(len(names))} spots"


def _why(joining: Joining) -> str:
    """Say what the setting brings: at the worst spot, or on average where that one gains less."""
    worst_then = min(joining.spots, key=lambda one: one.expected_db)
    worst_now = min(joining.spots, key=lambda one: one.was_db)
    middle = hz_text(ROUND_HZ * round(joining.crossover_hz / ROUND_HZ))
    if worst_then.expected_db >= worst_now.was_db + WORTH_DB:
        return (
            f"around {middle} mains and sub then sum to within {-worst_then.expected_db:.1f} dB of "
            f"a perfect sum {_spots_text(joining.spots)}; now {-worst_now.was_db:.1f} dB are lost "
            f"at {worst_now.spot}."
        )
    assert joining.overall is not None
    text = (
        f"around {middle} mains and sub then sum to {-joining.overall.expected_db:.1f} dB below a "
        f"perfect sum on average; now {-joining.overall.was_db:.1f} dB are lost."
    )
    loser = min(joining.spots, key=lambda one: one.expected_db - one.was_db)
    lost_db = loser.was_db - loser.expected_db
    if lost_db >= WORTH_DB:
        text += f" {capitalised(loser.spot)} loses {lost_db:.1f} dB by it."
    return text


def _sure(joining: Joining) -> str:
    """Say how sure the time is."""
    widest_s = max(one.fit.uncertainty_s for one in joining.subs)
    return f" The time is good to {max(0.1, 1e3 * widest_s):.1f} ms either way."


def _doubt(joining: Joining) -> str:
    """Say it where the other polarity would do nearly as well with a delay of its own."""
    unsure = [one for one in joining.subs if one.fit.margin_db < LEAST_SURE_DB]
    if not unsure:
        return ""
    return (
        " The other polarity with another delay comes within a quarter of a dB of it: take mains "
        "and sub together afterwards, and keep whichever is louder there."
    )


def _delays(joining: Joining) -> list[str]:
    parts = []
    if joining.mains_delay_s >= LEAST_DELAY_S:
        parts.append(f"delay the mains by {1e3 * joining.mains_delay_s:.1f} ms")
    for one in joining.subs:
        if one.delay_s >= LEAST_DELAY_S:
            name = _named(one, len(joining.subs))
            parts.append(f"delay {name} by {1e3 * one.delay_s:.1f} ms")
    return parts


def _carried(joining: Joining) -> list[str]:
    parts = []
    for one in joining.subs:
        if abs(one.back_m) >= LEAST_MOVE_M:
            way = "back, away from the audience" if one.back_m > 0.0 else "towards the audience"
            name = _named(one, len(joining.subs))
            parts.append(f"move {name} {abs(one.back_m):.1f} m {way}")
    return parts


def _sentence(parts: list[str]) -> str:
    return capitalised(listed(parts))


def _crossing(joining: Joining) -> list[str]:
    filters = joining.filters
    if filters is None:
        return []
    where = "the sub's low-pass" if len(joining.subs) == 1 else "the low-pass of both subs"
    if filters.high_pass:
        where += " and the mains' high-pass"
    return [f"set the crossover to {filters.hz:g} Hz ({where}, {filters.slope_db} dB an octave)"]


def _bass_text(filters: Filters) -> str:
    with_it = f"the bass at all spots is then {filters.bass_db:.1f} dB (rms) from the target"
    if np.isfinite(filters.was_db):
        return f"{with_it}; without it, {filters.was_db:.1f} dB at best."
    return f"{with_it}; without it, mains and sub do not meet."


def _turn(joining: Joining, expected: dict[str, Figure]) -> list[Move]:
    """Put filters, polarity, delay and distance in one move: each alone would do harm."""
    flipped = [one for one in joining.subs if one.polarity < 0]
    flips = [f"flip the polarity of {_named(one, len(joining.subs))}" for one in flipped]
    delays, carried = _delays(joining), _carried(joining)
    crossing = _crossing(joining)
    if not (crossing or flips or delays or carried):
        return []
    before: dict[str, Figure] = {f"{one.side}_polarity": 1.0 for one in flipped}
    after: dict[str, Figure] = {f"{one.side}_polarity": -1.0 for one in flipped}
    for one in joining.subs:
        if one.delay_s >= LEAST_DELAY_S:
            before[f"{one.side}_delay_s"], after[f"{one.side}_delay_s"] = 0.0, one.delay_s
        if abs(one.back_m) >= LEAST_MOVE_M:
            before[f"{one.side}_back_m"], after[f"{one.side}_back_m"] = 0.0, one.back_m
    if joining.mains_delay_s >= LEAST_DELAY_S:
        before["mains_delay_s"], after["mains_delay_s"] = 0.0, joining.mains_delay_s
    filters = joining.filters
    if filters is not None:
        before["crossover_hz"], after["crossover_hz"] = "out", filters.hz
    why = _why(joining) if filters is None else _bass_text(filters)
    text = f"{_sentence(crossing + flips + delays + carried)}: {why}{_doubt(joining)}"
    if delays:
        text += _sure(joining)
    if carried:
        text += f" Take the sub again once it is moved: the room answers it differently. {CARRYING}"
    elif flips:
        text += f" {MUTING}"
    if joining.mains_delay_s >= LEAST_DELAY_S:
        text += " Add the same time to the delay boxes, if there are any."
    if filters is not None:
        text += " Then take mains and sub again, and note the crossover setting."
    kind = "delay" if delays else "relocate" if carried else "polarity" if flips else "check"
    return [Move(kind, text, before, after, expected)]


def _gain(joining: Joining) -> list[Move]:
    gain_db = joining.subs[0].gain_db
    if gain_db == 0.0:
        return []
    several = len(joining.subs) > 1
    text = (
        f"Turn {'both subs' if several else 'the sub'} {'up' if gain_db > 0.0 else 'down'} "
        f"{abs(gain_db):.1f} dB at the box: the bass then meets the target against the mains."
    )
    if gain_db > 0.0:
        text += " Watch the limit light, and stop where it lights."
    return [
        Move(
            "gain",
            text,
            {f"{one.side}_gain_db": 0.0 for one in joining.subs},
            {f"{one.side}_gain_db": gain_db for one in joining.subs},
        )
    ]


def _processor(joining: Joining) -> str:
    """Say what a delay would bring where there is none."""
    ideal = joining.with_delay
    if ideal is None or ideal.overall is None or joining.overall is None:
        return ""
    more_db = ideal.overall.expected_db - joining.overall.expected_db
    if more_db < HELD_DB:
        return ""
    parts = _delays(ideal)
    if not parts:
        return ""
    return (
        f" With a processor that can {listed(parts)} it would be {more_db:.1f} dB louder there on "
        "average."
    )


def together_move(subs: Sequence[Take]) -> Move:
    """Ask for the takes that the card of mains and subs is made of."""
    several = len({take.side for take in subs}) > 1
    playing = "the subs playing" if several else "the sub playing"
    return Move(
        "check",
        f"When that is done, take each side again with {playing} along, and mark the takes so: the "
        "EQ feeds both, and the card is made for what they do together. Until then it is for the "
        "mains alone.",
    )


def _turned_over(joining: Joining) -> Move:
    names = [f"{one.side}_polarity" for one in joining.subs]
    whose, verb = ("the sub", "it is") if len(names) == 1 else ("both subs", "they are")
    return Move(
        "polarity",
        f"Flip the polarity of {whose}: going by the takes of both together, {verb} inverted and "
        f"all else is right. {MUTING}",
        dict.fromkeys(names, -1.0),
        dict.fromkeys(names, 1.0),
    )


def _strange() -> Move:
    return Move(
        "check",
        "Find out what else changed between mains and sub: together they sound unlike either "
        "setting, old or new. Look for a filter, a level or a delay on one side alone, or take all "
        "of them again.",
    )


def joining_moves(joining: Joining, heard: HeardAs = "unknown") -> tuple[Move, ...]:
    """Say what to do, in order: level first, as the rest is found with it; nothing for no gain.

    Parameters
    ----------
    heard : str
        How mains and subs sound together, see `joined.heard_as()`.

    Returns
    -------
    tuple of Move
        "gain", then one of "delay", "relocate" or "polarity" (what belongs together is one
        move), or "leave"; "check" where it could not be told.
    """
    if joining.problem:
        return (Move("check", joining.problem),)
    if heard == "turned over":
        return (_turned_over(joining),)
    overall = joining.overall
    if overall is None or not np.isfinite(overall.expected_db):
        return ()
    expected: dict[str, Figure] = {
        "sum_below_best_db": -overall.expected_db,
        "was_db": -overall.was_db,
    }
    more = _processor(joining)
    gain = _gain(joining)
    if joining.filters is None and overall.expected_db < overall.was_db + WORTH_DB:
        worst = min(joining.spots, key=lambda one: one.was_db)
        middle = hz_text(ROUND_HZ * round(joining.crossover_hz / ROUND_HZ))
        text = (
            f"Leave the sub's delay and polarity as they are: around {middle} mains and sub sum to "
            f"within {-worst.was_db:.1f} dB of a perfect sum {_spots_text(joining.spots)}. Nothing "
            f"that can be set here brings {WORTH_DB:g} dB more.{more}"
        )
        strange = (_strange(),) if heard == "neither" else ()
        return (*strange, *gain, Move("leave", text, expected=expected))
    turn = _turn(joining, expected)
    if turn and heard == "asked":
        text = (
            "Leave the sub's delay and polarity as they are now: the takes of both together sound "
            "as asked for, and no longer as before."
        )
        return (Move("leave", text, expected=expected),)
    carried = any(abs(one.back_m) >= LEAST_MOVE_M for one in joining.subs)
    # The room answers a sub that was carried in ways that nobody foresees.
    if heard == "neither" and not carried:
        return (_strange(),)
    told = [replace(move, text=move.text + more) for move in turn]
    if heard == "before":
        told = [replace(move, text=f"{NOT_YET} {uncapitalised(move.text)}") for move in told]
    return (*gain, *told)
