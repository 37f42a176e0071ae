from __future__ import annotations

import datetime
import io
import re
from collections.abc import Callable, Iterator
from typing import Any

import pypdf
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.cautions import CAUTIONS, LIFTING
from evenhall.report.worklist import DONE, NOT_TONIGHT
from evenhall.sheet import render
from evenhall.sheet.page import _needs_system_fonts

Make = Callable[..., Any]
DATE = datetime.date(2026, 3, 14)
HOSTILE = '#panic("x") *_[]$<>`@ref // /* \\u{41} "quoted" ' * 8
BOTTOM_MARGIN_PT = 12 / 25.4 * 72
SMALLEST_PT = 7.0
FOOTER = r"Evenhall|\d of \d|14 March 2026"
SPOTS = [(side, spot) for side in ("left", "right") for spot in ("front", "middle", "back")]
TEN_HZ = NOMINAL_HZ[2::3]
PROOF = {
    "rms_db": 1.3,
    "forecast_error_db": 0.6,
    "holds": True,
    "takes": 6,
    "even_bands": (26, 31),
    "bands": [],
}
HEADROOM = {
    "level_db": -1.8,
    "make_up_db": 1.8,
    "most_db": 4.2,
    "most_hz": 63.0,
    "bands": [],
    "text": "The card takes 1.8 dB: turn the level behind it up by that to be as loud as before. "
    "Around 63 Hz the amplifiers then get 4.2 dB more: watch their limit lights.",
}
MAX_BYTES = 300_000  # a sheet goes by mail and from telephones too


def pages(pdf: bytes) -> list[str]:
    """Words of each page, on one line each."""
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    return [" ".join(page.extract_text().split()) for page in reader.pages]


def pieces(pdf: bytes) -> Iterator[tuple[str, float, float, float]]:
    """Each piece of text with its size, and how far right and high it stands, in points."""
    found: list[tuple[str, float, float, float]] = []

    def keep(words: str, cm: list[float], tm: list[float], _: object, size: float) -> None:
        if words.strip():
            x = tm[4] * cm[0] + tm[5] * cm[2] + cm[4]
            y = tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
            found.append((words, size * abs(tm[3] * cm[3]), x, y))

    for page in pypdf.PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=keep)
    yield from found


def check_whole(pdf: bytes) -> str:
    """Nothing is too small, off the page or cut off that can hurt someone; gives all words."""
    for words, size_pt, x, y in pieces(pdf):
        assert size_pt >= SMALLEST_PT, words
        assert 0 < x < 841.9, words
        assert y > BOTTOM_MARGIN_PT or re.search(FOOTER, words), words
    said = " ".join(pages(pdf))
    for head, body in CAUTIONS:
        assert head in said
        assert " ".join(body.split()[-6:]) in said
    return said


def full(take: dict[str, Any], spot: int) -> dict[str, Any]:
    """Make all bands of a take usable, a first one far from its neighbours."""
    bands = [
        band | {"level_db": -12.0 - 9.0 * (at % 5) * spot, "uncertainty_db": 0.4, "usable": True}
        for at, band in enumerate(take["bands"])
    ]
    return take | {"bands": bands}


def quiet(take: dict[str, Any]) -> dict[str, Any]:
    """Make all bands of a take alike."""
    return full(take, 0)


def test_sheet_is_two_pages_across_with_the_card_first(make_result: Make, make_job: Make) -> None:
    pdf = render(make_result(), make_job(), date=DATE)
    first, second = pages(pdf)
    assert "Juniper Barn" in first
    assert "14 March 2026" in first
    for value in ("−3", "−4.5", "−10.5", "+2", "−2.5"):
        assert value in first
    assert "Raise both loudspeakers to 2.6 m and tip them down 7 degrees." in first
    assert "5 of 31 faders move" in first
    assert "Evenness fails" in second
    assert "Evenness before the work" in second
    assert "90 Hz is 11.2 dB down at middle only." in second
    assert "Mended by the card 250 Hz, build-up" in second
    assert "Seats are 3.6 dB from the target on average now; with the card 1.4 dB" in second
    assert "Lifting and rigging" in second
    for page in pypdf.PdfReader(io.BytesIO(pdf)).pages:
        # A4 across: 297 x 210 mm (ISO 216), in points.
        assert (page.mediabox.width, page.mediabox.height) == pytest.approx((841.9, 595.3), abs=0.1)
    assert len(pdf) < MAX_BYTES


