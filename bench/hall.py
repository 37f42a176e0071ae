"""Holds the forecast of the hall against simulated halls, and the search against every stance.

Change: random halls in which a pair is moved as proposed; the real change of front minus back
(mean of 200 Hz to 4 kHz, one side, spots front and back, from the simulated hall's own impulse
responses) against what was forecast. The simulated boxes have another pattern than the
forecast's. The baseline is what distance alone would say (inverse square).
Seats: loudest less softest of 12 rows by 9 seats, both sides playing, before and after the best
climb; what was told against what the simulated hall really gives, and what each rule for a
climb brings.
Search: 12 rows by 9 seats; the best stance against every stance of a finer grid.

    OMP_NUM_THREADS=1 python bench/hall.py
"""

from __future__ import annotations

import itertools
import platform
import time
from dataclasses import dataclass, replace

import numpy as np

from evenhall.acoustics.bands import EXACT_HZ, log_frequency_mean
from evenhall.hall.field import forecast, forecast_points
from evenhall.hall.level import mid_mean_db
from evenhall.hall.pair import USUAL_ROOM_DB, best_stance
from evenhall.hall.pattern import Pattern
from evenhall.hall.search import Limits, spread_db
from evenhall.hall.seats import usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.hall.stances import Hearing, hearing_of, stance_of
from evenhall.sound.simulated import Box, Element, SimulatedHall
from evenhall.sound.simulated import Room as SimulatedRoom
from evenhall.verdict.stance.fitted_hall import corrected_move, fit_to_takes

HALLS = 40
SEARCHED = 8
SEATED = 40
MOUTH_M = 0.28  # width of a small box's baffle, and mouth of its horn
RATE_HZ = 16_000.0  # the bands that count end at 4.5 kHz
# Keele, "What's so sacred about exponential horns?", AES preprint 1038 (1975), from memory: a horn
# holds an angle above this over angle and mouth, in metres.
KEELE_M_DEG_HZ = 25_400.0


@dataclass(frozen=True)
class HornPattern(Pattern):
    """A horn that holds its angles down to what its mouth allows, then opens with falling pitch."""

    angles_deg: tuple[float, float]
    mouth_m: float

    def off_axis_db(self, across_deg, down_deg, *, freq_hz):
        """Loss of the nominal shape, -6 dB at half the angle and -18 dB at most."""
        squared = 0.0
        for off_deg, angle_deg in zip((across_deg, down_deg), self.angles_deg, strict=True):
            holds_hz = KEELE_M_DEG_HZ / (angle_deg * self.mouth_m)
            half_deg = 0.5 * angle_deg * np.maximum(holds_hz / np.asarray(freq_hz), 1.0)
            squared = squared + (np.asarray(off_deg)[..., None] / half_deg) ** 2
        return -18.0 + 18.0 * np.exp(np.log1p(-6.0 / 18.0) * squared)


def random_hall(rng):
    """Give a small hall, its people, and a pair that stands too low."""
    length, width, height = rng.uniform(10, 24), rng.uniform(6, 14), rng.uniform(3.2, 6.5)
    volume = length * width * height
    rt60_s = float(np.clip(0.05 * volume ** (1 / 3) * rng.uniform(1.2, 3.0), 0.4, 2.5))
    room = Room(length, width, height, rt60_s=rt60_s)
    last_m = length - 1.0 - rng.uniform(1.0, 3.0)
    people = Audience(rng.uniform(1.5, 3.0), last_m)
    speaker = Loudspeaker(
        min(rng.uniform(1.5, 2.2), height - 0.8), float(rng.integers(0, 4)),
        float(rng.choice([90.0, 100.0, 80.0])), float(rng.choice([60.0, 50.0, 40.0])),
    )  # fmt: skip
    return room, people, speaker


def spots_of(people, pair, rng):
    """Front, back and middle microphones before the left box, off its axis by a little."""
    left = pair[0]
    aside = left.across_m + rng.uniform(0.1, 0.5)
    front_m = min(max(people.first_row_m, 1.0), 2.0)
    return np.array(
        [
            [left.along_m + along, aside, people.ear_height_m]
            for along in (front_m, people.last_row_m)
        ]
    )


