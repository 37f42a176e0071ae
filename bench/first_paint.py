"""When each page is first painted, on the loopback: by the browser's own paint timing.

Pages of a visit with six takes, each opened anew in a browser context without a cache.

    OMP_NUM_THREADS=1 python bench/first_paint.py [ROUNDS]
"""

from __future__ import annotations

import platform
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from pageroom import LAPTOP, PageRoom, chromium

ROUNDS = 5
PAGES = (
    *("set-out", "line-check", "takes", "verdict", "worklist", "card?side=left"),
    *("proof", "hand-over", "rack"),
)
FIRST_PAINT = """() => new Promise((done) => {
  new PerformanceObserver((list) => {
    const one = list.getEntriesByName("first-contentful-paint")[0];
    if (one) done(one.startTime);
  }).observe({ type: "paint", buffered: true });
})"""


def main() -> None:
    """Print the median and the longest of each page, ms from the request on."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    folder = Path(tempfile.mkdtemp())
    with PageRoom(folder) as room, chromium() as browser:
        print(f"Python {platform.python_version()}, Chromium {browser.version}, {rounds} rounds")
        print("| page | first contentful paint, median (ms) | longest (ms) |")
        print("| --- | --- | --- |")
        visit = room.taken_demo()
        for path in (*(f"/visit/{visit}/{name}" for name in PAGES), "/visits", "/phone"):
            painted_ms = []
            for _ in range(rounds):
                context = browser.new_context(viewport=LAPTOP)
                page = context.new_page()
                page.goto(room.url + path)
                painted_ms.append(page.evaluate(FIRST_PAINT))
                context.close()
            name = path.rsplit("/", 1)[1]
            print(f"| {name} | {statistics.median(painted_ms):.0f} | {max(painted_ms):.0f} |")


if __name__ == "__main__":
    main()
