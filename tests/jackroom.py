"""A real-time device path with a known room in it: JACK's dummy driver and a convolver.

`JackRoom` starts a JACK server of its own and, as its one client, `jconvolver` with given
impulse responses; PortAudio then lists the convolver as a sound device called "hall". Each test
stops its server by its process id. `jack_tests()` skips where the programs are missing.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile

__all__ = ["JackRoom", "jack_tests"]

PROGRAMS = ("jackd", "jconvolver", "jack_lsp", "jack_connect", "jack_disconnect")
missing = [name for name in PROGRAMS if shutil.which(name) is None]


def jack_tests(group: str) -> list[pytest.MarkDecorator]:
    """Marks of tests that need a server: skipped without one, and each group on one worker.

    They run in real time and mostly wait: ./check runs them by themselves, two groups at once.
    """
    return [
        pytest.mark.live,
        pytest.mark.skipif(bool(missing), reason=f"{', '.join(missing)} not installed"),
        pytest.mark.xdist_group(f"jack-{group}"),
    ]


START_S = 10.0


def _free_name():
    """Claim a server name; JACK remembers eight, and forgets a killed one when its name returns."""
    for k in range(6):
        claim = (Path(tempfile.gettempdir()) / f"evenhall-jack-{k}.lock").open("w")
        try:
            fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            claim.close()
            continue
        return f"evenhall-{k}", claim
    raise RuntimeError("six JACK servers run already")


@contextmanager
def _alone():
    """One server starts at a time, and the first with an empty data base that has room.

    All servers of a user share one, and every client costs it a lock for good: with its usual
    number of locks none can open it after a hundred or so. Where a server runs it is left alone.
    """
    with (Path(tempfile.gettempdir()) / "evenhall-jack-start.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not any(_command(process) == "jackd" for process in Path("/proc").glob("[0-9]*")):
            place = Path(f"/dev/shm/jack_db-{os.getuid()}")
            shutil.rmtree(place, ignore_errors=True)
            place.mkdir(mode=0o700)
            (place / "DB_CONFIG").write_text("mutex_set_max 100000\n")
        yield


def _command(process: Path) -> str:
    try:
        return (process / "comm").read_text().strip()
    except OSError:  # it has just ended
        return ""


class JackRoom:
    """A server and a convolver.

    Parameters
    ----------
    place : Path
        Folder for its files.
    paths : dict of (int, int) to ndarray
        Impulse response from each input to each output of the convolver, counted from 1.
    rate_hz, period : int
        Sample rate, and frames a block.
    patience_ms : int
        How long the server waits for a client in each block; for one that was killed, ten times
        as long.
    """

    name = "hall"

    def __init__(
        self,
        place: Path,
        paths,
        *,
        rate_hz: int = 48_000,
        period: int = 512,
        patience_ms: int = 5000,
    ) -> None:
        self.place, self.paths = place, paths
        self.rate_hz, self.period, self.patience_ms = rate_hz, period, patience_ms
        self.processes: list[subprocess.Popen] = []

    def __enter__(self) -> JackRoom:
        place = self.place
        place.mkdir(exist_ok=True)
        self.server_name, self._claim = _free_name()
        self.environment = {**os.environ, "JACK_DEFAULT_SERVER": self.server_name}
        with _alone():
            self.server = self._run(
                "jackd", "--no-realtime", "-S", "-t", str(self.patience_ms),
                "-n", self.server_name,
                "-d", "dummy", "-r", str(self.rate_hz), "-p", str(self.period),
            )  # fmt: skip
            self._wait_for("system:capture_1")
        self.convolver = self.add_convolver(self.name, self.paths)
        self._wait_for_device()
        return self

    def __exit__(self, *error) -> None:
        # Clients first, and so that they take their leave: the server would wait in its block for
        # one that is just gone, and not end while it does.
        for process in reversed(self.processes):
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
                try:
                    process.wait(3.0)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
        self._claim.close()

    def add_convolver(self, name: str, paths) -> subprocess.Popen:
        """Start a convolver: one more device, which nothing is connected to yet."""
        ends = [max(pair[k] for pair in paths) for k in (0, 1)]
        longest = max(len(response) for response in paths.values())
        lines = [f"/convolver/new {ends[0]} {ends[1]} {max(self.period, 64)} {longest}"]
        lines += [f"/input/name {k + 1} in_{k + 1}" for k in range(ends[0])]
        lines += [f"/output/name {k + 1} out_{k + 1}" for k in range(ends[1])]
        for (source, sink), response in paths.items():
            file = self.place / f"{name}-{source}-{sink}.wav"
            soundfile.write(
                file, np.asarray(response, dtype=np.float32), self.rate_hz, subtype="FLOAT"
            )
            lines.append(f"/impulse/read {source} {sink} 1.0 0 0 0 1 {file}")
        config = self.place / f"{name}.conf"
        config.write_text("\n".join(lines) + "\n")
        process = self._run("jconvolver", "-N", name, "-s", self.server_name, config)
        self._wait_for(f"{name}:out_{ends[1]}")
        return process

    def _run(self, *command) -> subprocess.Popen:
        log = (self.place / f"{Path(str(command[0])).name}.log").open("w")
        process = subprocess.Popen(
            [str(word) for word in command], env=self.environment, stdout=log, stderr=log
        )
        log.close()
        self.processes.append(process)
        return process

    def run_client(self, script: Path, *words) -> subprocess.Popen:
        """Start a JACK client written in Python."""
        return self._run(sys.executable, script, *words)

    def ports(self) -> list[str]:
        """Names of all ports."""
        listed = subprocess.run(
            ["jack_lsp"], env=self.environment, capture_output=True, text=True, check=False
        )
        return listed.stdout.split("\n")

    def _wait_for(self, port: str) -> None:
        until = time.monotonic() + START_S
        while port not in self.ports():
            if time.monotonic() > until:
                logs = "\n".join(file.read_text() for file in self.place.glob("*.log"))
                raise RuntimeError(f"no port {port} after {START_S} s\n{logs}")
            time.sleep(0.05)

    def _wait_for_device(self) -> None:
        """Wait until PortAudio lists the convolver: on a busy machine its first try can fail."""
        listing = "import sounddevice; print([one['name'] for one in sounddevice.query_devices()])"
        until = time.monotonic() + START_S
        while True:
            listed = subprocess.run(
                [sys.executable, "-c", listing],
                env=self.environment,
                capture_output=True,
                text=True,
                check=False,
            )
            if f"'{self.name}'" in listed.stdout:
                return
            if time.monotonic() > until:
                raise RuntimeError(f"no device {self.name} after {START_S} s: {listed.stdout}")
            time.sleep(0.2)

    def connect(self, source: str, sink: str) -> None:
        """Join two ports."""
        subprocess.run(["jack_connect", source, sink], env=self.environment, check=True)

    def disconnect(self, source: str, sink: str) -> None:
        """Part two ports."""
        subprocess.run(["jack_disconnect", source, sink], env=self.environment, check=True)

    def kill_server(self) -> None:
        """Take the server away without a word, as a cable that is pulled out."""
        os.kill(self.server.pid, signal.SIGKILL)
        self.server.wait()
