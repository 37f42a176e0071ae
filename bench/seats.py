"""What a listener hears: the card against its rivals, at twelve seats that nobody measured.

Each hall of `bench/halls.py` is given to the verdict as takes at three spots a side: true band
levels and the estimator's own error, with the first quarter of a second of each impulse response.
Judged is the rms against the target at the seats, all bands from 63 Hz (or the loudspeakers' lower
end) to 12.5 kHz alike, each seat's level free, both sides playing (powers added: as ears do where
two sources lie apart). Rivals: no card, each fader at minus the mean deviation ("copying"), the
same at 0.7, the middle spot copied, the best card for the true responses at the measured spots, the
best for eleven other seats, and that with full knowledge of the seats. In halls without a fault the
target is what the area has already, smoothed over an octave.

Each hall is judged once more with a walk a side beside the spots (`bench/walks.py`): the levels
along the way that the pages draw, and what measuring them strays by.

Constants were chosen on even and odd seeds below 1000; the figures of docs/benchmarks.md come from
those above, which nobody tuned to.

    OPENBLAS_NUM_THREADS=1 python bench/seats.py            120 halls from seed 1000 on
    OPENBLAS_NUM_THREADS=1 python bench/seats.py 0 40       40 halls from seed 0 on
    ... python bench/seats.py --rules                       what each rule brings, one left out
"""

from __future__ import annotations

import contextlib
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from unittest import mock

import numpy as np

import halls
import walks
from evenhall.acoustics.bandlevel import BandLevels
from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.acoustics.transfer import Response
from evenhall.acoustics.walking import Walked
from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from evenhall.equalizer.solver import Wanted, all_faders
from evenhall.hall.label import WALK
from evenhall.hall.setting import Room
from evenhall.verdict import judge
from evenhall.verdict.card import estimate
from evenhall.verdict.card.faders import make_card
from evenhall.verdict.card.loss import doubt_db, judged_share
from evenhall.verdict.move import Stage
from evenhall.verdict.take import Take, nan_mean
from evenhall.verdict.target import target_db, target_points
from halls import Hall

FIRST_SEED, COUNT = 1000, 120
RIVALS = ("no card", "copying", "copying at 0.7", "middle copied")
TRUTHS = ("true spots", "eleven other seats", "all known")
WORSE_DB = 0.3
MIDDLE = (NOMINAL_HZ >= 200) & (NOMINAL_HZ <= 4000)


@dataclass(frozen=True)
class Outcome:
    """What one hall came to: mean rms at the seats by card, and what was foretold."""

    seed: int
    has_fault: bool
    faders: int
    moved: int
    rms_db: dict[str, float]
    direct_db: dict[str, float]
    worst_more_db: float
    foretold_before_db: float
    foretold_db: float
    same_before_db: float  # over the same bands as foretold
    same_db: float
    inside_90: bool
    seconds: float
    boxes_told: str  # no box of these halls is broken
    walked_faders: int
    walked_worst_more_db: float
    walked_foretold_db: float
    walked_same_db: float
    walked_inside_90: bool
    doubt_db: tuple[float, float]  # of the area's tone, foretold: by the spots, and with the walk


def takes_of(hall: Hall) -> list[Take]:
    """Make the takes of a visit."""
    found = []
    for i, side in enumerate(halls.SIDES):
        for k, spot in enumerate(halls.SPOTS):
            usable = np.isfinite(hall.doubt_db[i, k])
            level = np.where(usable, hall.spot_db[i, k] + hall.noise_db[i, k], np.nan)
            bands = BandLevels(level, hall.doubt_db[i, k], usable, np.ones(31), np.ones(31))
            place, box = hall.draw.spots_m[side, spot], hall.draw.boxes_m[side]
            distance_m = float(np.linalg.norm(np.subtract(place, box)))
            response = Response(
                impulse=hall.impulse[i, k].astype(float),
                rate_hz=float(halls.RATE_HZ),
                arrival_s=min(0.01, distance_m / halls.SPEED_M_S),
                delay_s=distance_m / halls.SPEED_M_S,
                start_s=0.0,
                clock_ppm=0.0,
                polarity=1,
                bands=bands,
                coherence=np.ones(31),
                match_score=100.0,
                overlap_s=12.0,
                used_ratio=1.0,
                gain_range_db=0.0,
                delay_range_s=0.0,
            )
            name = f"{side}-{spot}.wav"
            found.append(
                Take(file=name, side=side, spot=spot, distance_m=distance_m, response=response)
            )
    return found


