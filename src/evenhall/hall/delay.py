"""When and how loud a delay loudspeaker plays, so that the stage stays the source.

A listener hears a sound from where it arrives first, even if a copy that follows within some ten
milliseconds is louder (precedence effect). So the delay loudspeaker is made to arrive a little
after the mains in the area that it serves, and no more than 10 dB above them.

flight_s()      arrival from a distance
delay_time()    the delay to set, from the arrivals of both
delay_level()   the change of its level, from the levels of both and of the front

References
----------
H. Haas, Acustica 1 (1951) 49: an echo 5 to 30 ms late may be up to 10 dB louder than the first
sound before it is heard as loud as that. R. Y. Litovsky et al., J. Acoust. Soc. Am. 106 (1999)
1633, for the range of delays. Figures from memory. The 5 to 15 ms that are added are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenhall.acoustics.air import speed_of_sound_m_s
from evenhall.errors import InputError
from evenhall.hall.level import EVEN_WITHIN_DB

__all__ = [
    "AIM_LATE_S",
    "ECHO_S",
    "LEAST_LATE_S",
    "MOST_LOUDER_DB",
    "DelayLevel",
    "DelayTime",
    "delay_level",
    "delay_time",
    "flight_s",
]

LEAST_LATE_S, AIM_LATE_S, MOST_LATE_S = 0.005, 0.010, 0.015
ECHO_S = 0.030  # later than that, and loud, it is heard by itself (Haas, from memory)
MOST_LOUDER_DB = 10.0
AIM_BELOW_FRONT_DB = EVEN_WITHIN_DB / 2  # the rest is for what no two seats share


@dataclass(frozen=True)
class DelayTime:
    """When a delay loudspeaker plays.

    Parameters
    ----------
    delay_s : float
        To set, beyond what mains and delay loudspeaker have now.
    earliest_s, latest_s : float
        How long after the mains it then arrives, at the spots where that is least and most.
    """

    delay_s: float
    earliest_s: float
    latest_s: float

    @property
    def holds(self) -> bool:
        """Whether it arrives 5 to 15 ms after the mains at every spot."""
        late_s = (self.earliest_s, self.latest_s)
        return late_s[0] >= LEAST_LATE_S - 1e-6 and late_s[1] <= MOST_LATE_S + 1e-6


@dataclass(frozen=True)
class DelayLevel:
    """How loud a delay loudspeaker plays.

    Parameters
    ----------
    gain_db : float
        Change of its level.
    front_minus_back_db : float
        What the farthest spot then has less than the front.
    was_db : float
        The same with the mains alone.
    above_mains_db : float
        How far it then lies above the mains where that is most.
    limited : bool
        Whether the 10 dB above the mains keep it from being louder.
    """

    gain_db: float
    front_minus_back_db: float
    was_db: float
    above_mains_db: float
    limited: bool


def flight_s(distance_m: float, *, temperature_c: float) -> float:
    """How long sound takes for a distance.

    Examples
    --------
    >>> round(flight_s(3.432, temperature_c=20.0), 6)
    0.01
    """
    return distance_m / speed_of_sound_m_s(temperature_c)


def delay_time(mains_s: Sequence[float], delay_s: Sequence[float]) -> DelayTime:
    """Find the delay to set.

    Parameters
    ----------
    mains_s, delay_s : sequence of float
        First arrival of the mains and of the delay loudspeaker at the same spots of its area, on
        one time base.

    Raises
    ------
    InputError
        No spot, or not as many of one as of the other.

    Examples
    --------
    Mains 12 m away, delay loudspeaker 3 m: 26.2 ms of difference and 10 ms on top.

    >>> time = delay_time([12 / 343.2], [3 / 343.2])
    >>> round(1e3 * time.delay_s, 1), time.holds
    (36.2, True)
    """
    if not mains_s or len(mains_s) != len(delay_s):
        raise InputError(
            f"{len(mains_s)} arrivals of the mains and {len(delay_s)} of the delay loudspeaker. "
            "Give both at the same spots of its area, one at least."
        )
    ahead_s = np.asarray(mains_s, dtype=np.float64) - np.asarray(delay_s, dtype=np.float64)
    middle_s = (ahead_s.max() + ahead_s.min()) / 2.0
    # Where the area is too wide for 5 to 15 ms, the stage comes first: nowhere is it less than 5.
    set_s = max(middle_s + AIM_LATE_S, ahead_s.max() + LEAST_LATE_S, 0.0)
    return DelayTime(float(set_s), float(set_s - ahead_s.max()), float(set_s - ahead_s.min()))


def delay_level(
    mains_db: Sequence[float], delay_db: Sequence[float], *, front_db: float
) -> DelayLevel:
    """Find the level to set: the last spot 3 dB below the front, within 10 dB above the mains.

    Parameters
    ----------
    mains_db, delay_db : sequence of float
        Broad-band levels of both at the same spots of the area, front to back.
    front_db : float
        Of the mains at the front, on the same scale.

    Raises
    ------
    InputError
        No spot, or not as many of one as of the other.

    References
    ----------
    Sounds that come some milliseconds apart add by power over a broad band (closed form).

    Examples
    --------
    Mains 9 dB down at the back: to come within 3 dB the delay loudspeaker adds 4.7 dB over them.

    >>> level = delay_level([-9.0], [-9.0], front_db=0.0)
    >>> round(level.gain_db, 1), round(level.front_minus_back_db, 1), level.limited
    (4.7, 3.0, False)
    """
    if not mains_db or len(mains_db) != len(delay_db):
        raise InputError(
            f"{len(mains_db)} levels of the mains and {len(delay_db)} of the delay loudspeaker. "
            "Give both at the same spots of its area, one at least."
        )
    mains = np.asarray(mains_db, dtype=np.float64)
    delay = np.asarray(delay_db, dtype=np.float64)
    most_db = MOST_LOUDER_DB - float((delay - mains).max())
    missing = 10.0 ** ((front_db - AIM_BELOW_FRONT_DB) / 10.0) - 10.0 ** (mains[-1] / 10.0)
    # Where the mains already do, it is set to add no more than half a decibel: 9 dB below them.
    wanted_db = 10.0 * np.log10(max(missing, 10.0 ** ((mains[-1] - 9.1) / 10.0))) - delay[-1]
    gain_db = float(min(wanted_db, most_db))
    together = 10.0 * np.log10(10.0 ** (mains[-1] / 10.0) + 10.0 ** ((delay[-1] + gain_db) / 10.0))
    return DelayLevel(
        gain_db=gain_db,
        front_minus_back_db=float(front_db - together),
        was_db=float(front_db - mains[-1]),
        above_mains_db=float((delay - mains).max() + gain_db),
        limited=bool(wanted_db > most_db),
    )
