"""Sound through PortAudio, a JACK server and a real-time convolver, and back.

What the convolver does is known exactly, so the response that comes back is known too.
"""

from __future__ import annotations

import os
import signal
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ
from evenhall.acoustics.level import rms_dbfs
from evenhall.acoustics.stimulus import pink_noise
from evenhall.acoustics.transfer import transfer_function
from evenhall.errors import DeviceError, InputError
from evenhall.sound.live.choosing import Choice, chosen_setup
from evenhall.sound.live.engine import FADE_S, LEASE_S
from evenhall.sound.live.latency import latency_s
from evenhall.sound.live.open_devices import RAMP_FROM_DB, RAMP_S, ramped
from evenhall.sound.live.session import Live, present
from evenhall.sound.live.setup import SoundSetup, remember, remembered
from jackroom import JackRoom, jack_tests

pytestmark = jack_tests("session")

RATE_HZ, PERIOD = 48_000, 512
DELAY = 480  # 10 ms


def box():
    """Direct sound, a reflection, and a short tail."""
    rng = np.random.default_rng(5)
    response = np.zeros(8192)
    response[DELAY] = 0.5
    response[DELAY + 331] = -0.2
    tail = np.arange(6000)
    response[DELAY + 500 : DELAY + 6500] += 0.01 * rng.standard_normal(6000) * np.exp(-tail / 900.0)
    return response


RESPONSE = box()
CABLE = np.eye(1, 64)[0]
CABLED = SoundSetup(
    "hall", "hall", mic_channel=1, reference="cable", reference_channel=2, output_channels=(1,)
)


def true_levels_db():
    """Third-octave levels straight from the convolver's response."""
    n = 1 << 20
    power = np.abs(np.fft.rfft(RESPONSE, n)) ** 2
    hz = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    levels = []
    for low, high in zip(LOWER_HZ, UPPER_HZ, strict=True):
        inside = (hz >= low) & (hz < high)
        levels.append(10.0 * np.log10(np.average(power[inside], weights=1.0 / hz[inside])))
    return np.array(levels)


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    place = tmp_path_factory.mktemp("jack")
    with JackRoom(
        place, {(1, 1): RESPONSE, (1, 2): CABLE}, rate_hz=RATE_HZ, period=PERIOD
    ) as running:
        yield running


@pytest.fixture
def own_room(tmp_path, monkeypatch):
    """Give a room that the test may break."""
    with JackRoom(
        tmp_path / "jack", {(1, 1): RESPONSE, (1, 2): CABLE}, rate_hz=RATE_HZ, period=PERIOD
    ) as running:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", running.server_name)
        yield running


@pytest.fixture
def in_room(room, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)


def listen(live, seconds):
    """Read and stay alive for that long, or until what plays has ended and rung out."""
    heard, until = [], time.monotonic() + seconds
    while time.monotonic() < until:
        live.keep_alive()
        heard.append(live.read())
        time.sleep(0.02)
    inputs = np.concatenate([part.inputs for part in heard])
    return inputs, np.concatenate([part.sent for part in heard])


def noise(duration_s, level_dbfs=-30.0):
    return pink_noise(duration_s, rate_hz=RATE_HZ, seed=3, level_dbfs=level_dbfs)


@pytest.fixture(scope="module")
def recorded(room):
    """Six seconds of noise through the hall.

    The synchronous server may be late on a busy machine, and then says so, but loses no sample.
    """
    os.environ["JACK_DEFAULT_SERVER"] = room.server_name
    try:
        with Live(CABLED) as live:
            listen(live, 0.3)
            live.play(noise(6.0))
            return listen(live, 7.0)
    finally:
        del os.environ["JACK_DEFAULT_SERVER"]


def test_devices_are_listed_with_their_channels(in_room):
    hall = next(device for device in present() if device.name == "hall")
    assert (hall.inputs, hall.outputs, hall.rate_hz) == (2, 1, RATE_HZ)