def walk_takes(hall: Hall) -> list[Take]:
    """Make a walk a side."""
    walk = walks.walked(hall.draw.seed)
    rng = np.random.default_rng([80, hall.draw.seed])
    # As bench/walking.py finds them: chance of the noise, in the bass most.
    width_hz = EXACT_HZ * (10**0.05 - 10**-0.05)
    stray_sd_db = np.hypot(10 / np.log(10) / np.sqrt(width_hz * walk.length_s), 0.08)
    found = []
    for i, side in enumerate(halls.SIDES):
        piece_db = 10 * np.log10(np.maximum(walk.powers[:, i], 1e-14))
        stray_db = stray_sd_db * rng.standard_normal(31)
        level_db = 10 * np.log10(walk.powers[:, i].mean(axis=0)) + stray_db
        usable = level_db > np.median(level_db) - 22
        shape_db = nan_mean(piece_db - piece_db[:, MIDDLE].mean(axis=1, keepdims=True)) + stray_db
        level_db, shape_db = (np.where(usable, one, np.nan) for one in (level_db, shape_db))
        walked = Walked(
            bands=BandLevels(level_db, stray_sd_db, usable, np.ones(31), np.ones(31)),
            shape_db=shape_db,
            halves_db=np.zeros(31),
            piece_s=np.arange(len(piece_db), dtype=float),
            piece_db=piece_db,
            pace_m_s=walk.length_m / walk.length_s,
            sounded_s=walk.length_s,
            kept_s=walk.length_s,
            still_s=0.0,
            evenly_ratio=np.ones(31),
            disturbances=(),
            noise_known=True,
            snr_db=np.full(31, 30.0),
            match_score=3.0,
            step_db=0.0,
            step_s=0.0,
            start_s=3.0,
        )
        take = Take(
            file=f"{side}-walk.wav",
            side=side,
            spot=WALK,
            distance_m=None,
            response=None,
            walked=walked,
            walked_m=walk.length_m,
        )
        found.append(take)
    return found


def target_of(hall: Hall) -> tuple[tuple[float, float], ...]:
    """Points of the target: a named shape, or what a sound hall has already."""
    if hall.draw.faults:
        return target_points(hall.draw.target)
    judged = judged_bands(hall)
    octave, level = np.log2(EXACT_HZ[judged]), hall.seat_db()[:, judged].mean(axis=0)
    points = []
    for at in octave:
        near = np.exp(-0.25 * ((octave - at) / 0.5) ** 2)
        points.append((2.0**at, float(np.polyval(np.polyfit(octave - at, level, 1, w=near), 0.0))))
    middle = np.mean([level for _, level in points])
    return tuple((float(hz), level - float(middle)) for hz, level in points)


def judged_bands(hall: Hall) -> np.ndarray:
    """Bands that a seat is judged over."""
    lowest_hz = max(63.0, hall.draw.low_limit_hz)
    return (lowest_hz * 0.99 <= NOMINAL_HZ) & (NOMINAL_HZ <= 12_500.0)


