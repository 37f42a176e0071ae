"""The evenness map: how far each spot lies from the middle one, band by band.

One row a spot, front at the top to back at the bottom; one column a third-octave band; under
each side the front less the back, which is what the limit is for. Read down a column from front
to back, along a row for tone. Start at `draw_evenness_map()`.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass

from evenhall.drawing.svg import (
    ACROSS_PX,
    group,
    path,
    picture,
    rect,
    shorten,
    signed_db,
    text,
    text_width_px,
)
from evenhall.drawing.theme import PAPER, Theme, legible_on, mixed
from evenhall.words import fader_name

__all__ = ["EvennessView", "MapRow", "MapSide", "draw_evenness_map"]

CELL_HEIGHT_PX = 24.0
HEAD_HEIGHT_PX = 54.0
SIDE_NAME_HEIGHT_PX = 20.0
SIDE_GAP_PX = 10.0
SUM_GAP_PX = 4.0
LEGEND_SIZE_PX = 12.0
LEGEND_LINE_PX = 16.0
LABEL_SHARE = 0.13  # of the width, for the names of the spots
SMALLEST_LABEL_PX = 100.0
LARGEST_FIGURE_PX = 14.0
SMALLEST_LETTERING_PX = 9.0
HATCH_PX = 5.0

# A cell this many limits away has the full colour; beyond it only the figure tells.
FULL_COLOUR_LIMITS = 1.5


@dataclass(frozen=True)
class MapRow:
    """One spot.

    Attributes
    ----------
    level_db : tuple of float or None
        Level of each band, dB re the middle spot of the same side; None = not usable.
    distance_m : float or None
        From the loudspeaker.
    reference : bool
        This is the middle spot, that the others are held against.
    """

    label: str
    level_db: tuple[float | None, ...]
    distance_m: float | None = None
    reference: bool = False


@dataclass(frozen=True)
class MapSide:
    """The spots of one loudspeaker, front to back, and the front less the back in dB."""

    name: str
    rows: tuple[MapRow, ...]
    front_minus_back_db: tuple[float | None, ...] = ()


@dataclass(frozen=True)
class EvennessView:
    """What a map shows: its bands, its sides, and how far is too far."""

    title: str
    band_hz: tuple[float, ...]
    sides: tuple[MapSide, ...]
    limit_db: float


def draw_evenness_map(
    view: EvennessView, *, theme: Theme = PAPER, width_px: float = ACROSS_PX
) -> str:
    """Draw the map as SVG.

    Parameters
    ----------
    view : EvennessView
        What to show; each row holds one level a band.
    width_px : float
        Width of the drawing; 1044 fills an A4 page across, 718 one upright. Under 500 the figures
        get too small to read: a narrow screen should scroll instead.

    Raises
    ------
    ValueError
        There is no band or no row, or a row does not hold one level a band.
    """
    rows = [row.level_db for side in view.sides for row in side.rows]
    sums = [side.front_minus_back_db for side in view.sides if side.front_minus_back_db]
    if not rows or not view.band_hz:
        raise ValueError("an evenness map needs a band and a spot")
    if any(len(levels) != len(view.band_hz) for levels in (*rows, *sums)):
        raise ValueError("every row of an evenness map holds one level a band")
    grid = _Grid(view, theme, width_px)
    blocks = []
    y = HEAD_HEIGHT_PX
    for side in view.sides:
        block, y = grid.side(side, y)
        blocks.append(block)
    return picture(
        grid.heading(),
        *blocks,
        grid.legend(y),
        width_px=width_px,
        height_px=y + len(grid.legend_lines()) * LEGEND_LINE_PX,
        title=view.title,
        description=_in_words(view),
        theme=theme,
    )


def _beyond(level_db: float | None, limit_db: float) -> bool:
    return level_db is not None and abs(level_db) > limit_db


def _in_words(view: EvennessView) -> str:
    said = []
    for side in view.sides:
        failing = [
            f"{hz:g} Hz ({level:+.1f} dB)"
            for hz, level in zip(view.band_hz, side.front_minus_back_db, strict=False)
            if level is not None and _beyond(level, view.limit_db)
        ]
        where = ", ".join(failing) if failing else "in no band"
        if side.front_minus_back_db:
            said.append(
                f"{side.name}: front and back more than {view.limit_db:g} dB apart: {where}."
            )
    return " ".join(["Levels of each spot in dB against the middle spot.", *said])


@dataclass(frozen=True)
class _Grid:
    view: EvennessView
    theme: Theme
    width_px: float

    @property
    def left_px(self) -> float:
        return max(LABEL_SHARE * self.width_px, SMALLEST_LABEL_PX)

    @property
    def cell_px(self) -> float:
        return (self.width_px - self.left_px) / len(self.view.band_hz)

    @property
    def figure_px(self) -> float:
        """Size at which two digits and a sign fit any cell."""
        return min(LARGEST_FIGURE_PX, 0.96 * self.cell_px / text_width_px("+20", 1.0))

    def heading(self) -> str:
        theme, y = self.theme, HEAD_HEIGHT_PX - 12
        widest_em = max(text_width_px(fader_name(hz), 1.0) for hz in self.view.band_hz)
        size_px = min(LARGEST_FIGURE_PX, 0.92 * self.cell_px / widest_em)
        every_band = size_px >= SMALLEST_LETTERING_PX
        lettering = [
            text(
                self.left_px + (at + 0.5) * self.cell_px,
                y,
                fader_name(hz),
                size_px=size_px if every_band else 11,
                fill=theme.muted,
                anchor="middle",
            )
            for at, hz in enumerate(self.view.band_hz)
            if every_band or _is_octave(hz)
        ]
        title = shorten(self.view.title, size_px=18, width_px=self.width_px - 12)
        return group(
            text(6, 16, title, size_px=18, fill=theme.ink, bold=True),
            text(self.left_px - 8, y, "Hz", size_px=12, fill=theme.muted, anchor="end"),
            *lettering,
        )

    def side(self, side: MapSide, y: float) -> tuple[str, float]:
        """One side's rows from the height `y` down, and the height where the next may start."""
        name_px = 13.0
        middle = y + SIDE_NAME_HEIGHT_PX / 2
        side_name = shorten(side.name, size_px=name_px, width_px=self.width_px - 12)
        drawn = [text(6, middle, side_name, size_px=name_px, fill=self.theme.ink, bold=True)]
        y += SIDE_NAME_HEIGHT_PX
        for row in side.rows:
            where = "" if row.distance_m is None else f"{row.distance_m:g} m"
            drawn.append(self._label(row.label, where, y, bold=row.reference, size_px=name_px))
            drawn.append(self._cells(f"{side.name}, {row.label}", row.level_db, y))
            y += CELL_HEIGHT_PX
        if side.front_minus_back_db:
            y += SUM_GAP_PX
            drawn.append(self._label("front − back", "", y, bold=False, size_px=name_px))
            drawn.append(
                self._cells(f"{side.name}, front less back", side.front_minus_back_db, y, bold=True)
            )
            y += CELL_HEIGHT_PX
        return group(*drawn, class_="side"), y + SIDE_GAP_PX

    def _label(self, name: str, where: str, y: float, *, bold: bool, size_px: float) -> str:
        theme, middle = self.theme, y + CELL_HEIGHT_PX / 2
        room_px = self.left_px - 16 - text_width_px(where, size_px)
        short = shorten(name, size_px=size_px, width_px=room_px)
        return group(
            text(6, middle, short, size_px=size_px, fill=theme.ink, bold=bold),
            text(self.left_px - 8, middle, where, size_px=size_px, fill=theme.muted, anchor="end"),
        )

    def _cells(
        self, name: str, levels_db: tuple[float | None, ...], y: float, *, bold: bool = False
    ) -> str:
        return group(
            *(
                self._cell(f"{name}, {hz:g} Hz", level_db, at, y, bold=bold)
                for at, (hz, level_db) in enumerate(zip(self.view.band_hz, levels_db, strict=True))
            ),
            class_="sum" if bold else "spot",
        )

    def _cell(self, name: str, level_db: float | None, at: int, y: float, *, bold: bool) -> str:
        theme = self.theme
        x = self.left_px + at * self.cell_px + 0.5
        width, height = self.cell_px - 1, CELL_HEIGHT_PX - 1
        if level_db is None:
            return group(
                rect(x, y, width, height, fill="none", stroke=theme.faint, stroke_width=0.5),
                title=f"{name}: not usable",
                class_="cell blank",
            )
        share = min(abs(level_db) / (FULL_COLOUR_LIMITS * self.view.limit_db), 1.0)
        colour = mixed(theme.even, theme.above if level_db > 0 else theme.below, share)
        ink = legible_on(colour)
        beyond = _beyond(level_db, self.view.limit_db)
        figure = signed_db(level_db, 0)
        if beyond and round(abs(level_db)) <= self.view.limit_db:
            # 6.3 dB is beyond 6 dB, and "+6" would not say why it is hatched.
            figure = signed_db(level_db, 1)
        figure_px = min(self.figure_px, 0.96 * width / text_width_px(figure, 1.0))
        hatch = []
        if beyond:
            plate = text_width_px(figure, figure_px) + 2
            strokes = _hatch(x, y, width, height, rising=level_db > 0)
            hatch = [
                path(strokes, stroke=ink, fill="none", class_="hatch"),
                rect(
                    x + (width - plate) / 2,
                    y + height / 2 - 0.48 * figure_px,
                    plate,
                    0.96 * figure_px,
                    fill=colour,
                ),
            ]
        return group(
            rect(x, y, width, height, fill=colour),
            *hatch,
            text(
                x + width / 2,
                y + height / 2,
                figure,
                size_px=figure_px,
                fill=ink,
                bold=bold or beyond,
                anchor="middle",
            ),
            title=f"{name}: {level_db:+.1f} dB" + (", beyond the limit" if beyond else ""),
            class_="cell",
        )

    def legend_lines(self) -> list[str]:
        words = (
            "dB against the middle spot, and front less back. Orange is louder, blue quieter."
            f" Hatched: more than {self.view.limit_db:g} dB. Blank: no usable figure."
        )
        characters = int((self.width_px - self.left_px) / text_width_px("n", LEGEND_SIZE_PX) * 1.2)
        return textwrap.wrap(words, characters)

    def legend(self, y: float) -> str:
        ink = self.theme.muted
        return group(
            *(
                text(self.left_px, y + at * LEGEND_LINE_PX, words, size_px=LEGEND_SIZE_PX, fill=ink)
                for at, words in enumerate(self.legend_lines())
            ),
            class_="legend",
        )


def _is_octave(freq_hz: float) -> bool:
    """Whether the band is one of the octave bands, 31.5 Hz, 63 Hz ... 16 kHz."""
    return round(10 * math.log10(freq_hz / 1000)) % 3 == 0


def _hatch(
    x: float, y: float, width: float, height: float, *, rising: bool
) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Diagonals through a cell, cut at its edges.

    They are drawn out, for a pattern fill needs an id, and ids of two drawings in one page clash.
    """
    strokes = []
    for step in range(1, math.ceil((width + height) / HATCH_PX)):
        reach = step * HATCH_PX
        start = max(0.0, reach - height), min(reach, height)
        end = min(reach, width), max(0.0, reach - width)
        mirrored = [(dx, dy if rising else height - dy) for dx, dy in (start, end)]
        (x1, y1), (x2, y2) = mirrored
        strokes.append(((x + x1, y + y1), (x + x2, y + y2)))
    return strokes
