from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from evenhall.report.views import card_views, evenness_view, response_view, side_title

Make = Callable[..., Any]


def test_card_has_the_faders_of_the_result_and_the_range_of_the_unit(
    make_result: Make, make_job: Make
) -> None:
    job = make_job(equalizer={"range_db": 15.0, "step_db": 0.25, "bands": 31})
    view = card_views(make_result(), job)["both"]
    assert view.title == "Left and right"
    assert (view.range_db, view.step_db, len(view.faders)) == (15.0, 0.25, 31)
    assert {fader.hz: fader.fader_db for fader in view.faders if fader.fader_db} == {
        80: -3.0,
        200: -4.5,
        250: -10.5,
        1600: 2.0,
        3150: -2.5,
    }


def test_card_a_side_is_one_view_a_side(make_result: Make, make_job: Make) -> None:
    faders = [{"hz": 100, "fader_db": -1}, {"hz": 1000, "fader_db": 0}]
    views = card_views(make_result(card={"left": faders, "right": faders, "sub": []}), make_job())
    assert {key: view.title for key, view in views.items()} == {"left": "Left", "right": "Right"}


def test_both_keeps_its_name_where_more_than_two_mains_stand() -> None:
    assert side_title("both", ("left", "right", "sub")) == "Left and right"
    assert side_title("both", ("left", "right", "centre")) == "Both"


def test_map_runs_front_to_back_whatever_the_order_of_the_takes(
    make_result: Make, make_take: Make
) -> None:
    takes = [make_take("left", spot) for spot in ("back", "front", "middle")]
    (side,) = evenness_view(make_result(takes=takes), "before").sides
    assert [row.label for row in side.rows] == ["front", "middle", "back"]


def test_named_spots_keep_their_order_without_distances(make_result: Make, make_take: Make) -> None:
    takes = [make_take("left", spot, distance_m=None) for spot in ("middle", "back", "front")]
    (side,) = evenness_view(make_result(takes=takes), "before").sides
    assert [row.label for row in side.rows] == ["front", "middle", "back"]


def test_map_levels_are_differences_in_decibels(make_result: Make, make_take: Make) -> None:
    flat = [
        {"hz": 1000.0, "level_db": level, "uncertainty_db": 0.1, "usable": True}
        for level in (-10.0,)
    ]

    def at(spot: str, level_db: float) -> dict[str, Any]:
        return make_take("left", spot, bands=[flat[0] | {"level_db": level_db}])

    takes = [at("front", -8.0), at("middle", -11.5), at("back", -15.0)]
    (side,) = evenness_view(make_result(takes=takes), "before").sides
    assert [row.level_db for row in side.rows] == [(3.5,), (0.0,), (-3.5,)]
    assert side.front_minus_back_db == (7.0,)
    (two,) = evenness_view(make_result(takes=[takes[0], takes[2]]), "before").sides
    assert [row.level_db for row in two.rows] == [(3.5,), (-3.5,)]


def test_hole_of_one_spot_marks_that_spot_alone(make_result: Make, make_take: Make) -> None:
    hz = (125.0, 250.0, 500.0)

    def at(spot: str, *levels_db: float | None) -> dict[str, Any]:
        bands = [
            {"hz": f, "level_db": db, "uncertainty_db": 0.1, "usable": db is not None}
            for f, db in zip(hz, levels_db, strict=True)
        ]
        return make_take("left", spot, bands=bands)

    takes = [at("front", -10, -10, -9), at("middle", -10, -22, None), at("back", -10, -10, None)]
    view = evenness_view(make_result(takes=takes), "before")
    (side,) = view.sides
    marked = [
        (row.label, f)
        for row in side.rows
        for f, db in zip(view.band_hz, row.level_db, strict=True)
        if db is not None and abs(db) > view.limit_db
    ]
    assert marked == [("middle", 250.0)]
    at_250, at_500 = (view.band_hz.index(f) for f in (250.0, 500.0))
    assert [row.level_db[at_250] for row in side.rows] == [0.0, -12.0, 0.0]
    # One spot alone has nothing to be held against.
    assert [row.level_db[at_500] for row in side.rows] == [None, None, None]


def test_second_take_at_a_spot_moves_its_shape_but_not_its_level(
    make_result: Make, make_take: Make
) -> None:
    def at(spot: str, *levels_db: float) -> dict[str, Any]:
        bands = [
            {"hz": hz, "level_db": level_db, "uncertainty_db": 0.1, "usable": True}
            for hz, level_db in zip((500.0, 1000.0), levels_db, strict=True)
        ]
        return make_take("left", spot, bands=bands)

    # The second front take was made 5 dB louder, and tilts the other way about its mean.
    takes = [at("front", -9.0, -11.0), at("front", -6.0, -4.0), at("back", -15.0, -15.0)]
    (side,) = evenness_view(make_result(takes=takes), "before").sides
    known = [level for level in side.front_minus_back_db if level is not None]
    assert known == [5.0, 5.0]


def test_subs_are_not_held_against_the_limit(make_result: Make, make_take: Make) -> None:
    takes = [make_take(side, spot) for side in ("left", "sub") for spot in ("front", "back")]
    view = evenness_view(make_result(takes=takes), "before")
    assert [side.name for side in view.sides] == ["Left"]


def test_more_spots_than_a_page_holds_keep_front_and_back(
    make_result: Make, make_take: Make
) -> None:
    takes = [
        make_take("left", "front") | {"spot": f"row {at}", "distance_m": 2.0 + at}
        for at in range(21)
    ]
    (side,) = evenness_view(make_result(takes=takes), "before").sides
    assert len(side.rows) <= 8
    assert [side.rows[0].label, side.rows[-1].label] == ["row 0", "row 20"]


