"""Whatever the pages' interface accepts, every page opens after it: `python bench/fuzz_pages.py`.

    python bench/fuzz_pages.py [CALLS] [SEED]

Calls that change something, with values as they should be and with values bent out of shape: every
entry, imported folders, takes, calibrations, units, visits begun and begun again. After each that
was accepted every page of that visit, the start page, the list, the verdict and now and then sheet
and folder are asked for. None may be answered by 500 or more, and no call either.
"""

from __future__ import annotations

import asyncio
import copy
import json
import logging
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from apiroom import HOST, demo_files, opened
from evenhall.job.folder.reading import SECTIONS
from evenhall.pages import guard
from evenhall.visits.carrying import read_folder
from evenhall.visits.entries import OWN_ENTRIES
from visits.made import zip_of

CALLS, SEED = 5000, 15
STEPS = ("set-out", "line-check", "takes", "verdict", "worklist", "proof", "hand-over")
PAGES = ("", *STEPS, "rack", "hall", "card?side=left", "follow?side=left", "card?side=left&at=1")
NOW = "2026-03-01T10:00:00+00:00"
TAKES = ("takes/left-front.wav", "takes/left-back.wav")
NUMBERS = (0, -1, 1, 0.1, 3, 7.5, 100, 299.9, 1e6, -1e9, 1e300, 10**30, 2**63, 1e-12)
TEXTS = (
    *(
        "",
        " ",
        "left",
        "a/b",
        "..",
        "\u202e",
        "\x00",
        "<b>",
        "x" * 300,
        "x" * 5000,
        "nan",
        "Infinity",
    ),
    *("9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+14:00", "1970-01-01", "\u0130", "true"),
)
ODD = (None, True, False, [], {}, [[]], {"": {}}, *NUMBERS, *TEXTS)
# As it should be; what is bent begins here.
USUAL: dict[str, tuple[Any, ...]] = {
    "rig.sides": (["left", "right"], ["left", "right", "sub"], ["a/b", ".."], ["mono"], ["delay"]),
    "equalizer.bands": (31, 15, 10, [63, 125, 250, 500], [10.0, 10.1, 24000.0]),
    "target.points": ([[63, 4.0], [1000, 0], [10000.0, -3.0]],),
    "spots": ([{"label": "front", "along_m": 2.5}, {"label": "back", "along_m": 9}],),
    "sound_check": (NOW, "2199-12-31T23:59:59-12:00", "1970-01-01T00:00:00+00:00"),
    "line_check": (
        {
            "at": NOW,
            "elements": ["left", "right"],
            "findings": [{"element": "left", "code": "works", "text": "Left works."}],
        },
    ),
    "gain": ({"text": "It stands.", "turn": "hold", "at": NOW, "turned_db": -3.0},),
    "hands": ({"left_gain_db": 2.0, "left_polarity": 1.0, "speaker_height_m": 2.0},),
}


def bent(value: Any, rng: random.Random) -> Any:
    """Change one thing in a value, somewhere."""
    value = copy.deepcopy(value)
    if isinstance(value, dict) and value and rng.random() < 0.8:
        key = rng.choice(list(value))
        if rng.random() < 0.2:
            del value[key]
        else:
            value[rng.choice((key, key, key, "other"))] = bent(value[key], rng)
        return value
    if isinstance(value, list) and value and rng.random() < 0.8:
        at = rng.randrange(len(value))
        match rng.randrange(4):
            case 0:
                value *= rng.choice((2, 40, 300))
            case 1:
                del value[at]
            case _:
                value[at] = bent(value[at], rng)
        return value
    return rng.choice(ODD)


def one_of(name: str, rng: random.Random) -> Any:
    """Give a value for an entry: a usual one, a bent one, or whatever."""
    usual = USUAL.get(name, (*NUMBERS, "tilt", "mic.txt", True, "measured"))
    value = copy.deepcopy(rng.choice(usual))
    draw = rng.random()
    return value if draw < 0.6 else bent(value, rng) if draw < 0.9 else rng.choice(ODD)


