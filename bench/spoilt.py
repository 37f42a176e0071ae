"""How many spoilt takes pass as good, and how many good ones are refused.

Draws takes through simulated and measured rooms (tests/spoilt.py), spoilt in each of the ways that
it knows, and good ones with hum, coughs, slams, murmur and wind. A spoilt take is *harmful* where a
usable band from 63 Hz to 16 kHz is more than 1 dB and three times its stated uncertainty off what
the path was before the fault. Then sweeps of another recorder in rooms with an echo 0 to 6 dB
above the direct sound (tests/echoing.py): error of the clock and of the levels, and polarities.

    PYTHONPATH=src:tests python bench/spoilt.py [TAKES_A_GROUP [FIRST_SEED]]

Thresholds were set on seeds below 1000; what is reported begins there.
"""

from __future__ import annotations

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
import echoing
import rooms
import spoilt
from evenhall.acoustics.transfer import transfer_function

TAKES, FIRST_SEED = 24, 1000


def one_spoilt(seed, kind, spoil):
    """Whether the take is harmful, used, and said to vary."""
    take = spoilt.draw(seed, kind, spoil)
    response, problems, usable = spoilt.judged(take)
    told = any(problem.code == "time_varying" for problem in problems)
    return spoilt.worst_db(take, response) > 0.0, usable, told


def one_echo(seed, kind):
    """Error of the clock, polarity, and worst error of a usable band from 63 Hz to 16 kHz."""
    take, clock_ppm = echoing.echoing(seed, kind)
    signals, rates = take.arguments
    response = transfer_function(*signals, **rates)
    inside = response.bands.usable & rooms.bands_between(63, 16_000)
    error_db = np.abs(response.bands.level_db - take.levels_db)[inside]
    return abs(response.clock_ppm - clock_ppm), response.polarity, error_db.max(initial=0.0)


def main():
    """Print both tables."""
    takes = int(sys.argv[1]) if len(sys.argv) > 1 else TAKES
    first = int(sys.argv[2]) if len(sys.argv) > 2 else FIRST_SEED
    seeds = range(first, first + takes)
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        print("stimulus  spoilt by   takes  harmful  of them used  refused  told")
        for kind in ("pink", "sweep"):
            for spoil in (None, *spoilt.SPOILS):
                groups = [kind] * takes, [spoil] * takes
                rows = np.array(list(pool.map(one_spoilt, seeds, *groups)))
                harmful, usable, told = rows.T
                print(
                    f"{kind:9s} {spoil or 'nothing':11s} {takes:5d} {harmful.sum():8d} "
                    f"{(harmful & usable).sum():13d} {(~usable).sum():8d} {told.sum():5d}",
                    flush=True,
                )
        print(
            "\nstimulus  clock off, ppm: median  90 in 100  most  polarity 1  0  -1  dB: 90  most"
        )
        for kind in ("sweep", "pink"):
            off_ppm, polarity, error_db = np.array(
                list(pool.map(one_echo, seeds, [kind] * takes))
            ).T
            ppm, level_db = (
                np.percentile(off_ppm, [50, 90, 100]),
                np.percentile(error_db, [90, 100]),
            )
            signs = " ".join(f"{int((polarity == sign).sum()):3d}" for sign in (1, 0, -1))
            print(
                f"{kind:9s} {ppm[0]:26.1f} {ppm[1]:10.1f} {ppm[2]:5.1f}       {signs}"
                f"   {level_db[0]:6.2f} {level_db[1]:5.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
