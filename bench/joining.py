"""How often the sub's delay and polarity come out right, against an exhaustive search of the truth.

Draws halls with mains and a sub (crossover 70 to 120 Hz: Linkwitz-Riley of fourth order,
Butterworth of second to fourth; the sub up to 10 ms early or late, either polarity; 1 to 3 spots;
noise 20 to 40 dB below the sound of a take of 8 s), records both at every spot, and asks for the
join. The truth is the best of every 0.01 ms of both polarities on the true impulse responses, under
the same definition, written a second time. `regret` is what the setting found loses on the true
responses against the best there is, dB, so it tells what a miss costs. Misses are listed. Then, in
sixty of the halls, what takes of both together are told to be.

    OMP_NUM_THREADS=1 python bench/joining.py [HALLS] [FIRST_SEED]
"""

from __future__ import annotations

import platform
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
import joinrooms
from evenhall.verdict.joining.after import heard_as
from evenhall.verdict.joining.subs import join

HALLS = 200
WITHIN_S = 1e-4


def main():
    """Print the table."""
    halls = int(sys.argv[1]) if len(sys.argv) > 1 else HALLS
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {halls} halls")
    rows, search_s = [], []
    for seed in range(first, first + halls):
        case = joinrooms.random_case(seed)
        delay_s, polarity, loss_db, scores, delays_s = joinrooms.truth(case)
        mains, sub = case.takes("left"), case.takes("sub")
        start = time.perf_counter()
        joining = join(mains, sub, has_processor=True)
        search_s.append(time.perf_counter() - start)
        if joining.problem:
            print(f"hall {seed}: {joining.problem}")
            rows.append((seed, np.inf, False, 0, np.inf, len(sub), 0.0, 0.0))
            continue
        fit = joining.subs[0].fit
        row = scores[0 if fit.polarity > 0 else 1]
        there_db = float(np.interp(fit.delay_s, delays_s, row))
        error_s = fit.delay_s - delay_s
        right = fit.polarity == polarity
        now_db = float(scores[0][delays_s.size // 2])
        regret_db = float(scores.max()) - there_db
        rows.append(
            (seed, error_s, right, abs(error_s) <= WITHIN_S, regret_db, len(sub), now_db, there_db)
        )
        if not right or abs(error_s) > WITHIN_S:
            print(
                f"hall {seed}: {case.family} {case.split_hz:.0f} Hz, {case.snr_db:.0f} dB, "
                f"{len(sub)} spots: {1e3 * fit.delay_s:.2f} ms {fit.polarity:+d} "
                f"({there_db:.2f} dB) for {1e3 * delay_s:.2f} ms {polarity:+d} ({loss_db:.2f} dB)",
                flush=True,
            )
    _, error, right, within, regret, spots, now, there = np.array(rows, float).T
    print("spots  halls  polarity right  within 0.1 ms  both  error us 50 95  regret dB 95 most")
    for count in (1, 2, 3, 0):
        of = (spots == count) | (count == 0)
        if not (of & (right > 0)).any():
            continue
        good = (right > 0) & (within > 0)
        error_us = 1e6 * np.abs(error[of & (right > 0)])
        print(
            f"{count or 'all':>5}  {of.sum():5d}  {int(right[of].sum()):14d}  "
            f"{int(within[of].sum()):13d}  {int(good[of].sum()):4d}  "
            f"{np.median(error_us):8.0f} {np.percentile(error_us, 95):4.0f}  "
            f"{np.percentile(regret[of], 95):9.2f} {regret[of].max():4.2f}"
        )
    print(
        f"sum re perfect, mean of halls: {now.mean():.2f} dB as found, {there.mean():.2f} dB joined"
    )
    print(f"join: {1e3 * np.median(search_s):.0f} ms a hall (median)")
    told = sum((heard(seed) for seed in range(first, first + min(halls, 60))), Counter())
    print("mains and sub together, what was so and what is told of it:")
    for (way, found), count in sorted(told.items()):
        print(f"  {way:12} told as {found:12} {count:4d}")


def heard(seed):
    """Count what takes of both are told to be: not touched, as asked, and turned over."""
    case = joinrooms.random_case(seed)
    joining = join(case.takes("left"), case.takes("sub"), has_processor=True)
    if joining.problem:
        return Counter()
    fit = joining.subs[0].fit
    ways = {
        "before": case,
        "asked": joinrooms.reset(case, polarity=fit.polarity, delay_s=fit.delay_s),
        "turned over": joinrooms.reset(case, polarity=-fit.polarity, delay_s=fit.delay_s),
    }
    return Counter(
        (way, heard_as(joining, hall.takes_together("left"))) for way, hall in ways.items()
    )


if __name__ == "__main__":
    main()
