from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.drawing import (
    PAPER,
    THEMES,
    EvennessView,
    MapRow,
    MapSide,
    draw_evenness_map,
    draw_row_names,
)
from evenhall.drawing.theme import contrast_ratio

BANDS_HZ = tuple(float(hz) for hz in NOMINAL_HZ)
LEVELS = (None, 0.0, 6.0, 6.01, -6.0, -6.01, 15.0, -15.0, 0.4)


def side(name: str = "Left") -> MapSide:
    rng = np.random.default_rng(3)
    front = LEVELS + tuple(rng.normal(4, 3, 31 - len(LEVELS)).round(2).tolist())
    back = tuple(None if level is None else -level for level in front)
    level = tuple(None if front_db is None else 0.0 for front_db in front)
    difference = tuple(None if front_db is None else 2 * front_db for front_db in front)
    return MapSide(
        name,
        (
            MapRow("front", front, 2.5),
            MapRow("middle", level, 7.0),
            MapRow("back", back, 13.0),
        ),
        difference,
    )


VIEW = EvennessView("Evenness before", BANDS_HZ, (side("Left"), side("Right")), 6.0)


def test_one_row_a_spot_and_one_column_a_band(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_evenness_map(VIEW))
    assert len(drawing.of_class("spot")) == 6
    assert len(drawing.of_class("sum")) == 2
    assert len(drawing.of_class("cell")) == 31 * 8


def test_front_stands_above_back_and_low_left_of_high(read: SimpleNamespace) -> None:
    rows = read.drawing(draw_evenness_map(VIEW)).of_class("spot")[:3]
    first_cells = [read.inside(row, "g", "cell")[0] for row in rows]
    assert [read.title(cell).split(",")[1].strip() for cell in first_cells] == [
        "front",
        "middle",
        "back",
    ]
    heights = [float(read.inside(cell, "rect")[0].get("y")) for cell in first_cells]
    assert heights == sorted(heights)
    lefts = [
        float(read.inside(cell, "rect")[0].get("x")) for cell in rows[0] if cell.tag != "title"
    ]
    assert lefts == sorted(lefts)
    assert np.allclose(np.diff(lefts), np.diff(lefts)[0], atol=0.02)


def test_hatched_exactly_where_beyond_the_limit(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_evenness_map(VIEW))
    shown = [level for row in side().rows for level in row.level_db]
    rows = drawing.of_class("spot")[:3]
    cells = [cell for row in rows for cell in read.inside(row, "g", "cell")]
    hatched = [bool(read.inside(cell, "path", "hatch")) for cell in cells]
    assert hatched == [level is not None and abs(level) > 6.0 for level in shown]
    assert any(hatched)
    assert not all(hatched)


def test_unusable_cells_are_blank_and_say_so(read: SimpleNamespace) -> None:
    blank = read.drawing(draw_evenness_map(VIEW)).of_class("cell", "blank")
    assert len(blank) == 8
    for cell in blank:
        assert not read.inside(cell, "text")
        assert read.title(cell).endswith("20 Hz: not usable")


def test_figures_are_whole_decibels_with_their_sign(read: SimpleNamespace) -> None:
    row = read.drawing(draw_evenness_map(VIEW)).of_class("spot")[0]
    figures = [
        "".join(found.text for found in read.inside(cell, "text"))
        for cell in read.inside(row, "g", "cell")
    ]
    assert figures[:9] == ["", "0", "+6", "+6", "−6", "−6", "+15", "−15", "0"]


def test_just_beyond_the_limit_shows_why(read: SimpleNamespace) -> None:
    view = EvennessView("x", (100.0,), (MapSide("Left", (MapRow("front", (6.3,)),)),), 6.0)
    (cell,) = read.drawing(draw_evenness_map(view)).of_class("cell")
    assert [found.text for found in read.inside(cell, "text")] == ["+6.3"]


@pytest.mark.parametrize("name", THEMES)
def test_every_figure_is_legible_on_its_cell(read: SimpleNamespace, name: str) -> None:
    drawing = read.drawing(draw_evenness_map(VIEW, theme=THEMES[name]))
    checked = 0
    for cell in drawing.of_class("cell"):
        for figure in read.inside(cell, "text"):
            (ground,) = read.inside(cell, "rect")
            # WCAG 2.1, success criterion 1.4.3: 4.5 for text of any size.
            assert contrast_ratio(figure.get("fill"), ground.get("fill")) >= 4.5
            checked += 1
    assert checked > 200


def test_a_grey_print_darkens_with_the_distance_from_the_middle(read: SimpleNamespace) -> None:
    levels = (0.0, 2.0, 4.0, 6.0, 8.0)
    for sign in (1, -1):
        row = MapRow("front", tuple(sign * level for level in levels))
        view = EvennessView("x", (100.0, 200.0, 400.0, 800.0, 1600.0), (MapSide("L", (row,)),), 6.0)
        cells = read.drawing(draw_evenness_map(view)).of_class("cell")
        grounds = [read.inside(cell, "rect")[0].get("fill") for cell in cells]
        from_white = [contrast_ratio(ground, "#ffffff") for ground in grounds]
        assert from_white == sorted(from_white)
        assert len(set(from_white)) == len(levels)