def real_db(room, box, points, *, seed, slope):
    """Band levels of one loudspeaker at the points, from the simulated hall."""
    simulated = SimulatedRoom(
        room.length_m, room.width_m, room.height_m, tuple(room.rt60_s * slope), seed=seed
    )
    element = Element(
        Box(box.pattern.coverage_h_deg, box.pattern.coverage_v_deg),
        (box.along_m, box.across_m, box.height_m),
        down_deg=box.down_deg,
        turn_deg=box.turn_deg,
    )
    spots = {str(at): tuple(point) for at, point in enumerate(points)}
    hall = SimulatedHall(simulated, {"left": element}, spots)
    levels = []
    for name in spots:
        impulse = hall.true_response("left", name, rate_hz=RATE_HZ, microphone=False)
        n_fft = 1 << int(np.ceil(np.log2(impulse.size)))
        power = np.abs(np.fft.rfft(impulse, n_fft)) ** 2
        band_db = 10 * np.log10(log_frequency_mean(power, spacing_hz=RATE_HZ / n_fft) + 1e-30)
        levels.append(np.where(EXACT_HZ < 0.4 * RATE_HZ, band_db, np.nan))
    return np.array(levels)


def forecasts(room, box, points):
    """Front minus back of one loudspeaker by each way of forecasting it."""
    hearing = Hearing((box,), points, room, box.across_m)
    aim = np.array([box.down_deg]), np.array([0.0])
    diffuse = hearing.mid_db(stance_of([box], box.across_m), *aim)[0]
    mirrored = mid_mean_db(forecast_points([box], points, room).total_db)
    horn = HornPattern((box.pattern.coverage_h_deg, box.pattern.coverage_v_deg), MOUTH_M)
    wide = Hearing((replace(box, pattern=horn),), points, room, box.across_m)
    held = wide.mid_db(stance_of([box], box.across_m), *aim)[0]
    bare = -20 * np.log10(np.linalg.norm(points - box.point_m, axis=1))
    return [float(level[0] - level[1]) for level in (diffuse, held, mirrored, bare)]


def corrected(room, people, speaker, boxes, points, level_db):
    """Front minus back before and after, once three takes have corrected the forecast."""
    fitted = fit_to_takes(
        speaker,
        room,
        ear_height_m=people.ear_height_m,
        distance_m=np.linalg.norm(points - boxes[0].point_m, axis=1),
        level_db=level_db,
        uncertainty_db=np.full_like(level_db, 0.2),
    )
    moved = replace(speaker, height_m=boxes[1].height_m, down_deg=boxes[1].down_deg)
    rows_m = points[:2, 0] - boxes[0].along_m
    move = corrected_move(fitted, speaker, moved, room, Audience(*rows_m, people.ear_height_m))
    return move, [check.kind for check in fitted.checks]


def really(box, room, rng, *, by_hand):
    """Give what box and room really are where the figures were given by hand."""
    if not by_hand:
        return box, room
    pattern = replace(
        box.pattern,
        coverage_h_deg=box.pattern.coverage_h_deg * rng.uniform(0.85, 1.15),
        coverage_v_deg=box.pattern.coverage_v_deg * rng.uniform(0.85, 1.15),
    )
    room = replace(room, rt60_s=room.rt60_s * rng.uniform(0.75, 1.25))
    return replace(box, pattern=pattern, down_deg=box.down_deg + rng.normal(0.0, 3.0)), room


def changes(*, by_hand):
    """Errors of the forecast change, in dB: ours, and that of distance alone.

    `by_hand`: the real aim, coverage and decay stray from those that were given, before and
    after the move alike.
    """
    print("figures given by hand, and off" if by_hand else "figures as they are")
    rng = np.random.default_rng(5)
    rows, moves, checks = [], [], []
    for seed in range(HALLS):
        room, people, speaker = random_hall(rng)
        pair = usual_pair(speaker, room)
        seats = usual_seats(people, room, rows=8, seats=5)
        found = best_stance(pair, seats, room, limits=Limits(max_height_m=3.0))
        # bass rings longer, treble shorter, as in most halls
        slope = np.linspace(1.2, 0.7, 8) ** rng.uniform(0.0, 1.0)
        slope /= slope[4]
        points = spots_of(people, pair, rng)
        boxes = pair[0], found.pair[0]
        level_db = [
            real_db(true_room, true_box, points, seed=seed, slope=slope)
            for true_box, true_room in (
                really(box, room, np.random.default_rng(seed), by_hand=by_hand) for box in boxes
            )
        ]
        move, faults = corrected(room, people, speaker, boxes, points, level_db[0])
        checks += faults
        moves.append(move)
        real = [float(mid[0] - mid[1]) for mid in map(mid_mean_db, level_db)]
        was, then = (forecasts(room, box, points) for box in boxes)
        rows.append([(real[0], real[1]), *zip(was, then, strict=True), (move.was_db, move.then_db)])
    was, then = np.moveaxis(np.array(rows), 2, 0)
    change = then - was
    print(f"{HALLS} halls; real front minus back before {was[:, 0].mean():.1f} dB (mean), change")
    print(f"{change[:, 0].mean():.2f} (mean), {change[:, 0].min():.2f} to {change[:, 0].max():.2f}")
    print("                      change: rms, dB  within 1 dB, %  worst | before: mean, rms error")
    names = (
        "direct and diffuse",
        "with a horn's angles",
        "and reflections",
        "distance alone",
        "corrected by takes",
    )
    for at, name in enumerate(names, 1):
        error = change[:, at] - change[:, 0]
        level = was[:, at] - was[:, 0]
        print(
            f"{name:<22} {np.sqrt(np.mean(error**2)):14.2f} "
            f"{100 * np.mean(np.abs(error) <= 1):15.0f} {np.abs(error).max():6.2f} | "
            f"{level.mean():12.2f} {np.sqrt(np.mean(level**2)):6.2f}"
        )
    error = (change[:, 5] - change[:, 0]) / [move.change_sd_db for move in moves]
    print(f"corrected: within twice its doubt {100 * np.mean(np.abs(error) <= 2):.0f} %")
    print(f"checks named in these {HALLS} sound halls: {', '.join(checks) or 'none'}")


