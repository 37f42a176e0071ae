"""The palettes of the drawings, and how far two colours stand apart.

Levels run from blue (below) over a quiet middle to orange (above): eyes that cannot tell red
from green tell these, and a grey print still shows how far, while sign and figure say which way.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["DARK", "LIGHT", "PAPER", "THEMES", "Theme", "contrast_ratio", "legible_on", "mixed"]


@dataclass(frozen=True)
class Theme:
    """Colours of one kind of page, each `#rrggbb`.

    Attributes
    ----------
    name : str
        "paper", "light" or "dark".
    ground, ink : str
        The page, and what is drawn on it to be read.
    muted : str
        Text and lines of second rank; still legible on `ground`.
    faint : str
        Grids, and the lane behind a fader that moves.
    even, above, below : str
        A cell at the level of its reference, and far above or below it.
    """

    name: str
    ground: str
    ink: str
    muted: str
    faint: str
    even: str
    above: str
    below: str


PAPER = Theme(
    name="paper",
    ground="#ffffff",
    ink="#000000",
    muted="#5a5a5a",
    faint="#e4e4e4",
    even="#f7f7f7",
    above="#e07b16",
    below="#4a7fc4",
)
LIGHT = Theme(
    name="light",
    ground="#fbfaf7",
    ink="#16191d",
    muted="#5b5f66",
    faint="#e3e1db",
    even="#f1efea",
    above="#e07b16",
    below="#4a7fc4",
)
DARK = Theme(
    name="dark",
    ground="#101316",
    ink="#f4f1ea",
    muted="#a3a7ad",
    faint="#2b3036",
    even="#23282d",
    above="#f0973a",
    below="#6ea8f2",
)
THEMES = {theme.name: theme for theme in (PAPER, LIGHT, DARK)}


def mixed(first: str, second: str, share: float) -> str:
    """Find the colour that lies `share` (0 to 1) of the way from the first to the second.

    Examples
    --------
    >>> mixed("#000000", "#ffffff", 0.5)
    '#808080'
    """
    pairs = zip(_channels(first), _channels(second), strict=True)
    return "#" + "".join(f"{round(a + (b - a) * share):02x}" for a, b in pairs)


def legible_on(colour: str) -> str:
    """Black or white, whichever stands out more; the ratio is never under 4.58."""
    return max("#000000", "#ffffff", key=lambda ink: contrast_ratio(ink, colour))


def contrast_ratio(first: str, second: str) -> float:
    """How far two colours stand apart in lightness, 1 (alike) to 21 (black on white).

    References
    ----------
    W3C, Web Content Accessibility Guidelines 2.1, definitions of contrast ratio and of
    relative luminance. Normal text needs 4.5, large text 3.

    Examples
    --------
    >>> round(contrast_ratio("#ffffff", "#000000"), 2)
    21.0
    """
    low, high = sorted(_luminance(colour) for colour in (first, second))
    return (high + 0.05) / (low + 0.05)


def _channels(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _luminance(colour: str) -> float:
    shares = [channel / 255 for channel in _channels(colour)]
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
