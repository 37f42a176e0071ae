"""All that the pages stand on, made once when they are opened. Start at `Services`."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any

from evenhall.errors import InputError
from evenhall.hall.elements import SIDES
from evenhall.job.demo.folder import demo_job, write_calibration
from evenhall.job.demo.hall import SPOTS_M
from evenhall.job.folder.model import Audience, Equalizer
from evenhall.job.folder.reading import SECTIONS
from evenhall.job.tune.result import Result
from evenhall.pages.bulletin import Bulletin
from evenhall.pages.devices import STANCE, hands_done, settled
from evenhall.pages.guide import alone_so_far
from evenhall.pages.pairing import Pairing
from evenhall.pages.player import Player
from evenhall.pages.workers import Workers
from evenhall.visits.judging import Judge
from evenhall.visits.store import Store
from evenhall.visits.visit import Visit

if TYPE_CHECKING:
    from evenhall.pages.phone import Phone

__all__ = ["Services", "open_services"]

# Threads for long work, and how much of it may wait. After a change every open page asks anew.
VIEWS, VIEWS_WAITING = 2, 32
FILES, FILES_WAITING = 2, 10
# Between load-in and sound check (common practice, no source).
MINUTES = 40
OWN_VENUE = "My venue"
# What a newcomer may leave as it is: the usual pair of boxes and the commonest unit.
OWN_ENTRIES: dict[str, Any] = {
    "rig.sides": list(SIDES),
    "equalizer.bands": Equalizer().bands,
    "audience.ear_height_m": Audience().ear_height_m,
}


@dataclass
class Services:
    """What requests are served with.

    Parameters
    ----------
    store, judge, bulletin, player, pairing
        One of each.
    phone : Phone or None
        Where other devices come in; None where that cannot be opened.
    views, files : Workers
        Who judges and draws, and who packs, prints and takes in files.
    """

    store: Store
    judge: Judge
    bulletin: Bulletin
    player: Player
    pairing: Pairing
    phone: Phone | None = None
    now: Callable[[], datetime.datetime] = field(
        default=lambda: datetime.datetime.now().astimezone()
    )
    views: Workers = field(default_factory=lambda: Workers(VIEWS, waiting=VIEWS_WAITING))
    files: Workers = field(default_factory=lambda: Workers(FILES, waiting=FILES_WAITING))
    # What reads a visit and then changes it is done for one page at a time.
    _turn: Lock = field(default_factory=Lock, repr=False)

    def result(self, visit: Visit) -> Result | None:
        """Give the verdict of a visit, None where it has no takes."""
        return self.judge.result(visit) if visit.kept_takes else None

    def latest(self) -> int | None:
        """Give the last visit; None where there is none."""
        return next((one.number for one in self.store.visits()), None)

    def new_demo(self, *, with_sub: bool = False) -> int:
        """Begin a visit in one of the demo's venues, all set out and nothing done."""
        job = demo_job(with_sub=with_sub)
        tables = job.model_dump(mode="json", exclude_unset=True, exclude_none=True)
        entries = {
            f"{section}.{name}": value
            for section in SECTIONS
            for name, value in tables.get(section, {}).items()
        }
        entries["spots"] = [
            {"label": label, "along_m": along_m} for label, along_m in SPOTS_M.items()
        ]
        number = self.store.new_visit(job.venue.name, self._timed(entries), demo=True)
        write_calibration(self.store.visit(number).folder)
        return number

    def fresh_demo(self) -> int:
        """Give a visit in the demo's hall in which nothing was taken yet."""
        unused = (one.number for one in self.store.visits() if one.demo and not one.takes)
        return next(unused, None) or self.new_demo()

    def new_own(self, name: str = OWN_VENUE) -> int:
        """Begin a visit in a venue of the user's own, nothing known yet."""
        return self.store.new_visit(name, self._timed(OWN_ENTRIES))

    def next_visit(self, number: int, *, venue: str | None = None) -> int:
        """Begin a visit where an earlier one ended: what hands moved stands where they put it."""
        before = self.store.visit(number)
        begun = self.store.next_visit(number, venue=venue)
        moved = hands_done(before, self.result(before)) if venue is None else {}
        for name in STANCE:
            if name in moved:
                self.store.set_entry(begun, f"rig.{name}", moved[name], was=None)
        for name, value in self._timed({}).items():
            self.store.set_entry(begun, name, value, was=None)
        return begun

    def take_anew(self, number: int) -> None:
        """Begin the takes anew, once hands have moved something.

        What was ticked becomes how the rig stands, the earlier takes are deleted (and can be
        brought back), and the card is made of the new ones.

        Raises
        ------
        InputError
            Something sounds in this visit: its take would be one of the earlier ones.
        """
        if self.player.now.busy and self.player.now.visit == number:
            raise InputError("Something is playing. Stop it, then start the takes over.")
        with self._turn:
            self._take_anew(number)

    def _take_anew(self, number: int) -> None:
        visit = self.store.visit(number)
        entries = settled(visit, self.result(visit))
        # Takes for a new card are made with the equalizer flat, as the page says.
        stand = visit.values("fader.").items()
        entries |= {f"fader.{name}": None for name, value in stand if value is not None}
        before = [one.take.file for one in visit.kept_takes if one.take.state == "before"]
        if before and not visit.value("first_round") and not alone_so_far(visit):
            entries["first_round"] = before
        if entries or visit.kept_takes:
            self.store.begin_anew(number, entries)

    def _timed(self, entries: dict[str, Any]) -> dict[str, Any]:
        check = self.now() + datetime.timedelta(minutes=MINUTES)
        return {**entries, "sound_check": check.isoformat(timespec="minutes")}

    def close(self) -> None:
        """Stop the sound and close the store."""
        self.player.close()
        self.views.close()
        self.files.close()
        self.store.close()


def open_services(folder: Path) -> Services:
    """Open the store in a folder, and all that works on it.

    Raises
    ------
    StoreError
        It cannot be opened.
    """
    store, judge, bulletin = Store(folder), Judge(), Bulletin()
    return Services(store, judge, bulletin, Player(store, judge, bulletin), Pairing())