def band_levels_db(impulses):
    """Band levels of the sum of the impulse responses."""
    n_fft = 1 << int(np.ceil(np.log2(max(impulse.size for impulse in impulses))))
    power = np.abs(sum(np.fft.rfft(impulse, n_fft) for impulse in impulses)) ** 2
    band_db = 10 * np.log10(log_frequency_mean(power, spacing_hz=RATE_HZ / n_fft) + 1e-30)
    return np.where(EXACT_HZ < 0.4 * RATE_HZ, band_db, np.nan)


def at_seats(*, halls=SEATED):
    """Told against true change of loudest less softest seat, every other hall's figures off."""
    rng = np.random.default_rng(7)
    rows = []
    for seed in range(halls):
        room, people, speaker = random_hall(rng)
        pair = usual_pair(speaker, room)
        seats = usual_seats(people, room)
        points = spots_of(people, pair, rng)
        points = np.vstack((points, points.mean(axis=0)))
        slope = np.linspace(1.2, 0.7, 8) ** rng.uniform(0.0, 1.0)
        slope /= slope[4]

        def true(box, room=room, seed=seed):
            return really(box, room, np.random.default_rng(seed), by_hand=bool(seed % 2))

        box, true_room = true(pair[0])
        spots_db = real_db(true_room, box, points, seed=seed, slope=slope)
        fitted = fit_to_takes(
            speaker,
            room,
            ear_height_m=people.ear_height_m,
            distance_m=np.linalg.norm(points - pair[0].point_m, axis=1),
            level_db=spots_db,
            uncertainty_db=np.full_like(spots_db, 0.2),
        )
        limits = Limits(max_height_m=3.0)
        bare = best_stance(pair, seats, room, limits=limits, room_db=0.0)
        found = best_stance(pair, seats, room, limits=limits, room_db=fitted.room_db)
        if not found.raised:
            continue
        spread, front = [], []
        for boxes in (pair, found.pair):
            placed = [true(box)[0] for box in boxes]
            hall = SimulatedHall(
                SimulatedRoom(
                    room.length_m,
                    room.width_m,
                    room.height_m,
                    tuple(true_room.rt60_s * slope),
                    seed=seed,
                ),
                {
                    box.name: Element(
                        Box(box.pattern.coverage_h_deg, box.pattern.coverage_v_deg),
                        (box.along_m, box.across_m, box.height_m),
                        down_deg=box.down_deg,
                        turn_deg=box.turn_deg,
                    )
                    for box in placed
                },
                {str(at): tuple(point) for at, point in enumerate([*seats.point_m, *points[:2]])},
            )
            sides = [
                [
                    hall.true_response(box.name, spot, rate_hz=RATE_HZ, microphone=False)
                    for box in placed
                ]
                for spot in hall.spots
            ]
            mid = mid_mean_db(np.array([band_levels_db(both) for both in sides[:-2]]))
            spread.append(np.ptp(mid))
            one, two = (mid_mean_db(band_levels_db([both[0]])) for both in sides[-2:])
            front.append(one - two)
        moved = replace(speaker, height_m=found.proposed.height_m, down_deg=found.proposed.down_deg)
        ahead_m = points[:2, 0] - pair[0].along_m
        move = corrected_move(fitted, speaker, moved, room, Audience(*ahead_m, people.ear_height_m))
        rows.append(
            (bare.was_db - bare.proposed_db, found.was_db - found.proposed_db, found.gain_db,
             found.gain_sd_db, spread[0] - spread[1], found.was_db - spread[0],
             -move.change_db, move.change_sd_db, front[0] - front[1])
        )  # fmt: skip
    bare, room_known, told, sd, true, before, front, front_sd, true_front = np.array(rows).T
    print(f"\n{len(true)} climbs of {halls} halls; at 108 seats they gain {true.mean():.2f} dB")
    for name, gain in (
        ("as the plain hall", bare),
        ("room as the takes have it", room_known),
        ("as told", told),
    ):
        error = gain - true
        print(f"{name:<26} bias {error.mean():5.2f}  rms {np.sqrt(np.mean(error**2)):.2f} dB")
    print(f"told: within twice its doubt {100 * np.mean(np.abs(told - true) <= 2 * sd):.0f} %;")
    print(f"spread before, bias {before.mean():.2f} dB")
    front_pays, sure = front - front_sd >= 1.5, told > sd
    for name, chosen in (
        ("every climb", true > -np.inf),
        ("seats 1.5 dB beyond doubt", told - sd >= 1.5),
        ("front to back 1.5 beyond", front_pays),
        ("and seats beyond doubt", front_pays & sure),
    ):
        nothing = (true[chosen] <= 0).sum()
        if chosen.any():
            print(
                f"{name:<26} {chosen.sum():3d} climbs, seats {true[chosen].mean():.2f} dB, "
                f"nothing in {nothing}, front to back {true_front[chosen].mean():.1f} dB,"
                f" {100 * np.mean(true_front[chosen] >= 1.5):.0f} % over 1.5"
            )
        else:
            print(f"{name:<26}   0 climbs")


