"""Which faders stand otherwise than the card asks. Start at `wrong_faders()`.

What the unit did is measured, in the air (after less before, at the same spots:
`did_by_takes()`) or by cable. A few wrong faders are looked for, one after the other, as the
unit's own model says that they would show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT
from evenhall.equalizer.graphic import GraphicUnit, band_gain_db, unit_power
from evenhall.verdict.move import Move
from evenhall.verdict.take import SpotResponse, align_level_db
from evenhall.verdict.words import hz_text

__all__ = ["WrongFader", "correcting_move", "did_by_takes", "wrong_faders"]

FloatArray = NDArray[np.float64]

MOST_WRONG = 3
# Less than this neither hand nor scale of a fader is true to.
LEAST_OFF_DB = 1.5
# What a unit differs from its model by, and what moves between two takes beside the faders.
MODEL_DB = 0.2
# What is left may be twice the doubt (squared); beyond, no few faders explain what was measured:
# the unit is bypassed or another, or a loudspeaker was moved.
WORST_FIT = 4.0
TRY_STEP_DB = 0.5  # faders are tried so far apart, then all found ones are settled together
SETTLE_ROUNDS = 3


@dataclass(frozen=True)
class WrongFader:
    """A fader that stands where the card does not want it."""

    side: str
    hz: float
    asked_db: float
    stands_db: float

    @property
    def off_db(self) -> float:
        """How much too high it stands; negative is too low."""
        return self.stands_db - self.asked_db

    @property
    def text(self) -> str:
        """What is wrong and what to do."""
        off_db = self.off_db
        way, cure = ("high", "down") if off_db > 0 else ("low", "up")
        name, size = hz_text(self.hz), f"{abs(off_db):g} dB"
        return (
            f"The {name} fader of {self.side} stands about {size} too {way}. "
            f"Move {name} {cure} by {size}, to {self.asked_db:g}."
        )


def correcting_move(fader: WrongFader) -> Move:
    """Give what puts a fader where the card wants it."""
    return Move(
        "equalize",
        fader.text,
        before={"hz": fader.hz, "fader_db": fader.stands_db},
        after={"hz": fader.hz, "fader_db": fader.asked_db},
    )


def did_by_takes(
    before: Sequence[SpotResponse], after: Sequence[SpotResponse], side: str
) -> tuple[FloatArray, FloatArray]:
    """Give the change in each band of a side, and its uncertainty, over the spots that both have.

    Returns
    -------
    ndarray, ndarray, shape (31,)
        After less before, each spot's own level taken off, weighed by how sure it is; nan where
        no spot has both. A place's own modes and reflections are in both, and fall out.
    """
    was = {spot.spot: spot for spot in before if spot.side == side}
    pairs = [(was[spot.spot], spot) for spot in after if spot.side == side and spot.spot in was]
    if not pairs:
        return np.full(BAND_COUNT, np.nan), np.full(BAND_COUNT, np.nan)
    change = np.stack([now.level_db - then.level_db for then, now in pairs])
    change = change - np.array([align_level_db(row) for row in change])[:, None]
    doubt = np.stack([np.hypot(now.uncertainty_db, then.uncertainty_db) for then, now in pairs])
    known = np.isfinite(change) & np.isfinite(doubt)
    trust = np.where(known, 1.0 / (np.where(known, doubt, 1.0) ** 2 + 1e-4), 0.0)
    total = trust.sum(axis=0)
    any_known = total > 0
    safe = np.where(any_known, total, 1.0)
    did = (trust * np.where(known, change, 0.0)).sum(axis=0) / safe
    return np.where(any_known, did, np.nan), np.where(any_known, 1.0 / np.sqrt(safe), np.nan)


def wrong_faders(
    unit: GraphicUnit,
    asked_db: FloatArray,
    did_db: FloatArray,
    uncertainty_db: FloatArray,
    *,
    side: str,
    least_off_db: float = LEAST_OFF_DB,
) -> tuple[WrongFader, ...]:
    """Name the few faders that explain what the unit did, lowest first; none if unsure.

    Weighted least squares of the unit's band gains, the level free; none is named where more is
    wrong than a few faders. Of all faders at all
    settings the one that explains most is taken, as long as it lowers the weighted squares by
    more than its price; then those found are settled together, and the next is looked for. The
    price is Schwarz's ln n for each of the two figures found (1978, from memory) with n the
    bands, one being which of the faders it is: ln n + 2 ln(faders).

    Parameters
    ----------
    unit : GraphicUnit
    asked_db : ndarray, shape (n_faders,)
        The card.
    did_db, uncertainty_db : ndarray, shape (31,)
        Gain measured in each band, nan where it is not known, and one standard deviation.
    side : str
        For the words.
    least_off_db : float
        What stands off by less is not named.
    """
    known = np.isfinite(did_db) & np.isfinite(uncertainty_db)
    if known.sum() < 3:
        return ()
    weight = np.where(known, 1.0 / (np.nan_to_num(uncertainty_db) ** 2 + MODEL_DB**2), 0.0)
    did = np.where(known, did_db, 0.0)
    price = np.log(known.sum()) + 2.0 * np.log(unit.fader_count)
    tries_db = np.arange(-unit.range_db, unit.range_db + 0.01, TRY_STEP_DB)
    # Sections multiply, so their band gains nearly add: near enough to choose by.
    each = np.broadcast_to(tries_db[:, None], (tries_db.size, unit.fader_count))
    power = unit_power(unit, each, unit.band_detune_sq).swapaxes(0, 1)
    alone = 10.0 * np.log10(power @ unit.band_nodes[1])

    def squares(left: FloatArray) -> FloatArray:
        mean = (left @ weight) / weight.sum()
        return np.asarray(np.square(left - mean[..., None]) @ weight)

    def best_setting(stands: FloatArray, fader: int) -> float:
        """Settle one fader by the true chain, the others standing."""
        near = np.argsort(squares(rest(stands, fader)))[:3]
        costs = []
        for k in near:
            moved = stands.copy()
            moved[fader] = tries_db[k]
            costs.append(squares(did - band_gain_db(unit, moved)))
        return float(tries_db[near[int(np.argmin(costs))]])

    def rest(stands: FloatArray, fader: int) -> FloatArray:
        """Give what is left with a fader at each setting, shape (n_tries, 31)."""
        now = np.abs(tries_db - stands[fader]).argmin()
        left = did - band_gain_db(unit, stands)
        return np.asarray(left - (alone[fader] - alone[fader, now]))

    stands = np.asarray(asked_db, dtype=np.float64).copy()
    found: list[int] = []
    cost = float(squares(did - band_gain_db(unit, stands)))
    while len(found) < MOST_WRONG:
        others = [k for k in range(unit.fader_count) if k not in found]
        fader = min(others, key=lambda k: squares(rest(stands, k)).min())
        trial = stands.copy()
        for _ in range(SETTLE_ROUNDS if found else 1):
            for k in [fader, *found]:
                trial[k] = best_setting(trial, k)
        new_cost = float(squares(did - band_gain_db(unit, trial)))
        if cost - new_cost <= price:
            break
        stands, cost = trial, new_cost
        found.append(fader)
    if cost > WORST_FIT * known.sum():
        return ()
    return tuple(
        WrongFader(side, float(unit.nominal_hz[k]), float(asked_db[k]), float(stands[k]))
        for k in sorted(found)
        if abs(stands[k] - asked_db[k]) >= least_off_db
    )
