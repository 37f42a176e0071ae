"""Which faders stand otherwise than the card asks. Start at `wrong_faders()`.

What the unit did is measured, in the air (after minus before, at the same spots:
`did_by_takes()`) or by cable. A few wrong faders are looked for, one after the other, as the
unit's own model says that they would show. What a hand did and what the unit itself does
otherwise than its scale says are parted by `hand_or_scale()`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ
from evenhall.equalizer.graphic import MODELS, GraphicUnit, band_gain_db, unit_power
from evenhall.verdict.move import Move
from evenhall.verdict.take import SpotResponse, align_level_db
from evenhall.words import hz_listed, hz_text, listed

__all__ = [
    "LEARN_IT",
    "UnlikeScale",
    "WrongFader",
    "common_offset_db",
    "correcting_moves",
    "did_by_takes",
    "hand_or_scale",
    "is_other_make",
    "wrong_faders",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LEARN_IT = "learn it (Set out, Learn it now, or evenhall learn-unit), then tune once more"
MOST_WRONG = 3
# Less than this neither hand nor scale of a fader is true to.
LEAST_OFF_DB = 1.5
# What a unit differs from its model by, and what moves between two takes beside the faders.
MODEL_DB = 0.2
# What is left may be twice the doubt (squared); beyond, no few faders explain what was measured:
# the unit is bypassed or another, or a loudspeaker was moved.
WORST_FIT = 4.0
MOST_COMMON_DB, COMMON_ALIKE_DB = 6.0, 1.0  # that all faders stand off alike
TRY_STEP_DB = 0.5  # faders are tried so far apart, then all found ones are settled together
SETTLE_ROUNDS = 3
# Hands err on one side, or this way here and that way there; a unit errs alike (common practice,
# no source).
ALIKE_DB = 1.5  # between the two sides: what each is known to, and the step that is tried
SEVERAL = 3  # that err one way
# Of what is asked, a scale gives a share; less or more than that no scale does.
LEAST_SHARE, MOST_SHARE = 0.3, 1.7
# What makes differ by: width of the sections, and gain per dB of the scale.
Q_FACTORS, SHARES = (0.5, 0.6, 0.7, 0.85, 1.0, 1.2, 1.4, 1.7), (0.6, 0.7, 0.85, 1.0, 1.15, 1.3)
# Of a range of 20 Hz to 20 kHz: a unit's own band limits bend its outermost faders.
ENDS_HZ = (63.0, 8000.0)


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
    def share(self) -> float:
        """What seems to be there, of what is asked; nan where nothing is asked."""
        return self.stands_db / self.asked_db if self.asked_db else float("nan")

    @property
    def may_be_scale(self) -> bool:
        """Whether a scale that lies would show so."""
        return LEAST_SHARE <= self.share <= MOST_SHARE

    @property
    def text(self) -> str:
        """What is wrong and what to do."""
        off_db = self.off_db
        way, pull = ("high", "Pull down") if off_db > 0 else ("low", "Push up")
        size = f"{abs(off_db):g} dB"
        return (
            f"{pull} the {hz_text(self.hz)} fader of {self.side} {size}, to "
            f"{self.asked_db:g} dB: it is about that much too {way}.{self._if_it_is_set}"
        )

    @property
    def _if_it_is_set(self) -> str:
        if not self.may_be_scale:
            return ""
        return " If it is set there already, this unit does not do what its scale says: learn it."


@dataclass(frozen=True)
class UnlikeScale:
    """A unit that does otherwise than its scale says.

    Parameters
    ----------
    faders : tuple of WrongFader
        Those that seem to stand wrong, though it is no hand's doing.
    why : str
        What tells that.
    """

    faders: tuple[WrongFader, ...]
    why: str

    @property
    def text(self) -> str:
        """What to look at and what to do."""
        sides = listed(list(dict.fromkeys(fader.side for fader in self.faders)))
        asked: dict[float, list[str]] = {}
        for fader in self.faders:
            asked.setdefault(fader.hz, []).append(f"{fader.asked_db:g}")
        stand = listed(
            [f"{hz_text(hz)} at {listed(list(dict.fromkeys(at)))}" for hz, at in asked.items()]
        )
        many = len(self.faders) > 1
        return (
            f"Check that {sides} {'are' if many else 'is'} set as the card asks: {stand}. If so, "
            f"this unit does not do what its scale says at {hz_listed([*asked])}: "
            f"{LEARN_IT}. {self.why}"
        )


def hand_or_scale(
    found: Sequence[WrongFader],
) -> tuple[tuple[WrongFader, ...], UnlikeScale | None]:
    """Part the faders that a hand set wrong from what the unit does otherwise than its scale.

    Parameters
    ----------
    found : sequence of WrongFader
        Of all sides.

    Returns
    -------
    tuple of WrongFader, UnlikeScale or None
        Each of `found` is in one of the two.
    """
    places_hz = {fader.hz for fader in found}
    low_hz, high_hz = ENDS_HZ
    one_way = len({fader.off_db > 0.0 for fader in found}) == 1
    at_one_end = bool(found) and (max(places_hz) <= low_hz or min(places_hz) >= high_hz)
    if at_one_end and (one_way or len(places_hz) > 1):
        return (), UnlikeScale(tuple(found), "All that is off lies at one end of its range.")
    if len(places_hz) >= SEVERAL and one_way:
        way = "high" if found[0].off_db > 0.0 else "low"
        return (), UnlikeScale(tuple(found), f"All that is off is too {way}.")
    if len(places_hz) >= SEVERAL and all(fader.may_be_scale for fader in found):
        # A weak scale leaves cuts too high and boosts too low.
        shares = {fader.share > 1.0 for fader in found}
        if len(shares) == 1:
            size = "more" if shares.pop() else "less"
            return (), UnlikeScale(tuple(found), f"All that is off does {size} than asked.")

    def alike(one: WrongFader, other: WrongFader) -> bool:
        same = one.side != other.side and one.hz == other.hz and one.off_db * other.off_db > 0.0
        return same and abs(one.off_db - other.off_db) <= ALIKE_DB

    scale = tuple(one for one in found if any(alike(one, other) for other in found))
    if not scale:
        return tuple(found), None
    hand = tuple(fader for fader in found if fader not in scale)
    sizes = [f"{fader.off_db:+g}" for fader in scale]
    return hand, UnlikeScale(
        scale, f"Both sides are off alike there ({', '.join(dict.fromkeys(sizes))} dB)."
    )


def correcting_moves(
    faders: Sequence[WrongFader], unlike: UnlikeScale | None = None
) -> tuple[Move, ...]:
    """Give what puts faders where the card wants them; a unit unlike its scale is a check."""
    check = () if unlike is None else (Move("check", unlike.text),)
    return check + tuple(
        Move(
            "equalize",
            fader.text,
            from_={"hz": fader.hz, "fader_db": fader.stands_db},
            to={"hz": fader.hz, "fader_db": fader.asked_db},
        )
        for fader in faders
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
    wrong than a few faders. Of all faders at all settings the one that explains most is taken, as
    long as it lowers the weighted squares by more than its price; then those found are settled
    together, and the next is looked for. The price is Schwarz's ln n for each of the two figures
    found (1978, from memory) with n the bands, one being which of the faders it is:
    ln n + 2 ln(faders).

    Parameters
    ----------
    asked_db : ndarray, shape (n_faders,)
        The card.
    did_db, uncertainty_db : ndarray, shape (31,)
        Gain measured in each band, nan where it is not known, and one standard deviation.
    side : str
        For the words.
    least_off_db : float
        What stands off by less is not named.
    """
    known, weight = _known_and_weight(did_db, uncertainty_db)
    if known.sum() < 3:
        return ()
    did = np.where(known, did_db, 0.0)
    price = _price(unit, known)
    tries_db = np.arange(-unit.range_db, unit.range_db + 0.01, TRY_STEP_DB)
    # Sections multiply, so their band gains nearly add: near enough to choose by.
    each = np.broadcast_to(tries_db[:, None], (tries_db.size, unit.fader_count))
    power = unit_power(unit, each, unit.band_detune_sq).swapaxes(0, 1)
    alone = 10.0 * np.log10(power @ unit.band_nodes[1])

    def squares(left: FloatArray) -> FloatArray:
        return _squares(left, weight)

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


