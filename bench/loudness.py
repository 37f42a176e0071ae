"""The loudness meter: how true, how costly, how large: `python bench/loudness.py [MINUTES]`.

1. A and C filters against the curves of pyfar at the exact third octaves from 31.5 Hz to 16 kHz,
   and what is left of the tolerances of IEC 61672-1 class 1.
2. An hour of noise whose level changes every second, heard in blocks of a tenth of a second as
   live: LAeq against a direct computation (numpy's Fourier transform of each minute, weighted by
   pyfar's curve), and processor time. Then memory after each of four hours.
3. With MINUTES, the command itself through JACK for so long: processor share of both processes and
   memory at its start and end, and what of the log a kill loses, twenty times. Needs jackd2,
   jconvolver and libportaudio2.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pyfar
from scipy import signal as sps

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from acoustics.test_weighting import RATES_HZ, TABLE
from evenhall.acoustics.level import FULL_SCALE_RMS, db_from_power, power_from_db
from evenhall.acoustics.loudness import LoudnessState, mean_power, step_loudness
from evenhall.acoustics.weighting import weighting_filter
from evenhall.verdict.loudness import AUDIENCE, loudness_of
from jackroom import JackRoom

RATE_HZ, BLOCK = 48_000, 4800
MINUTES, HOURS, KILLS = 60, 4, 20


def filters() -> None:
    """Print the error of the filters."""
    table = np.array(TABLE)
    freq_hz = 1000.0 * 10.0 ** (table[:, 1] / 10.0)
    upper_hz = np.linspace(16_000.0, 20_000.0, 100)
    print("| rate, Hz | weighting | worst to 16 kHz, dB | to 20 kHz, dB | class 1 left, dB |")
    print("| ---: | --- | ---: | ---: | ---: |")
    for rate_hz in RATES_HZ:
        for weighting in ("A", "C"):
            sections = weighting_filter(weighting, rate_hz)

            def error_db(at_hz, sections=sections, rate_hz=rate_hz, weighting=weighting):
                response = np.abs(sps.freqz_sos(sections, at_hz, fs=rate_hz)[1])
                curve = pyfar.constants.frequency_weighting_curve(weighting, at_hz)
                return 20.0 * np.log10(response) - curve

            error = error_db(freq_hz)
            left = np.minimum(table[:, 4] - error, error - table[:, 5]).min()
            print(
                f"| {rate_hz:.0f} | {weighting} | {np.abs(error).max():.3f} "
                f"| {np.abs(error_db(upper_hz)).max():.3f} | {left:.2f} |"
            )


def a_minute(seed: int) -> np.ndarray:
    """Noise whose level and tilt change every second, as music's do."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal(60 * RATE_HZ)
    dark = sps.lfilter([0.05], [1.0, -0.95], white)
    level = np.repeat(10.0 ** (rng.uniform(-40.0, -10.0, 60) / 20.0), RATE_HZ)
    share = np.repeat(rng.uniform(0.0, 1.0, 60), RATE_HZ)
    return (0.3 * level * (share * white + (1.0 - share) * 3.0 * dark)).astype(np.float32)


def direct(sound: np.ndarray) -> float:
    """A-weighted power of a minute, re a full-scale sine."""
    power = np.abs(np.fft.rfft(sound.astype(np.float64))) ** 2
    freq_hz = np.fft.rfftfreq(sound.size, 1.0 / RATE_HZ)
    curve_db = pyfar.constants.frequency_weighting_curve("A", freq_hz[1:])
    weighted = 2.0 * (power[1:] * power_from_db(curve_db)).sum() / sound.size**2
    return float(weighted / FULL_SCALE_RMS**2)