def entry_names() -> list[str]:
    """Name every entry that there can be."""
    about = {
        "fader.": ("left.1000", "left.31.5", "a/b.63", "left.loud", "..", "left.99999"),
        "tick.": ("raise-1", "/", "\u00fc?#%"),
        "skip.": ("raise-1",),
        "walk.": ("back", "row 3/4"),
        "note.": ("all", "back", "a/b", "\x01"),
    }
    names = [f"{name}.{one}" for name, model in SECTIONS.items() for one in model.model_fields]
    for name in OWN_ENTRIES:
        names += [name + one for one in about.get(name, ("",))]
    # Those with a form of their own come more often.
    return [*names, *(name for name in USUAL for _ in range(6)), "colour", "venue.colour"]


@dataclass
class Tally:
    """What was asked and how it was answered; `failed` holds what was answered by 500 or more."""

    asked: int = 0
    accepted: int = 0
    opened: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    failed: list[str] = field(default_factory=list)


class Fuzz:
    """Calls an application, and opens all pages after each call that was accepted."""

    def __init__(self, app: Any, visit: int, seed: int) -> None:
        self.rng, self.tally = random.Random(seed), Tally()
        self.names = entry_names()
        self.judged, self.visits = visit, [visit]
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 1), raise_app_exceptions=False)
        headers = {"origin": f"http://{HOST}"}
        self.http = httpx.AsyncClient(
            transport=transport, base_url=f"http://{HOST}", headers=headers, timeout=None
        )

    async def ask(self, method: str, path: str, said: str = "", **more: Any) -> httpx.Response:
        """Ask, and note what may not be."""
        answer = await self.http.request(method, path, **more)
        self.tally.statuses[answer.status_code] += 1
        if answer.status_code >= 500:
            self.tally.failed.append(f"{answer.status_code} {method} {path} {said}"[:600])
        return answer

    async def change(self) -> tuple[int, str] | None:
        """Change something; give the visit and what was done where it was accepted."""
        rng = self.rng
        # Takes are measured anew where a figure that they depend on has changed: seldom.
        visit = self.judged if rng.random() < 0.05 else rng.choice(self.visits)
        home = f"/api/visits/{visit}"
        draw = rng.random()
        more: dict[str, Any] = {}
        if draw < 0.8:
            name = rng.choice(self.names)
            was = rng.choice((None, None, None, 0, 1, "x"))
            method = "PUT"
            path = f"{home}/entries/{quote(name, safe='')}"
            more["content"] = json.dumps({"value": one_of(name, rng), "was": was})
            more["headers"] = {"content-type": "application/json"}
        elif draw < 0.86:
            method, path = "POST", "/api/visits/import"
            more["files"] = {"file": ("job.zip", zip_of(self.folder()))}
        elif draw < 0.89:
            kind = rng.choice(("own", "again", "demo", "other"))
            order = {
                "kind": kind,
                "visit": rng.choice((visit, 0, 10**30)),
                "venue": rng.choice(TEXTS),
            }
            method, path, more["json"] = "POST", "/api/visits", order
        elif draw < 0.92:
            text = json.dumps(bent({"unit": 1, "faders": [{"hz": 63.0}]}, rng))
            method, path = "POST", f"{home}/{rng.choice(('unit', 'calibration', 'stimulus'))}"
            content = rng.choice((text, "20 -1.5\n1000 0\n20000 2\n", "20 1e300\n", "\x00" * 100))
            more["files"] = {"file": ("mic.txt", content)}
        elif draw < 0.95:
            take = rng.choice((1, 2, 3, 10**30))
            method, path = rng.choice(
                (("DELETE", f"{home}/takes/{take}"), ("POST", f"{home}/takes/{take}/restore"))
            )
        else:
            method, path, order = rng.choice(
                (
                    ("POST", f"{home}/takes/anew", None),
                    ("PUT", f"{home}/card?side=left", None),
                    ("PUT", f"{home}/unit", {"name": rng.choice(TEXTS)}),
                    ("DELETE", f"{home}/unit", None),
                    ("POST", f"{home}/takes/enter", {"file": rng.choice((*TAKES, *TEXTS))}),
                    ("DELETE", f"{home}/unreadable?key=entry:gain", None),
                    ("DELETE", home, None),
                    ("POST", f"{home}/restore", None),
                )
            )
            more |= {} if order is None else {"json": order}
        said = f"{more.get('content', more.get('json', ''))}"
        answer = await self.ask(method, path, said, **more)
        self.tally.asked += 1
        if answer.status_code >= 300:
            return None
        self.tally.accepted += 1
        if answer.status_code == 201 and "number" in answer.json():
            visit = answer.json()["number"]
            self.visits = [self.judged, *self.visits[-4:], visit]
        return visit, f"{method} {path} {said}"

    def folder(self) -> dict[str, str]:
        """Give a job folder without takes, one thing in it bent."""
        rng = self.rng
        name = rng.choice(list(USUAL))
        carried: dict[str, Any] = {
            "version": 1,
            "made_at": NOW,
            "demo": False,
            "entries": {
                name: one_of(name, rng),
                **{
                    one: rng.choice(USUAL[one])
                    for one in ("spots", "gain")
                    if rng.random() < 0.5 and one != name
                },
            },
            "takes": [
                {
                    "take": {"file": "takes/a.wav", "side": "left", "spot": "front"},
                    "made_at": NOW,
                    "deleted": True,
                }
            ],
        }
        if rng.random() < 0.6:
            carried = bent(carried, rng)
        if name.partition(".")[0] in SECTIONS and isinstance(carried, dict):
            carried["entries"] = {}
        sides = rng.choice(('["left", "right"]', '["a/b", ".."]', "3", "[]"))
        length_m = rng.choice((18.0, 18.0, -1, 1e9))
        job = f'[venue]\nname = "Mill"\nlength_m = {length_m}\n[rig]\nsides = {sides}\n'
        return {"job.toml": job, "visit.json": json.dumps(carried)}

    async def open_all(self, visit: int, said: str, *, papers: bool) -> None:
        """Open every page of a visit, the start page and the list."""
        paths = ["/", "/visits", *(f"/visit/{visit}/{page}".rstrip("/") for page in PAGES)]
        paths += [f"/api/visits/{visit}", f"/api/visits/{visit}/result"]
        if papers:
            paths += [f"/api/visits/{visit}/sheet.pdf", f"/api/visits/{visit}/folder.zip"]
        for path in paths:
            await self.ask("GET", path, f"after {said}", headers={"accept": "text/html"})
            self.tally.opened += 1

    async def run(self, calls: int) -> None:
        """Make so many calls."""
        for _ in range(calls):
            done = await self.change()
            if done is not None:
                await self.open_all(*done, papers=self.rng.random() < 0.02)
        await self.http.aclose()


