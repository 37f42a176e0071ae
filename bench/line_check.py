"""How often the line check names a fault, and finds nothing where there is none.

Every fault of `tests/verdict/test_linecheck.py` in each of its three rooms, with the delay known
and not, and healthy rounds in rooms that nobody chose, with noise 20 dB below. What is named
otherwise is listed.

    OMP_NUM_THREADS=1 python bench/line_check.py [HEALTHY] [FIRST_SEED]
"""

from __future__ import annotations

import platform
import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from verdict import test_linecheck as cases

HEALTHY = 40
WORKS = {key: ["works"] for key in cases.PARTNER}


def main() -> None:
    """Print what was named, and what was not."""
    healthy = int(sys.argv[1]) if len(sys.argv) > 1 else HEALTHY
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    print(f"Python {platform.python_version()}, numpy {np.__version__}")
    every = list(product(cases.FAULTS, cases.ROOMS, (True, False)))
    missed = []
    for fault, room_name, known in every:
        changes, expected = cases.FAULTS[fault]
        round_of = cases.with_faults(room_name, **changes)
        codes, _ = cases.findings(round_of, delay_is_absolute=known)
        if codes != WORKS | {name: [code] for name, code in expected.items()}:
            missed.append(f"{fault}, {room_name}, delay {'' if known else 'not '}known: {codes}")
    print(f"| faults named, and nothing else | {len(every) - len(missed)} of {len(every)} |")
    alarms = []
    for seed in range(first, first + healthy):
        codes, _ = cases.findings(cases.healthy_round(seed))
        if codes != WORKS:
            alarms.append(f"healthy, seed {seed}: {codes}")
    print(f"| healthy rounds in which all works | {healthy - len(alarms)} of {healthy} |")
    print("\n".join((*missed, *alarms)))


if __name__ == "__main__":
    main()
