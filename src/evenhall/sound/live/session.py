"""The asking side of live sound: play, stop, read, and know when a device is gone.

    present()   the devices that are there now
    Live        a visit's devices, open: `with Live(setup, ...) as live:`

Nothing here waits for a driver: the sound process does, and is left behind when it hangs.
"""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from threading import Thread
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from evenhall.errors import DeviceError, InputError, StoreError
from evenhall.sound.live.device import Device, find_device
from evenhall.sound.live.exchange import ENDED, LOST, LOST_LOG, Exchange, Layout
from evenhall.sound.live.open_devices import (
    CEILING_DBFS,
    LIMIT_S,
    RING_S,
    Heard,
    Lost,
    check_sound,
    highest_peak,
    ramped,
)
from evenhall.sound.live.setup import SoundSetup
from evenhall.sound.live.watchdog import Watchdog

__all__ = ["Live", "present"]

START_WITHIN_S = 10.0  # some drivers take seconds to open
CLOSE_WITHIN_S = 2.0
FADE_WITHIN_S = 0.5  # the longest block of any driver, with room to spare


def _start(order: dict[str, Any]) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-m", "evenhall.sound.live.process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        # What a terminal sends to all that was started in it (Ctrl-C, Ctrl-Z, its end) is for the
        # asker: this one must live on, to fade out.
        start_new_session=True,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),  # the same on Windows
    )
    assert process.stdin is not None
    try:
        process.stdin.write(json.dumps(order) + "\n")
        process.stdin.flush()
    except OSError as error:  # a broken pipe has another name on Windows
        raise DeviceError("The sound process did not start. Install Evenhall again.") from error
    return process


def _answer(process: subprocess.Popen[str], within_s: float) -> dict[str, Any]:
    """Wait for the first line of the sound process, but not for ever."""
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    out = process.stdout
    assert out is not None
    Thread(target=lambda: lines.put(out.readline()), daemon=True).start()
    try:
        line = lines.get(timeout=within_s)
    except queue.Empty:
        process.kill()
        raise DeviceError(
            "The sound device did not answer. Unplug it, plug it in again, and try once more."
        ) from None
    if not line:
        process.kill()
        raise DeviceError("The sound process ended by itself. Try again, or choose another device.")
    answer: dict[str, Any] = json.loads(line)
    if "fault" in answer:  # and ends by itself: sound servers wait long for who is killed
        raise DeviceError(answer["fault"])
    return answer


