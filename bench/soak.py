"""A long visit, with everything that happens in one: `python bench/soak.py [MINUTES]` (120).

A real `evenhall open` process, with the demo's hall as its sound device, twenty times as fast. A
minute of the visit is one round: a take while a page listens, figures typed, faders and ticks set,
all pages opened; at times a phone that pairs and goes again, the sheet, the result and the visit
as a zip file, one read back and deleted, the gain, a line check that is broken off. In the first
half the process is killed every few rounds and begun again; in the second it lives on, and its
memory, open files and threads are looked at after each round, when it is at rest.

Printed: what was acknowledged and is lost (must be 0), answers of 400 and above (must be 0), and
memory, files and threads at the beginning and at the end of that second half.
"""

from __future__ import annotations

import io
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import httpx

MINUTES = 120
PACE = 20.0
ME = "soak"
SIDES, SPOTS = ("left", "right"), ("front", "middle", "back")
PAGES = (
    *("set-out", "line-check", "takes", "verdict", "worklist", "card?side=left", "card?side=right"),
    *("follow?side=left", "rack", "proof", "hand-over"),
)
KILL_EVERY = 7  # rounds, in the first half
TAKES_A_VISIT = 12
REST_S = 10.0  # within which threads and files of what is over must be gone
SERVE = """
import sys
from evenhall.cli import main
from evenhall.pages import devices
devices.DEMO_PACE = float(sys.argv[2])
sys.argv = ["evenhall", "open", "--no-browser", "--port", "0", "--data", sys.argv[1]]
main()
"""


@dataclass(frozen=True)
class Held:
    """What the process holds when it is at rest."""

    memory_mb: float
    files: int
    threads: int


@dataclass
class Soak:
    """A visit under way, and what was acknowledged of it."""

    folder: Path
    rng: random.Random
    process: subprocess.Popen[str] | None = None
    http: httpx.Client = field(default_factory=httpx.Client)
    visit: int = 0
    # By visit: entries by name, and the takes that are not deleted.
    entries: dict[int, dict[str, object]] = field(default_factory=dict)
    takes: dict[int, set[int]] = field(default_factory=dict)
    kills: int = 0
    lost: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)

    def start(self) -> None:
        """Begin the process, or begin it again."""
        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVE, str(self.folder), str(PACE)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        address = self.process.stdout.readline().split()[-1]
        self.http = httpx.Client(base_url="/".join(address.split("/", 3)[:3]), timeout=60.0)

    def end(self, *, kill: bool) -> None:
        """End the process."""
        assert self.process is not None
        assert self.process.stdout is not None
        self.http.close()
        (self.process.kill if kill else self.process.terminate)()
        self.process.wait()
        self.process.stdout.close()

    def ask(self, method: str, path: str, **more: object) -> httpx.Response:
        """Ask, and note what failed."""
        answer = self.http.request(method, path, **more)  # type: ignore[arg-type]
        if answer.status_code >= 400:
            self.failed.append(f"{method} {path}: {answer.status_code} {answer.text[:100]}")
        return answer

    def begin(self) -> None:
        """Begin a visit: the first, or the next in the same hall."""
        order = {"kind": "again", "visit": self.visit} if self.visit else {"kind": "demo"}
        self.visit = self.ask("POST", "/api/visits", json=order).json()["number"]
        self.entries[self.visit], self.takes[self.visit] = {}, set()

    def sound(self, kind: str, order: dict[str, object], *, broken_off: bool = False) -> None:
        """Play, say every moment that the page is still there, and wait for the end."""
        whole = {"visit": self.visit, "holder": ME, "warned": True, **order}
        answer = self.ask("POST", f"/api/sound/{kind}", json=whole)
        if answer.status_code != 202:
            self.failed.append(f"{kind}: {answer.text}")
            return
        if broken_off:
            time.sleep(0.1)
            self.ask("POST", "/api/sound/stop")
        while (now := self.ask("GET", "/api/sound").json())["phase"] not in ("ended", "failed"):
            self.ask("POST", "/api/sound/alive", json={"holder": ME})
            time.sleep(0.05)
        if now["phase"] == "failed":
            self.failed.append(f"{kind}: {now['text']}")
        if now.get("take"):
            self.takes[self.visit].add(now["take"])

    def enter(self, name: str, value: object) -> None:
        """Type something."""
        path = f"/api/visits/{self.visit}/entries/{name}"
        if self.ask("PUT", path, json={"value": value, "was": None}).status_code == 200:
            self.entries[self.visit][name] = value

    def listen(self) -> threading.Thread:
        """Open a page that listens for some news, and then goes."""

        def run() -> None:
            path = f"/api/visits/{self.visit}/live"
            with self.http.stream("GET", path) as news:
                for k, _ in enumerate(news.iter_lines()):
                    if k > 20:
                        break

        thread = threading.Thread(target=run)
        thread.start()
        return thread

    def phone(self) -> None:
        """Let a phone in, have it tick something, and close its door."""
        addresses = self.ask("GET", "/api/phone").json()["addresses"]
        if not addresses:
            return
        door = self.ask("POST", "/api/phone/open", json={"address": addresses[0]}).json()
        at = door["address"].split("/pair")[0].rstrip("/")
        with httpx.Client(base_url=at, timeout=30.0, headers={"origin": at}) as phone:
            if phone.post("/api/pair", json={"code": door["code"]}).status_code == 204:
                path = f"/api/visits/{self.visit}/entries/walk.back"
                if phone.put(path, json={"value": True, "was": None}).status_code == 200:
                    self.entries[self.visit]["walk.back"] = True
                for page in ("takes", "worklist"):
                    phone.get(f"/visit/{self.visit}/{page}", headers={"accept": "text/html"})
            else:
                self.failed.append("the phone could not pair")
        self.ask("POST", "/api/phone/close")

    def export(self) -> None:
        """Take everything away, bring the visit back as another, and delete that."""
        self.ask("GET", f"/api/visits/{self.visit}/result")
        self.ask("GET", f"/api/visits/{self.visit}/sheet.pdf")
        packed = self.ask("GET", f"/api/visits/{self.visit}/folder.zip").content
        files = {"file": ("folder.zip", io.BytesIO(packed))}
        read = self.ask("POST", "/api/visits/import", files=files)
        self.ask("DELETE", f"/api/visits/{read.json()['number']}")

    def round(self, number: int) -> None:
        """One minute of the visit."""
        if not self.visit or len(self.takes[self.visit]) >= TAKES_A_VISIT:
            self.begin()
        page = self.listen()
        order = {"side": self.rng.choice(SIDES), "spot": self.rng.choice(SPOTS)}
        self.sound("take", order)
        self.enter("note.hall", f"round {number}")
        self.enter("rig.speaker_down_deg", float(number % 20))
        self.enter(f"fader.left.{self.rng.choice((125, 1000, 4000))}", -0.5 * (number % 12))
        self.enter(f"tick.raise-{number % 3}", number % 2 == 0)
        for path in ("/", "/visits", *(f"/visit/{self.visit}/{one}" for one in PAGES)):
            self.ask("GET", path, headers={"accept": "text/html"}, follow_redirects=True)
        if number % 3 == 0:
            self.phone()
        if number % 4 == 0:
            self.export()
        if number % 5 == 0:
            self.sound("gain", {}, broken_off=True)
            self.sound("line", {}, broken_off=True)
            if takes := self.takes[self.visit]:
                take = min(takes)
                path = f"/api/visits/{self.visit}/takes/{take}"
                if self.ask("DELETE", path).status_code == 204:
                    takes.discard(take)
        page.join()

    def check(self) -> None:
        """Hold what is there against what was acknowledged."""
        for visit, entries in self.entries.items():
            found = self.ask("GET", f"/api/visits/{visit}").json()
            for name, value in entries.items():
                if found["entries"].get(name, {}).get("value") != value:
                    self.lost.append(f"visit {visit}: {name}")
            there = {one["number"] for one in found["takes"] if not one["deleted"]}
            self.lost += [f"visit {visit}: take {one}" for one in self.takes[visit] - there]

    def look(self) -> None:
        """Look at memory, files and threads once they have come to rest."""
        assert self.process is not None
        place = Path(f"/proc/{self.process.pid}")
        least: Held | None = None
        until_s = time.monotonic() + REST_S
        while time.monotonic() < until_s:
            status = dict(
                line.split(":", 1) for line in (place / "status").read_text().splitlines()
            )
            now = Held(
                int(status["VmRSS"].split()[0]) / 1024.0,
                len(list((place / "fd").iterdir())),
                int(status["Threads"]),
            )
            if self.held and now.files <= self.held[0].files + 1:
                least = now
                break
            least = now if least is None or now.files < least.files else least
            if not self.held:
                time.sleep(1.0)
            time.sleep(0.05)
        assert least is not None
        self.held.append(least)


