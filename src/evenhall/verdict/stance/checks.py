"""What to look at where takes and the forecast of the hall disagree. Start at `hall_checks()`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, MID_BANDS

__all__ = ["Check", "hall_checks"]

FloatArray = NDArray[np.float64]

DULL_DB = 9.0  # treble of a box re its own middle: no box on its feet is that dull
HIDDEN_DB = 4.0  # treble of one spot re what distance, aim and the other spots say
_TREBLE = (EXACT_HZ > 2900.0) & (EXACT_HZ < 10_500.0)
_MIDDLE = (EXACT_HZ > 450.0) & (EXACT_HZ < 2100.0)


@dataclass(frozen=True)
class Check:
    """What to look at before anything is moved."""

    kind: str
    text: str


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size >= 3 else float("nan")


def hall_checks(
    own_db: FloatArray,
    residual_db: FloatArray,
    *,
    given_deg: float,
    off_deg: float,
    stray_db: float,
    name: str,
    spots: tuple[str, ...],
) -> tuple[Check, ...]:
    """Name what parts takes and forecast by more than a room does.

    Parameters
    ----------
    own_db : ndarray, shape (31,)
        The box's own response as fitted; nan where not known.
    residual_db : ndarray, shape (n_spots, 31)
        Measured less fitted.
    given_deg, off_deg : float
        Tilt that was given, and how much lower the takes have it; 0 where they do not say.
    stray_db : float
        What one spot may be off by as a whole.
    """
    dull_db = _mean(own_db[_MIDDLE]) - _mean(own_db[_TREBLE])
    if dull_db > DULL_DB:
        return (
            Check(
                "dull",
                f"Check {name} before moving it: above 3 kHz it is {dull_db:.0f} dB below its own "
                "mid range at every spot. Look for a horn that is blocked, unplugged or blown, a "
                "cover left on, or a box that faces away from the people.",
            ),
        )
    checks = []
    for spot, left_db in zip(spots, residual_db, strict=True):
        hidden_db = _mean(left_db[_MIDDLE]) - _mean(left_db[_TREBLE])
        if hidden_db > HIDDEN_DB:
            checks.append(
                Check(
                    "hidden",
                    f"Look from {spot} to {name}: its highs there are {hidden_db:.0f} dB below "
                    "what distance and aim explain. A pillar, a curtain or a person is in the way, "
                    "or the spot is outside its coverage.",
                )
            )
    if checks:  # what is hidden bends the other figures
        return tuple(checks)
    if off_deg:
        really_deg = given_deg + off_deg
        checks.append(
            Check(
                "aim",
                f"Check the aim of {name}: going by the takes it is tilted "
                f"{abs(really_deg):.0f}° {'down' if really_deg >= 0 else 'up'}, not the "
                f"{given_deg:.0f}° given. Sight along the top of the box and correct the figure or "
                "the bracket.",
            )
        )
    strays_db = np.array([_mean(row[MID_BANDS]) for row in residual_db])
    worst = int(np.nanargmax(np.abs(strays_db))) if np.isfinite(strays_db).any() else 0
    if not checks and abs(strays_db[worst]) > stray_db:
        checks.append(
            Check(
                "level",
                f"Check distance and gain of the take at {spots[worst]}: it is "
                f"{abs(strays_db[worst]):.1f} dB {'above' if strays_db[worst] > 0 else 'below'} "
                f"what {name} gives at the other spots.",
            )
        )
    return tuple(checks)