def fuzz(folder: Path, *, calls: int, seed: int) -> Tally:
    """Fuzz the pages of a new store in a folder, in which the demo's visit has two takes."""
    allowed, guard.BURST = guard.BURST, 1e12
    try:
        with opened(folder, demo=False) as made:
            files = dict(demo_files())
            text = files["job.toml"].decode()
            head, *takes = text.split("[[take]]\n")
            kept = [take for take in takes if any(f'"{name}"' in take for name in TAKES)]
            files["job.toml"] = "[[take]]\n".join((head, *kept)).encode()
            fuzzing = Fuzz(made.app, read_folder(made.services.store, zip_of(files)), seed)
            asyncio.run(fuzzing.run(calls))
    finally:
        guard.BURST = allowed
    return fuzzing.tally


def main() -> None:
    """Fuzz, and print what came of it."""
    calls = int(sys.argv[1]) if len(sys.argv) > 1 else CALLS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    logging.disable()
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        tally = fuzz(Path(place) / "store", calls=calls, seed=seed)
    print(
        f"{tally.asked} calls, {tally.accepted} accepted, {tally.opened} pages opened, "
        f"{len(tally.failed)} answered by 500 or more; {time.monotonic() - begun_s:.0f} s"
    )
    print(", ".join(f"{status}: {count}" for status, count in sorted(tally.statuses.items())))
    for line in tally.failed[:40]:
        print(line)
    sys.exit(bool(tally.failed))


if __name__ == "__main__":
    main()
