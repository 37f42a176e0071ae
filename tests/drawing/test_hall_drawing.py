from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from evenhall.drawing import DARK, PAPER, THEMES, HallSpot, HallView, draw_hall, draw_walk
from evenhall.drawing.hall_marks import fan, ray_end
from evenhall.drawing.hall_view import frame_of
from evenhall.drawing.svg import HALF_DIGIT_EM, spread, text_width_px
from evenhall.drawing.theme import contrast_ratio
from evenhall.hall.path import walk_path
from evenhall.hall.setting import Audience

STATES = ("done", "again", "next", "open", "open", "open")


def spots(sides=("left", "right"), along_m=(2.0, 8.0, 14.0), states=STATES):
    places = [(side, name, far) for side in sides for name, far in zip(NAMES, along_m, strict=True)]
    return tuple(
        HallSpot(name, side, far, state)
        for (side, name, far), state in zip(places, itertools.cycle(states), strict=False)
    )


NAMES = ("front", "middle", "back")
VIEW = HallView(
    "Quarry Lane Hall",
    length_m=16.0,
    width_m=9.0,
    height_m=4.2,
    first_row_m=2.0,
    last_row_m=14.0,
    speaker_height_m=1.8,
    max_height_m=3.0,
    proposed_height_m=2.6,
    proposed_down_deg=7.0,
    spots=spots(),
    playing="left",
)
FIGURES = (
    "length_m",
    "width_m",
    "height_m",
    "first_row_m",
    "last_row_m",
    "speaker_height_m",
    "max_height_m",
    "proposed_height_m",
    "proposed_down_deg",
)

# The fixture that reads drawings back holds functions only: it need not be made anew.
READS_BACK = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def points(path):
    return [
        tuple(map(float, pair.split())) for pair in re.findall(r"[-\d.]+ [-\d.]+", path.get("d"))
    ]


def ends(line):
    return tuple(float(line.get(name)) for name in ("x1", "y1", "x2", "y2"))


def text_boxes(drawing):
    """Left, top, right and bottom of every text, by its words."""
    boxes = []

    def walk(element, dx, dy):
        moved = re.match(r"translate\(([-\d.]+) ([-\d.]+)\)", element.get("transform") or "")
        if moved:
            dx, dy = dx + float(moved[1]), dy + float(moved[2])
        if element.tag.endswith("}text"):
            size_px = float(element.get("font-size"))
            width = text_width_px(element.text, size_px, bold=element.get("font-weight") == "700")
            share = {"end": 1.0, "middle": 0.5}.get(element.get("text-anchor"), 0.0)
            left = dx + float(element.get("x")) - share * width
            middle = dy + float(element.get("y")) - HALF_DIGIT_EM * size_px
            # Half the height of a capital, 0.7 em in the shipped typeface.
            boxes.append((left, middle - 0.35 * size_px, left + width, middle + 0.35 * size_px))
        for child in element:
            walk(child, dx, dy)

    walk(drawing.root, 0.0, 0.0)
    return boxes


def assert_legible(drawing) -> None:
    boxes = text_boxes(drawing)
    assert boxes
    width, height = drawing.box()
    for left, top, right, bottom in boxes:
        assert left >= 0.0
        assert top >= 0.0
        assert right <= width + 0.01
        assert bottom <= height
    for first, second in itertools.combinations(boxes, 2):
        apart = (
            first[2] <= second[0] + 0.02
            or second[2] <= first[0] + 0.02
            or first[3] <= second[1] + 0.02
            or second[3] <= first[1] + 0.02
        )
        assert apart, (first, second)


def test_both_views_are_on_one_scale(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_hall(VIEW))
    side, plan = drawing.of_class("room")
    floor, ceiling, *_ = (ends(line) for line in read.inside(side, "line", "wall"))
    top, bottom, far = (ends(line) for line in read.inside(plan, "line", "wall"))
    per_m = (floor[2] - floor[0]) / 16.0
    assert per_m > 20
    assert abs((floor[1] - ceiling[1]) / per_m - 4.2) < 0.01
    assert abs((bottom[1] - top[1]) / per_m - 9.0) < 0.01
    assert abs((top[2] - top[0]) / per_m - 16.0) < 0.01
    assert far[0] == far[2] == floor[2]


