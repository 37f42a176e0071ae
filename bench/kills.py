"""What was acknowledged survives kills: `python bench/kills.py [KILLS] [SEED]`.

A server of the pages is killed (SIGKILL) at any moment under a stream of writes: entries, takes,
recordings sent in, folders read in, takes deleted and brought back, visits begun. When it comes
back everything that it had acknowledged must be there, nothing that nobody asked for, no rubbish.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from killroom import kill_often

KILLS, SEED = 100, 100


def main() -> None:
    """Kill, and print what was acknowledged; a loss ends it with its trace."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else KILLS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        done = kill_often(Path(place) / "data", kills=kills, seed=seed)
    print(
        f"{kills} kills, {sum(done.values())} acknowledged operations, 0 lost; "
        f"{time.monotonic() - begun_s:.0f} s"
    )
    print(", ".join(f"{kind} {count}" for kind, count in sorted(done.items())))


if __name__ == "__main__":
    main()
