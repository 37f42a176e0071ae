"""Times the card of a 31-fader unit, and holds its quality against general-purpose solvers.

The baseline is what a bare script would do: gains of single faders as columns of a matrix,
scipy.optimize.lsq_linear within the limits, rounded to the steps. It takes the unit for
linear and the level for a column of ones. Quality is then the weighted rms left, computed
for both by the true cascade. Small units are held against differential evolution.

    OMP_NUM_THREADS=1 python bench/card.py
"""

from __future__ import annotations

import platform
import time
from dataclasses import replace

import numpy as np
from scipy.optimize import differential_evolution, least_squares, lsq_linear

from evenhall.equalizer import MODELS, Wanted, band_gain_db, graphic_unit, solve
from evenhall.equalizer.graphic import Law

HALLS = 200
SMALL_HALLS = 10
STARTS = 6
WITHIN_PCT, WITHIN_DB = 1.0, 0.01
SMALL_UNITS = ([100, 1000, 10_000], [80, 160, 315, 630, 1250], [63, 250, 1000, 4000, 12_500])


def hall(unit, rng):
    """Broad faults with finer ones on top; the ends unanswered, no boost in the bass."""
    broad = np.convolve(rng.normal(0, 4, 34), [0.25, 0.5, 0.5, 0.25], "valid")
    weight = rng.uniform(0.1, 1.0, 31)
    weight[: rng.integers(0, 6)] = 0
    weight[rng.integers(28, 32) :] = 0
    return Wanted(broad + rng.normal(0, 1, 31), weight, unit.centre_hz > 60)


def rms_db(unit, wanted, faders_db):
    """Weighted rms of what is left, its weighted mean removed."""
    left = wanted.deviation_db + band_gain_db(unit, faders_db)
    mean = np.average(left, weights=wanted.weight)
    return float(np.sqrt(np.average((left - mean) ** 2, weights=wanted.weight)))


def limits_db(unit, wanted):
    """Lowest and highest setting of each fader; scipy wants them apart."""
    low = np.full(unit.fader_count, -unit.range_db)
    return low, np.where(wanted.may_boost, unit.max_boost_db, 1e-9)


def linear_card(unit, wanted, columns):
    """Bounded linear least squares with a free level, rounded to the steps."""
    root = np.sqrt(wanted.weight)
    matrix = np.column_stack([columns, -np.ones(31)]) * root[:, None]
    low, high = limits_db(unit, wanted)
    found = lsq_linear(
        matrix,
        -root * wanted.deviation_db,
        bounds=(np.append(low, -60.0), np.append(high, 60.0)),
    )
    return np.round(found.x[:-1] / unit.step_db) * unit.step_db


def timed(call):
    """Return the answer and the milliseconds it took."""
    start = time.perf_counter()
    answer = call()
    return answer, 1e3 * (time.perf_counter() - start)


def standard_units():
    """Whole cards against the linear baseline, a row a unit."""
    print(f"{HALLS} halls a row; before, linear, card: mean weighted rms in dB")
    print("unit                     before linear  card   boost dB  card ms (95 %)  x baseline")
    for bands in (31, 15, 10):
        for model in MODELS:
            unit = graphic_unit(bands, model=model)
            columns = np.column_stack(
                [band_gain_db(unit, row) / 6.0 for row in 6.0 * np.eye(unit.fader_count)]
            )
            rng = np.random.default_rng(20)
            rows = []
            for _ in range(HALLS):
                wanted = hall(unit, rng)
                card, card_ms = timed(lambda u=unit, w=wanted: solve(u, w))
                linear, linear_ms = timed(lambda u=unit, w=wanted, c=columns: linear_card(u, w, c))
                rows.append(
                    (
                        card.rms_before_db,
                        rms_db(unit, wanted, linear),
                        card.rms_after_db,
                        np.maximum(card.fader_db, 0).sum(),
                        card_ms,
                        card_ms / linear_ms,
                    )
                )
            before, linear_db, card_db, boost_db, ms, ratio = np.array(rows).T
            print(
                f"{bands} {model:<20}  {before.mean():6.2f} {linear_db.mean():6.3f} "
                f"{card_db.mean():6.3f} {boost_db.mean():8.1f}  {np.median(ms):7.1f} "
                f"({np.quantile(ms, 0.95):4.1f})  {np.median(ratio):6.2f} "
                f"({np.quantile(ratio, 0.1):.2f} to {np.quantile(ratio, 0.9):.2f})"
            )


