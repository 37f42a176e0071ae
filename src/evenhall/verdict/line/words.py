"""What the line check says: one plain sentence for each thing found, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.cautions import MAINS
from evenhall.words import capitalised, hz_text

__all__ = ["CODES", "Finding"]

SWITCHED_ON = "check that it is switched on and not muted, then its cable, back to the mixer"
LEAVE_OFF = "leave that box off until it is fixed"

# Worst first: what hides or explains the rest stands ahead of it.
CODES = (
    "silent",
    "wrong_side",
    "not_alone",
    "no_lows",
    "no_highs",
    "inverted",
    "weak",
    "filtered",
    "equalized",
    "distorted",
    "hum",
    "unclear",
    "works",
)


@dataclass(frozen=True)
class Finding:
    """One thing that the line check found out about an element.

    Parameters
    ----------
    element : str
        Whom it concerns.
    code : str
        One of `CODES`.
    text : str
        A plain sentence or two: what is so, and what to do.
    """

    element: str
    code: str
    text: str


def _found(element: str, code: str, text: str) -> Finding:
    """Make a finding of a sentence that may begin with an element's name."""
    return Finding(element, code, capitalised(text))


def works(element: str, partner: str | None) -> Finding:
    """Say that nothing is wrong."""
    as_well = f", and agrees with {partner}" if partner else ""
    return _found(element, "works", f"{element} works{as_well}.")


def silent(element: str, *, all_silent: bool) -> Finding:
    """Say that nothing was heard of it."""
    where = (
        "nothing was heard of any element, so look at the microphone first: its cable, its "
        "phantom power and its gain"
        if all_silent
        else SWITCHED_ON
    )
    return _found(element, "silent", f"{element} is silent: {where}.")


def faint(element: str, partner: str, below_db: float) -> Finding:
    """Say that no more than crosstalk is heard of it."""
    return _found(
        element,
        "silent",
        f"{element} is as good as silent, {below_db:.0f} dB below {partner}: {SWITCHED_ON}.",
    )


def swapped(first: str, second: str, earlier_s: float) -> list[Finding]:
    """Say that the far box answers to the near one's name."""
    text = (
        f"{{}} plays on the wrong side: {second} is heard {1000 * earlier_s:.1f} ms before "
        f"{first}, though the microphone is nearer {first}. Swap the two cables at the mixer or at "
        f"the boxes; if the microphone was nearer {second}, move it and take both again."
    )
    return [_found(name, "wrong_side", text.format(name)) for name in (first, second)]


def same_box(first: str, second: str) -> list[Finding]:
    """Say that one box, or both, played under either name."""
    text = (
        f"{first} and {second} come out of one box, or out of both each time: they arrive together "
        "and sound the same, room and all. Mute or unplug the other box and check again; if they "
        f"are still the same, look at the pan and the patch: {first} or {second} is on the wrong "
        "side."
    )
    return [_found(name, "wrong_side", text) for name in (first, second)]


def not_alone(element: str, other: str) -> list[Finding]:
    """Say that the other one played too."""
    text = (
        f"{element} did not play alone: {other} is heard in its sweep too. Mute or unplug {other} "
        "(a solo key may feed the headphones alone), and take both again."
    )
    return [
        _found(element, "not_alone", text),
        _found(other, "not_alone", f"{other} waits until {element} plays alone."),
    ]


def midway(first: str, second: str) -> list[Finding]:
    """Say that two boxes play, and that the microphone is where it cannot tell them.

    That of the first, playing along with the second, arrives first in both.
    """
    text = (
        f"{first} and {second} arrive together, out of two boxes: which is which is not sure. "
        f"Mute or unplug {first} while {second} plays, move the microphone clearly nearer {first}, "
        "by half a metre or more, and take both again."
    )
    return [_found(name, "unclear", text) for name in (first, second)]


def inverted(element: str, partner: str) -> Finding:
    """Say that one pushes where the other pulls."""
    return _found(
        element,
        "inverted",
        f"{element} is inverted against {partner}: swap the two wires of one plug, or flip "
        "the polarity switch, on one side only.",
    )


