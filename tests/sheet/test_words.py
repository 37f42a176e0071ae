from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenhall.sheet import words

Make = Callable[..., Any]


def heads(points: tuple[words.Point, ...]) -> list[str]:
    return [point.head for point in points]


def test_evenness_counts_its_bands_and_names_the_worst(make_result: Make) -> None:
    point = words.verdicts(make_result())[0]
    assert point.head == "Evenness fails"
    assert point.holds is False
    assert point.body == (
        "Front and back lie within 6 dB in 14 of 27 bands; worst at 50 Hz, "
        "where the front is 8.0 dB louder."
    )


def test_evenness_that_holds_names_no_worst_band(make_result: Make) -> None:
    band = {"hz": 1000, "front_minus_back_db": -3.0, "holds": True}
    evenness = {"limit_db": 6.0, "holds": True, "bands": [band], "sides": {}}
    point = words.verdicts(make_result(evenness=evenness))[0]
    assert (point.head, point.holds) == ("Evenness holds", True)
    assert point.body == "Front and back lie within 6 dB in 1 of 1 bands."


def test_bands_that_are_not_judged_are_not_counted(make_result: Make) -> None:
    bands = [
        {"hz": 1000, "front_minus_back_db": -3.0, "holds": True},
        {"hz": 16000, "front_minus_back_db": 9.0, "holds": False, "judged": False},
    ]
    evenness = {"limit_db": 6.0, "holds": True, "bands": bands, "sides": {}}
    point = words.verdicts(make_result(evenness=evenness))[0]
    assert point.body == "Front and back lie within 6 dB in 1 of 1 bands."


def test_one_spot_and_no_usable_take_are_said_in_words(make_result: Make, make_take: Make) -> None:
    assert words.verdicts(make_result(evenness=None))[0].head == "Evenness not known"
    dead = [make_take("left", "front", usable=False)]
    assert words.verdicts(make_result(takes=dead, evenness=None))[0].head == "No verdict"


def test_match_says_which_side_is_louder(make_result: Make) -> None:
    match = {"holds": False, "level_db": -1.25, "bands": []}
    point = words.verdicts(make_result(match=match))[1]
    assert (point.head, point.body) == (
        "Match fails",
        "The right is 1.2 dB louder, 200 Hz to 4 kHz.",
    )


def test_headline_is_what_a_seat_hears_now_and_with_the_card(make_result: Make) -> None:
    (point,) = [one for one in words.verdicts(make_result()) if one.head == "At a seat"]
    assert point.body == (
        "Seats are 3.6 dB from the target on average now; with the card 1.4 dB, give or take 0.4."
    )
    assert point.body == words.at_a_seat(make_result())


def test_headline_says_what_the_first_faders_bring_where_there_are_many(make_result: Make) -> None:
    def steps(count: int) -> list[dict[str, Any]]:
        return [{"faders": at, "seat_after_db": 3.6 - 0.3 * at} for at in range(1, count + 1)]

    assert "first" not in words.at_a_seat(make_result(card_steps=steps(9)))
    said = words.at_a_seat(make_result(card_steps=steps(10)))
    assert said.endswith(" The first five faders bring 1.5 dB.")


def test_headline_of_a_flat_card_says_leave_it_flat(make_result: Make) -> None:
    flat = make_result(card_steps=[])
    assert words.at_a_seat(flat) == (
        "Seats are 3.6 dB from the target on average now. No card would better that by enough to "
        "hear: leave the equalizer flat."
    )
    knob = {"kind": "low-shelf", "hz": 80.0, "gain_db": -3.0, "q": 0.71}
    strip_alone = make_result(card_steps=[], strip={"both": [knob]})
    assert "with the card 1.4 dB" in words.at_a_seat(strip_alone)


def test_no_headline_where_nothing_is_known_of_a_seat(make_result: Make) -> None:
    bare = {"bands": [], "rms_before_db": 3.4, "rms_after_db": 1.2}
    for forecast in (None, bare):
        result = make_result(forecast=forecast)
        assert words.at_a_seat(result) == ""
        assert "At a seat" not in heads(words.verdicts(result))


def test_finer_unit_more_faders_and_proof_are_told(make_result: Make) -> None:
    forecast = make_result().forecast.model_dump() | {
        "finer_unit": {"bands": 31, "rms_after_db": 0.8},
        "all_faders": {"moved": 19, "rms_after_db": 0.9},
    }
    proof = {"rms_db": 1.3, "forecast_error_db": 0.6, "holds": True, "takes": 6, "bands": []}
    *_, card, proven = words.verdicts(make_result(forecast=forecast, proof=proof))
    assert "A unit of 31 faders would bring it to 0.8 dB instead of 1.2 dB." in card.body
    assert "With 19 faders moved the area as a whole would come to 0.9 dB instead of 1.2" in (
        card.body
    )
    assert (proven.head, proven.holds) == ("Proof holds", True)
    assert proven.body == (
        "Six takes after the work: the area as a whole is 1.3 dB from the target, 0.6 dB from what "
        "the card promised."
    )
    alone = words.verdicts(make_result(proof=proof | {"takes": 1}))[-1]
    assert alone.body.startswith("One take after the work:")


def test_what_a_move_says_of_safety_is_not_cut_off(make_result: Make) -> None:
    text = "Raise both. " + "Two lift, on a rated stand. " * 17 + "A licensed rigger decides."
    assert words.MAX_CHARACTERS < len(text) < words.MAX_MOVE_CHARACTERS
    moves = [{"order": 1, "kind": "raise", "text": text}]
    (point,) = words.worklist(make_result(moves=moves))
    assert point.body == text


