"""Job folders and recordings with random damage: no traceback, no exit code but 0, 2 and 3.

Mutants are made of a whole job folder (job.toml with every section, a calibration, a learned unit,
polar data, four short takes) token by token and byte by byte, and of recordings in every format by
their headers, sizes, samples and ends. Each goes through `evenhall tune` inside this process, with
warnings as errors; every fiftieth once more in a process of its own, with its memory measured.

    OMP_NUM_THREADS=1 PYTHONPATH=src:tests python bench/fuzz_files.py 1000 500

A mutant that fails is told with its number; `--only N` makes it again.
"""

from __future__ import annotations

import io
import json
import resource
import shutil
import struct
import subprocess
import sys
import tempfile
import time
import tomllib
import traceback
import warnings
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
import tomlkit
from pydantic import BaseModel
from typer.testing import CliRunner

from evenhall.cli import app
from evenhall.job.folder.reading import SECTIONS, Take
from evenhall.job.folder.unit_file import LearnedFader
from job.folders import RATE_HZ, heard, played, two_channels

EXIT_CODES = (0, 2, 3)
LONGEST_S = 60.0  # of a run, on a machine that does other things too
MOST_MB = 600.0  # of a process of its own, over one that tunes the folder as it was
IN_A_PROCESS = 50  # every so many

NUMBERS = [
    *(
        "0",
        "-0",
        "1",
        "-1",
        "2",
        "31",
        "60",
        "61",
        "64",
        "0.5",
        "1e-9",
        "1e-300",
        "1e300",
        "-1e300",
    ),
    *("1e18", "1e25", "nan", "inf", "-inf", "255", "256", "257", "4294967296", "1_000", "1.", ".5"),
    *("9223372036854775808", "-9223372036854775809", "0xffffffffffffffffffff", "true", "false"),
    *("1979-05-27", "1979-13-41", "07:32:00", "9" * 190, "9" * 5000, "1." + "9" * 180),
]
TEXTS = ['""', '"x"', '"\\u0000"', "'''\n'''", '"../a"', '"/etc/passwd"', '"' + "é" * 300 + '"',
         '"left"', '"sub"', '"walk"', '"\\ud800"', '"takes"', '"a.wav\\n"', '"."']  # fmt: skip
LISTS = ["[]", "[1]", "[[1, 2]]", "[20, 20]", "[" * 9 + "]" * 9, "[nan, inf]", "{}", "{a = 1}",
         "[[1e300, 0]]", "[1, 'a']", str(list(range(20, 90))), "[10.0, 10.000001]"]  # fmt: skip
LINES = ["[[take]]", "[take]", "[venue]", "[x]", "a" + ".a" * 5000 + " = 1", "=", "[[venue]]", "x",
         "take = []", "[venue.name]", '"""', "'''", "[console]", "[strip]", "[crossover]",
         "[talker]", "[reference]"]  # fmt: skip

JOB = """\
[venue]
name = "Quarry Lane Hall"
length_m = 18.0
width_m = 10.0
height_m = 4.5
temperature_c = 19.0
humidity_pct = 45.0
rt60_s = 0.35

[audience]
first_row_m = 2.0
last_row_m = 14.0
ear_height_m = 1.2

[rig]
sides = ["left", "right", "sub"]
speaker_height_m = 1.8
speaker_down_deg = 0.0
speaker_inwards_deg = 0.0
apart_m = 6.2
from_wall_m = 1.0
polar = "box.csv"
coverage_h_deg = 90.0
coverage_v_deg = 60.0
low_limit_hz = 55.0
max_height_m = 3.0
has_processor = true

[equalizer]
bands = 10
range_db = 12.0
step_db = 0.5
response = "measured"
file = "unit.json"
max_boost_db = 6.0
most_faders = 6

[console]
sections = 2

[strip]
mid_q = 0.7

[crossover]
low_hz = 60.0
high_hz = 120.0

[target]
points = [[63, 4.0], [1000, 0.0], [10000, -3.0]]

[microphone]
calibration = "mic.txt"
sensitivity_db_spl = 114.0

[reference]
file = "played.wav"

[talker]
behind_m = 1.0
aside_m = 2.0
"""
TAKES = (
    ("left-front", "left", "front", 2.5, "reference_channel = 2"),
    ("left-back", "left", "back", 13.1, "reference_channel = 2"),
    ("right-front", "right", "front", 2.5, 'reference_file = "played.wav"'),
    ("after", "left", "back", 13.1, 'reference_channel = 2\nstate = "after"'),
)


