"""The pages' server killed at any moment: what it had acknowledged is there when it comes back.

Start at `kill_often()`. A client goes through visits, one thing at a time, and notes each that was
answered. When the server is killed, the thing it was at may have been done or not; everything else
must be as noted, neither less nor more. Nor does a killed one leave anything but recordings behind.
"""

from __future__ import annotations

import hashlib
import io
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from threading import Timer

import httpx
import numpy as np
import soundfile

from evenhall.sound.recording import read_recording
from visits.made import zip_of

__all__ = ["kill_often"]

SERVER = Path(__file__).parent / "pages/quick_server.py"
PACE = 60.0
ANSWERS_WITHIN_S = 300.0  # on a machine with much else to do
# A take needs one second or two: a life that begins with one is longer.
LIFE_S, LIFE_WITH_TAKE_S = (0.0, 0.5), (0.2, 2.2)
BEFORE_IT_ANSWERS = 0.1  # share of the kills that come while it still starts
SIDES, SPOTS = ("left", "right"), ("front", "middle", "back")


class GoneError(Exception):
    """The server is gone."""


class Server:
    """A process that serves the pages, until it is killed."""

    def __init__(self, folder: Path) -> None:
        environment = {**os.environ, "COLUMNS": "400"}
        self.process = subprocess.Popen(
            [sys.executable, str(SERVER), str(folder), str(PACE)],
            stdout=subprocess.PIPE,
            env=environment,
            text=True,
        )
        self.address = ""

    def wait(self) -> None:
        """Wait until it answers."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line.startswith("Evenhall is open at "), line
        self.address = line.split()[-1].removesuffix("/visits")

    def kill(self) -> None:
        """Kill it, as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


class Noted:
    """What was acknowledged of a visit."""

    def __init__(self) -> None:
        self.entries: dict[str, object] = {}
        # number: file, side, spot, deleted, and what the file holds
        self.takes: dict[int, dict[str, object]] = {}


MILL = """\
[venue]
name = "Mill"
length_m = 12.5

[[take]]
file = "takes/left-front.wav"
side = "left"
spot = "front"
reference_channel = 2
"""
MILL_TAKE = {"side": "left", "spot": "front", "deleted": False}


def begun_with(found: dict) -> dict[str, object]:
    """Entries of a visit that nobody has changed yet: the demo's set-out, or the mill's, whole."""
    entries = {name: one["value"] for name, one in found["entries"].items()}
    if entries["venue.name"] == "Mill":
        assert entries == {"venue.name": "Mill", "venue.length_m": 12.5}
        (take,) = found["takes"]
        assert take.items() >= MILL_TAKE.items()
        return entries
    assert entries["venue.name"] == "Ottersfold Hall"
    assert [spot["label"] for spot in entries["spots"]] == list(SPOTS)
    assert entries["microphone.calibration"] == "mic.txt"
    return entries