def test_worklist_follows_the_order_and_tells_the_gain(make_result: Make) -> None:
    moves = [
        {"order": 2, "kind": "equalize", "text": "Set the card."},
        {
            "order": 1,
            "kind": "raise",
            "text": "Raise both.",
            "expected": {"front_minus_back_db": 5.4, "was_db": 8.1},
        },
    ]
    points = words.worklist(make_result(moves=moves))
    assert heads(points) == ["raise", "equalize"]
    assert points[0].body == "Raise both. Front less back: 8.1 dB now, 5.4 dB expected."


def test_without_a_usable_take_the_worklist_is_to_record_again(
    make_result: Make, make_take: Make
) -> None:
    clipped = {"code": "clipped", "text": "Lower the preamp."}
    takes = [make_take("left", "front", usable=False, problems=[clipped])]
    points = words.worklist(make_result(takes=takes, moves=[]))
    assert heads(points) == ["record again"]
    assert points[0].body == "takes/left-front.wav: Lower the preamp."


def test_patterns_are_told_apart_by_what_is_done_about_them(make_result: Make) -> None:
    result = make_result()
    (left,) = words.left_alone(result)
    assert (left.head, left.body) == ("90 Hz, dip", result.patterns[1].why)
    (mended,) = words.mended(result)
    assert (mended.head, mended.body) == ("250 Hz, build-up", result.patterns[0].why)


def test_long_lists_say_how_much_they_leave_out(make_result: Make) -> None:
    moves = [{"order": at, "kind": "check", "text": "Look."} for at in range(40)]
    points = words.worklist(make_result(moves=moves))
    assert len(points) == words.MAX_MOVES
    assert points[-1].body == "And 29 more: see result.json."
    full = words.worklist(make_result(moves=moves[: words.MAX_MOVES]))
    assert heads(full) == ["check"] * words.MAX_MOVES


def test_no_sentence_is_longer_than_a_page_bears(make_result: Make, make_job: Make) -> None:
    result = make_result(target={"shape": "x" * 900, "points": []})
    for point in words.rig_and_settings(result, make_job()):
        assert len(point.body) <= words.MAX_CHARACTERS


def test_rig_leaves_out_what_is_not_known(make_result: Make, make_job: Make) -> None:
    bare = make_job(venue={"name": "x"}, audience={}, rig={"sides": ("mono",)})
    said = {point.head: point.body for point in words.rig_and_settings(make_result(), bare)}
    assert said["Room"] == "size not given; 20 °C, 50 % humidity"
    assert said["Audience"] == "ears at 1.2 m"
    assert said["Loudspeakers"] == "mono; covering 90° × 60°"
    assert said["Equalizer"].startswith("31 faders, proportional-q, ±12 dB, steps of 0.5 dB")


def test_cautions_cover_what_can_hurt_and_defer_to_the_law() -> None:
    said = dict(words.CAUTIONS)
    assert list(said) == ["Ears", "Lifting and rigging", "Mains", "Drivers"]
    # NIOSH recommended exposure limit: 85 dB(A) for 8 h, 3 dB exchange. WHO global standard for
    # safe listening venues and events (2022): 100 dB L_Aeq over 15 minutes.
    assert "85 dB(A) for 8 hours" in said["Ears"]
    assert "each 3 dB more halves the time" in said["Ears"]
    assert "100 dB(A) over 15 minutes" in said["Ears"]
    for head in ("Lifting and rigging", "Mains"):
        assert "local codes" in said[head]
        assert "licensed" in said[head]


def test_sections_of_a_digital_mixer_are_said_one_by_one(make_result: Make) -> None:
    low = {"kind": "low-shelf", "hz": 150.0, "gain_db": -4.5, "q": 0.71}
    peak = {"kind": "peaking", "hz": 2500.0, "gain_db": 2.0, "q": 1.4}
    both = {"sections": {"both": [low, peak]}, "rms_db": [2.0, 1.1], "faders_rms_db": 1.0}
    points = words.sections(make_result(console=both | {"text": "2 sections do."}))
    assert [point.body for point in points] == [
        "low shelf 150 Hz, \u22124.5 dB",
        "peaking 2500 Hz, +2 dB, Q 1.4",
        "2 sections do.",
    ]
    sides = both | {"sections": {"left": [low], "right": [peak]}, "text": "So."}
    assert heads(words.sections(make_result(console=sides))) == ["Left", "Right", ""]
    assert words.sections(make_result()) == ()


def test_level_that_a_card_takes_is_told(make_result: Make) -> None:
    level = {"side": "both", "level_db": -3.0, "make_up_db": 3.0, "most_db": 0.0, "most_hz": 63.0}
    points = words.verdicts(make_result(headroom=[level | {"bands": [], "text": "Turn it up."}]))
    assert words.Point("Level", "Turn it up.") in points


def test_channel_strip_is_said_or_left_flat(make_result: Make) -> None:
    low = {"kind": "low-shelf", "hz": 80.0, "gain_db": -3.0, "q": 0.71}
    points = words.strip(make_result(strip={"both": [low]}))
    assert [point.body for point in points] == ["low shelf 80 Hz, \u22123 dB"]
    (flat,) = words.strip(make_result(strip={"both": []}))
    assert "Leave it flat" in flat.body
    assert words.strip(make_result()) == ()
