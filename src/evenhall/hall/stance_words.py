"""What a proposal for the pair says to the person on the ladder.

Start at `stance_lines()`: what to do (`stance_text()` alone), what it gains together and step by
step, how sure that is, and what to mind while lifting.
"""

from __future__ import annotations

import numpy as np

from evenhall.cautions import LIFTING
from evenhall.hall.level import MID_TEXT
from evenhall.hall.pair import PairProposal
from evenhall.hall.search import HEAD_M
from evenhall.hall.seats import Seats
from evenhall.hall.stances import PairStance
from evenhall.words import capitalised, listed

__all__ = ["NOT_WORTH", "STAY", "height_question", "reason_text", "stance_lines", "stance_text"]

STAY = "Leave height and aim as they are"
NOT_WORTH = (
    "no move within reach is worth it: it must gain the seats more than the forecast may be off "
    "by, and with a ladder 1.5 dB more than that from front to back"
)
AT_ROW_M = 0.6  # nearer to the last row than this, it is the last row


def stance_lines(
    found: PairProposal, seats: Seats, *, reason: str | None = None
) -> tuple[str, ...]:
    """Give the sentences of a proposal; one that says so where nothing is worth moving.

    Parameters
    ----------
    seats : Seats
        That it was found for.
    reason : str, optional
        Instead of `reason_text()`, where more is known.
    """
    if found.proposed == found.was:
        return (
            f"{STAY}. Loudest and softest seat differ by {found.was_db:.1f} dB on average from "
            f"{MID_TEXT}, and {NOT_WORTH}.",
        )
    lines = [stance_text(found, seats), reason or reason_text(found, seats)]
    if len(found.alone_db) > 1:
        steps = [
            f"{_STEPS[name]} alone {gain_db:.1f} dB"
            for name, gain_db in found.alone_gain_db.items()
        ]
        lines.append(f"Step by step: {', '.join(steps)}. They do not simply add up.")
    if found.spill_db > found.was_spill_db + 1.0:
        lines.append(
            f"Walls and ceiling then get {found.spill_db - found.was_spill_db:.1f} dB more sound."
        )
    if found.raised:
        lines.append(LIFTING)
    return tuple(lines)


def reason_text(found: PairProposal, seats: Seats) -> str:
    """Say why a proposal is worth the hands: what must not stay so, or what the seats gain."""
    then_db = found.was_db - found.gain_db
    gained = (
        f"Loudest and softest seat then differ by {then_db:.1f} dB instead of "
        f"{found.was_db:.1f} dB, give or take {2 * found.gain_sd_db:.1f} dB."
    )
    return " ".join(filter(None, (_must_text(found, seats), gained)))


def _must_text(found: PairProposal, seats: Seats) -> str:
    if found.must == "heads":
        return (
            f"The horns are {found.was.height_m:.1f} m high and heads reach "
            f"{seats.ear_height_m + HEAD_M:.1f} m: every row hears them through the heads of the "
            "row in front."
        )
    if found.must == "aim":
        return "Now the last row is outside the coverage, or the boxes point past the people."
    return ""


def height_question(found: PairProposal, seats: Seats) -> str:
    """Ask how high the stands go, where `found` would be worth the climb."""
    then = f"at {found.proposed.height_m:.1f} m" if not found.must else "higher up"
    return (
        "How high can your stands or brackets go, within their rated load? Give max_height_m "
        f'([rig] max_height_m; Set out: "Highest your stands allow"). {_must_text(found, seats)} '
        f"With the boxes {then}, loudest and softest seat would differ by "
        f"{found.was_db - found.gain_db:.1f} dB instead of {found.was_db:.1f} dB."
    ).replace("  ", " ")


_STEPS = {
    "height_m": "raising",
    "down_deg": "tilting",
    "inwards_deg": "toeing in or out",
    "along_m": "moving along",
    "aside_m": "moving apart or together",
}


def stance_text(found: PairProposal, seats: Seats) -> str:
    """Say what to do, and where the box then points."""
    was, then = found.was, found.proposed
    both = "both boxes" if len(found.pair) > 1 else "the box"
    them = "them" if len(found.pair) > 1 else "it"
    steps = []
    if then.height_m != was.height_m:
        steps.append(f"raise {both} to {then.height_m:.1f} m")
    if then.down_deg != was.down_deg:
        way = "down" if then.down_deg >= 0 else "up"
        whom = them if steps else both
        steps.append(f"tilt {whom} to {abs(then.down_deg):.0f}° {way}")
    if then.inwards_deg != was.inwards_deg:
        way = "in" if then.inwards_deg >= 0 else "out"
        steps.append(
            "turn each straight down the room"
            if then.inwards_deg == 0
            else f"toe each {way} to {abs(then.inwards_deg):.0f}°"
        )
    if then.along_m != was.along_m:
        way = "forwards" if then.along_m > was.along_m else "back"
        steps.append(f"move {both} {abs(then.along_m - was.along_m):.2f} m {way}")
    if then.aside_m != was.aside_m:
        way = "outwards" if then.aside_m > was.aside_m else "inwards"
        steps.append(f"move each {abs(then.aside_m - was.aside_m):.2f} m {way}")
    text = capitalised(listed(steps))
    if then.down_deg != was.down_deg or then.height_m != was.height_m:
        text += f": sighted along its top, the box then {_points_at(then, seats)}"
    return text + "."


def _points_at(stance: PairStance, seats: Seats) -> str:
    """Say where the line along the top of the box meets the heads."""
    last_m = float(seats.along_m.max()) - stance.along_m
    if stance.down_deg <= 0:
        return "points level over the people"
    drop_m = stance.height_m - seats.ear_height_m
    meets_m = drop_m / float(np.tan(np.radians(stance.down_deg)))
    if meets_m >= last_m - AT_ROW_M:
        return "points at the last row"
    return (
        f"points at the heads {meets_m:.0f} m down the room, {last_m - meets_m:.0f} m before the "
        "last row"
    )