def small_units():
    """Continuous cards against differential evolution, a row a unit."""
    print(f"\n{SMALL_HALLS} halls a row, continuous faders: rms above differential evolution's")
    for bands in SMALL_UNITS:
        for model in MODELS:
            unit = graphic_unit(bands, model=model, step_db=0.0)
            rng = np.random.default_rng(20)
            above_pct = []
            for seed in range(SMALL_HALLS):
                wanted = hall(unit, rng)
                found = differential_evolution(
                    lambda faders_db, u=unit, w=wanted: rms_db(u, w, faders_db),
                    list(zip(*limits_db(unit, wanted), strict=True)),
                    rng=np.random.default_rng(seed),
                    maxiter=60,
                    popsize=8,
                )
                above_pct.append(100 * (solve(unit, wanted).rms_after_db / found.fun - 1))
            print(
                f"{len(bands)} faders {bands[0]} to {bands[-1]} Hz, {model:<15} "
                f"mean {np.mean(above_pct):5.2f} %, worst {max(above_pct):5.2f} %"
            )


def random_unit(rng):
    """Make a unit as it was learned: 31, 15 or 10 faders, each straying its own way."""
    plain = graphic_unit(
        int(rng.choice([31, 15, 10])), model=str(rng.choice(list(MODELS))), step_db=0.0
    )
    count = plain.fader_count
    return replace(
        plain,
        centre_hz=plain.centre_hz * rng.uniform(0.95, 1.05, count),
        q=plain.q * rng.uniform(0.75, 1.3, count),
        law=Law(
            share=rng.uniform(0.6, 1.1, count),
            sag=rng.uniform(0.0, 0.2, count),
            q_bend=rng.uniform(-0.5, 0.5, count),
        ),
    )


def many_starts():
    """Continuous cards of learned units against many starts of a library's least squares."""
    rng = np.random.default_rng(20)
    above_db, above_pct, card_ms = [], [], []
    for _ in range(HALLS):
        unit = random_unit(rng)
        wanted = hall(unit, rng)
        low, high = limits_db(unit, wanted)
        root = np.sqrt(wanted.weight / wanted.weight.sum())

        def left(faders_db, unit=unit, wanted=wanted, root=root):
            rest = wanted.deviation_db + band_gain_db(unit, faders_db)
            return root * (rest - np.average(rest, weights=wanted.weight))

        starts = [np.clip(rng.uniform(-9.0, 4.0, low.size), low, high) for _ in range(STARTS)]
        ends = [
            least_squares(left, start, bounds=(low - 1e-9, high + 1e-9), max_nfev=60)
            for start in starts
        ]
        best_db = min(np.sqrt(2.0 * end.cost) for end in ends)
        card, ms = timed(lambda unit=unit, wanted=wanted: solve(unit, wanted))
        above_db.append(card.rms_after_db - best_db)
        above_pct.append(100.0 * (card.rms_after_db / max(best_db, 1e-3) - 1.0))
        card_ms.append(ms)
    above_db, above_pct = np.array(above_db), np.array(above_pct)
    # What is nearly nothing has no share worth telling: a hundredth of a dB is heard by nobody.
    close = (above_pct <= WITHIN_PCT) | (above_db <= WITHIN_DB)
    print(
        f"\n{HALLS} halls, each with a learned unit, {STARTS} starts: within {WITHIN_PCT:g} % or "
        f"{WITHIN_DB:g} dB of the best of them in {close.sum()}; mean {above_db.mean():+.4f} dB, "
        f"worst {above_db.max():+.4f} dB; {np.sum(above_db < 0)} below it; "
        f"{np.median(card_ms):.1f} ms median, {np.max(card_ms):.1f} at most"
    )


if __name__ == "__main__":
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    standard_units()
    small_units()
    many_starts()
