"""Live sound through a JACK server and a convolver: `python bench/live.py [MINUTES]`.

Runs the devices without a break, reads twenty times a second as the meters do, and tells: frames
that came in against the clock, losses that were reported and losses that were not (the sound that
comes back is compared with what was sent, sample by sample), what both processes cost, and how
long a stop takes in the stream's own time. Needs jackd2, jconvolver and libportaudio2.
"""

from __future__ import annotations

import os
import platform
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from evenhall.acoustics.meter import MeterState, step_meter
from evenhall.acoustics.stimulus import pink_noise
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup
from jackroom import JackRoom

RATE_HZ, PERIOD = 48_000, 512
UPDATES_PER_S = 20
STOPS = 20
CABLE = np.eye(1, 64)[0]
SETUP = SoundSetup("hall", "hall", reference="cable", reference_channel=2, output_channels=(1,))


def processor_s(pid: int) -> float:
    """Processor seconds of another process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def lag_of(sent: np.ndarray, back: np.ndarray) -> int:
    """Frames by which what comes back is late."""
    n = 1 << 18
    cross = np.fft.irfft(np.fft.rfft(back, n) * np.fft.rfft(sent, n).conj(), n)
    return int(np.argmax(cross))


def soak(minutes: float) -> None:
    """Run without a break and account for every frame."""
    piece = pink_noise(60.0, rate_hz=RATE_HZ, seed=1, level_dbfs=-30.0)
    with Live(SETUP) as live:
        time.sleep(0.5)
        live.read()
        live.lost()
        state = MeterState.start(2)
        began_s, frames, reported, unlike, compared = time.monotonic(), 0, 0, 0, 0
        sent = back = np.zeros(0, np.float32)
        lag: int | None = None
        usage = resource.getrusage(resource.RUSAGE_SELF)
        own_s, engine_s = usage.ru_utime + usage.ru_stime, processor_s(live._process.pid)
        metering_s = 0.0
        while time.monotonic() - began_s < 60.0 * minutes:
            if not live.playing:
                live.play(piece)
            time.sleep(1.0 / UPDATES_PER_S)
            live.keep_alive()
            heard = live.read()
            frames += len(heard.sent)
            start_s = time.process_time()
            state, _ = step_meter(state, heard.inputs, rate_hz=RATE_HZ)
            metering_s += time.process_time() - start_s
            reported += len(live.lost())
            sent = np.concatenate([sent, heard.sent])
            back = np.concatenate([back, heard.inputs[:, 1]])
            if lag is None and np.count_nonzero(sent) > 2 * RATE_HZ:
                lag = lag_of(sent, back)
            if lag is not None:
                same = sent.size - lag
                unlike += int(np.count_nonzero(np.abs(back[lag:] - sent[:same]) > 1e-5))
                compared += same
                sent, back = sent[same:], back[same:]
        wall_s = time.monotonic() - began_s
        usage = resource.getrusage(resource.RUSAGE_SELF)
        own_s = usage.ru_utime + usage.ru_stime - own_s
        engine_s = processor_s(live._process.pid) - engine_s
    print(f"{wall_s / 60:.1f} minutes, {frames} frames ({frames / wall_s:.0f} a second)")
    print(f"reported losses {reported}; of {compared} frames that came back {unlike} differ")
    print(
        f"share of one processor: sound process {100 * engine_s / wall_s:.1f} %, asker with the "
        f"comparison {100 * own_s / wall_s:.1f} %, of that the meters "
        f"{100 * metering_s / wall_s:.2f} % at {UPDATES_PER_S} a second"
    )


def stops() -> None:
    """Stop sounds and look, in what came back by cable, when they really ended."""
    took_ms = []
    for _ in range(STOPS):
        with Live(SETUP) as live:
            live.play(pink_noise(4.0, rate_hz=RATE_HZ, seed=2, level_dbfs=-30.0))
            until_s = time.monotonic() + 1.3
            while time.monotonic() < until_s:
                live.keep_alive()
                live.read()
                time.sleep(0.01)
            live.read()
            live.stop()
            time.sleep(0.3)
            back = live.read().inputs[:, 1]
        took_ms.append(1e3 * (np.flatnonzero(np.abs(back) > 1e-6)[-1] + 1) / RATE_HZ)
    print(
        f"{STOPS} stops: the last sample of the sound came back {np.median(took_ms):.0f} ms "
        f"(most {max(took_ms):.0f} ms) after the stop was asked for; two blocks of "
        f"{1e3 * PERIOD / RATE_HZ:.1f} ms are the way out and back"
    )


def main() -> None:
    """Start the server, run, print."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors")
    with (
        tempfile.TemporaryDirectory() as place,
        JackRoom(
            Path(place), {(1, 1): CABLE, (1, 2): CABLE}, rate_hz=RATE_HZ, period=PERIOD
        ) as room,
    ):
        os.environ["JACK_DEFAULT_SERVER"] = room.server_name
        stops()
        soak(minutes)


if __name__ == "__main__":
    main()