def unlike(element: str, partner: str) -> Finding:
    """Say that the two responses do not fit, either way up."""
    return _found(
        element,
        "unclear",
        f"{element} and {partner} sound too unlike each other to say whether one is inverted. Fix "
        "what else is found and take both again, with the microphone a little elsewhere if need "
        "be.",
    )


def weak(element: str, partner: str, below_db: float, *, at_least: bool) -> Finding:
    """Say that it is softer than distance explains."""
    size = f"at least {below_db:.0f} dB" if at_least else f"{below_db:.0f} dB"
    return _found(
        element,
        "weak",
        f"{element} is {size} below {partner}, distance allowed for: compare the level "
        "knobs on both boxes, then the faders and the cables.",
    )


def no_highs(element: str, above_hz: float, *, partner: str | None, below_db: float) -> Finding:
    """Say that the high-frequency driver is not heard."""
    return _found(
        element,
        "no_highs",
        f"{element} has no highs: above about {hz_text(above_hz)} it is {below_db:.0f} dB "
        f"below {partner or 'its own middle'}. Look for a high cut left in at the mixer; if there "
        f"is none its horn is silent: {LEAVE_OFF}.",
    )


def no_lows(element: str, below_hz: float, *, partner: str | None, below_db: float) -> Finding:
    """Say that the low-frequency driver is not heard."""
    return _found(
        element,
        "no_lows",
        f"{element} has no lows: below about {hz_text(below_hz)} it is {below_db:.0f} dB "
        f"below {partner or 'its own top'}. Look for a low cut or a sub crossover left in; if "
        f"there is none its woofer is silent: {LEAVE_OFF}.",
    )


def filtered(element: str, partner: str, below_hz: float, below_db: float) -> Finding:
    """Say that a low cut is left in."""
    return _found(
        element,
        "filtered",
        f"{element} has {below_db:.0f} dB less than {partner} below {hz_text(below_hz)}. Look for "
        "a low cut left in on its channel or at the box: switch it off, or set both alike.",
    )


def both_filtered(first: str, second: str, ends_hz: float) -> list[Finding]:
    """Ask whether a low cut is left in on both."""
    text = (
        f"{first} and {second} both end at {hz_text(ends_hz)}. Look for a low cut left in on their "
        "channels or at the boxes: switch it off, unless they are meant to end there."
    )
    return [_found(name, "filtered", text) for name in (first, second)]


def equalized(element: str, partner: str, at_hz: float, differs_db: float) -> Finding:
    """Say that an equalizer is left in on one of the two."""
    way = "above" if differs_db > 0 else "below"
    return _found(
        element,
        "equalized",
        f"{element} is {abs(differs_db):.0f} dB {way} {partner} around {hz_text(at_hz)}, "
        "with levels matched: look for an EQ left in on one of the two channels, or a tone switch "
        "on one of the boxes, and set both alike.",
    )


def distorted(
    element: str, at_hz: float, percent: float, *, partner: str | None, over_db: float
) -> Finding:
    """Say that it adds harmonics."""
    beside = f", {over_db:.0f} dB more than {partner}" if partner else ""
    return _found(
        element,
        "distorted",
        f"{element} distorts: {percent:.0f} % of harmonics around {hz_text(at_hz)}{beside}. "
        "Turn down what feeds it and look for a red light from the mixer to the box. If it "
        "distorts at a low level too, the driver is damaged or something rattles.",
    )


def hum(
    element: str, mains_hz: float, below_db: float, *, playing: bool, everywhere: bool
) -> Finding:
    """Say that mains hum is heard, with the usual cures."""
    when = "while its channel is open" if playing else "with nothing playing"
    where = (
        " All elements hum alike: look at what they share, and at the microphone's own line."
        if everywhere
        else ""
    )
    return _found(
        element,
        "hum",
        f"{element} hums at {mains_hz:.0f} Hz and its multiples {when}, {below_db:.0f} dB "
        f"below the sweep.{where} Use balanced cables, all gear on one outlet, or an isolating DI "
        f"box in the signal line. {MAINS}",
    )


def noisy(element: str) -> Finding:
    """Say that noise leaves too little to judge."""
    return _found(
        element,
        "unclear",
        f"Noise hides too much of {element} to judge it: wait for quiet, or play louder with ears "
        "protected, and take it again.",
    )
