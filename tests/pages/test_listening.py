"""Listening along for the pages: the demo's hand sets the card, and what stands is entered."""

import itertools

import numpy as np
import pytest

from evenhall.errors import InputError
from evenhall.job.tune.result import Fader, Result, TargetCurve
from evenhall.pages import devices
from evenhall.pages.listening import shown_of
from evenhall.sound.live.simulated import SimulatedDevices
from evenhall.verdict.proof.guiding import Guidance
from pages.demo_house import ME, ended, house_in, until

CARD = {250.0: -4.0, 2500.0: 3.0}


def result_with(card):
    faders = tuple(Fader(hz=hz, fader_db=db) for hz, db in card.items())
    return Result(
        job="Demo",
        takes=(),
        card={"both": faders},
        target=TargetCurve(shape="flat", points=((1000.0, 0.0),)),
    )


@pytest.fixture
def house(tmp_path, monkeypatch):
    """A demo visit with a card, whose hall goes on by a step at each look at the clock."""
    house = house_in(tmp_path / "data")
    house.new_demo()
    monkeypatch.setattr(house.player, "_result", lambda _visit: result_with(CARD))
    looks = itertools.count()

    def stepped(**options):
        return SimulatedDevices(**{**options, "clock": lambda: 0.03 * next(looks)})

    monkeypatch.setattr(devices, "SimulatedDevices", stepped)
    yield house
    house.close()


def listen(house, side="left", **changes):
    order = {"cable": None, "goes_on": True, "holder": ME, **changes}
    house.player.faders(1, side, **order)


def test_hand_of_the_demo_sets_the_card_and_what_stands_is_entered(house):
    listen(house)
    now = ended(house.player)
    assert (now.phase, now.text, now.good) == ("ended", "All faders stand.", True)
    assert house.store.visit(1).values("fader.left.") == {"250": -4.0, "2500": 3.0}
    shown = [data for kind, data, *_ in house.bulletin.told if kind == "faders" and data]
    assert shown, "something was drawn"
    # A reader hears what stands and what is next, not every figure.
    said = [kind for kind, *_ in house.bulletin.told if kind == "changed"]
    assert len(said) <= 12


def test_stop_keeps_what_stands(house):
    listen(house)
    until(lambda: "250" in house.store.visit(1).values("fader.left."))
    house.player.stop()
    now = ended(house.player)
    assert now.text == "Stopped. What stands is marked."
    assert house.store.visit(1).values("fader.left.")["250"] == -4.0


def test_page_that_is_gone_stops_it(house):
    listen(house)
    until(lambda: house.player.now.phase == "sound")
    house.player._clock.now_s += 5.0
    assert ended(house.player).text.startswith("Stopped by itself: the page")


def test_what_cannot_be_is_said_before_any_sound(house, monkeypatch):
    with pytest.raises(InputError, match="no 'middle' in this rig"):
        listen(house, "middle")
    monkeypatch.setattr(house.player, "_result", lambda _visit: result_with({250.0: 0.0}))
    with pytest.raises(InputError, match="The card moves no fader of left"):
        listen(house)
    assert house.bulletin.told == []


def test_cable_of_the_demo_sets_the_card_too(house):
    listen(house, cable=2)
    assert ended(house.player).text == "All faders stand."
    assert house.store.visit(1).values("fader.left.") == {"250": -4.0, "2500": 3.0}


def test_what_is_drawn_says_how_far_and_which_way():
    guidance = Guidance(250.0, -1.5, -4.0, 0.3, "down", "down 2.5", (250.0,), (), ("80 is moved.",))
    assert shown_of(guidance) == {
        "name": "250",
        "text": "down 2.5",
        "way": "down",
        "off_db": 2.5,
        "now_db": -1.5,
        "wanted_db": -4.0,
        "left": 1,
        "stray": "80 is moved.",
    }
    done = Guidance(None, np.nan, np.nan, np.nan, "done", "All stand.", (), (), ())
    assert "nan" not in str(shown_of(done))
