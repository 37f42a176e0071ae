"""What a card does to the level at the amplifiers, and how to make up for it. See `headroom()`.

Worked out for pink noise, as much in each third octave: speech and music have less treble, so that
they lose more by a cut in the middle and gain less at the ends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, MID_BANDS, NOMINAL_HZ
from evenhall.hall.label import BOTH
from evenhall.verdict.card.estimate import Estimate
from evenhall.verdict.card.faders import Card
from evenhall.words import hz_text

__all__ = ["Headroom", "headroom"]

FloatArray = NDArray[np.float64]

LITTLE_DB = 0.5  # a level that nobody would make up for
HIGHEST_HZ = 11_000.0
MUCH_DB = 3.0  # twice the power into a driver


@dataclass(frozen=True, eq=False)
class Headroom:
    """The level behind the equalizer, against that without it.

    Parameters
    ----------
    side : str
        "both", or the side that has a card of its own.
    gain_db : ndarray, shape (31,)
        By band, nothing made up for.
    level_db : float
        Power mean over 200 Hz to 4 kHz.
    """

    side: str
    gain_db: FloatArray
    level_db: float

    @property
    def make_up_db(self) -> float:
        """What the level in front of the amplifiers is to be raised by, to be as loud as before."""
        return -self.level_db

    @property
    def most_band(self) -> int:
        """Band that the card leaves or makes loudest against the rest."""
        return int(self.gain_db.argmax())

    @property
    def most_db(self) -> float:
        """How much more the amplifiers get in that band once the level is made up for."""
        return float(self.gain_db[self.most_band] + self.make_up_db)

    @property
    def text(self) -> str:
        """Say it in a sentence or two."""
        where = "" if self.side == BOTH else f" of {self.side}"
        if abs(self.make_up_db) < LITTLE_DB:
            text = f"The card{where} leaves the level as it is."
        else:
            size_db = abs(self.make_up_db)
            text = (
                f"The card{where} costs {size_db:.1f} dB: make it up at the EQ's output or at the "
                "boxes."
                if self.make_up_db > 0
                else f"The card{where} adds {size_db:.1f} dB: pull the EQ's output or the boxes "
                "down by that."
            )
        if self.most_db >= LITTLE_DB:
            name = hz_text(float(NOMINAL_HZ[self.most_band]))
            text += f" At {name} the amps then get {self.most_db:.1f} dB more than without the card"
            text += ": watch the limit lights." if self.most_db >= MUCH_DB else "."
        return text


def headroom(card: Card, area: Estimate) -> tuple[Headroom, ...]:
    """Tell what each card does to the level.

    Parameters
    ----------
    area : Estimate
        Judged are its bands up to 10 kHz: what lies outside hardly drives an amplifier.
    """
    found = []
    for side in card.solutions:
        card_db = card.gain_db(side)
        mid_db = 10.0 * np.log10(np.mean(10.0 ** (card_db[MID_BANDS] / 10.0)))
        inside = area.in_range & (EXACT_HZ < HIGHEST_HZ)
        gain_db = np.where(inside, card_db, np.minimum(card_db, mid_db))
        found.append(Headroom(side, gain_db, float(mid_db)))
    return tuple(found)
