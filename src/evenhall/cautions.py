"""What can hurt someone, and what to mind: every caution that a person reads, each in one wording.

Where the law says otherwise it is right; `docs/safety.md` has the whole of it.
"""

from __future__ import annotations

__all__ = [
    "BEFORE_SOUND",
    "CARRYING",
    "CAUTIONS",
    "LIFTING",
    "MAINS",
    "MUTING",
    "WALKING",
    "WARNED",
    "care",
]

BEFORE_SOUND = (
    "Turn the amplifiers down, keep ears away from the loudspeakers, warn whoever stands near "
    "them, and let nobody be on a ladder beside them."
)
WARNED = "the amplifiers are down and everybody near is warned"
LIFTING = (
    "Two people lift, on a stand or bracket rated for the weight at that height; local codes and "
    "a licensed rigger decide what may hang or stand over people."
)
CARRYING = (
    "Two people carry a sub; leave doors and ways out free, and secure what stands on it first."
)
HOLDING = "Hold the box while its clamp is open, and keep people from under it."
CABLES = "Mind cables on the floor where people walk."
WALKING = (
    "Look where you walk and not at the screen, mind steps and cables, and keep a metre off the "
    "loudspeakers, ears protected near them."
)
MUTING = "Mute it before you touch plug or switch."
MAINS = (
    "Never lift a safety earth to stop a hum: mains wiring and open equipment are for a licensed "
    "electrician, after local codes."
)

# Of moves by their kind, beside what the move says itself.
CARE = {
    "raise": (LIFTING, HOLDING),
    "aim": (HOLDING,),
    "relocate": (CABLES,),
    "polarity": (MUTING, MAINS),
}

# Levels and times: NIOSH recommended limit (85 dB(A) for 8 h, 3 dB exchange); WHO global standard
# for safe listening venues and events (2022), 100 dB L_Aeq over 15 minutes. The rest is common
# practice, no source.
CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Ears",
        "Protect them near a loudspeaker that plays test signals. At work 85 dB(A) for 8 hours is "
        "the recommended limit, and each 3 dB more halves the time (NIOSH); for an audience "
        "100 dB(A) over 15 minutes is the upper limit (WHO 2022). Local law may ask for less.",
    ),
    (
        "Lifting and rigging",
        f"{LIFTING} Keep people from under it. What hangs has rated hardware and a second, "
        "independent safety.",
    ),
    ("Mains", f"{MAINS} Amplifiers go on last and off first."),
    (
        "Drivers",
        "Start quiet: mute, set the faders, then bring the level up slowly and watch the limit "
        "lights. Raise nothing below the low limit of the loudspeaker.",
    ),
)


def care(kind: str, text: str) -> str:
    """Say what to mind while a move is done, less what its text says already."""
    return " ".join(caution for caution in CARE.get(kind, ()) if caution not in text)