def test_heights_and_spots_stand_where_their_figures_say(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_hall(VIEW))
    side, _ = drawing.of_class("room")
    floor = ends(read.inside(side, "line", "wall")[0])
    per_m = (floor[2] - floor[0]) / 16.0
    places = drawing.of_class("place")
    rings = [read.inside(place, "circle")[0] for place in places]
    along_m = [(float(ring.get("cx")) - floor[0]) / per_m for ring in rings]
    heights_m = [(floor[1] - float(ring.get("cy"))) / per_m for ring in rings]
    assert along_m == pytest.approx([2.0, 8.0, 14.0], abs=0.01)
    assert heights_m == pytest.approx([1.2] * 3, abs=0.01)
    today, proposed = (
        next(
            ends(aim)
            for aim in drawing.of_class("aim")
            if dashed == ("stroke-dasharray" in aim.attrib)
        )
        for dashed in (False, True)
    )
    assert (floor[1] - today[1]) / per_m == pytest.approx(1.8, abs=0.01)
    assert today[3] == today[1]  # level
    assert (floor[1] - proposed[1]) / per_m == pytest.approx(2.6, abs=0.01)
    slope_deg = math.degrees(math.atan2(proposed[3] - proposed[1], proposed[2] - proposed[0]))
    assert slope_deg == pytest.approx(7.0, abs=0.05)


def test_coverage_edges_open_by_the_nominal_angle_and_end_at_the_walls(
    read: SimpleNamespace,
) -> None:
    drawing = read.drawing(draw_hall(VIEW))
    side_view, plan_view = drawing.of_class("side-view")[0], drawing.of_class("plan-view")[0]
    for view, full_deg, count in ((side_view, 60.0, 2), (plan_view, 90.0, 2)):
        edges = read.inside(view, "path", "edge")
        assert len(edges) == count
        walls = [ends(line) for line in read.inside(view, "line", "wall")]
        xs, ys = [x for w in walls for x in w[::2]], [y for w in walls for y in w[1::2]]
        for edge in edges:
            start, first, again, second = points(edge)
            assert start == again
            turns = [math.atan2(y - start[1], x - start[0]) for x, y in (first, second)]
            assert math.degrees(turns[1] - turns[0]) == pytest.approx(full_deg, abs=0.1)
            for x, y in (first, second):
                assert min(xs) - 0.02 <= x <= max(xs) + 0.02
                assert min(ys) - 0.02 <= y <= max(ys) + 0.02
                at_a_wall = (
                    abs(x - max(xs)) < 0.02 or abs(y - min(ys)) < 0.02 or abs(y - max(ys)) < 0.02
                )
                assert at_a_wall


def test_left_is_left_as_the_audience_sees_it_and_both_are_symmetrical(
    read: SimpleNamespace,
) -> None:
    # Looking at a stage at the left of the page, the left hand points down the page.
    drawing = read.drawing(draw_hall(VIEW))
    plan = drawing.of_class("plan-view")[0]
    walls = [ends(line) for line in read.inside(plan, "line", "wall")]
    middle = (walls[0][1] + walls[1][1]) / 2
    rings = {
        read.title(spot).split(":")[0]: float(read.inside(spot, "circle")[0].get("cy"))
        for spot in drawing.of_class("spot")
    }
    assert rings["Spot 1, left front"] > middle > rings["Spot 4, right front"]
    for left, right in (("1, left front", "4, right front"), ("3, left back", "6, right back")):
        assert rings[f"Spot {left}"] + rings[f"Spot {right}"] == pytest.approx(2 * middle, abs=0.05)
    # On an axis that is turned inwards.
    assert rings["Spot 1, left front"] > rings["Spot 2, left middle"] > rings["Spot 3, left back"]


def test_place_that_serves_all_elements_lies_on_the_middle_line(read: SimpleNamespace) -> None:
    shared = replace(VIEW.spots[1], between=True)
    drawing = read.drawing(draw_hall(replace(VIEW, spots=(shared, VIEW.spots[0]))))
    plan = drawing.of_class("plan-view")[0]
    walls = [ends(line) for line in read.inside(plan, "line", "wall")]
    middle = (walls[0][1] + walls[1][1]) / 2
    between, aside = (
        float(read.inside(spot, "circle")[0].get("cy")) for spot in drawing.of_class("spot")
    )
    assert between == pytest.approx(middle, abs=0.05)
    assert aside > middle + 10


def test_states_are_told_by_shape_and_not_by_colour_alone(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_hall(VIEW))
    shapes = {}
    for state in ("open", "next", "done", "again"):
        mark = drawing.of_class("spot", state)[0]
        radii = tuple(ring.get("r") for ring in read.inside(mark, "circle"))
        strokes = tuple(path.get("d").count("M") for path in read.inside(mark, "path"))
        shapes[state] = (radii, strokes)
    assert len(set(shapes.values())) == 4
    assert shapes["open"][1] == ()
    assert shapes["done"][1] == (1,)  # a tick is one stroke
    assert shapes["again"][1] == (2,)  # a cross two
    assert float(shapes["next"][0][0]) > float(shapes["open"][0][0])


