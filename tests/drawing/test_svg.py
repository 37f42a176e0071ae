from __future__ import annotations

import math
from xml.etree import ElementTree

import pytest
from fontTools.ttLib import TTFont
from hypothesis import given
from hypothesis import strategies as st

from evenhall.drawing import FONT_DIR, PAPER
from evenhall.drawing.svg import (
    picture,
    rect,
    shorten,
    signed_db,
    text,
    text_width_px,
)


def drawn(content: str) -> ElementTree.Element:
    svg = picture(
        text(0, 0, content, size_px=10, fill="#000000"),
        width_px=10,
        height_px=10,
        title=content,
        description=content,
        theme=PAPER,
    )
    return ElementTree.fromstring(svg)


@pytest.mark.parametrize(
    "hostile", ["<script>", "a & b", '"quoted"', "]]>", "x' onload='y", "&#0;"]
)
def test_text_stays_text(hostile: str) -> None:
    root = drawn(hostile)
    assert {element.text for element in root if element.text} == {hostile}
    assert len(root) == 4  # title, desc, ground, text


@given(st.text())
def test_any_text_gives_readable_xml(content: str) -> None:
    for element in drawn(content):
        assert not (element.text and "\x00" in element.text)


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_a_number_that_is_none_is_refused(number: float) -> None:
    with pytest.raises(ValueError, match="cannot hold the number"):
        rect(number, 0, 1, 1)


@pytest.mark.parametrize(("bold", "name"), [(False, "Regular"), (True, "Bold")])
def test_widths_of_figures_are_those_of_the_shipped_typeface(bold: bool, name: str) -> None:
    with TTFont(FONT_DIR / f"BarlowSemiCondensed-{name}.ttf") as font:
        glyphs, advances = font.getBestCmap(), font["hmtx"]
        per_em = font["head"].unitsPerEm
        for figure in "0123456789.+\u2212k":
            width = advances[glyphs[ord(figure)]][0] / per_em
            assert text_width_px(figure, 1.0, bold=bold) == pytest.approx(width)


def test_shipped_typeface_letters_what_the_drawings_say() -> None:
    with TTFont(FONT_DIR / "BarlowSemiCondensed-Bold.ttf") as font:
        lettered = set(map(chr, font.getBestCmap()))
    assert set("0123456789+\u2212.×°±…() Hzkd%BŁğßñőč") <= lettered


def test_figures_keep_their_width_in_any_typeface() -> None:
    figures, words = (drawn(content)[3] for content in ("\u221210.5", "front"))
    assert float(figures.attrib["textLength"]) == pytest.approx(20.3 * 0.97, abs=1.0)
    assert "textLength" not in words.attrib


@given(st.text(max_size=60), st.floats(20, 200))
def test_shortened_text_fits(content: str, width_px: float) -> None:
    assert text_width_px(shorten(content, size_px=10, width_px=width_px), 10) <= width_px


def test_text_that_fits_is_not_shortened() -> None:
    assert shorten("back row", size_px=10, width_px=60) == "back row"


@given(st.floats(-30, 30), st.integers(0, 2))
def test_signed_level_reads_back(level_db: float, decimals: int) -> None:
    read_db = float(signed_db(level_db, decimals).replace("\u2212", "-"))
    assert abs(read_db - level_db) <= 0.5 * 10**-decimals + 1e-9
