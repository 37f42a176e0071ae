"""What floor, walls and ceiling take of the sound, and how long the room then rings.

Surfaces          absorption of the six, by band
even_surfaces()   all alike, as a known reverberation time asks for
decay_s()         the reverberation time that they give, after Sabine or Eyring
band_decay_s()    the time of each band from the one that is known for the mid-bands
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.air import air_absorption_db_per_m, speed_of_sound_m_s
from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ
from evenhall.errors import InputError
from evenhall.hall.setting import Room

__all__ = ["Surfaces", "band_decay_s", "decay_s", "even_surfaces", "usual_decay_s"]

FloatArray = NDArray[np.float64]

_DECAY = 6.0 * np.log(10.0)  # 60 dB as an exponent of energy
MOST_ABSORBED = 0.99


@dataclass(frozen=True, eq=False)
class Surfaces:
    """Share of the energy that each surface does not send back, by band.

    Parameters
    ----------
    absorption : ndarray, shape (6, 31)
        Wall behind the stage, wall at the far end, left wall, right wall, floor, ceiling.
    """

    absorption: FloatArray

    def __post_init__(self) -> None:
        """Refuse what is no absorption."""
        shape = self.absorption.shape
        if shape != (6, BAND_COUNT) or not ((self.absorption >= 0) & (self.absorption <= 1)).all():
            raise InputError(
                f"Absorption of shape {shape} or outside 0 to 1. Give 6 surfaces x {BAND_COUNT} "
                "bands, each 0 (sends all back) to 1 (an open window)."
            )


def _areas_m2(room: Room) -> FloatArray | None:
    if room.length_m is None or room.width_m is None or room.height_m is None:
        return None
    length, width, height = room.length_m, room.width_m, room.height_m
    return np.repeat([width * height, length * height, length * width], 2)


def _air_per_m(room: Room, freq_hz: FloatArray) -> FloatArray:
    """Energy attenuation of the air, 1/m."""
    db_per_m = air_absorption_db_per_m(
        freq_hz, temperature_c=room.temperature_c, humidity_pct=room.humidity_pct
    )
    return np.asarray(db_per_m * np.log(10.0) / 10.0)


def band_decay_s(room: Room) -> FloatArray | None:
    """Reverberation time by band, the air's part grown with frequency; None where not known.

    The mid-band time has the air of 1 kHz in it; treble decays faster by the air it has more.
    """
    if room.rt60_s is None:
        return None
    speed_m_s = speed_of_sound_m_s(room.temperature_c)
    more = _air_per_m(room, EXACT_HZ) - _air_per_m(room, np.array([1000.0]))
    return np.asarray(_DECAY / (_DECAY / room.rt60_s + speed_m_s * np.maximum(more, 0.0)))


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


def decay_s(
    room: Room, surfaces: Surfaces, *, method: Literal["sabine", "eyring"] = "eyring"
) -> FloatArray:
    """Reverberation time of an empty box with these surfaces, air included, shape (31,).

    Raises
    ------
    InputError
        A side of the room is not known.

    References
    ----------
    Sabine: T = 24 ln 10 / c * V / (A + 4 m V), A the sum of areas times absorption; Eyring puts
    -S ln(1 - mean absorption) for A. Kuttruff, *Room Acoustics*.
    """
    areas_m2, volume_m3 = _areas_m2(room), room.volume_m3
    if areas_m2 is None or volume_m3 is None:
        raise InputError("The room's size is not known. Give its length, width and height.")
    mean = areas_m2 @ surfaces.absorption / areas_m2.sum()
    taken = mean if method == "sabine" else -np.log1p(-np.minimum(mean, MOST_ABSORBED))
    absorbed_m2 = areas_m2.sum() * taken + 4.0 * _air_per_m(room, EXACT_HZ) * volume_m3
    speed_m_s = speed_of_sound_m_s(room.temperature_c)
    return np.asarray(4.0 * _DECAY * volume_m3 / (speed_m_s * np.maximum(absorbed_m2, 1e-9)))


def even_surfaces(room: Room) -> Surfaces | None:
    """Six surfaces alike, absorbing what the room's mid-band time asks for, after Eyring.

    None where the size or the time is not known.
    """
    areas_m2, volume_m3 = _areas_m2(room), room.volume_m3
    if areas_m2 is None or volume_m3 is None or room.rt60_s is None:
        return None
    lost = 4.0 * _DECAY / (speed_of_sound_m_s(room.temperature_c) * room.rt60_s)
    by_air = 4.0 * float(_air_per_m(room, np.array([1000.0]))[0])
    exponent = max(lost - by_air, 0.0) * volume_m3 / areas_m2.sum()
    return Surfaces(np.full((6, BAND_COUNT), min(1.0 - np.exp(-exponent), MOST_ABSORBED)))
