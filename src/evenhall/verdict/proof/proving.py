"""The takes after the work, held against the forecast. Start at `prove()`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.hall.label import for_side
from evenhall.verdict.card.estimate import Estimate, lined_up
from evenhall.verdict.card.faders import Card
from evenhall.verdict.card.loss import judged_share, weighted_rms_db
from evenhall.verdict.evenness import Evenness
from evenhall.verdict.proof.wrong_faders import (
    LEAST_OFF_DB,
    UnlikeScale,
    WrongFader,
    did_by_takes,
    hand_or_scale,
    is_other_make,
    wrong_faders,
)
from evenhall.verdict.take import SpotResponse, WalkResponse, align_level_db, nan_mean

__all__ = ["Proof", "prove"]

FloatArray = NDArray[np.float64]

WORSE_THAN_FORECAST_DB = 1.0
FORECAST_ERROR_DB = 1.5
# Where the seats have what was promised, less than this is not worth another walk to the rack;
# more of it on one side is a slip that the mean of both hides.
SLIP_DB = 6.0
OTHER_MAKE = "A unit that is wider, narrower, weaker or stronger as a whole explains most of it."


@dataclass(frozen=True)
class Proof:
    """What the card did.

    Parameters
    ----------
    measured_db, forecast_db : ndarray, shape (31,)
        Level of the area, lined up with the target; nan where takes before or after tell nothing.
    rms_db, forecast_rms_db : float
        Weighted deviation from the target, measured and forecast.
    forecast_error_db : float
        Weighted rms of measured less forecast.
    takes : int
        How many after the work stand behind it.
    even_bands : tuple of int, or None
        Of the takes after the work: see `Evenness.counts`; None without front and back.
    faders_wrong : tuple of WrongFader
        Faders that seem to stand otherwise than the card asks; where the proof holds, only
        those that are off by 6 dB or more.
    unlike_scale : UnlikeScale or None
        What is off by no hand's doing.
    """

    measured_db: FloatArray
    forecast_db: FloatArray
    rms_db: float
    forecast_rms_db: float
    forecast_error_db: float
    takes: int
    even_bands: tuple[int, int] | None = None
    faders_wrong: tuple[WrongFader, ...] = ()
    unlike_scale: UnlikeScale | None = None

    @property
    def holds(self) -> bool:
        """Whether the result is what was promised."""
        return bool(
            self.rms_db <= self.forecast_rms_db + WORSE_THAN_FORECAST_DB
            and self.forecast_error_db <= FORECAST_ERROR_DB
        )


def _faders_wrong(
    was: Sequence[SpotResponse],
    now: Sequence[SpotResponse],
    card: Card,
    low_hz: float,
    least_off_db: float,
) -> tuple[list[WrongFader], list[WrongFader]]:
    """List what stands wrong, and what only seems to, in a unit of another make."""
    found: list[WrongFader] = []
    of_make: list[WrongFader] = []
    for side in dict.fromkeys(spot.side for spot in now):
        solution = for_side(card.solutions, side)
        if solution is not None:
            did, doubt = did_by_takes(was, now, side)
            # Only where the loudspeakers give enough.
            judged = judged_share(low_hz) > 0
            did = np.where(judged, did - card.strip_db(side), np.nan)
            unit, asked = card.unit_of(side), solution.fader_db
            wrong = wrong_faders(unit, asked, did, doubt, side=side, least_off_db=least_off_db)
            other_make = bool(wrong) and is_other_make(unit, asked, did, doubt, wrong)
            (of_make if other_make else found).extend(wrong)
    return found, of_make


def _at_spots(
    card: Card, pairs: Sequence[tuple[SpotResponse, SpotResponse]]
) -> tuple[FloatArray, FloatArray]:
    """By how much the change at the spots strays from the card, and what the card does there."""
    change = lined_up(np.stack([then.level_db - spot.level_db for spot, then in pairs]))
    gain = np.stack([card.gain_db(spot.side) for spot, _ in pairs])
    # Only what was measured both times; each pair against what its own side should have changed by.
    strays = nan_mean(np.where(np.isfinite(change), change - gain, np.nan))
    return strays, nan_mean(np.where(np.isfinite(change), gain, np.nan))


def _along(
    area: Estimate, card: Card, walks: Sequence[WalkResponse]
) -> tuple[FloatArray, FloatArray]:
    """By how much the way strays from the area with the card set, and what the card does there."""
    sides, before = list(area.sides_db), {walk.side: walk.shape_db for walk in area.walks}
    strays, gains = [], []
    for walk in walks:
        own = sides if walk.side not in sides else [walk.side]
        gain = np.mean([card.gain_db(side) for side in own], axis=0)
        # Walked before as well, the way's own peaks and dips are in both.
        estimated = area.target + area.excess.mean_db
        estimated = estimated + np.mean([area.sides_db[side] for side in own], axis=0)
        strays.append(walk.shape_db - before.get(walk.side, estimated) - gain)
        gains.append(np.where(np.isfinite(walk.shape_db), gain, np.nan))
    return nan_mean(lined_up(np.stack(strays))), nan_mean(np.stack(gains))


def prove(
    area: Estimate,
    after: Sequence[SpotResponse],
    card: Card,
    *,
    walks: Sequence[WalkResponse] = (),
    even: Evenness | None = None,
) -> Proof | None:
    """Compare the takes after the work with the forecast at the same spots; None without any.

    What is measured is the area as it was estimated before, changed by what the same spots changed;
    after a walk it is what was heard along the way.

    Parameters
    ----------
    area : Estimate
        Before the work.
    walks : sequence of WalkResponse
        After the work.
    even : Evenness or None
        Of the takes after the work.
    """
    places = {(s.side, s.spot) for s in area.spots} & {(s.side, s.spot) for s in after}
    was = [spot for spot in area.spots if (spot.side, spot.spot) in places]
    now = {(spot.side, spot.spot): spot for spot in after if (spot.side, spot.spot) in places}
    if not places and not walks:
        return None
    pairs = [(spot, now[spot.side, spot.spot]) for spot in was]
    strays, gain = _along(area, card, walks) if walks else _at_spots(card, pairs)
    promised = area.excess.mean_db + gain
    measured = promised + strays

    def lined(level: FloatArray) -> FloatArray:
        return np.asarray(area.target + level - align_level_db(level))

    known, weight = np.isfinite(measured), card.weight * area.in_range
    proof = Proof(
        measured_db=lined(measured),
        forecast_db=lined(np.where(known, promised, np.nan)),
        rms_db=weighted_rms_db(measured, weight),
        forecast_rms_db=weighted_rms_db(np.where(known, promised, np.nan), weight),
        forecast_error_db=weighted_rms_db(strays, weight),
        takes=sum(
            len(one) for one in [*(s.takes for s in now.values()), *(w.takes for w in walks)]
        ),
        even_bands=None if even is None else even.counts,
    )
    if not places:
        return proof
    least_off_db = SLIP_DB if proof.holds else LEAST_OFF_DB
    found, of_make = _faders_wrong(was, list(now.values()), card, area.low_hz, least_off_db)
    hand, scale = hand_or_scale(found)
    if of_make:
        also = () if scale is None else scale.faders
        scale = UnlikeScale((*of_make, *also), OTHER_MAKE)
    return replace(proof, faders_wrong=hand, unlike_scale=scale)