@dataclass
class Tally:
    """What became of the mutants."""

    codes: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    slowest: str = ""
    largest_mb: float = 0.0

    def took(self, name: str, time_s: float) -> None:
        """Keep the slowest."""
        if time_s > self.slowest_s:
            self.slowest_s, self.slowest = time_s, name
        if time_s > LONGEST_S:
            self.failures.append(f"{name}: took {time_s:.0f} s")


def write_base(folder: Path) -> None:
    """Write the folder that all mutants are made of."""
    (folder / "takes").mkdir(parents=True)
    reference = played(1.5)
    text = JOB
    for number, (name, side, spot, distance_m, fields) in enumerate(TAKES):
        take = two_channels(heard(reference, seed=number), reference)
        soundfile.write(folder / f"takes/{name}.wav", take, RATE_HZ, subtype="PCM_24")
        text += f'\n[[take]]\nfile = "takes/{name}.wav"\nside = "{side}"\nspot = "{spot}"\n'
        text += f"distance_m = {distance_m}\n{fields}\n"
    soundfile.write(folder / "played.wav", reference, RATE_HZ, subtype="PCM_24")
    (folder / "job.toml").write_text(text)
    octaves_hz = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
    unit = {
        "schema": 1, "name": "Old one", "model": "constant-q", "range_db": 12.0,
        "insertion_db": 0.1, "residual_db": 0.05, "hiss_dbfs": -90.0, "overload_dbfs": None,
        "clean_to_dbfs": -3.0,
        "faders": [{"hz": hz, "centre_hz": hz, "q": 1.4, "q_bend": 0.0, "share": 1.0, "sag": 0.0,
                    "moved": True} for hz in octaves_hz],
    }  # fmt: skip
    (folder / "unit.json").write_text(json.dumps(unit, indent=1))
    (folder / "mic.txt").write_text(
        '"Sens -1.2 dB"\n' + "".join(f"{20 * 2**k}\t{(-1) ** k * 0.5}\t0\n" for k in range(11))
    )
    (folder / "box.csv").write_text(
        "frequency_hz,plane,angle_deg,level_db\n"
        + "".join(
            f"{hz},{plane},{angle},{-angle * hz / 2e5:.2f}\n"
            for hz in (500, 1000, 4000)
            for plane in "hv"
            for angle in (0, 45, 90, 180)
        )
    )


def mutated_bytes(raw: bytes, rng: np.random.Generator) -> bytes:
    """Flip, cut, double and insert a few bytes."""
    data = bytearray(raw)
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(0, max(len(data), 1)))
        end = at + int(rng.integers(1, 40))
        match int(rng.integers(0, 6)):
            case 0:
                data[at : at + 1] = rng.bytes(1)
            case 1:
                del data[at:end]
            case 2:
                data[at:at] = data[at:end] * int(rng.integers(1, 50))
            case 3:
                data[at:at] = rng.bytes(int(rng.integers(1, 9)))
            case 4:
                del data[at:]
            case 5:
                data[at:end] = (b"\0", b"\xff", b"[", b"9", b"\n", b" ", b'"')[
                    int(rng.integers(0, 7))
                ] * int(rng.integers(1, 3000))
    return bytes(data)