def test_programs_on_the_sound_server_are_told_from_its_devices(in_room):
    # The server's own ports are "system"; the convolver is a program, as this test's is.
    assert {device.name: device.is_program for device in present()} == {
        "system": False,
        "hall": True,
    }


@pytest.mark.parametrize("way", ["cable", "inside"])
def test_response_comes_back_within_five_hundredths_of_a_db(recorded, way):
    inputs, sent = recorded
    reference = inputs[:, 1] if way == "cable" else sent
    response = transfer_function(
        np.ascontiguousarray(inputs[:, 0]), np.ascontiguousarray(reference), rate_hz=RATE_HZ
    )
    inside = (EXACT_HZ > 80.0) & (EXACT_HZ < 17_000.0)
    error_db = response.bands.level_db - true_levels_db()
    assert response.bands.usable[inside].all()
    assert np.abs(error_db[inside]).max() <= 0.05
    assert response.polarity == 1


def test_cable_takes_the_latency_off_the_delay(recorded):
    inputs, sent = recorded
    microphone, cable = (np.ascontiguousarray(channel) for channel in inputs.T)
    by_cable = transfer_function(microphone, cable, rate_hz=RATE_HZ)
    latency = transfer_function(cable, sent, rate_hz=RATE_HZ)
    inside = transfer_function(microphone, sent, rate_hz=RATE_HZ)
    assert abs(by_cable.delay_s - DELAY / RATE_HZ) <= 1e-5
    assert latency.delay_s > 0.0
    assert abs(inside.delay_s - latency.delay_s - DELAY / RATE_HZ) <= 1e-4


def test_sound_comes_up_over_its_first_second(recorded):
    _, sent = recorded
    start = int(np.flatnonzero(sent)[0])
    tenth = round(0.1 * RATE_HZ)
    levels = [float(rms_dbfs(sent[start + k * tenth : start + (k + 1) * tenth])) for k in range(15)]
    steady = np.mean(levels[10:])
    assert levels[0] - steady <= RAMP_FROM_DB + 6.0
    assert np.diff(levels[:10]).min() > -3.0  # noise itself wavers
    assert abs(levels[11] - steady) <= 3.0


def test_ramp_leaves_what_follows_alone():
    signal = noise(2.0)
    out = ramped(signal, RATE_HZ)
    after = round(RAMP_S * RATE_HZ)
    np.testing.assert_array_equal(out[after:], signal[after:].astype(np.float32))
    assert out[0] == 0.0


def test_stop_is_heard_within_50_ms(in_room):
    with Live(CABLED) as live:
        live.play(noise(10.0))
        listen(live, 1.5)
        live.read()
        asked = int(live._told["written"])  # frames that had been converted by then
        live.stop()
        inputs, _ = listen(live, 0.4)
        assert live.ended == "stopped"
    # By the cable: what the output really sent, in the stream's own time.
    last = int(np.flatnonzero(np.abs(inputs[:, 1]) > 1e-6)[-1])
    assert last <= 0.05 * RATE_HZ
    assert asked > 0


def test_sound_fades_when_the_asker_falls_silent(in_room):
    with Live(CABLED) as live:
        live.play(noise(10.0))
        time.sleep(LEASE_S + 0.5)
        assert live.ended == "asker gone"
        assert live.played_frames < (LEASE_S + 0.3 + FADE_S) * RATE_HZ


def test_asker_that_is_busy_for_long_finds_its_devices_open(in_room):
    with Live(CABLED) as live:
        listen(live, 0.2)
        time.sleep(3.0 * LEASE_S)
        live.keep_alive()
        live.play(noise(1.0))
        listen(live, 1.5)
        assert live.ended == "finished"


def test_peaks_above_the_ceiling_are_refused_until_it_is_raised(in_room):
    loud = noise(1.0, level_dbfs=-16.0)
    with Live(CABLED) as live:
        with pytest.raises(InputError, match=r"would pass the ceiling of -10 dBFS\. Lower the lev"):
            live.play(loud)
        assert not live.playing
    with Live(CABLED, ceiling_dbfs=0.0) as live:
        live.play(loud)
        assert live.playing


