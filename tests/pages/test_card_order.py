"""The card on the pages: what brings most comes first, and a flat one says why."""

import datetime
import re
from dataclasses import replace

from evenhall.job.tune.result import Fader, Move, Pattern, Proof, Result, TakeResult, TargetCurve
from evenhall.pages.playing import Playing
from evenhall.pages.views.frame import frame_of
from evenhall.pages.views.proof import proof_page
from evenhall.pages.views.verdict import verdict_page
from evenhall.pages.views.worklist import card_page, worklist_page
from pages.demo_services import visit_of

# Low to high, as they stand on the unit; the second brings most.
CARD = tuple(
    Fader(hz=hz, fader_db=db, order=order)
    for hz, db, order in ((63, 2.0, 3), (250, -4.5, 1), (1000, 0.0, None), (3150, -3.0, 2))
)
KNOWN = {"venue.name": "Quarry Lane Hall", "equalizer.bands": [63, 250, 1000, 3150]}
VISIT = visit_of({**KNOWN, "rig.sides": ["left", "right"]})
NOON = datetime.datetime(2026, 3, 14, 12, tzinfo=datetime.UTC)
FRAME = frame_of(
    replace(VISIT, made_at=NOON.isoformat()),
    None,
    at="proof",
    playing=Playing(),
    here=True,
    now=NOON,
)


def result_of(**fields) -> Result:
    take = TakeResult(file="a", side="left", spot="front", state="before", usable=True)
    target = TargetCurve(shape="tilt", points=())
    return Result(job="-", takes=(take,), target=target, **({"card": {"both": CARD}} | fields))


def test_faders_are_set_one_by_one_by_what_they_bring():
    page = card_page(VISIT, result_of(), FRAME, side="left", at=1)
    assert [one.name for one in page.faders] == ["250", "3.15k", "63"]
    assert [one.place for one in page.faders] == [
        "2nd of 4 from the left",
        "4th of 4 from the left",
        "1st of 4 from the left",
    ]


def test_one_that_stands_off_the_card_is_set_back_last():
    visit = visit_of({**KNOWN, "rig.sides": ["left"], "fader.left.1000": 1.5})
    page = card_page(visit, result_of(), FRAME, side="left", at=1)
    assert [one.name for one in page.faders] == ["250", "3.15k", "63", "1k"]


def test_drawing_of_the_card_has_the_same_numbers_as_one_by_one():
    page = card_page(VISIT, result_of(), FRAME, side="left", at=0)
    for drawing in (page.drawing, page.narrow):
        titles = re.findall(r"(\d+) Hz: \S+ dB, number (\d) to set", drawing.light)
        assert sorted(titles) == [("250", "1"), ("3150", "2"), ("63", "3")]


def test_flat_card_is_said_on_the_worklist_and_patterns_to_leave_only_once():
    why = "800 Hz is 4.0 dB down at middle only. Don't chase it."
    local = Pattern(
        hz=800,
        width_octaves=0.3,
        depth_db=-4.0,
        scope="local",
        spots=("middle",),
        remedy="leave",
        why=why,
    )
    flat = "Leave the EQ flat. Seats are 1.4 dB from the target on average."
    page = worklist_page(
        VISIT,
        result_of(
            card={"both": tuple(Fader(hz=one.hz, fader_db=0.0) for one in CARD)},
            patterns=(local,),
            moves=(
                Move(order=1, kind="leave", text=f"Leave 800 Hz alone. {why}"),
                Move(order=2, kind="leave", text=flat),
            ),
        ),
        FRAME,
    )
    assert page.stays == (flat,)
    assert [point.body for point in page.leave] == [why]
    assert [card.moving for card in page.cards] == [0, 0]


def test_card_that_is_withheld_says_what_to_mend_first():
    why = "Mend the horn first."
    page = worklist_page(VISIT, result_of(card={}, card_withheld=why), FRAME)
    assert (page.no_card, page.cards) == (why, ())
    assert verdict_page(VISIT, result_of(card={}, card_withheld=why), FRAME).sentence.startswith(
        why
    )


def test_proof_says_how_many_takes_stand_behind_it():
    def sentence(takes: int) -> str:
        proof = Proof(rms_db=1.3, forecast_error_db=0.6, holds=True, takes=takes, bands=())
        return proof_page(VISIT, result_of(proof=proof), FRAME, cable=0).sentence

    assert sentence(6).startswith("Proven so far. Six takes after the work: the area as a whole is")
    assert sentence(1).startswith("Proven so far. One take after the work:")


def test_proof_says_what_is_left_to_do():
    def left(**of_result) -> str:
        return proof_page(VISIT, result_of(**of_result), FRAME, cable=0).left

    assert left(card={}) == "Nothing is left to do on the worklist."
    assert proof_page(VISIT, None, FRAME, cable=0).left == ""
    faders = (Fader(hz=100.0, fader_db=-3.0), Fader(hz=1000.0, fader_db=2.0))
    assert left(card={"left": faders, "right": faders[:1]}) == (
        "Left to do: 2 faders of the left card and 1 fader of the right card."
    )
