"""Stores and visits for the tests: an invented hall, everything that job.toml can hold."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import soundfile

from evenhall.job.folder.model import Take
from evenhall.visits.carrying import read_folder
from evenhall.visits.store import Store

__all__ = ["CLOCK", "EVERYTHING", "TAKE", "add_sound", "below", "packed", "taken_in", "zip_of"]

CLOCK = "2026-03-01T10:00:00+00:00"
TAKE = Take(file="takes/left-front.wav", side="left", spot="front", reference_channel=2)

# Every field of every section; the figures are of an invented chapel.
EVERYTHING = """\
# What a person wrote.
[venue]
name = "St Osk's Chapel \u2013 \u201cupper\u201d nave"
length_m = 18.0
width_m = 10
height_m = 4.5
temperature_c = 17.5
humidity_pct = 61.0
rt60_s = 1.1

[audience]
first_row_m = 2.0
last_row_m = 14.0
ear_height_m = 1.25

[rig]
sides = ["left", "right", "sub", "delay"]
speaker_height_m = 1.8
speaker_down_deg = 3.0
speaker_inwards_deg = 5.0
apart_m = 6.0
from_wall_m = 1.2
polar = "box.csv"
coverage_h_deg = 80.0
coverage_v_deg = 55.0
low_limit_hz = 60.0
max_height_m = 3.0
has_processor = true

[equalizer]
bands = [63, 125, 250.0, 500, 1000, 2000, 4000, 8000]
range_db = 15
step_db = 1.0
response = "constant-q"
max_boost_db = 3.0
q = 1.6
most_faders = 9
feeds_subs = true

[console]
sections = 6
shelves = false
low_hz = 30.0
high_hz = 18000.0
lowest_q = 0.5
highest_q = 8.0
range_db = 12.0
step_db = 0.1

[strip]
low_shelf_hz = 100.0
mid_low_hz = 200.0
mid_high_hz = 4000.0
mid_q = 0.8
high_shelf_hz = 10000.0
range_db = 12.0
step_db = 0.5

[crossover]
low_hz = 63.0
high_hz = 125.0
slope_db = 12
high_pass = false
set_hz = 90.0

[target]
points = [[63, 4.0], [1000, 0], [10000.0, -3.0]]

[microphone]
calibration = "mic.txt"
sensitivity_db_spl = 113.5

[reference]
file = "stimulus.wav"

[talker]
behind_m = 0.5
aside_m = 2.0
talker_m = 0.2
height_m = 1.6
cardioid = false
open_count = 3

[[take]]
file = "takes/left-front.wav"
side = "left"
spot = "front"
distance_m = 2.5
mic_channel = 1
reference_channel = 2
delay_is_relative = true
at = "audience"

[[take]]
file = "takes/left-back.wav"
side = "left"
spot = "back"
reference_file = "takes/left-back-played.wav"

[[take]]
file = "takes/right-front.wav"
side = "right"
spot = "front"
reference_channel = 2
state = "before"

[[take]]
file = "takes/right-back.wav"
side = "right"
spot = "back"
reference_channel = 2
state = "after"
with_subs = true

[[take]]
file = "takes/sub-front.wav"
side = "sub"
spot = "front"

[[take]]
file = "takes/delay-back.wav"
side = "delay"
spot = "back"
mic_channel = 2
reference_channel = 1

[[take]]
file = "takes/left-walk.wav"
side = "left"
spot = "walk"
reference_channel = 2
walked_m = 28.5
passed = {front = 3.0, back = 16.5}
"""
POLAR = "frequency_hz,plane,angle_deg,level_db\n" + "".join(
    f"1000,{plane},{angle},{-angle / 6}\n" for plane in "hv" for angle in (0, 45, 90, 180)
)
CALIBRATION = "20 -1.5\n1000 0.0\n20000 2.0\n"


def everything(folder: Path) -> Path:
    """Write the folder of `EVERYTHING`; its sounds are short noise."""
    folder.mkdir(parents=True)
    (folder / "job.toml").write_text(EVERYTHING, encoding="utf-8")
    (folder / "mic.txt").write_text(CALIBRATION)
    (folder / "box.csv").write_text(POLAR)
    names = [line.split('"')[1] for line in EVERYTHING.splitlines() if ".wav" in line]
    for seed, name in enumerate(names):
        add_sound(folder, name, seed=seed)
    return folder


def add_sound(folder: Path, name: str, *, seed: int = 0, frames: int = 500) -> Path:
    """Put a recording of two channels of faint noise there."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = 0.1 * np.random.default_rng(seed).standard_normal((frames, 2))
    soundfile.write(path, noise, 48_000, subtype="PCM_24")
    return path


def below(folder: Path) -> dict[str, bytes]:
    """Content of every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def zip_of(files: Mapping[str, bytes | str]) -> io.BytesIO:
    """Zip file of these, whatever their names."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    out.seek(0)
    return out


def packed(folder: Path) -> io.BytesIO:
    """Zip file of a folder."""
    return zip_of(below(folder))


def taken_in(store: Store, folder: Path) -> int:
    """Number of the visit that a folder became."""
    return read_folder(store, packed(folder))