def resident_mb(pid: int | str = "self") -> float:
    """Memory that a process holds."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def an_hour() -> None:
    """Print how true the average of an hour is, and what hearing it costs."""
    state, spent_s, powers, worst = LoudnessState.start(RATE_HZ), 0.0, [], 0.0
    for minute in range(MINUTES):
        sound = a_minute(minute)
        powers.append(direct(sound))
        began_s = time.process_time()
        for start in range(0, sound.size, BLOCK):
            state, _ = step_loudness(state, sound[start : start + BLOCK], rate_hz=RATE_HZ)
            loudness_of(state, 114.0, AUDIENCE)
        spent_s += time.process_time() - began_s
        worst = max(worst, abs(float(db_from_power(mean_power(state, 60) / powers[-1]))))
    whole_db = float(db_from_power(mean_power(state, 3600) / np.mean(powers)))
    print(f"\nLAeq of {MINUTES} minutes against the direct computation: {whole_db:+.4f} dB")
    print(f"worst single minute: {worst:.4f} dB")
    print(f"processor: {100.0 * spent_s / (60.0 * MINUTES):.2f} % of one core")


def hours() -> None:
    """Print what memory the meter holds after hours."""
    state, sound, memory = LoudnessState.start(RATE_HZ), a_minute(0), []
    for _ in range(HOURS):
        for _ in range(60):
            for start in range(0, sound.size, BLOCK):
                state, _ = step_loudness(state, sound[start : start + BLOCK], rate_hz=RATE_HZ)
        memory.append(resident_mb())
    told = ", ".join(f"{one:.1f}" for one in memory)
    print(f"memory after each of {HOURS} hours: {told} MB")


def processor_s(pid: int) -> float:
    """Processor seconds of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def children_of(pid: int) -> list[int]:
    """List the processes that a process has started."""
    return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


@contextmanager
def running(room: JackRoom, place: Path) -> Iterator[subprocess.Popen]:
    """Run the command with a log, and end it."""
    command = [Path(sys.executable).with_name("evenhall"), "loudness", "--device", "hall"]
    with subprocess.Popen(
        [*command, "--sensitivity", "114", "--log", place / "log.csv"],
        env={**room.environment, "XDG_CONFIG_HOME": str(place)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def live(minutes: float) -> None:
    """Print what the command costs while it runs, and what a kill loses of its log."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        log = place / "log.csv"
        with JackRoom(place / "jack", {(1, 1): np.eye(1, 64)[0]}, rate_hz=RATE_HZ) as room:
            (place / "source").write_text("noise 0.1")
            tests = Path(__file__).parents[1] / "tests"
            room.run_client(tests / "heard_source.py", place / "source")
            room._wait_for("source:out")
            room.connect("source:out", "hall:in_1")
            with running(room, place) as process:
                time.sleep(10.0)
                both = [process.pid, *children_of(process.pid)]
                began_s, spent_s = time.monotonic(), sum(map(processor_s, both))
                memory = [resident_mb(pid) for pid in both]
                time.sleep(60.0 * minutes)
                spent_s = sum(map(processor_s, both)) - spent_s
                share = spent_s / (time.monotonic() - began_s)
                after = [resident_mb(pid) for pid in both]
            rows = log.read_text().count("\n") - 4
            lost_s, rng = [], np.random.default_rng(1)
            for _ in range(KILLS):
                with running(room, place) as process:
                    before = log.stat().st_size
                    while log.stat().st_size < before + 1000:  # remarks and some rows
                        time.sleep(0.01)
                    time.sleep(rng.uniform(0.0, 1.5))
                    process.kill()
                    lost_s.append(time.time() - log.stat().st_mtime)
    print(
        f"\nlive for {minutes:g} minutes, {len(both)} processes: {100.0 * share:.1f} % of one core"
    )
    print(
        f"memory {sum(memory):.1f} MB at first, {sum(after):.1f} MB at the end; {rows} rows of log"
    )
    print(
        f"{KILLS} kills: since the last row {np.median(lost_s):.2f} s, at most {max(lost_s):.2f} s"
    )


if __name__ == "__main__":
    filters()
    an_hour()
    hours()
    if len(sys.argv) > 1:
        live(float(sys.argv[1]))
