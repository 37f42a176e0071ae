"""What a ladder and a tilt would gain: the best height and aim for one loudspeaker.

Start at `best_height_and_aim()`. It tries every height and tilt that a person would set,
forecasts what nine rows hear, and takes the smallest move among those that are nearly as even
as the best. The figures say nothing about what a stand, bracket or ceiling can carry.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.errors import InputError
from evenhall.hall.coverage import HOLDS_ABOVE_HZ, NOMINAL_DB, off_axis_db
from evenhall.hall.level import MID_BANDS, total_level_db
from evenhall.hall.setting import Audience, Loudspeaker, Room, check_setting

__all__ = ["Proposal", "Reason", "Stance", "best_height_and_aim"]

FloatArray = NDArray[np.float64]

HEIGHT_STEP_M = 0.1
TILTS_DEG = np.arange(31.0)
CEILING_GAP_M = 0.3  # from acoustic centre to ceiling: half a small box and its bracket
ROW_COUNT = 9

# Less than this nobody hears, and the forecast is no better: not worth a move, nor a larger one.
WORTH_DB = 0.5
# A degree is a turn of the bracket, a metre a job with the ladder; common practice, no source.
METRE_IN_DEG = 30.0
# Half the step of the tilt: the axis may pass this far over the last row's ears.
AIM_SLACK_DEG = 0.5


@dataclass(frozen=True)
class Stance:
    """A height and tilt, and what follows from them.

    Parameters
    ----------
    height_m, down_deg : float
    front_minus_back_db : float
        First row less last row, mean of 200 Hz to 4 kHz.
    spread_db : float
        Loudest less softest of nine rows, same mean.
    distance_ratio : float
        Last row's distance over the first row's.
    front_off_axis_db, back_off_axis_db : float
        Loss of treble off axis at the first and the last row, 0 or less.
    """

    height_m: float
    down_deg: float
    front_minus_back_db: float
    spread_db: float
    distance_ratio: float
    front_off_axis_db: float
    back_off_axis_db: float


@dataclass(frozen=True)
class Reason:
    """Why the proposal is more even: the present stance beside the proposed one."""

    was: Stance
    proposed: Stance


@dataclass(frozen=True)
class Proposal:
    """Where to put the loudspeaker; its present place where no move is worth it.

    Parameters
    ----------
    height_m, down_deg : float
    front_minus_back_db, was_db : float
        Forecast for the proposed and the present stance, mean of 200 Hz to 4 kHz.
    raise_only_db, aim_only_db : float
        The same with only the height, or only the tilt, changed as proposed.
    why : Reason
    """

    height_m: float
    down_deg: float
    front_minus_back_db: float
    was_db: float
    raise_only_db: float
    aim_only_db: float
    why: Reason


def _rows_db(
    speaker: Loudspeaker, room: Room, audience: Audience, height_m: FloatArray, down_deg: FloatArray
) -> FloatArray:
    """Mean level of 200 Hz to 4 kHz, rows last."""
    level_db = total_level_db(
        speaker,
        room,
        height_m=height_m[..., None],
        down_deg=down_deg[..., None],
        row_m=np.linspace(audience.first_row_m, audience.last_row_m, ROW_COUNT),
        ear_height_m=audience.ear_height_m,
        freq_hz=EXACT_HZ[MID_BANDS],
    )
    return np.asarray(level_db.mean(axis=-1))


def _spread_db(rows_db: FloatArray) -> FloatArray:
    return np.asarray(rows_db.max(axis=-1) - rows_db.min(axis=-1))


def _treble_loss_db(
    speaker: Loudspeaker,
    audience: Audience,
    row_m: float,
    height_m: FloatArray,
    down_deg: FloatArray,
) -> FloatArray:
    below_deg = np.degrees(np.arctan2(height_m - audience.ear_height_m, row_m))
    return off_axis_db(
        0.0,
        below_deg - down_deg,
        freq_hz=[HOLDS_ABOVE_HZ],
        coverage_h_deg=speaker.coverage_h_deg,
        coverage_v_deg=speaker.coverage_v_deg,
    )[..., 0]


def _stance(speaker: Loudspeaker, room: Room, audience: Audience) -> Stance:
    height, down = np.array(speaker.height_m), np.array(speaker.down_deg)
    rows_db = _rows_db(speaker, room, audience, height, down)
    drop_m = speaker.height_m - audience.ear_height_m
    first_m, last_m = audience.first_row_m, audience.last_row_m
    return Stance(
        height_m=speaker.height_m,
        down_deg=speaker.down_deg,
        front_minus_back_db=float(rows_db[0] - rows_db[-1]),
        spread_db=float(_spread_db(rows_db)),
        distance_ratio=float(np.hypot(drop_m, last_m) / np.hypot(drop_m, first_m)),
        front_off_axis_db=float(_treble_loss_db(speaker, audience, first_m, height, down)),
        back_off_axis_db=float(_treble_loss_db(speaker, audience, last_m, height, down)),
    )


def _heights_m(present_m: float, room: Room, max_height_m: float | None) -> FloatArray:
    """List the present height and every whole step above it up to the limit; never lower."""
    limit_m = present_m if max_height_m is None else max_height_m
    if room.height_m is not None:
        limit_m = min(limit_m, room.height_m - CEILING_GAP_M)
    first = int(np.floor(present_m / HEIGHT_STEP_M + 1e-6)) + 1
    last = int(np.floor(limit_m / HEIGHT_STEP_M + 1e-6))
    return np.array([present_m, *(np.arange(first, last + 1) * HEIGHT_STEP_M).round(6)])


def _smallest_good_move(
    speaker: Loudspeaker, room: Room, audience: Audience, max_height_m: float | None
) -> Loudspeaker:
    heights = _heights_m(speaker.height_m, room, max_height_m)[:, None]
    tilts = np.union1d(TILTS_DEG, [speaker.down_deg])[None, :]
    spread_db = _spread_db(_rows_db(speaker, room, audience, heights, tilts))

    present = (heights == speaker.height_m) & (tilts == speaker.down_deg)
    # Aiming over the last row's heads would always look more even, as the front loses most by
    # it; but that sound comes back off the end wall. Common practice, no source.
    last_row_below_deg = np.degrees(
        np.arctan2(heights - audience.ear_height_m, audience.last_row_m)
    )
    aimed_at_people = tilts >= np.minimum(last_row_below_deg - AIM_SLACK_DEG, TILTS_DEG[-1])
    last_row_loss_db = _treble_loss_db(speaker, audience, audience.last_row_m, heights, tilts)
    allowed = (aimed_at_people | present) & (last_row_loss_db >= NOMINAL_DB)
    if not allowed.any():
        return speaker
    effort = (heights - speaker.height_m) * METRE_IN_DEG + np.abs(tilts - speaker.down_deg)
    enough_db = spread_db[allowed].min() + WORTH_DB
    if allowed[present]:
        enough_db = min(enough_db, spread_db[present].item() - WORTH_DB)
    good = allowed & (spread_db <= enough_db)
    if not good.any():
        return speaker
    row, column = np.unravel_index(np.where(good, effort, np.inf).argmin(), good.shape)
    return replace(speaker, height_m=float(heights[row, 0]), down_deg=float(tilts[0, column]))


def best_height_and_aim(
    speaker: Loudspeaker, room: Room, audience: Audience, *, max_height_m: float | None
) -> Proposal:
    """Where the rows hear most alike, by the smallest move that gets within 0.5 dB of it.

    Evenness is the spread of the mean of 200 Hz to 4 kHz over nine rows. Heights go up in
    steps of 0.1 m from the present one, tilts from 0 to 30 degrees by one. The axis is not
    aimed over the last row's heads, and the last row stays within the -6 dB coverage: raising
    evens out the level, aiming keeps the sound on the people. A move that gains less than
    0.5 dB is not proposed, unless the last row stands outside the coverage now.

    Parameters
    ----------
    speaker, room, audience : Loudspeaker, Room, Audience
        As they stand.
    max_height_m : float or None
        Stand or bracket goes no higher; None where not known: then only the aim is changed.
        Below the ceiling by 0.3 m in any case.

    Raises
    ------
    InputError
        The setting cannot be built, or `max_height_m` is no height.

    Examples
    --------
    >>> hall = Room(18.0, 10.0, 4.5, rt60_s=0.9)
    >>> move = best_height_and_aim(Loudspeaker(1.8), hall, Audience(2.0, 14.0), max_height_m=3.0)
    >>> move.height_m > 1.8 and move.front_minus_back_db < move.was_db
    True
    """
    check_setting(speaker, room, audience)
    if max_height_m is not None and not max_height_m >= 0.0:
        raise InputError(
            f"max_height_m = {max_height_m:g} is no height. "
            "Give metres above the audience floor, or leave it out."
        )
    moved = _smallest_good_move(speaker, room, audience, max_height_m)
    was, proposed = _stance(speaker, room, audience), _stance(moved, room, audience)
    raised = _stance(replace(speaker, height_m=moved.height_m), room, audience)
    aimed = _stance(replace(speaker, down_deg=moved.down_deg), room, audience)
    return Proposal(
        height_m=moved.height_m,
        down_deg=moved.down_deg,
        front_minus_back_db=proposed.front_minus_back_db,
        was_db=was.front_minus_back_db,
        raise_only_db=raised.front_minus_back_db,
        aim_only_db=aimed.front_minus_back_db,
        why=Reason(was=was, proposed=proposed),
    )
