"""The one loss: the error that is to be expected at a seat. Start at `seat_error()`.

Headline, forecast, the worth of a fader, of a card a side, of a finer unit, of sections: all are
this figure. No band of the loudspeakers' range is ever free in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.verdict.card.estimate import (
    HIGHEST_HZ,
    OF_ONE_SEAT,
    UNTOLD_BY_SPOTS,
    Estimate,
    with_usual_walk,
)

__all__ = [
    "SeatError",
    "band_weights",
    "doubt_db",
    "judged_share",
    "seat_error",
    "unmended",
    "weighted_rms_db",
]

FloatArray = NDArray[np.float64]

# Judged are all bands from the low limit to 12.5 kHz, alike; what lies beside is never free.
HIGHEST_JUDGED_HZ = 13_000.0
BESIDE_TOP, BEYOND = 0.5, 0.02
# By how much the scatter of seats differs from hall to hall, as a share of its variance: where
# spots alone tell of the hall, and where a walk does. Measured on bench/seats.py, seeds 0 to 59.
SCATTER_VARIES, WALKED_VARIES = 0.45, 0.3
NINETY = 1.645  # standard deviations to either side that hold 90 %
# A seat hears any mixture of both sides: the variance of an even share is a third of its reach.
MIXED = 1.0 / 3.0


@dataclass(frozen=True)
class SeatError:
    """Expected rms at one seat against the target, and where its mean over the area lies, in dB."""

    expected_db: float
    low_90_db: float
    high_90_db: float


def band_weights(low_hz: float) -> FloatArray:
    """Weight of each band in the loss; depends on the loudspeakers' lower end alone."""
    weight = np.ones(EXACT_HZ.size)
    weight[EXACT_HZ > HIGHEST_JUDGED_HZ] = BESIDE_TOP
    weight[(EXACT_HZ > HIGHEST_HZ) | (low_hz > NOMINAL_HZ)] = BEYOND
    return weight


def judged_share(low_hz: float) -> FloatArray:
    """Give the share of each band in what is said of a seat: low limit to 12.5 kHz, sum 1."""
    judged = (low_hz <= NOMINAL_HZ) & (EXACT_HZ < HIGHEST_JUDGED_HZ)
    return np.asarray(judged / max(judged.sum(), 1))


def weighted_rms_db(level_db: FloatArray, weight: FloatArray) -> float:
    """Weighted rms with the weighted mean removed; nan where no band counts."""
    counts = (weight > 0) & np.isfinite(level_db)
    if not counts.any():
        return float("nan")
    share = weight[counts] / weight[counts].sum()
    left = level_db[counts] - float(share @ level_db[counts])
    return float(np.sqrt(share @ left**2))


def _centred(covariance: FloatArray, share: FloatArray) -> float:
    """Mean variance over the bands once the free level is taken off."""
    return float(share @ np.diag(covariance) - share @ covariance @ share)


def doubt_db(area: Estimate, *, walked: bool = False) -> float:
    """Give one standard deviation of the area's tone over the bands that a seat is judged by.

    Parameters
    ----------
    walked : bool
        What a walk of the usual length would leave of it.
    """
    known, share = with_usual_walk(area) if walked else area, judged_share(area.low_hz)
    square = _centred(known.excess.covariance, share)
    if not known.walks:
        square += UNTOLD_BY_SPOTS / (OF_ONE_SEAT + UNTOLD_BY_SPOTS) * _centred(known.seat, share)
    return float(np.sqrt(max(square, 0.0)))


def unmended(area: Estimate, share: FloatArray) -> float:
    """Mean square in dB^2 that no card takes away: doubt, scatter, and what no fader mends."""
    lifted = area.excess.mean_db - area.asked_db
    lifted = lifted - lifted @ share
    return (
        _centred(area.excess.covariance, share)
        + _centred(area.seat, share)
        + float(share @ lifted**2)
    )


def seat_error(area: Estimate, gain_db: Mapping[str, FloatArray]) -> SeatError:
    """Error to be expected at a seat of the area with a card set.

    Parameters
    ----------
    gain_db : mapping of str to ndarray, shape (31,)
        What the card does to each side of the area.

    Notes
    -----
    E^2 = sum a [(m + g - L)^2 + var], with a the share of each band, m the estimate, g the card, L
    the free level, var doubt and scatter. A seat hears some mixture of the sides, any share as
    likely as another. The 90 % are those of a normal law with the spread that the
    estimate's own doubt gives this quadratic form, and the scatter's from hall to hall.
    """
    share = judged_share(area.low_hz)
    rest = np.stack(
        [area.excess.mean_db + area.sides_db[side] + gain_db[side] for side in area.sides_db]
    )
    rest = rest - (rest @ share)[:, None]
    mean, apart = rest.mean(axis=0), rest.var(axis=0)
    scatter = _centred(area.seat, share)
    doubt = _centred(area.excess.covariance, share)
    square = float(share @ (mean**2 + MIXED * apart)) + scatter + doubt
    half = np.eye(share.size) - share
    covariance = half @ area.excess.covariance @ half.T
    bands = covariance * share
    spread = 2.0 * float(np.trace(bands @ bands))
    spread += 4.0 * float((share * mean) @ covariance @ (share * mean))
    spread += ((WALKED_VARIES if area.walks else SCATTER_VARIES) * scatter) ** 2
    expected = float(np.sqrt(square))
    reach = NINETY * float(np.sqrt(spread)) / max(2.0 * expected, 1e-9)
    return SeatError(expected, max(expected - reach, 0.0), expected + reach)
