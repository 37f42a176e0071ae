"""The few pieces of SVG 1.1 that the drawings are made of, and the width of a piece of text.

Nothing here needs an id, a style sheet or a font that is not shipped, so several drawings may
stand in one page and all renderers draw them alike. Start at `picture()`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from html import escape

from evenhall.drawing.theme import Theme

__all__ = [
    "ACROSS_PX",
    "FONT_FAMILY",
    "MINUS",
    "UPRIGHT_PX",
    "circle",
    "element",
    "group",
    "line",
    "path",
    "picture",
    "rect",
    "shorten",
    "signed_db",
    "slider",
    "spread",
    "text",
    "text_width_px",
]

# The shipped family first (typst files it under its short name), then what is widespread, and
# for other scripts what is inside typst.
FONT_FAMILY = "'Barlow Semi Condensed', Barlow, 'DejaVu Sans', 'DejaVu Sans Mono', sans-serif"
# Distance from the middle of a digit down to its baseline, in em.
HALF_DIGIT_EM = 0.35
MINUS = "\u2212"
# A4 less 10 mm on each side, at 96 px an inch.
ACROSS_PX, UPRIGHT_PX = 1044.0, 718.0

# XML 1.0 has no way to write these, escaped or not (section 2.2 of the recommendation).
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
# Advances of the figures in the shipped typeface, thousandths of an em.
_FIGURES = "0123456789.+-k".replace("-", MINUS)
_REGULAR = (504, 303, 469, 462, 483, 461, 462, 419, 472, 461, 234, 471, 471, 453)
_BOLD = (511, 319, 499, 487, 544, 488, 488, 451, 490, 482, 247, 462, 462, 491)
_WIDTH_EM = {
    bold: {figure: width / 1000 for figure, width in zip(_FIGURES, widths, strict=True)}
    for bold, widths in ((False, _REGULAR), (True, _BOLD))
}
_SPACE_EM, _LETTER_EM = 0.25, 0.58  # of a wide letter


def picture(
    *body: str, width_px: float, height_px: float, title: str, description: str, theme: Theme
) -> str:
    """Make a whole drawing, with its title and its description for those who cannot see it.

    It scales to whatever room it is given; title and description are plain text, escaped here.
    """
    return element(
        "svg",
        element("title", _escaped(title)),
        element("desc", _escaped(description)),
        rect(0, 0, width_px, height_px, fill=theme.ground),
        *body,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {_number(width_px)} {_number(height_px)}",
        role="img",
        font_family=FONT_FAMILY,
    )


def element(name: str, *children: str, **attributes: str | float | None) -> str:
    """One element; `stroke_width=2` writes `stroke-width="2"`, `class_` writes `class`.

    Examples
    --------
    >>> element("line", x1=0, y1=0.126, x2=3, y2=4, stroke_width=2, class_=None)
    '<line x1="0" y1="0.13" x2="3" y2="4" stroke-width="2"/>'
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{_value(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    if not children:
        return f"<{name}{written}/>"
    return f"<{name}{written}>{''.join(children)}</{name}>"


def group(*children: str, title: str | None = None, class_: str | None = None) -> str:
    """Elements that belong together; `title` is what a screen reader says of them."""
    said = () if title is None else (element("title", _escaped(title)),)
    return element("g", *said, *children, class_=class_)


def rect(x: float, y: float, width: float, height: float, **attributes: str | float | None) -> str:
    """Upright rectangle from its upper left corner."""
    return element("rect", x=x, y=y, width=width, height=height, **attributes)


def slider(x: float, y: float, width: float, height: float, **look: str | float | None) -> str:
    """Upright rectangle about its middle, as a fader's slider is drawn."""
    return rect(x - width / 2, y - height / 2, width, height, **look, class_="slider")


def circle(x: float, y: float, radius: float, **attributes: str | float | None) -> str:
    """Circle about a point."""
    return element("circle", cx=x, cy=y, r=radius, **attributes)


def line(x1: float, y1: float, x2: float, y2: float, **attributes: str | float | None) -> str:
    """Straight line."""
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, **attributes)


def path(strokes: Iterable[Iterable[tuple[float, float]]], **attributes: str | float | None) -> str:
    """One path of several open strokes, each a run of points."""
    drawn = "".join(
        "M" + "L".join(f"{_number(x)} {_number(y)}" for x, y in stroke) for stroke in strokes
    )
    return element("path", d=drawn, **attributes)


def text(
    x: float,
    y: float,
    content: str,
    *,
    size_px: float,
    fill: str,
    bold: bool = False,
    anchor: str = "start",
    class_: str | None = None,
) -> str:
    """Text whose digits are centred on the height `y`."""
    # A renderer without the shipped typeface squeezes figures into the width meant for them.
    figures = bool(content) and set(content) <= set(_FIGURES)
    # The offset to the baseline is worked out here: renderers disagree on dominant-baseline.
    return element(
        "text",
        _escaped(content),
        x=x,
        y=y + HALF_DIGIT_EM * size_px,
        font_size=size_px,
        font_weight=700 if bold else 400,
        fill=fill,
        text_anchor=None if anchor == "start" else anchor,
        textLength=text_width_px(content, size_px, bold=bold) if figures else None,
        lengthAdjust="spacingAndGlyphs" if figures else None,
        class_=class_,
    )


def text_width_px(content: str, size_px: float, *, bold: bool = True) -> float:
    """Width of a text: exact for figures in the shipped typeface, else what it takes at most."""
    widths = _WIDTH_EM[bold]
    return size_px * sum(
        _SPACE_EM if sign == " " else widths.get(sign, _LETTER_EM) for sign in content
    )


def shorten(content: str, *, size_px: float, width_px: float) -> str:
    """Put the text on one line, its end replaced by an ellipsis where it would not fit.

    Examples
    --------
    >>> shorten("front row, left of the aisle", size_px=10, width_px=60)
    'front row…'
    """
    flat = " ".join(content.split())
    if text_width_px(flat, size_px) <= width_px:
        return flat
    while flat and text_width_px(flat + "…", size_px) > width_px:
        flat = flat[:-1]
    return flat.rstrip(" ,;:") + "…"


def spread(
    wanted: Sequence[float], sizes: Sequence[float], *, low: float, high: float, gap: float = 0.0
) -> list[float]:
    """Centres as near to the wanted ones as keeps labels apart, in their order.

    Least squares of the shifts, by pooling neighbours that would touch. Where all together do not
    fit between `low` and `high` they pass `low`.

    Examples
    --------
    >>> spread([10.0, 14.0, 90.0], [20.0, 20.0, 20.0], low=0.0, high=95.0)
    [10.0, 30.0, 85.0]
    >>> spread([40.0, 44.0], [20.0, 20.0], low=0.0, high=95.0)
    [32.0, 52.0]
    """
    order = sorted(range(len(wanted)), key=lambda at: wanted[at])
    packed, edge = [0.0] * len(wanted), 0.0  # centres when all stand side by side from 0
    pools: list[tuple[float, int]] = []  # sum of wanted shifts of a run of neighbours, their count
    for at in order:
        packed[at] = edge + sizes[at] / 2
        edge += sizes[at] + gap
        total, count = wanted[at] - packed[at], 1
        while pools and pools[-1][0] / pools[-1][1] >= total / count:
            more, others = pools.pop()
            total, count = total + more, count + others
        pools.append((total, count))
    last = high - (edge - gap)
    shifts = [min(max(total / count, low), last) for total, count in pools for _ in range(count)]
    centres = [0.0] * len(wanted)
    for at, shift in zip(order, shifts, strict=True):
        centres[at] = packed[at] + shift
    return centres


def signed_db(level_db: float, decimals: int) -> str:
    """Write a level with its sign and without idle zeros; its unit stands beside it.

    Examples
    --------
    >>> signed_db(-2.5, 1), signed_db(3.0, 1), signed_db(-0.04, 1)
    ('−2.5', '+3', '0')
    """
    figure = f"{abs(level_db):.{decimals}f}"
    if "." in figure:
        figure = figure.rstrip("0").rstrip(".")
    if figure == "0":
        return figure
    return ("+" if level_db > 0 else MINUS) + figure


def _escaped(content: str) -> str:
    return escape(_NOT_XML.sub("\ufffd", content), quote=True)


def _value(value: str | float) -> str:
    return _escaped(value) if isinstance(value, str) else _number(value)


def _number(value: float) -> str:
    if not math.isfinite(value):
        raise ValueError(f"a drawing cannot hold the number {value}")
    written = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if written == "-0" else written