def soak(minutes: int, folder: Path, *, seed: int = 0) -> Soak:
    """Go through a visit of so many minutes; give what was found."""
    one = Soak(folder, random.Random(seed))
    one.start()
    try:
        for number in range(1, minutes + 1):
            late = number > minutes // 2
            one.round(number)
            if late:
                one.look()
            elif number % KILL_EVERY == 0 or number == minutes // 2:
                one.end(kill=True)
                one.kills += 1
                one.start()
                one.check()
        one.check()
    finally:
        one.end(kill=False)
    return one


def level(held: list[Held]) -> tuple[Held, Held]:
    """Medians of the second and of the last quarter: the first warms up."""
    quarter = max(len(held) // 4, 1)

    def median(part: list[Held]) -> Held:
        return Held(
            statistics.median(one.memory_mb for one in part),
            int(statistics.median(one.files for one in part)),
            int(statistics.median(one.threads for one in part)),
        )

    return median(held[quarter : 2 * quarter]), median(held[-quarter:])


def main() -> None:
    """Print the table."""
    minutes = int(sys.argv[1]) if len(sys.argv) > 1 else MINUTES
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        one = soak(minutes, Path(place) / "data")
    before, after = level(one.held)
    print(f"{minutes} minutes of a visit in {time.monotonic() - began_s:.0f} s")
    print(f"{one.kills} kills, {len(one.lost)} lost, {len(one.failed)} failed")
    for line in (*one.lost, *one.failed):
        print(f"  {line}")
    print(f"takes: {sum(map(len, one.takes.values()))}")
    print(f"memory:  {before.memory_mb:.0f} MB, at the end {after.memory_mb:.0f} MB; by round")
    print("  " + " ".join(f"{held.memory_mb:.0f}" for held in one.held))
    print(f"files:   {before.files}, at the end {after.files}")
    print(f"threads: {before.threads}, at the end {after.threads}")


if __name__ == "__main__":
    main()