def test_everything_says_what_it_is_in_a_sentence_with_units(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_hall(VIEW))
    said = [read.title(group) for group in drawing.root.iter() if read.title(group)][1:]
    for sentence in said:
        assert sentence.endswith(".")
    assert "Loudspeakers today: 1.8 m, level, covering 60 degrees up and down." in said
    assert "Proposed for the loudspeakers: 2.6 m, 7° down." in said
    assert "Spot 3, left back: 14 m along the floor from under the loudspeaker, next." in said
    assert "Left, loudspeaker, at the stage end, covering 90 degrees across, playing now." in said
    assert (
        "Audience from the first row at 2 m to the last at 14 m, ears 1.2 m above the floor."
        in said
    )
    assert "Stand reaches 3 m." in said
    assert (
        "Microphone back: 14 m along the floor from under the loudspeaker, 1.2 m high: "
        "left next, right to do." in said
    )


def test_description_says_the_drawing(read: SimpleNamespace) -> None:
    assert read.drawing(draw_hall(VIEW)).root[1].text == (
        "Hall, 16 m long, 9 m wide, 4.2 m high. Audience from 2 m to 14 m. "
        "Loudspeakers today: 1.8 m, level. Loudspeakers proposed: 2.6 m, 7° down. "
        "1 of 6 spots done. Next: left back, 14 m. Playing: left."
    )


def test_figures_stand_beside_what_they_measure(read: SimpleNamespace) -> None:
    texts = read.drawing(draw_hall(VIEW)).texts()
    for words in (
        "1.8 m, level, today",
        "2.6 m, 7° down, proposed",
        "stand reaches 3 m",
        "16 m",
        "9 m",
        "4.2 m",
        "first row 2 m",
        "last row 14 m",
        "middle 8 m",
        "next: 3 left back",
        "playing: left",
    ):
        assert texts.count(words) == 1, words


@pytest.mark.parametrize("name", FIGURES)
def test_a_missing_figure_is_left_out_or_drawn_open(read: SimpleNamespace, name: str) -> None:
    drawing = read.drawing(draw_hall(replace(VIEW, **{name: None})))
    texts = " ".join(drawing.texts())
    if name in ("length_m", "width_m", "height_m"):
        assert drawing.of_class("wall", "unknown")
        assert "not known yet" in texts
    else:
        assert not drawing.of_class("wall", "unknown")
    gone = {
        "length_m": "16 m",
        "width_m": "9 m",
        "height_m": "4.2 m",
        "first_row_m": "first row",
        "last_row_m": "last row",
        "speaker_height_m": "today",
        "max_height_m": "stand",
        "proposed_height_m": "2.6 m",
        "proposed_down_deg": "7°",
    }[name]
    assert gone in " ".join(read.drawing(draw_hall(VIEW)).texts())
    assert gone not in texts


def test_a_hall_without_any_figure_is_drawn_open(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_hall(HallView("New hall")))
    assert not drawing.of_class("aim")
    assert not drawing.of_class("audience")
    assert drawing.of_class("speaker", "unknown")
    # Only ears have a height that is always known.
    assert [words for words in drawing.texts() if re.search(r"\d", words)] == ["1.2 m"]


def test_a_proposal_that_changes_nothing_is_not_drawn(read: SimpleNamespace) -> None:
    same = replace(VIEW, proposed_height_m=1.8, proposed_down_deg=0.0)
    assert not read.drawing(draw_hall(same)).of_class("proposed")
    aimed = replace(VIEW, proposed_height_m=None)
    assert "1.8 m, 7° down, proposed" in read.drawing(draw_hall(aimed)).texts()


@pytest.mark.parametrize("width_px", [360.0, 720.0])
@pytest.mark.parametrize("name", THEMES)
def test_every_text_is_legible_on_its_page(
    read: SimpleNamespace, name: str, width_px: float
) -> None:
    theme = THEMES[name]
    drawing = read.drawing(draw_hall(VIEW, theme=theme, width_px=width_px))
    tint = frame_of(VIEW, theme, width_px).tint
    for found in drawing.root.iter():
        if found.tag.endswith("}text"):
            assert float(found.get("font-size")) >= 11.0
            # WCAG 2.1, success criterion 1.4.3: 4.5 for text of any size.
            assert contrast_ratio(found.get("fill"), theme.ground) >= 4.5
            if found.get("fill") == theme.ink:
                assert contrast_ratio(found.get("fill"), tint) >= 4.5


