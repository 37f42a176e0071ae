"""Services for the tests: a demo visit whose hall answers quickly, news that are kept, own time."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from typing import Any

from evenhall.job.folder.model import Take
from evenhall.pages.pairing import Pairing
from evenhall.pages.player import Player
from evenhall.pages.playing import Playing
from evenhall.pages.services import Services
from evenhall.visits.judging import Judge
from evenhall.visits.store import Store
from evenhall.visits.visit import Entry, StoredTake, Visit

__all__ = ["ME", "PACE", "Clock", "News", "ended", "services_in", "staying", "until", "visit_of"]

ME = "a page"
PACE = 40.0  # seconds of the hall in one of the clock: the room's two quiet ones pass in 50 ms
PATIENCE_S = 60.0


class Clock:
    """Stands still, so that whoever started a sound stays, until it is put forward."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


class News:
    """What the pages were told, in turn: kind, data, visit, and when."""

    def __init__(self) -> None:
        self.told: list[tuple[str, Any, int | None, float]] = []

    def tell(self, kind: str, data: Any, *, visit: int | None = None) -> None:
        self.told.append((kind, data, visit, time.monotonic()))

    @property
    def phases(self) -> list[str]:
        """Phases of the player, in turn."""
        return [data["phase"] for kind, data, *_ in self.told if kind == "changed"]

    @property
    def levels(self) -> list[tuple[dict[str, Any], float]]:
        """Levels that were told, and when."""
        return [(data, at_s) for kind, data, _, at_s in self.told if kind == "levels"]


def services_in(folder: Path, *, clock: Callable[[], float] | None = None) -> Services:
    """Open services; their bulletin is a `News`."""
    store, judge, news = Store(folder), Judge(), News()
    player = Player(store, judge, news, clock=clock or Clock())  # type: ignore[arg-type]
    return Services(store, judge, news, player, Pairing())  # type: ignore[arg-type]


def until(so: Callable[[], bool]) -> None:
    """Wait until it is so."""
    over_s = time.monotonic() + PATIENCE_S
    while not so():
        assert time.monotonic() < over_s, "it was not so for a minute"
        time.sleep(0.002)


def ended(player: Player) -> Playing:
    """Wait until nothing is under way, and give what it ended with."""
    until(lambda: not player.now.busy)
    return player.now


@contextmanager
def staying(player: Player, holder: str = ME):
    """Say every moment that the page is still there."""
    over = Event()

    def stay() -> None:
        while not over.wait(0.05):
            player.alive(holder)

    thread = Thread(target=stay)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def visit_of(entries=None, takes=(), *, demo=False):
    """A visit with these entries and takes; a take is (side, spot, state, deleted)."""
    stored = tuple(
        StoredTake(
            k,
            Take(file=f"takes/{k}.wav", side=side, spot=spot, state=state, reference_channel=2),
            "-",
            deleted=deleted,
        )
        for k, (side, spot, state, deleted) in enumerate(takes, 1)
    )
    values = {name: Entry(value, 1) for name, value in (entries or {}).items()}
    return Visit(1, Path("nowhere"), demo, 1, "-", values, stored)
