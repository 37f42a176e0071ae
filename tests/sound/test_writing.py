"""Takes on the disk while they are recorded: whole, broken off, disk full."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from threading import Event

import numpy as np
import pytest

from evenhall.errors import StoreError
from evenhall.sound.recording import read_recording
from evenhall.sound.writing import TakeWriter, leftovers

RATE_HZ = 48_000


def blocks(count, frames=960, channels=2):
    rng = np.random.default_rng(1)
    return [
        (0.1 * rng.standard_normal((frames, channels))).astype(np.float32) for _ in range(count)
    ]


def test_what_was_written_is_read_again(tmp_path):
    path = tmp_path / "takes" / "left-front.wav"
    written = blocks(50)
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2) as writer:
        for block in written:
            writer.write(block)
        assert not path.exists()
        writer.finish()
    recording = read_recording(path)
    assert recording.rate_hz == RATE_HZ
    np.testing.assert_allclose(recording.samples, np.concatenate(written), atol=2.0**-23)
    assert leftovers(path.parent) == ()


def test_take_is_never_replaced(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"a take")
    with pytest.raises(StoreError, match=r"a\.wav: exists already, and a take is never replaced"):
        TakeWriter(path, rate_hz=RATE_HZ, channels=1)
    assert path.read_bytes() == b"a take"


def test_take_that_was_not_finished_stays_as_a_part_that_can_be_read(tmp_path):
    path = tmp_path / "a.wav"
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2) as writer:
        for block in blocks(10):
            writer.write(block)
    assert not path.exists()
    (part,) = leftovers(tmp_path)
    assert len(read_recording(part).samples) == 9600


def test_nothing_is_left_of_a_take_that_never_began(tmp_path):
    with TakeWriter(tmp_path / "a.wav", rate_hz=RATE_HZ, channels=2):
        pass
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_of_a_take_that_was_discarded(tmp_path):
    with TakeWriter(tmp_path / "a.wav", rate_hz=RATE_HZ, channels=2) as writer:
        writer.write(blocks(1)[0])
        writer.discard()
    assert list(tmp_path.iterdir()) == []


def test_process_that_is_killed_loses_less_than_a_second(tmp_path):
    script = (
        "import sys, time, numpy as np\n"
        "from pathlib import Path\n"
        "from evenhall.sound.writing import TakeWriter\n"
        "writer = TakeWriter(Path(sys.argv[1]), rate_hz=48000, channels=2)\n"
        "block = np.full((960, 2), 0.25, dtype=np.float32)\n"
        "for k in range(100_000):\n"
        "    writer.write(block); print(k + 1, flush=True); time.sleep(0.001)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "a.wav")], stdout=subprocess.PIPE, text=True
    ) as process:
        for line in process.stdout:
            if int(line) == 150:
                os.kill(process.pid, signal.SIGKILL)
                break
    (part,) = leftovers(tmp_path)
    samples = read_recording(part).samples
    assert len(samples) >= 150 * 960
    assert (np.abs(samples - 0.25) < 1e-6).all()


def test_full_disk_is_told_and_what_was_written_stays(tmp_path):
    # The operating system refuses a file larger than this, as a full disk does.
    script = (
        "import resource, signal, sys, numpy as np\n"
        "from pathlib import Path\n"
        "from evenhall.errors import StoreError\n"
        "from evenhall.sound.writing import TakeWriter\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))\n"
        "with TakeWriter(Path(sys.argv[1]), rate_hz=48000, channels=2) as writer:\n"
        "    try:\n"
        "        while True:\n"
        "            writer.write(np.full((960, 2), 0.25, dtype=np.float32))\n"
        "    except StoreError as error:\n"
        "        print(error)\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "a.wav")],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert "a.wav: the take could not be written (" in ended.stdout
    assert ended.stderr == ""
    (part,) = leftovers(tmp_path)
    assert len(read_recording(part).samples) >= 15_000


def test_place_that_is_no_folder_is_told(tmp_path):
    (tmp_path / "takes").write_text("a file")
    with pytest.raises(StoreError, match="the take could not be written"):
        TakeWriter(tmp_path / "takes" / "a.wav", rate_hz=RATE_HZ, channels=1)


def wait_for(happened):
    until_s = time.monotonic() + 30.0
    while not happened():
        assert time.monotonic() < until_s
        time.sleep(0.005)


def wait_for_fault(writer):
    """Write until it is told that this is in vain."""
    lines = []

    def told():
        try:
            writer.write(blocks(1)[0])
        except StoreError as error:
            lines.append(str(error))
        return lines

    wait_for(told)
    return lines[0]


def test_disk_that_stalls_does_not_hold_up_the_sound(tmp_path, monkeypatch):
    asked, free = Event(), Event()
    in_time = []

    def stalled(number):
        asked.set()
        in_time.append(free.wait(30.0))

    monkeypatch.setattr(os, "fsync", stalled)
    path = tmp_path / "a.wav"
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2) as writer:
        wait_for(asked.is_set)
        size = writer.part.stat().st_size
        for block in blocks(10):
            writer.write(block)
        # Not on the disk yet, but safe from whatever happens to this process.
        assert writer.part.stat().st_size == size + 10 * 960 * 2 * 3
        free.set()
        writer.finish()
    assert all(in_time)
    assert len(read_recording(path).samples) == 9600


def test_folder_that_vanishes_is_told_while_the_sound_still_plays(tmp_path):
    path = tmp_path / "takes" / "a.wav"
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2) as writer:
        writer.write(blocks(1)[0])
        shutil.rmtree(path.parent)
        line = wait_for_fault(writer)
    assert "the take could not be written (No such file or directory)" in line
    assert "\n" not in line


def test_disk_that_fails_behind_our_back_is_told_and_the_part_stays(tmp_path, monkeypatch):
    def failing(number):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "fsync", failing)
    path = tmp_path / "a.wav"
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2) as writer:
        assert "the take could not be written (Input/output error)" in wait_for_fault(writer)
    assert leftovers(tmp_path) == (writer.part,)
