"""Programs killed, stopped and started side by side, through JACK: what sounds on, what is said.

A listener of its own hears what the hall is sent, by the cable, in the device's own time.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from evenhall.errors import DeviceError
from evenhall.sound.live.engine import LEASE_S
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup
from jackroom import JackRoom, jack_tests

pytestmark = jack_tests("session")

EVENHALL = Path(sys.executable).with_name("evenhall")
RATE_HZ, PERIOD = 48_000, 512
CABLE = np.eye(1, 64)[0]
PATHS = {(1, 1): 0.5 * CABLE, (1, 2): CABLE}
PLAYS = SoundSetup("hall", "hall", output_channels=(1,))
LISTENS = SoundSetup("hall", "", mic_channel=1, reference="outside", reference_channel=2)
ASKER = """\
import time, numpy as np
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup
with Live(SoundSetup("hall", "hall", output_channels=(1,))) as live:
    live.play(np.full(960_000, 0.1))
    while True:
        live.keep_alive(); time.sleep(0.05)
"""


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    with JackRoom(tmp_path_factory.mktemp("jack"), PATHS, rate_hz=RATE_HZ, period=PERIOD) as there:
        yield there


@pytest.fixture(autouse=True)
def in_room(room, monkeypatch, tmp_path):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


@contextmanager
def ended(process):
    """End the process, however the test went."""
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def wait_for_sound(live):
    """Read until the hall sounds at the level of a take: its first second is over."""
    until_s = time.monotonic() + 30.0
    while time.monotonic() < until_s:
        heard = live.read().inputs[:, 1]
        if heard.size and np.abs(heard).max() > 0.05:
            return
        time.sleep(0.05)
    raise AssertionError("nothing sounded")


def sounds_on(live, seconds):
    """What the hall is sent in so many seconds of the device, from now on."""
    live.read()
    begun, parts = live.read_frames, []
    while live.read_frames - begun < seconds * RATE_HZ:
        time.sleep(0.02)
        parts.append(live.read().inputs[:, 1])
    return np.concatenate(parts)


def play_on(live, seconds):
    """Look after what plays for that long."""
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        live.keep_alive()
        live.read()
        time.sleep(0.02)


def last_s(heard):
    sounding = np.flatnonzero(np.abs(heard) > 1e-4)
    return (sounding[-1] + 1) / RATE_HZ if sounding.size else 0.0


def test_sound_fades_out_at_once_when_the_asking_process_is_killed(room, tmp_path):
    script = tmp_path / "asker.py"
    script.write_text(ASKER)
    with Live(LISTENS) as listener, ended(room.run_client(script)) as asker:
        wait_for_sound(listener)
        listener.read()
        os.kill(asker.pid, signal.SIGKILL)
        heard = sounds_on(listener, 1.5)
        assert len([port for port in room.ports() if "PortAudio" in port]) == 2  # the listener's
    assert last_s(heard) < 0.6
    assert np.abs(np.diff(heard)).max() < 0.01  # it fades: a cut is a step of 0.1


def test_take_of_a_program_that_was_stopped_is_not_believed(room, tmp_path):
    words = ("take", "job", "left", "front", "--device", "hall", "--reference", "cable", "--ready")
    program = subprocess.Popen(
        [EVENHALL, *words, "--length", "20"],
        cwd=tmp_path,
        env=room.environment | {"XDG_CONFIG_HOME": str(tmp_path / "settings")},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    with Live(LISTENS) as listener, ended(program):
        wait_for_sound(listener)
        os.kill(program.pid, signal.SIGSTOP)
        heard = sounds_on(listener, LEASE_S + 1.0)
        os.kill(program.pid, signal.SIGCONT)
        _, err = program.communicate(timeout=30)
    assert LEASE_S - 0.5 < last_s(heard) < LEASE_S + 0.6
    assert program.returncode == 4
    assert "The sound ended by itself: the computer was too busy to look after it, or asleep" in (
        " ".join(err.split())
    )
    assert not (tmp_path / "job" / "job.toml").exists()


def test_second_program_on_a_device_is_told_and_the_first_goes_on(room, tmp_path):
    script = tmp_path / "second.py"
    script.write_text(ASKER)
    with Live(PLAYS) as live:
        live.play(np.full(480_000, 0.1))
        heard = []
        with ended(room.run_client(script)) as second:
            while second.poll() is None:
                live.keep_alive()
                heard.append(live.read().inputs[:, 0])
                time.sleep(0.02)
                assert live.playing
    # Half of what it plays itself; the second one's would come on top.
    assert 0.049 < np.concatenate(heard).max() < 0.051
    told = (room.place / f"{Path(sys.executable).name}.log").read_text()
    assert (
        '"hall (JACK Audio Connection Kit)" is in use by another Evenhall on this computer. Stop '
        "it there, or wait until it has ended."
    ) in told


@pytest.fixture
def own_room(tmp_path, monkeypatch):
    """Give a room to break, with a server that does not wait long for a client that was killed."""
    with JackRoom(tmp_path / "jack", PATHS, patience_ms=300) as own:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", own.server_name)
        yield own


def test_sound_process_that_is_held_up_while_it_plays_is_ended_at_once(own_room):
    with Live(PLAYS) as live:
        live.play(np.full(480_000, 0.1))
        time.sleep(0.3)
        os.kill(live._process.pid, signal.SIGSTOP)
        asked_s = time.monotonic()
    assert time.monotonic() - asked_s < 1.7  # one that closes is waited for over 2 s


def test_server_that_stops_in_mid_take_ends_it_and_the_next_take_works(own_room):
    try:
        with Live(PLAYS) as live:
            live.play(np.full(480_000, 0.1))
            play_on(live, 0.3)
            os.kill(own_room.server.pid, signal.SIGSTOP)
            with pytest.raises(DeviceError, match="stopped in the middle"):
                play_on(live, 4.0)
    finally:
        os.kill(own_room.server.pid, signal.SIGCONT)
    with Live(LISTENS) as listener:
        assert not sounds_on(listener, 0.3).any()
    with Live(PLAYS) as live:
        live.play(np.full(4800, 0.1))
        play_on(live, 1.0)
        assert live.ended == "finished"