@READS_BACK
@given(
    length_m=st.floats(8.0, 40.0),
    width_m=st.floats(5.0, 20.0),
    height_m=st.floats(2.8, 9.0),
    first_m=st.floats(0.5, 4.0),
    last_share=st.floats(0.6, 1.0),
    speaker_share=st.floats(0.4, 0.95),
    raised=st.booleans(),
    sides=st.sampled_from(
        [
            ("left", "right"),
            ("mono",),
            ("left", "right", "sub"),
            ("left", "right", "left sub", "right sub"),
        ]
    ),
    width_px=st.sampled_from([360.0, 720.0]),
)
def test_no_labels_overlap_in_a_usual_hall(
    read: SimpleNamespace,
    length_m: float,
    width_m: float,
    height_m: float,
    first_m: float,
    last_share: float,
    speaker_share: float,
    raised: bool,
    sides: tuple[str, ...],
    width_px: float,
) -> None:
    last_m = round(last_share * length_m, 1)
    speaker_m = round(speaker_share * height_m, 1)
    view = HallView(
        "A hall",
        length_m=round(length_m, 1),
        width_m=round(width_m, 1),
        height_m=round(height_m, 1),
        first_row_m=round(first_m, 1),
        last_row_m=last_m,
        speaker_height_m=speaker_m,
        sides=sides,
        max_height_m=speaker_m,
        proposed_height_m=round(min(speaker_m + 0.4, height_m), 1) if raised else None,
        proposed_down_deg=8.0 if raised else None,
        spots=spots(
            [side for side in sides if "sub" not in side], (1.5, (1.5 + last_m) / 2, last_m)
        ),
        playing=sides[-1],
    )
    assert_legible(read.drawing(draw_hall(view, theme=DARK, width_px=width_px)))


odd = st.one_of(st.none(), st.floats(), st.floats(-5.0, 50.0))


@READS_BACK
@given(
    figures=st.fixed_dictionaries(dict.fromkeys(FIGURES, odd)),
    ear_height_m=st.floats(),
    down_deg=st.floats(),
    coverage_deg=st.floats(),
    along_m=st.floats(),
    sides=st.lists(st.text(max_size=12), max_size=6),
    state=st.text(max_size=5),
)
def test_no_figure_that_is_typed_is_an_error(
    read: SimpleNamespace,
    figures: dict[str, float | None],
    ear_height_m: float,
    down_deg: float,
    coverage_deg: float,
    along_m: float,
    sides: list[str],
    state: str,
) -> None:
    view = HallView(
        "x",
        ear_height_m=ear_height_m,
        speaker_down_deg=down_deg,
        coverage_h_deg=coverage_deg,
        coverage_v_deg=coverage_deg,
        sides=tuple(sides),
        spots=(HallSpot("front", "left", along_m, state),),
        playing="left",
        **figures,
    )
    drawing = read.drawing(draw_hall(view, width_px=360.0))
    assert len(drawing.of_class("room")) == 2


def test_subs_and_delays_are_small_boxes_with_their_names(read: SimpleNamespace) -> None:
    sides = ("left", "right", "sub", "delay")
    drawing = read.drawing(draw_hall(replace(VIEW, sides=sides, playing="sub")))
    assert {"left", "right", "sub", "delay"} <= set(drawing.texts())
    titles = [read.title(found) for found in drawing.of_class("speaker")]
    assert "On the floor: sub." in titles
    assert "Sub, on the floor, at the stage end, playing now." in titles
    assert "Delay, loudspeaker, down the room, its place not known." in titles


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=7), st.floats(1.0, 30.0))
def test_spread_keeps_labels_apart_in_their_order_and_moves_none_without_need(
    wanted: list[float], size: float
) -> None:
    placed = spread(wanted, [size] * len(wanted), low=-400.0, high=400.0, gap=2.0)
    by_place = sorted(zip(wanted, placed, strict=True))
    for (_, first), (_, second) in itertools.pairwise(sorted(by_place, key=lambda pair: pair[1])):
        assert second - first >= size + 2.0 - 1e-6
    # Least squares: the shifts of a row that is free at both ends come to nothing.
    assert abs(sum(placed) - sum(wanted)) < 1e-6 * len(wanted) + 1e-6
    far_apart = [200.0 * at for at in range(len(wanted))]
    assert spread(far_apart, [size] * len(wanted), low=-50.0, high=2000.0) == far_apart


