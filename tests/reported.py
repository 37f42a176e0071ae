"""An invented visit: the hall, its rig, and what a tuning could say of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.job.folder.reading import Job
from evenhall.job.tune.result import Result

DISTANCES_M = {"front": 2.5, "middle": 7.0, "back": 13.0}
FADERS = {80: -3.0, 200: -4.5, 250: -10.5, 1600: 2.0, 3150: -2.5}
ORDER = [250, 200, 3150, 80, 1600]  # by what they bring


def levels(side: str, spot: str) -> list[float]:
    """Band levels that fall by 4 dB from spot to spot, with some scatter."""
    rng = np.random.default_rng([len(side), len(spot), 7])
    step = list(DISTANCES_M).index(spot)
    return [float(level) for level in -12.0 - 4.0 * step + rng.normal(0.0, 1.5, NOMINAL_HZ.size)]


def take(side: str, spot: str, state: str = "before", **changed: Any) -> dict[str, Any]:
    bands = [
        {
            "hz": float(hz),
            "level_db": level if hz >= 40 else None,
            "uncertainty_db": 0.4 if hz >= 40 else None,
            "usable": bool(hz >= 40),
        }
        for hz, level in zip(NOMINAL_HZ, levels(side, spot), strict=True)
    ]
    made = {
        "file": f"takes/{side}-{spot}.wav",
        "side": side,
        "spot": spot,
        "state": state,
        "usable": True,
        "distance_m": DISTANCES_M[spot],
        "polarity": 1,
        "level_db": -14.0,
        "bands": bands,
    }
    return made | changed


def result_fields() -> dict[str, Any]:
    hz = [float(f) for f in NOMINAL_HZ[4:]]
    differences = [
        {"hz": f, "front_minus_back_db": 8.0 if f < 1000 else 3.0, "holds": f >= 1000} for f in hz
    ]
    rng = np.random.default_rng(5)
    return {
        "job": "Juniper Barn",
        "takes": [take(side, spot) for side in ("left", "right") for spot in DISTANCES_M],
        "evenness": {
            "limit_db": 6.0,
            "holds": False,
            "bands": differences,
            "sides": {"left": differences, "right": differences},
        },
        "match": {"holds": True, "level_db": 0.3, "bands": []},
        "patterns": [
            {
                "hz": 250,
                "width_octaves": 0.7,
                "depth_db": 7.1,
                "scope": "common",
                "spots": ["front", "middle", "back"],
                "remedy": "equalize",
                "why": "250 Hz is 7.1 dB up, at every spot. The card takes out 6.8 dB.",
            },
            {
                "hz": 90,
                "width_octaves": 0.3,
                "depth_db": -11.2,
                "scope": "local",
                "spots": ["middle"],
                "remedy": "leave",
                "why": "90 Hz is 11.2 dB down at middle only. Don't chase it: a fader would spoil "
                "the other places.",
                "certain": False,
            },
        ],
        "card": {
            "both": [
                {
                    "hz": float(f),
                    "fader_db": FADERS.get(int(f), 0.0),
                    "order": ORDER.index(f) + 1 if f in ORDER else None,
                }
                for f in NOMINAL_HZ
            ]
        },
        "card_steps": [
            {"faders": at, "seat_after_db": seat}
            for at, seat in enumerate((2.6, 2.1, 1.8, 1.6, 1.4), 1)
        ],
        "target": {"shape": "tilt", "points": [[63, 4.0], [16000, -4.0]]},
        "forecast": {
            "bands": [
                {
                    "hz": f,
                    "before_db": float(b),
                    "after_db": float(b) / 3,
                    "target_db": -float(np.log2(f / 1000)),
                    "weight": 1.0,
                    "doubt_db": 0.8,
                }
                for f, b in zip(
                    hz, rng.normal(0, 3, len(hz)) - np.log2(np.array(hz) / 1000), strict=True
                )
            ],
            "rms_before_db": 3.4,
            "rms_after_db": 1.2,
            "seat_before_db": 3.6,
            "seat_after_db": 1.4,
            "seat_after_90_db": [1.0, 1.8],
            "card_level_db": -1.5,
            "out_of_reach": [
                {"hz": 2500, "left_db": 1.6, "why": "The fader is at the end of its range."}
            ],
        },
        "moves": [
            {
                "order": 1,
                "kind": "raise",
                "text": "Raise both loudspeakers to 2.6 m and tip them down 7 degrees.",
                "from": {"speaker_height_m": 1.8},
                "to": {"speaker_height_m": 2.6},
                "expected": {"front_minus_back_db": 5.4, "was_db": 8.1},
            },
            {"order": 2, "kind": "leave", "text": "Leave the dip at 90 Hz alone."},
            {"order": 3, "kind": "equalize", "text": "Set the 5 marked faders of the card."},
        ],
    }


@pytest.fixture
def make_result() -> Callable[..., Result]:
    """Result of the visit, with whole fields replaced."""
    return lambda **changed: Result.model_validate(result_fields() | changed)


@pytest.fixture
def make_take() -> Callable[..., dict[str, Any]]:
    return take


@pytest.fixture
def make_job() -> Callable[..., Job]:
    """Job of the visit, with sections replaced."""

    def make(**sections: Mapping[str, Any]) -> Job:
        fields: dict[str, Any] = {
            "venue": {"name": "Juniper Barn", "length_m": 16.0, "width_m": 9.0, "height_m": 4.2},
            "audience": {"first_row_m": 2.0, "last_row_m": 14.0},
            "rig": {"sides": ("left", "right"), "speaker_height_m": 1.8, "low_limit_hz": 55.0},
            "equalizer": {"bands": 31},
            "take": ({"file": "takes/left-front.wav", "side": "left", "spot": "front"},),
        }
        return Job.model_validate(fields | sections)

    return make
