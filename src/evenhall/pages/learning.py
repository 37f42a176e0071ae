"""The unit in the rack, for the pages: its round, what came of it, and the card made for it.

begin_round()    the settings that it is learned by; one that was begun goes on
learned_of()     the unit fitted from what was recorded, and entered
learned_unit()   what was learned of it before
enter_unit()     a learned unit becomes the one that the card is made for
reuse_unit()     one that was learned at another visit, by its name
"""

from __future__ import annotations

import shutil
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenhall.equalizer.graphic import STANDARD_HZ
from evenhall.errors import EvenhallError, InputError
from evenhall.job.folder.model import Equalizer
from evenhall.job.folder.unit_file import UnitFile, read_unit
from evenhall.job.folder.writing import write_whole
from evenhall.job.tune.unit import (
    ROUND_FILE,
    Round,
    UnitHead,
    learn,
    read_round,
    round_toml,
)
from evenhall.pages import shelf
from evenhall.visits.store import Store
from evenhall.visits.visit import Visit

__all__ = [
    "Learned",
    "begin_round",
    "enter_unit",
    "forget_round",
    "learned_of",
    "learned_unit",
    "recorded",
    "reuse_unit",
    "round_folder",
]

RACK_FOLDER = "rack"


@dataclass(frozen=True)
class Learned:
    """How a round, or a second look, ended; and what to look at."""

    text: str
    good: bool
    doubts: tuple[str, ...] = ()


def round_folder(visit: Visit, *, right: bool) -> Path:
    """Where the round of a channel and its recordings lie."""
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
    folder = round_folder(visit, right=right)
    wanted = round_toml(head).encode()
    path = folder / ROUND_FILE
    if path.is_file() and path.read_bytes() != wanted:
        forget_round(visit, right=right)  # it was another unit's
    if not path.is_file():
        write_whole({path: wanted})
    return read_round(folder, recorded=False)


def forget_round(visit: Visit, *, right: bool) -> None:
    """Take the recordings of a channel's round away, to begin anew."""
    shutil.rmtree(round_folder(visit, right=right), ignore_errors=True)


def recorded(visit: Visit, *, right: bool) -> tuple[int, int]:
    """Count the settings that are recorded, and all of them; 0 of 0 before a round was begun."""
    folder = round_folder(visit, right=right)
    if not (folder / ROUND_FILE).is_file():
        return 0, 0
    try:
        found = read_round(folder, recorded=False)
    except InputError:
        return 0, 0  # of an older version, or damaged: `begin_round()` begins it anew
    return sum((folder / one.file).is_file() for one in found.settings), len(found.settings)


def learned_of(store: Store, visit: Visit, found: Round, *, right: bool) -> Learned:
    """Learn a channel from its whole round, and make the card for it from then on.

    Parameters
    ----------
    right : bool
        The right channel, where it differs; the left one stands for both.

    Raises
    ------
    InputError, StoreError
        As `learn()` and `enter_unit()` raise them.
    """
    folder = round_folder(visit, right=right)
    unit, doubts = learn(found, folder)
    enter_unit(store, visit, unit, right=right)
    for doubt in doubts:
        if doubt.file:
            (folder / doubt.file).unlink()  # so that it is asked for again
    text = (
        f"Learned, to within {unit.residual_db:.2f} dB. The card is now made for the "
        f"{'right channel' if right else 'unit'} as it really is."
    )
    if right:
        left = read_unit(visit.folder / str(visit.value("equalizer.file")))
        text += f" {left.beside(unit)}"
    if unit.limits_text:
        text += f" {unit.limits_text}"
    return Learned(text, good=not doubts, doubts=tuple(doubt.text for doubt in doubts))


def learned_unit(visit: Visit, *, right: bool) -> UnitFile:
    """Give what was learned of a channel; InputError where nothing was."""
    name = visit.value("equalizer.file_right" if right else "equalizer.file")
    if name is None:
        raise InputError("That channel is not learned yet. Learn it first.")
    return read_unit(visit.folder / name)


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
