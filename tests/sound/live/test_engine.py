"""The sound callback without a device: what goes out, when it stops, what is kept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.sound.live.engine import FADE_S, LEASE_S, Engine
from evenhall.sound.live.exchange import ENDED, LOST, LOST_LOG, Exchange, Layout

RATE_HZ = 48_000
BLOCK = 256


class Bench:
    """An asker and an engine on one memory, driven block by block."""

    def __init__(self, *, ring_s=2.0, limit_s=60.0, longest_s=20.0, ceiling=1.0):
        layout = Layout(
            inputs=1,
            ring_frames=round(ring_s * RATE_HZ),
            longest_frames=round(longest_s * RATE_HZ),
        )
        self.exchange = Exchange.private(layout)
        self.now_s = 0.0  # by the computer's clock, which nobody sets
        self.engine = Engine(
            self.exchange,
            rate_hz=RATE_HZ,
            limit_s=limit_s,
            ceiling=ceiling,
            clock=lambda: self.now_s,
        )
        self.time_s = 1.0
        self.plays = 0

    def play(self, signal, *, outputs=0b01):
        self.exchange.programme[: signal.size] = signal
        self.exchange.asked["length"][...] = signal.size
        self.exchange.asked["outputs"][...] = outputs
        self.plays += 1
        self.exchange.asked["play"][...] = self.plays

    def stop(self):
        self.exchange.asked["stop"][...] = self.plays

    def run(self, duration_s, *, alive=True, heard=0.0, block=BLOCK):
        """Sound sent to two channels during that time."""
        out = []
        for _ in range(round(duration_s * RATE_HZ / block)):
            if alive:
                self.exchange.asked["heartbeat"][...] += 1
            channels = np.full((block, 2), np.nan, dtype=np.float32)
            sent = self.engine.give(channels)
            self.engine.take(np.full((block, 1), heard, dtype=np.float32), sent, time_s=self.time_s)
            self.time_s += block / RATE_HZ
            self.now_s += block / RATE_HZ
            out.append(channels)
        return np.concatenate(out)

    @property
    def ended(self):
        return ENDED.get(int(self.exchange.told["ended"]))

    @property
    def lost(self):
        count = int(self.exchange.told["lost"])
        assert count <= LOST_LOG
        return [(int(frame), LOST[int(kind)]) for frame, kind in self.exchange.lost_log[:count]]


def tone(duration_s):
    return np.full(round(duration_s * RATE_HZ), 0.5, dtype=np.float32)


def last_sounding_s(out):
    return (np.flatnonzero(out[:, 0])[-1] + 1) / RATE_HZ


def test_nothing_sounds_until_it_is_asked_for():
    assert not Bench().run(0.2).any()


def test_programme_goes_to_the_outputs_that_were_named_and_to_no_other():
    bench = Bench()
    bench.play(tone(0.1), outputs=0b10)
    out = bench.run(0.2)
    assert not out[:, 0].any()
    assert np.count_nonzero(out[:, 1] == 0.5) == round(0.1 * RATE_HZ)
    assert bench.ended == "finished"


@given(
    length=st.integers(1, 5000),
    blocks=st.lists(st.integers(1, 1500), min_size=20, max_size=20),
)
def test_every_sample_goes_out_once_whatever_the_block_sizes(length, blocks):
    bench = Bench()
    signal = np.random.default_rng(1).uniform(0.1, 1.0, length).astype(np.float32)
    bench.play(signal)
    out = np.concatenate([bench.run(n / RATE_HZ, block=n)[:, 0] for n in blocks])
    whole = min(length, out.size)
    np.testing.assert_array_equal(out[:whole], signal[:whole])
    assert not out[whole:].any()


def test_stop_fades_out_within_the_next_block():
    bench = Bench()
    bench.play(tone(5.0))
    bench.run(1.0)
    bench.stop()
    out = bench.run(0.5)
    assert last_sounding_s(out) <= FADE_S + 0.001
    assert np.abs(np.diff(out[:, 0], prepend=np.float32(0.5))).max() < 0.01  # no click
    assert bench.ended == "stopped"


def test_what_was_stopped_before_it_began_never_sounds():
    bench = Bench()
    bench.play(tone(5.0))
    bench.stop()
    assert not bench.run(0.2).any()
    assert bench.ended == "stopped"


def test_sound_can_be_asked_for_again_after_a_stop():
    bench = Bench()
    bench.play(tone(5.0))
    bench.run(0.1)
    bench.stop()
    bench.run(0.1)
    bench.play(tone(0.1))
    assert np.count_nonzero(bench.run(0.2)[:, 0]) == round(0.1 * RATE_HZ)
    assert bench.ended == "finished"


def test_sound_fades_out_when_the_asker_shows_no_sign_of_life_for_two_seconds():
    bench = Bench()
    bench.play(tone(15.0))
    bench.run(1.0)
    out = bench.run(4.0, alive=False)
    assert LEASE_S - 0.1 <= last_sounding_s(out) <= LEASE_S + 0.1
    assert bench.ended == "asker gone"


def test_asker_that_lives_keeps_the_sound():
    bench = Bench()
    bench.play(tone(10.0))
    assert bench.run(9.0)[:, 0].all()


def test_no_sound_outlasts_the_limit():
    bench = Bench(limit_s=3.0)
    bench.play(tone(10.0))
    assert 2.99 <= last_sounding_s(bench.run(6.0)) <= 3.02
    assert bench.ended == "too long"


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e25])
def test_nothing_above_the_ceiling_and_nothing_that_is_no_number_reaches_the_device(value):
    bench = Bench(ceiling=0.4)
    wild = tone(0.1)
    wild[::2] = value
    bench.play(wild, outputs=0b11)
    out = bench.run(0.2)
    assert np.isfinite(out).all()
    assert np.abs(out).max() == np.float32(0.4)  # the 0.5 of every second sample
    sent = bench.exchange.ring[: int(bench.exchange.told["written"]), 1]
    np.testing.assert_array_equal(sent, out[: sent.size, 0])


def test_sound_fades_out_in_the_next_block_once_the_asker_is_known_to_be_gone():
    bench = Bench()
    bench.play(tone(15.0))
    bench.run(1.0)
    bench.engine.let_go()
    assert last_sounding_s(bench.run(1.0)) <= FADE_S + 0.001
    assert bench.ended == "asker gone"


def test_nothing_begins_once_the_asker_is_gone():
    bench = Bench()
    bench.engine.let_go()
    bench.play(tone(1.0))
    assert not bench.run(1.0).any()
    assert bench.ended == "asker gone"


def test_what_is_heard_stands_beside_what_was_sent_in_the_same_callback():
    bench = Bench()
    bench.play(tone(0.1))
    bench.run(0.2, heard=0.25)
    kept = bench.exchange.ring[: int(bench.exchange.told["written"])]
    assert len(kept) == pytest.approx(0.2 * RATE_HZ, abs=BLOCK)
    assert (kept[:, 0] == 0.25).all()
    assert np.count_nonzero(kept[:, 1] == 0.5) == round(0.1 * RATE_HZ)


def test_ring_goes_round():
    bench = Bench(ring_s=0.1)
    for k in range(40):
        before = int(bench.exchange.told["written"])
        bench.run(0.02, heard=float(k))
        written = int(bench.exchange.told["written"])
        places = np.arange(before, written) % len(bench.exchange.ring)
        assert (bench.exchange.ring[places, 0] == k).all()
        bench.exchange.asked["read"][...] = written
    assert not bench.lost


def test_sound_that_nobody_reads_is_reported_as_lost():
    bench = Bench(ring_s=0.1)
    bench.run(0.2)
    assert {how for _, how in bench.lost} == {"nobody read it"}


def test_loss_that_the_device_tells_is_reported_with_its_place():
    bench = Bench()
    bench.run(0.1)
    at = int(bench.exchange.told["written"])
    bench.engine.take(np.zeros((BLOCK, 1), dtype=np.float32), dropped=True)
    assert bench.lost == [(at, "the device dropped some")]


def test_gap_in_the_devices_time_is_reported():
    bench = Bench()
    bench.run(0.1)
    bench.time_s += 2 * BLOCK / RATE_HZ
    bench.run(0.1)
    assert [how for _, how in bench.lost] == ["a gap in the device's time"]


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0])
def test_device_whose_clock_is_set_meanwhile_has_lost_nothing(jump_s):
    bench = Bench()
    bench.time_s = 10_000.0
    bench.run(0.1)
    bench.time_s += jump_s
    bench.run(0.1)
    assert not bench.lost


@pytest.mark.parametrize("jump_s", [60.0, 0.0])  # a device's time may sleep as well
def test_device_that_slept_has_lost_what_it_did_not_hear(jump_s):
    bench = Bench()
    bench.run(0.1)
    bench.time_s += jump_s
    bench.now_s += 60.0
    bench.run(0.1)
    assert [how for _, how in bench.lost] == ["a gap in the device's time"]


@pytest.mark.parametrize("jitter_s", [0.0005, -0.0005])
def test_small_jitter_of_the_devices_time_is_no_loss(jitter_s):
    bench = Bench()
    for k in range(50):
        bench.time_s += jitter_s * (-1) ** k
        bench.run(0.02)
    assert not bench.lost


def test_more_losses_than_the_log_holds_leave_the_newest_in_it():
    bench = Bench()
    for _ in range(LOST_LOG + 10):
        bench.engine.take(np.zeros((1, 1), dtype=np.float32), dropped=True)
    assert int(bench.exchange.told["lost"]) == LOST_LOG + 10
    frames = bench.exchange.lost_log[:, 0]
    assert sorted(frames) == list(range(10, LOST_LOG + 10))
