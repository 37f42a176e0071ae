"""Whether a hand gets through a whole card by what it is told, in time and near enough.

Simulated time, seeded: the guidance, its blocks and its windows are those that run live; hand, unit
and path are `tests/handroom.py`. Seeds below 1000 were used to find figures, those from 1000 on are
reported. In time is 10 s a fader by cable and 15 s by microphone: 120 s and 180 s for twelve.

    OMP_NUM_THREADS=1 PYTHONPATH=src:tests python bench/hand.py [TRIES [FIRST_SEED]]
"""

from __future__ import annotations

import sys

import numpy as np

from handroom import try_card

FADER_S = {True: 10.0, False: 15.0}
WITHIN_DB = {True: 0.5, False: 1.0}


def row(tries, first_seed, *, by_cable, alike, count):
    """Run the tries of one row and print it."""
    longest_s = FADER_S[by_cable] * count
    limit_db = WITHIN_DB[by_cable]
    found = [
        try_card(by_cable=by_cable, alike=alike, count=count, seed=seed, longest_s=longest_s)
        for seed in range(first_seed, first_seed + tries)
    ]
    worst = np.array([np.nanmax(np.abs(one.off_db)) for one in found])
    done = np.array([one.done for one in found])
    common = np.array([np.nanmedian(one.off_db) for one in found])
    took = np.array([one.took_s for one in found])
    unheard = sum(int(np.isnan(one.off_db).sum()) for one in found)
    print(
        f"{'cable' if by_cable else 'air':5} {'alike' if alike else 'unlike':6} {count:3} "
        f"{done.sum():3}/{tries}  {np.median(took):5.0f} {took.max():5.0f}  "
        f"{np.median(worst):5.2f} {np.quantile(worst, 0.95):5.2f} {worst.max():5.2f}  "
        f"{(done & (worst <= limit_db)).sum():3}/{tries}  {np.abs(common).max():5.2f}  "
        f"{max(one.asked_past_s for one in found):5.1f}  {unheard:3}",
        flush=True,
    )


def main():
    """Print the table."""
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first_seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    counts = [int(one) for one in sys.argv[3:]] or [12, 25]
    print(f"{tries} tries a row, seeds from {first_seed}")
    print("way   unit  faders done  took s: p50 max  worst dB: p50 p95 max  done and near  all off  past s  unheard")  # fmt: skip # noqa: E501
    for count in counts:
        for by_cable in (True, False):
            for alike in (True, False):
                row(tries, first_seed, by_cable=by_cable, alike=alike, count=count)


if __name__ == "__main__":
    main()
