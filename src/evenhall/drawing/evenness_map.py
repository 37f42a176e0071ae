"""The evenness map: how far each spot lies from the typical one, band by band.

One row a spot, front at the top to back at the bottom; one column a third-octave band; under
each side the front minus the back, which is what the limit is for. Read down a column from front
to back, along a row for tone. Start at `draw_evenness_map()`; `draw_row_names()` draws the names
of its rows by themselves, for a screen that scrolls the map under them.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

from evenhall.drawing.svg import (
    ACROSS_PX,
    FONT_FAMILY,
    MINUS,
    element,
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
from evenhall.words import fader_name, hz_text

__all__ = ["EvennessView", "MapRow", "MapSide", "draw_evenness_map", "draw_row_names"]

USUAL_CELL_HEIGHT_PX, FLAT_CELL_HEIGHT_PX = 28.0, 19.0
HEAD_HEIGHT_PX = 54.0
SIDE_NAME_HEIGHT_PX = 20.0
SIDE_GAP_PX = 10.0
SUM_GAP_PX = 4.0
LEGEND_SIZE_PX = 12.0
LEGEND_LINE_PX = 16.0
LABEL_SHARE = 0.11  # of the width, for the names of the spots; `.row-names` in pages.css is as wide
USUAL_LABEL_PX, NARROWEST_LABEL_PX = 100.0, 64.0
LARGEST_NAME_PX, SMALLEST_NAME_PX = 13.0, 10.0
LARGEST_FIGURE_PX = 14.0
# Two maps side by side on A4 across, 512 px each, are set at 0.75 pt a px: this makes 7 pt.
SMALLEST_LETTERING_PX = 9.4
DENSE_WIDTH_PX = 600.0
FRONT_BACK = "front − back"
WIDEST_USUAL_FIGURE = f"{MINUS}14"  # 20 dB and more is rare
CELL_GAP_PX = 1.0
FIGURE_SHARE = 0.97  # of a cell, for its figure
DIGIT_EM = 0.7  # height of a digit
HATCH_PX = 2.5

# A cell this many limits away has the full colour; beyond it only the figure tells.
FULL_COLOUR_LIMITS = 1.5


@dataclass(frozen=True)
class MapRow:
    """One spot.

    Attributes
    ----------
    level_db : tuple of float or None
        Level of each band, dB re the median of the spots of the same side; None = not usable.
    distance_m : float or None
        From the loudspeaker.
    """

    label: str
    level_db: tuple[float | None, ...]
    distance_m: float | None = None


@dataclass(frozen=True)
class MapSide:
    """The spots of one loudspeaker, front to back, and the front minus the back in dB."""

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
        Width of the drawing; 1044 fills an A4 page across, 718 one upright, 512 half of one
        across. Under that figures of 31 bands find no room and are left out: a narrow screen
        should scroll instead.

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
    return picture(
        grid.heading(),
        *grid.names(),
        *(grid.cells(row) for row in grid.rows()),
        grid.legend(),
        width_px=width_px,
        height_px=grid.height_px,
        title=view.title,
        description=_in_words(view),
        theme=theme,
    )


def draw_row_names(view: EvennessView, *, theme: Theme, width_px: float = ACROSS_PX) -> str:
    """Draw the left edge of the map of the same view and width, less title and legend.

    Laid over the map, it leaves the names of the rows in view while the map scrolls under it.
    """
    grid = _Grid(view, theme, width_px)
    top = HEAD_HEIGHT_PX - 24
    return element(
        "svg",
        rect(0, top, grid.left_px, grid.bottom_px - SIDE_GAP_PX - top, fill=theme.ground),
        grid.unit(),
        *grid.names(),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {grid.left_px:g} {grid.height_px:g}",
        aria_hidden="true",
        font_family=FONT_FAMILY,
    )


def _beyond(level_db: float | None, limit_db: float) -> bool:
    return level_db is not None and abs(level_db) > limit_db


def _in_words(view: EvennessView) -> str:
    said = []
    for side in view.sides:
        failing = [
            f"{hz_text(hz)} ({signed_db(level, 1)} dB)"
            for hz, level in zip(view.band_hz, side.front_minus_back_db, strict=False)
            if level is not None and _beyond(level, view.limit_db)
        ]
        where = ", ".join(failing) if failing else "in no band"
        if side.front_minus_back_db:
            said.append(
                f"{side.name}: front and back more than {view.limit_db:g} dB apart: {where}."
            )
    return " ".join(["Levels of each spot in dB against the typical spot.", *said])


@dataclass(frozen=True)
class _Row:
    """A row of cells: its name, what stands at the right of it, and how far down it is."""

    side: str
    name: str
    where: str
    levels_db: tuple[float | None, ...]
    y: float
    is_sum: bool = False


@dataclass(frozen=True)
class _Grid:
    view: EvennessView
    theme: Theme
    width_px: float

    @property
    def left_px(self) -> float:
        """Room for the names of the spots: narrow ones, where the figures need it."""
        widest_px = text_width_px(WIDEST_USUAL_FIGURE, SMALLEST_LETTERING_PX)
        rest_px = self.width_px - len(self.view.band_hz) * (widest_px / FIGURE_SHARE + CELL_GAP_PX)
        usual_px = max(LABEL_SHARE * self.width_px, USUAL_LABEL_PX)
        return max(min(usual_px, rest_px), NARROWEST_LABEL_PX)

    @property
    def dense(self) -> bool:
        """Whether the map is for half a page, where room is dear both ways."""
        return self.width_px < DENSE_WIDTH_PX

    @property
    def name_px(self) -> float:
        """Size of the names of the spots."""
        return SMALLEST_NAME_PX if self.dense else LARGEST_NAME_PX

    @property
    def cell_height_px(self) -> float:
        return FLAT_CELL_HEIGHT_PX if self.dense else USUAL_CELL_HEIGHT_PX

    @property
    def most_figure_px(self) -> float:
        """Size of the largest figure: one digit is not written much larger than two."""
        usual_px = 1.1 * self.room_px / text_width_px(WIDEST_USUAL_FIGURE, 1.0)
        return min(LARGEST_FIGURE_PX, usual_px)

    @property
    def room_px(self) -> float:
        """Width that a figure may take."""
        return FIGURE_SHARE * (self.cell_px - CELL_GAP_PX)

    @property
    def corner_px(self) -> float:
        """Legs of a hatched corner: as large as stays clear of the largest figure."""
        clear_px = (self.cell_height_px - CELL_GAP_PX - DIGIT_EM * self.most_figure_px) / 2
        return min(clear_px, self.cell_px - CELL_GAP_PX)

    @property
    def cell_px(self) -> float:
        return (self.width_px - self.left_px) / len(self.view.band_hz)

    def figure(self, level_db: float) -> tuple[str, float]:
        """Figure of a cell and its size; none where none could be read."""
        figure = signed_db(level_db, 0)
        choices = [figure]
        if _beyond(level_db, self.view.limit_db):
            if round(abs(level_db)) <= self.view.limit_db:
                # 6.3 dB is beyond 6 dB, and "+6" would not say why it is hatched.
                choices.insert(0, signed_db(level_db, 1))
            choices.append(figure[1:])  # the corner tells the sign too
        for choice in choices:
            size_px = min(self.most_figure_px, self.room_px / text_width_px(choice, 1.0))
            if size_px >= SMALLEST_LETTERING_PX - 1e-9:
                return choice, size_px
        return "", 0.0

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
            text(6, 16, title, size_px=18, fill=theme.ink, bold=True), self.unit(), *lettering
        )

    def unit(self) -> str:
        """Write the unit of the numbers over the columns."""
        x, y = self.left_px - 8, HEAD_HEIGHT_PX - 12
        return text(x, y, "Hz", size_px=12, fill=self.theme.muted, anchor="end")

    def rows(self) -> Iterator[_Row]:
        """All rows of cells, from the top down."""
        y = HEAD_HEIGHT_PX
        for side in self.view.sides:
            y += SIDE_NAME_HEIGHT_PX
            for row in side.rows:
                where = "" if row.distance_m is None else f"{row.distance_m:g} m"
                yield _Row(side.name, row.label, where, row.level_db, y)
                y += self.cell_height_px
            if side.front_minus_back_db:
                y += SUM_GAP_PX
                yield _Row(side.name, FRONT_BACK, "", side.front_minus_back_db, y, is_sum=True)
                y += self.cell_height_px
            y += SIDE_GAP_PX

    @property
    def bottom_px(self) -> float:
        """Where the rows end and the legend begins."""
        return max(row.y for row in self.rows()) + self.cell_height_px + SIDE_GAP_PX

    @property
    def height_px(self) -> float:
        return self.bottom_px + len(self.legend_lines()) * LEGEND_LINE_PX

    def names(self) -> Iterator[str]:
        """Name the rows, and each side over the first of its own."""
        size_px = LARGEST_NAME_PX
        # On a screen they stay in view alone, see `draw_row_names()`.
        room_px = (self.width_px if self.dense else self.left_px) - 12
        side = None
        for row in self.rows():
            if row.side != side:
                side = row.side
                name = shorten(side, size_px=size_px, width_px=room_px)
                y = row.y - SIDE_NAME_HEIGHT_PX / 2
                yield text(6, y, name, size_px=size_px, fill=self.theme.ink, bold=True)
            yield self._label(row)

    def _label(self, row: _Row) -> str:
        theme, middle, size_px = self.theme, row.y + self.cell_height_px / 2, self.name_px
        room_px, where = self.left_px - 16, row.where
        if text_width_px(f"{row.name} {where}", size_px) > room_px:
            where = "" if self.dense else where
        room_px -= text_width_px(where, size_px)
        short = shorten(row.name, size_px=size_px, width_px=room_px)
        return group(
            text(6, middle, short, size_px=size_px, fill=theme.ink, bold=row.is_sum),
            text(self.left_px - 8, middle, where, size_px=size_px, fill=theme.muted, anchor="end"),
        )

    def cells(self, row: _Row) -> str:
        """All cells of a row."""
        name = f"{row.side}, {'front minus back' if row.is_sum else row.name}"
        return group(
            *(
                self._cell(f"{name}, {hz_text(hz)}", level_db, at, row)
                for at, (hz, level_db) in enumerate(
                    zip(self.view.band_hz, row.levels_db, strict=True)
                )
            ),
            class_="sum" if row.is_sum else "spot",
        )

    def _cell(self, name: str, level_db: float | None, at: int, row: _Row) -> str:
        theme, y = self.theme, row.y
        x = self.left_px + at * self.cell_px + 0.5
        width, height = self.cell_px - CELL_GAP_PX, self.cell_height_px - CELL_GAP_PX
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
        figure, figure_px = self.figure(level_db)
        hatch = []
        if beyond:
            strokes = _corner(x + width, y, y + height, self.corner_px, upper=level_db > 0)
            hatch = [path(strokes, stroke=ink, fill="none", stroke_width=1.2, class_="hatch")]
        written = text(
            x + width / 2,
            y + height / 2,
            figure,
            size_px=figure_px,
            fill=ink,
            bold=row.is_sum or beyond,
            anchor="middle",
        )
        return group(
            rect(x, y, width, height, fill=colour),
            *hatch,
            *([written] if figure else []),
            title=f"{name}: {signed_db(level_db, 1)} dB" + (", beyond the limit" if beyond else ""),
            class_="cell",
        )

    @property
    def legend_x_px(self) -> float:
        return 6.0 if self.dense else self.left_px

    def legend_lines(self) -> list[str]:
        words = (
            "dB against the typical spot, and front minus back. Orange is louder, blue softer."
            f" Hatched corner: more than {self.view.limit_db:g} dB, the upper where louder,"
            " the lower where softer. Blank: not usable."
        )
        room_px = self.width_px - self.legend_x_px
        characters = int(room_px / text_width_px("n", LEGEND_SIZE_PX) * 1.2)
        return textwrap.wrap(words, characters)

    def legend(self) -> str:
        ink, y = self.theme.muted, self.bottom_px
        return group(
            *(
                text(
                    self.legend_x_px,
                    y + at * LEGEND_LINE_PX,
                    words,
                    size_px=LEGEND_SIZE_PX,
                    fill=ink,
                )
                for at, words in enumerate(self.legend_lines())
            ),
            class_="legend",
        )


def _is_octave(freq_hz: float) -> bool:
    """Whether the band is one of the octave bands, 31.5 Hz, 63 Hz ... 16 kHz."""
    return round(10 * math.log10(freq_hz / 1000)) % 3 == 0


def _corner(
    right: float, top: float, bottom: float, size: float, *, upper: bool
) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Diagonals across the upper or lower right corner of a cell, as far as `size` from it.

    They are drawn out, for a pattern fill needs an id, and ids of two drawings in one page clash.
    """
    y, down = (top, 1) if upper else (bottom, -1)
    reaches = [size - at * HATCH_PX for at in range(math.ceil(size / HATCH_PX))]
    return [((right - reach, y), (right, y + down * reach)) for reach in reaches]
