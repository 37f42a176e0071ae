"""What the drawings of the sheet show, taken from a result and its job.

`card_views()` for the faders, `evenness_view()` for the spots of one state (before or after),
`response_view()` for the common response with its forecast.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import fmean

from evenhall.drawing import CardFader, CardView, Curve, EvennessView, MapRow, MapSide, ResponseView
from evenhall.job.folder import Job
from evenhall.job.result import Result, TakeResult

__all__ = ["card_views", "evenness_view", "response_view", "side_title"]

# Where a job gives no distance the names that everybody uses still have an order.
NAMED_SPOTS = ("front", "middle", "back")
MAX_SIDES, MAX_SPOTS = 4, 8  # what a page can hold

Levels = dict[float, float]


def card_views(result: Result, job: Job) -> tuple[CardView, ...]:
    """One view for each list of faders on the card; none where no card could be made."""
    unit = job.equalizer
    return tuple(
        CardView(
            title=side_title(key, job.rig.sides),
            faders=tuple(CardFader(fader.hz, fader.fader_db) for fader in faders),
            range_db=unit.range_db,
            step_db=unit.step_db,
        )
        for key, faders in result.card.items()
        if faders
    )


def side_title(key: str, sides: Sequence[str]) -> str:
    """Name whom a card serves.

    Examples
    --------
    >>> side_title("both", ["left", "right"]), side_title("sub", ["left", "sub"])
    ('Left and right', 'Sub')
    """
    name = " and ".join(sides) if key == "both" and len(sides) == 2 else key
    return name[:1].upper() + name[1:]


def evenness_view(result: Result, state: str) -> EvennessView | None:
    """Levels of each spot against the middle one, for the takes "before" or "after" the card.

    None where no side has two spots with usable takes. Bands below the first or above the last
    one that any spot can use are left out.
    """
    takes = [take for take in result.takes if take.state == state and take.usable]
    sides = [(name, spots) for name, spots in _spots_by_side(takes).items() if len(spots) > 1]
    sides = sides[:MAX_SIDES]
    used = sorted({hz for _, spots in sides for _, levels in spots for hz in levels})
    if not used:
        return None
    all_hz = sorted({band.hz for take in takes for band in take.bands})
    band_hz = tuple(hz for hz in all_hz if used[0] <= hz <= used[-1])
    when = "before the work" if state == "before" else "after the work"
    return EvennessView(
        title=f"Evenness {when}",
        band_hz=band_hz,
        sides=tuple(_map_side(name, spots, band_hz) for name, spots in sides),
        limit_db=result.evenness.limit_db if result.evenness else 6.0,
    )


def _map_side(
    name: str, spots: Sequence[tuple[Sequence[TakeResult], Levels]], band_hz: Sequence[float]
) -> MapSide:
    middle = (len(spots) - 1) // 2
    reference = spots[middle][1]
    rows = tuple(
        MapRow(
            label=takes[0].spot,
            level_db=_difference(levels, reference, band_hz),
            distance_m=_distance_m(takes),
            reference=at == middle,
        )
        for at, (takes, levels) in enumerate(spots)
    )
    front_minus_back_db = _difference(spots[0][1], spots[-1][1], band_hz)
    return MapSide(name[:1].upper() + name[1:], rows, front_minus_back_db)


def _difference(
    levels: Levels, reference: Levels, band_hz: Sequence[float]
) -> tuple[float | None, ...]:
    return tuple(
        levels[hz] - reference[hz] if hz in levels and hz in reference else None for hz in band_hz
    )


def _spots_by_side(
    takes: Iterable[TakeResult],
) -> dict[str, list[tuple[list[TakeResult], Levels]]]:
    """For each side its spots, front to back, each with its takes and its mean levels."""
    by_side: dict[str, dict[str, list[TakeResult]]] = {}
    for take in takes:
        by_side.setdefault(take.side, {}).setdefault(take.spot, []).append(take)
    return {
        side: [(spot, _mean_levels(spot)) for spot in sorted(spots.values(), key=_depth)][
            :MAX_SPOTS
        ]
        for side, spots in by_side.items()
    }


def _distance_m(takes: Sequence[TakeResult]) -> float | None:
    known = [take.distance_m for take in takes if take.distance_m is not None]
    return round(fmean(known), 1) if known else None


def _depth(takes: Sequence[TakeResult]) -> tuple[bool, float, int]:
    """Sort key, front to back: by distance, else by name, else as the job lists them."""
    distance_m, spot = _distance_m(takes), takes[0].spot.lower()
    named = NAMED_SPOTS.index(spot) if spot in NAMED_SPOTS else len(NAMED_SPOTS)
    return distance_m is None, distance_m or 0.0, named


def _mean_levels(takes: Sequence[TakeResult]) -> Levels:
    """Level of each band that every take of one spot can use, dB re the reference."""
    usable = [
        {band.hz: band.level_db for band in take.bands if band.usable and band.level_db is not None}
        for take in takes
    ]
    shared = set(usable[0]).intersection(*usable[1:])
    return {hz: fmean(levels[hz] for levels in usable) for hz in sorted(shared)}


def response_view(result: Result, job: Job) -> ResponseView | None:
    """Show the common response before the card, the target, the forecast and the single spots."""
    forecast = result.forecast
    if forecast is None or not forecast.bands:
        return None
    hz = [band.hz for band in forecast.bands]
    before = {band.hz: band.before_db for band in forecast.bands}
    takes = [take for take in result.takes if take.usable and take.state == "before"]
    aligned = (_aligned(_mean_levels([take]), before) for take in takes)
    # All spots share one name: which is which matters little here, and the map shows it.
    spots = tuple(
        Curve("spots" if at == 0 else "", list(levels), list(levels.values()))
        for at, levels in enumerate(levels for levels in aligned if levels)
    )
    return ResponseView(
        title="Common response",
        common=Curve("before", hz, list(before.values())),
        target=Curve("target", hz, [band.target_db for band in forecast.bands]),
        forecast=Curve("forecast", hz, [band.after_db for band in forecast.bands]),
        spots=spots,
        low_limit_hz=job.rig.low_limit_hz,
    )


def _aligned(levels: Levels, common: Levels) -> Levels:
    """Shift a spot's levels so that they lie on the common response on average."""
    shared = [hz for hz in common if hz in levels]
    if not shared:
        return {}
    shift_db = fmean(common[hz] - levels[hz] for hz in shared)
    return {hz: levels[hz] + shift_db for hz in shared}
