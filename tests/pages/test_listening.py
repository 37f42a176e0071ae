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
from pages.demo_services import ME, ended, services_in, until

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
def services(tmp_path, monkeypatch):
    """A demo visit with a card, whose hall goes on by a step at each look at the clock."""
    services = services_in(tmp_path / "data")
    services.new_demo()
    monkeypatch.setattr(services.player, "_result", lambda _visit: result_with(CARD))
    looks = itertools.count()

    def stepped(**options):
        return SimulatedDevices(**{**options, "clock": lambda: 0.03 * next(looks)})

    monkeypatch.setattr(devices, "SimulatedDevices", stepped)
    yield services
    services.close()


def listen(services, side="left", **changes):
    order = {"cable": None, "goes_on": True, "holder": ME, **changes}
    services.player.faders(1, side, **order)


def test_hand_of_the_demo_sets_the_card_and_what_stands_is_entered(services):
    listen(services)
    now = ended(services.player)
    assert (now.phase, now.text, now.good) == ("ended", "All set.", True)
    assert services.store.visit(1).values("fader.left.") == {"250": -4.0, "2500": 3.0}
    shown = [data for kind, data, *_ in services.bulletin.told if kind == "faders" and data]
    assert shown, "something was drawn"
    # A reader hears what stands and what is next, not every figure.
    said = [kind for kind, *_ in services.bulletin.told if kind == "changed"]
    assert len(said) <= 12


def test_stop_keeps_what_stands(services):
    listen(services)
    until(lambda: "250" in services.store.visit(1).values("fader.left."))
    services.player.stop()
    now = ended(services.player)
    assert now.text == "Stopped. The faders that are set are ticked."
    assert services.store.visit(1).values("fader.left.")["250"] == -4.0


def test_page_that_is_gone_stops_it(services):
    listen(services)
    until(lambda: services.player.now.phase == "sound")
    services.player._clock.now_s += 5.0
    assert ended(services.player).text.startswith("Stopped by itself: the page")


def test_what_cannot_be_is_said_before_any_sound(services, monkeypatch):
    with pytest.raises(InputError, match="no 'middle' in this rig"):
        listen(services, "middle")
    monkeypatch.setattr(services.player, "_result", lambda _visit: result_with({250.0: 0.0}))
    with pytest.raises(InputError, match="The card moves no fader of left"):
        listen(services)
    assert services.bulletin.told == []


def test_cable_of_the_demo_sets_the_card_too(services):
    listen(services, cable=2)
    assert ended(services.player).text == "All set."
    assert services.store.visit(1).values("fader.left.") == {"250": -4.0, "2500": 3.0}


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
    done = Guidance(None, np.nan, np.nan, np.nan, "done", "All set.", (), (), ())
    assert "nan" not in str(shown_of(done))