@pytest.mark.parametrize("width_px", [512.0, 718.0, 1044.0])
def test_lettering_fits_at_every_width(read: SimpleNamespace, width_px: float) -> None:
    drawing = read.drawing(draw_evenness_map(VIEW, width_px=width_px))
    width, height = drawing.box()
    for found in drawing.root.iter():
        if found.tag.endswith("text"):
            # Half a page across, 135.5 mm for 512 px: 7 pt.
            assert float(found.get("font-size")) >= 7.0 / 72 * 25.4 * 512 / 135.5
            assert float(found.get("y")) <= height
    for cell in drawing.of_class("cell"):
        for figure in read.inside(cell, "text"):
            assert float(figure.get("textLength")) <= float(
                read.inside(cell, "rect")[0].get("width")
            )
    assert width == width_px


def test_half_a_page_bears_the_figures_of_31_bands(read: SimpleNamespace) -> None:
    levels = (6.3, -6.3, 14.4, -14.4, 28.0, -28.0, *[3.0] * 25)
    row = MapRow("middle", levels, 11.6)
    view = EvennessView("x", BANDS_HZ, (MapSide("Left", (row,)),), 6.0)
    drawing = read.drawing(draw_evenness_map(view, width_px=512.0))
    figures = ["".join(t.text for t in read.inside(c, "text")) for c in drawing.of_class("cell")]
    # No room for the sign beyond 20 dB: there the corner tells it, the upper or the lower one.
    assert figures == ["+6", "−6", "+14", "−14", "28", "28", *["+3"] * 25]
    assert "middle" in drawing.texts()
    # A narrower one leaves out what could not be read.
    narrow = read.drawing(draw_evenness_map(view, width_px=300.0))
    assert not any(read.inside(cell, "text") for cell in narrow.of_class("cell"))


def test_description_names_the_bands_that_fail(read: SimpleNamespace) -> None:
    side_view = MapSide("Left", (MapRow("front", (0.0, 0.0)),), (7.25, 2.0))
    view = EvennessView("x", (250.0, 500.0), (side_view,), 6.0)
    description = read.drawing(draw_evenness_map(view)).root[1].text
    assert "250 Hz (+7.2 dB)" in description
    assert "500" not in description


def ends(strokes: str) -> list[tuple[float, float]]:
    """Points of a path."""
    return [
        (float(x), float(y))
        for x, y in re.findall(r"([-\d.]+) ([-\d.]+)", strokes.replace("M", "L"))
    ]


@pytest.mark.parametrize("width_px", [400.0, 512.0, 718.0, 1044.0])
def test_corner_tells_the_way_and_leaves_the_figure_free(
    read: SimpleNamespace, width_px: float
) -> None:
    drawing = read.drawing(draw_evenness_map(VIEW, width_px=width_px))
    ways = set()
    for cell in drawing.of_class("cell"):
        for hatch in read.inside(cell, "path", "hatch"):
            (ground,) = read.inside(cell, "rect")
            x, y, width, height = (float(ground.get(n)) for n in ("x", "y", "width", "height"))
            points = ends(hatch.get("d"))
            louder = "+" in read.title(cell)
            ways.add(louder)
            assert all(x - 0.02 <= at <= x + width + 0.02 for at, _ in points)
            half = y + height / 2
            for figure in read.inside(cell, "text"):
                # Digits are 0.7 em high, whatever the renderer.
                half += (-0.35 if louder else 0.35) * float(figure.get("font-size"))
            if louder:
                assert all(y - 0.02 <= at <= half + 0.02 for _, at in points)
            else:
                assert all(half - 0.02 <= at <= y + height + 0.02 for _, at in points)
    assert ways == {True, False}


def test_names_by_themselves_lie_where_the_map_has_them(read: SimpleNamespace) -> None:
    theirs = read.drawing(draw_row_names(VIEW, theme=PAPER))
    whole = read.drawing(draw_evenness_map(VIEW))

    def places(drawing: SimpleNamespace) -> list[tuple[str, str, str]]:
        names = {"Hz", "Left", "Right", "front", "middle", "back", "front − back", "13 m"}
        return [
            (one.text, one.get("x"), one.get("y"))
            for one in drawing.root.iter()
            if one.tag.endswith("text") and one.text in names
        ]

    assert places(theirs) == places(whole)
    assert len(places(theirs)) == 13
    assert theirs.box() == (pytest.approx(0.11 * 1044.0), whole.box()[1])


def test_hostile_names_are_text(read: SimpleNamespace) -> None:
    hostile = "<svg onload=x>&" * 30
    row = MapRow(hostile, (1.0,))
    drawing = read.drawing(
        draw_evenness_map(EvennessView(hostile, (100.0,), (MapSide(hostile, (row,)),), 6.0))
    )
    assert [found.tag for found in drawing.root.iter()].count(
        "{http://www.w3.org/2000/svg}svg"
    ) == 1
    assert hostile in read.title(drawing.of_class("cell")[0])


@pytest.mark.parametrize(
    ("view", "words"),
    [
        (EvennessView("x", (100.0,), (), 6.0), "needs a band and a spot"),
        (
            EvennessView("x", (), (MapSide("L", (MapRow("f", ()),)),), 6.0),
            "needs a band and a spot",
        ),
        (
            EvennessView("x", (100.0,), (MapSide("L", (MapRow("f", (1.0, 2.0)),)),), 6.0),
            "one level a band",
        ),
    ],
)
def test_a_map_without_its_figures_is_refused(view: EvennessView, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        draw_evenness_map(view)
