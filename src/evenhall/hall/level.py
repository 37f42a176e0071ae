"""What each row hears of one loudspeaker: direct sound, and the room's answer to it.

level_by_row()          direct, reverberant and together, a row and a band at a time
front_minus_back_db()   first row less last row, by band
mid_mean_db()           the mean over 200 Hz to 4 kHz that evenness and moves are stated in
level_parts()           direct and reverberant over arrays of heights and tilts

Everything is in dB re the direct sound on axis at 1 m. Direct: inverse square along the slant
distance, nominal coverage, air. Reverberant, where size and reverberation time are known: the
revised theory of Barron and Lee (JASA 84 (1988) 618), a diffuse field that falls with distance
because late sound has had that much longer to decay; so the last row gets up to 2 dB less than
from a level diffuse field. No single reflection, no balcony, no heads in the way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.bands import EXACT_HZ, MID_BANDS, MID_HZ
from evenhall.hall.setting import Audience, Loudspeaker, Room, check_setting
from evenhall.words import hz_listed

__all__ = [
    "EVEN_WITHIN_DB",
    "MID_TEXT",
    "RowLevels",
    "critical_distance_m",
    "front_minus_back_db",
    "level_by_row",
    "level_parts",
    "mid_mean_db",
    "reverberant_power",
]

FloatArray = NDArray[np.float64]

MID_TEXT = hz_listed(MID_HZ, "to")
EVEN_WITHIN_DB = 6.0  # back within 6 dB of front at any frequency; common practice, no source

# A decay of 60 dB as an exponent of energy: 6 ln 10, which some round to 13.8.
_DECAY = 6.0 * np.log(10.0)


@dataclass(frozen=True)
class RowLevels:
    """Levels at ear height down the middle of the coverage, dB re direct sound at 1 m on axis.

    Parameters
    ----------
    row_m, distance_m : ndarray, shape (n_rows,)
        Along the floor, and from the loudspeaker to the ears.
    direct_db, total_db : ndarray, shape (n_rows, 31)
    reverberant_db : ndarray, shape (n_rows, 31), or None
        None where the room's size or reverberation time is not known; total is then direct.
    """

    row_m: FloatArray
    distance_m: FloatArray
    direct_db: FloatArray
    reverberant_db: FloatArray | None
    total_db: FloatArray


def mid_mean_db(level_db: FloatArray) -> FloatArray:
    """Mean in dB over the bands from 200 Hz to 4 kHz; the 31 bands are the last axis."""
    return np.asarray(level_db[..., MID_BANDS].mean(axis=-1))


def critical_distance_m(
    q: ArrayLike, *, volume_m3: float, rt60_s: ArrayLike, speed_m_s: float
) -> FloatArray:
    """Where direct sound on axis equals the reverberant field of plain diffuse theory.

    Parameters
    ----------
    q : array_like
        Directivity factor.
    volume_m3, rt60_s, speed_m_s : float
        Of the room and its air.

    References
    ----------
    r = sqrt(Q A / (16 pi)) with Sabine's A = 24 ln(10) V / (c T); Kuttruff, *Room Acoustics*,
    gives it as 0.057 sqrt(Q V / T).

    Examples
    --------
    >>> critical_distance_m(10.0, volume_m3=810.0, rt60_s=0.9, speed_m_s=343.2).round(2).item()
    5.37
    """
    absorption_m2 = 4.0 * _DECAY * volume_m3 / (speed_m_s * np.asarray(rt60_s, dtype=np.float64))
    return np.asarray(np.sqrt(np.asarray(q) * absorption_m2 / (16.0 * np.pi)), dtype=np.float64)


def reverberant_power(
    distance_m: ArrayLike,
    q: ArrayLike,
    *,
    volume_m3: float,
    rt60_s: ArrayLike,
    speed_m_s: float,
) -> FloatArray:
    """Power of the reverberant field, as a ratio to the direct sound at 1 m on axis.

    Parameters
    ----------
    distance_m : array_like, shape (...)
        0 gives the diffuse field of plain theory.
    q, rt60_s : array_like, shape (n_bands,)

    Returns
    -------
    ndarray, shape (..., n_bands)

    References
    ----------
    Barron and Lee, JASA 84 (1988) 618, from memory: 31200 (T/V) exp(-0.04 r/T), re 10 m; the
    constants here are kept unrounded.
    """
    rt60 = np.asarray(rt60_s, dtype=np.float64)
    critical = critical_distance_m(q, volume_m3=volume_m3, rt60_s=rt60, speed_m_s=speed_m_s)
    distance = np.asarray(distance_m, dtype=np.float64)[..., None]
    return np.asarray(np.exp(-_DECAY * distance / (speed_m_s * rt60)) / critical**2)


def _slant(
    height_m: ArrayLike, row_m: ArrayLike, ear_height_m: float
) -> tuple[FloatArray, FloatArray]:
    """Distance from loudspeaker to ears, and how far below the horizontal they lie, degrees."""
    drop = np.asarray(height_m, dtype=np.float64) - ear_height_m
    row = np.asarray(row_m, dtype=np.float64)
    return np.hypot(drop, row), np.degrees(np.arctan2(drop, row))


def level_parts(
    speaker: Loudspeaker,
    room: Room,
    *,
    height_m: ArrayLike,
    down_deg: ArrayLike,
    row_m: ArrayLike,
    ear_height_m: float,
) -> tuple[FloatArray, FloatArray | None]:
    """Give direct level in dB, and reverberant power, for `speaker` at other heights and tilts.

    Parameters
    ----------
    speaker, room : Loudspeaker, Room
        The speaker's own height and tilt are not looked at.
    height_m, down_deg, row_m : array_like, shapes that broadcast to (...)

    Returns
    -------
    direct_db : ndarray, shape (..., 31)
        dB re direct sound at 1 m on axis.
    reverberant : ndarray, shape (..., 31), or None
        As a ratio to it; None where the room's size or reverberation time is not known.
    """
    distance, below_deg = _slant(height_m, row_m, ear_height_m)
    off_axis = speaker.pattern.off_axis_db(
        0.0, below_deg - np.asarray(down_deg, dtype=np.float64), freq_hz=EXACT_HZ
    )
    spreading = -20.0 * np.log10(distance)[..., None]
    # The level at 1 m has had its metre of air already.
    air = room.air_db_per_m(EXACT_HZ) * (distance[..., None] - 1.0)
    direct = np.asarray(spreading + off_axis - air)
    decay_s = room.decay_s(EXACT_HZ)
    if room.volume_m3 is None or decay_s is None:
        return direct, None
    return direct, reverberant_power(
        distance,
        speaker.pattern.directivity_q(EXACT_HZ),
        volume_m3=room.volume_m3,
        rt60_s=decay_s,
        speed_m_s=room.speed_m_s,
    )


def level_by_row(
    speaker: Loudspeaker, room: Room, audience: Audience, *, row_m: ArrayLike | None = None
) -> RowLevels:
    """Forecast what each row hears of `speaker` as it stands, first and last without `row_m`.

    Raises
    ------
    InputError
        The setting cannot be built.
    """
    check_setting(speaker, room, audience)
    ends = (audience.first_row_m, audience.last_row_m)
    rows = np.asarray(ends if row_m is None else row_m, dtype=np.float64)
    direct, power = level_parts(
        speaker,
        room,
        height_m=speaker.height_m,
        down_deg=speaker.down_deg,
        row_m=rows,
        ear_height_m=audience.ear_height_m,
    )
    total = direct if power is None else 10.0 * np.log10(10.0 ** (direct / 10.0) + power)
    return RowLevels(
        row_m=rows,
        distance_m=_slant(speaker.height_m, rows, audience.ear_height_m)[0],
        direct_db=direct,
        reverberant_db=None if power is None else np.asarray(10.0 * np.log10(power)),
        total_db=np.asarray(total),
    )


def front_minus_back_db(speaker: Loudspeaker, room: Room, audience: Audience) -> FloatArray:
    """First row less last row, dB in each of the 31 third-octave bands.

    Raises
    ------
    InputError
        The setting cannot be built.

    Examples
    --------
    In the open, bass is not aimed: what distance does is all there is.

    >>> hall = front_minus_back_db(Loudspeaker(1.8), Room(), Audience(2.0, 14.0))
    >>> round(float(hall[0]), 1)
    16.5
    """
    first_db, last_db = level_by_row(speaker, room, audience).total_db
    return np.asarray(first_db - last_db)
