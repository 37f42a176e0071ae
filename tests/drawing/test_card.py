from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.drawing import DARK, PAPER, THEMES, CardFader, CardView, draw_card
from evenhall.drawing.svg import text_width_px

MOVED = {63.0: -3.0, 80.0: -1.5, 200.0: -4.5, 250.0: -10.5, 1600.0: 3.0, 12500.0: 1.5}


def view(bands: list[float] | None = None, **changed: object) -> CardView:
    hz_list = [float(hz) for hz in NOMINAL_HZ] if bands is None else bands
    fields = {
        "title": "Left and right",
        "faders": tuple(CardFader(hz, MOVED.get(hz, 0.0)) for hz in hz_list),
        "range_db": 12.0,
    }
    return CardView(**(fields | changed))  # type: ignore[arg-type]


def slider_y(read: SimpleNamespace, fader: object) -> float:
    (slider,) = read.inside(fader, "rect", "slider")
    return float(slider.get("y")) + float(slider.get("height")) / 2


@pytest.mark.parametrize(
    "bands",
    [
        None,
        [float(hz) for hz in NOMINAL_HZ[1::2]],
        [float(hz) for hz in NOMINAL_HZ[2::3]],
        [120.0, 700.0, 4100.0],
        [20.0 * 1.1**step for step in range(70)],
    ],
    ids=["31", "15", "10", "list of 3", "list of 70"],
)
def test_every_fader_has_one_slot_inside_the_card(
    read: SimpleNamespace, bands: list[float] | None
) -> None:
    shown = view(bands)
    drawing = read.drawing(draw_card(shown))
    faders = drawing.of_class("fader")
    assert len(faders) == len(shown.faders)
    width, height = drawing.box()
    for fader in faders:
        (slider,) = read.inside(fader, "rect", "slider")
        assert float(slider.get("x")) >= 0
        assert float(slider.get("x")) + float(slider.get("width")) <= width
        assert float(slider.get("y")) + float(slider.get("height")) <= height


@given(fader_db=st.floats(-12, 12), rail_px=st.floats(80, 300))
def test_slider_stands_where_the_scale_says(fader_db: float, rail_px: float) -> None:
    faders = (CardFader(100, fader_db), CardFader(200, 12.0), CardFader(400, -12.0))
    shown = CardView("x", faders, range_db=12.0, step_db=0.25)
    root = ElementTree.fromstring(draw_card(shown, rail_height_px=rail_px))
    sliders = [
        float(found.attrib["y"]) + float(found.attrib["height"]) / 2
        for found in root.iter()
        if found.get("class") == "slider"
    ]
    at, top, bottom = sliders
    assert bottom - top == pytest.approx(rail_px, abs=0.03)
    # A setting that the hand cannot make (under half a hundredth) is drawn at 0.
    expected = top + (12.0 - fader_db) / 24.0 * rail_px
    assert at == pytest.approx(expected, abs=0.03 + 0.005 / 24 * rail_px)


def test_faders_that_move_show_value_frequency_and_order(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_card(view()))
    moving = drawing.of_class("fader", "moves")
    assert [read.title(fader) for fader in moving] == [
        "63 Hz: −3 dB, number 1 to set",
        "80 Hz: −1.5 dB, number 2 to set",
        "200 Hz: −4.5 dB, number 3 to set",
        "250 Hz: −10.5 dB, number 4 to set",
        "1600 Hz: +3 dB, number 5 to set",
        "12500 Hz: +1.5 dB, number 6 to set",
    ]
    words = [[found.text for found in read.inside(fader, "text")] for fader in moving]
    assert words[3] == ["4", "−10.5", "250"]
    assert words[5] == ["6", "+1.5", "12.5k"]


def test_faders_that_stay_are_light_and_unnumbered(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_card(view()))
    staying = drawing.of_class("fader", "stays")
    assert len(staying) == 31 - len(MOVED)
    for fader in staying:
        assert not read.inside(fader, "text", "mark")
        assert not read.inside(fader, "rect", "lane")
        assert {found.get("fill") for found in read.inside(fader, "text")} == {PAPER.muted}
        assert read.title(fader).endswith("stays at 0 dB")


def test_given_order_is_kept_and_the_rest_follows_low_to_high() -> None:
    assert view(order_hz=(1600.0, 250.0)).marks == {
        1600.0: 1,
        250.0: 2,
        63.0: 3,
        80.0: 4,
        200.0: 5,
        12500.0: 6,
    }


@pytest.mark.parametrize(("step_db", "shown"), [(0.5, "−2.5"), (0.25, "−2.25"), (0.0, "−2.2")])
def test_value_has_the_decimals_of_the_step(
    read: SimpleNamespace, step_db: float, shown: str
) -> None:
    fader_db = {0.5: -2.5, 0.25: -2.25, 0.0: -2.23}[step_db]
    only = CardView("x", (CardFader(100, fader_db), CardFader(200, 0)), 12.0, step_db=step_db)
    (value,) = read.drawing(draw_card(only)).of_class("value")
    assert value.text == shown