def test_bands_that_no_spot_can_use_are_left_out_only_at_the_ends(make_result: Make) -> None:
    view = evenness_view(make_result(), "before")
    assert view.band_hz[0] == 40.0  # the takes are usable from there
    assert view.band_hz[-1] == 20000.0
    assert len(view.band_hz) == 28


def test_unusable_band_of_one_spot_stays_as_a_blank(make_result: Make, make_take: Make) -> None:
    takes = [make_take("left", spot) for spot in ("front", "back")]
    takes[1]["bands"][17] |= {"usable": False, "level_db": None}
    (side,) = evenness_view(make_result(takes=takes), "before").sides
    at = 17 - 3  # the map begins at the fourth band, 40 Hz
    assert side.front_minus_back_db[at] is None
    assert sum(level is None for level in side.front_minus_back_db) == 1


def test_no_map_of_one_spot_or_of_takes_that_cannot_be_used(
    make_result: Make, make_take: Make
) -> None:
    one = [make_take("left", "front")]
    unusable = [make_take("left", spot, usable=False) for spot in ("front", "back")]
    assert evenness_view(make_result(takes=one), "before") is None
    assert evenness_view(make_result(takes=unusable), "before") is None
    assert evenness_view(make_result(), "after") is None


def test_spots_of_the_chart_are_lined_up_from_200_hz_to_4_khz(
    make_result: Make, make_job: Make
) -> None:
    view = response_view(make_result(), make_job())
    common = dict(zip(view.common.freq_hz, view.common.level_db, strict=True))
    assert len(view.spots) == 6
    assert [spot.name for spot in view.spots] == ["spots", "", "", "", "", ""]
    for spot in view.spots:
        apart = [
            level - common[hz]
            for hz, level in zip(spot.freq_hz, spot.level_db, strict=True)
            if level is not None and 200 <= hz <= 4000
        ]
        assert len(apart) == 14
        assert np.mean(apart) == pytest.approx(0.0, abs=0.01)  # levels are kept to 0.01 dB


def test_chart_shows_the_spots_of_the_mains_alone(
    make_result: Make, make_job: Make, make_take: Make
) -> None:
    # A sub has no treble: lined up with the mains it once lay 50 dB above them.
    takes = [make_take("left", spot) for spot in ("front", "back")]
    view = response_view(make_result(takes=[*takes, make_take("sub", "front")]), make_job())
    assert len(view.spots) == 2


def test_chart_shows_what_the_forecast_says(make_result: Make, make_job: Make) -> None:
    result = make_result()
    view = response_view(result, make_job())
    bands = result.forecast.bands
    assert list(view.common.level_db) == [band.before_db for band in bands]
    # The card takes 1.5 dB of level: with it the area lies that much lower.
    assert list(view.forecast.level_db) == [band.after_db - 1.5 for band in bands]
    assert list(view.uncertainty_db) == [0.8] * len(bands)
    assert view.low_limit_hz == 55.0


def test_target_lies_at_the_level_that_the_card_aims_for(make_result: Make, make_job: Make) -> None:
    fields = make_result().forecast.model_dump()
    fields["bands"][-1]["weight"] = 0.5  # the top is beside what is judged
    result = make_result(forecast=fields)
    view = response_view(result, make_job())
    bands = result.forecast.bands
    above = np.array(view.target.level_db) - [band.target_db for band in bands]
    assert np.ptp(above) == pytest.approx(0.0, abs=1e-9)
    assert abs(above[0]) > 0.1  # and not where its points have it
    left = np.array(view.forecast.level_db) - view.target.level_db
    assert np.mean(left[:-1]) == pytest.approx(0.0, abs=1e-9)


def test_curve_is_broken_where_no_take_tells(make_result: Make, make_job: Make) -> None:
    fields = make_result().forecast.model_dump()
    fields["bands"][5]["known"] = False
    view = response_view(make_result(forecast=fields), make_job())
    assert [at for at, level in enumerate(view.common.level_db) if level is None] == [5]
    assert None not in view.target.level_db
    assert None not in view.forecast.level_db
    assert len(view.uncertainty_db) == len(view.common.level_db)


def test_mean_of_the_spots_goes_on_beyond_the_range_and_joins_it(
    make_result: Make, make_job: Make
) -> None:
    fields = make_result().forecast.model_dump()
    fields["bands"] = [band for band in fields["bands"] if 100 <= band["hz"] <= 16000]
    view = response_view(make_result(forecast=fields), make_job())
    beyond = dict(zip(view.beyond.freq_hz, view.beyond.level_db, strict=True))
    # The takes are usable from 40 Hz on.
    drawn = [hz for hz, level in beyond.items() if level is not None]
    assert drawn == [40.0, 50.0, 63.0, 80.0, 100.0, 16000.0, 20000.0]
    at_80 = [spot.level_db[list(spot.freq_hz).index(80.0)] for spot in view.spots]
    assert beyond[80.0] == pytest.approx(np.mean(at_80), abs=0.011)
    common = dict(zip(view.common.freq_hz, view.common.level_db, strict=True))
    assert beyond[100.0] == pytest.approx(common[100.0], abs=0.011)


def test_card_is_numbered_by_what_the_faders_bring(make_result: Make, make_job: Make) -> None:
    view = card_views(make_result(), make_job())["both"]
    assert view.marks == {250: 1, 200: 2, 3150: 3, 80: 4, 1600: 5}
    flat = [{"hz": 100.0, "fader_db": 0.0, "order": None}]
    view = card_views(make_result(card={"both": flat}), make_job())["both"]
    assert view.marks == {}


def test_no_chart_without_a_forecast(make_result: Make, make_job: Make) -> None:
    assert response_view(make_result(forecast=None), make_job()) is None
