"""How figures, frequencies and lists are said and lettered, wherever a person reads them."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = [
    "capitalised",
    "count_text",
    "fader_name",
    "hz_listed",
    "hz_text",
    "listed",
    "uncapitalised",
    "unit_once",
]

SMALL = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def capitalised(text: str) -> str:
    """Begin a sentence with it, names in it left as they are.

    Examples
    --------
    >>> capitalised("left, by cable, at FOH")
    'Left, by cable, at FOH'
    """
    return text[:1].upper() + text[1:]


def uncapitalised(text: str) -> str:
    """Go on with a sentence after a colon.

    Examples
    --------
    >>> uncapitalised("Noise covers 4 of 26 bands.")
    'noise covers 4 of 26 bands.'
    """
    return text[:1].lower() + text[1:]


def hz_text(hz: float) -> str:
    """Say a frequency as it is spoken.

    Examples
    --------
    >>> hz_text(31.5), hz_text(2500.0)
    ('31.5 Hz', '2.5 kHz')
    """
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def hz_listed(hz: Sequence[float], last: str = "and") -> str:
    """List frequencies, the unit said once for neighbours that share it.

    Examples
    --------
    >>> hz_listed([250.0, 315.0, 400.0]), hz_listed([25.0, 315.0], "to")
    ('250, 315 and 400 Hz', '25 to 315 Hz')
    >>> hz_listed([500.0, 800.0, 1250.0, 2000.0])
    '500, 800 Hz, 1.25 and 2 kHz'
    """
    return unit_once([hz_text(one) for one in hz], last)


def unit_once(figures: Sequence[str], last: str = "and") -> str:
    """List figures, the unit left out where the next one has it too.

    Examples
    --------
    >>> unit_once(["25 to 40 Hz", "80 Hz", "2 kHz"])
    '25 to 40, 80 Hz and 2 kHz'
    """
    units = [one.split()[-1] for one in figures]
    said = [
        one.removesuffix(f" {unit}") if unit == after and one.count("Hz") == 1 else one
        for one, unit, after in zip(figures, units, [*units[1:], ""], strict=True)
    ]
    return listed(said, last)


def fader_name(hz: float) -> str:
    """Write a frequency as faders are lettered: hertz below 1000, then kilohertz with a k.

    Examples
    --------
    >>> [fader_name(hz) for hz in (31.5, 630.0, 1250.0, 16000.0)]
    ['31.5', '630', '1.25k', '16k']
    """
    return f"{hz / 1000:.4g}k" if hz >= 1000 else f"{hz:.4g}"


def listed(words: Sequence[str], last: str = "and") -> str:
    """List words as a sentence does.

    Examples
    --------
    >>> listed(["front", "middle", "back"]), listed(["44100", "48000"], "or")
    ('front, middle and back', '44100 or 48000')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def count_text(count: int) -> str:
    """Say a small count in words.

    Examples
    --------
    >>> count_text(9), count_text(12)
    ('nine', '12')
    """
    return SMALL[count] if count < len(SMALL) else str(count)
