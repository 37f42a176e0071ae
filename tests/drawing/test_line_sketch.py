"""The line check's sketch: one box plays, the other is muted, the microphone nearer the first."""

import pytest

from evenhall.drawing import THEMES, draw_line_sketch
from evenhall.drawing.line_sketch import LETTERING_PX, LINES_Y_PX, MARGIN_PX, PANEL_PX
from evenhall.drawing.svg import text_width_px


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
@pytest.mark.parametrize(
    "pair", [("left", "right"), ("sub left", "sub right"), ("f" * 90, "g" * 90)]
)
def test_one_plays_and_one_is_muted_and_all_words_fit(read, pair, theme):
    drawing = read.drawing(draw_line_sketch(*pair, theme=theme))
    assert len(drawing.of_class("sounds")) == 3, "one with the other muted, both with a solo key"
    assert len(drawing.of_class("muted")) == 1
    assert len(drawing.of_class("microphone")) == len(drawing.of_class("headphones")) == 1
    said = drawing.texts()
    assert len(said) == 2 * (1 + len(LINES_Y_PX))
    for words in said[1:5] + said[6:]:
        assert text_width_px(words, LETTERING_PX) <= PANEL_PX - 2 * MARGIN_PX
    if pair == ("left", "right"):
        assert " ".join(said[1:5]).strip() == (
            "Microphone 2 to 3 m away, nearer left: left must arrive first."
        )
        assert "both boxes play." in " ".join(said[6:])
