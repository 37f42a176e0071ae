"""The room, the people and the loudspeaker, as far as the forecast needs them.

Heights are above the audience floor; distances run along the floor from the point under the
loudspeaker, down the room. `check_setting()` refuses what cannot be built.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.air import air_absorption_db_per_m, speed_of_sound_m_s
from evenhall.errors import InputError
from evenhall.hall.pattern import NominalPattern, Pattern

__all__ = ["Audience", "Loudspeaker", "Room", "check_setting"]

FloatArray = NDArray[np.float64]

# Nearer than this no ear can be, and inverse square from a point says nothing there.
CLOSEST_M = 0.3
CEILING_GAP_M = 0.3  # from acoustic centre to ceiling: half a small box and its bracket


@dataclass(frozen=True)
class Room:
    """The hall and its air; None where a figure is not known.

    Parameters
    ----------
    length_m, width_m, height_m : float or None
        Without all three, or without `rt60_s`, only direct sound is forecast.
    temperature_c, humidity_pct : float
        Of the air.
    rt60_s : float or None
        Reverberation time of the mid-bands, as heard with the audience in or as measured.
    """

    length_m: float | None = None
    width_m: float | None = None
    height_m: float | None = None
    temperature_c: float = 20.0
    humidity_pct: float = 50.0
    rt60_s: float | None = None

    @property
    def volume_m3(self) -> float | None:
        """Volume of the box, None where a side is not known."""
        if self.length_m is None or self.width_m is None or self.height_m is None:
            return None
        return self.length_m * self.width_m * self.height_m

    @property
    def speed_m_s(self) -> float:
        """Speed of sound in its air."""
        return speed_of_sound_m_s(self.temperature_c)

    def air_db_per_m(self, freq_hz: ArrayLike) -> FloatArray:
        """Attenuation by its air, of the shape of `freq_hz`."""
        return air_absorption_db_per_m(
            freq_hz, temperature_c=self.temperature_c, humidity_pct=self.humidity_pct
        )

    def decay_s(self, freq_hz: ArrayLike) -> FloatArray | None:
        """Reverberation time by frequency, from its one figure; None where it has none.

        The mid-band time has the air of 1 kHz in it; treble decays faster by the air it has more.
        """
        if self.rt60_s is None:
            return None
        more = np.maximum(self.air_db_per_m(freq_hz) - self.air_db_per_m(1000.0), 0.0)
        return np.asarray(60.0 / (60.0 / self.rt60_s + self.speed_m_s * more))


@dataclass(frozen=True)
class Audience:
    """Where people are: from the first row to the last, all ears at one height."""

    first_row_m: float
    last_row_m: float
    ear_height_m: float = 1.2


@dataclass(frozen=True)
class Loudspeaker:
    """Where one side hangs or stands, where it looks, and its nominal coverage.

    Parameters
    ----------
    height_m : float
        Of the acoustic centre.
    down_deg : float
        Downward tilt, positive towards the floor.
    coverage_h_deg, coverage_v_deg : float
        Full nominal angles between the -6 dB directions.
    inwards_deg : float
        Turn towards the middle line of the hall; one that stands on it is not turned.
    apart_m, from_wall_m : float or None
        Between the two of a pair, and from the wall behind them; where they usually stand
        where not known.
    measured : Pattern or None
        Polar data of the very box, where there are any.
    """

    height_m: float
    down_deg: float = 0.0
    coverage_h_deg: float = 90.0
    coverage_v_deg: float = 60.0
    inwards_deg: float = 0.0
    apart_m: float | None = None
    from_wall_m: float | None = None
    measured: Pattern | None = None

    @property
    def pattern(self) -> Pattern:
        """What it sends where: as measured, else after its nominal angles."""
        return self.measured or NominalPattern(self.coverage_h_deg, self.coverage_v_deg)


def check_setting(speaker: Loudspeaker, room: Room, audience: Audience) -> None:
    """Refuse what cannot be built, one line a fault.

    Raises
    ------
    InputError
        A size that is none, a row behind the loudspeaker or past the end of the room, a
        loudspeaker or ear above the ceiling, an ear at the loudspeaker's grille.
    """
    # Written as "not inside", so that NaN is a fault too.
    faults = [
        f"Room {name} = {value:g} is not a size. Give more than 0, or leave it out."
        for name in ("length_m", "width_m", "height_m", "rt60_s")
        if (value := getattr(room, name)) is not None and not 0.0 < value < 1e4
    ]
    faults += [
        f"Loudspeaker {name} = {value:g} is not a coverage angle. Give more than 0 to 360 degrees."
        for name in ("coverage_h_deg", "coverage_v_deg")
        if not 0.0 < (value := getattr(speaker, name)) <= 360.0
    ]
    if not -90.0 <= speaker.down_deg <= 90.0:
        faults.append(
            f"Loudspeaker down_deg = {speaker.down_deg:g} is not a tilt. "
            "Give -90 to 90 degrees, positive towards the floor."
        )
    if not -90.0 <= speaker.inwards_deg <= 90.0:
        faults.append(
            f"Loudspeaker inwards_deg = {speaker.inwards_deg:g} is not a turn. "
            "Give -90 to 90 degrees, positive towards the middle of the hall."
        )
    for name, value, size_m, side in (
        ("apart_m", speaker.apart_m, room.width_m, "width_m"),
        ("from_wall_m", speaker.from_wall_m, room.length_m, "length_m"),
    ):
        if value is not None and not 0.0 <= value < (size_m or 1e4):
            within = "" if size_m is None else f" (room {side} = {size_m:g})"
            faults.append(
                f"Loudspeaker {name} = {value:g} does not lie in the room{within}. "
                "Measure along the floor, or leave it out."
            )
    for whose, name, value in (
        ("Loudspeaker", "height_m", speaker.height_m),
        ("Audience", "ear_height_m", audience.ear_height_m),
    ):
        if not 0.0 <= value < 1e4:
            faults.append(
                f"{whose} {name} = {value:g} is not a height. Give metres above the audience floor."
            )
        elif room.height_m is not None and value >= room.height_m > 0.0:
            faults.append(
                f"{whose} {name} = {value:g} is not below the ceiling "
                f"(room height_m = {room.height_m:g}). Measure both from the audience floor."
            )
    first_m, last_m = audience.first_row_m, audience.last_row_m
    if not first_m >= 0.0:
        faults.append(
            f"Audience first_row_m = {first_m:g} is behind the loudspeaker. "
            "Give the distance in front of it along the floor, 0 or more."
        )
    if not first_m < last_m < 1e4:
        faults.append(
            f"Audience last_row_m = {last_m:g} is not behind first_row_m = {first_m:g}. "
            "Give the farther row as the last."
        )
    elif room.length_m is not None and last_m > room.length_m > 0.0:
        faults.append(
            f"Audience last_row_m = {last_m:g} is past the end of the room "
            f"(length_m = {room.length_m:g}). Measure both along the floor."
        )
    if not faults and first_m**2 + (speaker.height_m - audience.ear_height_m) ** 2 < CLOSEST_M**2:
        faults.append(
            f"Audience first_row_m = {first_m:g} puts an ear within {CLOSEST_M:g} m of the "
            "loudspeaker. Give where the nearest listener really is."
        )
    if faults:
        raise InputError(*faults)
