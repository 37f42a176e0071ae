"""What to tell the hand on the faders: which one, how far from its place, which way.

Start at `guide()`. It compares where the faders stand (`equalizer/following.py`) with where the
card wants them. A fader stands once it is where it must be, surely, and is left alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.following import Followed
from evenhall.equalizer.graphic import fader_name

__all__ = ["AIR_WITHIN_DB", "CABLE_WITHIN_DB", "Guidance", "guide"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# As near as a fader must come: by a cable behind the unit, and by a microphone in the room.
CABLE_WITHIN_DB, AIR_WITHIN_DB = 0.5, 1.0
STILL_S = 0.6  # left alone for so long, the hand is off
# A fader is sure once the doubt (two standard deviations) is within the limit it must come to.
SIGMAS = 2.0
TOUCH_DB = 1.0

Way = Literal["up", "down", "there", "stands", "unsure", "done"]


@dataclass(frozen=True)
class Guidance:
    """What to show.

    Parameters
    ----------
    hz : float or None
        The fader to look at; None once all stand.
    now_db, wanted_db : float
        Where it is and where it must be; nan without a fader.
    uncertainty_db : float
        Two standard deviations of `now_db`.
    way : {"up", "down", "there", "stands", "unsure", "done"}
        "there" while it is in its place but not yet left alone, "unsure" where the sound does
        not tell yet.
    text : str
        "up 2.5", "a touch down", "hold it there" and so on.
    left_hz : tuple of float
        Faders that do not stand yet, low to high.
    unheard_hz : tuple of float
        Faders of the card that the sound cannot tell: set these by their scale.
    stray : tuple of str
        Faders off the card that were moved, as sentences.
    """

    hz: float | None
    now_db: float
    wanted_db: float
    uncertainty_db: float
    way: Way
    text: str
    left_hz: tuple[float, ...]
    unheard_hz: tuple[float, ...]
    stray: tuple[str, ...]


def guide(
    followed: Followed,
    wanted_db: FloatArray,
    *,
    within_db: float,
    doubt_db: FloatArray | None = None,
    goes_on: bool = True,
) -> Guidance:
    """Say which fader to look at, and what to do with it.

    It is the fader in hand until that one stands; then the next one that does not, upwards from
    it and round again. A fader that the card leaves at 0 is told of once it has been moved.

    Parameters
    ----------
    followed : Followed
    wanted_db : ndarray, shape (n_faders,)
        The card; 0 for faders that it leaves alone.
    within_db : float
        As near as a fader must come.
    doubt_db : ndarray, shape (n_faders,), optional
        What `start_doubt_db()` gives, where a microphone listens.
    goes_on : bool
        Whether to leave a fader that stands; else it is shown until another is moved.

    Examples
    --------
    >>> from evenhall.equalizer import graphic_unit
    >>> from evenhall.equalizer.following import begin
    >>> flat = begin(graphic_unit(10), [0.0] * 10, fader_sigma_db=0.1, level_sigma_db=0.3)
    >>> wanted = np.array([0, 0, 0, 0, -2.5, 0, 0, 0, 0, 0])
    >>> found = guide(flat, wanted, within_db=0.5)
    >>> found.hz, found.text
    (500.0, 'down 2.5')
    """
    unit, doubt_db = followed.unit, np.zeros(wanted_db.size) if doubt_db is None else doubt_db
    off_db = wanted_db - followed.fader_db
    sure_db = SIGMAS * np.hypot(followed.uncertainty_db, doubt_db)
    told = SIGMAS * doubt_db <= within_db
    near = np.abs(off_db) <= within_db
    stands = near & (sure_db <= within_db) & (followed.still_s >= STILL_S)
    listed = wanted_db != 0.0
    # Far enough not to be taken for a wrong guess, and surely.
    strays = ~listed & told & (np.abs(off_db) > np.maximum(within_db, sure_db))
    left = (listed & told & ~stands) | strays
    shown = _shown(followed.in_hand, left, listed | strays, goes_on=goes_on)
    lists = {
        "left_hz": tuple(unit.nominal_hz[left].tolist()),
        "unheard_hz": tuple(unit.nominal_hz[listed & ~told].tolist()),
        "stray": tuple(
            f"{fader_name(hz)} is moved and should be at 0." for hz in unit.nominal_hz[strays]
        ),
    }
    if shown is None:
        nan = float("nan")
        return Guidance(None, nan, nan, nan, "done", "All stand.", **lists)
    way, text = _words(
        float(off_db[shown]),
        near=bool(near[shown]),
        sure=bool(sure_db[shown] <= within_db),
        stands=bool(stands[shown]),
    )
    return Guidance(
        hz=float(unit.nominal_hz[shown]),
        now_db=float(followed.fader_db[shown]),
        wanted_db=float(wanted_db[shown]),
        uncertainty_db=float(sure_db[shown]),
        way=way,
        text=text,
        **lists,
    )


def _shown(
    in_hand: int | None, left: BoolArray, concerned: BoolArray, *, goes_on: bool
) -> int | None:
    if in_hand is not None and (left[in_hand] or (concerned[in_hand] and not goes_on)):
        return in_hand
    waiting = np.flatnonzero(left)
    if not waiting.size:
        return None
    above = waiting[waiting > (-1 if in_hand is None else in_hand)]
    return int(above[0] if above.size else waiting[0])


def _words(off_db: float, *, near: bool, sure: bool, stands: bool) -> tuple[Way, str]:
    if stands:
        return "stands", "stands"
    if near:
        return ("there", "hold it there") if sure else ("unsure", "wait: not sure yet")
    way: Way = "up" if off_db > 0 else "down"
    if abs(off_db) < TOUCH_DB:
        return way, f"a touch {way}"
    # To the half decibel: more figures than a hand can follow only flicker.
    return way, f"{way} {round(2.0 * abs(off_db)) / 2.0:.1f}"
