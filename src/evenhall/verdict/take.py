"""Takes, and what the takes at one spot say together.

A `Take` is one recording judged for itself (`trust.py`). Takes of one element at one spot make
a `SpotResponse`; a `Spot` knows how far down the room it lies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, MID_BANDS
from evenhall.acoustics.transfer import Response
from evenhall.hall.label import AtSpot, TakeLabel
from evenhall.verdict.problem import Problem

__all__ = [
    "ALIGN_BANDS",
    "SpotResponse",
    "Take",
    "align_level_db",
    "as_played",
    "nan_mean",
    "spot_places",
    "spot_responses",
]

FloatArray = NDArray[np.float64]

# Levels are lined up, and match is judged, over these.
ALIGN_BANDS = np.isin(EXACT_HZ, EXACT_HZ[MID_BANDS])
# Names that say their place where no distance is known.
NAMED_ORDER = {"front": 0.0, "middle": 1.0, "back": 2.0}


@dataclass(frozen=True, kw_only=True)
class Take(TakeLabel):
    """One recording of one element at one spot; the label says which.

    Parameters
    ----------
    distance_m : float or None
        Loudspeaker to microphone.
    response : Response or None
        None where nothing could be measured.
    usable : bool
        Whether its levels count.
    """

    file: str
    distance_m: float | None
    response: Response | None
    problems: tuple[Problem, ...] = ()
    usable: bool = True

    @property
    def level_db(self) -> FloatArray:
        """Band levels, nan where not usable, shape (31,)."""
        if self.response is None or not self.usable:
            return np.full(BAND_COUNT, np.nan)
        return self.response.bands.level_db

    @property
    def uncertainty_db(self) -> FloatArray:
        """Uncertainty of the band levels, nan where not usable, shape (31,)."""
        if self.response is None or not self.usable:
            return np.full(BAND_COUNT, np.nan)
        return np.where(self.response.bands.usable, self.response.bands.uncertainty_db, np.nan)


@dataclass(frozen=True, kw_only=True)
class SpotResponse(AtSpot):
    """One element at one spot: the mean of its takes.

    Parameters
    ----------
    distance_m : float or None
    place : float
        What sorts the spots from front to back.
    level_db, uncertainty_db : ndarray, shape (31,)
        nan where not usable.
    """

    distance_m: float | None
    place: float
    level_db: FloatArray
    uncertainty_db: FloatArray
    takes: tuple[Take, ...]


def nan_mean(values: FloatArray, axis: int = 0) -> FloatArray:
    """Mean over what is known; nan where nothing is."""
    known = np.isfinite(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def align_level_db(level_db: FloatArray) -> float:
    """Mean in dB of the usable bands from 200 Hz to 4 kHz; of all bands if there is none."""
    inside = np.isfinite(level_db) & ALIGN_BANDS
    if not inside.any():
        inside = np.isfinite(level_db)
    return float(level_db[inside].mean()) if inside.any() else float("nan")


def as_played(takes: Sequence[Take]) -> list[Take]:
    """Leave out takes of the mains alone where there are any with the subs.

    An equalizer before mains and subs is set for what they do together. Takes after the work
    are of the same kind as those before it.
    """
    whole = any(take.with_subs and take.usable and take.state == "before" for take in takes)
    return [take for take in takes if take.with_subs == whole or not take.element.is_main]


def _combine(takes: Sequence[Take]) -> tuple[FloatArray, FloatArray]:
    """Mean of takes by trust, at the level of the first: a later gain change must not move it."""
    levels = np.stack([take.level_db for take in takes])
    uncertainty = np.stack([take.uncertainty_db for take in takes])
    if len(takes) == 1:
        return levels[0], uncertainty[0]
    own = np.array([align_level_db(level) for level in levels])
    levels = levels - np.nan_to_num(own - own[0])[:, None]
    trust = np.where(np.isfinite(levels), 1.0 / np.maximum(uncertainty, 1e-3) ** 2, 0.0)
    total = trust.sum(axis=0)
    known = total > 0
    mean = (trust * np.nan_to_num(levels)).sum(axis=0) / np.where(known, total, 1.0)
    return (
        np.where(known, mean, np.nan),
        np.where(known, 1.0 / np.sqrt(np.where(known, total, 1.0)), np.nan),
    )


def spot_places(takes: Sequence[Take]) -> dict[str, float]:
    """Place the spots of these takes from front to back, usable or not.

    The distance, where every spot has one; else the names front, middle and back; else the
    order in which they were taken.
    """
    order = {spot: k for k, spot in enumerate(dict.fromkeys(take.spot for take in takes))}
    by_mains = {take.spot for take in takes if take.element.is_main}
    distances: dict[str, list[float]] = {}
    for take in takes:
        # A delay loudspeaker near the back does not bring the back nearer.
        counts = take.element.is_main or take.spot not in by_mains
        if take.distance_m is not None and counts:
            distances.setdefault(take.spot, []).append(take.distance_m)
    if all(spot in distances for spot in order):
        return {spot: float(np.mean(distances[spot])) for spot in order}
    if all(spot.lower() in NAMED_ORDER for spot in order):
        return {spot: NAMED_ORDER[spot.lower()] for spot in order}
    return {spot: float(place) for spot, place in order.items()}


def spot_responses(takes: Sequence[Take], *, state: str) -> tuple[SpotResponse, ...]:
    """Usable takes in one state, joined by element and spot, sorted from front to back."""
    # Takes in another state must not change the order of these.
    takes = [take for take in takes if take.state == state]
    places = spot_places(takes)
    groups: dict[tuple[str, str], list[Take]] = {}
    for take in takes:
        if take.usable:
            groups.setdefault((take.side, take.spot), []).append(take)
    responses = []
    for (side, spot), group in groups.items():
        level_db, uncertainty_db = _combine(group)
        known = [take.distance_m for take in group if take.distance_m is not None]
        responses.append(
            SpotResponse(
                side=side,
                spot=spot,
                distance_m=float(np.mean(known)) if known else None,
                place=places[spot],
                level_db=level_db,
                uncertainty_db=uncertainty_db,
                takes=tuple(group),
            )
        )
    return tuple(sorted(responses, key=lambda response: response.place))