def rms_db(level_db: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Root mean square over the bands, each row's level free."""
    share = share / share.sum()
    left = level_db - (level_db @ share)[:, None]
    return np.sqrt(np.square(left) @ share)


def outcome(seed: int, *, without: str = "") -> Outcome:
    """Judge one hall."""
    hall = halls.kept(seed)
    draw, share = hall.draw, judged_bands(hall).astype(float)
    points = target_of(hall)
    target, unit = target_db(points, EXACT_HZ), graphic_unit(**draw.unit)
    takes = takes_of(hall)
    setting = judge.Setting(
        unit=unit,
        target=points,
        stage=Stage(Room(rt60_s=draw.rt60_s[4]), audience=None, speaker=None, max_height_m=None),
        low_limit_hz=draw.low_limit_hz if draw.states_limit else None,
    )
    start = time.perf_counter()
    with RULES[without]() if without else contextlib.nullcontext():
        verdict = judge.judge(takes, setting)
    seconds = time.perf_counter() - start
    area = verdict.area
    card = verdict.card or make_card(area, unit)  # withheld: counted, and judged as if it were not
    further = judge.judge([*takes, *walk_takes(hall)], setting)
    walked = further.card or make_card(further.area, unit)
    may = unit.nominal_hz >= draw.low_limit_hz * 0.99
    said = estimate.lined_up(np.stack([take.level_db for take in takes]))
    true = estimate.lined_up(hall.spot_db.reshape(6, 31)).mean(axis=0) - target
    seats = hall.seat_db()
    known = (seats - seats[:, MIDDLE].mean(axis=1, keepdims=True)).mean(axis=0) - target
    mean = nan_mean(said) - target

    def copied(deviation_db: np.ndarray, part: float = 1.0) -> np.ndarray:
        nearest = np.abs(np.log(unit.centre_hz[:, None] / EXACT_HZ)).argmin(axis=1)
        strays = np.nan_to_num(deviation_db - np.nanmean(deviation_db[MIDDLE]))
        faders = np.clip(-part * strays[nearest], -unit.range_db, unit.max_boost_db)
        return band_gain_db(unit, np.where(may, faders, np.minimum(faders, 0.0)))

    def best(deviation_db: np.ndarray) -> np.ndarray:
        wanted = Wanted(deviation_db, np.maximum(share, 1e-3), may)
        return band_gain_db(unit, all_faders(unit, wanted))

    gains = {
        "no card": np.zeros(31),
        "copying": copied(mean),
        "copying at 0.7": copied(mean, 0.7),
        "middle copied": copied(nan_mean(said[[1, 4]]) - target),
        "true spots": best(true),
        "all known": best(known),
        "every fader": band_gain_db(unit, all_faders(unit, next(iter(card.wanted.values())))),
        "card": np.stack([card.gain_db(side) for side in halls.SIDES]),
        "card, walked": np.stack([walked.gain_db(side) for side in halls.SIDES]),
    }
    lined = seats - seats[:, MIDDLE].mean(axis=1, keepdims=True) - target
    # Each seat with the card that suits the eleven others best.
    others = [best(lined[np.arange(len(lined)) != k].mean(axis=0)) for k in range(len(lined))]
    at_seats = {name: rms_db(hall.seat_db(gain) - target, share) for name, gain in gains.items()}
    at_seats["eleven other seats"] = np.array(
        [rms_db(hall.seat_db(gain) - target, share)[k] for k, gain in enumerate(others)]
    )
    direct = {
        name: float(rms_db(hall.direct_db + np.mean(np.atleast_2d(gain), axis=0), share).mean())
        for name, gain in gains.items()
    }
    same = judged_share(area.low_hz)
    same_before, same_after = (
        float(rms_db(hall.seat_db(gain) - target, same).mean())
        for gain in (gains["no card"], gains["card"])
    )
    walked_same = float(
        rms_db(
            hall.seat_db(gains["card, walked"]) - target, judged_share(further.area.low_hz)
        ).mean()
    )
    foretold, foretold_walked = card.seat_after, walked.seat_after
    return Outcome(
        seed=seed,
        has_fault=bool(draw.faults),
        faders=unit.fader_count,
        moved=max(int(np.count_nonzero(one.fader_db)) for one in card.solutions.values()),
        rms_db={name: float(at.mean()) for name, at in at_seats.items()},
        direct_db=direct,
        worst_more_db=float((at_seats["card"] - at_seats["no card"]).max()),
        foretold_before_db=card.seat_before.expected_db,
        foretold_db=foretold.expected_db,
        same_before_db=same_before,
        same_db=same_after,
        inside_90=foretold.low_90_db <= same_after <= foretold.high_90_db,
        seconds=seconds,
        walked_faders=max(int(np.count_nonzero(one.fader_db)) for one in walked.solutions.values()),
        walked_worst_more_db=float((at_seats["card, walked"] - at_seats["no card"]).max()),
        walked_foretold_db=foretold_walked.expected_db,
        walked_same_db=walked_same,
        walked_inside_90=foretold_walked.low_90_db <= walked_same <= foretold_walked.high_90_db,
        doubt_db=(doubt_db(area), doubt_db(further.area)),
        boxes_told=" ".join(move.text for move in verdict.boxes.moves if move.kind == "check"),
    )


def _changed(target: object, name: str, value: object):
    return partial(mock.patch.object, target, name, value)


def _plain_mean(measured_db, noise, *, use):
    """Take what the spots say at its word."""
    del noise
    mean = np.interp(estimate.OCTAVES, estimate.OCTAVES[use], measured_db[use])
    return estimate.Posterior(mean - mean[use].mean(), np.zeros((31, 31)))


# Each rule of the decision, switched off.
RULES = {
    "cancelled dips are not filled": _changed(
        judge, "cancelled_bands", lambda _: np.zeros(31, dtype=bool)
    ),
    "doubt draws the estimate in": _changed(estimate, "posterior", _plain_mean),
    "the area has more bass, less treble": _changed(
        estimate, "AREA_LESS_SPOTS_DB", (0.0, 0.0, 0.0, 0.0)
    ),
    "no card below 0.3 dB": partial(
        mock.patch.dict, judge.make_card.__globals__, {"WORTH_DB": 0.0}
    ),
}


def outcomes(seeds, *, without: str = "") -> list[Outcome]:
    """Judge many halls, two at a time."""
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(partial(outcome, without=without), seeds, chunksize=4))


