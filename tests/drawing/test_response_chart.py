from __future__ import annotations

import re
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.drawing import Curve, ResponseView, draw_response_chart
from evenhall.drawing.svg import spread

HZ = tuple(float(hz) for hz in NOMINAL_HZ)
LEVELS = tuple(float(level) for level in np.random.default_rng(2).normal(0, 3, 31).round(2))
SPOTS = ("front", "middle", "back")


def view(**changed: object) -> ResponseView:
    fields = {
        "title": "Common response",
        "common": Curve("common", HZ, LEVELS),
        "uncertainty_db": (0.5,) * 31,
        "target": Curve("target", HZ, (0.0,) * 31),
        "forecast": Curve("forecast", HZ, tuple(level / 3 for level in LEVELS)),
        "spots": tuple(Curve(name, HZ, tuple(level + 1 for level in LEVELS)) for name in SPOTS),
        "low_limit_hz": 55.0,
    }
    return ResponseView(**(fields | changed))  # type: ignore[arg-type]


def points(read: SimpleNamespace, group: object) -> list[list[tuple[float, float]]]:
    (path,) = read.inside(group, "path")
    return [
        [tuple(map(float, point.split())) for point in stroke.split("L")]
        for stroke in re.findall(r"M([^M]+)", path.get("d"))
    ]


def test_curves_differ_in_dash_and_weight_and_each_has_its_name(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_response_chart(view()))
    styles = {}
    for kind in ("common", "target", "forecast", "spot"):
        group = drawing.of_class(kind)[0]
        (path,) = read.inside(group, "path")
        styles[kind] = (float(path.get("stroke-width")), path.get("stroke-dasharray"))
    assert len(set(styles.values())) == 4
    assert styles["common"][0] == max(width for width, _ in styles.values() if _ is None)
    assert styles["common"][1] is styles["spot"][1] is None
    (names,) = drawing.of_class("names")
    assert sorted(found.text for found in read.inside(names, "text")) == sorted(
        ["common", "target", "forecast", *SPOTS]
    )


def test_frequency_is_logarithmic_and_level_linear(read: SimpleNamespace) -> None:
    straight = Curve("common", HZ, tuple(6.0 * np.log2(np.array(HZ) / 1000)))
    shown = view(common=straight, spots=(), forecast=None, uncertainty_db=())
    (run,) = points(read, read.drawing(draw_response_chart(shown)).of_class("common")[0])
    x, y = np.array(run).T
    slope = np.diff(y) / np.diff(x)
    assert np.allclose(slope, slope[0], rtol=0.02)
    assert np.allclose(np.diff(x) / np.diff(np.log(HZ)), np.diff(x).sum() / np.log(1000), rtol=0.01)


def test_gaps_break_the_curve_and_its_band(read: SimpleNamespace) -> None:
    gapped = (None, *LEVELS[1:10], None, None, *LEVELS[12:])
    drawing = read.drawing(draw_response_chart(view(common=Curve("common", HZ, gapped))))
    assert [len(run) for run in points(read, drawing.of_class("common")[0])] == [9, 19]
    band = drawing.of_class("uncertainty")[0].get("d")
    assert band.count("M") == 2


def test_band_of_uncertainty_lies_about_the_common_part(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_response_chart(view()))
    (common,) = points(read, drawing.of_class("common")[0])
    (band,) = re.findall(r"M([^M]+)", drawing.of_class("uncertainty")[0].get("d"))
    edge = np.array([tuple(map(float, point.split())) for point in band.split("L")])
    upper, lower = edge[:31, 1], edge[31:][::-1, 1]
    middle = np.array(common)[:, 1]
    assert np.all(upper < middle)
    assert np.allclose(upper + lower, 2 * middle, atol=0.03)


def test_axes_letter_the_nominal_frequencies_and_their_units(read: SimpleNamespace) -> None:
    words = read.drawing(draw_response_chart(view())).texts()
    assert {"31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k"} <= set(words)
    assert {"Hz", "dB", "0"} <= set(words)


