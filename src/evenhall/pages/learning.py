"""Learning the unit in the rack, for the pages: the round led through, and what came of it kept.

    learn_along()    the settings one after the other, then the unit fitted and entered
    look_again()     two sweeps: has it drifted since?
    enter_unit()     a learned unit becomes the one that the card is made for
    reuse_unit()     one that was learned at another visit, by its name

It goes through the player, as every sound of the pages does.
"""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from evenhall.acoustics.meter import Reading
from evenhall.equalizer.checking import DRIFT_DB
from evenhall.equalizer.graphic import STANDARD_HZ
from evenhall.errors import EvenhallError, InputError
from evenhall.job.folder.model import Equalizer
from evenhall.job.folder.unit_file import UnitFile, read_unit
from evenhall.job.folder.writing import write_whole
from evenhall.job.live.unit import Answer, check_again, record_round
from evenhall.job.tune.unit import (
    ROUND_FILE,
    Round,
    Setting,
    UnitHead,
    learn,
    read_round,
    round_toml,
    words_of,
)
from evenhall.pages import shelf
from evenhall.pages.devices import open_rack
from evenhall.visits.store import Store
from evenhall.visits.visit import Visit

__all__ = [
    "Asked",
    "Learned",
    "begin_round",
    "enter_unit",
    "forget_round",
    "learn_along",
    "look_again",
    "recorded",
    "reuse_unit",
]

RACK_FOLDER = "rack"


@dataclass(frozen=True)
class Asked:
    """What is asked of whoever stands at the rack.

    Parameters
    ----------
    text : str
    faders : tuple of (hz, db)
        Where all faders are to stand.
    fault : str
        What was wrong with the last sweep; empty where nothing was.
    """

    text: str
    faders: tuple[tuple[float, float], ...]
    fault: str = ""


@dataclass(frozen=True)
class Learned:
    """How a round, or a second look, ended.

    Parameters
    ----------
    text : str
    good : bool
    doubts : tuple of str
        What to look at.
    """

    text: str
    good: bool
    doubts: tuple[str, ...] = ()


class Teller(Protocol):
    """What the player does for it."""

    def ask(self, asked: Asked) -> str:
        """Ask, and wait: "on", "again" or "keep"; empty where it was stopped."""

    def say(self, text: str) -> None:
        """Say what goes on."""

    def step(self, elapsed_s: float, length_s: float, readings: Sequence[Reading]) -> None:
        """Tell how far the sweep is, and the input's level."""

    def stop_wanted(self) -> bool:
        """Whether to stop."""


def _folder(visit: Visit, *, right: bool) -> Path:
    return visit.folder / RACK_FOLDER / ("right" if right else "left")


def begin_round(visit: Visit, *, right: bool) -> Round:
    """Give the round of a channel of the visit's unit; one that was begun goes on.

    Raises
    ------
    InputError
        The right channel comes before the left, or the unit's faders are not known.
    StoreError
        It cannot be written.
    """
    if right and visit.value("equalizer.file") is None:
        raise InputError("Learn the left channel first.")
    defaults = Equalizer()
    bands, range_db = visit.value("equalizer.bands"), visit.value("equalizer.range_db")
    head = UnitHead(
        name=visit.value("rack_name") or f"Rack of {visit.name}",
        bands=tuple(bands) if isinstance(bands, list) else bands or defaults.bands,
        range_db=float(range_db or defaults.range_db),
    )
    folder = _folder(visit, right=right)
    wanted = round_toml(head).encode()
    path = folder / ROUND_FILE
    if path.is_file() and path.read_bytes() != wanted:
        forget_round(visit, right=right)  # it was another unit's
    if not path.is_file():
        write_whole({path: wanted})
    return read_round(folder, recorded=False)


def forget_round(visit: Visit, *, right: bool) -> None:
    """Take the recordings of a channel's round away, to begin anew."""
    shutil.rmtree(_folder(visit, right=right), ignore_errors=True)


def recorded(visit: Visit, *, right: bool) -> tuple[int, int]:
    """Count the settings that are recorded, and all of them; 0 of 0 before a round was begun."""
    folder = _folder(visit, right=right)
    if not (folder / ROUND_FILE).is_file():
        return 0, 0
    try:
        found = read_round(folder, recorded=False)
    except InputError:
        return 0, 0  # of an older version, or damaged: `begin_round()` begins it anew
    return sum((folder / one.file).is_file() for one in found.settings), len(found.settings)