def test_same_result_gives_the_same_bytes(make_result: Make, make_job: Make) -> None:
    first = render(make_result(), make_job(), date=DATE)
    assert first == render(make_result(), make_job(), date=DATE)
    assert first != render(make_result(), make_job(), date=DATE + datetime.timedelta(days=1))


def test_file_carries_the_date_of_the_visit_and_the_name_of_the_venue(
    make_result: Make, make_job: Make
) -> None:
    pdf = render(make_result(), make_job(), date=DATE)
    about = pypdf.PdfReader(io.BytesIO(pdf)).metadata
    assert about.creation_date.date() == DATE
    assert about.title == "Tuning sheet: Juniper Barn"


def test_after_the_work_both_maps_and_the_proof_are_shown(
    make_result: Make, make_job: Make, make_take: Make
) -> None:
    before = make_result()
    takes = [
        make_take(side, spot, state)
        for state in ("before", "after")
        for side in ("left", "right")
        for spot in ("front", "middle", "back")
    ]
    proof = {"rms_db": 1.3, "forecast_error_db": 0.6, "holds": True, "bands": []}
    _, second, *_ = pages(render(make_result(takes=takes, proof=proof), make_job(), date=DATE))
    assert "Evenness after the work" in second
    assert "Proof holds" in second
    _, alone = pages(render(before, make_job(), date=DATE))
    assert "after the work" not in alone
    assert "Proof" not in alone


def test_card_a_side_shows_both(make_result: Make, make_job: Make) -> None:
    def faders(moved_db: float) -> list[dict[str, float]]:
        return [{"hz": float(hz), "fader_db": moved_db if hz == 250 else 0.0} for hz in NOMINAL_HZ]

    card = {"left": faders(-7.5), "right": faders(-5.5)}
    first, _ = pages(render(make_result(card=card), make_job(), date=DATE))
    assert "−7.5" in first
    assert "−5.5" in first
    assert first.index("Left") < first.index("−7.5") < first.index("Right") < first.index("−5.5")


def test_nothing_to_move_is_said_in_words(make_result: Make, make_job: Make) -> None:
    flat = {"both": [{"hz": 63 * 2**at, "fader_db": 0.0} for at in range(9)]}
    first, _ = pages(render(make_result(card=flat, moves=[]), make_job(), date=DATE))
    assert "Nothing to move: leave all faders at 0." in first
    assert "Nothing to do." in first


def test_without_a_usable_take_the_sheet_says_what_to_do(
    make_result: Make, make_job: Make, make_take: Make
) -> None:
    clipped = {"code": "clipped", "text": "Clipped at 3 places. Lower the preamp."}
    takes = [make_take("left", "front", usable=False, problems=[clipped])]
    result = make_result(
        takes=takes, evenness=None, match=None, patterns=[], card={}, forecast=None, moves=[]
    )
    first, second = pages(render(result, make_job(), date=DATE))
    assert "No card." in first
    assert "takes/left-front.wav: clipped at 3 places. Lower the preamp." in first
    assert "No verdict" in second


def test_hall_and_its_rows_are_on_the_sheet_where_they_are_forecast(
    make_result: Make, make_job: Make
) -> None:
    rows = [
        {"row_m": 2.0, "now_db": 3.4, "proposed_db": 1.2},
        {"row_m": 7.0, "now_db": 0.0, "proposed_db": 0.0},
        {"row_m": 12.0, "now_db": -2.3, "proposed_db": -1.9},
    ]
    _, second = pages(render(make_result(rows=rows), make_job(), date=DATE))
    for figure in ("+3.4", "+1.2", "−2.3", "−1.9", "last row"):
        assert figure in second
    assert "last row" not in pages(render(make_result(), make_job(), date=DATE))[1]


def test_one_spot_has_no_map(make_result: Make, make_job: Make, make_take: Make) -> None:
    result = make_result(takes=[make_take("left", "front")], evenness=None, match=None)
    _, second = pages(render(result, make_job(), date=DATE))
    assert "Evenness not known" in second
    assert "Evenness before" not in second


def test_names_are_set_as_they_are_never_read_as_markup(make_result: Make, make_job: Make) -> None:
    name = '#panic("x") *a* _b_ $c$ [d] <e> @f `g` // h'
    first, _ = pages(render(make_result(), make_job(venue={"name": name}), date=DATE))
    assert re.sub(r"\s", "", name) in re.sub(r"\s", "", first)


