"""What comes next, in the words that the pages show."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.job.tune.result import Fader, Move, Proof, Result, TakeResult, TargetCurve
from evenhall.pages import html
from evenhall.pages.guide import (
    HANDS,
    LISTEN,
    NEEDED,
    STEPS,
    Next,
    Spot,
    card_left,
    elements,
    missing,
    move_key,
    moved,
    next_thing,
    skip_key,
    spots,
    steps,
    undone,
    wanted_takes,
    wants_device,
)
from evenhall.visits.visit import faults_of
from pages.demo_services import visit_of

KNOWN = {
    "venue.name": "Quarry Lane Hall",
    "venue.length_m": 16.0,
    "venue.width_m": 9.0,
    "venue.height_m": 4.0,
    "audience.first_row_m": 2.0,
    "audience.last_row_m": 12.0,
    "rig.speaker_height_m": 1.8,
}
RAISE = Move(order=1, kind="raise", text="Raise both.", to={"speaker_height_m": 2.8})
GAIN = Move(order=2, kind="gain", text="Turn left down.", to={"left_gain_db": -1.5})
LEAVE = Move(order=3, kind="leave", text="Leave 160 Hz alone.")
WALK = Move(order=4, kind="check", text="Walk the rows.", expected={"seat_doubt_db": 0.4})
EQUALIZE = Move(order=4, kind="equalize", text="Set 2 faders.")
CARD = {"both": tuple(Fader(hz=hz, fader_db=db) for hz, db in ((250, -4.5), (1000, 0), (3150, -6)))}


def result_of(visit, *, bad=(), moves=(), card=None, proof=None):
    """A result about the kept takes of a visit; those whose numbers are in `bad` are unusable."""
    takes = tuple(
        TakeResult(
            file=one.take.file,
            side=one.take.side,
            spot=one.take.spot,
            state=one.take.state,
            usable=one.number not in bad,
        )
        for one in visit.kept_takes
    )
    target = TargetCurve(shape="tilt", points=())
    return Result(
        job="-", takes=takes, target=target, moves=tuple(moves), card=card or {}, proof=proof
    )


def all_takes(state="before"):
    return [
        (side, spot, state, False)
        for side in ("left", "right")
        for spot in ("front", "middle", "back")
    ]


def in_words(visit, result):
    way = steps(visit, result)
    return next_thing(visit, result, way), {step.key: (step.state, step.note) for step in way}


# Takes


def test_takes_are_wanted_one_side_after_the_other_from_front_to_back():
    wanted = wanted_takes(visit_of(KNOWN), None, "before")
    assert [(one.side, one.spot, one.along_m) for one in wanted] == [
        ("left", "front", 2.0),
        ("left", "middle", 7.0),
        ("left", "back", 12.0),
        ("right", "front", 2.0),
        ("right", "middle", 7.0),
        ("right", "back", 12.0),
    ]
    assert all(one.take is None and not one.usable for one in wanted)


@pytest.mark.parametrize(
    ("chosen", "middle"),
    [
        (["a"], "a"),
        (["a", "b"], "a"),
        (["a", "b", "c"], "b"),
        (["a", "b", "c", "d"], "b"),
        (["a", "b", "c", "d", "e"], "c"),
    ],
)
def test_subs_and_delays_are_taken_in_the_middle_only(chosen, middle):
    visit = visit_of(
        {
            "rig.sides": ["left", "sub left", "Delay"],
            "spots": [{"label": label, "along_m": k + 1.0} for k, label in enumerate(chosen)],
        }
    )
    wanted = wanted_takes(visit, None, "before")
    assert [(one.side, one.spot) for one in wanted] == [
        *(("left", label) for label in chosen),
        ("sub left", middle),
        ("Delay", middle),
    ]


def test_last_take_counts_unless_only_an_earlier_one_can_be_used():
    takes = [("left", "front", "before", False)] * 3
    visit = visit_of(KNOWN, takes)

    def counts(bad):
        first = wanted_takes(visit, result_of(visit, bad=bad), "before")[0]
        return first.take.number, first.usable

    assert counts(bad=()) == (3, True)
    assert counts(bad=(3,)) == (2, True)
    assert counts(bad=(2, 3)) == (1, True)
    assert counts(bad=(1, 2)) == (3, True)
    assert counts(bad=(1, 2, 3)) == (3, False)


def test_deleted_take_and_one_of_the_other_state_do_not_count():
    visit = visit_of(KNOWN, [("left", "front", "before", True), ("left", "front", "after", False)])
    result = result_of(visit)
    assert wanted_takes(visit, result, "before")[0].take is None
    assert wanted_takes(visit, result, "after")[0].take.number == 2


TAKES = st.lists(
    st.tuples(
        st.sampled_from(("left", "right", "sub", "gone")),
        st.sampled_from(("front", "middle", "back", "gone")),
        st.sampled_from(("before", "after")),
        st.booleans(),
    ),
    max_size=14,
)


@given(takes=TAKES, bad=st.sets(st.integers(1, 14)), state=st.sampled_from(("before", "after")))
def test_wanted_takes_are_those_of_the_rig_each_with_its_last_usable_one(takes, bad, state):
    visit = visit_of({**KNOWN, "rig.sides": ["left", "right", "sub"]}, takes)
    wanted = wanted_takes(visit, result_of(visit, bad=bad), state)
    assert [(one.side, one.spot) for one in wanted] == [
        *((side, spot) for side in ("left", "right") for spot in ("front", "middle", "back")),
        ("sub", "middle"),
    ]
    for one in wanted:
        made = [
            k
            for k, (side, spot, of, deleted) in enumerate(takes, 1)
            if (side, spot, of) == (one.side, one.spot, state) and not deleted
        ]
        good = [k for k in made if k not in bad]
        assert one.usable == bool(good)
        assert (one.take.number if one.take else None) == (good or made or [None])[-1]


# Spots


def test_spots_are_the_chosen_ones_else_the_usual_ones_else_names():
    assert spots(visit_of({"spots": [{"label": "aisle", "along_m": 3.5}], **KNOWN})) == (
        Spot("aisle", 3.5),
    )
    assert spots(visit_of(KNOWN)) == (Spot("front", 2.0), Spot("middle", 7.0), Spot("back", 12.0))
    names = (Spot("front", None), Spot("middle", None), Spot("back", None))
    assert spots(visit_of()) == names
    # Rows that cannot be are told elsewhere; the page still opens.
    assert spots(visit_of({**KNOWN, "audience.last_row_m": 2.0})) == names


def test_rig_that_names_no_sides_is_a_pair():
    assert elements(visit_of()) == ("left", "right")
    assert elements(visit_of({"rig.sides": ["mono"]})) == ("mono",)


# Moves and card


def test_move_without_figures_that_was_done_is_not_asked_for_again():
    text = "Move the loudspeakers, off the wall or along it. It fills a dip at 145 Hz."
    move = Move(order=1, kind="relocate", text=text, to={})
    again = move.model_copy(update={"text": text.replace("145", "160")})
    did = move_key(move).replace("tick.", "did.")
    visit = visit_of({**KNOWN, did: True}, all_takes())
    assert not undone(visit, result_of(visit, moves=[again]))
    assert undone(visit_of(KNOWN, all_takes()), result_of(visit, moves=[again])) == [again]
    # With a figure it is asked for by what is still missing.
    did = move_key(GAIN).replace("tick.", "did.")
    assert undone(visit_of({did: True}, all_takes()), result_of(visit, moves=[GAIN])) == [GAIN]


def test_move_proposed_with_other_figures_is_another_move():
    other = RAISE.model_copy(update={"to": {"speaker_height_m": 2.9}})
    reworded = RAISE.model_copy(update={"text": "Lift both.", "order": 7})
    assert move_key(other) != move_key(RAISE)
    assert move_key(reworded) == move_key(RAISE)
    # A move without figures is told by its words.
    assert move_key(LEAVE) != move_key(LEAVE.model_copy(update={"text": "Leave 200 Hz alone."}))
    assert move_key(RAISE).startswith("tick.raise-")


@pytest.mark.parametrize(
    ("kind", "is_so"),
    [
        ("raise", True),
        ("aim", True),
        ("relocate", True),
        ("polarity", True),
        ("delay", True),
        ("check", True),
        ("gain", False),
        ("leave", False),
        ("equalize", False),
    ],
)
def test_takes_are_of_another_rig_once_something_but_a_level_was_ticked(kind, is_so):
    move = Move(order=1, kind=kind, text="Do it.")
    visit = visit_of(KNOWN, all_takes())
    result = result_of(visit, moves=[move])
    assert not moved(visit, result)
    ticked = visit_of({**KNOWN, move_key(move): True}, all_takes())
    assert moved(ticked, result) is is_so
    assert not moved(ticked, None)
    taken_back = visit_of({**KNOWN, move_key(move): False}, all_takes())
    assert not moved(taken_back, result)


def test_card_left_is_what_does_not_stand_as_the_card_says():
    visit = visit_of({**KNOWN, "rig.sides": ["left", "right", "sub"]})
    result = result_of(visit, card=CARD)
    whole = ((250.0, -4.5), (3150.0, -6.0))
    assert card_left(visit, None) == {}
    assert card_left(visit, result) == {"left": whole, "right": whole}
    set_ones = visit_of(
        {
            "fader.left.250": -4.5,
            "fader.left.3150": -5.5,  # not far enough
            "fader.right.1000": 2.0,  # the card wants it flat
            "fader.right.250": None,
        }
    )
    assert card_left(set_ones, result) == {
        "left": ((3150.0, -6.0),),
        "right": ((250.0, -4.5), (1000.0, 0.0), (3150.0, -6.0)),
    }


def test_card_of_one_side_is_for_that_side():
    result = result_of(visit_of(), card={"left": CARD["both"], "right": ()})
    assert card_left(visit_of(), result) == {"left": ((250.0, -4.5), (3150.0, -6.0)), "right": ()}


# A whole visit


def test_whole_visit_in_words():
    entries = {"venue.name": "Quarry Lane Hall"}
    visit = visit_of(entries)
    thing, way = in_words(visit, None)
    assert thing == Next(
        "Type in the room's length, its width, its height, the first row, the last row and the "
        "height of the loudspeakers.",
        "The spots, the coverage and the best height follow from it.",
        "set-out",
        "in-venue.length_m",
    )
    assert way == {
        "set-out": ("open", "6 figures missing"),
        "line-check": ("open", "0 of 2"),
        "takes": ("open", "0 of 6"),
        "verdict": ("open", "needs takes"),
        "worklist": ("open", "needs takes"),
        "proof": ("open", "0 of 6"),
        "hand-over": ("open", "walk and write"),
    }
    assert [step.title for step in steps(visit, None)] == list(STEPS.values())

    entries |= {**KNOWN, "rig.speaker_height_m": None}
    thing, way = in_words(visit_of(entries), None)
    assert thing.text == "Type in the height of the loudspeakers."
    assert way["set-out"] == ("begun", "1 figure missing")

    entries |= KNOWN
    thing, way = in_words(visit_of(entries), None)
    assert (thing.text, thing.step) == ("Check that every element works.", "line-check")
    assert way["set-out"] == ("done", "known")

    works = {"element": "left", "code": "works", "text": "-"}
    dead = {"element": "right", "code": "dead", "text": "-"}
    entries["line_check"] = {"elements": ["left"], "findings": [works]}
    thing, way = in_words(visit_of(entries), None)
    assert (thing.step, way["line-check"]) == ("line-check", ("begun", "1 of 2"))
    entries["line_check"] = {"elements": ["left", "right"], "findings": [works, dead]}
    thing, way = in_words(visit_of(entries), None)
    assert way["line-check"] == ("begun", "2 of 2, 1 wrong")
    assert (thing.text, thing.step) == ("Fix what is wrong, then check again.", "line-check")
    entries["line_check"] = {"elements": ["left", "right"], "findings": [works]}
    thing, way = in_words(visit_of(entries), None)
    assert way["line-check"] == ("done", "2 of 2")
    assert (thing.text, thing.step) == ("Set the microphone's gain, once for the visit.", "takes")
    entries["gain"] = {"turn": "up", "text": "Turn the gain up."}
    assert in_words(visit_of(entries), None)[0] == thing, "until it holds"
    entries["gain"] = {"turn": "hold", "text": "Leave it."}
    thing, way = in_words(visit_of(entries), None)
    assert (thing.text, thing.step) == ("Take left, front.", "takes")
    assert thing.why.startswith("Front, middle and back tell")

    visit = visit_of(entries, all_takes()[:2])
    thing, way = in_words(visit, result_of(visit, bad=(2,)))
    assert (thing.text, thing.why) == ("Take left, middle.", "The last one could not be used.")
    assert way["takes"] == ("begun", "1 of 6")
    assert way["verdict"] == ("begun", "of 1 take so far")
    assert way["worklist"] == ("open", "needs takes")

    visit = visit_of(entries, all_takes())
    moves = [RAISE, GAIN, WALK, LEAVE, EQUALIZE]  # nobody has to walk: it counts for nothing
    result = result_of(visit, moves=moves, card=CARD)
    thing, way = in_words(visit, result)
    assert thing == Next(
        "Read the verdict, then begin the worklist.",
        "The takes ask for three things.",
        "verdict",
    )
    assert way["takes"] == ("done", "6 of 6")
    assert way["verdict"] == ("done", "ready")
    assert way["worklist"] == ("open", "3 to do")  # two for hands, and the card

    entries[move_key(GAIN)] = True
    thing, way = in_words(visit_of(entries, all_takes()), result)
    assert (thing.text, thing.step) == ("Go on with the worklist.", "worklist")
    assert way["worklist"] == ("begun", "2 to do")

    entries[move_key(RAISE)] = True
    thing, way = in_words(visit_of(entries, all_takes()), result)
    assert (thing.text, thing.step) == ("Take all spots again, then set the card.", "worklist")
    assert way["worklist"] == ("begun", "takes again")

    entries |= {"fader.left.250": -4.5, "fader.left.3150": -6.0, "fader.right.250": -4.5}
    thing, way = in_words(visit_of(entries, all_takes()), result)
    assert thing.text == "Go on with the worklist."
    entries["fader.right.3150"] = -6.0
    thing, way = in_words(visit_of(entries, all_takes()), result)
    assert way["worklist"] == ("done", "all done")
    assert (thing.text, thing.step) == ("Take left, front, again.", "proof")

    visit = visit_of(entries, all_takes() + all_takes("after")[:4])
    thing, way = in_words(visit, result_of(visit, moves=moves, card=CARD))
    assert (thing.text, way["proof"]) == ("Take right, middle, again.", ("begun", "4 of 6"))
    # What half a proof asks hands to do waits until the whole is there.
    softer = GAIN.model_copy(update={"to": {"left_gain_db": -0.7}})
    more = result_of(visit, moves=[*moves, softer], card=CARD)
    thing, way = in_words(visit, more)
    assert (way["worklist"][0], thing.step) == ("begun", "proof")
    visit = visit_of(entries, all_takes() + all_takes("after"))
    more = result_of(visit, moves=[*moves, softer], card=CARD)
    assert in_words(visit, more)[0].step == "worklist"

    visit = visit_of(entries, all_takes() + all_takes("after"))
    for holds, note in ((False, "fails"), (True, "holds")):
        proof = Proof(rms_db=0.5, forecast_error_db=0.2, holds=holds, bands=())
        result = result_of(visit, moves=moves, card=CARD, proof=proof)
        thing, way = in_words(visit, result)
        assert way["proof"] == ("done", note)
        assert thing.text == "Walk the room and listen, then print the sheet."
        assert way["hand-over"] == ("open", "walk and write")

    entries["walk.back"] = True
    thing, way = in_words(visit_of(entries, visit_takes(visit)), result)
    assert way["hand-over"] == ("begun", "1 of 6")
    assert thing.text == "Walk the room and listen, then print the sheet."
    entries |= {f"walk.{place}": True for place in LISTEN}
    thing, way = in_words(visit_of(entries, visit_takes(visit)), result)
    assert way["hand-over"] == ("done", "walked")
    assert thing == Next(
        "All is done.", "The sheet and the job folder are on this page.", "hand-over"
    )
    assert sum(step.left_s for step in steps(visit_of(entries, visit_takes(visit)), result)) == 0.0


def visit_takes(visit):
    return [(one.take.side, one.take.spot, one.take.state, one.deleted) for one in visit.takes]


def test_line_check_is_not_asked_for_once_takes_are_begun():
    visit = visit_of(KNOWN, all_takes()[:1])
    thing, _ = in_words(visit, result_of(visit))
    assert thing.text == "Take left, middle."


def test_verdict_without_moves_goes_straight_to_the_proof():
    visit = visit_of(KNOWN, all_takes())
    thing, way = in_words(visit, result_of(visit, moves=[LEAVE]))
    assert way["worklist"] == ("done", "all done")
    assert thing.step == "proof"


def test_time_that_is_left_shrinks_with_what_is_done():
    def left_s(visit, result):
        return sum(step.left_s for step in steps(visit, result))

    bare, known = visit_of({"venue.name": "-"}), visit_of(KNOWN)
    assert left_s(bare, None) > left_s(known, None)
    some = visit_of(KNOWN, all_takes()[:3])
    assert left_s(known, None) > left_s(some, result_of(some))
    whole = visit_of(KNOWN, all_takes())
    result = result_of(whole, moves=[RAISE, GAIN], card=CARD)
    ticked = visit_of({**KNOWN, move_key(GAIN): True}, all_takes())
    assert left_s(whole, result) > left_s(ticked, result)
    # In the simulated hall nobody carries a microphone.
    assert left_s(known, None) > left_s(replace(known, demo=True), None)


RELOCATE = Move(order=5, kind="relocate", text="Move both. It fills a dip.")
PROOF = Proof(rms_db=0.5, forecast_error_db=0.2, holds=True, bands=())


def test_time_left_does_not_grow_when_the_takes_are_begun_anew():
    tick, gain = move_key(RAISE), {"gain": {"turn": "hold"}}
    moved_rig = visit_of({**KNOWN, **gain, tick: True}, all_takes())
    before = steps(moved_rig, result_of(moved_rig, moves=[RAISE], card=CARD))
    begun_anew = visit_of({**KNOWN, **gain, tick.replace("tick.", "did."): True})
    after = steps(begun_anew, None)
    assert sum(step.left_s for step in after) <= sum(step.left_s for step in before)


ENTRIES = st.fixed_dictionaries(
    {"venue.name": st.just("-")},
    optional={
        **{name: st.sampled_from((None, KNOWN[name])) for name in NEEDED},
        # Too high for the room's 4 m, and for the stands.
        "rig.speaker_height_m": st.sampled_from((None, 1.8, 4.5)),
        "rig.max_height_m": st.sampled_from((None, 1.5, 3.0, 6.0)),
        "rig.sides": st.sampled_from((["left", "right"], ["mono"], ["left", "right", "sub"])),
        "line_check": st.sampled_from(
            ({}, {"elements": ["left"], "findings": []}, {"elements": ["left", "right"]})
        ),
        move_key(RAISE): st.booleans(),
        move_key(GAIN): st.booleans(),
        "fader.left.250": st.sampled_from((-4.5, 1.0, None)),
        "walk.back": st.booleans(),
    },
)


@settings(deadline=None)
@given(
    entries=ENTRIES,
    takes=TAKES,
    bad=st.sets(st.integers(1, 14)),
    moves=st.sets(st.sampled_from((0, 1, 2, 3))),
    with_card=st.booleans(),
    judged=st.booleans(),
    has_device=st.booleans(),
)
def test_there_is_always_a_next_thing_on_a_page_that_is_not_done(
    entries, takes, bad, moves, with_card, judged, has_device
):
    visit = visit_of(entries, takes)
    every = (RAISE, GAIN, LEAVE, EQUALIZE)
    result = (
        result_of(visit, bad=bad, moves=[every[k] for k in moves], card=CARD if with_card else None)
        if judged
        else None
    )
    way = steps(visit, result, has_device=has_device)
    thing = next_thing(visit, result, way, has_device=has_device)
    assert [step.key for step in way] == list(STEPS)
    assert {step.state for step in way} <= {"done", "begun", "open"}
    assert all(step.left_s >= 0.0 and step.note for step in way)
    assert thing.text.endswith(".")
    assert thing.why.endswith(".")
    state = {step.key: step.state for step in way}
    if thing.text == "All is done.":
        assert state["hand-over"] == "done"
    elif thing.step != "verdict" and not thing.text.startswith("Take all spots"):
        assert state[thing.step] != "done"
    no_device = wants_device(visit, has_device=has_device)
    assert no_device == (not has_device and not visit.kept_takes)
    assert (thing.step == "set-out") == bool(missing(visit) or faults_of(visit) or no_device)
    assert (thing.step == "set-out") == (state["set-out"] != "done")


def test_sound_device_comes_first_unless_takes_came_without_one():
    for entries, state in (
        ({}, ("open", "6 figures missing")),
        (KNOWN, ("begun", "no sound device")),
    ):
        visit = visit_of(entries)
        way = steps(visit, None, has_device=False)
        assert (way[0].state, way[0].note) == state
        thing = next_thing(visit, None, way, has_device=False)
        assert (thing.text, thing.step, thing.field) == (
            *("Choose the sound device.", "set-out", "sound"),
        )
    brought = visit_of(KNOWN, all_takes()[:1])
    assert steps(brought, None, has_device=False)[0].state == "done"
    assert steps(replace(visit_of(KNOWN), demo=True), None, has_device=False)[0].state == "done"


@given(high_m=st.floats(4.01, 60.0), takes=TAKES)
def test_loudspeaker_above_the_ceiling_is_no_set_out(high_m, takes):
    visit = visit_of({**KNOWN, "rig.speaker_height_m": high_m}, takes)
    thing, way = in_words(visit, None)
    assert way["set-out"] == ("begun", "cannot be right")
    assert (thing.text, thing.field) == (
        "Correct the figure that cannot be right.",
        "in-rig.speaker_height_m",
    )


@settings(deadline=None)
@given(st.data())
def test_steps_are_done_by_evidence_alone_and_time_left_never_grows(data):
    """A visit in which one thing after the other gets done, in any order."""
    entries, takes, bad = {"venue.name": "-"}, [], set()
    some = st.sets(st.sampled_from((0, 1, 2, 3)))
    moves, card = [], CARD if data.draw(st.booleans()) else {}
    about_raise = move_key(RAISE)
    if data.draw(st.booleans()):
        about_raise = about_raise.replace("tick.", "skip.")
    todo = [
        *((name, KNOWN[name]) for name in NEEDED),
        ("line_check", {"elements": ["left", "right"]}),
        ("gain", {"turn": "hold"}),
        (about_raise, True),
        (move_key(GAIN), True),
        (move_key(RELOCATE), True),
        ("fader.left.250", -4.5),
        ("fader.right.3150", -6.0),
        *((f"walk.{place}", True) for place in LISTEN),
        *all_takes(),
        *all_takes("after"),
    ]
    left_before_s = float("inf")
    for one in data.draw(st.permutations(todo)):
        if len(one) == 2:
            entries[one[0]] = one[1]
        else:
            takes.append(one)
            if data.draw(st.integers(0, 15)) == 0:
                bad.add(len(takes))
            if one[2] == "before":  # what is to be done is another matter with every take
                moves = [(RAISE, GAIN, RELOCATE, LEAVE)[k] for k in data.draw(some)]
        visit = visit_of(entries, takes)
        proof = PROOF if any(take[2] == "after" for take in takes) else None
        result = result_of(visit, bad=bad, moves=moves, card=card, proof=proof)
        usable = [take.state for take in result.takes if take.usable]
        way = steps(visit, result)
        done = {step.key for step in way if step.state == "done"}
        assert ("set-out" in done) == (not missing(visit))
        assert ("line-check" in done) == ("line_check" in entries)
        whole = {"takes", "verdict"} if usable.count("before") == 6 else set()
        assert done & {"takes", "verdict"} == whole
        if "worklist" in done:
            assert whole
            assert not undone(visit, result)
            assert not any(card_left(visit, result).values())
        assert ("proof" in done) == (usable.count("after") == 6)
        walked = all(f"walk.{place}" in entries for place in LISTEN)
        assert ("hand-over" in done) == (walked and proof is not None)
        left_s = sum(step.left_s for step in way)
        assert left_s <= left_before_s
        left_before_s = left_s


def test_hands_are_all_moves_but_those_of_the_card():
    assert set(HANDS) == {"raise", "aim", "relocate", "polarity", "gain", "delay", "check"}


def test_every_step_has_its_page():
    paths = {route.path for route in html.router.routes}
    assert {f"/visit/{{number}}/{key}" for key in STEPS} <= paths


# One equalizer before mains and subs

FEEDS = {**KNOWN, "rig.sides": ["left", "right", "sub"], "equalizer.feeds_subs": True}
ALONE = [(side, "middle", "before", False) for side in ("left", "right", "sub")]
JOIN = Move(order=1, kind="delay", text="Delay the sub.", to={"sub_delay_s": 0.003})


def names(wanted):
    return [(one.name, one.spot) for one in wanted]


def with_subs(visit, *numbers):
    """The same visit, the takes of these numbers made with the subs."""
    takes = tuple(
        replace(one, take=one.take.model_copy(update={"with_subs": True}))
        if one.number in numbers
        else one
        for one in visit.takes
    )
    return replace(visit, takes=takes)


def test_mains_and_subs_are_taken_alone_in_the_middle_then_together_everywhere():
    wanted = wanted_takes(visit_of(FEEDS), None, "before")
    left, right = "left with the subs", "right with the subs"
    assert names(wanted) == [
        ("left", "middle"),
        ("right", "middle"),
        ("sub", "middle"),
        # The microphone stands there still, and so the joining is proven.
        (left, "middle"),
        (right, "middle"),
        (left, "front"),
        (left, "back"),
        (right, "front"),
        (right, "back"),
    ]
    assert names(wanted_takes(visit_of(FEEDS), None, "after")) == [
        (side, spot) for side in (left, right) for spot in ("front", "middle", "back")
    ]


def test_what_is_joined_is_heard_at_one_place():
    for entries in (FEEDS, {**FEEDS, "equalizer.feeds_subs": False}):
        for one in wanted_takes(visit_of(entries), None, "before"):
            assert one.shared == (one.spot == "middle")
    assert not any(one.shared for one in wanted_takes(visit_of(KNOWN), None, "before"))


def test_equalizer_feeds_no_sub_where_there_is_none():
    visit = visit_of({**FEEDS, "rig.sides": ["left", "right"]})
    assert wanted_takes(visit, None, "before") == wanted_takes(visit_of(KNOWN), None, "before")


def test_take_with_the_subs_is_not_the_one_without():
    visit = with_subs(visit_of(FEEDS, [*ALONE, ("left", "middle", "before", False)]), 4)
    wanted = wanted_takes(visit, result_of(visit), "before")
    assert [one.take.number for one in wanted if one.take] == [1, 2, 3, 4]


def test_subs_are_joined_before_both_are_taken_together():
    visit = visit_of({**FEEDS, "line_check": {"elements": ["left", "right", "sub"]}}, ALONE)
    following, _ = in_words(visit, result_of(visit, moves=[JOIN]))
    assert (following.text, following.step) == (
        "Join the subs to the mains, as the worklist says.",
        "worklist",
    )
    ticked = replace(visit, entries={**visit.entries, **visit_of({move_key(JOIN): True}).entries})
    following, _ = in_words(ticked, result_of(ticked, moves=[JOIN]))
    assert following.text == "Take left with the subs, middle."


def test_ticked_joining_asks_for_takes_of_both_and_not_for_all_anew():
    visit = visit_of({**FEEDS, move_key(JOIN): True}, ALONE)
    assert not moved(visit, result_of(visit, moves=[JOIN]))
    together = with_subs(
        visit_of({**FEEDS, move_key(JOIN): True}, [*ALONE, ("left", "front", "before", False)]), 4
    )
    assert moved(together, result_of(together, moves=[JOIN]))


def test_joining_waits_for_the_ladder_and_is_measured_after_it():
    known = {**FEEDS, "line_check": {"elements": ["left", "right", "sub"]}}

    def at(**entries):
        visit = visit_of({**known, **entries}, ALONE)
        result = result_of(visit, moves=[RAISE, JOIN])
        return undone(visit, result), in_words(visit, result)[0].text

    assert at() == ([RAISE], "Go on with the worklist.")
    assert at(**{move_key(RAISE): True}) == ([], "Take all spots again, then set the card.")
    join = "Join the subs to the mains, as the worklist says."
    assert at(**{skip_key(RAISE): True}) == ([JOIN], join)


def test_worklist_asks_for_the_takes_alone_again_once_the_ladder_is_done():
    visit = visit_of({**FEEDS, move_key(RAISE): True}, ALONE)
    _, states = in_words(visit, result_of(visit, moves=[RAISE, JOIN]))
    assert states["worklist"] == ("begun", "takes again")


def test_joining_that_is_proven_wrong_does_not_stop_the_round_of_takes():
    visit = with_subs(visit_of(FEEDS, [*ALONE, ("left", "middle", "before", False)]), 4)
    following, _ = in_words(visit, result_of(visit, moves=[JOIN]))
    assert following.text == "Take right with the subs, middle."