def table(found: list[Outcome]) -> list[str]:
    """Lines of the table, and of the figures that are asked of the card."""
    groups = {
        "all halls": found,
        "with faults": [one for one in found if one.has_fault],
        "without a fault": [one for one in found if not one.has_fault],
    }
    lines = ["| card | " + " | ".join(f"{n} ({len(some)})" for n, some in groups.items()) + " |"]
    lines.append("| --- |" + " ---: |" * len(groups))
    for name in (*RIVALS, "card", "every fader", "card, walked", *TRUTHS):
        means = (np.mean([one.rms_db[name] for one in some]) for some in groups.values())
        lines.append(f"| {name} | " + " | ".join(f"{mean:.2f}" for mean in means) + " |")
    lines.append("")
    for name, some in groups.items():
        lines.append(f"{name}: {figures(some)}")
    for name, some in groups.items():
        lines.append(f"{name}, walked: {walked_figures(some)}")
    direct = {
        name: np.mean([one.direct_db[name] for one in found])
        for name in ("no card", "copying", "card", "every fader")
    }
    said = ", ".join(f"{name} {rms:.2f}" for name, rms in direct.items())
    lines.append(f"direct sound alone, against a flat line: {said}")
    return lines


def figures(some: list[Outcome]) -> str:
    """Say what is asked of the card, in one line."""
    card = np.array([one.rms_db["card"] for one in some])
    every = np.array([one.rms_db["every fader"] for one in some])
    copying = np.array([one.rms_db["copying"] for one in some])
    rival = np.array([min(one.rms_db[name] for name in RIVALS) for one in some])
    before = np.array([one.foretold_before_db - one.same_before_db for one in some])
    after = np.array([one.foretold_db - one.same_db for one in some])
    moved = [one.moved for one in some if one.faders == 31]
    return (
        f"card below copying in {np.mean(card < copying):.0%} (every fader "
        f"{np.mean(every < copying):.0%}), within 0.1 dB of the best rival in "
        f"{np.mean(card <= rival + 0.1):.0%}, a seat worse than without by more than {WORSE_DB} dB "
        f"in {np.mean([one.worst_more_db > WORSE_DB for one in some]):.0%}; foretold less true "
        f"{before.mean():+.2f} before, {after.mean():+.2f} after (sd {after.std():.2f}), inside "
        f"90 % in {np.mean([one.inside_90 for one in some]):.0%}; faders moved of 31: "
        f"{np.mean(moved) if moved else 0:.1f}; a sound box called faulty in "
        f"{np.mean([bool(one.boxes_told) for one in some]):.0%}; verdict "
        f"{1e3 * np.median([one.seconds for one in some]):.0f} ms"
    )


def walked_figures(some: list[Outcome]) -> str:
    """Say what a walk brings, in one line."""
    walked, known, others, spots = (
        np.array([one.rms_db[name] for one in some])
        for name in ("card, walked", "all known", "eleven other seats", "card")
    )
    after = np.array([one.walked_foretold_db - one.walked_same_db for one in some])
    before, then = np.mean([one.doubt_db for one in some], axis=0)
    worse = np.mean([one.walked_worst_more_db > WORSE_DB for one in some])
    moved = [one.walked_faders for one in some if one.faders == 31]
    return (
        f"{walked.mean() / known.mean() - 1:.1%} above full knowledge (by the spots "
        f"{spots.mean() / known.mean() - 1:.1%}), {walked.mean() / others.mean() - 1:.1%} above "
        f"eleven other seats; no worse than the card of the spots in "
        f"{np.mean(walked <= spots):.0%}, a seat worse than without by more than {WORSE_DB} dB in "
        f"{worse:.0%}; foretold less true "
        f"{after.mean():+.2f} (sd {after.std():.2f}), inside 90 % in "
        f"{np.mean([one.walked_inside_90 for one in some]):.0%}; doubt at a seat {before:.2f} to "
        f"{then:.2f} dB; faders moved of 31: {np.mean(moved) if moved else 0:.1f}"
    )


def main() -> None:
    """Print the table, or what each rule brings."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    first, count = (numbers + [FIRST_SEED, COUNT][len(numbers) :])[:2]
    seeds = range(first, first + count)
    halls.halls(seeds)
    walks.walks(seeds)
    found = outcomes(seeds)
    print("\n".join(table(found)))
    if "--rules" in sys.argv:
        base = np.mean([one.rms_db["card"] for one in found])
        for rule in RULES:
            other = outcomes(seeds, without=rule)
            brings = np.mean([one.rms_db["card"] for one in other]) - base
            moved = np.mean([one.moved for one in other]) - np.mean([one.moved for one in found])
            print(f"| {rule} | {brings:+.3f} | {moved:+.1f} |")


if __name__ == "__main__":
    main()