def mutated_words(text: str, rng: np.random.Generator) -> str:
    """Put other numbers, texts, lists and lines in place of some."""

    def one_of(choices: list[str]) -> str:
        return choices[int(rng.integers(0, len(choices)))]

    lines = text.split("\n")
    for _ in range(1 + int(2.2 * rng.random() ** 2)):
        at = int(rng.integers(0, len(lines)))
        key, equals, _ = lines[at].partition(" = ")
        match int(rng.integers(0, 8)):
            case 0 | 1 | 2 if equals:
                lines[at] = f"{key} = {one_of(NUMBERS)}"
            case 3 if equals:
                lines[at] = f"{key} = {one_of(TEXTS)}"
            case 4 if equals:
                lines[at] = f"{key} = {one_of(LISTS)}"
            case 5:
                del lines[at]
            case 6:
                lines.insert(at, one_of(LINES))
            case _:
                parts = lines[at].replace(",", " , ").replace(":", " : ").split(" ")
                parts[int(rng.integers(0, len(parts)))] = one_of(NUMBERS)
                lines[at] = " ".join(parts)
        lines = lines or [""]
    return "\n".join(lines)


def bounds_of(model: type[BaseModel], name: str) -> tuple[float, float, bool] | None:
    """Lowest and highest that a field takes, and whether it is whole; None if it is no number."""
    found = model.model_fields[name]
    ends = {kind: getattr(one, kind) for one in found.metadata for kind in ("ge", "gt", "le", "lt")
            if getattr(one, kind, None) is not None}  # fmt: skip
    low, high = ends.get("ge", ends.get("gt")), ends.get("le", ends.get("lt"))
    return None if low is None or high is None else (low, high, "int" in str(found.annotation))


def at_bounds(model: type[BaseModel], name: str, rng: np.random.Generator) -> float | int | None:
    """Give a number that the field just takes, or any that it does."""
    bounds = bounds_of(model, name)
    if bounds is None:
        return None
    low, high, whole = bounds
    value = (low, high, rng.uniform(low, high), low + (high - low) * rng.random() ** 6)[
        int(rng.integers(0, 4))
    ]
    return round(value) if whole else float(value)


def to_the_bounds(folder: Path, rng: np.random.Generator) -> str:
    """Set a few figures of job.toml, or of the learned unit, to what they just may be."""
    if rng.random() < 0.2:
        unit = json.loads((folder / "unit.json").read_text())
        for _ in range(int(rng.integers(1, 6))):
            fader = unit["faders"][int(rng.integers(0, len(unit["faders"])))]
            name = ("centre_hz", "q", "q_bend", "share", "sag")[int(rng.integers(0, 5))]
            fader[name] = at_bounds(LearnedFader, name, rng)
            if name == "sag":
                fader[name] = min(fader[name], 0.499)
        (folder / "unit.json").write_text(json.dumps(unit))
        return "unit.json to the bounds"
    tables = tomllib.loads((folder / "job.toml").read_text())
    for _ in range(int(rng.integers(1, 5))):
        sections = [*((SECTIONS[name], tables[name]) for name in tables if name != "take"),
                    *((Take, take) for take in tables["take"])]  # fmt: skip
        model, table = sections[int(rng.integers(0, len(sections)))]
        numbers = [name for name in model.model_fields if bounds_of(model, name)]
        if rng.random() < 0.2 and table.keys() & numbers:
            del table[sorted(table.keys() & numbers)[0]]
        elif numbers:
            name = numbers[int(rng.integers(0, len(numbers)))]
            table[name] = at_bounds(model, name, rng)
    (folder / "job.toml").write_text(tomlkit.dumps(tables))
    return "job.toml to the bounds"


def mutate_folder(folder: Path, rng: np.random.Generator) -> str:
    """Spoil one file of the folder; say which and how."""
    if rng.random() < 0.35:
        return to_the_bounds(folder, rng)
    names = ("job.toml", "job.toml", "job.toml", "unit.json", "mic.txt", "box.csv")
    name = names[int(rng.integers(0, len(names)))]
    path = folder / name
    if rng.random() < 0.7:
        text = mutated_words(path.read_text(), rng)
        path.write_bytes(text.encode("utf-8", "replace"))
        return f"{name} by words"
    path.write_bytes(mutated_bytes(path.read_bytes(), rng))
    return f"{name} by bytes"