@pytest.mark.parametrize("width_px", [360.0, 718.0, 1044.0])
@pytest.mark.parametrize("rows", [1, 2, 4])
@pytest.mark.parametrize("moved", [NOMINAL_HZ, MOVED, NOMINAL_HZ[[0, 1, 3, 29, 30]]])
def test_values_touch_neither_neighbours_nor_leaders_nor_edges(
    read: SimpleNamespace, width_px: float, rows: int, moved: Iterable[float]
) -> None:
    at = {float(hz) for hz in moved}
    faders = tuple(CardFader(hz, -10.5 if hz in at else 0.0) for hz in map(float, NOMINAL_HZ))
    drawing = read.drawing(draw_card(CardView("x", faders, 12.0), rows=rows, width_px=width_px))
    boxes = []
    for value in drawing.of_class("value"):
        size_px, x = float(value.get("font-size")), float(value.get("x"))
        half = text_width_px(value.text, size_px) / 2
        assert half <= x <= width_px - half
        boxes.append((float(value.get("y")), x - half, x + half))
    for (y, _, end), (next_y, start, _) in pairwise(sorted(boxes)):
        assert y != next_y or end < start
    assert len(boxes) == len(at)
    leaders = [
        (float(found.get("x1")), float(found.get("y1")), float(found.get("y2")))
        for fader in drawing.of_class("moves")
        for found in read.inside(fader, "line", "leader")
    ]
    for x, high, low in leaders:
        assert not any(high < y < low and start < x < end for y, start, end in boxes)


@pytest.mark.parametrize("rows", [1, 2, 4])
def test_all_faders_stand_at_one_pitch(read: SimpleNamespace, rows: int) -> None:
    drawing = read.drawing(draw_card(view(), rows=rows))
    starts = set()
    for row in drawing.of_class("row"):
        sliders = [found for found in row.iter() if found.get("class") == "slider"]
        centres = sorted(float(s.get("x")) + float(s.get("width")) / 2 for s in sliders)
        starts.add(round(centres[0], 1))
        pitch = np.diff(centres)
        assert pitch == pytest.approx((1044.0 - 50.0) / math.ceil(31 / rows), abs=0.03)
    assert len(starts) == 1


def test_only_values_of_neighbours_are_staggered(read: SimpleNamespace) -> None:
    def heights(drawn: str) -> dict[str, float]:
        return {
            read.title(fader).split(" Hz")[0]: float(
                read.inside(fader, "text", "value")[0].get("y")
            )
            for fader in read.drawing(drawn).of_class("moves")
        }

    y = heights(draw_card(view()))
    assert y["80"] == y["250"] < y["63"] == y["200"] == y["1600"] == y["12500"]
    # Ten faders have room for their values side by side.
    octaves = [float(hz) for hz in NOMINAL_HZ[2::3]]
    wide = CardView("x", tuple(CardFader(hz, -10.5) for hz in octaves), 12.0)
    assert len(set(heights(draw_card(wide)).values())) == 1


def test_value_of_a_full_unit_is_read_at_arms_length(read: SimpleNamespace) -> None:
    # Figures a 200th of the viewing distance high are read with ease (common practice, no
    # source): at 0.6 m that is 3 mm. Figures are 0.7 em high in the shipped typeface.
    drawing = read.drawing(draw_card(view()))
    mm_per_px = 277.0 / drawing.box()[0]  # as printed across A4 with 10 mm margins
    for value in drawing.of_class("value"):
        assert 0.7 * float(value.get("font-size")) * mm_per_px >= 3.0


def test_rows_share_the_faders(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_card(view(), rows=2, width_px=718))
    rows = drawing.of_class("row")
    count = [sum("fader" in (found.get("class") or "") for found in row.iter()) for row in rows]
    assert count == [16, 15]


def test_card_without_a_move_says_so(read: SimpleNamespace) -> None:
    flat = CardView("Left", tuple(CardFader(hz, 0.0) for hz in (100, 1000)), 12.0)
    drawing = read.drawing(draw_card(flat))
    assert not drawing.of_class("moves")
    assert any("no fader moves" in words for words in drawing.texts())
    assert "No fader moves" in drawing.root[1].text


def test_description_tells_the_settings_without_the_picture(read: SimpleNamespace) -> None:
    description = read.drawing(draw_card(view())).root[1].text
    assert "63 Hz −3 dB, 80 Hz −1.5 dB" in description
    assert "All others at 0 dB" in description


@pytest.mark.parametrize("name", THEMES)
def test_moving_slider_stands_out_in_every_theme(read: SimpleNamespace, name: str) -> None:
    theme = THEMES[name]
    drawing = read.drawing(draw_card(view(), theme=theme))
    fills = {
        found.get("fill")
        for fader in drawing.of_class("moves")
        for found in read.inside(fader, "rect", "slider")
    }
    assert fills == {theme.ink}


def test_hostile_title_is_shortened_and_kept_as_text(read: SimpleNamespace) -> None:
    hostile = '<b>&"' * 80
    drawing = read.drawing(draw_card(view(title=hostile), theme=DARK))
    assert read.title(drawing.root) == f"Card: {hostile}"
    assert drawing.texts()[0].startswith('<b>&"<b>')
    assert drawing.texts()[0].endswith("…")


@pytest.mark.parametrize("fader_db", [12.5, -13.0, float("nan")])
def test_fader_outside_its_range_is_refused(fader_db: float) -> None:
    with pytest.raises(ValueError, match="100 Hz stands outside"):
        draw_card(CardView("x", (CardFader(100, fader_db),), 12.0))


def test_card_without_a_fader_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one fader"):
        draw_card(CardView("x", (), 12.0))
