"""The walk over stances of a pair: a coarse grid, then steps that a person would set.

Limits       what stands, brackets and the stage allow
by_place()   values of many stances, sums shared between those of one place
spread_db()  loudest seat less softest, of many stances
Search       what was tried, and what may be
searched()   start there
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.hall.coverage import HOLDS_ABOVE_HZ, NOMINAL_DB
from evenhall.hall.seats import Seats
from evenhall.hall.setting import CEILING_GAP_M
from evenhall.hall.stances import Hearing, PairStance

__all__ = [
    "HEAD_M",
    "NAMES",
    "WORTH_DB",
    "Limits",
    "Search",
    "by_place",
    "effort",
    "moved",
    "searched",
    "spread_db",
]

FloatArray = NDArray[np.float64]

# Steps that a person would set, and those in which the best there is is told.
STEPS = PairStance(height_m=0.1, down_deg=1.0, inwards_deg=5.0, along_m=0.25, aside_m=0.25)
FINE_STEPS = PairStance(height_m=0.05, down_deg=0.5, inwards_deg=1.0, along_m=0.05, aside_m=0.05)
COARSE = PairStance(height_m=0.3, down_deg=2.0, inwards_deg=5.0, along_m=1.0, aside_m=1.0)
STARTS = 4
# Less than this nobody hears, and the forecast is no better: not worth a move, nor a larger one.
WORTH_DB = 0.5
# Half the step of the tilt: the axis may pass this far over the last row's ears.
AIM_SLACK_DEG = 0.5
# Top of a head over its ears: a horn no higher lies behind the heads of every row but the first.
# Common practice, no source.
HEAD_M = 0.1
# A degree is a turn of the bracket, a metre a job with the ladder; common practice, no source.
METRE_IN_DEG = 30.0
PUSH_IN_DEG = 15.0  # a metre along the floor, against a degree of tilt; common practice, no source
NAMES = ("height_m", "down_deg", "inwards_deg", "along_m", "aside_m")


@dataclass(frozen=True)
class Limits:
    """What stands, brackets and the stage allow.

    Parameters
    ----------
    max_height_m : float or None
        None leaves the height.
    down_deg, inwards_deg : tuple of float
        Lowest and highest angle that a bracket gives.
    along_m, aside_m : tuple of float or None
        From where to where the loudspeakers may be pushed; None leaves them.
    """

    max_height_m: float | None = None
    down_deg: tuple[float, float] = (0.0, 30.0)
    inwards_deg: tuple[float, float] = (-10.0, 40.0)
    along_m: tuple[float, float] | None = None
    aside_m: tuple[float, float] | None = None


def by_place(
    stances: Sequence[PairStance],
    of: Callable[[PairStance, FloatArray, FloatArray], FloatArray],
) -> FloatArray:
    """Values of many stances, shape (n_stances, ...), all aims from one place at a time.

    Parameters
    ----------
    stances : sequence of PairStance
        One or more.
    of : callable
        A method of `Hearing` that takes a place, tilts and turns.
    """
    places: dict[tuple[float, float, float], list[int]] = {}
    for at, stance in enumerate(stances):
        places.setdefault((stance.height_m, stance.along_m, stance.aside_m), []).append(at)
    found: list[FloatArray] = [np.empty(0)] * len(stances)
    for same in places.values():
        down_deg = np.array([stances[at].down_deg for at in same])
        inwards_deg = np.array([stances[at].inwards_deg for at in same])
        values = of(stances[same[0]], down_deg, inwards_deg)
        for at, value in zip(same, values, strict=True):
            found[at] = value
    return np.array(found)


def spread_db(hearing: Hearing, stances: Sequence[PairStance]) -> FloatArray:
    """Loudest seat less softest in each of the stances, shape (n_stances,)."""
    return np.asarray(np.ptp(by_place(stances, hearing.mid_db), axis=1))


@dataclass(eq=False)
class Search:
    """Stances tried so far, and what is allowed."""

    hearing: Hearing
    present: PairStance
    limits: Limits
    seats: Seats
    tried: dict[PairStance, float] = field(default_factory=dict)
    _loss_db: dict[float, float] = field(default_factory=dict)  # by angle below the axis

    def bounds(self, name: str) -> tuple[float, float]:
        """Lowest and highest value of one figure; never lower than the loudspeakers are now."""
        now = float(getattr(self.present, name))
        if name == "height_m":
            highest = self.limits.max_height_m
            ceiling_m = self.hearing.room.height_m
            top = now if highest is None else highest
            top = top if ceiling_m is None else min(top, ceiling_m - CEILING_GAP_M)
            return now, max(now, top)
        given: tuple[float, float] | None = getattr(self.limits, name)
        if name == "inwards_deg" and len(self.hearing.pair) < 2:
            given = None
        return (now, now) if given is None else given

    def values(self, name: str, step: float) -> FloatArray:
        """Present value and the whole steps within the bounds."""
        low, high = self.bounds(name)
        if high <= low:
            return np.array([getattr(self.present, name)])
        first, last = np.ceil(low / step - 1e-6), np.floor(high / step + 1e-6)
        return np.union1d(
            (np.arange(first, last + 1) * step).round(6), [getattr(self.present, name)]
        )

    def allowed(self, stance: PairStance) -> bool:
        """Whether horns are over the heads, the axis on the people, the last row within coverage.

        Aiming over the last row, or past the outer seats, would often look more even, as those
        in front lose most by it; but that sound comes back off a wall. Aiming at the front rows
        looks more even wherever the room answers loudly: the back then hears the room alone.
        Common practice, no source.
        """
        for name in NAMES:
            low, high = self.bounds(name)
            value = getattr(stance, name)
            if not low - 1e-9 <= value <= high + 1e-9 and value != getattr(self.present, name):
                return False
        ahead_m = float(self.seats.along_m.max()) - stance.along_m
        below_deg = np.degrees(np.arctan2(stance.height_m - self.seats.ear_height_m, ahead_m))
        on_people = stance.down_deg >= min(below_deg - AIM_SLACK_DEG, self.limits.down_deg[1])
        still = (stance.height_m, stance.down_deg) == (self.present.height_m, self.present.down_deg)
        return bool(
            (on_people or still)
            and (stance.down_deg <= self.steepest_deg(stance) or self._flatter(stance))
            and not self.behind_heads(stance)
            and self._turned_at_people(stance, ahead_m)
            and self._covers(float(below_deg - stance.down_deg))
        )

    def steepest_deg(self, stance: PairStance) -> float:
        """Tilt at which the axis meets the heads in the middle of the audience; never upwards."""
        ahead_m = float(self.seats.along_m[[0, -1]].mean()) - stance.along_m
        drop_m = stance.height_m - self.seats.ear_height_m
        return max(0.0, float(np.degrees(np.arctan2(drop_m, max(ahead_m, 0.0)))))

    def _flatter(self, stance: PairStance) -> bool:
        """Whether a box that points short of the middle already does so no more than it does."""
        short = self.present.down_deg > self.steepest_deg(self.present)
        return short and stance.down_deg <= self.present.down_deg

    def behind_heads(self, stance: PairStance) -> bool:
        """Whether the horns stand no higher than the heads, and could."""
        heads_m = self.seats.ear_height_m + HEAD_M
        return stance.height_m <= heads_m < self.bounds("height_m")[1]

    def _covers(self, off_axis_deg: float) -> bool:
        if off_axis_deg not in self._loss_db:
            loss_db = self.hearing.pair[0].pattern.off_axis_db(
                0.0, off_axis_deg, freq_hz=[HOLDS_ABOVE_HZ]
            )
            self._loss_db[off_axis_deg] = loss_db.item()
        return self._loss_db[off_axis_deg] >= NOMINAL_DB

    def _turned_at_people(self, stance: PairStance, ahead_m: float) -> bool:
        """Whether the axes meet the last row between its outer seats; outwards of straight, too."""
        if len(self.hearing.pair) < 2:
            return True
        aside_m = stance.aside_m - ahead_m * np.tan(np.radians(stance.inwards_deg))
        half_m = float(np.abs(self.seats.across_m - self.hearing.middle_m).max())
        return bool(-half_m <= aside_m and (stance.inwards_deg >= 0.0 or aside_m <= half_m))

    def look(self, stances: Iterable[PairStance]) -> None:
        """Try those that are allowed and new."""
        new = [one for one in dict.fromkeys(stances) if one not in self.tried and self.allowed(one)]
        if new:
            self.tried.update(zip(new, spread_db(self.hearing, new).tolist(), strict=True))

    def around(self, stance: PairStance, steps: PairStance) -> Iterable[PairStance]:
        """Give the neighbours, one or two figures changed."""
        moves = {
            name: [k * float(getattr(steps, name)) for k in (-3, -1, 1, 3)]
            for name in NAMES
            if self.bounds(name)[0] < self.bounds(name)[1]
        }
        for name, changes in moves.items():
            for change in changes:
                yield moved(stance, {name: change})
        for one, other in itertools.combinations(moves, 2):
            for first, second in itertools.product(moves[one][1:3], moves[other][1:3]):
                yield moved(stance, {one: first, other: second})

    def descend(self, start: PairStance, steps: PairStance) -> PairStance:
        """Walk from `start` until no neighbour is more even."""
        here = start
        while True:
            near = [one for one in self.around(here, steps) if self.allowed(one)]
            self.look(near)
            best = min([here, *near], key=lambda one: self.tried[one])
            if self.tried[best] >= self.tried[here]:
                return here
            here = best


def moved(stance: PairStance, changes: dict[str, float]) -> PairStance:
    """Change figures of a stance by so much each."""
    return replace(
        stance, **{name: round(getattr(stance, name) + by, 6) for name, by in changes.items()}
    )


def effort(stance: PairStance, present: PairStance) -> float:
    """How much work a move is, in degrees turned at a bracket."""
    return (
        METRE_IN_DEG * abs(stance.height_m - present.height_m)
        + abs(stance.down_deg - present.down_deg)
        + abs(stance.inwards_deg - present.inwards_deg)
        + PUSH_IN_DEG * abs(stance.along_m - present.along_m)
        + PUSH_IN_DEG * abs(stance.aside_m - present.aside_m)
    )


def searched(search: Search) -> tuple[list[PairStance], float]:
    """Stances in steps that a person would set, and the least spread there is."""
    grids = [search.values(name, getattr(COARSE, name)) for name in NAMES[:3]]
    here = (search.present.along_m, search.present.aside_m)
    search.look(
        PairStance(float(height), float(down), float(inwards), *here)
        for height, down, inwards in itertools.product(*grids)
    )
    if not search.tried:
        return [], float("nan")
    ranked = sorted(search.tried, key=lambda one: search.tried[one])
    # Other places are tried from the best aim of the present one.
    places = [search.values(name, getattr(COARSE, name)) for name in NAMES[3:]]
    search.look(
        replace(ranked[0], along_m=float(along), aside_m=float(aside))
        for along, aside in itertools.product(*places)
    )
    ranked = sorted(search.tried, key=lambda one: search.tried[one])
    starts: list[PairStance] = []
    for one in ranked:
        if all(effort(one, other) > 3 * STEPS.inwards_deg for other in starts):
            starts.append(one)
        if len(starts) == STARTS:
            break
    ends = [search.descend(start, STEPS) for start in starts]
    doable = list(search.tried)
    best = min(ends, key=lambda one: search.tried[one])
    return doable, search.tried[search.descend(best, FINE_STEPS)]
