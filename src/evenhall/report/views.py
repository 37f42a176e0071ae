"""What the drawings show, taken from a result and its job.

`card_views()` for the faders, `hall_view()` for the room, `evenness_view()` for the spots of one
state (before or after), `response_view()` for the common response with its forecast,
`proof_view()` for what was measured after it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.drawing import (
    CardFader,
    CardView,
    Curve,
    EvennessView,
    HallView,
    MapRow,
    MapSide,
    ResponseView,
)
from evenhall.hall.elements import SIDES, Element
from evenhall.hall.label import BOTH, TakeLabel
from evenhall.hall.level import EVEN_WITHIN_DB
from evenhall.job.folder.checks import Draft
from evenhall.job.folder.model import Job, Venue
from evenhall.job.tune.result import BandLevel, Fader, Result, Row
from evenhall.verdict.take import (
    SpotResponse,
    Take,
    align_level_db,
    as_played,
    nan_mean,
    spot_responses,
)
from evenhall.words import capitalised

__all__ = [
    "card_views",
    "evenness_view",
    "hall_view",
    "in_order",
    "limit_db",
    "proof_view",
    "response_view",
    "side_title",
    "stance_of",
]

MAX_SIDES, MAX_SPOTS = 4, 8  # what a page can hold

FloatArray = NDArray[np.float64]


def card_views(result: Result, job: Job) -> dict[str, CardView]:
    """Show each list of faders on the card, by its key; none where no card could be made."""
    unit = job.equalizer
    return {
        key: CardView(
            title=side_title(key, job.rig.sides),
            faders=tuple(CardFader(fader.hz, fader.fader_db) for fader in faders),
            range_db=unit.range_db,
            step_db=unit.step_db,
            order_hz=tuple(one.hz for one in in_order(faders)),
        )
        for key, faders in result.card.items()
        if faders
    }


def in_order(faders: Sequence[Fader]) -> list[Fader]:
    """Sort the faders that move by what they bring, most first."""
    moved = [fader for fader in faders if fader.fader_db]
    return sorted(moved, key=lambda fader: fader.order or len(faders) + 1)


def side_title(key: str, sides: Sequence[str]) -> str:
    """Name whom a card serves.

    Examples
    --------
    >>> side_title("both", ["left", "right", "sub"]), side_title("sub", ["left", "sub"])
    ('Left and right', 'Sub')
    """
    mains = [side for side in sides if Element.named(side).is_main]
    name = " and ".join(mains) if key == BOTH and len(mains) == 2 else key
    return capitalised(name)


def evenness_view(result: Result, state: str, *, walked: bool = True) -> EvennessView | None:
    """Levels of each spot against the median of all, for the takes "before" or "after" the card.

    The median of the spots of one side, band by band: one spot's own hole marks that spot, and not
    all others. With two spots it lies half way between them. None where no side has two spots with
    usable takes. Bands below the first or above the last one that any spot can use are left out.

    Parameters
    ----------
    walked : bool
        Whether to show what walks heard as well, which needs room.
    """
    spots = [spot for spot in _spots(result, state) if spot.element.is_main]
    by_side: dict[str, list[SpotResponse]] = {}
    for spot in spots:
        by_side.setdefault(spot.side, []).append(spot)
    sides = [(name, own) for name, own in by_side.items() if len(own) > 1][:MAX_SIDES]
    heard = [np.isfinite(spot.level_db) for _, own in sides for spot in own]
    used = np.flatnonzero(np.any(heard, axis=0)) if heard else np.array([])
    if not used.size:
        return None
    bands = slice(used[0], used[-1] + 1)
    when = "before the work" if state == "before" else "after the work"
    return EvennessView(
        title=f"Evenness {when}",
        band_hz=tuple(NOMINAL_HZ[bands].tolist()),
        sides=tuple(
            _map_side(name, own, bands, _walk_rows(result, state, name) if walked else [])
            for name, own in sides
        ),
        limit_db=limit_db(result),
    )


def limit_db(result: Result) -> float:
    """How far front and back may differ."""
    return EVEN_WITHIN_DB if result.evenness is None else result.evenness.limit_db


def hall_view(job: Job | Draft, proposed: Mapping[str, Any], rows: Sequence[Row]) -> HallView:
    """Show the hall of a job as it is set out, and as it is proposed.

    Parameters
    ----------
    job : Job or Draft
    proposed : mapping
        As `stance_of()` gives it.
    rows : sequence of Row
        What they hear of it; empty where that is not forecast.
    """
    venue, audience, rig = job.venue or Venue(name=""), job.audience, job.rig
    return HallView(
        title=venue.name,
        length_m=venue.length_m,
        width_m=venue.width_m,
        height_m=venue.height_m,
        first_row_m=audience.first_row_m,
        last_row_m=audience.last_row_m,
        ear_height_m=audience.ear_height_m,
        sides=rig.sides or SIDES,
        speaker_height_m=rig.speaker_height_m,
        speaker_down_deg=rig.speaker_down_deg,
        coverage_h_deg=rig.coverage_h_deg,
        coverage_v_deg=rig.coverage_v_deg,
        max_height_m=rig.max_height_m,
        proposed_height_m=proposed.get("speaker_height_m"),
        proposed_down_deg=proposed.get("speaker_down_deg"),
        speaker_inwards_deg=rig.speaker_inwards_deg,
        proposed_inwards_deg=proposed.get("speaker_inwards_deg"),
        rows_m=tuple(row.row_m for row in rows),
        rows_now_db=tuple(row.now_db for row in rows),
        rows_proposed_db=tuple(row.proposed_db for row in rows if row.proposed_db is not None),
    )


def stance_of(result: Result) -> dict[str, Any]:
    """Give height, tilt and turn that the worklist proposes, by the names of their figures."""
    figures: dict[str, Any] = {}
    for move in result.moves:
        if move.kind in ("raise", "aim"):
            figures |= move.to
    return figures


def _walk_rows(result: Result, state: str, side: str) -> list[tuple[str, FloatArray]]:
    """Give what the last usable walk with a side heard, row by row where that is known."""
    walks = [
        take
        for take in result.takes
        if take.walk is not None and take.usable and (take.side, take.state) == (side, state)
    ]
    if not walks:
        return []
    last = walks[-1]
    assert last.walk is not None
    rows = last.walk.rows
    if not rows:
        whole = {band.hz: band.level_db for band in last.bands if band.usable}
        return [("walk", _by_band(whole))]
    return [
        (f"walk {at} of {len(rows)}", np.array(row.levels_db, dtype=np.float64))
        for at, row in enumerate(rows, 1)
    ]


def _map_side(
    name: str,
    spots: Sequence[SpotResponse],
    bands: slice,
    walked: Sequence[tuple[str, FloatArray]],
) -> MapSide:
    reference_db = _reference_db(spots)
    spread = np.linspace(0, len(spots) - 1, min(len(spots), MAX_SPOTS)).round().astype(int)
    rows = tuple(
        MapRow(
            label=spot.spot,
            level_db=_levels(spot.level_db - reference_db, bands),
            distance_m=None if spot.distance_m is None else round(spot.distance_m, 1),
        )
        for spot in (spots[at] for at in spread.tolist())
    )
    along = tuple(
        MapRow(label=label, level_db=_levels(level_db - reference_db, bands))
        for label, level_db in walked
    )
    front_minus_back_db = _levels(spots[0].level_db - spots[-1].level_db, bands)
    return MapSide(capitalised(name), (*rows, *along), front_minus_back_db)


def _reference_db(spots: Sequence[SpotResponse]) -> FloatArray:
    """Median of the spots, band by band; nan where fewer than two of them are usable."""
    heard = np.stack([spot.level_db for spot in spots])
    shared = np.isfinite(heard).sum(axis=0) > 1
    median_db = np.nanmedian(np.where(shared, heard, 0.0), axis=0)
    return np.asarray(np.where(shared, median_db, np.nan))


def _levels(level_db: FloatArray, bands: slice) -> tuple[float | None, ...]:
    return tuple(round(db, 2) if np.isfinite(db) else None for db in level_db[bands].tolist())


@dataclass(frozen=True, kw_only=True)
class _ReportedTake(Take):
    """A take as a result reports it: its band levels are written out, its response is gone."""

    bands: tuple[BandLevel, ...] = ()

    @property
    def level_db(self) -> FloatArray:
        return _by_band({band.hz: band.level_db for band in self.bands if band.usable})

    @property
    def uncertainty_db(self) -> FloatArray:
        return _by_band({band.hz: band.uncertainty_db for band in self.bands if band.usable})


def _spots(result: Result, state: str) -> tuple[SpotResponse, ...]:
    """Join the takes at each spot just as the verdict does, so that the two cannot differ."""
    takes = [
        _ReportedTake(
            file=take.file,
            distance_m=take.distance_m,
            response=None,
            usable=take.usable,
            bands=take.bands,
            **vars(TakeLabel.of(take)),
        )
        for take in result.takes
        if take.at == "audience" and take.walk is None
    ]
    return spot_responses(as_played(takes), state=state)


def response_view(result: Result, job: Job) -> ResponseView | None:
    """Show the area before the card and with it, the target where it then lies, and the spots.

    What no take tells breaks the curve; what lies outside the range of the loudspeakers is shown
    as the mean of the spots, and answered for by nobody.
    """
    forecast = result.forecast
    if forecast is None or not forecast.bands:
        return None
    hz = [band.hz for band in forecast.bands]
    before = _by_band({band.hz: band.before_db for band in forecast.bands})
    # All spots share one name: which is which matters little here, and the map shows it.
    mains = [spot for spot in _spots(result, "before") if spot.element.is_main]
    levels = [_aligned(spot.level_db, before) for spot in mains]
    spots = tuple(
        Curve("" if at else "spots", NOMINAL_HZ.tolist(), _levels(level, slice(None)))
        for at, level in enumerate(levels)
    )
    # Both curves and the target at one level: what the card takes from it shows.
    aims_db = forecast.card_level_db + float(
        np.mean([band.after_db - band.target_db for band in forecast.bands if band.weight >= 1.0])
    )
    walked = [
        take
        for take in result.takes
        if take.walk is not None and take.usable and take.state == "before"
    ]
    shapes = [_by_band({band.hz: band.shape_db for band in t.walk.bands}) for t in walked if t.walk]
    walks = tuple(
        Curve("" if at else "walk", NOMINAL_HZ.tolist(), _levels(level, slice(None)))
        for at, level in enumerate(_aligned(shape, before) for shape in shapes)
    )
    return ResponseView(
        title="The area before the card and with it",
        common=Curve(
            "before", hz, [band.before_db if band.known else None for band in forecast.bands]
        ),
        uncertainty_db=[band.doubt_db for band in forecast.bands],
        beyond=Curve("", NOMINAL_HZ.tolist(), _levels(_beyond(levels, before), slice(None))),
        target=Curve("target", hz, [band.target_db + aims_db for band in forecast.bands]),
        forecast=Curve(
            "forecast", hz, [band.after_db + forecast.card_level_db for band in forecast.bands]
        ),
        spots=spots,
        walks=walks,
        low_limit_hz=_low_limit_hz(result, job),
    )


def proof_view(result: Result, job: Job) -> ResponseView | None:
    """Show what was measured after the work beside forecast and target; None without a proof."""
    proof = result.proof
    if proof is None or not proof.bands:
        return None
    hz = [band.hz for band in proof.bands]
    return ResponseView(
        title="Measured, forecast and target",
        common=Curve("measured", hz, [band.measured_db for band in proof.bands]),
        target=Curve("target", hz, [band.target_db for band in proof.bands]),
        forecast=Curve("forecast", hz, [band.forecast_db for band in proof.bands]),
        low_limit_hz=_low_limit_hz(result, job),
    )


def _low_limit_hz(result: Result, job: Job) -> float | None:
    """Low limit of what was heard: none where the subs played along."""
    subs_play = any(take.with_subs and take.usable for take in result.takes)
    return None if subs_play else job.rig.low_limit_hz


def _beyond(levels: Sequence[FloatArray], before: FloatArray) -> FloatArray:
    """Mean of the spots outside the range, and the band that it joins at either end."""
    if not levels:
        return np.full(NOMINAL_HZ.size, np.nan)
    answered = np.flatnonzero(np.isfinite(before))
    joined = np.where(np.isfinite(before), before, nan_mean(np.stack(levels)))
    joined[answered[0] + 1 : answered[-1]] = np.nan
    return joined


def _aligned(level_db: FloatArray, common_db: FloatArray) -> FloatArray:
    """Shift a spot's levels so that they lie on the common response, 200 Hz to 4 kHz."""
    return np.asarray(level_db - align_level_db(level_db - common_db))


def _by_band(known: Mapping[float, float | None]) -> FloatArray:
    return np.array([known.get(hz) for hz in NOMINAL_HZ.tolist()], dtype=np.float64)
