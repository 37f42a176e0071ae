"""How the mains should stand, and whether that is worth the hands. Start at `stand()`.

The stance is that of `hall.best_stance()`, for a room that answers as loudly as the takes have it.
What it changes from front to back is forecast for the very spots that were measured, and corrected
by their takes. Where the takes part from any hall, that is to be looked at before anything is
moved: the move would be computed from a stage that is not there.

A tilt or a turn takes one person: it must gain the seats more than its doubt. A climb takes two and
a ladder: it must also gain 1.5 dB from front to back beyond its doubt. Front minus back alone would
not do: the front spot stands before one box and gains most by a climb, the seats at times nothing.
Seats alone would not do either: what they gain is small against its doubt (`bench/hall.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.level import front_minus_back_db, mid_mean_db
from evenhall.hall.pair import USUAL_ROOM_DB, PairProposal, best_stance
from evenhall.hall.rows import RowsHeard, rows_heard
from evenhall.hall.search import Limits
from evenhall.hall.seats import Placed, Seats, usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room, check_setting
from evenhall.hall.stance_words import height_question, reason_text
from evenhall.hall.stances import Hearing, PairStance
from evenhall.verdict.move import Stage
from evenhall.verdict.stance.fit import fits_of
from evenhall.verdict.stance.fitted_hall import MODEL_DB, Fitted, corrected_move
from evenhall.verdict.take import SpotResponse

__all__ = ["Stood", "stand"]

CLIMB_DB = 1.5  # front minus back, beyond its doubt: less is not worth two people and a ladder
STANDS_REACH_M = 3.0  # asked for, never proposed, where nobody said; common practice, no source
# A box that is not what or where it was said to be: no move can be computed for it.
OF_THE_BOX = ("dull", "aim")


@dataclass(frozen=True, eq=False)
class Stood:
    """How the mains should stand.

    Parameters
    ----------
    found : PairProposal
        As they stand where nothing is worth the hands.
    seats : Seats
        That it was found for.
    was_db : float
        Front minus back as forecast, of one loudspeaker, mean of 200 Hz to 4 kHz.
    change_db, sd_db : float
        What the move changes of it, and the standard deviation; 0 where nothing is moved.
    checks : tuple of str
        What to look at first.
    doubted : bool
        A box is not what or where it was said to be: nothing is moved, and nothing added.
    ask : str
        For the height that the stands allow; empty where it is known, or would bring no climb.
    ask_db : float
        What the seats would gain by that.
    """

    found: PairProposal
    seats: Seats
    was_db: float
    change_db: float
    sd_db: float
    rows_heard: RowsHeard
    checks: tuple[str, ...]
    doubted: bool
    ask: str = ""
    ask_db: float = 0.0

    @property
    def moves(self) -> bool:
        """Whether anything is to be moved."""
        return self.found.proposed != self.found.was

    @property
    def reason(self) -> str:
        """Why it is worth the hands."""
        text = reason_text(self.found, self.seats)
        if not self.found.raised or self.found.must == "heads":
            return text
        return (
            f"{text} Front to back gains {-self.change_db:.1f} dB, give or take "
            f"{2 * self.sd_db:.1f} dB: worth two people and a ladder."
        )


def stand(stage: Stage, mains: Sequence[SpotResponse], *, lone: bool) -> Stood:
    """Give the best stance that is worth the move.

    Parameters
    ----------
    stage : Stage
        With loudspeaker and audience.
    mains : sequence of SpotResponse
        Before the work; none, or those of the mains, which correct the forecast.
    lone : bool
        One loudspeaker instead of a pair.

    Raises
    ------
    InputError
        The figures do not fit together.
    """
    speaker, audience, room = stage.speaker, stage.audience, stage.known_room
    if speaker is None or audience is None:
        raise InputError("Give the height of the boxes, and both rows of the audience.")
    check_setting(speaker, room, audience)
    late = _late(mains, speaker, room, audience)
    if late:
        mains = [replace(spot, distance_m=None) for spot in mains]
    fits = fits_of(mains, speaker, room, audience)
    found_checks = [check for fit in fits for check in fit.checks]
    checks = tuple(filter(None, (*(check.text for check in found_checks), late)))
    rows = _measured_rows(mains, speaker, room, audience)
    room_db = _room_answers_db(fits)
    doubted = any(check.kind in OF_THE_BOX for check in found_checks)

    def best(highest_m: float | None) -> PairProposal:
        return _searched(speaker, room, audience, highest_m, lone, room_db)[2]

    placed, seats, aimed = _searched(speaker, room, audience, None, lone, room_db)

    def change(found: PairProposal) -> tuple[float, float]:
        return _change(found, placed[0], speaker, room, rows, fits)

    def climb_pays(found: PairProposal) -> bool:
        change_db, sd_db = change(found)
        gains = found.sure and -change_db - sd_db >= CLIMB_DB
        return found.raised and (found.must == "heads" or gains)

    ask, ask_db = "", 0.0
    chosen = aimed if aimed.must or aimed.sure else aimed.kept(placed)
    if not doubted:
        known = stage.max_height_m is not None
        higher = best(stage.max_height_m if known else STANDS_REACH_M)
        if climb_pays(higher) and known:
            chosen = higher
        elif climb_pays(higher):
            ask, ask_db = height_question(higher, seats), higher.gain_db
    else:
        chosen = aimed.kept(placed)
    stays = chosen.proposed == chosen.was
    change_db, sd_db = (0.0, 0.0) if stays else change(chosen)
    return Stood(
        chosen,
        seats,
        float(mid_mean_db(front_minus_back_db(speaker, room, rows))),
        change_db,
        sd_db,
        rows_heard(placed, None if stays else chosen.pair, seats, room, room_db=room_db),
        checks,
        doubted,
        ask,
        ask_db,
    )


@lru_cache(maxsize=32)  # asked again with every take that joins a visit
def _searched(
    speaker: Loudspeaker,
    room: Room,
    audience: Audience,
    highest_m: float | None,
    lone: bool,
    room_db: float,
) -> tuple[tuple[Placed, ...], Seats, PairProposal]:
    pair = usual_pair(speaker, room, audience)
    placed: tuple[Placed, ...] = pair[:1] if lone else pair
    seats = usual_seats(audience, room, behind_m=pair[0].along_m)
    limits = Limits(max_height_m=highest_m)
    return placed, seats, best_stance(placed, seats, room, limits=limits, room_db=room_db)


def _room_answers_db(fits: Sequence[Fitted]) -> float:
    """How much louder the room answers than forecast; as rooms usually do where no take tells.

    In halves of a decibel: it is not known better, and the search need not be run for less.
    """
    if not fits:
        return USUAL_ROOM_DB
    return round(2.0 * float(np.mean([fit.room_db for fit in fits]))) / 2.0


def _on_floor_m(slant_m: float, speaker: Loudspeaker, ear_height_m: float) -> float:
    drop_m = speaker.height_m - ear_height_m
    return float(np.sqrt(max(slant_m**2 - drop_m**2, 0.01)))


def _late(
    mains: Sequence[SpotResponse], speaker: Loudspeaker, room: Room, audience: Audience
) -> str:
    """Doubt distances that no room of this size holds."""
    far_m = max((spot.distance_m or 0.0 for spot in mains), default=0.0)
    if room.length_m is None:
        return ""
    most_m = math.hypot(room.length_m, room.width_m or room.length_m)
    if _on_floor_m(far_m, speaker, audience.ear_height_m) <= most_m:
        return ""
    return (
        f"Give distance_m of each take, or correct the length of the room: going by the takes, the "
        f"farthest spot is {far_m:.1f} m from its box, in a room {room.length_m:g} m long. Either "
        "the length is wrong, or a digital mixer or a processor delays the sound. Meanwhile rows "
        "and height are forecast without the takes."
    )


def _measured_rows(
    mains: Sequence[SpotResponse], speaker: Loudspeaker, room: Room, audience: Audience
) -> Audience:
    """Front and back as they were measured, where distances are known."""
    known = [spot.distance_m for spot in mains if spot.distance_m]
    if len(known) < 2 or max(known) <= min(known):
        return audience
    first_m, last_m = (
        # A spot aside may be farther than the room is long; rows are told along it.
        min(_on_floor_m(slant_m, speaker, audience.ear_height_m), room.length_m or math.inf)
        for slant_m in (min(known), max(known))
    )
    rows = Audience(first_m, last_m, audience.ear_height_m)
    try:
        check_setting(speaker, room, rows)
    except InputError:
        return audience  # mistyped, or no distances of this hall
    return rows


def _change(
    found: PairProposal,
    box: Placed,
    speaker: Loudspeaker,
    room: Room,
    rows: Audience,
    fits: Sequence[Fitted],
) -> tuple[float, float]:
    """Change of front minus back of one loudspeaker at the measured rows, and its doubt, in dB.

    Of height and tilt as the takes correct it, of the turn as plainly forecast: they say nothing
    about what lies beside the axis.
    """
    was, then = found.was, found.proposed
    straight = replace(then, inwards_deg=was.inwards_deg)
    points = np.array(
        [
            [box.along_m + row_m, box.across_m, rows.ear_height_m]
            for row_m in (rows.first_row_m, rows.last_row_m)
        ]
    )
    hearing = Hearing((box,), points, room, middle_m=box.across_m + was.aside_m)

    def plain_db(stance: PairStance) -> float:
        aim = np.array([stance.down_deg]), np.array([stance.inwards_deg])
        level_db = hearing.mid_db(stance, *aim)[0]
        return float(level_db[0] - level_db[1])

    turned_db = plain_db(then) - plain_db(straight)
    if not fits:
        return plain_db(then) - plain_db(was), MODEL_DB
    moved = replace(speaker, height_m=then.height_m, down_deg=then.down_deg)
    each = [corrected_move(fit, speaker, moved, room, rows) for fit in fits]
    change_db = float(np.mean([move.change_db for move in each]))
    sd_db = float(np.sqrt(np.mean([move.change_sd_db**2 for move in each])))
    return change_db + turned_db, sd_db
