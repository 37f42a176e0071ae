"""The sheet of a visit: what was ticked, and the first state after the takes were begun anew."""

import io
import shutil

import pypdf
import pytest

from apiroom import opened
from evenhall.pages.guide import move_key, skip_key
from evenhall.pages.printing import first_result, print_sheet, ticked
from evenhall.report.worklist import DONE, NOT_TONIGHT


@pytest.fixture
def pages(tmp_path):
    with opened(tmp_path) as made:
        yield made


def take_again(pages, old):
    """Make a take again: a copy of what the other side heard there, so that it differs."""
    other = "right" if old.side == "left" else "left"
    count = len(visit_of(pages).takes)
    new = f"takes/again-{old.side}-{old.spot}-{count}.wav"
    shutil.copy(pages.folder / f"takes/{other}-{old.spot}.wav", pages.folder / new)
    changed = {"file": new, "distance_m": None}
    pages.services.store.add_take(pages.visit, old.model_copy(update=changed))


def visit_of(pages):
    return pages.services.store.visit(pages.visit)


def test_ticks_reach_the_sheet(pages):
    store, visit = pages.services.store, visit_of(pages)
    result = pages.services.result(visit)
    first, second = [move for move in result.moves if move.kind != "leave"][:2]
    store.set_entry(pages.visit, move_key(first), True, was=None)
    store.set_entry(pages.visit, skip_key(second), True, was=None)
    visit = visit_of(pages)
    assert ticked(visit, result) == {first.order: DONE, second.order: NOT_TONIGHT}
    page = pypdf.PdfReader(io.BytesIO(print_sheet(pages.services, visit))).pages[0]
    words = " ".join(page.extract_text().split())
    assert f"{first.kind.upper()}, done:" in words
    assert f"{second.kind.upper()}, not tonight:" in words


def test_first_state_is_that_before_the_takes_were_begun_anew(pages):
    visit = visit_of(pages)
    was = pages.services.result(visit)
    assert first_result(pages.services, visit) is None
    pages.services.take_anew(pages.visit)
    for one in visit.kept_takes:
        take_again(pages, one.take)
    visit = visit_of(pages)
    first = first_result(pages.services, visit)
    assert [take.bands for take in first.takes] == [take.bands for take in was.takes]
    assert first.evenness != pages.services.result(visit).evenness
    text = " ".join(
        page.extract_text()
        for page in pypdf.PdfReader(io.BytesIO(print_sheet(pages.services, visit))).pages
    )
    assert "Evenness before the work" in text
    assert "Evenness now, before the card" in text


def words_of(pages):
    sheet = pypdf.PdfReader(io.BytesIO(print_sheet(pages.services, visit_of(pages))))
    return " ".join(" ".join(page.extract_text() for page in sheet.pages).split())


def test_ladder_that_was_done_before_the_takes_were_begun_anew_stays_among_what_was_done(pages):
    visit = visit_of(pages)
    ladder = next(move for move in pages.services.result(visit).moves if move.kind == "raise")
    pages.services.store.set_entry(pages.visit, move_key(ladder), True, was=None)
    pages.services.take_anew(pages.visit)
    for one in visit.kept_takes:
        take_again(pages, one.take)
    words = words_of(pages)
    done = words[words.index("What was done, and what it brought") :]
    assert " ".join(ladder.text.partition(". ")[0].split()) in done
    assert "Front minus back, 200 Hz to 4 kHz" in done
    # And once more, with nothing ticked meanwhile: it is not forgotten.
    pages.services.take_anew(pages.visit)
    for one in visit.kept_takes:
        take_again(pages, one.take)
    assert " ".join(ladder.text.partition(". ")[0].split()) in words_of(pages)


def test_first_state_is_that_of_the_first_round_and_not_of_a_slip_in_it(pages):
    visit = visit_of(pages)
    slip = visit.kept_takes[0]
    pages.services.store.set_deleted(pages.visit, slip.number, deleted=True)
    take_again(pages, slip.take)
    first_round = visit_of(pages).kept_takes
    for _ in range(2):
        kept = visit_of(pages).kept_takes
        pages.services.take_anew(pages.visit)
        for one in kept:
            take_again(pages, one.take)
    first = first_result(pages.services, visit_of(pages))
    assert [take.file for take in first.takes] == [one.take.file for one in first_round]


def test_a_take_made_again_for_a_slip_is_no_first_state(pages):
    slip = visit_of(pages).kept_takes[0]
    pages.services.store.set_deleted(pages.visit, slip.number, deleted=True)
    take_again(pages, slip.take)
    assert first_result(pages.services, visit_of(pages)) is None


def test_first_state_whose_recordings_are_gone_is_left_out(pages):
    visit = visit_of(pages)
    pages.services.take_anew(pages.visit)
    for one in visit.kept_takes:
        take_again(pages, one.take)
    for one in visit.kept_takes:
        (pages.folder / one.take.file).unlink()
    assert first_result(pages.services, visit_of(pages)) is None
    assert print_sheet(pages.services, visit_of(pages)).startswith(b"%PDF")