@pytest.mark.parametrize(
    "name", ["Зал «Луч»", "קהילה", "قاعة القرية", "村の集会所", "Hall 🙂", "a" * 200, "\u202eabc"]
)
def test_any_script_and_any_length_keeps_the_page(
    make_result: Make, make_job: Make, name: str
) -> None:
    pdf = render(make_result(job=name), make_job(venue={"name": name}), date=DATE)
    assert len(pages(pdf)) == 2


def test_overfull_result_goes_on_on_further_pages(
    make_result: Make, make_job: Make, make_take: Make
) -> None:
    result = make_result()
    pattern = result.patterns[1].model_dump() | {"why": HOSTILE, "spots": [HOSTILE] * 3}
    problem = {"code": "clipped", "text": HOSTILE}
    takes = [
        make_take("left", "front")
        | {"side": HOSTILE + str(side), "spot": HOSTILE + str(spot), "problems": [problem]}
        for side in range(5)
        for spot in range(10)
    ]
    overfull = make_result(
        takes=takes,
        patterns=[pattern] * 30,
        moves=[{"order": at, "kind": "check", "text": f"{HOSTILE} END{at}."} for at in range(30)],
        card={key: result.model_dump()["card"]["both"] for key in ("left", "right", HOSTILE)},
    )
    pdf = render(overfull, make_job(venue={"name": HOSTILE[:200]}), date=DATE)
    said = check_whole(pdf)
    assert said.count("5 of 31 faders move") == 3
    for at in range(30):
        assert f"END{at}." in said
    assert "And 25 more: see result.json." in said
    assert "And 45 more: see result.json." in said
    assert len(pdf) < MAX_BYTES


RAISE = (
    "Raise both loudspeakers to 3.0 m, tip them down 8 degrees and turn each 5 degrees inwards: "
    f"the line along the top of the box then points at the last row. {LIFTING}"
)
RINGING = {
    "card_gain_db": 2.0,
    "bands": [],
    "text": "Rings first at 2.5 kHz, 6 dB over the mean; the card takes 3 dB there. " * 3,
}


@pytest.mark.parametrize("bands", [31, 15, 10, 60], ids="{} faders".format)
@pytest.mark.parametrize("cards", [("both",), ("left", "right"), ("left", "right", "sub")])
@pytest.mark.parametrize("worked", [False, True], ids=["before", "after"])
def test_nothing_is_cut_off_or_small(
    make_result: Make,
    make_job: Make,
    make_take: Make,
    bands: int,
    cards: tuple[str, ...],
    worked: bool,
) -> None:
    hz_list = [25.0 * 1.11**at for at in range(60)]
    if bands < 60:
        hz_list = [float(hz) for hz in {31: NOMINAL_HZ, 15: NOMINAL_HZ[1::2]}.get(bands, TEN_HZ)]
    faders = [{"hz": hz, "fader_db": -10.5 if at % 4 else 0.0} for at, hz in enumerate(hz_list)]
    states = ("before", "after") if worked else ("before",)
    result = make_result(
        card=dict.fromkeys(cards, faders),
        # All bands of the map, a figure beyond 20 dB among them.
        takes=[
            full(make_take(side, spot, state), at)
            for state in states
            for side in ("left", "right")
            for at, spot in enumerate(("front", "middle", "back"))
        ],
        proof=PROOF if worked else None,
        headroom=[HEADROOM | {"side": side} for side in cards],
        rows=[{"row_m": at, "now_db": 3.0 - at, "proposed_db": 1.0} for at in (2.0, 7.0, 12.0)],
        moves=[{"order": at, "kind": "raise", "text": RAISE} for at in range(1, 7)],
    )
    said = check_whole(render(result, make_job(), date=DATE))
    assert said.count("decide what may hang or stand over people.") == 7  # 6 moves, one caution
    assert "watch their limit lights." in pages(render(result, make_job(), date=DATE))[0]
    assert ("Evenness after the work" in said) == worked
    assert said.count(f"of {bands} faders move") == len(cards)


