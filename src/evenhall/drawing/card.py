"""The card: the faders of the user's own equalizer, each slider where it must stand.

All faders stand at one pitch, as on the unit, so that the hand finds its place. Those that move
stand on a shaded lane with a number for the order, a filled bar and a large value, which may reach
over its neighbours' lanes: where neighbours move too, every second one is written a line higher.
Those that stay are drawn light. Start at `draw_card()`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

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
EDGE_PX = 16.0  # right of a row, and as much left of it: a value at its end may reach so far
LANE_GAP_PX = 3.0  # between the lanes, and between the values, of neighbours that both move
MARK_HEIGHT_PX = 26.0
VALUE_HEIGHT_PX = 28.0
FREQUENCY_HEIGHT_PX = 30.0
ROW_GAP_PX = 10.0
MARK_RADIUS_PX = 10.0
LARGEST_VALUE_PX = 26.0
LARGEST_FREQUENCY_PX = 20.0


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
    marks = view.marks
    # All rows alike, also a last one with fewer faders.
    slot_px = (width_px - GUTTER_PX - EDGE_PX) / in_row
    value_em = max(
        (
            text_width_px(signed_db(fader.fader_db, view.decimals), 1.0)
            for fader in view.faders
            if fader.hz in marks
        ),
        default=1.0,
    )
    reach_px = min(2 * slot_px, slot_px + 2 * EDGE_PX) - LANE_GAP_PX
    value_px = min(LARGEST_VALUE_PX, reach_px / value_em)
    wide = value_px * value_em > slot_px - LANE_GAP_PX
    raised = {
        fader.hz
        for part in parts
        for fader, higher in zip(part, _every_second([f.hz in marks for f in part]), strict=True)
        if wide and higher
    }
    layout = _Layout(view, marks, raised, theme, width_px, rail_height_px, slot_px, value_px)
    return picture(
        layout.heading(),
        *(layout.row(part, at) for at, part in enumerate(parts)),
        width_px=width_px,
        height_px=TITLE_HEIGHT_PX + len(parts) * layout.row_height_px - ROW_GAP_PX,
        title=f"Card: {view.title}",
        description=_in_words(view),
        theme=theme,
    )


def _in_words(view: CardView) -> str:
    marks = view.marks
    if not marks:
        return "No fader moves: all at 0 dB."
    value = {fader.hz: signed_db(fader.fader_db, view.decimals) for fader in view.faders}
    moves = ", ".join(f"{hz:g} Hz {value[hz]} dB" for hz in marks)
    return f"Set in this order: {moves}. All others at 0 dB."


def _every_second(moves: Sequence[bool]) -> list[bool]:
    """Pick every second one of each run of faders that move.

    Examples
    --------
    >>> _every_second([True, True, True, False, True])
    [False, True, False, False, False]
    """
    picked: list[bool] = []
    for at, own in enumerate(moves):
        picked.append(own and at > 0 and moves[at - 1] and not picked[-1])
    return picked


@dataclass(frozen=True)
class _Slot:
    """Where one fader stands in its row."""

    fader: CardFader
    mark: int | None
    centre_px: float


@dataclass(frozen=True)
class _Layout:
    view: CardView
    marks: dict[float, int]
    raised: set[float]  # frequencies whose value stands a line higher
    theme: Theme
    width_px: float
    rail_px: float
    slot_px: float
    value_px: float

    @property
    def values_px(self) -> float:
        """Height of the values: one line, two where some are raised."""
        return VALUE_HEIGHT_PX * (2 if self.raised else 1)

    @property
    def lane_px(self) -> float:
        """Height of a lane, from the mark down to the frequency."""
        return MARK_HEIGHT_PX + self.rail_px + FREQUENCY_HEIGHT_PX + 6

    @property
    def row_height_px(self) -> float:
        return self.values_px + self.lane_px + ROW_GAP_PX

    @property
    def frequency_px(self) -> float:
        """One size for all frequencies, so that the row stays calm to look at."""
        widest_em = max(text_width_px(fader_name(fader.hz), 1.0) for fader in self.view.faders)
        return min(LARGEST_FREQUENCY_PX, (self.slot_px - LANE_GAP_PX) / widest_em)

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
        slots = [
            _Slot(fader, self.marks.get(fader.hz), GUTTER_PX + (place + 0.5) * self.slot_px)
            for place, fader in enumerate(faders)
        ]
        drawn = [
            self._staying(slot, top) if slot.mark is None else self._moving(slot, top)
            for slot in slots
        ]
        return group(self._scale(top), *drawn, class_="row")

    def _value(self, fader: CardFader) -> str:
        return signed_db(fader.fader_db, self.view.decimals)

    def _zero_y(self, top: float) -> float:
        return top + self.values_px + MARK_HEIGHT_PX + self.rail_px / 2

    def _value_y(self, top: float) -> float:
        return top + self.values_px - VALUE_HEIGHT_PX / 2

    def _frequency_y(self, top: float) -> float:
        return self._zero_y(top) + self.rail_px / 2 + FREQUENCY_HEIGHT_PX / 2 + 3

    def _scale(self, top: float) -> str:
        """Lines across the row at 0, half and full range, and the letters at its left."""
        theme, zero_y = self.theme, self._zero_y(top)
        # Further left than the scale: the value of the first fader may reach there.
        unit = text(2, self._value_y(top), "dB", size_px=SCALE_SIZE_PX, fill=theme.muted)
        letters = [("Hz", self._frequency_y(top))]
        lines = []
        for share in (1.0, 0.5, 0.0, -0.5, -1.0):
            y = zero_y - share * self.rail_px / 2
            stroke = theme.muted if share == 0 else theme.faint
            lines.append(line(GUTTER_PX, y, self.width_px - EDGE_PX, y, stroke=stroke))
            if abs(share) != 0.5 or self.rail_px / 4 >= SCALE_SIZE_PX:
                letters.append((signed_db(share * self.view.range_db, 1), y))
        lettering = [
            text(GUTTER_PX - 6, y, label, size_px=SCALE_SIZE_PX, fill=theme.muted, anchor="end")
            for label, y in letters
        ]
        return group(*lines, unit, *lettering, class_="scale")

    def _rail(self, slot: _Slot, top: float) -> str:
        x, y, half = slot.centre_px, self._zero_y(top), self.rail_px / 2
        return line(x, y - half, x, y + half, stroke=self.theme.muted)

    def _lettering(self, slot: _Slot, top: float) -> str:
        moves = slot.mark is not None
        return text(
            slot.centre_px,
            self._frequency_y(top),
            fader_name(slot.fader.hz),
            size_px=self.frequency_px,
            fill=self.theme.ink if moves else self.theme.muted,
            bold=moves,
            anchor="middle",
        )

    def _staying(self, slot: _Slot, top: float) -> str:
        theme, x, y = self.theme, slot.centre_px, self._zero_y(top)
        width, height = min(0.5 * self.slot_px, 20.0), 7.0
        return group(
            self._rail(slot, top),
            slider(x, y, width, height, rx=2, fill=theme.ground, stroke=theme.muted),
            self._lettering(slot, top),
            title=f"{slot.fader.hz:g} Hz: stays at 0 dB",
            class_="fader stays",
        )

    def _moving(self, slot: _Slot, top: float) -> str:
        theme, x, zero_y = self.theme, slot.centre_px, self._zero_y(top)
        y = zero_y - slot.fader.fader_db / self.view.range_db * self.rail_px / 2
        value = self._value(slot.fader)
        lane_y, lane_width = top + self.values_px, self.slot_px - LANE_GAP_PX
        lane_x = x - lane_width / 2
        bar, width, height = 10.0, min(0.75 * self.slot_px, 34.0), 12.0
        mark_y = lane_y + MARK_HEIGHT_PX / 2 + 1
        value_y, leader = self._value_y(top), []
        if slot.fader.hz in self.raised:
            value_y -= VALUE_HEIGHT_PX
            # Between the values of its neighbours, down to its own lane.
            leader_y = lane_y - VALUE_HEIGHT_PX
            leader = [line(x, leader_y, x, lane_y, stroke=theme.muted, class_="leader")]
        bold = partial(text, x, bold=True, anchor="middle")
        return group(
            rect(lane_x, lane_y, lane_width, self.lane_px, rx=4, fill=theme.faint, class_="lane"),
            *leader,
            self._rail(slot, top),
            line(lane_x, zero_y, lane_x + lane_width, zero_y, stroke=theme.muted),
            rect(x - bar / 2, min(zero_y, y), bar, abs(zero_y - y), fill=theme.ink),
            slider(x, y, width, height, rx=2, fill=theme.ink),
            circle(x, mark_y, MARK_RADIUS_PX, fill=theme.ink),
            bold(mark_y, str(slot.mark), size_px=14, fill=theme.ground, class_="mark"),
            bold(value_y, value, size_px=self.value_px, fill=theme.ink, class_="value"),
            self._lettering(slot, top),
            title=f"{slot.fader.hz:g} Hz: {value} dB, number {slot.mark} to set",
            class_="fader moves",
        )
