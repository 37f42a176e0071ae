"""The whole job against a bare script: `python bench/tune.py [RUNS]`.

Six takes of 12 s, two channels, 24 bit, 48 kHz, are written to a temporary folder. Both programs
are whole processes, run in turn: `evenhall tune` (from start to result and sheet), and a script
that reads the same files and runs scipy.signal's csd, welch and coherence over them. First it is
checked that both find the same levels where the script's windows allow; then times and ratios.
"""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from evenhall.acoustics.stimulus import pink_noise

RATE_HZ = 48_000
LENGTH_S = 12.0
RUNS = 9
BARE = """
import sys, soundfile
from scipy import signal
for name in sys.argv[1:]:
    x, rate = soundfile.read(name)
    signal.csd(x[:, 1], x[:, 0], rate, nperseg=32768)
    signal.welch(x[:, 1], rate, nperseg=32768)
    signal.coherence(x[:, 1], x[:, 0], rate, nperseg=32768)
"""
JOB = """
[venue]
name = "Bench"
length_m = 18.0
width_m = 10.0
height_m = 4.5
[audience]
first_row_m = 2.0
last_row_m = 14.0
[rig]
speaker_height_m = 1.8
low_limit_hz = 55.0
max_height_m = 3.0
"""


def room(rng: np.random.Generator) -> np.ndarray:
    """Make a loudspeaker with two roll-offs in a room that rings 0.9 s."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    response = 0.05 * rng.standard_normal(RATE_HZ) * 10.0 ** (-3.0 * time_s / 0.9)
    response[:500] = 0.0
    response[350] = 1.0
    for sos in (
        signal.butter(4, 55.0, "high", fs=RATE_HZ, output="sos"),
        signal.butter(1, 16e3, fs=RATE_HZ, output="sos"),
    ):
        response = signal.sosfilt(sos, response)
    return response


def write_job(folder: Path) -> list[str]:
    """Write job.toml and the takes; return the takes' paths."""
    (folder / "takes").mkdir()
    played = pink_noise(LENGTH_S, rate_hz=RATE_HZ, seed=1)
    lines, names = [JOB], []
    for k, (side, spot) in enumerate(
        (s, p) for s in ("left", "right") for p in ["front", "middle", "back"]
    ):
        rng = np.random.default_rng(k)
        heard = 0.5 * signal.fftconvolve(played, room(rng))[: played.size]
        heard += 0.03 * heard.std() * rng.standard_normal(heard.size)
        name = f"takes/{side}-{spot}.wav"
        soundfile.write(folder / name, np.stack([heard, played], axis=1), RATE_HZ, subtype="PCM_24")
        names.append(str(folder / name))
        lines.append(
            f'[[take]]\nfile = "{name}"\nside = "{side}"\nspot = "{spot}"\nreference_channel = 2\n'
        )
    (folder / "job.toml").write_text("\n".join(lines))
    return names


def check_same(folder: Path, name: str) -> float:
    """Largest difference in dB, 500 Hz to 8 kHz, between the result and averaged spectra."""
    result = json.loads((folder / "out" / "result.json").read_text())
    take = next(t for t in result["takes"] if name.endswith(t["file"]))
    sound, _ = soundfile.read(name)
    freq_hz, cross = signal.csd(sound[:, 1], sound[:, 0], RATE_HZ, nperseg=131072)
    _, power = signal.welch(sound[:, 1], RATE_HZ, nperseg=131072)
    gain = np.abs(cross / power) ** 2
    worst = 0.0
    for band in take["bands"]:
        if 500 <= band["hz"] <= 8000 and band["usable"]:
            exact = 1000 * 10 ** (round(10 * np.log10(band["hz"] / 1000)) / 10)
            inside = (freq_hz > exact * 10**-0.05) & (freq_hz < exact * 10**0.05)
            level = 10 * np.log10(np.average(gain[inside], weights=1 / freq_hz[inside]))
            worst = max(worst, abs(level - band["level_db"]))
    return worst


def timed(command: list[str]) -> tuple[float, float]:
    """Wall and processor seconds of a whole process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def row(name: str, values: list[float]) -> None:
    """Print least, median and most."""
    print(f"| {name} | {min(values):.2f} | {statistics.median(values):.2f} | {max(values):.2f} |")


def main() -> None:
    """Write the job, check, time, print."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    program = str(Path(sys.executable).with_name("evenhall"))
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        names = write_job(folder)
        tune = [program, "tune", str(folder), "--json"]
        bare = [sys.executable, "-c", BARE, *names]
        timed(tune), timed(bare)
        print(f"levels agree within {max(check_same(folder, name) for name in names):.2f} dB")
        pairs = [(timed(tune), timed(bare)) for _ in range(runs)]
        helps = [timed([program, "--help"])[0] for _ in range(runs)]
    peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"{runs} runs in turn, {os.cpu_count()} processors\n")
    print("| whole process | least | median | most |\n| --- | ---: | ---: | ---: |")
    row("evenhall tune, wall s", [a[0] for a, _ in pairs])
    row("evenhall tune, processor s", [a[1] for a, _ in pairs])
    row("bare script, wall s", [b[0] for _, b in pairs])
    row("bare script, processor s", [b[1] for _, b in pairs])
    row("ratio of wall times", [a[0] / b[0] for a, b in pairs])
    row("evenhall --help, wall s", helps)
    print(f"\npeak memory of the larger: {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