def test_low_limit_is_marked_in_its_place(read: SimpleNamespace) -> None:
    (mark,) = read.drawing(draw_response_chart(view())).of_class("low-limit")
    (line,) = read.inside(mark, "line")
    (letters,) = read.inside(mark, "text")
    assert letters.text == "shaded: below the low limit of 55 Hz"
    grid_x = [
        float(found.get("x1"))
        for found in read.inside(
            read.drawing(draw_response_chart(view())).of_class("grid")[0], "line"
        )
        if found.get("x1") == found.get("x2")
    ]
    share = np.log(55 / 31.5) / np.log(63 / 31.5)
    assert float(line.get("x1")) == pytest.approx(
        grid_x[0] + share * (grid_x[1] - grid_x[0]), abs=0.05
    )


def test_a_band_far_down_does_not_press_the_rest_flat(read: SimpleNamespace) -> None:
    deep = (-80.0, *LEVELS[1:])
    drawing = read.drawing(draw_response_chart(view(common=Curve("common", HZ, deep), spots=())))
    ticks = [
        float(words.replace("\u2212", "-"))
        for words in drawing.texts()
        if re.fullmatch(r"[+\u2212]?\d+", words) and words not in ("63", "125", "250", "500")
    ]
    assert max(ticks) - min(ticks) <= 42.0


def test_curve_without_a_name_gets_no_letters(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_response_chart(view(spots=(Curve("", HZ, LEVELS),))))
    (names,) = drawing.of_class("names")
    assert len(read.inside(names, "text")) == len(read.inside(names, "line")) == 3


@given(st.lists(st.floats(0, 300), max_size=12))
def test_names_do_not_overlap(heights: list[float]) -> None:
    moved = spread(sorted(heights), [15.0] * len(heights), low=-7.5, high=307.5)
    assert all(below - above >= 15.0 - 1e-6 for above, below in pairwise(moved))
    assert all(height <= 300.0 + 1e-6 for height in moved)


def test_chart_without_a_level_is_refused() -> None:
    nothing = Curve("common", HZ, (None,) * 31)
    with pytest.raises(ValueError, match="needs a level"):
        draw_response_chart(ResponseView("x", nothing))


def test_curve_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="target does not hold one level a frequency"):
        draw_response_chart(view(target=Curve("target", HZ, (0.0,))))


def test_what_lies_beyond_the_range_is_grey_and_moves_no_axis(read: SimpleNamespace) -> None:
    inside = Curve("common", HZ[6:-1], LEVELS[6:-1])
    beyond = Curve("", HZ[:7], (-60.0,) * 6 + (LEVELS[6],))
    shown = {"target": None, "forecast": None, "spots": (), "uncertainty_db": ()}
    without = read.drawing(draw_response_chart(view(common=inside, **shown)))
    drawing = read.drawing(draw_response_chart(view(common=inside, beyond=beyond, **shown)))
    (grey,) = read.inside(drawing.of_class("beyond")[0], "path")
    (black,) = read.inside(drawing.of_class("common")[0], "path")
    assert grey.get("stroke") != black.get("stroke")
    assert grey.get("stroke-dasharray") is None
    assert drawing.texts() == without.texts()  # neither another scale nor a name
    # It ends where the answered part begins.
    (grey_run,) = points(read, drawing.of_class("beyond")[0])
    (black_run,) = points(read, drawing.of_class("common")[0])
    assert grey_run[-1] == black_run[0]


def test_grey_band_is_said_to_be_the_doubt_where_there_is_one(read: SimpleNamespace) -> None:
    assert "grey: doubt" in read.drawing(draw_response_chart(view())).texts()
    bare = read.drawing(draw_response_chart(view(uncertainty_db=())))
    assert "grey: doubt" not in bare.texts()
    assert bare.of_class("uncertainty") == []
