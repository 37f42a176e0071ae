from __future__ import annotations

from itertools import combinations

import colorspacious
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.drawing.theme import THEMES, Theme, contrast_ratio, legible_on, mixed

COLOURS = st.integers(0, 0xFFFFFF).map(lambda value: f"#{value:06x}")


@pytest.fixture(params=THEMES.values(), ids=THEMES)
def theme(request: pytest.FixtureRequest) -> Theme:
    return request.param


def test_contrast_of_known_pairs() -> None:
    # W3C, Understanding WCAG 2.1, technique G18: #767676 on white is the lightest grey with 4.5.
    assert contrast_ratio("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast_ratio("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast_ratio("#777777", "#ffffff") < 4.5


@given(COLOURS, COLOURS)
def test_contrast_does_not_depend_on_the_order(first: str, second: str) -> None:
    assert contrast_ratio(first, second) == contrast_ratio(second, first) >= 1.0


@given(COLOURS)
def test_black_or_white_is_legible_on_any_colour(colour: str) -> None:
    assert contrast_ratio(legible_on(colour), colour) >= 4.5


def test_text_of_every_theme_is_legible(theme: Theme) -> None:
    for ink in (theme.ink, theme.muted):
        assert contrast_ratio(ink, theme.ground) >= 4.5
    # A fader that moves is lettered on its lane.
    assert contrast_ratio(theme.ink, theme.faint) >= 7.0


@pytest.mark.parametrize("kind", ["protanomaly", "deuteranomaly", "tritanomaly"])
def test_eyes_that_lack_a_cone_tell_above_from_below(theme: Theme, kind: str) -> None:
    # Simulation after Machado, Oliveira and Fernandes (2009) by the library colorspacious, full
    # severity; distance in CAM02-UCS, where a red and a green of one lightness come to about 8.
    def seen(colour: str) -> np.ndarray:
        space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
        rgb = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        return np.clip(colorspacious.cspace_convert(rgb, space, "sRGB1"), 0.0, 1.0)

    for first, second in combinations((theme.above, theme.even, theme.below), 2):
        apart = colorspacious.deltaE(seen(first), seen(second), input_space="sRGB1")
        assert apart > 30.0


def test_colours_mix_from_end_to_end() -> None:
    assert mixed("#102030", "#405060", 0.0) == "#102030"
    assert mixed("#102030", "#405060", 1.0) == "#405060"
