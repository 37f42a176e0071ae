"""The card of a unit: how near all faders, with how few, how steady, how fast.

Invented corrections, faults of 4 dB and more. The bound is scipy.optimize.minimize (L-BFGS-B, from
the bounded linear least squares of a bare script) over all faders on the true cascade, without
steps. Errors in dB, with 1.5 dB^2 that no fader mends; a card may spend `STOP_DB` of it.
Steadiness: 8 draws of 0.05 dB noise on each correction.

    OPENBLAS_NUM_THREADS=1 python bench/card.py
"""

from __future__ import annotations

import platform
import time
from dataclasses import replace

import numpy as np
from scipy.optimize import lsq_linear, minimize

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.graphic import MODELS, band_gain_db, graphic_unit
from evenhall.equalizer.solver import STOP_DB, Wanted, all_faders, solve

HALLS, NOISY_HALLS, DRAWS = 40, 20, 8
NOISE_DB, UNMENDED = 0.05, 1.5


def hall(unit, rng):
    """Broad faults with finer ones on top; boxes that end somewhere, nothing raised below."""
    broad = np.convolve(rng.normal(0, 4, 34), [0.25, 0.5, 0.5, 0.25], "valid")
    low = rng.integers(0, 8)
    weight = np.ones(31)
    weight[:low], weight[29:] = 0.02, (0.5, 0.02)
    may_boost = unit.nominal_hz >= NOMINAL_HZ[low]
    return Wanted(broad + rng.normal(0, 1, 31), weight, may_boost, UNMENDED)


def error_db(unit, wanted, faders_db):
    """Error with the faders there, level free."""
    left = wanted.deviation_db + band_gain_db(unit, faders_db)
    mean = np.average(left, weights=wanted.weight)
    return float(np.sqrt(np.average((left - mean) ** 2, weights=wanted.weight) + wanted.unmended))


def bound_db(unit, wanted):
    """Least error that the library finds."""
    low = np.full(unit.fader_count, -unit.range_db)
    high = np.where(wanted.may_boost, unit.max_boost_db, 0.0)
    columns = np.stack([band_gain_db(unit, one) for one in np.eye(low.size)], axis=1)
    root = np.sqrt(wanted.weight)
    linear = lsq_linear(
        np.column_stack([columns, -np.ones(31)]) * root[:, None],
        -root * wanted.deviation_db,
        (np.append(low, -60.0), np.append(high + 1e-9, 60.0)),
    )
    best = minimize(
        lambda faders_db: error_db(unit, wanted, faders_db) ** 2,
        np.clip(linear.x[:-1], low, high),
        method="L-BFGS-B",
        bounds=list(zip(low, high, strict=True)),
        options={"maxfun": 6000},
    )
    return float(np.sqrt(best.fun))


def row(bands, model):
    """Print what one unit comes to."""
    unit, rng = graphic_unit(bands, model=model), np.random.default_rng(20)
    flat_db, bound, all_db, card_db, moved, took_ms, fader_db, level_db = ([] for _ in range(8))
    for k in range(HALLS):
        wanted = hall(unit, rng)
        start = time.perf_counter()
        card = solve(unit, wanted)
        took_ms.append(1e3 * (time.perf_counter() - start))
        flat_db.append(error_db(unit, wanted, np.zeros(bands)))
        bound.append(bound_db(unit, wanted))
        all_db.append(error_db(unit, wanted, all_faders(unit, wanted)))
        card_db.append(error_db(unit, wanted, card.fader_db))
        moved.append(np.count_nonzero(card.fader_db))
        for _ in range(DRAWS if k < NOISY_HALLS else 0):
            noise_db = rng.normal(0, NOISE_DB, 31)
            then = solve(unit, replace(wanted, deviation_db=wanted.deviation_db + noise_db))
            fader_db.append(np.abs(then.fader_db - card.fader_db).max())
            level_db.append(abs(np.average(then.gain_db - card.gain_db, weights=wanted.weight)))
    above, spent = np.subtract(all_db, bound), np.subtract(card_db, all_db) / STOP_DB
    over = 100.0 * np.mean(np.array(fader_db) > 1.0 + 1e-9)
    print(
        f"| {bands} {model} | {np.mean(flat_db):.2f} | {np.mean(bound):.3f} | {above.max():+.4f} | "
        f"{np.mean(card_db):.3f} | {100 * spent.mean():.0f} % ({100 * spent.max():.0f} %) | "
        f"{np.mean(moved):.1f} | {max(fader_db):.1f} ({over:.1f} %) | "
        f"{np.quantile(level_db, 0.95):.2f} ({max(level_db):.2f}) | "
        f"{np.median(took_ms):.1f} ({max(took_ms):.1f}) |",
        flush=True,
    )


if __name__ == "__main__":
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    print(
        f"{HALLS} corrections a row\n"
        "| unit | flat dB | scipy dB | all faders above it, at most | card dB | of the stop spent "
        "(most) | moved | noise moves a fader, at most (over 1 dB) | the level, 95 % (most) | "
        "ms (most) |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"
    )
    for bands in (31, 15, 10):
        for model in MODELS:
            row(bands, model)