FORMATS = (
    ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("WAV", "PCM_U8"),
    ("WAV", "ULAW"), ("WAVEX", "PCM_24"), ("RF64", "PCM_24"), ("RF64", "FLOAT"), ("FLAC", "PCM_16"),
    ("FLAC", "PCM_24"), ("AIFF", "PCM_24"), ("AIFF", "FLOAT"), ("CAF", "ALAC_24"),
    ("W64", "PCM_24"), ("OGG", "VORBIS"), ("AU", "PCM_16"), ("RAW", "PCM_16"),
)  # fmt: skip
RATES_HZ = (8000, 44_099, 44_100, 47_999, 48_000, 88_200, 96_000, 192_000, 384_000, 655_350)
VALUES = (np.nan, np.inf, -np.inf, 1e6, -1e6, 1e7, 1e18, 1e25, 3e38, 1e-40, 0.0, 1.0)
SIZES = (0, 1, 7, 2**16, 2**31 - 1, 2**31, 2**32 - 2, 2**32 - 1)


def mutated_recording(rng: np.random.Generator) -> tuple[bytes, str]:
    """Bytes of a recording with something wrong with it, and a word for it."""

    def one_of(choices: tuple) -> object:
        return choices[int(rng.integers(0, len(choices)))]

    samples = two_channels(heard(played(1.5), seed=int(rng.integers(0, 3))), played(1.5))
    kind, subtype = one_of(FORMATS)
    rate_hz, way = RATE_HZ, int(rng.integers(0, 7))
    if way == 0:
        rate_hz = one_of(RATES_HZ)
    elif way == 1:
        count = int(one_of((1, 3, 8, 64, 65)))
        samples = np.resize(samples.T, (count, len(samples))).T
    elif way == 2:
        column = slice(None) if rng.random() < 0.3 else int(rng.integers(0, 2))
        samples = samples.copy()
        if rng.random() < 0.5:
            samples[int(rng.integers(0, len(samples))), column] = one_of(VALUES)
        else:
            samples[:, column] *= one_of(VALUES)
        kind, subtype = "WAV", "FLOAT" if rng.random() < 0.5 else "DOUBLE"
    if kind == "OGG" and way in (0, 1):
        kind, subtype = "WAV", "FLOAT"  # the encoder ends the process with some rates and counts
    file = io.BytesIO()
    try:
        soundfile.write(file, samples, rate_hz, format=kind, subtype=subtype)
    except (soundfile.LibsndfileError, ValueError):  # a format that does not take so many
        file = io.BytesIO()
        soundfile.write(file, samples, rate_hz, format="WAV", subtype="FLOAT")
    data = bytearray(file.getvalue())
    match way:
        case 3:
            del data[int(rng.integers(0, len(data))) :]
        case 4:
            at = 4 * int(rng.integers(0, 24))
            data[at : at + 4] = struct.pack("<I" if rng.random() < 0.7 else ">I", one_of(SIZES))
        case 5:
            for at in rng.integers(0, 120, size=int(rng.integers(1, 6))):
                data[int(at)] = int(rng.integers(0, 256))
        case 6:
            data = bytearray(mutated_bytes(bytes(data), rng))
    words = ("rate", "channels", "samples", "cut off", "size", "header", "bytes")
    return bytes(data), f"{kind} {subtype}, {words[way]}"


def mutate_recording(folder: Path, rng: np.random.Generator) -> str:
    """Put a spoilt recording in place of a take, or now and then of what was played."""
    data, what = mutated_recording(rng)
    names = ("takes/left-front.wav", "takes/left-back.wav", "takes/right-front.wav", "played.wav")
    name = names[int(rng.choice(4, p=(0.4, 0.2, 0.3, 0.1)))]
    (folder / name).write_bytes(data)
    return f"{name}: {what}"