def _end(process: subprocess.Popen[str], within_s: float) -> None:
    """Let the sound process end, or make it end: a driver that died keeps it waiting."""
    try:
        process.wait(within_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()


def present() -> tuple[Device, ...]:
    """List the sound devices that are there now.

    Raises
    ------
    DeviceError
        There is no PortAudio library, or it does not answer.
    """
    process = _start({"do": "list"})
    try:
        answer = _answer(process, START_WITHIN_S)
    finally:
        _end(process, CLOSE_WITHIN_S)
    return tuple(Device(**device) for device in answer["devices"])


class Live:
    """Devices of a visit, open while the `with` block lasts.

    Whoever asks for sound must call `keep_alive()` at least every two seconds while it plays,
    or it fades out: a page or a process that is gone cannot stop it any more.

    Parameters
    ----------
    setup : SoundSetup
        Its rate stands for devices that are set to the rate that is asked for; others run at
        their own, and `setup` of the open devices says at which.
    ceiling_dbfs : float
        Highest peak that is sent, dB re a full-scale sine.
    devices : sequence of Device, optional
        Those that are there, where the caller has just asked; else they are asked for.

    Raises
    ------
    DeviceError
        A device is missing, busy, or does not answer.
    InputError
        A device or channel of the setup does not exist.
    StoreError
        The disk has no room for the sound on its way to the device.
    """

    def __init__(
        self,
        setup: SoundSetup,
        *,
        ceiling_dbfs: float = CEILING_DBFS,
        devices: Sequence[Device] | None = None,
    ) -> None:
        self._ceiling_dbfs = ceiling_dbfs
        devices = present() if devices is None else devices
        self._input = find_device(devices, setup.input, "input")
        own_hz = round(self._input.rate_hz)
        if self._input.has_one_rate and setup.rate_hz != own_hz:  # it has come back at another
            setup = replace(setup, rate_hz=own_hz, latency_s=None)
        self.setup = setup
        self.rate_hz = float(setup.rate_hz)
        self._output = find_device(devices, setup.output, "output") if setup.plays else None
        self._check_channels()
        self._place: tempfile.TemporaryDirectory[str] | None = None
        self._process: subprocess.Popen[str] | None = None

    def _check_channels(self) -> None:
        setup, faults = self.setup, []
        if setup.last_input > self._input.inputs:
            faults.append(
                f'"{self._input.full_name}" has {self._input.inputs} inputs: there is no input '
                f"{setup.last_input}."
            )
        last_output = max(setup.output_channels)
        if self._output is not None and last_output > self._output.outputs:
            faults.append(
                f'"{self._output.full_name}" has {self._output.outputs} outputs: there is no '
                f"output {last_output}."
            )
        if faults:
            raise InputError(*faults)

    @property
    def one_clock(self) -> bool:
        """Whether what is sent and what is heard are counted by one device."""
        return self._output is not None and self._output.number == self._input.number

    def __enter__(self) -> Self:
        setup = self.setup
        layout = Layout(
            inputs=setup.last_input,
            ring_frames=round(RING_S * self.rate_hz),
            longest_frames=round(LIMIT_S * self.rate_hz),
        )
        self._place = tempfile.TemporaryDirectory(prefix="evenhall-", ignore_cleanup_errors=True)
        memory = Path(self._place.name) / "sound"
        try:
            self._exchange = Exchange.create(layout, memory)
        except OSError as error:
            self._place.cleanup()
            raise StoreError(
                f"{memory.parent.parent}: no room for the sound ({error.strerror}). Make room "
                "there, and try again; the takes made so far are safe."
            ) from error
        self._asked, self._told = self._exchange.asked, self._exchange.told
        self._lost_seen = 0
        self._plays = 0
        try:
            self._process = _start(
                {
                    "do": "run",
                    "memory": str(memory),
                    "layout": vars(layout),
                    "rate_hz": setup.rate_hz,
                    "limit_s": LIMIT_S,
                    "ceiling": highest_peak(self._ceiling_dbfs),
                    "input": self._input.number,
                    "input_name": self._input.full_name,
                    "inputs": setup.last_input,
                    "output": None if self._output is None else self._output.number,
                    "output_name": "" if self._output is None else self._output.full_name,
                    "outputs": max(setup.output_channels),
                }
            )
            _answer(self._process, START_WITHIN_S)
            if sys.platform != "win32":  # there a file can only go once nothing maps it
                self._place.cleanup()  # both have it: a kill leaves nothing behind
        except DeviceError:
            self._clear()
            raise
        self._watchdog = Watchdog(self._input.full_name, self.rate_hz, time.monotonic())
        self.keep_alive()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
        patience_s = time.monotonic() + FADE_WITHIN_S
        while self.playing and time.monotonic() < patience_s:
            time.sleep(0.005)
        if self.playing:  # the sound process is held up, or hangs in its driver: no fade will come
            assert self._process is not None
            self._process.kill()
        self._asked["quit"][...] = 1
        self._clear()

    def _clear(self) -> None:
        if self._process is not None:
            _end(self._process, CLOSE_WITHIN_S)
        del self._exchange, self._asked, self._told
        assert self._place is not None
        self._place.cleanup()

    def play(self, signal: NDArray[np.floating[Any]]) -> None:
        """Begin to play, as `OpenDevices` says."""
        check_sound(
            signal, rate_hz=self.rate_hz, ceiling_dbfs=self._ceiling_dbfs, playing=self.playing
        )
        programme = ramped(signal, self.rate_hz)
        self._exchange.programme[: programme.size] = programme
        self._asked["length"][...] = programme.size
        self._asked["outputs"][...] = sum(
            1 << (channel - 1) for channel in self.setup.output_channels
        )
        self.keep_alive()
        self._plays += 1
        self._asked["play"][...] = self._plays

    def stop(self) -> None:
        """Fade out what plays, in the next block."""
        self._asked["stop"][...] = self._plays

    def keep_alive(self) -> None:
        """Tell that whoever asked for the sound is still there."""
        self._asked["heartbeat"][...] += 1

    @property
    def playing(self) -> bool:
        """Whether a sound was asked for and has not ended."""
        return int(self._told["done"]) < self._plays and not int(self._told["dead"])

    @property
    def played_frames(self) -> int:
        """How much of the last sound was sent."""
        return int(self._told["played"]) if int(self._told["begun"]) == self._plays else 0

    @property
    def read_frames(self) -> int:
        """How many frames were read since the devices were opened."""
        return int(self._asked["read"])

    @property
    def ended(self) -> str:
        """Why the last sound ended: "finished", "stopped", "asker gone", "too long", or ""."""
        return "" if self.playing else ENDED.get(int(self._told["ended"]), "")

    def read(self) -> Heard:
        """Take what came in since the last time; never waits.

        Raises
        ------
        DeviceError
            The device is gone, or runs at another rate than was asked for.
        """
        written, read = int(self._told["written"]), int(self._asked["read"])
        assert self._process is not None
        self._watchdog.look(
            written,
            lost=int(self._told["lost"]),
            gone=bool(self._told["dead"]) or self._process.poll() is not None,
            now_s=time.monotonic(),
        )
        ring = self._exchange.ring
        places = np.arange(read, written) % len(ring)
        taken = ring[places]
        self._asked["read"][...] = written
        return Heard(inputs=taken[:, :-1], sent=np.ascontiguousarray(taken[:, -1]))

    def lost(self) -> tuple[Lost, ...]:
        """Tell the places at which sound was lost since this was last asked."""
        count = int(self._told["lost"])
        new = np.arange(max(self._lost_seen, count - LOST_LOG), count) % LOST_LOG
        self._lost_seen = count
        return tuple(
            Lost(int(frame), LOST[int(kind)]) for frame, kind in self._exchange.lost_log[new]
        )
