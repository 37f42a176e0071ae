"""Recording through JACK: what is kept, when it ends, and what is said when an input dies."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from threading import Thread

import numpy as np
import pytest

from evenhall.acoustics.stimulus import pink_noise
from evenhall.errors import DeviceError
from evenhall.sound.live.capture import capture
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup
from jackroom import JackRoom, jack_tests

pytestmark = jack_tests("capture")

RATE_HZ, PERIOD = 48_000, 512
DELAY = 240
RESPONSE = np.eye(1, 1024, DELAY)[0] * 0.5
CABLE = np.eye(1, 64)[0]
INSIDE = SoundSetup("hall", "hall", output_channels=(1,))
CABLED = replace(INSIDE, reference="cable", reference_channel=2)


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    with JackRoom(
        tmp_path_factory.mktemp("jack"),
        {(1, 1): RESPONSE, (1, 2): CABLE},
        rate_hz=RATE_HZ,
        period=PERIOD,
    ) as running:
        yield running


@pytest.fixture(autouse=True)
def in_room(room, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)


def noise(duration_s):
    return pink_noise(duration_s, rate_hz=RATE_HZ, seed=3, level_dbfs=-30.0)


def lag(captured):
    n = 1 << 18
    spectra = np.fft.rfft([captured.microphone, captured.reference], n)
    return int(np.argmax(np.fft.irfft(spectra[0] * spectra[1].conj(), n)))


def test_all_of_the_sound_and_what_rings_on_is_kept(room):
    blocks = []
    with Live(CABLED) as live:
        captured = capture(live, noise(1.5), length_s=1.5, tail_s=0.5, on_block=blocks.append)
    assert captured.ended == "finished"
    np.testing.assert_array_equal(np.concatenate(blocks)[:, 0], captured.microphone)
    sounding = np.flatnonzero(captured.reference)
    assert np.ptp(sounding) >= 1.49 * RATE_HZ
    assert captured.reference.size - sounding[-1] >= 0.4 * RATE_HZ
    assert lag(captured) == DELAY


def test_latency_that_was_measured_is_taken_off_what_was_sent(room):
    with Live(INSIDE) as live:
        unknown = lag(capture(live, noise(1.0), length_s=1.0, tail_s=0.3))
    latency_s = (unknown - DELAY) / RATE_HZ
    assert latency_s > 0.0
    with Live(replace(INSIDE, latency_s=latency_s)) as live:
        assert lag(capture(live, noise(1.0), length_s=1.0, tail_s=0.3)) == DELAY


def test_room_alone_is_recorded_for_the_time_that_was_asked(room):
    with Live(CABLED) as live:
        captured = capture(live, length_s=0.5)
    assert 0.5 <= captured.microphone.size / RATE_HZ <= 0.7
    assert not captured.microphone.any()


def test_stop_ends_it_at_once(room):
    started = time.monotonic()
    with Live(CABLED) as live:
        captured = capture(
            live,
            noise(20.0),
            length_s=20.0,
            tail_s=2.0,
            stop_wanted=lambda: time.monotonic() - started > 2.0,
        )
    assert captured.ended == "stopped"
    assert captured.microphone.size < 3.0 * RATE_HZ


def test_it_ends_early_once_enough_was_heard(room):
    asked = []

    def enough(microphone, reference):
        asked.append((microphone.size, reference.size))
        return len(asked) == 2

    with Live(CABLED) as live:
        captured = capture(live, noise(20.0), length_s=20.0, tail_s=0.2, enough=enough)
    assert captured.ended == "enough"
    assert 6.0 <= captured.microphone.size / RATE_HZ <= 8.0
    assert asked[0][0] == asked[0][1] >= 4.0 * RATE_HZ


def test_port_that_is_parted_in_mid_take_ends_it_in_a_clear_word(room):
    def part():
        time.sleep(2.0)
        room.disconnect("hall:out_1", "PortAudio:in_0")

    puller = Thread(target=part)
    puller.start()
    with (
        pytest.raises(DeviceError, match=r"The microphone's input went dead \d s into the rec"),
        Live(CABLED) as live,
    ):
        capture(live, noise(10.0), length_s=10.0)
    puller.join()


def test_sound_that_was_not_looked_after_is_told(room):
    with (
        pytest.raises(DeviceError, match="The sound ended by itself: the computer was too busy"),
        Live(CABLED) as live,
    ):
        capture(live, noise(10.0), length_s=10.0, on_block=lambda _: time.sleep(2.5))


def test_loss_is_told_with_its_place(room):
    import signal

    with Live(CABLED) as live:

        def hold_up():
            time.sleep(1.0)
            os.kill(live._process.pid, signal.SIGSTOP)
            time.sleep(0.4)
            os.kill(live._process.pid, signal.SIGCONT)

        holder = Thread(target=hold_up)
        holder.start()
        captured = capture(live, noise(3.0), length_s=3.0)
        holder.join()
    assert captured.lost
    assert all(0 <= lost.at_frame <= captured.microphone.size for lost in captured.lost)