def is_other_make(
    unit: GraphicUnit,
    asked_db: FloatArray,
    did_db: FloatArray,
    uncertainty_db: FloatArray,
    wrong: Sequence[WrongFader],
) -> bool:
    """Say whether a wider, narrower, weaker or stronger unit explains more than these faders.

    All faders standing as asked, its width, its gain per dB of the scale and the level are three
    figures of the unit; each fader costs two, as in `wrong_faders()`, with the same arguments.
    """
    known, weight = _known_and_weight(did_db, uncertainty_db)
    did, asked = np.where(known, did_db, 0.0), np.asarray(asked_db, dtype=np.float64)
    stands = asked.copy()
    for fader in wrong:
        stands[fader.hz == unit.nominal_hz] = fader.stands_db
    by_hand = float(_squares(did - band_gain_db(unit, stands), weight))
    makes = (
        band_gain_db(replace(unit, model=model, q=unit.q * q_factor), share * asked)
        for model in MODELS
        for q_factor in Q_FACTORS
        for share in SHARES
    )
    by_make = min(float(_squares(did - gain_db, weight)) for gain_db in makes)
    price = 3.0 * float(np.log(known.sum()))
    return by_make + price < by_hand + _price(unit, known) * len(wrong)


def common_offset_db(
    unit: GraphicUnit, asked_db: FloatArray, did_db: FloatArray, uncertainty_db: FloatArray
) -> float:
    """Tell by how much all faders stand too high, or, negative, too low; 0 where it is not so.

    It sounds as another level, which is free, but for the ends of the range, where a fader has a
    neighbour on one side only. Arguments as for `wrong_faders()`.
    """
    known, weight = _known_and_weight(did_db, uncertainty_db)
    did, asked = np.where(known, did_db, 0.0), np.asarray(asked_db, dtype=np.float64)
    tries_db = np.arange(-MOST_COMMON_DB, MOST_COMMON_DB + 0.01, TRY_STEP_DB)
    left = np.stack([did - band_gain_db(unit, asked + off_db) for off_db in tries_db])
    as_asked, price = np.abs(tries_db).argmin(), float(np.log(known.sum()))

    def told_at(end: BoolArray) -> float:
        """Give what one end says alone, its level free."""
        costs = _squares(left, np.where(end, weight, 0.0))
        best = int(np.argmin(costs))
        told = costs[as_asked] - costs[best] > price and costs[best] <= (known & end).sum()
        return float(tries_db[best]) if told else 0.0

    low_db, high_db = told_at(EXACT_HZ < 1000.0), told_at(EXACT_HZ > 1000.0)
    # What shows at one end alone is the unit's own end.
    if low_db * high_db <= 0.0 or abs(low_db - high_db) > COMMON_ALIKE_DB:
        return 0.0
    return float(tries_db[int(np.argmin(_squares(left, weight)))])


def _known_and_weight(
    did_db: FloatArray, uncertainty_db: FloatArray
) -> tuple[BoolArray, FloatArray]:
    known = np.isfinite(did_db) & np.isfinite(uncertainty_db)
    weight = np.where(known, 1.0 / (np.nan_to_num(uncertainty_db) ** 2 + MODEL_DB**2), 0.0)
    return known, weight


def _squares(left: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted squares of what is left, its level free; of the shape of `left` less its last."""
    mean = (left @ weight) / weight.sum()
    return np.asarray(np.square(left - mean[..., None]) @ weight)


def _price(unit: GraphicUnit, known: BoolArray) -> float:
    return float(np.log(known.sum()) + 2.0 * np.log(unit.fader_count))