class Client:
    """Does one thing after the other, and notes what was answered."""

    def __init__(self, rng: random.Random, upload: bytes) -> None:
        self.rng, self.upload = rng, upload
        self.visits: dict[int, Noted] = {}
        self.number = 0
        # What was asked for and not answered: kind, visit, and more.
        self.open: tuple[object, ...] = ()
        self.done: dict[str, int] = {}
        self.count = 0
        self.http = httpx.Client()
        self.acts = (
            *(self.take, self.enter, self.send, self.delete, self.restore),
            *(self.begin_again, self.enter, self.begin_demo, self.bring),
        )
        self.often = (
            *(self.enter, self.enter, self.take, self.send, self.delete, self.restore),
            self.bring,
        )

    def connect(self, address: str) -> None:
        self.http.close()
        self.http = httpx.Client(base_url=f"{address}", timeout=ANSWERS_WITHIN_S)

    def ask(self, method: str, path: str, **more: object) -> httpx.Response:
        try:
            return self.http.request(method, f"/api{path}", **more)  # type: ignore[arg-type]
        except httpx.TransportError as error:
            raise GoneError from error

    def go_on(self, life: int, killer: Timer) -> None:
        """Do things until the server is gone: each has its turn to be the first.

        In every other round of them it is killed only once the first one is done.
        """
        first = self.acts[life % len(self.acts)]
        spared = life // len(self.acts) % 2 == 0
        try:
            if not spared:
                killer.start()
            if not self.visits:
                self.begin_demo()
            first()
            if spared:
                killer.start()
            while True:
                self.open = ()
                self.rng.choice(self.often)()
        except GoneError:
            assert killer.ident is not None, "it was gone before it was killed"

    def note(self, kind: str) -> None:
        self.done[kind] = self.done.get(kind, 0) + 1

    def whole(self, number: int) -> dict[str, object]:
        answer = self.ask("GET", f"/visits/{number}")
        assert answer.status_code == 200, answer.text
        return answer.json()

    def begin_demo(self) -> None:
        self.begin({"kind": "demo"})

    def begin_again(self) -> None:
        self.begin({"kind": "again", "visit": self.number})

    def begin(self, order: dict[str, object]) -> None:
        self.begun(str(order["kind"]), "/visits", json=order)

    def bring(self) -> None:
        """Read a job folder in; it is no visit to go on with, as the demo's hall is not there."""
        files = {"job.toml": MILL, "takes/left-front.wav": self.upload}
        at = self.number
        self.begun("import", "/visits/import", files={"file": ("job.zip", zip_of(files))})
        self.number = at

    def begun(self, kind: str, path: str, **more: object) -> None:
        self.open = ("begin",)
        answer = self.ask("POST", path, **more)
        assert answer.status_code == 201, answer.text
        number = answer.json()["number"]
        self.visits[number] = Noted()
        if kind != "import":
            self.number = number
        self.note(kind)
        self.open = ("begun", number)
        self.look_at_begun(number, self.whole(number))

    def look_at_begun(self, number: int, found: dict) -> None:
        self.visits[number].entries = begun_with(found)
        self.visits[number].takes = {
            one["number"]: {name: one[name] for name in MILL_TAKE} for one in found["takes"]
        }

    def enter(self) -> None:
        self.count += 1
        name, value = self.rng.choice(
            (
                ("note.hall", f"note {self.count}"),
                ("rig.speaker_down_deg", float(self.count % 30)),
                (f"tick.raise-{self.count % 5}", self.count % 2 == 0),
                (f"fader.left.{self.count % 7}", -0.5 * (self.count % 20)),
                ("walk.back", self.rng.choice((True, None))),
            )
        )
        self.open = ("enter", self.number, name, value)
        answer = self.ask(
            "PUT", f"/visits/{self.number}/entries/{name}", json={"value": value, "was": None}
        )
        assert answer.status_code == 200, answer.text
        self.visits[self.number].entries[name] = value
        self.note("entry")

    def take(self) -> None:
        side, spot = self.rng.choice(SIDES), self.rng.choice(SPOTS)
        self.open = ("take", self.number, side, spot)
        order = {"visit": self.number, "side": side, "spot": spot, "holder": "me", "warned": True}
        answer = self.ask("POST", "/sound/take", json=order)
        assert answer.status_code == 202, answer.text
        while True:
            self.ask("POST", "/sound/alive", json={"holder": "me"})
            now = self.ask("GET", "/sound").json()
            if now["phase"] in ("ended", "failed"):
                break
            time.sleep(0.05)
        assert now["phase"] == "ended", now
        if not now["take"]:  # stopped by itself: this machine was too busy to say that it is there
            return self.take()
        self.keep(now["take"], side, spot)
        self.note("take")
        return None

    def send(self) -> None:
        side, spot = self.rng.choice(SIDES), self.rng.choice(SPOTS)
        self.open = ("send", self.number, side, spot)
        answer = self.ask(
            "POST",
            f"/visits/{self.number}/takes/upload",
            data={"side": side, "spot": spot},
            files={"file": ("sound.wav", self.upload)},
        )
        assert answer.status_code == 201, answer.text
        self.keep(answer.json()["number"], side, spot)
        self.note("upload")

    def keep(self, take: int, side: str, spot: str) -> None:
        # It is there from now on, whatever becomes of the question which file it is.
        self.visits[self.number].takes[take] = {"side": side, "spot": spot, "deleted": False}
        self.open = ()

    def delete(self) -> None:
        self.set_deleted(deleted=True)

    def restore(self) -> None:
        self.set_deleted(deleted=False)

    def set_deleted(self, *, deleted: bool) -> None:
        takes = self.visits[self.number].takes
        others = [take for take, kept in takes.items() if kept["deleted"] is not deleted]
        if not others:
            return
        take = self.rng.choice(others)
        path = f"/visits/{self.number}/takes/{take}"
        self.open = ("delete", self.number, take)
        answer = self.ask("DELETE", path) if deleted else self.ask("POST", f"{path}/restore")
        assert answer.status_code == 204, answer.text
        takes[take]["deleted"] = deleted
        self.note("deleted" if deleted else "restored")

    def check(self, folder: Path, files: dict[str, str]) -> None:
        """Hold all visits against what was noted, and go on from what is there.

        Parameters
        ----------
        folder : Path
            Of the store.
        files : dict
            What every recording held when it was listed first; it must not change.
        """
        lines = self.ask("GET", "/visits").json()
        more = {line["number"] for line in lines} - set(self.visits)
        assert set(self.visits) <= {line["number"] for line in lines}
        assert len(more) <= (self.open[:1] == ("begin",)), (more, self.open)
        for number in more:
            self.visits[number] = Noted()
            self.look_at_begun(number, self.whole(number))
        for number, noted in self.visits.items():
            self.check_visit(number, noted, self.whole(number))
        self.check_files(folder, files)
        self.open = ()

    def check_visit(self, number: int, noted: Noted, found: dict) -> None:
        entries = {name: one["value"] for name, one in found["entries"].items()}
        if self.open == ("begun", number):
            self.look_at_begun(number, found)
        if self.open[:2] == ("enter", number):
            _, _, name, value = self.open
            if entries.get(name) == value:
                noted.entries[name] = value
        assert {k: v for k, v in entries.items() if v is not None} == {
            k: v for k, v in noted.entries.items() if v is not None
        }
        takes = {one["number"]: one for one in found["takes"]}
        assert set(noted.takes) <= set(takes)
        more = set(takes) - set(noted.takes)
        making = self.open[:2] in (("take", number), ("send", number))
        assert len(more) <= making, (more, self.open)
        for take in more:
            side, spot = takes[take]["side"], takes[take]["spot"]
            assert (side, spot) == self.open[2:]
            noted.takes[take] = {"side": side, "spot": spot, "deleted": False}
        for take, kept in noted.takes.items():
            if self.open[:3] == ("delete", number, take):
                kept["deleted"] = takes[take]["deleted"]
            assert kept == {name: takes[take][name] for name in ("side", "spot", "deleted")}

    def check_files(self, folder: Path, files: dict[str, str]) -> None:
        with closing(sqlite3.connect(folder / "visits.sqlite3")) as base:
            assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert base.execute("PRAGMA foreign_key_check").fetchall() == []
            rows = base.execute(
                "SELECT take.id, visit.folder, json_extract(fields, '$.file')"
                " FROM take JOIN visit ON visit.id = visit_id"
            ).fetchall()
        listed = {f"{place}/{file}" for _, place, file in rows}
        assert len(listed) == len(rows) == sum(len(one.takes) for one in self.visits.values())
        for name in listed:
            path = folder / name
            assert path.suffix == ".wav"
            content = path.read_bytes()
            digest = hashlib.sha256(content).hexdigest()
            if name not in files:
                files[name] = digest
                if content != self.upload:
                    # Six seconds and what rings on, as the plan wants in this hall; to the end.
                    with soundfile.SoundFile(path) as sound:
                        assert sound.frames >= 6 * 48_000
                        assert len(sound.read()) == sound.frames
                    assert np.abs(read_recording(path).samples[-48_000:]).max() > 0.0
            assert files[name] == digest
        assert set(files) == listed
        self.check_rubbish(folder)

    def check_rubbish(self, folder: Path) -> None:
        """Nothing is left of what was broken off but recordings, and all is its user's alone."""
        with closing(sqlite3.connect(folder / "visits.sqlite3")) as base:
            visits = {place for (place,) in base.execute("SELECT folder FROM visit")}
        assert {f"visits/{path.name}" for path in (folder / "visits").glob("*")} == visits
        paths = list(folder.rglob("*"))
        assert [path for path in paths if path.name.startswith(".")] == []
        assert [path for path in paths if path.suffix == ".wav" and not path.stat().st_size] == []
        assert len(list((folder / "work").glob("*.lock"))) == 1
        assert [path for path in (folder / "work").glob("*/*") if path.is_file()] == []
        modes = {path.stat().st_mode & 0o777 for path in (folder, *paths)}
        assert modes <= {0o700, 0o600}


