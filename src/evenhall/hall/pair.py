"""The best stance of a pair: height, tilt, turn and place, within what stands and room allow.

Start at `best_stance()`. First comes evenness (loudest seat less softest, mean of 200 Hz to
4 kHz); of what is even within half a decibel of the best, the stances that put least sound on
walls and ceiling; of those the clearest; of those the smallest move. A coarse grid finds where
to look, steps that a person would set find the best there. What a stand, bracket or ceiling can
carry is no matter of these figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.pattern import NominalPattern
from evenhall.hall.search import (
    NAMES,
    WORTH_DB,
    Limits,
    Search,
    by_place,
    effort,
    moved,
    searched,
    spread_db,
)
from evenhall.hall.seats import Placed, Seats, check_places
from evenhall.hall.setting import Room
from evenhall.hall.stances import Hearing, PairStance, hearing_of, place_pair, stance_of

__all__ = ["USUAL_ROOM_DB", "PairProposal", "best_stance"]


IDLE_DB = 0.1  # a step that brings no more is left out
MOST_COMPARED = 40  # of the even stances, the nearest to the present one
# What simulated halls say of the change of loudest less softest seat: bench/hall.py. Rooms answer
# louder than their size and decay say; what is forecast comes to this share, as single places
# stray from it; the rest is doubt.
USUAL_ROOM_DB = 2.5
SEEN_SHARE = 0.4
MODEL_DB = 0.6
# How far the figures given may be off: data sheet, guessed decay, an angle set by hand.
ANGLE_SHARE, DECAY_SHARE, AIM_OFF_DEG, HEIGHT_OFF_M = 0.15, 0.2, 1.5, 0.1


@dataclass(frozen=True)
class PairProposal:
    """How the pair should stand; as it stands where no move is worth it.

    Parameters
    ----------
    pair : tuple of Placed
        The loudspeakers as proposed.
    was_db, proposed_db : float
        Loudest seat less softest, mean of 200 Hz to 4 kHz.
    best_db : float
        The least that any allowed stance gives.
    alone_db : dict of str to float
        The same with only this figure changed as proposed, by its name in `PairStance`.
    gain_sd_db : float
        Standard deviation of `gain_db`.
    front_minus_back_db, was_front_minus_back_db : float
        First row less last row, each the mean of its seats.
    spill_db, was_spill_db : float
        Direct sound on walls and ceiling, re that at the seats.
    clarity_db, was_clarity_db : float
        C50, mean over seats.
    must : str
        Why it may not stay as it stands, whatever is gained: "heads" where the horns stand behind
        them, "aim" where the axis misses the people or the coverage the last row.
    """

    was: PairStance
    proposed: PairStance
    pair: tuple[Placed, ...]
    was_db: float
    proposed_db: float
    best_db: float
    alone_db: dict[str, float]
    gain_sd_db: float
    front_minus_back_db: float
    was_front_minus_back_db: float
    spill_db: float
    was_spill_db: float
    clarity_db: float
    was_clarity_db: float
    must: Literal["", "heads", "aim"] = ""

    @property
    def raised(self) -> bool:
        """Whether it needs the ladder."""
        return self.proposed.height_m > self.was.height_m

    @property
    def gain_db(self) -> float:
        """What the seats are to expect of `was_db - proposed_db`."""
        return SEEN_SHARE * (self.was_db - self.proposed_db)

    @property
    def alone_gain_db(self) -> dict[str, float]:
        """The same by each figure alone."""
        return {
            name: SEEN_SHARE * (self.was_db - alone_db) for name, alone_db in self.alone_db.items()
        }

    @property
    def sure(self) -> bool:
        """Whether the seats gain more than the doubt of it."""
        return self.gain_db > self.gain_sd_db

    def kept(self, pair: Sequence[Placed]) -> PairProposal:
        """Leave `pair` as it stands."""
        return replace(
            self,
            proposed=self.was,
            pair=tuple(pair),
            proposed_db=self.was_db,
            alone_db={},
            gain_sd_db=0.0,
            front_minus_back_db=self.was_front_minus_back_db,
            spill_db=self.was_spill_db,
            clarity_db=self.was_clarity_db,
            must="",
        )


def _chosen(search: Search, doable: list[PairStance], hearing: Hearing) -> PairStance:
    """Evenness first, then level on walls and ceiling, then clarity, then the smaller move."""
    present = search.present
    least_db = min(search.tried[one] for one in doable)
    enough_db = least_db + WORTH_DB
    if present in search.tried:
        enough_db = min(enough_db, search.tried[present] - WORTH_DB)
    even = [one for one in doable if search.tried[one] <= enough_db]
    if not even:
        return present
    even = sorted(even, key=lambda one: effort(one, present))[:MOST_COMPARED]
    spill = dict(zip(even, by_place(even, hearing.spill_db), strict=True))
    least_db = min(spill.values())
    quiet = [one for one in even if not spill[one] > least_db + WORTH_DB]
    clarity = dict(zip(quiet, by_place(quiet, hearing.clarity_db), strict=True))
    most_db = max(clarity.values())
    clear = [one for one in quiet if not clarity[one] < most_db - WORTH_DB]
    return _without_idle_steps(search, min(clear, key=lambda one: effort(one, present)))


def _without_idle_steps(search: Search, chosen: PairStance) -> PairStance:
    """Leave each figure as it is where changing it brings next to nothing: a hand less."""
    # What is left must still be worth the move.
    worth_db = search.tried.get(search.present, np.inf) - WORTH_DB
    for name in NAMES:
        kept = replace(chosen, **{name: getattr(search.present, name)})
        search.look([kept])
        if search.tried.get(kept, np.inf) <= min(search.tried[chosen] + IDLE_DB, worth_db):
            chosen = kept
    return chosen


def _gain_sd_db(hearing: Hearing, was: PairStance, proposed: PairStance) -> float:
    """Doubt of the gain: the model's, and what each figure given may be off by."""

    def gain_db(other: Hearing, by: dict[str, float]) -> float:
        before, after = spread_db(other, [moved(was, by), moved(proposed, by)])
        return SEEN_SHARE * float(before - after)

    plain = gain_db(hearing, {})
    changed = [gain_db(hearing, {"down_deg": AIM_OFF_DEG}) - plain]
    changed.append(gain_db(hearing, {"height_m": HEIGHT_OFF_M}) - plain)
    patterns = [box.pattern for box in hearing.pair]
    wider = tuple(
        replace(
            box,
            pattern=NominalPattern(
                min(pattern.coverage_h_deg * (1.0 + ANGLE_SHARE), 360.0),
                min(pattern.coverage_v_deg * (1.0 + ANGLE_SHARE), 360.0),
            ),
        )
        for box, pattern in zip(hearing.pair, patterns, strict=True)
        if isinstance(pattern, NominalPattern)
    )
    if len(wider) == len(patterns):
        changed.append(gain_db(replace(hearing, pair=wider), {}) - plain)
    if hearing.room.rt60_s is not None:
        drier = replace(hearing.room, rt60_s=hearing.room.rt60_s * (1.0 - DECAY_SHARE))
        changed.append(gain_db(replace(hearing, room=drier), {}) - plain)
    return float(np.sqrt(MODEL_DB**2 + np.square(changed).sum()))


