from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenhall.report.point import Point
from evenhall.report.verdicts import at_a_seat, proof_point, summary, verdicts

Make = Callable[..., Any]


def heads(points: tuple[Point, ...]) -> list[str]:
    return [point.head for point in points]


def test_evenness_counts_its_bands_and_names_the_worst(make_result: Make) -> None:
    point = verdicts(make_result())[0]
    assert point.head == "Evenness fails"
    assert point.holds is False
    assert point.body == (
        "Front and back are within 6 dB in 14 of 27 bands; worst at 50 Hz, "
        "where the front is 8.0 dB louder."
    )


def test_evenness_that_holds_names_no_worst_band(make_result: Make) -> None:
    band = {"hz": 1000, "front_minus_back_db": -3.0, "holds": True}
    evenness = {"limit_db": 6.0, "holds": True, "bands": [band], "sides": {}}
    point = verdicts(make_result(evenness=evenness))[0]
    assert (point.head, point.holds) == ("Evenness holds", True)
    assert point.body == "Front and back are within 6 dB in 1 of 1 bands."


def test_bands_that_are_not_judged_are_not_counted(make_result: Make) -> None:
    bands = [
        {"hz": 1000, "front_minus_back_db": -3.0, "holds": True},
        {"hz": 16000, "front_minus_back_db": 9.0, "holds": False, "judged": False},
    ]
    evenness = {"limit_db": 6.0, "holds": True, "bands": bands, "sides": {}}
    point = verdicts(make_result(evenness=evenness))[0]
    assert point.body == "Front and back are within 6 dB in 1 of 1 bands."


def test_one_spot_and_no_usable_take_are_said_in_words(make_result: Make, make_take: Make) -> None:
    assert verdicts(make_result(evenness=None))[0].head == "Evenness not known"
    dead = [make_take("left", "front", usable=False)]
    assert verdicts(make_result(takes=dead, evenness=None))[0].head == "No verdict"


def test_match_says_which_side_is_louder(make_result: Make) -> None:
    match = {"holds": False, "level_db": -1.25, "bands": []}
    point = verdicts(make_result(match=match))[1]
    assert (point.head, point.body) == (
        "Match fails",
        "Right is 1.2 dB louder, 200 Hz to 4 kHz.",
    )


def test_headline_is_what_a_seat_hears_now_and_with_the_card(make_result: Make) -> None:
    (point,) = [one for one in verdicts(make_result()) if one.head == "At a seat"]
    assert point.body == (
        "Seats are 3.6 dB from the target on average now; with the card 1.4 dB, give or take 0.4."
    )
    assert point.body == at_a_seat(make_result())


def test_headline_says_what_the_first_faders_bring_where_there_are_many(make_result: Make) -> None:
    def steps(count: int) -> list[dict[str, Any]]:
        return [{"faders": at, "seat_after_db": 3.6 - 0.3 * at} for at in range(1, count + 1)]

    assert "first" not in at_a_seat(make_result(card_steps=steps(9)))
    said = at_a_seat(make_result(card_steps=steps(10)))
    assert said.endswith(" The first five faders bring 1.5 dB of it.")


def test_headline_of_a_flat_card_says_leave_it_flat(make_result: Make) -> None:
    flat = make_result(card_steps=[])
    assert at_a_seat(flat) == (
        "Seats are 3.6 dB from the target on average now. No card would better that by enough to "
        "hear: leave the EQ flat."
    )
    knob = {"kind": "low-shelf", "hz": 80.0, "gain_db": -3.0, "q": 0.71}
    strip_alone = make_result(card_steps=[], strip={"both": [knob]})
    assert "with the card 1.4 dB" in at_a_seat(strip_alone)


def test_no_headline_where_nothing_is_known_of_a_seat(make_result: Make) -> None:
    bare = {"bands": [], "rms_before_db": 3.4, "rms_after_db": 1.2}
    for forecast in (None, bare):
        result = make_result(forecast=forecast)
        assert at_a_seat(result) == ""
        assert "At a seat" not in heads(verdicts(result))


def test_finer_unit_more_faders_and_proof_are_told(make_result: Make) -> None:
    forecast = make_result().forecast.model_dump() | {
        "finer_unit": {"bands": 31, "rms_after_db": 0.8},
        "all_faders": {"moved": 19, "rms_after_db": 0.9},
    }
    proof = {"rms_db": 1.3, "forecast_error_db": 0.6, "holds": True, "takes": 6, "bands": []}
    *_, card, proven = verdicts(make_result(forecast=forecast, proof=proof))
    assert "With a unit of 31 faders it would be 0.8 dB instead of 1.2 dB." in card.body
    assert (
        "With 19 faders moved, the area as a whole would be 0.9 dB from the target instead of 1.2"
        in (card.body)
    )
    assert (proven.head, proven.holds) == ("Proof holds", True)
    assert proven.body == (
        "Six takes after the work: the area as a whole is 1.3 dB from the target instead of "
        "3.4 dB, and 0.6 dB from what the card promised."
    )
    alone = verdicts(make_result(proof=proof | {"takes": 1}))[-1]
    assert alone.body.startswith("One take after the work:")


def test_level_that_a_card_takes_is_told(make_result: Make) -> None:
    level = {"side": "both", "level_db": -3.0, "make_up_db": 3.0, "most_db": 0.0, "most_hz": 63.0}
    points = verdicts(make_result(headroom=[level | {"bands": [], "text": "Turn it up."}]))
    assert Point("Level", "Turn it up.") in points


def test_proof_says_how_even_it_is_and_which_faders_stand_wrong(make_result: Make) -> None:
    wrong = {"side": "left", "hz": 80.0, "asked_db": -3.0, "stands_db": 3.0, "text": "80 is up."}
    proof = {
        "rms_db": 1.3,
        "forecast_error_db": 2.6,
        "holds": False,
        "takes": 6,
        "bands": [],
        "even_bands": (20, 23),
        "unlike_scale": "The scale lies.",
        "faders_wrong": [wrong],
    }
    point = proof_point(make_result(proof=proof))
    assert point is not None
    assert point.head == "Proof fails"
    assert point.body.endswith(
        " Front and back are then within 6 dB in 20 of 23 bands. The scale lies. 80 is up."
    )
    assert proof_point(make_result()) is None


def test_summary_is_the_headline_and_how_much_is_to_do(make_result: Make) -> None:
    assert summary(make_result(), to_do=2) == (
        f"{at_a_seat(make_result())} Front and back are within 6 dB in 14 of 27 bands; the sides "
        "match; 2 things to do."
    )
    assert summary(make_result(), to_do=1).endswith("; 1 thing to do.")
    assert summary(make_result(), to_do=0).endswith("; nothing to do.")
