"""One fader, large: where its slider must stand, and where on the faceplate it is.

For a hand that sets one after the other with the phone in the other hand. Start at
`draw_fader()`.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.drawing.card import CardFader
from evenhall.drawing.svg import group, line, path, picture, rect, signed_db, slider, text
from evenhall.drawing.theme import PAPER, Theme
from evenhall.words import fader_name

__all__ = ["FaderView", "draw_fader"]

WIDTH_PX, HEIGHT_PX = 240.0, 280.0
TOP_PX, RAIL_PX = 18.0, 206.0
RAIL_X_PX = 132.0
SCALE_X_PX, LINE_FROM_PX, LINE_TO_PX = 74.0, 82.0, 182.0
LETTERING_PX = 16.0
SLIDER_WIDTH_PX, SLIDER_HEIGHT_PX = 58.0, 22.0
STRIP_TOP_PX, STRIP_HEIGHT_PX, STRIP_MARGIN_PX = 250.0, 20.0, 12.0


@dataclass(frozen=True)
class FaderView:
    """What is shown of a fader.

    Attributes
    ----------
    range_db : float
        It reaches this far both ways.
    place, count : int
        Its place on the faceplate from the left, from 1, and how many there are.
    decimals : int
        That its setting needs.
    """

    fader: CardFader
    range_db: float
    place: int
    count: int
    decimals: int = 1


def draw_fader(view: FaderView, *, theme: Theme = PAPER) -> str:
    """Draw the fader as SVG.

    Raises
    ------
    ValueError
        It stands outside its range, or has no place on the faceplate.
    """
    if not abs(view.fader.fader_db) <= view.range_db:
        raise ValueError(f"the fader at {view.fader.hz:g} Hz stands outside the range")
    if not 1 <= view.place <= view.count:
        raise ValueError(f"there is no place {view.place} among {view.count} faders")
    said = (
        f"{view.fader.hz:g} Hz at {signed_db(view.fader.fader_db, view.decimals)} dB, "
        f"fader {view.place} of {view.count} from the left"
    )
    return picture(
        _scale(view, theme),
        _slider(view, theme),
        _strip(view, theme),
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        title=f"Fader {fader_name(view.fader.hz)}",
        description=said,
        theme=theme,
    )


def _y(view: FaderView, level_db: float) -> float:
    return TOP_PX + RAIL_PX / 2 - level_db / view.range_db * RAIL_PX / 2


def _scale(view: FaderView, theme: Theme) -> str:
    lines, letters = [], []
    for share in (1.0, 0.5, 0.0, -0.5, -1.0):
        y = _y(view, share * view.range_db)
        stroke = theme.ink if share == 0 else theme.muted
        lines.append(line(LINE_FROM_PX, y, LINE_TO_PX, y, stroke=stroke))
        label = signed_db(share * view.range_db, 1)
        letters.append(
            text(SCALE_X_PX, y, label, size_px=LETTERING_PX, fill=theme.muted, anchor="end")
        )
    return group(*lines, *letters, class_="scale")


def _slider(view: FaderView, theme: Theme) -> str:
    y, zero_y = _y(view, view.fader.fader_db), _y(view, 0.0)
    half = SLIDER_WIDTH_PX / 2 - 4
    return group(
        line(RAIL_X_PX, TOP_PX, RAIL_X_PX, TOP_PX + RAIL_PX, stroke=theme.muted, stroke_width=4),
        rect(RAIL_X_PX - 7, min(y, zero_y), 14, abs(y - zero_y), fill=theme.ink),
        slider(RAIL_X_PX, y, SLIDER_WIDTH_PX, SLIDER_HEIGHT_PX, rx=3, fill=theme.ink),
        line(RAIL_X_PX - half, y, RAIL_X_PX + half, y, stroke=theme.ground, stroke_width=2),
    )


def _strip(view: FaderView, theme: Theme) -> str:
    """Draw the faceplate small, with this fader marked on it."""
    step = (WIDTH_PX - 2 * STRIP_MARGIN_PX) / view.count
    xs = [STRIP_MARGIN_PX + (k + 0.5) * step for k in range(view.count)]
    bottom = STRIP_TOP_PX + STRIP_HEIGHT_PX
    own = xs[view.place - 1]
    return group(
        path((((x, STRIP_TOP_PX + 4), (x, bottom)) for x in xs), stroke=theme.muted, fill="none"),
        line(own, STRIP_TOP_PX - 4, own, bottom, stroke=theme.ink, stroke_width=5, class_="own"),
        class_="faceplate",
    )
