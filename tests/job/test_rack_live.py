"""A rack in an audio server: a card that is set, a scale that lies, a rig behind a low cut."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import signal

import rooms
from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.graphic import band_gain_db, graphic_unit, positions_of
from evenhall.job.live.faders import FaderOrder, follow_faders
from evenhall.job.live.taking import Order, record_into_folder
from evenhall.job.live.watch import Guided, Watch
from evenhall.sound.live.open_devices import CEILING_DBFS
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup
from evenhall.verdict.proof.by_cable import cable_moves, cable_proofs
from handroom import Hand, Rack
from jackroom import JackRoom, jack_tests
from live_rack import write_rack
from verdict.builders import judged

pytestmark = jack_tests("rack")

RATE_HZ = 48_000
UNIT = graphic_unit(31)
LIVE_RACK = Path(__file__).parents[1] / "live_rack.py"
LOW_CUT_HZ, LOW_CUT_DB = 45.0, 24
CABLE = np.eye(1, 64)[0]
# Another Q and law than the program takes it for, and a scale that gives 4 % less.
OTHER = Rack(UNIT.centre_hz, 0.8 * UNIT.q, np.full(31, 0.96), 0.25, 12.0)
DULL = replace(OTHER, q=UNIT.q, q_power=0.5, share=np.where(NOMINAL_HZ >= 5000.0, 0.5, 1.0))


def hall(seed):
    through = signal.butter(LOW_CUT_DB // 6, LOW_CUT_HZ, "high", fs=RATE_HZ, output="sos")
    response = signal.sosfilt(through, rooms.hall(RATE_HZ, 0.5, seed)[:24_000])
    return 0.3 * response / np.abs(response).max()


# Outputs of the hall: 1 to the rack, 2 the cable behind it, 3 the reference, 4 and 5 two spots.
PATHS = {
    (1, 1): CABLE,
    (2, 2): 0.5 * CABLE,
    (1, 3): CABLE,
    (1, 4): hall(3),
    (1, 5): hall(4),
}
BEHIND = SoundSetup(
    "hall", "hall", mic_channel=2, reference="cable", reference_channel=3, output_channels=(1,)
)


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    place = tmp_path_factory.mktemp("jack")
    with JackRoom(place, PATHS, rate_hz=RATE_HZ, period=1024) as running:
        running.rack = place / "rack.json"
        write_rack(running.rack, OTHER, np.zeros(31))
        running.run_client(LIVE_RACK, running.rack)
        running._wait_for("rack:out")
        running.connect("hall:out_1", "rack:in")
        running.connect("rack:out", "hall:in_2")
        yield running


@pytest.fixture(autouse=True)
def in_room(room, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)


class RealHand(Watch):
    """A `Hand` that lives in real time, and moves the rack."""

    def __init__(self, room):
        self.room, self.hand = room, Hand(OTHER, UNIT.nominal_hz, np.random.default_rng(5))
        self.began_s = self.lived_s = time.monotonic()

    def tell(self, news):
        if not isinstance(news, Guided):
            return
        self.hand.guidance = news.guidance
        now_s = time.monotonic()
        if self.hand.live_on(now_s, now_s - self.lived_s):
            write_rack(self.room.rack, OTHER, self.hand.scale_db)
        self.lived_s = now_s

    def stop_wanted(self):
        return time.monotonic() - self.began_s > 45.0


def test_hand_sets_a_card_by_cable_on_a_unit_that_is_not_its_model(room):
    write_rack(room.rack, OTHER, np.zeros(31))
    wanted_db = positions_of(UNIT, {400.0: -6.0, 2500.0: 3.0})
    order = FaderOrder(
        unit=UNIT,
        wanted_db=wanted_db,
        start_db=np.zeros(31),
        by_cable=True,
        low_hz=20.0,
        high_hz=20_000.0,
    )
    watch = RealHand(room)
    with Live(replace(BEHIND, reference="inside", reference_channel=0)) as live:
        last = follow_faders(live, order, watch=watch)
    assert last.way == "done"
    assert np.abs(OTHER.share * watch.hand.scale_db - wanted_db).max() <= 0.5


def record(folder, setup, **fields):
    order = Order(side="left", length_s=3.0, **fields)
    with Live(setup) as live:
        taken = record_into_folder(folder, order, live, ceiling_dbfs=CEILING_DBFS, watch=Watch())
    assert taken.usable
    return taken.take


def test_treble_that_does_half_of_its_scale_is_to_be_learned_and_no_fader_moved(room, tmp_path):
    asked_db = positions_of(UNIT, {250.0: -4.0, 16000.0: -9.5})
    write_rack(room.rack, DULL, asked_db)
    time.sleep(0.2)
    take = record(tmp_path / "set", BEHIND, spot="cable", at="cable")
    card = SimpleNamespace(
        solutions={"both": SimpleNamespace(fader_db=asked_db)},
        gain_db=lambda side: band_gain_db(UNIT, asked_db),
        strip_db=lambda side: np.zeros(31),
        unit_of=lambda side: UNIT,
    )
    (move,) = cable_moves(cable_proofs([take], card))
    assert move.kind == "check"
    assert "this unit does not do what its scale says at" in move.text
    assert "learn it" in move.text


def test_nothing_is_asked_from_below_the_low_cut_of_the_rig(tmp_path):
    takes = [
        record(tmp_path / "cut", replace(BEHIND, mic_channel=channel), spot=spot)
        for channel, spot in ((4, "front"), (5, "back"))
    ]
    verdict = judged(*takes, low_limit_hz=20.0)
    # Where a Butterworth high-pass is 10 dB down, closed form.
    below = 0.95 * LOW_CUT_HZ * 9.0 ** (-3.0 / LOW_CUT_DB) > NOMINAL_HZ
    assert below.sum() == 3
    assert not verdict.area.in_range[below].any()
    assert not np.any(verdict.card.solutions["both"].fader_db[below] > 0.0)
    assert not any(pattern.hz in NOMINAL_HZ[below] for pattern in verdict.patterns)
