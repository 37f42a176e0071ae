"""Parametric sections: how few do what a graphic unit does, and how near the best they are.

    OMP_NUM_THREADS=1 python bench/sections.py

The same invented corrections as bench/card.py. Many-start: scipy.optimize.least_squares from random
settings over the very figures that the solver has, without steps, for some of them. Then a channel
strip before the faders: alone without it, with one that cuts, as it is, and with one that may also
raise where a fader may.
"""

from __future__ import annotations

import platform
import sys
import time
from dataclasses import replace
from unittest import mock

import numpy as np
from scipy.optimize import least_squares

from card import error_db, hall
from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer import joint
from evenhall.equalizer.graphic import graphic_unit
from evenhall.equalizer.parametric import (
    SectionsWanted,
    channel_strip,
    console,
    solve_sections,
)
from evenhall.equalizer.section_search import SectionTask, smooth_sections
from evenhall.equalizer.sections import KINDS, Section, sections_band_gain_db
from evenhall.equalizer.solver import solve

HALLS = 100
COUNTS = (1, 2, 3, 4, 6, 8)
GLOBAL_HALLS, GLOBAL_COUNTS, STARTS = 8, (2, 4, 8), 24
STRIP_HALLS = 40


def left_db(sections, wanted):
    """Weighted rms of what is left, by numpy's own weighted average."""
    left = wanted.deviation_db + sections_band_gain_db(sections)
    mean = np.average(left, weights=wanted.weight)
    return float(np.sqrt(np.average((left - mean) ** 2, weights=wanted.weight)))


def halls(count):
    """Yield what is wanted in each hall, for faders and for sections."""
    unit, rng = graphic_unit(31), np.random.default_rng(20)
    for _ in range(count):
        wanted = hall(unit, rng)
        yield wanted, SectionsWanted(wanted.deviation_db, wanted.weight, wanted.may_boost)


def for_unit(unit, wanted):
    """Ask the same of another unit."""
    lowest_hz = NOMINAL_HZ[wanted.may_boost].min()
    return replace(wanted, may_boost=unit.nominal_hz >= lowest_hz)


def table():
    """Print what each count leaves, beside the graphic units, and how long it takes."""
    units = {bands: graphic_unit(bands) for bands in (31, 15, 10)}
    left = {name: [] for name in (*COUNTS, "before", *units)}
    took_ms = []
    for wanted, sections_wanted in halls(HALLS):
        start = time.perf_counter()
        found = solve_sections(console(8), sections_wanted)
        took_ms.append(1e3 * (time.perf_counter() - start))
        left["before"].append(found[0].rms_before_db)
        for count in COUNTS:
            left[count].append(found[min(count, len(found)) - 1].rms_after_db)
        for bands, unit in units.items():
            left[bands].append(solve(unit, for_unit(unit, wanted)).rms_after_db)
    print(f"{HALLS} halls, weighted rms left in dB: mean, 95 %")
    for name, values in left.items():
        what = f"{name} sections" if name in COUNTS else f"{name} faders"
        what = "before" if name == "before" else what
        print(f"{what:<12} {np.mean(values):6.3f} {np.quantile(values, 0.95):6.3f}")
    print(
        f"all eight counts: {np.median(took_ms):.0f} ms median, "
        f"{np.quantile(took_ms, 0.95):.0f} ms 95 %"
    )


