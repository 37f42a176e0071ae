"""Takes and spots made from band levels alone: no sound, so that each test states its own truth.

take(level_db, side=..., spot=..., ...)     one `Take`
spot(level_db, ...)                         one `SpotResponse` of one such take
diffuse_levels_db(...)                      levels of a purely reverberant field, place by place
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.bandlevel import BandLevels
from evenhall.acoustics.bands import BAND_COUNT, LOWER_HZ, NOMINAL_HZ, UPPER_HZ
from evenhall.acoustics.transfer import Response
from evenhall.equalizer.graphic import GraphicUnit, graphic_unit
from evenhall.equalizer.parametric import Parametric
from evenhall.hall.setting import Room
from evenhall.verdict.judge import Setting, Verdict, judge
from evenhall.verdict.move import Stage
from evenhall.verdict.problem import Problem
from evenhall.verdict.take import SpotResponse, Take, spot_responses
from evenhall.verdict.target import target_points

__all__ = ["at", "diffuse_levels_db", "flat", "judged", "response", "spots_of", "take", "visit"]

FloatArray = NDArray[np.float64]


def flat(level_db: float = 0.0, changes_db: dict[float, float] | None = None) -> FloatArray:
    """Return the same level in every band, but for those of `changes_db`, by nominal frequency."""
    levels = np.full(BAND_COUNT, float(level_db))
    for hz, change_db in (changes_db or {}).items():
        levels[hz == NOMINAL_HZ] += change_db
    return levels


def at(hz: float) -> int:
    """Index of the band of a nominal frequency."""
    (index,) = np.flatnonzero(hz == NOMINAL_HZ)
    return int(index)


def response(
    level_db: ArrayLike, *, uncertainty_db: ArrayLike = 0.1, polarity: int = 1, **fields
) -> Response:
    """Response with these levels; a band whose level is nan is not usable."""
    level = np.asarray(level_db, dtype=float)
    usable = np.isfinite(level)
    impulse = np.zeros(4800)
    impulse[480] = float(polarity or 1)
    return Response(
        **{
            "impulse": impulse,
            "rate_hz": 48000.0,
            "arrival_s": np.nan,  # unknown: then all of the sound counts as the room's
            "delay_s": 0.01,
            "start_s": 0.0,
            "clock_ppm": 0.0,
            "polarity": polarity,
            "bands": BandLevels(
                level_db=level,
                uncertainty_db=np.broadcast_to(np.asarray(uncertainty_db, float), level.shape),
                usable=usable,
                covered_ratio=np.ones(BAND_COUNT),
                length_s=np.ones(BAND_COUNT),
            ),
            "coherence": np.ones(BAND_COUNT),
            "match_score": 100.0,
            "overlap_s": 10.0,
            "used_ratio": 1.0,
            "gain_range_db": 0.1,
            "delay_range_s": 0.0,
        }
        | fields
    )


def take(
    level_db: ArrayLike,
    *,
    side: str = "left",
    spot: str = "front",
    state: str = "before",
    distance_m: float | None = None,
    usable: bool = True,
    problems: tuple[Problem, ...] = (),
    file: str | None = None,
    with_subs: bool = False,
    **fields,
) -> Take:
    """Take with these band levels; further words go to `response()`."""
    return Take(
        file=file or f"{side}-{spot}-{state}.wav",
        side=side,
        spot=spot,
        state=state,
        distance_m=distance_m,
        response=response(level_db, **fields),
        problems=problems,
        usable=usable,
        with_subs=with_subs,
    )


def spots_of(*takes: Take, state: str = "before") -> tuple[SpotResponse, ...]:
    """Spots of these takes, front to back."""
    return spot_responses(takes, state=state)


def diffuse_levels_db(
    rng: np.random.Generator,
    n_places: int,
    *,
    rt60_s: float,
    hz: Sequence[float] = tuple(NOMINAL_HZ),
) -> FloatArray:
    """Third-octave levels at places in a purely reverberant field, shape (n_places, len(hz)).

    Gaussian noise under an exponential envelope that loses 60 dB in `rt60_s` (the statistical
    model of a room above its Schroeder frequency). Each band is made at a rate of its own, so
    that the bass is cheap; its level is the plain power mean over the logarithm of frequency
    on a fine grid, by a transform long enough to hold many bins in the band.
    """
    levels = np.empty((n_places, len(hz)))
    for k, nominal in enumerate(hz):
        band = at(nominal)
        rate_hz = 3.0 * UPPER_HZ[band]
        n_taps = int(1.2 * rt60_s * rate_hz)
        envelope = 10.0 ** (-3.0 * np.arange(n_taps) / (rt60_s * rate_hz))
        n_fft = 2 * n_taps
        freq_hz = np.fft.rfftfreq(n_fft, 1.0 / rate_hz)
        inside = (freq_hz >= LOWER_HZ[band]) & (freq_hz < UPPER_HZ[band])
        for chunk in np.array_split(np.arange(n_places), max(1, n_places * n_taps // 4_000_000)):
            impulses = rng.standard_normal((chunk.size, n_taps)) * envelope
            power = np.abs(np.fft.rfft(impulses, n_fft)[:, inside]) ** 2
            levels[chunk, k] = 10.0 * np.log10(power @ (1.0 / freq_hz[inside]))
    return levels


def judged(
    *takes: Take,
    bands: int | Sequence[float] = 31,
    target: str = "flat",
    low_limit_hz: float | None = None,
    rt60_s: float = 0.9,
    stage: Stage | None = None,
    unit: GraphicUnit | None = None,
    other_units: dict[str, GraphicUnit] | None = None,
    strip: Parametric | None = None,
    crossed_hz: float | None = None,
    feeds_subs: bool = False,
    **faceplate,
) -> Verdict:
    """Verdict on these takes; further words go to `graphic_unit()` where no unit is given."""
    stage = stage or Stage(Room(rt60_s=rt60_s), audience=None, speaker=None, max_height_m=None)
    return judge(
        takes,
        Setting(
            unit=unit or graphic_unit(bands, **faceplate),
            target=target_points(target),
            stage=stage,
            low_limit_hz=low_limit_hz,
            other_units=other_units or {},
            strip=strip,
            crossed_hz=crossed_hz,
            feeds_subs=feeds_subs,
        ),
    )


def visit(
    level_db: ArrayLike,
    *,
    sides: Sequence[str] = ("left", "right"),
    local: dict | None = None,
    **fields,
) -> list[Take]:
    """Takes of each side at front, middle and back, alike but for `local` levels by spot."""
    metres = {"front": 3.0, "middle": 8.0, "back": 14.0}
    return [
        take(
            np.asarray(level_db, float) + np.asarray((local or {}).get(name, 0.0)),
            side=side,
            spot=name,
            distance_m=distance_m,
            **fields,
        )
        for side in sides
        for name, distance_m in metres.items()
    ]
