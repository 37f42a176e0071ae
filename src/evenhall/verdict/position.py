"""What the places of the microphone make of left against right: `position_db()`.

Two boxes that are alike differ where the microphone stands nearer one of them, or more on its
axis. Where the stage is known that is forecast, direct and reverberant sound together; where it is
not, the distances alone say between what it must lie.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ
from evenhall.errors import InputError
from evenhall.hall.level import level_parts
from evenhall.hall.seats import Placed, directions, usual_pair
from evenhall.hall.setting import check_setting
from evenhall.verdict.move import Stage

__all__ = ["position_db"]

FloatArray = NDArray[np.float64]

# Two boxes that are alike differ by this at one spot each, wherever it is (simulated halls).
PLACE_SD_DB = 0.5
# Share of the forecast difference that the forecast is off by, one standard deviation: below 1 kHz
# a box is heard by the walls beside it as well (simulated halls: bench/boxes.py).
MODEL_SHARE = np.where(EXACT_HZ < 1050.0, 0.5, 0.25)


def position_db(
    left_m: float | None, right_m: float | None, stage: Stage
) -> tuple[FloatArray, FloatArray]:
    """Give left less right of two boxes that are alike, for one take of each.

    Parameters
    ----------
    left_m, right_m : float or None
        From each loudspeaker to the microphone; where the two and the width of the pair make a
        triangle, both are taken to be one place, else each to lie on its own loudspeaker's axis.

    Returns
    -------
    difference_db : ndarray, shape (31,)
    doubt_db : ndarray, shape (31,)
        How far the forecast may be off, one standard deviation, alike in all bands and at all
        spots; 0 where the distances are not known, which the spread between spots must then tell.
    """
    if left_m is None or right_m is None:
        return np.zeros(BAND_COUNT), np.zeros(BAND_COUNT)
    forecast = _forecast_db(left_m, right_m, stage)
    if forecast is not None:
        return forecast, MODEL_SHARE * np.abs(forecast)
    # Between nothing, deep in the room's sound, and the inverse square law.
    half_db = 10.0 * float(np.log10(right_m / left_m))
    return np.full(BAND_COUNT, half_db), np.full(BAND_COUNT, abs(half_db))


def _forecast_db(left_m: float, right_m: float, stage: Stage) -> FloatArray | None:
    room, speaker, audience = stage.known_room, stage.speaker, stage.audience
    if speaker is None or audience is None or room.volume_m3 is None:
        return None
    try:
        check_setting(speaker, room, audience)
    except InputError:
        return None  # the stance of the loudspeakers is judged from the same figures, and says so
    pair = usual_pair(speaker, room, audience)
    apart_m = pair[1].across_m - pair[0].across_m
    drop_m = speaker.height_m - audience.ear_height_m
    # Where both distances meet, from the middle line; on each axis where they do not.
    aside_m = (left_m**2 - right_m**2) / (2.0 * max(apart_m, 1e-3))
    met = left_m**2 - (aside_m + apart_m / 2.0) ** 2 > drop_m**2
    levels = []
    for box, metres, sign in zip(pair, (left_m, right_m), (1.0, -1.0), strict=True):
        across_m = aside_m + sign * apart_m / 2.0 if met else 0.0
        levels.append(_level_db(box, metres, across_m, drop_m, stage))
    return levels[0] - levels[1]


def _level_db(
    box: Placed, metres: float, across_m: float, drop_m: float, stage: Stage
) -> FloatArray:
    """Level of one box at a place so far from it, `across_m` to the right of it."""
    speaker, audience = stage.speaker, stage.audience
    assert speaker is not None
    assert audience is not None
    floor_m = float(np.sqrt(max(metres**2 - drop_m**2, 0.01)))
    ahead_m = float(np.sqrt(max(floor_m**2 - across_m**2, 0.01)))
    direct_db, room_power = level_parts(
        speaker,
        stage.known_room,
        height_m=speaker.height_m,
        down_deg=speaker.down_deg,
        row_m=floor_m,
        ear_height_m=audience.ear_height_m,
    )

    def off_axis_db(vector: tuple[float, float, float], turn_deg: float) -> FloatArray:
        across, down = directions(
            np.array([vector]), np.array([box.down_deg]), np.array([turn_deg])
        )
        return np.asarray(box.pattern.off_axis_db(across, down, freq_hz=EXACT_HZ)[0, 0])

    aside_db = off_axis_db((ahead_m, across_m, -drop_m), box.turn_deg)
    direct_db = direct_db + aside_db - off_axis_db((floor_m, 0.0, -drop_m), 0.0)
    power = 10.0 ** (direct_db / 10.0) + (0.0 if room_power is None else room_power)
    return np.asarray(10.0 * np.log10(power))
