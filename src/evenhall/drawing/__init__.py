"""Drawings for screen and paper: what to show in, SVG text out.

- `card`: the faders of the user's own equalizer, each where it must stand.
- `fader`: one of them, large, for the hand that sets it.
- `evenness_map`: spots by third-octave bands, each cell by its level against the typical spot.
- `hall_drawing`: side view and plan to scale, with aims, people and spots.
- `line_sketch`: which box may sound in the line check, and where the microphone goes.
- `response_chart`: common part, spots, target and forecast over frequency.
- `theme`: the palettes; `svg`: the pieces they are drawn with; `fonts/`: their typeface.
"""

from pathlib import Path

from evenhall.drawing.card import CardFader, CardView, draw_card
from evenhall.drawing.evenness_map import (
    EvennessView,
    MapRow,
    MapSide,
    draw_evenness_map,
    draw_row_names,
)
from evenhall.drawing.fader import FaderView, draw_fader
from evenhall.drawing.hall_drawing import draw_hall, draw_walk
from evenhall.drawing.hall_view import HallSpot, HallView
from evenhall.drawing.line_sketch import draw_line_sketch
from evenhall.drawing.response_chart import Curve, ResponseView, draw_response_chart
from evenhall.drawing.theme import DARK, LIGHT, PAPER, THEMES, Theme

__all__ = [
    "DARK",
    "FONT_DIR",
    "LIGHT",
    "PAPER",
    "THEMES",
    "CardFader",
    "CardView",
    "Curve",
    "EvennessView",
    "FaderView",
    "HallSpot",
    "HallView",
    "MapRow",
    "MapSide",
    "ResponseView",
    "Theme",
    "draw_card",
    "draw_evenness_map",
    "draw_fader",
    "draw_hall",
    "draw_line_sketch",
    "draw_response_chart",
    "draw_row_names",
    "draw_walk",
]

FONT_DIR = Path(__file__).parent / "fonts"