def best_stance(
    pair: Sequence[Placed],
    seats: Seats,
    room: Room,
    *,
    limits: Limits | None = None,
    room_db: float = USUAL_ROOM_DB,
) -> PairProposal:
    """How a pair (or one loudspeaker) should stand for the seats to hear most alike.

    Parameters
    ----------
    pair : sequence of Placed
        Fed the same, mirrored about a middle line; one alone is not turned.
    limits : Limits, optional
        Aim alone without.
    room_db : float
        How much louder the room answers than forecast, where takes tell it.

    Raises
    ------
    InputError
        The setting cannot be built, or a limit is none.

    Notes
    -----
    The axis is aimed neither over the last row's heads nor short of the middle of the audience
    (a box that points shorter already may be kept or flattened), the last row stays within the
    -6 dB coverage, loudspeakers are not lowered, and 0.3 m stay free below the ceiling. A move that
    gains less than 0.5 dB is not proposed, unless the horns stand no higher than the heads and
    could, the last row is outside the coverage now, or the axes point past the outer seats.
    """
    limits = Limits() if limits is None else limits
    _check_limits(limits)
    check_places(pair, seats, room)
    hearing = hearing_of(pair, seats, room, room_db=room_db)
    present = stance_of(pair, hearing.middle_m)
    search = Search(hearing, present, limits, seats)
    search.look([present])
    doable, best_db = searched(search)
    chosen = _chosen(search, doable, hearing) if doable else present
    alone = {
        name: replace(present, **{name: getattr(chosen, name)})
        for name in NAMES
        if getattr(chosen, name) != getattr(present, name)
    }
    spill_db, was_spill_db = by_place([chosen, present], hearing.spill_db).tolist()
    clarity_db, was_clarity_db = by_place([chosen, present], hearing.clarity_db).tolist()
    was_db, proposed_db, *alone_db = spread_db(hearing, [present, chosen, *alone.values()])
    return PairProposal(
        was=present,
        proposed=chosen,
        pair=place_pair(pair, chosen, hearing.middle_m),
        was_db=float(was_db),
        proposed_db=float(proposed_db),
        best_db=float(best_db) if doable else float(was_db),
        alone_db=dict(zip(alone, map(float, alone_db), strict=True)),
        gain_sd_db=_gain_sd_db(hearing, present, chosen) if alone else 0.0,
        front_minus_back_db=_front_minus_back_db(hearing, chosen, seats),
        was_front_minus_back_db=_front_minus_back_db(hearing, present, seats),
        spill_db=spill_db,
        was_spill_db=was_spill_db,
        clarity_db=clarity_db,
        was_clarity_db=was_clarity_db,
        must=_must(search) if alone else "",
    )


def _must(search: Search) -> Literal["", "heads", "aim"]:
    if search.behind_heads(search.present):
        return "heads"
    return "" if search.present in search.tried else "aim"


def _front_minus_back_db(hearing: Hearing, stance: PairStance, seats: Seats) -> float:
    aim = np.array([stance.down_deg]), np.array([stance.inwards_deg])
    rows_db = hearing.mid_db(stance, *aim)[0].reshape(seats.shape).mean(axis=1)
    return float(rows_db[0] - rows_db[-1])


def _check_limits(limits: Limits) -> None:
    faults = []
    if limits.max_height_m is not None and not limits.max_height_m >= 0.0:
        faults.append(
            f"max_height_m = {limits.max_height_m:g} is not a height. "
            "Give metres above the audience floor, or leave it out."
        )
    for name in NAMES[1:]:
        given = getattr(limits, name)
        if given is not None and not given[0] <= given[1]:
            faults.append(
                f"{name} from {given[0]:g} to {given[1]:g} leaves nothing. Give the lower first."
            )
    if faults:
        raise InputError(*faults)
