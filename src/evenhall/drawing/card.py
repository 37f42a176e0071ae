"""The card: the faders of the user's own equalizer, each slider where it must stand.

Faders that move stand on a shaded lane with a number for the order, a filled bar and a large
value; those that stay are drawn light. Start at `draw_card()`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import accumulate

from evenhall.drawing.svg import (
    ACROSS_PX,
    circle,
    group,
    line,
    picture,
    rect,
    shorten,
    signed_db,
    slider,
    text,
    text_width_px,
)
from evenhall.drawing.theme import PAPER, Theme
from evenhall.words import fader_name

__all__ = ["CardFader", "CardView", "draw_card"]

MAX_FADERS_IN_ROW = 31
RAIL_HEIGHT_PX = 190.0

GUTTER_PX = 34.0  # the scale's figures, left of a row
TITLE_SIZE_PX = 20.0
TITLE_HEIGHT_PX = 34.0
SCALE_SIZE_PX = 13.0
LANE_GAP_PX = 3.0  # between the lanes of neighbours that both move
MARK_HEIGHT_PX = 26.0
VALUE_HEIGHT_PX = 30.0
FREQUENCY_HEIGHT_PX = 30.0
ROW_GAP_PX = 16.0
MARK_RADIUS_PX = 10.0
LARGEST_VALUE_PX = 26.0
LARGEST_FREQUENCY_PX = 20.0
# Where slots are narrower than this, a fader that moves gets the room of 1.6 that stay.
COMFORTABLE_SLOT_PX = 48.0
MOVING_SHARE = 1.6


@dataclass(frozen=True)
class CardFader:
    """One fader: the frequency lettered on it, and how far it stands from 0."""

    hz: float
    fader_db: float


@dataclass(frozen=True)
class CardView:
    """What a card shows.

    Attributes
    ----------
    title : str
        Whose card it is, such as "Left and right".
    faders : tuple of CardFader
        All faders of the unit, low to high.
    range_db : float
        The faders reach this far both ways.
    step_db : float
        The finest setting the hand can make; 0 = continuous, then to 0.1 dB.
    order_hz : tuple of float
        The faders that move, in the order to set them; low to high where empty.
    """

    title: str
    faders: tuple[CardFader, ...]
    range_db: float
    step_db: float = 0.5
    order_hz: tuple[float, ...] = ()

    @property
    def decimals(self) -> int:
        """Decimals that a setting of this unit needs."""
        tenths = self.step_db * 10
        return 1 if abs(tenths - round(tenths)) < 1e-9 else 2

    @property
    def marks(self) -> dict[float, int]:
        """Frequency of each fader that moves, with its place in the order, from 1."""
        moving = [fader.hz for fader in self.faders if round(fader.fader_db, self.decimals)]
        ordered = [hz for hz in self.order_hz if hz in moving]
        ordered += [hz for hz in moving if hz not in ordered]
        return {hz: place for place, hz in enumerate(ordered, start=1)}


def draw_card(
    view: CardView,
    *,
    theme: Theme = PAPER,
    rows: int | None = None,
    width_px: float = ACROSS_PX,
    rail_height_px: float = RAIL_HEIGHT_PX,
) -> str:
    """Draw the card as SVG.

    Parameters
    ----------
    rows : int, optional
        Rows to share the faders among; by default one for every 31 faders.
    width_px : float
        Width of the drawing: 1044 fills an A4 page across, 718 one upright, 360 a phone.
    rail_height_px : float
        Travel of a slider from one end of its range to the other.

    Raises
    ------
    ValueError
        There is no fader, or one stands outside `range_db`.
    """
    if not view.faders:
        raise ValueError("a card needs at least one fader")
    for fader in view.faders:
        if not abs(fader.fader_db) <= view.range_db:
            raise ValueError(f"the fader at {fader.hz:g} Hz stands outside the range")
    rows = rows or math.ceil(len(view.faders) / MAX_FADERS_IN_ROW)
    in_row = math.ceil(len(view.faders) / rows)
    parts = [view.faders[start : start + in_row] for start in range(0, len(view.faders), in_row)]
    layout = _Layout(view, view.marks, theme, width_px, rail_height_px)
    return picture(
        layout.heading(),
        *(layout.row(part, at) for at, part in enumerate(parts)),
        width_px=width_px,
        height_px=TITLE_HEIGHT_PX + len(parts) * layout.row_height_px,
        title=f"Card: {view.title}",
        description=_in_words(view),
        theme=theme,
    )


def _in_words(view: CardView) -> str:
    marks = view.marks
    if not marks:
        return "No fader moves: all stand at 0 dB."
    value = {fader.hz: signed_db(fader.fader_db, view.decimals) for fader in view.faders}
    moves = ", ".join(f"{hz:g} Hz {value[hz]} dB" for hz in marks)
    return f"Set in this order: {moves}. All others stand at 0 dB."


@dataclass(frozen=True)
class _Slot:
    """Where one fader stands in its row, and how large it is lettered."""

    fader: CardFader
    mark: int | None
    centre_px: float
    width_px: float
    lettering_px: float


@dataclass(frozen=True)
class _Layout:
    view: CardView
    marks: dict[float, int]
    theme: Theme
    width_px: float
    rail_px: float

    @property
    def row_height_px(self) -> float:
        return MARK_HEIGHT_PX + VALUE_HEIGHT_PX + self.rail_px + FREQUENCY_HEIGHT_PX + ROW_GAP_PX

    def heading(self) -> str:
        count, total = len(self.marks), len(self.view.faders)
        note = f"{count} of {total} faders move" if count else "no fader moves"
        note += f", scale ±{self.view.range_db:g} dB"
        room_px = self.width_px - text_width_px(note, 14) - 30
        title = shorten(self.view.title, size_px=TITLE_SIZE_PX, width_px=room_px)
        ink, muted = self.theme.ink, self.theme.muted
        y = TITLE_HEIGHT_PX / 2
        return group(
            text(6, y, title, size_px=TITLE_SIZE_PX, fill=ink, bold=True),
            text(self.width_px - 6, y, note, size_px=14, fill=muted, anchor="end"),
        )

    def row(self, faders: Sequence[CardFader], at: int) -> str:
        top = TITLE_HEIGHT_PX + at * self.row_height_px
        slots = self._slots(faders)
        value_px = min(
            _fitting(self._value(slot.fader), slot.width_px, LARGEST_VALUE_PX) for slot in slots
        )
        drawn = [
            self._staying(slot, top) if slot.mark is None else self._moving(slot, top, value_px)
            for slot in slots
        ]
        return group(self._scale(top), *drawn, class_="row")

    def _slots(self, faders: Sequence[CardFader]) -> list[_Slot]:
        room_px = self.width_px - GUTTER_PX
        wide = MOVING_SHARE if room_px / len(faders) < COMFORTABLE_SLOT_PX else 1.0
        shares = [wide if fader.hz in self.marks else 1.0 for fader in faders]
        widths = [share * room_px / sum(shares) for share in shares]
        ends = accumulate(widths, initial=GUTTER_PX)
        # One size for all that stay and one for all that move: the row stays calm to look at.
        sizes = {
            moves: min(
                _fitting(fader_name(fader.hz), width, LARGEST_FREQUENCY_PX)
                for fader, width in zip(faders, widths, strict=True)
                if (fader.hz in self.marks) == moves
            )
            for moves in {fader.hz in self.marks for fader in faders}
        }
        return [
            _Slot(
                fader, self.marks.get(fader.hz), x + width / 2, width, sizes[fader.hz in self.marks]
            )
            for fader, width, x in zip(faders, widths, ends, strict=False)
        ]

    def _value(self, fader: CardFader) -> str:
        return signed_db(fader.fader_db, self.view.decimals)

    def _zero_y(self, top: float) -> float:
        return top + MARK_HEIGHT_PX + VALUE_HEIGHT_PX + self.rail_px / 2

    def _value_y(self, top: float) -> float:
        return top + MARK_HEIGHT_PX + VALUE_HEIGHT_PX / 2

    def _frequency_y(self, top: float) -> float:
        return self._zero_y(top) + self.rail_px / 2 + FREQUENCY_HEIGHT_PX / 2 + 3

    def _scale(self, top: float) -> str:
        """Lines across the row at 0, half and full range, and the letters at its left."""
        theme, zero_y = self.theme, self._zero_y(top)
        letters = [("dB", self._value_y(top)), ("Hz", self._frequency_y(top))]
        lines = []
        for share in (1.0, 0.5, 0.0, -0.5, -1.0):
            y = zero_y - share * self.rail_px / 2
            stroke = theme.muted if share == 0 else theme.faint
            lines.append(line(GUTTER_PX, y, self.width_px, y, stroke=stroke))
            if abs(share) != 0.5 or self.rail_px / 4 >= SCALE_SIZE_PX:
                letters.append((signed_db(share * self.view.range_db, 1), y))
        lettering = [
            text(GUTTER_PX - 6, y, label, size_px=SCALE_SIZE_PX, fill=theme.muted, anchor="end")
            for label, y in letters
        ]
        return group(*lines, *lettering, class_="scale")

    def _rail(self, slot: _Slot, top: float) -> str:
        x, y, half = slot.centre_px, self._zero_y(top), self.rail_px / 2
        return line(x, y - half, x, y + half, stroke=self.theme.muted)

    def _lettering(self, slot: _Slot, top: float) -> str:
        moves = slot.mark is not None
        return text(
            slot.centre_px,
            self._frequency_y(top),
            fader_name(slot.fader.hz),
            size_px=slot.lettering_px,
            fill=self.theme.ink if moves else self.theme.muted,
            bold=moves,
            anchor="middle",
        )

    def _staying(self, slot: _Slot, top: float) -> str:
        theme, x, y = self.theme, slot.centre_px, self._zero_y(top)
        width, height = min(0.5 * slot.width_px, 20.0), 7.0
        return group(
            self._rail(slot, top),
            slider(x, y, width, height, rx=2, fill=theme.ground, stroke=theme.muted),
            text(x, self._value_y(top), "0", size_px=14, fill=theme.muted, anchor="middle"),
            self._lettering(slot, top),
            title=f"{slot.fader.hz:g} Hz: stays at 0 dB",
            class_="fader stays",
        )

    def _moving(self, slot: _Slot, top: float, value_px: float) -> str:
        theme, x, zero_y = self.theme, slot.centre_px, self._zero_y(top)
        y = zero_y - slot.fader.fader_db / self.view.range_db * self.rail_px / 2
        value = self._value(slot.fader)
        lane_width = slot.width_px - LANE_GAP_PX
        lane_x = x - lane_width / 2
        lane_height = self.row_height_px - ROW_GAP_PX + 6
        bar, width, height = 10.0, min(0.75 * slot.width_px, 34.0), 12.0
        mark_y = top + MARK_HEIGHT_PX / 2 + 1
        bold = partial(text, x, bold=True, anchor="middle")
        return group(
            rect(lane_x, top, lane_width, lane_height, rx=4, fill=theme.faint, class_="lane"),
            self._rail(slot, top),
            line(lane_x, zero_y, lane_x + lane_width, zero_y, stroke=theme.muted),
            rect(x - bar / 2, min(zero_y, y), bar, abs(zero_y - y), fill=theme.ink),
            slider(x, y, width, height, rx=2, fill=theme.ink),
            circle(x, mark_y, MARK_RADIUS_PX, fill=theme.ink),
            bold(mark_y, str(slot.mark), size_px=14, fill=theme.ground, class_="mark"),
            bold(self._value_y(top), value, size_px=value_px, fill=theme.ink, class_="value"),
            self._lettering(slot, top),
            title=f"{slot.fader.hz:g} Hz: {value} dB, number {slot.mark} to set",
            class_="fader moves",
        )


def _fitting(label: str, slot_px: float, largest_px: float) -> float:
    """Size at which the label keeps within the lane of its slot."""
    return min(largest_px, 0.94 * (slot_px - LANE_GAP_PX) / text_width_px(label, 1.0))
