"""Who is blamed where a unit does not do what the card asks: the hand, or the unit's scale.

Takes by cable of one side or both, of random units and cards (`tests/scaleroom.py`). "Hand" gives a
figure on the scale, "unit" says to see that all stand as asked and then to learn it, "either" gives
a figure, and says to learn the unit if the fader is set there already.

    OMP_NUM_THREADS=1 PYTHONPATH=src:tests python bench/scale.py [CASES [FIRST_SEED]]
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from scaleroom import KINDS, random_case, said_of

SAID = ("holds", "unit", "either", "either and unit", "hand", "hand and unit", "all", "nothing")


def main():
    """Print the table."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    first_seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    print(f"{cases} cases a row, seeds from {first_seed}")
    print(f"{'what is the matter':20} sides  " + "  ".join(f"{said:>15}" for said in SAID))
    for kind in KINDS:
        for sides in (("left",), ("left", "right")):
            said = Counter(
                said_of(*random_case(kind, np.random.default_rng(seed), sides=sides))
                for seed in range(first_seed, first_seed + cases)
            )
            assert set(said) <= set(SAID), said
            counts = "  ".join(f"{said[one]:15}" for one in SAID)
            print(f"{kind:20} {len(sides):5}  {counts}", flush=True)


if __name__ == "__main__":
    main()