def run_inside(folder: Path) -> tuple[str, str | None]:
    """Tune in this process: its exit code in words, and what is wrong with that."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = CliRunner().invoke(app, ["tune", str(folder), "--date", "2026-11-25"])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        return "traceback", "".join(traceback.format_exception(result.exception))[-1500:]
    code = f"exit {result.exit_code}"
    if result.exit_code not in EXIT_CODES:
        return code, f"undocumented {code}"
    if result.exit_code == 2 and not result.stderr.strip():
        return code, "exit 2 without a word"
    if result.exit_code == 2 and max(map(len, result.stderr.splitlines())) > 600:
        return code, "a line of more than 600 characters"
    return code, None


def run_outside(folder: Path) -> tuple[float, str | None]:
    """Tune in a process of its own: its memory in MB, and what is wrong with its end."""
    code = "import sys; from evenhall.cli import main; sys.exit(main())"
    watched = (
        "import resource, subprocess, sys\n"
        f"done = subprocess.run([sys.executable, '-c', {code!r}, 'tune', sys.argv[1]],\n"
        "                      capture_output=True, text=True)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)\n"
        "print(done.returncode)\n"
        "print(done.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", watched, str(folder)], capture_output=True, text=True, check=True
    )
    memory, exit_code, stderr = done.stdout.split("\n", 2)
    if int(exit_code) not in EXIT_CODES or "Traceback" in stderr:
        return float(memory), f"a process of its own ends with {exit_code}: {stderr[-1500:]}"
    return float(memory), None


def fuzz(count: int, mutate, *, seed: int, in_a_process: int = IN_A_PROCESS, first: int = 0):
    """Make and run mutants from number `first` on."""
    tally = Tally()
    with tempfile.TemporaryDirectory(prefix="evenhall-fuzz-") as place:
        base = Path(place) / "base"
        write_base(base)
        usual_mb = run_outside(base)[0] if count >= in_a_process else 0.0
        for number in range(first, first + count):
            folder = Path(place) / "mutant"
            shutil.copytree(base, folder)
            what = mutate(folder, np.random.default_rng([seed, number]))
            name = f"{mutate.__name__} {number} ({what})"
            start_s = time.perf_counter()
            code, fault = run_inside(folder)
            tally.took(name, time.perf_counter() - start_s)
            tally.codes[code] += 1
            if fault:
                tally.failures.append(f"{name}: {fault}")
            if number % in_a_process == in_a_process - 1:
                memory_mb, fault = run_outside(folder)
                tally.largest_mb = max(tally.largest_mb, memory_mb - usual_mb)
                if memory_mb - usual_mb > MOST_MB:
                    fault = f"takes {memory_mb - usual_mb:.0f} MB more than the folder as it was"
                if fault:
                    tally.failures.append(f"{name}: {fault}")
            shutil.rmtree(folder)
            if number % 50 == 49:
                failed = "".join(f"\n  FAILED {line}" for line in tally.failures)
                print(f"{number + 1}: {dict(tally.codes)}{failed}", file=sys.stderr, flush=True)
    return tally


def main() -> None:
    """Run as many as asked for."""
    words = sys.argv[1:]
    only = int(words.pop(words.index("--only") + 1)) if "--only" in words else None
    words = [word for word in words if word != "--only"]
    folders, recordings, seed = [*map(int, words), 1000, 500, 1][: len(words)] + [1000, 500, 1][
        len(words) :
    ]
    failed = 0
    for count, mutate in ((folders, mutate_folder), (recordings, mutate_recording)):
        start_s = time.perf_counter()
        if only is not None:
            tally = fuzz(min(count, 1), mutate, seed=seed, first=only)
        else:
            tally = fuzz(count, mutate, seed=seed)
        codes = ", ".join(f"{code}: {number}" for code, number in sorted(tally.codes.items()))
        print(f"{mutate.__name__}: {count} in {time.perf_counter() - start_s:.0f} s. {codes}")
        print(f"  slowest {tally.slowest_s:.1f} s, {tally.slowest}")
        print(f"  most memory over the folder as it was: {tally.largest_mb:.0f} MB")
        for line in tally.failures:
            print("  FAILED", line)
        failed += len(tally.failures)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{failed} failures, seed {seed}; this process at its largest: {peak_mb:.0f} MB")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
