"""What a proposal for the pair says to the person on the ladder.

Start at `stance_lines()`: what to do (`stance_text()` alone), what it gains together and step by
step, how sure that is, and what to mind while lifting.
"""

from __future__ import annotations

import numpy as np

from evenhall.hall.pair import PairProposal
from evenhall.hall.seats import Seats
from evenhall.hall.stances import PairStance

__all__ = ["LIFTING", "stance_lines", "stance_text"]

LIFTING = (
    "Two people lift, on a stand or bracket rated for the weight at that height; local codes and "
    "a licensed rigger decide what may hang or stand over people."
)
AT_ROW_M = 0.6  # nearer to the last row than this, it is the last row


def stance_lines(found: PairProposal, seats: Seats) -> tuple[str, ...]:
    """Give the sentences of a proposal; one that says so where nothing is worth moving.

    Parameters
    ----------
    found : PairProposal
    seats : Seats
        That it was found for.
    """
    now_text = f"Loudest and softest seat differ by {found.was_db:.1f} dB (mean of 200 Hz to 4 kHz)"
    if found.proposed == found.was:
        return (
            f"Leave height and aim as they are. {now_text}, and no move within reach gains "
            "half a decibel.",
        )
    lines = [stance_text(found, seats)]
    gain_db = found.was_db - found.proposed_db
    lines.append(
        f"{now_text} now, and by {found.proposed_db:.1f} dB afterwards: "
        f"{gain_db:.1f} dB less, give or take {2 * found.gain_sd_db:.1f} dB."
    )
    if len(found.alone_db) > 1:
        steps = [
            f"{_STEPS[name]} alone {found.was_db - alone_db:.1f} dB"
            for name, alone_db in found.alone_db.items()
        ]
        lines.append(f"Of that, {', '.join(steps)}; the steps do not simply add up.")
    if found.spill_db > found.was_spill_db + 1.0:
        lines.append(
            f"Walls and ceiling then get {found.spill_db - found.was_spill_db:.1f} dB more of it."
        )
    if found.proposed.height_m > found.was.height_m:
        lines.append(LIFTING)
    return tuple(lines)


_STEPS = {
    "height_m": "raising",
    "down_deg": "tipping",
    "inwards_deg": "turning",
    "along_m": "moving along",
    "aside_m": "moving apart or together",
}


def stance_text(found: PairProposal, seats: Seats) -> str:
    """Say what to do, and where the box then points."""
    was, then = found.was, found.proposed
    both = "both loudspeakers" if len(found.pair) > 1 else "the loudspeaker"
    them = "them" if len(found.pair) > 1 else "it"
    steps = []
    if then.height_m != was.height_m:
        steps.append(f"raise {both} to {then.height_m:.1f} m")
    if then.down_deg != was.down_deg:
        way = "down" if then.down_deg >= 0 else "up"
        whom = them if steps else both
        steps.append(f"tip {whom} {way} {abs(then.down_deg):.0f} degrees")
    if then.inwards_deg != was.inwards_deg:
        way = "inwards" if then.inwards_deg >= 0 else "outwards"
        steps.append(
            "turn each straight down the room"
            if then.inwards_deg == 0
            else f"turn each {abs(then.inwards_deg):.0f} degrees {way}"
        )
    if then.along_m != was.along_m:
        way = "forwards" if then.along_m > was.along_m else "back"
        steps.append(f"move {both} {abs(then.along_m - was.along_m):.2f} m {way}")
    if then.aside_m != was.aside_m:
        way = "outwards" if then.aside_m > was.aside_m else "inwards"
        steps.append(f"move each {abs(then.aside_m - was.aside_m):.2f} m {way}")
    listed = steps[0] if len(steps) == 1 else f"{', '.join(steps[:-1])} and {steps[-1]}"
    text = listed[0].upper() + listed[1:]
    if then.down_deg != was.down_deg or then.height_m != was.height_m:
        text += f": {_points_at(then, seats)}"
    return text + "."


def _points_at(stance: PairStance, seats: Seats) -> str:
    """Say where the line along the top of the box meets the heads."""
    last_m = float(seats.along_m.max()) - stance.along_m
    if stance.down_deg <= 0:
        return "the line along the top of the box then runs level over the people"
    drop_m = stance.height_m - seats.ear_height_m
    meets_m = drop_m / float(np.tan(np.radians(stance.down_deg)))
    if meets_m >= last_m - AT_ROW_M:
        return "the line along the top of the box then points at the last row"
    return (
        f"the line along the top of the box then meets the heads {meets_m:.0f} m down the room, "
        f"{last_m - meets_m:.0f} m before the last row"
    )