def many_starts(wanted, count, rng):
    """Least that many random starts of a library's least squares end in."""
    root = np.sqrt(wanted.weight / wanted.weight.sum())
    best = np.inf
    for _ in range(STARTS):
        kind = np.zeros(count, dtype=int)
        if rng.random() < 0.5:
            kind[0] = 1
        if rng.random() < 0.5:
            kind[-1] = 2
        boost = (rng.random(count) < 0.4) & (kind == 0)
        lowest = np.log(NOMINAL_HZ[wanted.may_boost].min())
        low = np.where(boost, [[lowest], [0.0], [0.0]], [[np.log(20.0)], [-15.0], [0.0]])
        high = np.where(boost, [[np.log(20e3)], [6.0], [0.0]], [[np.log(20e3)], [1e-6], [0.0]])
        low[2] = np.where(kind == 0, np.log(0.4), np.log(0.7099))
        high[2] = np.where(kind == 0, np.log(6.0), np.log(0.7101))
        start = rng.uniform(low, high)
        start[1] = np.clip(start[1], -6.0, 4.0)

        def rest(figures, kind=kind):
            log_hz, gain_db, log_q = figures.reshape(3, -1)
            sections = [
                Section(KINDS[k], float(np.exp(u)), float(g), float(np.exp(v)))
                for k, u, g, v in zip(kind, log_hz, gain_db, log_q, strict=True)
            ]
            left = wanted.deviation_db + sections_band_gain_db(sections)
            return root * (left - np.average(left, weights=wanted.weight))

        found = least_squares(
            rest, start.ravel(), bounds=(low.ravel(), high.ravel()), max_nfev=60, x_scale="jac"
        )
        best = min(best, float(np.sqrt(2.0 * found.cost)))
    return best


def against_many_starts():
    """Print how far above the best of many starts the search ends, its figures free."""
    print(f"\n{GLOBAL_HALLS} halls, {STARTS} starts each: rms above many-start's, figures free")
    above = {count: [] for count in GLOBAL_COUNTS}
    rng = np.random.default_rng(4)
    for wanted, sections_wanted in halls(GLOBAL_HALLS):
        task = SectionTask(console(8), sections_wanted)
        sets = list(smooth_sections(task))
        for count in GLOBAL_COUNTS:
            rows = sets[count - 1]
            sections = [
                Section(KINDS[kind], float(np.exp(u)), float(g), float(np.exp(v)))
                for kind, (u, g, v) in zip(rows.kind[0], rows.figures[0], strict=True)
            ]
            ours = left_db(sections, wanted)
            best = many_starts(wanted, count, rng)
            above[count].append((100.0 * (ours / best - 1.0), ours - best))
    for count, values in above.items():
        pct, db = np.array(values).T
        print(
            f"{count} sections: mean {pct.mean():+.1f} %, worst {pct.max():+.1f} % "
            f"({db[pct.argmax()]:+.3f} dB), within 1 % in {np.sum(pct <= 1.0)} of {len(pct)}"
        )


def strip():
    """Print what a channel strip brings beside the faders, cutting, and raising too."""
    print(f"\n{STRIP_HALLS} halls: error dB, faders moved, dB of all knobs, raised by the strip")
    for bands in (31, 15, 10):
        unit = graphic_unit(bands)
        rows = {"faders alone": [], "strip that cuts": [], "strip that raises too": []}
        for wanted, sections_wanted in halls(STRIP_HALLS):
            asked = for_unit(unit, wanted)

            def raising(supply, one, may_fill=sections_wanted.may_fill):
                return solve_sections(supply, replace(one, may_fill=may_fill))

            cuts = joint.solve_jointly(channel_strip(), unit, asked)
            with mock.patch.object(joint, "solve_sections", raising):
                raises = joint.solve_jointly(channel_strip(), unit, asked)
            alone = joint.Together((), solve(unit, asked))
            for row, one in zip(rows.values(), (alone, cuts, raises), strict=True):
                strip_db, faders_db = sections_band_gain_db(one.sections), one.solution.fader_db
                gains_db = np.array([section.gain_db for section in one.sections])
                rest = replace(asked, deviation_db=asked.deviation_db + strip_db)
                row.append(
                    (
                        error_db(unit, rest, faders_db),
                        np.count_nonzero(faders_db),
                        np.abs(faders_db).sum() + np.abs(gains_db).sum(),
                        gains_db.max(initial=0.0),
                    )
                )
        for name, row in rows.items():
            error, moved, travel_db, raised_db = np.mean(row, axis=0)
            print(f"{bands} {name:<21} {error:6.3f} {moved:5.1f} {travel_db:6.1f} {raised_db:5.2f}")


if __name__ == "__main__":
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    table()
    strip()
    if "--table" not in sys.argv:
        against_many_starts()
