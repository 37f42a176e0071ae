"""The demo venue with a sub: from its first page to the proof, and what joining it brought."""

import re

import numpy as np
import pytest

from apiroom import ask
from evenhall.acoustics.bands import NOMINAL_HZ, log_frequency_mean
from evenhall.hall.label import TakeLabel
from evenhall.job.demo.hall import (
    ACROSS_M,
    CHAPEL_HUNG,
    SUB,
    SubChannel,
    demo_hall,
    place_of,
    sub_channel,
)
from evenhall.pages import devices
from evenhall.pages.app import create_app
from evenhall.pages.devices import hands_so_far
from evenhall.pages.guide import card_left, next_thing, steps, undone, wanted_takes, wants_anew
from evenhall.pages.printing import print_sheet
from joinrooms import best_of, scores
from pages.demo_services import ME, PACE, ended, services_in, until

RATE_HZ = 48_000
CROSSING = (NOMINAL_HZ >= 80) & (NOMINAL_HZ <= 125)


def go_on(services, app, number):
    """Do what the guide says next; give it, or None where all is proven."""
    visit = services.store.visit(number)
    result = services.result(visit)
    thing = next_thing(visit, result, steps(visit, result))
    player, api = services.player, f"/api/visits/{number}"
    state = "after" if thing.step == "proof" else "before"
    if thing.step == "hand-over":
        return None
    if thing.step == "line-check":
        player.line(number, holder=ME)
        for side in ("left", "right", "sub"):
            until(lambda side=side: (player.now.phase, player.now.side) == ("asking", side))
            player.answer("on", holder=ME)
    elif thing.text.startswith("Set the microphone's gain"):
        player.gain(number, holder=ME)
    elif thing.step in ("takes", "proof"):
        one = next(one for one in wanted_takes(visit, result, state) if not one.usable)
        label = TakeLabel(side=one.side, spot=one.spot, state=state, with_subs=one.with_subs)
        player.take(number, label, holder=ME)
    elif hands := undone(visit, result):
        key = devices.move_key(hands[0])
        answer = ask(app, "PUT", f"{api}/entries/{key}", json={"value": True, "was": None})
        assert answer.status_code == 200, answer.text
        return f"done: {hands[0].text}"
    elif wants_anew(visit, result):
        assert ask(app, "POST", f"{api}/takes/anew").status_code == 204
    else:
        side = next(side for side, left in card_left(visit, result).items() if left)
        assert ask(app, "PUT", f"{api}/card?side={side}").status_code == 204
    if thing.step in ("line-check", "takes", "proof"):
        # One that a busy machine has spoilt is taken again, as the guide then says.
        assert ended(player).phase == "ended", (thing, player.now)
    return thing.text


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """The visit when all is proven, its services, and what was done."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(devices, "DEMO_PACE", PACE)
        services = services_in(tmp_path_factory.mktemp("sub") / "data")
        app = create_app(services, hosts=lambda: frozenset({"127.0.0.1:8317"}))
        number = ask(app, "POST", "/api/visits", json={"kind": "demo with a sub"}).json()["number"]
        did = []
        while (one := go_on(services, app, number)) is not None:
            did.append(one)
            assert len(did) < 60, did
    yield services, number, did
    services.close()


def channel(played):
    services, number, _ = played
    visit = services.store.visit(number)
    return sub_channel(hands_so_far(visit, services.result(visit)))


def crossing_db(sub):
    """Level of each side with the sub around the crossover, at every spot of that side."""
    hall, n_fft = demo_hall(CHAPEL_HUNG, sub=sub), 1 << 17
    levels = []
    for side in ACROSS_M:
        for spot in ("front", "middle", "back"):
            impulse = hall.true_response((side, SUB), place_of(side, spot), rate_hz=RATE_HZ)
            power = np.abs(np.fft.rfft(impulse, n_fft)) ** 2
            band = log_frequency_mean(power, spacing_hz=RATE_HZ / n_fft)[CROSSING]
            levels.append(10.0 * np.log10(band.mean()))
    return np.array(levels)


def test_worklist_joins_the_sub_as_the_truth_of_the_hall_does(played):
    freq_hz = np.arange(22.0, 360.0, 0.25)
    at, n_fft = np.round(freq_hz / 0.25).astype(int), round(RATE_HZ / 0.25)
    hall = demo_hall(CHAPEL_HUNG, sub=SubChannel())

    def spectrum(element):
        impulse = hall.true_response(element, place_of(element, "middle"), rate_hz=RATE_HZ)
        return np.fft.rfft(impulse, n_fft)[at]

    mains = np.array([spectrum(side) for side in ACROSS_M])
    delays_s = np.arange(-2000, 2001) * 1e-5
    found = scores(mains, np.array([spectrum(SUB)] * 2), freq_hz, delays_s)
    delay_s, polarity, _ = best_of(found, delays_s)
    text = next(text for text in played[2] if "polarity of the sub" in text)
    told_ms = re.match(r"done: Flip the polarity of the sub and delay the sub by ([.\d]+) ms", text)
    assert polarity == -1
    assert float(told_ms[1]) == pytest.approx(1e3 * delay_s, abs=0.2)  # as sure as it says


def test_distance_of_a_take_is_that_to_the_place_where_the_microphone_stands(played):
    services, number, _ = played
    hall = demo_hall(CHAPEL_HUNG, sub=SubChannel())
    heard = {
        (one.take.side, one.take.spot): one.take.distance_m
        for one in services.store.visit(number).takes
        if one.take.side in ACROSS_M
    }
    assert len(heard) == 6
    for (side, spot), metres in heard.items():
        assert metres == pytest.approx(hall.distance_m(side, place_of(side, spot)), abs=0.1)


def test_nothing_is_asked_for_that_is_right_as_it_is(played):
    did = " ".join(played[2])
    assert "Check the aim" not in did
    assert "on the middle line" not in did
    assert "unlike either" not in did
    assert sum(one == "Take all spots again, then set the card." for one in played[2]) == 0


def test_what_was_ticked_is_how_the_simulated_rig_stands_at_the_end(played):
    stands = channel(played)
    assert (stands.polarity, stands.mains_delay_s) == (-1, 0.0)
    assert stands.delay_s == pytest.approx(0.0014, abs=0.0002)
    assert stands.gain_db < -1.0


def test_sum_at_the_crossover_is_better_at_the_seats_than_left_alone(played):
    stands = channel(played)
    level = SubChannel(gain_db=stands.gain_db)  # the same level, nothing joined
    gained_db = crossing_db(stands) - crossing_db(level)
    assert gained_db.min() > -0.5
    assert gained_db.mean() > 1.0


def test_proof_holds_with_mains_and_sub_together(played):
    services, number, _ = played
    visit = services.store.visit(number)
    proof = services.result(visit).proof
    assert proof.holds
    assert proof.takes == 6
    assert all(one.take.with_subs for one in visit.kept_takes if one.take.state == "after")
    assert any("Flip the polarity of the sub" in one.text for one in visit.did)
    assert print_sheet(services, visit).startswith(b"%PDF")
