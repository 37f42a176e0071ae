"""One equalizer before mains and subs: the card is made for what they do together."""

import numpy as np

from verdict.builders import at, flat, judged, take, visit

TOP = dict.fromkeys((20.0, 25.0, 31.5, 40.0, 50.0, 63.0), -12.0)  # the mains alone have no bass
BOOM = {40.0: 8.0, 50.0: 13.0, 63.0: 15.0, 80.0: 13.0, 100.0: 8.0}  # what the sub adds is too much
LIMITS = {"low_limit_hz": 80.0, "rt60_s": 0.4}


def alone():
    return visit(flat(changes_db=TOP))


def together(changes_db=BOOM, **fields):
    return visit(flat(changes_db=changes_db), with_subs=True, **fields)


def gain_db(verdict):
    return verdict.card.gain_db("left")


def moves(verdict, kind):
    return [move.text for move in verdict.moves if move.kind == kind]


def test_card_is_made_of_the_takes_with_the_subs():
    mains = judged(*alone(), feeds_subs=True, **LIMITS)
    both = judged(*alone(), *together(), feeds_subs=True, **LIMITS)
    assert abs(gain_db(mains)[at(63.0)]) < 0.5
    assert gain_db(both)[at(63.0)] < -8.0
    assert both.forecast.rms_after_db < 1.0 < both.forecast.rms_before_db
    assert all(take.with_subs for spot in both.spots for take in spot.takes)


def test_lower_limit_of_the_mains_does_not_hold_back_what_the_sub_plays():
    dull = dict.fromkeys((31.5, 40.0, 50.0, 63.0, 80.0), -9.0)
    held = judged(*visit(flat(changes_db=dull)), **LIMITS)
    free = judged(*together(dull), feeds_subs=True, **LIMITS)
    # What boosts must not do is left alone either way: only who plays it differs.
    assert gain_db(held)[at(50.0)] < 1.0
    assert gain_db(free)[at(50.0)] > 3.0


def test_evenness_is_that_of_both_together():
    far = np.asarray(flat(changes_db={63.0: -9.0}))
    both = judged(*alone(), *together(local={"back": far}), feeds_subs=True, **LIMITS)
    assert not both.evenness.holds
    assert judged(*alone(), feeds_subs=True, **LIMITS).evenness.holds


def test_proof_compares_like_with_like():
    done = together(changes_db={}, state="after")
    verdict = judged(*alone(), *together(), *done, feeds_subs=True, **LIMITS)
    assert verdict.proof.holds
    assert verdict.proof.rms_db < 1.0


def test_proof_of_another_kind_is_asked_for_again_and_not_believed():
    mains_only = visit(flat(changes_db=TOP), state="after")
    verdict = judged(*alone(), *together(), *mains_only, feeds_subs=True, **LIMITS)
    assert verdict.proof is None
    assert any(
        text.startswith("Take the proof again with the sub playing along")
        for text in moves(verdict, "check")
    )
    with_sub = together(state="after")
    verdict = judged(*alone(), *with_sub, feeds_subs=True, **LIMITS)
    assert verdict.proof is None
    assert any(
        text.startswith("Take the proof again of the mains alone")
        for text in moves(verdict, "check")
    )


def test_takes_of_both_are_asked_for_until_there_is_one():
    sub = take(flat(), side="sub", spot="middle")

    def asked(*takes, **fields):
        return sum("playing along" in text for text in moves(judged(*takes, **fields), "check"))

    assert asked(*alone(), sub, feeds_subs=True) == 1
    assert asked(*alone(), sub) == 0
    assert asked(*alone(), sub, *together(), feeds_subs=True) == 0


def test_takes_alone_and_together_do_not_disagree_with_one_another():
    verdict = judged(*alone(), *together(), feeds_subs=True, **LIMITS)
    assert all(not one.problems for one in verdict.takes)
