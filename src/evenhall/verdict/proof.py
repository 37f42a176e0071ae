"""The takes after the work, held against the forecast. Start at `prove()`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.verdict.card import Card, deviation_db, forecast, weighted_rms_db
from evenhall.verdict.common import common_response
from evenhall.verdict.standing import (
    LEAST_OFF_DB,
    UnlikeScale,
    WrongFader,
    did_by_takes,
    hand_or_scale,
    wrong_faders,
)
from evenhall.verdict.take import SpotResponse

__all__ = ["Proof", "prove"]

FloatArray = NDArray[np.float64]

WORSE_THAN_FORECAST_DB = 1.0
FORECAST_ERROR_DB = 1.5
# Where the seats have what was promised, less than this is not worth another walk to the rack;
# more of it on one side is a slip that the mean of both hides.
SLIP_DB = 6.0


@dataclass(frozen=True)
class Proof:
    """What the card did.

    Parameters
    ----------
    measured_db, forecast_db : ndarray, shape (31,)
        Common response of the spots measured both before and after, lined up with the target.
    rms_db, forecast_rms_db : float
        Weighted deviation from the target, measured and forecast.
    forecast_error_db : float
        Weighted rms of measured less forecast.
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
    was: Sequence[SpotResponse], now: Sequence[SpotResponse], card: Card, least_off_db: float
) -> list[WrongFader]:
    found: list[WrongFader] = []
    for side in dict.fromkeys(spot.side for spot in now):
        solution = card.solutions.get("both") or card.solutions.get(side)
        if solution is not None:
            did, doubt = did_by_takes(was, now, side)
            # Only where the card answers: elsewhere lies what the loudspeaker hardly sends.
            did = np.where(card.weight > 0, did - card.strip_db(side), np.nan)
            found += wrong_faders(
                card.unit_of(side),
                solution.fader_db,
                did,
                doubt,
                side=side,
                least_off_db=least_off_db,
            )
    return found


def prove(
    before: Sequence[SpotResponse],
    after: Sequence[SpotResponse],
    card: Card,
    *,
    rt60_s: float | None,
) -> Proof | None:
    """Compare the takes after the work with the forecast at the same spots; None without any."""
    places = {(s.side, s.spot) for s in before} & {(s.side, s.spot) for s in after}
    was = [spot for spot in before if (spot.side, spot.spot) in places]
    now = [spot for spot in after if (spot.side, spot.spot) in places]
    if not places or not np.any(card.weight > 0):
        return None
    promised = forecast(common_response(was, rt60_s=rt60_s), card)
    measured = common_response(now, rt60_s=rt60_s)
    level = card.target + deviation_db(measured.level_db, card.target)
    proof = Proof(
        measured_db=level,
        forecast_db=promised.after_db,
        rms_db=weighted_rms_db(level - card.target, card.weight),
        forecast_rms_db=promised.rms_after_db,
        forecast_error_db=weighted_rms_db(level - promised.after_db, card.weight),
    )
    least_off_db = SLIP_DB if proof.holds else LEAST_OFF_DB
    hand, scale = hand_or_scale(_faders_wrong(was, now, card, least_off_db))
    return replace(proof, faders_wrong=hand, unlike_scale=scale)