@pytest.mark.parametrize(
    "long", ["worklist", "notes", "one word", "verdicts", "venue", "four sides of eight spots"]
)
def test_what_is_long_goes_on_on_further_pages(
    make_result: Make, make_job: Make, make_take: Make, long: str
) -> None:
    fields: dict[str, Any] = {}
    notes: list[tuple[str, str]] = []
    job = make_job()
    wanted = ["Evenness"]
    match long:
        case "worklist":
            fields["moves"] = [
                {"order": at, "kind": "raise", "text": f"{RAISE} Number {at} ends."}
                for at in range(1, 41)
            ]
            wanted = [f"Number {at} ends." for at in range(1, 41)]
        case "notes":
            notes = [
                (f"place {at}", "It sounds well here. " * 190 + f"End {at}.") for at in range(7)
            ]
            wanted = [f"End {at}." for at in range(7)]
        case "one word":
            notes = [("front", "x" * 3990 + " End.")]
            wanted = ["End."]
        case "verdicts":
            fields["ringing"] = [
                RINGING | {"side": f"side {at}", "spot": f"spot {at}"} for at in range(40)
            ]
            wanted = [f"Before feedback, side {at} at spot {at}" for at in range(40)]
        case "venue":
            job = make_job(venue={"name": "The Old Corn Exchange and Assembly Rooms " * 3})
            wanted = ["The Old Corn Exchange and Assembly Rooms The Old"]
        case _:
            fields["takes"] = [
                full(make_take("left", "front", state), at)
                | {"side": side, "spot": f"spot {at}", "distance_m": 2.0 + at}
                for state in ("before", "after")
                for side in ("left", "right", "left outer", "right outer")
                for at in range(8)
            ]
            wanted = ["Right outer", "Evenness after the work"]
    said = check_whole(render(make_result(**fields), job, date=DATE, notes=notes))
    for words in wanted:
        assert words in said


def test_ticks_stand_in_the_worklist_and_lead_to_the_next_visit(
    make_result: Make, make_job: Make
) -> None:
    ticked = {1: DONE, 3: NOT_TONIGHT}
    first, second = pages(render(make_result(), make_job(), date=DATE, ticked=ticked))
    assert "RAISE, done: Raise both" in first
    assert "EQUALIZE, not tonight: Set the 5" in first
    assert "What was done, and what it brought raise Raise both loudspeakers to 2.6 m" in second
    assert "Not done: equalize Set the 5 marked faders" in second
    plain, _ = pages(render(make_result(), make_job(), date=DATE))
    assert "done:" not in plain
    assert "Set by" in plain


def test_first_state_is_that_of_the_earliest_takes(
    make_result: Make, make_job: Make, make_take: Make
) -> None:
    evenness = make_result().model_dump()["evenness"]
    some = [band | {"holds": at > 0} for at, band in enumerate(evenness["bands"])]
    later = make_result(evenness=evenness | {"bands": some})
    first = make_result(takes=[quiet(make_take(s, p)) for s, p in SPOTS])
    _, second, *_ = pages(render(later, make_job(), date=DATE, first=first))
    assert "Evenness before the work" in second
    assert "Evenness now, before the card" in second
    # The maps of the two differ: the first takes were alike at all spots.
    assert second.index("Evenness before") < second.index("Evenness now")
    assert "14 of 27 bands before the work, 26 of 27 now, before the card." in second


def test_system_fonts_are_searched_only_for_other_scripts() -> None:
    assert not _needs_system_fonts("Łódź, Ελλάδα, Зал: −3 dB × 2, “…” العربية")
    assert _needs_system_fonts("村")
    assert _needs_system_fonts("🙂")


def test_flat_card_says_on_both_pages_that_nothing_is_to_move(
    make_result: Make, make_job: Make
) -> None:
    faders = [{"hz": float(hz), "fader_db": 0.0} for hz in NOMINAL_HZ]
    text = "Leave the EQ flat. Seats are 1.4 dB from the target on average."
    flat = make_result(
        card={"both": faders},
        card_steps=[],
        moves=[{"order": 1, "kind": "leave", "text": text}],
    )
    first, second = pages(render(flat, make_job(), date=DATE))
    assert "Nothing to move: leave all faders at 0." in first
    assert text in first
    assert "no fader moves" in first
    assert "leave the EQ flat" in second


def test_card_that_is_withheld_says_what_to_mend_first(make_result: Make, make_job: Make) -> None:
    why = "Mend the horn first: no card is made that would raise faders into a driver."
    held = make_result(card={}, card_steps=[], forecast=None, card_withheld=why)
    first, second = pages(render(held, make_job(), date=DATE))
    assert f"No card. {why}" in first
    assert f"No card yet {why}" in second
    assert "could be worked out" not in first
    none = make_result(card={}, card_steps=[], forecast=None)
    assert "no fader setting could be worked out" in pages(render(none, make_job(), date=DATE))[0]