class _Watch:
    """Looks on, see `job.unit_live.LearnWatch`; in the demo it sets the faders too."""

    def __init__(
        self, teller: Teller, found: Round, put_in: Callable[[Round, Setting], None]
    ) -> None:
        self._teller, self._found, self._put_in = teller, found, put_in
        self._asked = Asked("", ())
        self._again: Setting | None = None

    def ready(self, at: int, count: int, setting: Setting) -> bool:
        faders = zip(
            self._found.faceplate.nominal_hz.tolist(),
            self._found.faders_db(setting).tolist(),
            strict=True,
        )
        self._asked = Asked(f"{at} of {count}: {words_of(setting)}", tuple(faders))
        # Whoever said "again" has set the faders already.
        if self._again is not setting and not self._teller.ask(self._asked):
            return False
        self._again = setting
        self._put_in(self._found, setting)
        self._teller.say(f"{at} of {count}: it plays. Hands off the faders.")
        return True

    def wrong(self, text: str) -> Answer:
        answer = self._teller.ask(Asked(self._asked.text, self._asked.faders, text))
        return "keep" if answer == "keep" else "again" if answer else "end"

    def step(self, elapsed_s: float, length_s: float, readings: Sequence[Reading]) -> None:
        self._teller.step(elapsed_s, length_s, readings)

    def stop_wanted(self) -> bool:
        return self._teller.stop_wanted()


def learn_along(
    store: Store, visit: Visit, teller: Teller, *, right: bool, cable: int
) -> Learned | None:
    """Lead through the round of a channel, learn it, and make the card for it from then on.

    Parameters
    ----------
    store : Store
    visit : Visit
    teller : Teller
    right : bool
        The right channel, where it differs; the left one stands for both.
    cable : int
        Input that the unit's output is on.

    Returns
    -------
    Learned or None
        None where it was stopped; what is recorded is kept.

    Raises
    ------
    InputError, DeviceError, StoreError
        As `record_round()` and `learn()` raise them.
    """
    found = begin_round(visit, right=right)
    folder = _folder(visit, right=right)
    with open_rack(visit, cable=cable, right=right) as (live, put_in):
        whole = record_round(live, folder, found, watch=_Watch(teller, found, put_in))
    if not whole:
        return None
    teller.say("The unit is learned from what was recorded.")
    unit, doubts = learn(found, folder)
    enter_unit(store, visit, unit, right=right)
    for doubt in doubts:
        if doubt.file:
            (folder / doubt.file).unlink()  # so that it is asked for again
    text = (
        f"Learned, but for {unit.residual_db:.2f} dB (rms). The card is now made for the "
        f"{'right channel' if right else 'unit'} as it really is."
    )
    if right:
        left = read_unit(visit.folder / str(visit.value("equalizer.file")))
        text += f" {left.beside(unit)}"
    if unit.limits_text:
        text += f" {unit.limits_text}"
    return Learned(text, good=not doubts, doubts=tuple(doubt.text for doubt in doubts))


def look_again(visit: Visit, teller: Teller, *, right: bool, cable: int) -> Learned | None:
    """Tell whether a channel does what was learned; None where it was stopped.

    Raises
    ------
    InputError
        That channel was not learned.
    DeviceError, StoreError
        As `check_again()` raises them.
    """
    name = visit.value("equalizer.file_right" if right else "equalizer.file")
    if name is None:
        raise InputError("That channel was not learned yet. Learn it first.")
    folder = _folder(visit, right=right)
    found, learned = begin_round(visit, right=right), read_unit(visit.folder / name)
    with open_rack(visit, cable=cable, right=right) as (live, put_in):
        told = check_again(live, folder, found, learned, watch=_Watch(teller, found, put_in))
    return None if told is None else Learned(told[0], good=told[1] < DRIFT_DB)


def enter_unit(store: Store, visit: Visit, unit: UnitFile, *, right: bool) -> None:
    """Make the card for a learned unit from now on, or for its right channel where that differs.

    Raises
    ------
    InputError
        The right channel has other faders than the left, or comes first.
    StoreError
        It cannot be written.
    """
    hz = [fader.hz for fader in unit.faders]
    if right:
        left = visit.value("equalizer.file")
        if left is None:
            raise InputError("Give the left channel's unit first.")
        if [fader.hz for fader in read_unit(visit.folder / left).faders] != hz:
            raise InputError("That unit has other faders than the left channel's.")
    # A new name: the earlier one stays what the card was made for.
    file = f"unit-{uuid.uuid4().hex[:8]}.json"
    entries: dict[str, Any] = {"equalizer.file_right" if right else "equalizer.file": file}
    if not right:
        entries |= {
            "equalizer.bands": _bands(hz),
            "equalizer.range_db": unit.range_db,
            "equalizer.file_right": None,
            "equalizer.response": "measured",
        }
    write_whole({visit.folder / file: unit.to_json()})
    try:
        store.set_entries(visit.number, entries)
    except EvenhallError:
        (visit.folder / file).unlink()  # nobody knows of it
        raise
    if not visit.demo:
        shelf.put(store, unit, right=right)


def reuse_unit(store: Store, number: int, name: str) -> None:
    """Make the card of a visit for a unit that was learned at another.

    Raises
    ------
    InputError
        No unit of that name is kept.
    StoreError
        It cannot be written.
    """
    left, right = shelf.take(store, name)
    enter_unit(store, store.visit(number), left, right=False)
    if right is not None:
        enter_unit(store, store.visit(number), right, right=True)


def _bands(hz: list[float]) -> int | list[float]:
    """Name the faders of a unit as job.toml does."""
    usual = STANDARD_HZ.get(len(hz))
    return len(hz) if usual is not None and usual.tolist() == hz else hz
