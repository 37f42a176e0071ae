"""What to tell the hand on the faders: which one, how far from its place, which way.

Start at `guide()`. It compares where the faders stand (`equalizer/following.py`) with where the
card wants them. A fader stands once it is where it must be, surely, and is left alone; from then
on it may seem a little farther off before it is asked for again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.following import Followed
from evenhall.equalizer.graphic import unit_gain_db
from evenhall.verdict.proof.wrong_faders import LEARN_IT
from evenhall.words import fader_name, hz_text

__all__ = ["AIR_WITHIN_DB", "CABLE_WITHIN_DB", "Guidance", "guide"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# As near as a fader must come: by a cable behind the unit, and by a microphone in the room.
CABLE_WITHIN_DB, AIR_WITHIN_DB = 0.5, 1.0
# It is asked for until it is nearer than that by so much: what is heard is in doubt itself.
AIM = 0.5
STILL_S = 0.6  # left alone for so long, the hand is off
# A fader is sure once the doubt (two standard deviations) is within the limit it must come to.
SIGMAS = 2.0
TOUCH_DB = 1.0
# So far out on its way, asked to go on, and still for so long: it is at its stop.
END_SHARE, AT_STOP_S = 0.8, 3.0
# What the unit as it is heard does otherwise than as it was taken for: more is heard, too.
UNLIKE_DB = 1.5

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
    short : tuple of str
        Faders at their stop, short of the card, as sentences.
    short_hz : tuple of float
        The same faders.
    unlike : str
        Once all stand: that the unit does not shape as it was taken for; empty where it does.
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
    short: tuple[str, ...] = ()
    short_hz: tuple[float, ...] = ()
    unlike: str = ""

    @property
    def remarks(self) -> tuple[str, ...]:
        """What else is to be said, as sentences."""
        return (*self.stray, *self.short, *((self.unlike,) if self.unlike else ()))


def guide(
    followed: Followed,
    wanted_db: FloatArray,
    *,
    within_db: float,
    doubt_db: FloatArray | None = None,
    goes_on: bool = True,
    before: Guidance | None = None,
) -> Guidance:
    """Say which fader to look at, and what to do with it.

    It is the fader in hand until that one stands; then the next one that does not, upwards from
    it and round again. A fader that the card leaves at 0 is told of once it has been moved.

    Parameters
    ----------
    wanted_db : ndarray, shape (n_faders,)
        The card; 0 for faders that it leaves alone.
    within_db : float
        As near as a fader must come.
    doubt_db : ndarray, shape (n_faders,), optional
        What `start_doubt_db()` gives, where a microphone listens.
    goes_on : bool
        Whether to leave a fader that stands; else it is shown until another is moved.
    before : Guidance, optional
        The one before: what stood stays while it is within `within_db`.

    Examples
    --------
    >>> from evenhall.equalizer.graphic import graphic_unit
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
    listed = wanted_db != 0.0
    stood = ~listed if before is None else ~np.isin(unit.nominal_hz, before.left_hz)
    # Far enough not to be taken for a wrong guess, and surely.
    stays = stood & (np.abs(off_db) <= np.maximum(within_db, sure_db))
    near = stays | (np.abs(off_db) <= AIM * within_db)
    sure = stays | (sure_db <= within_db)
    stands = near & sure & (stays | (followed.still_s >= STILL_S))
    short = ~near & _at_stop(followed, off_db, before)
    strays = ~listed & told & ~stands & ~short
    left = told & ~stands & ~short
    shown = _shown(followed.in_hand, left, listed | strays, goes_on=goes_on)
    # Said once, with the figure of that moment: it would flicker.
    said = {} if before is None else dict(zip(before.short_hz, before.short, strict=True))
    nan = float("nan")
    done = Guidance(
        hz=None,
        now_db=nan,
        wanted_db=nan,
        uncertainty_db=nan,
        way="done",
        text="All set.",
        left_hz=tuple(unit.nominal_hz[left].tolist()),
        unheard_hz=tuple(unit.nominal_hz[listed & ~told].tolist()),
        stray=tuple(
            f"{fader_name(hz)} was moved: set it back to 0." for hz in unit.nominal_hz[strays]
        ),
        short=tuple(
            said.get(
                hz,
                f"Leave {fader_name(hz)} at its stop, {abs(left_db):.1f} dB short of the card.",
            )
            for hz, left_db in zip(unit.nominal_hz[short], off_db[short], strict=True)
        ),
        short_hz=tuple(unit.nominal_hz[short].tolist()),
    )
    if shown is None:
        return replace(done, unlike=_unlike(followed))
    way, text = _words(
        float(off_db[shown]),
        near=bool(near[shown]),
        sure=bool(sure[shown]),
        stands=bool(stands[shown]),
    )
    return replace(
        done,
        hz=float(unit.nominal_hz[shown]),
        now_db=float(followed.fader_db[shown]),
        wanted_db=float(wanted_db[shown]),
        uncertainty_db=float(sure_db[shown]),
        way=way,
        text=text,
    )


def _at_stop(followed: Followed, off_db: FloatArray, before: Guidance | None) -> BoolArray:
    """Say which faders can go no further, though they are asked to."""
    unit = followed.unit
    asked = np.zeros(off_db.size, dtype=bool)
    if before is not None:
        asked = np.isin(unit.nominal_hz, (before.hz or 0.0, *before.short_hz))
    out_db = np.sign(off_db) * followed.fader_db
    return asked & (out_db >= END_SHARE * unit.range_db) & (followed.still_s >= AT_STOP_S)


def _unlike(followed: Followed) -> str:
    unit, freq_hz = followed.unit, np.geomspace(25.0, 16_000.0, 120)
    taken_for_db = unit_gain_db(unit, followed.fader_db, freq_hz)
    heard_db = unit_gain_db(followed.shape.put_on(unit), followed.fader_db, freq_hz)
    off_db = heard_db - taken_for_db
    worst = int(np.argmax(np.abs(off_db)))
    if abs(off_db[worst]) < UNLIKE_DB:
        return ""
    return (
        f"This unit differs from its model by {abs(off_db[worst]):.1f} dB near "
        f"{hz_text(float(f'{freq_hz[worst]:.2g}'))}: {LEARN_IT}."
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
        return "stands", "set"
    if near:
        return ("there", "hold it there") if sure else ("unsure", "wait, not sure yet")
    way: Way = "up" if off_db > 0 else "down"
    if abs(off_db) < TOUCH_DB:
        return way, f"a touch {way}"
    # To the half decibel: more figures than a hand can follow only flicker.
    return way, f"{way} {round(2.0 * abs(off_db)) / 2.0:.1f}"