def sent() -> bytes:
    """Give noise and what a hall made of it, as another program would have recorded it."""
    rng = np.random.default_rng(9)
    played = 0.1 * rng.standard_normal(6 * 24_000)
    heard = 0.5 * np.roll(played, 400) + 1e-4 * rng.standard_normal(played.size)
    file = io.BytesIO()
    soundfile.write(file, np.stack([heard, played], axis=1), 48_000, "PCM_24", format="WAV")
    return file.getvalue()


def kill_often(folder: Path, *, kills: int, seed: int) -> dict[str, int]:
    """Kill a server that often; give how many of which operations were acknowledged.

    Raises
    ------
    AssertionError
        One of them was lost, or something is there that nobody asked for.
    """
    rng = random.Random(seed)
    client, files = Client(rng, sent()), {}
    for life in range(kills):
        server = Server(folder)
        try:
            if client.visits and rng.random() < BEFORE_IT_ANSWERS:
                time.sleep(rng.uniform(0.0, 0.8))
                server.kill()
                server = Server(folder)
            server.wait()
            client.connect(server.address)
            client.check(folder, files)
            first_is_take = client.acts[life % len(client.acts)] == client.take
            life_s = rng.uniform(*(LIFE_WITH_TAKE_S if first_is_take else LIFE_S))
            killer = Timer(life_s, server.kill)
            client.go_on(life, killer)
            killer.join()
        finally:
            if server.process.poll() is None:
                server.kill()
    server = Server(folder)
    try:
        server.wait()
        client.connect(server.address)
        client.check(folder, files)
    finally:
        client.http.close()
        server.kill()
    return client.done