def test_open_devices_leave_nothing_on_the_disk_whoever_is_killed(in_room):
    with Live(CABLED) as live:
        assert not Path(live._place.name).exists()
        live.play(noise(0.5))
        assert np.abs(listen(live, 1.0)[1]).max() > 0.0


def test_two_sounds_at_once_are_refused(in_room):
    with Live(CABLED) as live:
        live.play(noise(2.0))
        with pytest.raises(InputError, match="Something plays already"):
            live.play(noise(2.0))


def test_channels_that_do_not_exist_are_named(in_room):
    with pytest.raises(InputError) as caught:
        Live(SoundSetup("hall", "hall", mic_channel=3, output_channels=(1, 2)))
    assert str(caught.value).splitlines() == [
        '"hall (JACK Audio Connection Kit)" has 2 inputs: there is no input 3.',
        '"hall (JACK Audio Connection Kit)" has 1 outputs: there is no output 2.',
    ]


@pytest.mark.parametrize("way", ["inside", "outside"])
def test_rate_of_a_device_that_runs_at_another_is_named(in_room, way):
    # As if it could be set to another.
    there = [replace(device, host="ALSA") for device in present()]
    setup = SoundSetup("hall", "hall", rate_hz=96_000, output_channels=(1,), reference=way)
    with pytest.raises(DeviceError) as caught, Live(setup, devices=there):
        pass
    assert str(caught.value) == (
        '"hall (ALSA)" runs at 48000 Hz, not at 96000. Choose that with '
        "`evenhall devices --rate 48000`, or set the device itself to 96000 Hz."
    )


def test_device_that_comes_back_at_another_rate_is_told_and_the_next_take_works(
    own_room, tmp_path, monkeypatch
):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    remember(replace(chosen_setup(Choice(device="hall"), present()), latency_s=0.02))
    with Live(remembered()) as live:
        live.play(noise(10.0))
        listen(live, 0.5)
        own_room.kill_server()
        with pytest.raises(DeviceError, match="stopped in the middle: it was pulled out"):
            listen(live, 4.0)
    with JackRoom(tmp_path / "again", {(1, 1): CABLE}, rate_hz=44_100, period=PERIOD) as again:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", again.server_name)
        with Live(remembered()) as live:
            assert (live.setup.rate_hz, live.rate_hz, live.setup.latency_s) == (
                44_100,
                44_100,
                None,
            )
            live.play(noise(0.5))
            listen(live, 1.0)
            assert live.ended == "finished"


def test_server_killed_in_the_middle_ends_in_a_clear_word_and_never_hangs(own_room):
    started = time.monotonic()
    with Live(CABLED) as live:
        live.play(noise(10.0))
        listen(live, 1.0)
        own_room.kill_server()
        with pytest.raises(DeviceError, match="stopped in the middle: it was pulled out"):
            listen(live, 4.0)
    assert time.monotonic() - started < 10.0


def test_no_server_at_all_is_told(own_room):
    own_room.kill_server()
    with pytest.raises(
        (DeviceError, InputError), match=r"There is no sound input|No input is call"
    ):
        Live(CABLED)


def test_sound_process_that_was_held_up_reports_the_loss(own_room):
    with Live(CABLED) as live:
        listen(live, 1.0)
        live.lost()
        os.kill(live._process.pid, signal.SIGSTOP)
        time.sleep(0.4)
        os.kill(live._process.pid, signal.SIGCONT)
        listen(live, 1.0)
        assert live.lost()


def test_latency_is_measured_by_a_cable(in_room, recorded):
    inputs, sent = recorded
    cable = transfer_function(np.ascontiguousarray(inputs[:, 1]), sent, rate_hz=RATE_HZ)
    assert abs(latency_s(CABLED, channel=2) - cable.delay_s) <= 1e-5


def test_room_is_no_cable(in_room):
    with pytest.raises(DeviceError, match=r"Input 1 does not carry what output 1 sent\. Join them"):
        latency_s(CABLED, channel=1)
