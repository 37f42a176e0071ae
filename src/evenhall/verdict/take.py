"""Takes, and what the takes at one spot say together.

A `Take` is one recording judged for itself (`trust.py`). Takes of one element at one spot make
a `SpotResponse`; a `Spot` knows how far down the room it lies.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bandlevel import BandLevels
from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, MID_BANDS
from evenhall.acoustics.transfer import Response
from evenhall.acoustics.walking import Walked, independent_places
from evenhall.hall.label import WALK, AtSpot, TakeLabel
from evenhall.verdict.problem import Problem

__all__ = [
    "ALIGN_BANDS",
    "SpotResponse",
    "Take",
    "WalkResponse",
    "align_level_db",
    "as_played",
    "nan_mean",
    "spot_places",
    "spot_responses",
    "walk_responses",
]

FloatArray = NDArray[np.float64]

# Levels are lined up, and match is judged, over these.
ALIGN_BANDS = np.isin(EXACT_HZ, EXACT_HZ[MID_BANDS])
# Names that say their place where no distance is known.
NAMED_ORDER = {"front": 0.0, "middle": 1.0, "back": 2.0}
NOTHING: FloatArray = np.full(BAND_COUNT, np.nan)
USUAL_PACE_M_S = 0.7  # where neither the way nor the recording tells it


@dataclass(frozen=True, kw_only=True)
class Take(TakeLabel):
    """One recording of one element at one spot; the label says which.

    Parameters
    ----------
    distance_m : float or None
        Loudspeaker to microphone.
    response : Response or None
        None where nothing could be measured, and of a walk.
    usable : bool
        Whether its levels count.
    walked : Walked or None
        What a walk gave instead.
    walked_m : float or None
        How long its way was, where that is known.
    passed : mapping of str to float
        When it passed which spot, seconds of the recording.
    """

    file: str
    distance_m: float | None
    response: Response | None
    problems: tuple[Problem, ...] = ()
    usable: bool = True
    walked: Walked | None = None
    walked_m: float | None = None
    passed: Mapping[str, float] = field(default_factory=dict)

    @property
    def heard(self) -> BandLevels | None:
        """Its band levels and what they are worth; None where it cannot be used."""
        if not self.usable:
            return None
        if self.walked is not None:
            return self.walked.bands
        return None if self.response is None else self.response.bands

    @property
    def level_db(self) -> FloatArray:
        """Band levels, nan where not usable, shape (31,)."""
        return NOTHING if self.heard is None else self.heard.level_db

    @property
    def uncertainty_db(self) -> FloatArray:
        """Uncertainty of the band levels, nan where not usable, shape (31,)."""
        heard = self.heard
        return NOTHING if heard is None else np.where(heard.usable, heard.uncertainty_db, np.nan)


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


@dataclass(frozen=True, kw_only=True)
class WalkResponse(AtSpot):
    """One element, heard while the microphone was carried through the rows.

    Parameters
    ----------
    shape_db : ndarray, shape (31,)
        Mean in dB over pieces of the way, each lined up in level; nan where not usable.
    uncertainty_db : ndarray, shape (31,)
        What measuring it strays by, not what places stray by.
    places : ndarray, shape (31,)
        How many independent places the way was.
    length_m : float
        Of the way.
    """

    shape_db: FloatArray
    uncertainty_db: FloatArray
    places: FloatArray
    length_m: float
    takes: tuple[Take, ...] = ()


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


def walk_responses(takes: Sequence[Take], *, state: str) -> tuple[WalkResponse, ...]:
    """Usable walks in one state, joined by element.

    Several walks with one element are the same way again: they sharpen what was measured, and pass
    no other places.
    """
    groups: dict[str, list[Take]] = {}
    for take in takes:
        if take.walked is not None and take.usable and take.state == state:
            groups.setdefault(take.side, []).append(take)
    found = []
    for side, group in groups.items():
        walks = [(take, take.walked) for take in group if take.walked is not None]
        length_m = max(_way_m(take, walked) for take, walked in walks)
        evenly = np.max([walked.evenly_ratio for _, walked in walks], axis=0)
        doubt_db = np.stack([take.uncertainty_db for take, _ in walks])
        found.append(
            WalkResponse(
                side=side,
                spot=WALK,
                shape_db=nan_mean(np.stack([walked.shape_db for _, walked in walks])),
                uncertainty_db=nan_mean(doubt_db) / np.sqrt(len(walks)),
                places=np.maximum(independent_places(length_m) * evenly, 1.0),
                length_m=length_m,
                takes=tuple(group),
            )
        )
    return tuple(found)


def _way_m(take: Take, walked: Walked) -> float:
    """Length of a way: as given, else by the pace that the recording tells."""
    if take.walked_m is not None:
        return take.walked_m
    return walked.length_m if np.isfinite(walked.length_m) else USUAL_PACE_M_S * walked.walked_s