def searches():
    """Seconds of the search, and how far its best lies above every stance of a finer grid."""
    rng = np.random.default_rng(6)
    rows = []
    for _ in range(SEARCHED):
        room, people, speaker = random_hall(rng)
        pair, seats = usual_pair(speaker, room), usual_seats(people, room)
        limits = Limits(max_height_m=3.0)
        start = time.perf_counter()
        found = best_stance(pair, seats, room, limits=limits)
        forecast(found.pair, seats, room)
        took_s = time.perf_counter() - start
        hearing = hearing_of(pair, seats, room, room_db=USUAL_ROOM_DB)
        present = stance_of(pair, hearing.middle_m)
        ahead_m = seats.along_m.max() - present.along_m
        middle_m = seats.along_m[[0, -1]].mean() - present.along_m
        top_m = max(present.height_m, min(3.0, room.height_m - 0.3))
        start = time.perf_counter()
        half_m = np.ptp(seats.across_m) / 2
        grid = [
            replace(present, height_m=float(h), down_deg=float(d), inwards_deg=float(t))
            for h, d, t in itertools.product(
                np.arange(present.height_m, top_m + 1e-9, 0.05),
                np.arange(0, 30.1, 0.5),
                np.arange(-10, 40.1, 2.5),
            )
            if d >= (below := np.degrees(np.arctan2(h - people.ear_height_m, ahead_m))) - 0.5
            and d - below <= speaker.coverage_v_deg / 2
            and d <= np.degrees(np.arctan2(h - people.ear_height_m, middle_m))
            and ahead_m * np.tan(np.radians(t)) <= present.aside_m + half_m
            and (t >= 0 or present.aside_m - ahead_m * np.tan(np.radians(t)) <= half_m)
        ]
        every_db = spread_db(hearing, grid).min()
        grid_s = time.perf_counter() - start
        rows.append((took_s, found.best_db - every_db, grid_s / took_s, len(grid), found.was_db,
                     found.proposed_db))  # fmt: skip
    took, above, ratio, size, was, then = np.array(rows).T
    print(f"\n{SEARCHED} searches, 12 rows x 9 seats, with the 31-band forecast of the result")
    print(f"seconds: median {np.median(took):.2f}, longest {took.max():.2f}")
    print(f"every stance of a finer grid ({size.mean():.0f} on average): x {np.median(ratio):.0f}")
    print(f"best above the finer grid's best, dB: worst {above.max():.3f}, mean {above.mean():.3f}")
    print(f"loudest less softest seat: {was.mean():.1f} before, {then.mean():.1f} dB as proposed")


if __name__ == "__main__":
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    changes(by_hand=False)
    changes(by_hand=True)
    searches()
    at_seats()
