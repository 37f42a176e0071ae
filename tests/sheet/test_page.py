from __future__ import annotations

import datetime
import io
import re
from collections.abc import Callable
from typing import Any

import pypdf
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.sheet import render
from evenhall.sheet.page import _needs_system_fonts

Make = Callable[..., Any]
DATE = datetime.date(2026, 3, 14)
HOSTILE = '#panic("x") *_[]$<>`@ref // /* \\u{41} "quoted" ' * 8
BOTTOM_MARGIN_PT = 12 / 25.4 * 72
MAX_BYTES = 300_000  # a sheet goes by mail and from telephones too


def pages(pdf: bytes) -> list[str]:
    """Words of each page, on one line each."""
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    return [" ".join(page.extract_text().split()) for page in reader.pages]


def lowest_pt(pdf: bytes) -> float:
    """Height of the lowest line above the lower edge of its page, footers aside."""
    heights: list[float] = []

    def keep(words: str, cm: list[float], tm: list[float], *_: object) -> None:
        if words.strip() and not re.search(r"Evenhall|of 2", words):
            heights.append(tm[4] * cm[1] + tm[5] * cm[3] + cm[5])

    for page in pypdf.PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=keep)
    return min(heights)


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
    _, second = pages(render(make_result(takes=takes, proof=proof), make_job(), date=DATE))
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


def test_overfull_result_stays_on_two_pages_and_says_what_is_missing(
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
        moves=[{"order": at, "kind": "check", "text": HOSTILE} for at in range(30)],
        card={key: result.model_dump()["card"]["both"] for key in ("left", "right", HOSTILE)},
    )
    pdf = render(overfull, make_job(venue={"name": HOSTILE[:200]}), date=DATE)
    first, second = pages(pdf)
    # The last line of each list is there and above the margin: nothing was cut off silently.
    assert lowest_pt(pdf) > BOTTOM_MARGIN_PT
    assert "And 19 more: see result.json." in first
    assert "And 25 more: see result.json." in second
    assert "And 45 more: see result.json." in second
    assert "Raise nothing below the low limit" in second
    assert len(pdf) < MAX_BYTES


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