@given(
    angle_deg=st.floats(-88.0, 88.0),
    far=st.floats(1.0, 50.0),
    low=st.floats(-20.0, -0.1),
    high=st.floats(0.1, 20.0),
)
def test_ray_ends_on_a_wall_in_its_direction(
    angle_deg: float, far: float, low: float, high: float
) -> None:
    x, y = ray_end(angle_deg, far=far, low=low, high=high)
    assert -1e-9 <= x <= far + 1e-9
    assert low - 1e-9 <= y <= high + 1e-9
    assert min(abs(x - far), abs(y - low), abs(y - high)) < 1e-6
    assert math.degrees(math.atan2(y, x)) == pytest.approx(angle_deg, abs=1e-6)


def test_fan_takes_in_the_corners_that_it_covers() -> None:
    outline = fan(0.0, 90.0, far=10.0, low=-2.0, high=2.0)
    assert outline[0] == (0.0, 0.0)
    assert [tuple(round(v, 6) for v in point) for point in outline[1:]] == [
        (2.0, -2.0),
        (10.0, -2.0),
        (10.0, 2.0),
        (2.0, 2.0),
    ]
    narrow = fan(0.0, 10.0, far=10.0, low=-2.0, high=2.0)
    assert len(narrow) == 3


def test_hostile_names_are_text(read: SimpleNamespace) -> None:
    hostile = "<svg onload=x>&" * 30
    view = replace(
        VIEW,
        title=hostile,
        sides=(hostile,),
        playing=hostile,
        spots=(HallSpot(hostile, hostile, 3.0, "next"),),
    )
    svg = draw_hall(view, theme=PAPER, width_px=360.0)
    drawing = read.drawing(svg)
    assert [found.tag for found in drawing.root.iter()].count(
        "{http://www.w3.org/2000/svg}svg"
    ) == 1
    assert_legible(drawing)
    assert not re.search(r"\sid=|<style", svg)


WAY = walk_path(Audience(2.0, 14.0), length_m=16.0, width_m=9.0)


def test_way_through_the_rows_lies_to_scale_and_its_mark_at_the_start(
    read: SimpleNamespace,
) -> None:
    drawing = read.drawing(draw_walk(replace(VIEW, way=WAY), theme=DARK, width_px=350.0))
    (way,), (mark,) = drawing.of_class("way"), drawing.of_class("walker")
    corners = points(way)
    assert len(corners) == 4
    px_per_m = (corners[1][0] - corners[0][0]) / (14.0 - 2.0)
    # Left is the lower half of the page: down the left aisle, and up the right one.
    across_px = [y - (corners[0][1] + corners[3][1]) / 2 for _, y in corners]
    wide_m = WAY.corner_m[2, 1] - WAY.corner_m[1, 1]
    assert across_px[0] == across_px[1] == pytest.approx(wide_m * px_per_m / 2, abs=0.02)
    assert across_px[2] == across_px[3] == pytest.approx(-wide_m * px_per_m / 2, abs=0.02)
    start = tuple(map(float, re.findall(r"[-\d.]+", mark.get("transform"))))
    assert start == pytest.approx(corners[0], abs=0.02)
    assert {*NAMES, "end", "left", "right"} == set(drawing.texts())
    assert "across the back" in read.title(drawing.of_class("walk")[0])
    assert_legible(drawing)


def test_hall_whose_way_is_not_known_is_drawn_without_it(read: SimpleNamespace) -> None:
    drawing = read.drawing(draw_walk(VIEW, theme=DARK, width_px=350.0))
    assert drawing.of_class("walker") == drawing.of_class("way") == []
    assert drawing.of_class("room")


@READS_BACK
@given(
    first_m=st.floats(0.0, 30.0),
    deep_m=st.floats(1.5, 60.0),
    width_m=st.none() | st.floats(3.0, 60.0),
)
def test_any_way_stays_within_its_drawing(read, first_m, deep_m, width_m) -> None:
    rows = Audience(first_m, max(first_m, 1.0) + deep_m)
    way = walk_path(rows, width_m=width_m)
    view = HallView(
        "Any hall",
        first_row_m=rows.first_row_m,
        last_row_m=rows.last_row_m,
        width_m=width_m,
        way=way,
    )
    drawing = read.drawing(draw_walk(view, width_px=350.0))
    width, height = drawing.box()
    for x, y in points(drawing.of_class("way")[0]):
        assert 0.0 < x < width
        assert 0.0 < y < height
