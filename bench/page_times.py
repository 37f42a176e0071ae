"""The pages, from start to verdict: `python bench/page_times.py [RUNS]`.

Each figure is of a real `evenhall open` process, with the demo's hall as its sound device:

- how long it takes from the command to the first answer, and as often that of a bare server of
  the same framework with one empty page, to compare with;
- the first page of a new demo visit, asked for as soon as the address is told and half a second
  later, against the same page once more: time to the whole answer, and in Chromium, beside an empty
  page of the bare server, until all is loaded; and the bytes of that, cold, compressed as sent;
- the processor's share of the server and of Chromium's page while a take sounds in real time, with
  levels twenty times a second, for one page and for two;
- the page of the verdict over twelve takes: the first time, again, and after one more take;
- the time from the end of the sound to the news that its verdict is there.

Chromium is looked for on the PATH; without it its share is left out.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import urljoin

import httpx

RUNS = 5
SIDES, SPOTS = ("left", "right"), ("front", "middle", "back")
ME = "bench"
# The pages as `evenhall open` serves them, in a hall of the pace that is given.
SERVE = """
import sys
from evenhall.cli import main
if sys.argv[2] != "-":
    from evenhall.pages import devices
    devices.DEMO_PACE = float(sys.argv[2])
data, _, *more = sys.argv[1:]
sys.argv = ["evenhall", "open", "--no-browser", "--port", "0", "--data", data, *more]
main()
"""
BARE = """
import asyncio, socket, uvicorn
from fastapi import FastAPI
from fastapi.responses import HTMLResponse
app = FastAPI()
app.get("/", response_class=HTMLResponse)(lambda: "<!doctype html><title>Bare</title>")
listener = socket.create_server(("127.0.0.1", 0))
print(f"Bare is open at http://127.0.0.1:{listener.getsockname()[1]}/", flush=True)
server = uvicorn.Server(uvicorn.Config(app, log_level="critical"))
asyncio.run(server.serve(sockets=[listener]))
"""
CHROMIUM_ARGS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)


@contextmanager
def served(program: str, *arguments: str) -> Iterator[tuple[str, int]]:
    """Run a server; give the address that it tells and its process, and end it."""
    process = subprocess.Popen(
        [sys.executable, "-c", program, *arguments], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().split()[-1].rstrip("/"), process.pid
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


def answers_after_s(program: str, *arguments: str) -> tuple[float, float]:
    """Wall and processor seconds from the command to its first answer."""
    start = time.perf_counter()
    with served(program, *arguments) as (base, pid):
        while True:
            try:
                httpx.get(f"{base}/")
                break
            except httpx.ConnectError:
                time.sleep(0.005)
        return time.perf_counter() - start, processor_s(pid)


def processor_s(pid: int) -> float:
    """Processor seconds of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Loaded(HTMLParser):
    """What a page loads by itself."""

    def __init__(self) -> None:
        super().__init__()
        self.paths: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a script, a style sheet, an icon or a picture."""
        given = dict(attrs)
        path = {"script": given.get("src"), "link": given.get("href"), "img": given.get("src")}
        found = path.get(tag)
        if found and not found.startswith("data:"):
            self.paths.append(found)


def sent_bytes(client: httpx.Client, path: str) -> int:
    """Length of a body as it was sent."""
    with client.stream("GET", path, headers={"accept-encoding": "gzip"}) as answer:
        answer.raise_for_status()
        return len(b"".join(answer.iter_raw()))


def cold_bytes(client: httpx.Client, path: str) -> dict[str, int]:
    """Bytes of a page and of all that it loads, fonts of its style sheets too, compressed."""
    page = Loaded()
    page.feed(client.get(path, headers={"accept": "text/html"}).text)
    paths = dict.fromkeys([path, *page.paths])
    for name in list(paths):
        if name.split("?")[0].endswith(".css"):
            for part in client.get(name).text.split("url(")[1:]:
                target = part.split(")")[0].strip("'\"")
                if not target.startswith("data:"):
                    paths[urljoin(name, target)] = None
    return {name: sent_bytes(client, name) for name in paths}


def visit_of(client: httpx.Client) -> int:
    """Begin a new demo visit."""
    return int(client.post("/api/visits", json={"kind": "demo"}).json()["number"])


class News:
    """Listens to a visit, as a page does: what came, and when."""

    def __init__(self, base: str, visit: int) -> None:
        self.came: list[tuple[float, str, dict]] = []
        self._over = False
        self._thread = threading.Thread(target=self._listen, args=(base, visit), daemon=True)
        self._thread.start()

    def _listen(self, base: str, visit: int) -> None:
        kind = ""
        with httpx.stream("GET", f"{base}/api/visits/{visit}/live", timeout=None) as answer:
            for line in answer.iter_lines():
                if self._over:
                    return
                if line.startswith("event: "):
                    kind = line[7:]
                elif line.startswith("data: "):
                    self.came.append((time.perf_counter(), kind, json.loads(line[6:])))

    def close(self) -> None:
        """Listen no more."""
        self._over = True
        self._thread.join(3.0)

    def at(self, phase: str, since: float) -> float | None:
        """When a phase was told."""
        for at, kind, data in self.came:
            if kind == "changed" and at > since and data.get("phase") == phase:
                return at
        return None


def take(client: httpx.Client, visit: int, side: str, spot: str, state: str = "before") -> dict:
    """Make a take, and wait until it is judged."""
    order = {"visit": visit, "side": side, "spot": spot, "state": state}
    answer = client.post("/api/sound/take", json={**order, "holder": ME, "warned": True})
    assert answer.status_code == 202, answer.text
    while True:
        client.post("/api/sound/alive", json={"holder": ME})
        now = client.get("/api/sound").json()
        if now["phase"] in ("ended", "failed"):
            assert now["good"], now
            return dict(now)
        time.sleep(0.35)  # as often as a page says that it is there


def got_ms(client: httpx.Client, path: str) -> float:
    """Time until a page is there, whole."""
    start = time.perf_counter()
    answer = client.get(path, headers={"accept": "text/html"}, follow_redirects=True)
    answer.raise_for_status()
    return 1e3 * (time.perf_counter() - start)


def starts(runs: int) -> None:
    """Compare the start with that of a bare server."""
    pairs = []
    for _ in range(runs):
        with tempfile.TemporaryDirectory() as place:
            pairs.append((answers_after_s(SERVE, place, "-"), answers_after_s(BARE)))
    row("`evenhall open` until it answers, s", [a[0] for a, _ in pairs], 2)
    row("bare server until it answers, s", [b[0] for _, b in pairs], 2)
    row("ratio", [a[0] / b[0] for a, b in pairs], 2)
    row("`evenhall open`, processor s", [a[1] for a, _ in pairs], 2)
    row("bare server, processor s", [b[1] for _, b in pairs], 2)


def first_page(runs: int) -> None:
    """Time the first page of a demo visit, and weigh it."""
    for later_s, when in ((0.0, "at once"), (0.5, "half a second later")):
        first_ms, again_ms = [], []
        for _ in range(runs):
            with (
                tempfile.TemporaryDirectory() as place,
                served(SERVE, place, "-", "--demo") as (address, _),
                httpx.Client(base_url="/".join(address.split("/")[:3])) as client,
            ):
                time.sleep(later_s)
                first_ms.append(got_ms(client, address))
                again_ms.append(got_ms(client, address))
                sizes = cold_bytes(client, f"/visit/{address.rpartition('/')[2]}/set-out")
        row(f"first page of the demo visit, {when}, ms", first_ms, 0)
        row("the same once more, ms", again_ms, 0)
        row("ratio", [a / b for a, b in zip(first_ms, again_ms, strict=True)], 1)
    loads(runs)
    total = sum(sizes.values())
    print(f"| the same with all that it loads, compressed, kB | {total / 1e3:.0f} | | |")
    for name, size in sizes.items():
        print(f"|   {name.split('/')[-1] or name}, kB | {size / 1e3:.1f} | | |")


def loads(runs: int) -> None:
    """Time the first page in a browser that is open already, and an empty page of a bare server."""
    from playwright.sync_api import sync_playwright

    if (chromium := shutil.which("chromium")) is None:
        return
    took_ms: list[tuple[float, float]] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM_ARGS))

        def loaded_ms(program: str, *arguments: str) -> float:
            page = browser.new_context().new_page()
            with served(program, *arguments) as (address, _):
                page.goto(address)
                took = page.evaluate("performance.getEntriesByType('navigation')[0].loadEventStart")
                page.context.close()
            return float(took)

        for _ in range(runs):
            with tempfile.TemporaryDirectory() as place:
                took_ms.append((loaded_ms(SERVE, place, "-", "--demo"), loaded_ms(BARE)))
        browser.close()
    row("first page in Chromium, at once, until all is loaded, ms", [a for a, _ in took_ms], 0)
    row("empty page of the bare server there, ms", [b for _, b in took_ms], 0)
    row("ratio", [a / b for a, b in took_ms], 1)


def verdicts(runs: int) -> None:
    """Time the page of the verdict on twelve takes, and how soon a take is judged."""
    with (
        tempfile.TemporaryDirectory() as place,
        served(SERVE, place, "40") as (base, _),
        httpx.Client(base_url=base, timeout=60.0) as client,
    ):
        visit = visit_of(client)
        news = News(base, visit)
        for state in ("before", "after"):
            for side in SIDES:
                for spot in SPOTS:
                    take(client, visit, side, spot, state)
        path = f"/visit/{visit}/verdict"
        again_ms = [got_ms(client, path) for _ in range(2 * runs + 1)]
        new_ms = []
        for k in range(runs):
            take(client, visit, SIDES[k % 2], SPOTS[k % 3], "after")
            new_ms.append(got_ms(client, path))
        news.close()
    row("verdict on 12 takes, again, ms", again_ms[1:], 0)
    row("verdict on 12 takes and more, after a new take, ms", new_ms, 0)
    with (
        tempfile.TemporaryDirectory() as place,
        served(SERVE, place, "-") as (base, _),
        httpx.Client(base_url=base, timeout=60.0) as client,
    ):
        visit = visit_of(client)
        news = News(base, visit)
        late_s = []
        for k in range(runs):
            began = time.perf_counter()
            take(client, visit, SIDES[k % 2], SPOTS[k % 3])
            time.sleep(0.1)
            ended = news.at("ended", began)
            assert ended is not None
            # Levels are told while it sounds and rings out: the last of them is its end.
            last = max(at for at, kind, _ in news.came if kind == "levels" and at < ended)
            late_s.append(ended - last)
        news.close()
    row("from the end of the recording to its verdict, s", late_s, 2)


def meters(pages: int) -> None:
    """Measure what levels cost while a take sounds in real time."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    with (
        tempfile.TemporaryDirectory() as place,
        served(SERVE, place, "1") as (base, pid),
        httpx.Client(base_url=base, timeout=60.0) as client,
    ):
        visit = visit_of(client)
        take(client, visit, "left", "front")  # what is done once is done
        news = News(base, visit)
        with sync_playwright() as playwright:
            browser = (
                playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM_ARGS))
                if chromium
                else None
            )
            opened = []
            for _ in range(pages if browser is not None else 0):
                assert browser is not None
                page = browser.new_context().new_page()
                page.goto(f"{base}/visit/{visit}/takes")
                session = page.context.new_cdp_session(page)
                session.send("Performance.enable", {"timeDomain": "threadTicks"})
                opened.append((page, session))
            others = [News(base, visit) for _ in range(pages - len(opened) - 1)]
            order = {"visit": visit, "side": "left", "spot": "middle", "state": "before"}
            began = time.perf_counter()
            client.post("/api/sound/take", json={**order, "holder": ME, "warned": True})

            def stay(until_s: float) -> None:
                while time.perf_counter() < until_s:
                    client.post("/api/sound/alive", json={"holder": ME})
                    # The browser's own work goes on meanwhile.
                    opened[0][0].wait_for_timeout(350) if opened else time.sleep(0.35)

            while news.at("sound", began) is None:
                stay(time.perf_counter() + 0.1)
            stay(time.perf_counter() + 0.5)

            def used() -> tuple[float, float]:
                return processor_s(pid), sum(_task_s(session) for _, session in opened)

            (server_s, pages_s), start, told = used(), time.perf_counter(), len(news.came)
            stay(start + 4.5)  # of the six seconds that it sounds
            (server_then_s, pages_then_s), wall_s = used(), time.perf_counter() - start
            assert news.at("ended", began) is None
            levels = sum(kind == "levels" for _, kind, _ in news.came[told:])
            client.post("/api/sound/stop")
            for one in (news, *others):
                one.close()
            if browser is not None:
                browser.close()
    server_pct = 100 * (server_then_s - server_s) / wall_s
    pages_pct = 100 * (pages_then_s - pages_s) / wall_s
    print(
        f"| levels {levels / wall_s:.0f} times a second, {pages} page{'s' * (pages > 1)}: "
        f"server + page{'s' * (pages > 1)}, % of a processor | {server_pct + pages_pct:.1f} | "
        f"{server_pct:.1f} | {pages_pct:.1f} |"
    )


def _task_s(session: Any) -> float:
    found = session.send("Performance.getMetrics")["metrics"]
    return next(one["value"] for one in found if one["name"] == "TaskDuration")


def row(name: str, values: list[float], digits: int) -> None:
    """Print least, median and most."""
    shown = (f"{v:.{digits}f}" for v in (min(values), statistics.median(values), max(values)))
    least, median, most = shown
    print(f"| {name} | {median} | {least} | {most} |")


def main() -> None:
    """Run all of it, print the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    print(f"{runs} runs, {os.cpu_count()} processors\n")
    print("| what | median | least | most |\n| --- | ---: | ---: | ---: |")
    starts(runs)
    first_page(runs)
    verdicts(runs)
    print("\n| levels | all | server | pages |\n| --- | ---: | ---: | ---: |")
    for pages in (1, 2):
        meters(pages)


if __name__ == "__main__":
    main()
