"""From sound to guidance: by arrays, and through simulated devices with a hand on the unit."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy import fft

from evenhall.equalizer.graphic import graphic_unit, positions_of, unit_response
from evenhall.equalizer.sections import Section, sections_gain_db
from evenhall.errors import DeviceError, InputError
from evenhall.job.demo.hand import DemoHand
from evenhall.job.live.faders import FaderOrder, Listener, follow_faders
from evenhall.job.live.watch import Guided, Watch
from evenhall.sound.live.simulated import SimulatedDevices
from evenhall.sound.simulated import Noise

RATE_HZ = 48_000.0
UNIT = graphic_unit(31)
CARD = {250.0: -4.0, 2500.0: 3.0}


def order(*, by_cable, card=CARD, low_hz=40.0):
    return FaderOrder(
        unit=UNIT,
        wanted_db=positions_of(UNIT, card),
        start_db=np.zeros(31),
        by_cable=by_cable,
        low_hz=low_hz,
        high_hz=18_000.0,
    )


def through(one_round, fader_db, room=1.0):
    """A round as it comes out of the unit and the room, once all has settled."""
    freq_hz = fft.rfftfreq(one_round.size, 1.0 / RATE_HZ)
    spectrum = fft.rfft(one_round) * unit_response(UNIT, fader_db, freq_hz) * room
    return fft.irfft(spectrum, one_round.size)


def room_of(n_samples, seed):
    """A diffuse room, line by line: complex Gaussian."""
    rng = np.random.default_rng(seed)
    lines = n_samples // 2 + 1
    return (rng.normal(size=lines) + 1j * rng.normal(size=lines)) / np.sqrt(2.0)


def test_cable_knows_where_the_faders_stand_before_any_is_moved():
    rng = np.random.default_rng(1)
    quiet = 1e-5 * rng.normal(size=19_200)
    listener = Listener(order(by_cable=True, low_hz=16.0), rate_hz=RATE_HZ, quiet=quiet)
    stands_db = positions_of(UNIT, {250.0: -4.0, 1000.0: 2.0})
    heard = 0.2 * through(listener.one_round, stands_db)
    for _ in range(6):
        guidance = listener.hear(heard + 1e-5 * rng.normal(size=heard.size))
    assert np.abs(listener.fader_db - stands_db).max() <= 0.5
    assert guidance.stray == ("1k was moved: set it back to 0.",)


def test_level_behind_the_unit_is_not_taken_for_faders():
    """Every other fader far down, and any gain behind: all a little higher would sound alike."""
    rng = np.random.default_rng(3)
    listener = Listener(
        order(by_cable=True, low_hz=20.0), rate_hz=RATE_HZ, quiet=1e-5 * rng.normal(size=19_200)
    )
    stands_db = np.zeros(31)
    stands_db[4:28:2] = -7.0
    heard = 0.2 * through(listener.one_round, stands_db)
    for _ in range(6):
        listener.hear(heard + 1e-5 * rng.normal(size=heard.size))
    assert abs(np.mean(listener.fader_db - stands_db)) <= 0.1


def test_cable_hears_the_channel_strip_and_takes_it_off():
    """A shelf and a middle before the unit: the faders are found all the same."""
    rng = np.random.default_rng(6)
    strip = (Section("low-shelf", 80.0, -6.0, 0.7), Section("peaking", 900.0, -5.0, 0.7))
    stands_db = positions_of(UNIT, {250.0: -4.0})

    def found(told):
        listener = Listener(
            replace(order(by_cable=True, low_hz=16.0), strip=told),
            rate_hz=RATE_HZ,
            quiet=1e-5 * rng.normal(size=19_200),
        )
        freq_hz = fft.rfftfreq(listener.one_round.size, 1.0 / RATE_HZ)
        before = 10.0 ** (sections_gain_db(strip, np.maximum(freq_hz, 1e-3)) / 20.0)
        heard = 0.2 * through(listener.one_round, stands_db, before)
        for _ in range(6):
            listener.hear(heard + 1e-5 * rng.normal(size=heard.size))
        return listener.fader_db

    assert np.abs(found(strip) - stands_db).max() <= 0.5
    assert np.abs(found(()) - stands_db).max() > 1.0


def test_microphone_follows_through_a_room_to_one_decibel():
    rng = np.random.default_rng(2)
    noise = 10.0 ** ((-32.0 - 3.01 - 20.0) / 20.0)  # 20 dB below the noise that is played
    listener = Listener(
        order(by_cable=False), rate_hz=RATE_HZ, quiet=noise * rng.normal(size=96_000)
    )
    room = room_of(listener.round_frames, 3)

    def hear(fader_db):
        heard = through(listener.one_round, fader_db, room)
        return listener.hear(heard + noise * rng.normal(size=heard.size))

    faders_db = np.zeros(31)
    for _ in range(15):
        assert hear(faders_db) is None
    first = hear(faders_db)
    assert (first.hz, first.text) == (250.0, "down 4.0")
    faders_db = positions_of(UNIT, {250.0: -4.0})
    for _ in range(5):
        guidance = hear(faders_db)
    assert abs(listener.fader_db[11] + 4.0) <= 1.0
    assert (guidance.hz, guidance.left_hz) == (2500.0, (2500.0,))


def test_microphone_that_hears_nothing_says_so():
    rng = np.random.default_rng(4)
    listener = Listener(order(by_cable=False), rate_hz=RATE_HZ, quiet=0.1 * rng.normal(size=96_000))
    for _ in range(14):
        listener.hear(0.1 * rng.normal(size=listener.round_frames))
    with pytest.raises(DeviceError, match="gets too little"):
        listener.hear(0.1 * rng.normal(size=listener.round_frames))


def test_input_that_clips_says_so():
    listener = Listener(order(by_cable=True), rate_hz=RATE_HZ, quiet=np.zeros(9600))
    with pytest.raises(DeviceError, match=r"cable's input clips\. Turn its gain down"):
        listener.hear(np.ones(listener.round_frames))


def test_card_with_a_fader_that_the_unit_has_not_is_refused():
    with pytest.raises(InputError, match="fader at 300 Hz, which this unit has not"):
        positions_of(UNIT, {300.0: -1.0})


class Watcher(Watch):
    """Lets a hand do what is shown, and remembers it."""

    def __init__(self, devices):
        self.devices, self.hand = devices, DemoHand(UNIT, np.zeros(31))
        self.shown, self.stood = [], {}
        devices.put_in(self.hand.impulse(rate_hz=RATE_HZ))

    def tell(self, news):
        if not isinstance(news, Guided):
            return
        self.shown.append(news.guidance)
        self.stood |= dict(news.stood)
        if self.hand.see(news.guidance, elapsed_s=0.2):
            self.devices.put_in(self.hand.impulse(rate_hz=RATE_HZ))

    def stop_wanted(self):
        return len(self.shown) > 200


def test_simulated_hand_sets_the_card_through_the_device():
    # Each look at the clock puts it forward: what is heard does not hang on how busy we are.
    looks = itertools.count()
    with SimulatedDevices(
        noise=Noise(level_dbfs=-80.0), clock=lambda: 0.03 * next(looks)
    ) as devices:
        devices.connect(0.3 * np.eye(1, 64, 12)[0])
        watch = Watcher(devices)
        last = follow_faders(devices, order(by_cable=False), watch=watch)
    assert last.way == "done"
    assert watch.stood == CARD
    assert np.abs(watch.hand.fader_db - positions_of(UNIT, CARD)).max() <= 1.0
    # It went too far with each, and was sent back.
    assert {"up", "down", "there"} <= {one.way for one in watch.shown if one.hz == 250.0}


def test_devices_that_play_nothing_are_refused():
    with SimulatedDevices() as devices:
        devices.setup = replace(devices.setup, reference="outside", reference_channel=2)
        with pytest.raises(InputError, match="so that no fader can be followed"):
            follow_faders(devices, order(by_cable=False), watch=Watcher(devices))
