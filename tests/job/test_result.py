"""result.json holds the names of the contract, rounded numbers, and never NaN."""

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from evenhall.job.tune.result import (
    BandLevel,
    Fader,
    Forecast,
    ForecastBand,
    Move,
    Result,
    TakeProblem,
    TakeResult,
    TargetCurve,
    to_json,
)

TARGET = TargetCurve(shape="tilt", points=((63.0, 4.0), (16000.0, -4.0)))


def take(**fields) -> TakeResult:
    names = {"file": "a.wav", "side": "left", "spot": "front", "state": "before", "usable": True}
    return TakeResult(**(names | fields))


def written(result: Result) -> dict:
    def refuse(name: str):
        raise AssertionError(f"{name} is no JSON")

    return json.loads(to_json(result), parse_constant=refuse)


def test_names_are_those_of_the_contract():
    move = Move(
        order=1,
        kind="raise",
        text="Raise.",
        from_={"speaker_height_m": 1.8},
        to={"speaker_height_m": 2.6},
        expected={"front_minus_back_db": 5.4, "was_db": 8.1},
    )
    result = Result(job="Tannery Row Hall", takes=(take(),), target=TARGET, moves=(move,))
    data = written(result)
    # Order and names as the contract of the job folder lists them.
    assert list(data) == [
        *("schema", "job", "takes", "evenness", "match", "patterns", "card"),
        *("card_withheld", "card_steps", "target"),
        *(
            "forecast",
            "moves",
            "rows",
            "speech",
            "ringing",
            "console",
            "strip",
            "headroom",
            "proof",
            "by_cable",
        ),
    ]
    assert data["schema"] == 1
    assert data["moves"][0]["from"] == {"speaker_height_m": 1.8}
    assert data["moves"][0]["expected"] == {"front_minus_back_db": 5.4, "was_db": 8.1}
    assert {"delay_s", "distance_m", "clock_ppm", "polarity", "level_db", "bands"} <= set(
        data["takes"][0]
    )
    assert data["proof"] is None


def test_delay_keeps_a_tenth_of_a_microsecond_and_level_a_hundredth_of_a_decibel():
    rounded = take(delay_s=0.00729123456, level_db=-12.34567, clock_ppm=119.98765)
    assert (rounded.delay_s, rounded.level_db, rounded.clock_ppm) == (0.0072912, -12.35, 119.99)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, np.float32("nan"), None])
def test_what_is_no_number_is_written_null(value):
    band = BandLevel(hz=1000.0, level_db=value, uncertainty_db=value, usable=False)
    data = written(Result(job="x", takes=(take(bands=(band,), delay_s=value),), target=TARGET))
    assert data["takes"][0]["delay_s"] is None
    assert data["takes"][0]["bands"] == [
        {"hz": 1000.0, "level_db": None, "uncertainty_db": None, "usable": False}
    ]


def test_number_that_must_be_there_cannot_be_nan():
    with pytest.raises(ValidationError):
        Fader(hz=1000.0, fader_db=math.nan)


def test_negative_zero_is_written_as_zero():
    assert math.copysign(1.0, Fader(hz=1000.0, fader_db=-0.001).fader_db) == 1.0


def test_numbers_of_numpy_are_taken():
    fader = Fader(hz=np.float64(31.5), fader_db=np.float32(-2.5))
    assert fader == Fader(hz=31.5, fader_db=-2.5)


def test_numbers_in_a_move_are_rounded_by_their_names():
    move = Move(order=1, kind="delay", text="t", to={"delay_s": 0.00123456789, "gain_db": np.pi})
    assert move.to == {"delay_s": 0.0012346, "gain_db": 3.14}


def test_unknown_kind_of_move_or_problem_is_refused():
    with pytest.raises(ValidationError, match="'raise', 'aim'"):
        Move(order=1, kind="lift", text="t")
    with pytest.raises(ValidationError, match="'clipped', 'silent'"):
        TakeProblem(code="loud", text="t")


@given(
    level_db=st.none() | st.floats(),
    delay_s=st.none() | st.floats(-40, 40),
    weight=st.floats(0, 1),
    before_db=st.floats(-60, 60),
)
def test_result_read_again_is_the_same(level_db, delay_s, weight, before_db):
    band = ForecastBand(hz=31.5, before_db=before_db, after_db=0.0, target_db=-0.0, weight=weight)
    result = Result(
        job="Ünder — 左",
        takes=(take(level_db=level_db, delay_s=delay_s),),
        target=TARGET,
        card={"both": (Fader(hz=31.5, fader_db=-2.5),)},
        forecast=Forecast(bands=(band,), rms_before_db=3.0, rms_after_db=1.0),
    )
    assert Result.model_validate_json(to_json(result)) == result
    assert written(result)["job"] == "Ünder — 左"


def test_fields_that_a_later_version_adds_are_passed_over():
    data = json.loads(to_json(Result(job="x", takes=(), target=TARGET)))
    assert Result.model_validate(data | {"weather": "fair"}).job == "x"


def test_any_usable_tells_whether_the_takes_served():
    assert not Result(job="x", takes=(take(usable=False),), target=TARGET).any_usable
    assert Result(job="x", takes=(take(usable=False), take()), target=TARGET).any_usable
