"""What floor, walls and ceiling take of the sound, and how long the room should then ring.

even_absorption()   all alike, as a known reverberation time asks for
usual_decay_s()     the time that a hall for speech should have
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT
from evenhall.hall.setting import Room

__all__ = ["even_absorption", "usual_decay_s"]

FloatArray = NDArray[np.float64]

_DECAY = 6.0 * np.log(10.0)  # 60 dB as an exponent of energy
MOST_ABSORBED = 0.99


def usual_decay_s(volume_m3: float) -> float:
    """Reverberation time that a hall for speech should have, where nothing better is known, in s.

    References
    ----------
    DIN 18041:2016, room group A2 (speech), from memory: 0.37 lg V - 0.14, V in cubic metres, from
    30 to 5000. Many halls ring longer.

    Examples
    --------
    >>> round(usual_decay_s(600.0), 2)
    0.89
    """
    volume = min(max(volume_m3, 30.0), 5000.0)
    return float(0.37 * np.log10(volume) - 0.14)


def even_absorption(room: Room) -> FloatArray | None:
    """Absorption of six surfaces alike, shape (6, 31), as the room's mid-band time asks for.

    Wall behind the stage, wall at the far end, left wall, right wall, floor, ceiling. None where
    the size or the time is not known.

    References
    ----------
    Eyring: T = 24 ln 10 / c * V / (4 m V - S ln(1 - a)), m of the air. Kuttruff, *Room Acoustics*.
    """
    if room.length_m is None or room.width_m is None or room.height_m is None:
        return None
    if room.volume_m3 is None or room.rt60_s is None:
        return None
    length, width, height = room.length_m, room.width_m, room.height_m
    area_m2 = 2.0 * (width * height + length * height + length * width)
    lost = 4.0 * _DECAY / (room.speed_m_s * room.rt60_s)
    by_air = 4.0 * float(room.air_db_per_m(1000.0)) * np.log(10.0) / 10.0
    exponent = max(lost - by_air, 0.0) * room.volume_m3 / area_m2
    return np.full((6, BAND_COUNT), min(1.0 - np.exp(-exponent), MOST_ABSORBED))
