"""The proof: takes after the work against the forecast, by the job folder's rule."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.equalizer.graphic import band_gain_db
from evenhall.verdict.card.loss import weighted_rms_db
from evenhall.verdict.proof.proving import Proof
from evenhall.verdict.target import target_db, target_points
from verdict.builders import flat, judged, take, visit

FAULTS = flat(0.0, {200.0: 6.0, 250.0: 10.0, 315.0: 6.0, 3150.0: 7.0, 4000.0: 5.0})


@pytest.fixture(scope="module")
def before():
    takes = visit(FAULTS)
    return takes, judged(*takes)


def after_takes(levels, **fields):
    return visit(levels, state="after", **fields)


def proof_of(before, *after):
    takes, _ = before
    return judged(*takes, *after).proof


def test_no_take_after_the_work_no_proof(before):
    assert before[1].proof is None


def test_card_that_does_what_was_forecast(before):
    gain = before[1].card.gain_db("left")
    assert np.abs(gain).max() > 2.0
    proof = proof_of(before, *after_takes(FAULTS + gain))
    assert proof.forecast_error_db == pytest.approx(0.0, abs=0.01)
    assert proof.rms_db == pytest.approx(before[1].forecast.rms_after_db, abs=0.01)
    assert proof.holds


def test_proof_that_holds_asks_for_no_fader_again(before):
    """One fader of left 3 dB off: the seats are as promised all the same."""
    takes, verdict = before
    gain = verdict.card.gain_db("left")
    bent = gain + band_gain_db(verdict.card.unit, 3.0 * (verdict.card.unit.nominal_hz == 1000.0))
    after = [
        *after_takes(FAULTS + bent, sides=("left",)),
        *after_takes(FAULTS + gain, sides=("right",)),
    ]
    later = judged(*takes, *after)
    assert later.proof.holds
    assert later.proof.faders_wrong == ()
    assert [move for move in later.moves if move.kind == "equalize"] == []
    assert any(move.kind == "equalize" for move in verdict.moves)
    assert later.moves[-1].kind == "leave"
    assert later.moves[-1].text.startswith("Leave the EQ as it is: the card is set and proven, ")


def test_cable_that_speaks_against_a_held_proof_is_followed(before):
    takes, verdict = before
    gain = verdict.card.gain_db("left")
    bent = gain + band_gain_db(verdict.card.unit, 4.0 * (verdict.card.unit.nominal_hz == 1000.0))
    made = take(bent, side="left", spot="cable", state="after", uncertainty_db=0.02)
    later = judged(*takes, *after_takes(FAULTS + gain), replace(made, at="cable"))
    assert later.proof.holds
    assert later.moves[0].text.startswith("Pull down the 1 kHz fader of left 4 dB, to ")
    assert not any("set and proven" in move.text for move in later.moves)


def test_level_of_the_takes_after_the_work_is_free(before):
    gain = before[1].card.gain_db("left")
    proof = proof_of(before, *after_takes(FAULTS + gain - 7.0))
    assert proof.forecast_error_db == pytest.approx(0.0, abs=0.01)
    assert proof.holds


def test_measured_and_forecast_are_lined_up_with_the_target():
    proof = judged(*visit(FAULTS), *after_takes(flat(-5.0)), target="music").proof
    target = target_db(target_points("music"), EXACT_HZ)
    inside = (EXACT_HZ > 190.0) & (EXACT_HZ < 4200.0)
    assert target[inside].mean() > 0.1
    for level_db in (proof.measured_db, proof.forecast_db):
        assert np.mean((level_db - target)[inside]) == pytest.approx(0.0, abs=1e-9)


def test_card_that_was_never_set(before):
    proof = proof_of(before, *after_takes(FAULTS))
    assert proof.rms_db == pytest.approx(before[1].forecast.rms_before_db, abs=0.01)
    gain = before[1].card.gain_db("left")
    assert proof.forecast_error_db == pytest.approx(
        weighted_rms_db(gain, before[1].card.weight), abs=0.02
    )


@pytest.mark.parametrize(
    ("rms_db", "forecast_error_db", "holds"),
    [
        (2.0, 1.5, True),  # both at their limits: forecast 1.0 dB
        (2.01, 0.5, False),
        (0.5, 1.51, False),
        (0.3, 0.0, True),
    ],
)
def test_proof_holds_to_its_limits_and_no_further(rms_db, forecast_error_db, holds):
    proof = Proof(
        measured_db=flat(),
        forecast_db=flat(),
        rms_db=rms_db,
        forecast_rms_db=1.0,
        forecast_error_db=forecast_error_db,
        takes=6,
    )
    assert proof.holds is holds


@pytest.mark.parametrize(("more_db", "holds"), [(0.9, True), (1.1, False)])
def test_rms_may_be_1_db_above_the_forecast(before, more_db, holds):
    weight, gain = before[1].card.weight, before[1].card.gain_db("left")
    left = before[1].area.excess.mean_db + gain
    shape = np.where(np.arange(31) % 2 == 0, 1.0, -1.0)
    wanted = before[1].forecast.rms_after_db + more_db
    # Stretch the shape until the rms is what is wanted (bisection).
    low, high = 0.0, 10.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if weighted_rms_db(left + middle * shape, weight) < wanted:
            low = middle
        else:
            high = middle
    proof = proof_of(before, *after_takes(FAULTS + gain + low * shape))
    assert proof.rms_db == pytest.approx(wanted, abs=0.01)
    assert proof.forecast_error_db <= 1.5
    assert proof.holds is holds


def test_proof_is_over_the_spots_that_both_have(before):
    _, verdict = before
    gain = verdict.card.gain_db("left")
    odd = flat(0.0, {1000.0: 12.0})
    takes = after_takes(FAULTS + gain)
    elsewhere = after_takes(FAULTS + gain + odd)[:1]
    elsewhere = [replace(take, spot="balcony") for take in elsewhere]
    some = [t for t in takes if t.spot != "middle"]
    assert proof_of(before, *some, *elsewhere).measured_db == pytest.approx(
        proof_of(before, *some).measured_db
    )
    assert proof_of(before, *elsewhere) is None


def test_takes_after_the_work_change_no_other_part(before):
    takes, verdict = before
    unit = verdict.card.unit
    stands = verdict.card.solutions["both"].fader_db + np.where(unit.nominal_hz == 500.0, 12.0, 0.0)
    later = judged(*takes, *after_takes(FAULTS + band_gain_db(unit, stands)))
    assert later.card.solutions.keys() == verdict.card.solutions.keys()
    assert later.card.gain_db("left") == pytest.approx(verdict.card.gain_db("left"))
    assert later.patterns == verdict.patterns
    # What is off comes first (both sides alike: the unit); nothing is asked by its scale then.
    assert later.proof.faders_wrong == ()
    assert later.moves[0].text == later.proof.unlike_scale.text
    assert later.moves[1:] == tuple(m for m in verdict.moves if m.kind != "equalize")
    assert later.forecast.rms_after_db == verdict.forecast.rms_after_db


def test_proof_says_how_even_the_takes_after_the_work_are(before):
    takes, verdict = before
    done = FAULTS + verdict.card.gain_db("left")
    far = {"back": flat(-3.0, {1000.0: -9.0, 2000.0: -9.0})}
    held, of = judged(*takes, *visit(done, local=far, state="after")).proof.even_bands
    assert (held, of) == (21, 23)  # 63 Hz to 10 kHz, two of them 9 dB down
    near = [take for take in visit(done, state="after") if take.spot == "front"]
    assert judged(*takes, *near).proof.even_bands is None
