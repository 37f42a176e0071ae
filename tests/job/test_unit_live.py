"""A unit that lies, learned by a device, setting by setting: what is done wrong is said at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenhall.equalizer.graphic import graphic_unit, unit_gain_db
from evenhall.errors import InputError
from evenhall.job.live.unit import check_again, record_round
from evenhall.job.live.watch import Watch
from evenhall.job.tune.unit import UnitHead, learn, read_round, round_toml, words_of
from evenhall.sound.live.simulated import SimulatedDevices
from evenhall.sound.simulated.recorder import Noise
from evenhall.sound.simulated.unit import lying_unit
from hallclock import HallClock

RATE_HZ, N = 48_000, 2**14
FACEPLATE = graphic_unit(10)
TRUE = lying_unit(FACEPLATE.centre_hz, FACEPLATE.q, seed=3)
FREQ_HZ = np.arange(N // 2 + 1) * (RATE_HZ / N)
FREQ_HZ[0] = 0.1
QUIET = Noise(level_dbfs=-90.0)


class Hand(Watch):
    """Sets the faders as told, or as `does` has it, and answers what is wrong with an answer."""

    def __init__(self, devices, found, *, true=TRUE, does=None, answers=()):
        self.devices, self.found, self.true = devices, found, true
        self.does = does or {}
        self.answers = list(answers)
        self.told, self.faults, self.asked = [], [], 0

    def ask(self, wanted):
        setting = wanted.setting
        if wanted.fault:
            self.faults.append(wanted.fault)
            if self.answers:
                return self.answers.pop(0)
        self.told.append(words_of(setting))
        self.asked += 1
        faders_db = self.found.faders_db(setting)
        do = self.does.pop(self.asked, None)
        if do == "stop":
            return "end"
        if do is not None and do != "bypass":
            faders_db = do(faders_db)
        if setting.bypass or do == "bypass":
            impulse = np.eye(1, N)[0]
        else:
            # An analog unit does not end at half the sample rate: what rings ahead has its place.
            impulse = np.roll(np.fft.irfft(self.true.response(faders_db, FREQ_HZ), N), N // 4)
        self.devices.connect(0.3 * impulse)
        return "on"


@pytest.fixture
def devices():
    with SimulatedDevices(noise=QUIET, clock=HallClock()) as open_devices:
        yield open_devices


def begun(folder):
    head = UnitHead(name="Old unit", bands=10, range_db=12.0)
    (folder / "unit.toml").write_text(round_toml(head))
    return folder


@pytest.fixture
def rack(tmp_path):
    return begun(tmp_path)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """A rack whose settings are all recorded, and the hand that was led through them."""
    folder = begun(tmp_path_factory.mktemp("recorded"))
    found = read_round(folder, recorded=False)
    with SimulatedDevices(noise=QUIET, clock=HallClock()) as open_devices:
        hand = Hand(open_devices, found)
        assert record_round(open_devices, folder, found, watch=hand)
    return folder, found, hand, learn(read_round(folder), folder)


@pytest.mark.xdist_group("recorded-rack")
def test_round_led_through_learns_the_unit_that_is_there(recorded):
    _, _, hand, (learned, doubts) = recorded
    assert hand.faults == []
    assert hand.told[0] == "All faders to 0, the unit switched in."  # all is held against it
    assert doubts == ()
    unit = learned.unit(step_db=0.0, max_boost_db=12.0)
    rng = np.random.default_rng(1)
    hz = np.geomspace(25.0, 18_000.0, 100)
    for _ in range(5):
        faders_db = rng.uniform(-10.0, 10.0, 10)
        true_db = 20.0 * np.log10(
            np.abs(TRUE.response(faders_db, hz) / TRUE.response(np.zeros(10), hz))
        )
        assert np.abs(unit_gain_db(unit, faders_db, hz) - true_db).max() < 0.3


def test_what_is_done_wrong_is_said_before_the_next_setting(rack, devices):
    """A fader forgotten, the unit bypassed, the wrong way, and a fader left up: each once."""

    def forgotten(faders_db):
        changed = faders_db.copy()
        changed[np.flatnonzero(faders_db)[0]] = 0.0
        return changed

    def left_up(faders_db):
        changed = faders_db.copy()
        changed[np.flatnonzero(faders_db == 0.0)[-1]] = np.abs(faders_db).max()
        return changed

    found = read_round(rack, recorded=False)
    does = {3: forgotten, 5: "bypass", 7: np.negative, 9: left_up}
    hand = Hand(devices, found, does=does)
    assert record_round(devices, rack, found, watch=hand)
    first, second, third, fourth = hand.faults
    assert first.startswith("Not moved as told: ")
    assert "the unit is bypassed" in second
    assert "the opposite way" in third
    assert "should be at 0" in fourth
    assert hand.asked == len(found.settings) + 4
    assert learn(read_round(rack), rack)[1] == ()


def test_broken_off_it_goes_on_where_it_ended(rack, devices):
    found = read_round(rack, recorded=False)
    assert not record_round(devices, rack, found, watch=Hand(devices, found, does={4: "stop"}))
    hand = Hand(devices, found)
    assert record_round(devices, rack, found, watch=hand)
    assert hand.asked == len(found.settings) - 3


def test_what_is_wrong_can_be_kept_or_ended(rack, devices):
    found = read_round(rack, recorded=False)
    hand = Hand(devices, found, does={3: "bypass"}, answers=["keep"])
    assert record_round(devices, rack, found, watch=hand)
    assert len(hand.faults) == 1
    for one in rack.glob("*.wav"):
        one.unlink()
    assert not record_round(
        devices, rack, found, watch=Hand(devices, found, does={3: "bypass"}, answers=["end"])
    )
    assert len(list(rack.glob("*.wav"))) == 2


def test_setting_that_is_wrong_is_not_kept_when_nobody_can_say_what_to_do(rack, devices):
    found = read_round(rack, recorded=False)

    class Interrupted(Hand):
        def ask(self, wanted):
            if wanted.fault:
                raise KeyboardInterrupt
            return super().ask(wanted)

    forgot = Interrupted(devices, found, does={3: "bypass"})
    with pytest.raises(KeyboardInterrupt):
        record_round(devices, rack, found, watch=forgot)
    assert len(list(rack.glob("*.wav"))) == 2  # flat and bypass


def test_no_cable_is_said_at_the_first_setting(rack, devices):
    found = read_round(rack, recorded=False)

    class Unplugged(Hand):
        def ask(self, wanted):
            answer = super().ask(wanted)
            self.devices.connect(np.zeros(4))
            return answer

    hand = Unplugged(devices, found, answers=["end"])
    assert not record_round(devices, rack, found, watch=hand)
    assert "Look at the cable" in hand.faults[0]


@pytest.mark.xdist_group("recorded-rack")
def test_drift_is_found_in_two_sweeps(recorded, devices):
    rack, found, _, (learned, _) = recorded
    text, worst_db = check_again(devices, rack, found, learned, watch=Hand(devices, found))
    assert text.startswith("Still as it was learned")
    assert worst_db < 0.5
    sagged = replace(TRUE, share=np.where(np.arange(10) == 0, 0.6, 1.0) * TRUE.share)
    text, worst_db = check_again(
        devices, rack, found, learned, watch=Hand(devices, found, true=sagged)
    )
    assert text.startswith("Not as it was learned")
    assert "31.5" in text
    assert worst_db > 2.0
    hand = Hand(devices, found, does={1: "stop"})
    assert check_again(devices, rack, found, learned, watch=hand) is None


@pytest.mark.xdist_group("recorded-rack")
def test_unit_of_other_faders_than_the_round_is_refused(recorded, devices):
    rack, found, _, (learned, _) = recorded
    fewer = learned.model_copy(update={"faders": learned.faders[1:]})
    with pytest.raises(InputError, match="bands are not those that were learned"):
        check_again(devices, rack, found, fewer, watch=Hand(devices, found))
