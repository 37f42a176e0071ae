"""Which way to turn the microphone's gain. Start at `gain_hint()`.

Common practice, no source: the level at the microphone is set about equal to the reference, with
room for peaks, and is then left alone for the visit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenhall.acoustics.meter import Reading

__all__ = ["GainHint", "gain_hint"]

HOLD_WITHIN_DB = 3.0
LEAVE_BEYOND_DB = 5.0  # once it stands, a waver is no reason to turn again
HIGHEST_PEAK_DBFS = -6.0  # a slam or a cough needs that much room
CLIPPED_DOWN_DB = 10.0  # how far beyond the peak went, nobody can see
# A clipped peak stays readable for a while by its mark; 16 bits reach no higher than -0.0003.
CLIPPED_DBFS = -0.01
# From here on the next peak clips; beneath, a microphone set level with it nears its own noise.
REFERENCE_PEAK_DBFS, LOWEST_REFERENCE_DBFS = -1.0, -50.0
RAISE_BEYOND_DB = 10.0  # so that it does not sit on the edge
SILENT_DBFS = -75.0


@dataclass(frozen=True)
class GainHint:
    """What to do with the microphone's gain.

    Parameters
    ----------
    turn : {"up", "down", "hold", "check"}
        "check" where something else has to be set right first.
    change_db : float
        By about how much, downwards negative; 0 with "hold" and "check".
    """

    turn: Literal["up", "down", "hold", "check"]
    change_db: float
    text: str


def gain_hint(
    microphone: Reading, reference: Reading, *, before: GainHint | None = None
) -> GainHint:
    """Compare the microphone with the reference.

    What clips comes first, then what is silent or cannot be a reference, then the gain.

    Parameters
    ----------
    microphone, reference : Reading
        While the stimulus plays; the slow levels are compared.
    before : GainHint, optional
        The last hint, so that one that said "hold" is not taken back for a waver.
    """
    if microphone.clipped or microphone.held_dbfs > CLIPPED_DBFS:
        return GainHint(
            "down",
            -CLIPPED_DOWN_DB,
            f"The microphone clips: turn its gain down about {CLIPPED_DOWN_DB:.0f} dB.",
        )
    if reference.held_dbfs > REFERENCE_PEAK_DBFS:
        return GainHint(
            "check",
            0.0,
            "The reference is too hot: turn its own input gain, or what feeds it, down about "
            f"{reference.held_dbfs - HIGHEST_PEAK_DBFS:.0f} dB. Leave the microphone's.",
        )
    if reference.slow_dbfs < SILENT_DBFS:
        return GainHint(
            "check",
            0.0,
            "No reference comes in. Check its cable, the mixer's output and the input's gain.",
        )
    if reference.slow_dbfs < LOWEST_REFERENCE_DBFS:
        raise_db = LOWEST_REFERENCE_DBFS + RAISE_BEYOND_DB - reference.slow_dbfs
        return GainHint(
            "check",
            0.0,
            "The reference is too low: turn its own input gain, or what feeds it with ears "
            f"protected, up about {raise_db:.0f} dB. Leave the microphone's.",
        )
    if microphone.slow_dbfs < SILENT_DBFS:
        return GainHint(
            "check",
            0.0,
            "Nothing comes from the microphone. Check its cable, phantom power, the mute, and "
            "that the loudspeaker plays.",
        )
    wanted_db = reference.slow_dbfs - microphone.slow_dbfs
    room_db = HIGHEST_PEAK_DBFS - microphone.held_dbfs
    change_db = min(wanted_db, room_db)
    within_db = LEAVE_BEYOND_DB if before and before.turn == "hold" else HOLD_WITHIN_DB
    if abs(change_db) <= within_db:
        level = (
            "level with the reference"
            if abs(wanted_db) <= within_db
            else "as high as its peaks allow"
        )
        return GainHint(
            "hold", 0.0, f"Hold: the microphone is {level}. Leave the gain alone from now on."
        )
    if change_db > 0.0:
        return GainHint("up", change_db, f"Turn the microphone's gain up about {change_db:.0f} dB.")
    return GainHint(
        "down", change_db, f"Turn the microphone's gain down about {-change_db:.0f} dB."
    )
