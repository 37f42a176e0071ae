"""Whatever figures a job may have, takes that were measured get a verdict, and never a refusal."""

from dataclasses import replace

import numpy as np
import pytest
import tomlkit

from evenhall.errors import InputError
from evenhall.job.demo.folder import write_demo
from evenhall.job.folder.reading import load_job, parse_job
from evenhall.job.tune.measuring import measuring
from evenhall.job.tune.result import to_json
from evenhall.job.tune.tuning import result_from

JOBS = 20


def between(rng, low, high):
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def figures(rng):
    """Sections with figures of halls that may well be mistyped, each field there or not."""

    def some(**fields):
        return {name: make() for name, (share, make) in fields.items() if rng.random() < share}

    def size(low, high):
        return lambda: between(rng, low, high)

    sections = {
        "venue": {"name": "Any hall"}
        | some(
            length_m=(0.8, size(5, 60)),
            width_m=(0.6, size(3, 40)),
            height_m=(0.6, size(2, 15)),
            rt60_s=(0.3, size(0.2, 6)),
            temperature_c=(0.2, lambda: float(rng.uniform(-20, 50))),
        ),
        "audience": some(
            first_row_m=(0.9, size(0.1, 8)),
            last_row_m=(0.9, size(2, 40)),
            ear_height_m=(0.3, size(0.5, 2)),
        ),
        "rig": {"sides": ["left", "right"]}
        | some(
            speaker_height_m=(0.9, size(0.5, 8)),
            speaker_down_deg=(0.4, lambda: float(rng.uniform(-90, 90))),
            speaker_inwards_deg=(0.3, lambda: float(rng.uniform(-90, 90))),
            apart_m=(0.3, size(0.5, 30)),
            from_wall_m=(0.3, size(0.05, 10)),
            coverage_h_deg=(0.3, size(5, 360)),
            coverage_v_deg=(0.3, size(5, 360)),
            low_limit_hz=(0.5, size(10, 1000)),
            max_height_m=(0.5, size(1, 15)),
        ),
        "equalizer": some(
            bands=(0.6, lambda: int(rng.choice([31, 15, 10]))),
            range_db=(0.4, size(1, 24)),
            q=(0.3, size(0.1, 30)),
            most_faders=(0.2, lambda: int(rng.integers(1, 31))),
        ),
        "target": {"shape": str(rng.choice(["tilt", "flat", "speech", "music"]))},
    }
    if rng.random() < 0.2:
        sections["console"] = {"sections": int(rng.integers(1, 9))}
    if rng.random() < 0.2:
        sections["strip"] = {"mid_low_hz": between(rng, 20, 1000)}
    return sections


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "hall"
    write_demo(folder)
    job = load_job(folder)
    with measuring(job, folder) as measured:
        return folder, list(measured)


def as_told(rng, take):
    """A take whose distance is not known, late by a mixer's delay, or mistyped; or not usable."""
    far_m = take.distance_m
    way = rng.random()
    if way < 0.2:
        far_m = None
    elif way < 0.5:
        far_m += rng.uniform(0.0, 12.0)
    elif way < 0.6:
        far_m *= 0.1
    return replace(take, distance_m=far_m, usable=bool(rng.random() > 0.15))


def test_measured_takes_get_a_verdict_with_any_figures(demo):
    folder, takes = demo
    listed = tomlkit.parse((folder / "job.toml").read_text()).unwrap()
    judged = 0
    for seed in range(JOBS):
        rng = np.random.default_rng(seed)
        whole = figures(rng) | {
            name: listed[name] for name in ("take", "reference", "microphone") if name in listed
        }
        try:
            job = parse_job(tomlkit.dumps(whole).encode(), folder=folder)
        except InputError:
            continue  # said before anything is measured
        result = result_from(job, [as_told(rng, take) for take in takes], folder)
        assert to_json(result)
        judged += 1
    assert judged > JOBS / 4
