"""How figures are said in a sentence."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["count_text", "hz_text", "join_words"]

SMALL = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def hz_text(hz: float) -> str:
    """Say a frequency as it is spoken.

    Examples
    --------
    >>> hz_text(31.5), hz_text(2500.0)
    ('31.5 Hz', '2.5 kHz')
    """
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def join_words(words: Sequence[str]) -> str:
    """List words as a sentence does.

    Examples
    --------
    >>> join_words(["front", "middle", "back"])
    'front, middle and back'
    """
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]


def count_text(count: int) -> str:
    """Say a small count in words.

    Examples
    --------
    >>> count_text(9), count_text(12)
    ('nine', '12')
    """
    return SMALL[count] if count < len(SMALL) else str(count)
