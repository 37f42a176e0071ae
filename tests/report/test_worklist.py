from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenhall.report import worklist
from evenhall.report.point import MAX_CHARACTERS, Point

Make = Callable[..., Any]


def heads(points: tuple[Point, ...]) -> list[str]:
    return [point.head for point in points]


def test_what_a_move_says_of_safety_is_not_cut_off(make_result: Make) -> None:
    text = "Raise both. " + "Two lift, on a rated stand. " * 17 + "A licensed rigger decides."
    assert len(text) > MAX_CHARACTERS
    moves = [{"order": 1, "kind": "raise", "text": text}]
    (point,) = worklist.worklist(make_result(moves=moves))
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
    points = worklist.worklist(make_result(moves=moves))
    assert heads(points) == ["raise", "equalize"]
    assert points[0].body == "Raise both. Front minus back: 8.1 dB now, 5.4 dB expected."


def test_without_a_usable_take_the_worklist_is_to_record_again(
    make_result: Make, make_take: Make
) -> None:
    clipped = {"code": "clipped", "text": "Lower the preamp."}
    takes = [make_take("left", "front", usable=False, problems=[clipped])]
    points = worklist.worklist(make_result(takes=takes, moves=[]))
    assert heads(points) == ["record again"]
    assert points[0].body == "takes/left-front.wav: lower the preamp."


def test_patterns_are_told_apart_by_what_is_done_about_them(make_result: Make) -> None:
    result = make_result()
    (left,) = worklist.left_alone(result)
    assert (left.head, left.body) == ("90 Hz, dip", result.patterns[1].why)
    (mended,) = worklist.mended(result)
    assert (mended.head, mended.body) == ("250 Hz, build-up", result.patterns[0].why)


def test_long_worklist_is_whole(make_result: Make) -> None:
    moves = [{"order": at, "kind": "check", "text": "Look."} for at in range(40)]
    # A move may end with what can hurt someone: none is left out.
    assert heads(worklist.worklist(make_result(moves=moves))) == ["check"] * 40


def test_sections_of_a_digital_mixer_are_said_one_by_one(make_result: Make) -> None:
    low = {"kind": "low-shelf", "hz": 150.0, "gain_db": -4.5, "q": 0.71}
    peak = {"kind": "peaking", "hz": 2500.0, "gain_db": 2.0, "q": 1.4}
    both = {"sections": {"both": [low, peak]}, "rms_db": [2.0, 1.1], "faders_rms_db": 1.0}
    points = worklist.sections(make_result(console=both | {"text": "2 sections do."}))
    assert [point.body for point in points] == [
        "low shelf 150 Hz, \u22124.5 dB",
        "peaking 2500 Hz, +2 dB, Q 1.4",
        "2 sections do.",
    ]
    sides = both | {"sections": {"left": [low], "right": [peak]}, "text": "So."}
    assert heads(worklist.sections(make_result(console=sides))) == ["Left", "Right", ""]
    assert worklist.sections(make_result()) == ()


def test_channel_strip_is_said_or_left_flat(make_result: Make) -> None:
    low = {"kind": "low-shelf", "hz": 80.0, "gain_db": -3.0, "q": 0.71}
    points = worklist.strip(make_result(strip={"both": [low]}))
    assert [point.body for point in points] == ["low shelf 80 Hz, \u22123 dB"]
    (flat,) = worklist.strip(make_result(strip={"both": []}))
    assert "Leave it flat" in flat.body
    assert worklist.strip(make_result()) == ()


def test_no_card_says_why(make_result: Make) -> None:
    assert worklist.no_card(make_result()) == ""
    withheld = make_result(card={}, card_withheld="Mend the horn.")
    assert worklist.no_card(withheld) == "Mend the horn."
    assert "Leave the EQ as it is" in worklist.no_card(make_result(card={}))


def test_remedy_says_whether_the_card_or_a_hand_mends_it(make_result: Make) -> None:
    card, left = make_result().patterns
    assert worklist.remedy_text(card) == "The card takes it out."
    assert worklist.remedy_text(card.model_copy(update={"depth_db": -3.0})).endswith("fills it in.")
    assert worklist.remedy_text(left) == "Leave it alone."
