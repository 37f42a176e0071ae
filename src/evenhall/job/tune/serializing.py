"""A verdict as the result that is written: field for field what the contract says.

Start at `result_of()`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.sections import Section
from evenhall.hall.rows import RowsHeard
from evenhall.job.folder.model import Job
from evenhall.job.tune import result as out
from evenhall.verdict.evenness import Evenness
from evenhall.verdict.judge import Verdict
from evenhall.verdict.proof.wrong_faders import WrongFader
from evenhall.verdict.take import Take
from evenhall.verdict.target import target_points

__all__ = ["result_of", "rows_of"]

FloatArray = NDArray[np.float64]


def result_of(job: Job, verdict: Verdict) -> out.Result:
    """Put a verdict into the fields of a job's result."""
    points = target_points(job.target.shape, job.target.points)
    return out.Result(
        job=job.venue.name,
        takes=tuple(_take_result(take) for take in verdict.takes),
        evenness=_evenness(verdict),
        match=_match(verdict),
        patterns=tuple(
            out.Pattern(
                hz=pattern.hz,
                width_octaves=pattern.width_octaves,
                depth_db=pattern.depth_db,
                scope=pattern.scope,
                spots=pattern.spots,
                remedy=pattern.remedy,
                why=pattern.why,
                certain=pattern.certain,
            )
            for pattern in verdict.patterns
        ),
        card=_card(verdict),
        card_withheld=verdict.boxes.withheld,
        card_steps=tuple(
            out.CardStep(faders=step.faders, seat_after_db=step.seat_after_db)
            for step in (verdict.card.steps if verdict.card else ())
        ),
        strip={} if verdict.card is None else _sections(verdict.card.strips),
        console=_console(verdict),
        headroom=_headroom(verdict),
        target=out.TargetCurve(
            shape=job.target.shape if job.target.points is None else "points", points=points
        ),
        forecast=_forecast(verdict),
        moves=tuple(
            out.Move(
                order=k,
                kind=move.kind,
                text=move.text,
                from_=move.before,
                to=move.after,
                expected=move.expected,
            )
            for k, move in enumerate(verdict.moves, 1)
        ),
        rows=rows_of(verdict.rows),
        speech=_speech(verdict),
        ringing=_ringing(verdict),
        proof=_proof(verdict),
        by_cable=_by_cable(verdict),
    )


def _speech(verdict: Verdict) -> tuple[out.Speech, ...]:
    if not verdict.speech:
        return ()
    from evenhall.verdict.talker.speech import spot_text

    return tuple(
        out.Speech(
            side=one.side,
            spot=one.spot,
            sti=one.speech.sti,
            noise_dba=one.speech.noise_dba,
            text=spot_text(one),
        )
        for one in verdict.speech
    )


def _ringing(verdict: Verdict) -> tuple[out.Ringing, ...]:
    if not verdict.ringing:
        return ()
    from evenhall.verdict.talker.ringing import SAID_COUNT, ringing_texts

    return tuple(
        out.Ringing(
            side=place.side,
            spot=place.spot,
            card_gain_db=place.ringing.card_gain_db,
            bands=tuple(
                out.RingingBand(
                    hz=band.band_hz,
                    peak_hz=band.peak_hz,
                    over_db=band.over_db,
                    card_db=band.card_db,
                )
                for band in place.ringing.bands[:SAID_COUNT]
            ),
            text=" ".join(
                ringing_texts(
                    place.ringing, with_card=verdict.card is not None, raised=place.raised
                )
            ),
        )
        for place in verdict.ringing
    )


def rows_of(rows: RowsHeard | None) -> tuple[out.Row, ...]:
    """Put what the rows hear into a result's fields."""
    if rows is None:
        return ()
    proposed = [None] * rows.row_m.size if rows.proposed_db is None else rows.proposed_db
    return tuple(
        out.Row(row_m=row_m, now_db=now_db, proposed_db=proposed_db)
        for row_m, now_db, proposed_db in zip(rows.row_m, rows.now_db, proposed, strict=True)
    )


def _take_result(take: Take) -> out.TakeResult:
    response = take.response
    problems = tuple(out.TakeProblem(code=p.code, text=p.text) for p in take.problems)
    about: dict[str, Any] = {
        "file": take.file,
        "side": take.side,
        "spot": take.spot,
        "state": take.state,
        "at": take.at,
        "with_subs": take.with_subs,
        "usable": take.usable,
        "problems": problems,
        "distance_m": take.distance_m,
    }
    if response is None or not take.usable:
        levels = tuple(
            out.BandLevel(hz=hz, level_db=None, uncertainty_db=None, usable=False)
            for hz in NOMINAL_HZ
        )
        found = response is not None and any(p.code == "clock" for p in take.problems)
        clock = response.clock_ppm if found and response is not None else None
        return out.TakeResult(**about, clock_ppm=clock, bands=levels)
    bands = response.bands
    known = bands.usable
    return out.TakeResult(
        **about,
        delay_s=response.delay_s,
        clock_ppm=response.clock_ppm,
        polarity=response.polarity,
        level_db=response.level_db,
        used_ratio=response.used_ratio,
        coherence=float(np.mean(response.coherence[known])),
        bands=tuple(
            out.BandLevel(
                hz=NOMINAL_HZ[k],
                level_db=bands.level_db[k],
                uncertainty_db=bands.uncertainty_db[k] if known[k] else None,
                usable=bool(known[k]),
            )
            for k in range(NOMINAL_HZ.size)
        ),
    )


def _differences(values_db: FloatArray, even: Evenness) -> tuple[out.Difference, ...]:
    return tuple(
        out.Difference(
            hz=NOMINAL_HZ[k],
            front_minus_back_db=values_db[k],
            holds=bool(abs(values_db[k]) <= even.limit_db),
            judged=bool(even.judged[k]),
        )
        for k in np.flatnonzero(np.isfinite(values_db))
    )


def _evenness(verdict: Verdict) -> out.Evenness | None:
    even = verdict.evenness
    if even is None:
        return None
    return out.Evenness(
        limit_db=even.limit_db,
        holds=even.holds,
        bands=_differences(even.worst_db, even),
        sides={side: _differences(db, even) for side, db in even.sides.items()},
    )


def _match(verdict: Verdict) -> out.Match | None:
    alike = verdict.match
    if alike is None:
        return None
    return out.Match(
        holds=alike.holds,
        level_db=alike.level_db,
        bands=tuple(
            out.BandMatch(hz=NOMINAL_HZ[k], left_minus_right_db=alike.difference_db[k])
            for k in np.flatnonzero(np.isfinite(alike.difference_db))
        ),
    )


def _card(verdict: Verdict) -> dict[str, tuple[out.Fader, ...]]:
    if verdict.card is None:
        return {}
    hz = verdict.card.unit.nominal_hz
    return {
        side: tuple(
            out.Fader(
                hz=hz[k],
                fader_db=solution.fader_db[k],
                order=solution.order.index(k) + 1 if k in solution.order else None,
            )
            for k in range(hz.size)
        )
        for side, solution in verdict.card.solutions.items()
    }


def _sections(by_side: Mapping[str, Sequence[Section]]) -> dict[str, tuple[out.Section, ...]]:
    return {
        side: tuple(
            out.Section(kind=one.kind, hz=one.centre_hz, gain_db=one.gain_db, q=one.q)
            for one in sections
        )
        for side, sections in by_side.items()
    }


def _console(verdict: Verdict) -> out.Console | None:
    card = verdict.console
    if card is None:
        return None
    return out.Console(
        sections=_sections(card.sections),
        rms_db=card.seat_db,
        faders_rms_db=card.faders_seat_db,
        text=card.text,
    )


def _headroom(verdict: Verdict) -> tuple[out.Headroom, ...]:
    return tuple(
        out.Headroom(
            side=one.side,
            level_db=one.level_db,
            make_up_db=one.make_up_db,
            most_db=one.most_db,
            most_hz=NOMINAL_HZ[one.most_band],
            bands=tuple(
                out.HeadroomBand(hz=hz, gain_db=gain_db)
                for hz, gain_db in zip(NOMINAL_HZ, one.gain_db, strict=True)
            ),
            text=one.text,
        )
        for one in verdict.headroom
    )


def _forecast(verdict: Verdict) -> out.Forecast | None:
    card, outlook = verdict.card, verdict.forecast
    if card is None or outlook is None or verdict.area is None:
        return None
    finer = None
    if card.finer_rms_db is not None:
        finer = out.FinerUnit(bands=31, rms_after_db=card.finer_rms_db)
    free = None
    if card.free is not None:
        free = out.FreeHands(moved=card.free[0], rms_after_db=card.free[1])
    return out.Forecast(
        bands=tuple(
            out.ForecastBand(
                hz=NOMINAL_HZ[k],
                before_db=outlook.before_db[k],
                after_db=outlook.after_db[k],
                target_db=card.target[k],
                weight=card.weight[k],
                doubt_db=outlook.doubt_db[k],
                known=bool(verdict.area.known[k]),
            )
            for k in np.flatnonzero(verdict.area.in_range)
        ),
        seat_before_db=card.seat_before.expected_db,
        seat_after_db=card.seat_after.expected_db,
        card_level_db=outlook.level_db,
        seat_after_90_db=(card.seat_after.low_90_db, card.seat_after.high_90_db),
        rms_before_db=outlook.rms_before_db,
        rms_after_db=outlook.rms_after_db,
        spots=tuple(
            out.ForecastSpot(
                side=spot.side,
                spot=spot.spot,
                rms_before_db=spot.rms_before_db,
                rms_after_db=spot.rms_after_db,
            )
            for spot in outlook.spots
        ),
        finer_unit=finer,
        all_faders=free,
        out_of_reach=tuple(
            out.OutOfReach(hz=band.hz, left_db=band.left_db, why=band.why)
            for band in card.out_of_reach
        ),
    )


def _proof(verdict: Verdict) -> out.Proof | None:
    proof, card, area = verdict.proof, verdict.card, verdict.area
    if proof is None or card is None or area is None or not np.isfinite(proof.rms_db):
        return None
    counted = area.in_range & np.isfinite(proof.measured_db)
    return out.Proof(
        rms_db=proof.rms_db,
        forecast_error_db=proof.forecast_error_db,
        holds=proof.holds,
        takes=proof.takes,
        even_bands=proof.even_bands,
        bands=tuple(
            out.ProofBand(
                hz=NOMINAL_HZ[k],
                measured_db=proof.measured_db[k],
                forecast_db=proof.forecast_db[k],
                target_db=card.target[k],
                weight=card.weight[k],
            )
            for k in np.flatnonzero(counted)
        ),
        faders_wrong=_wrong(proof.faders_wrong),
        unlike_scale=None if proof.unlike_scale is None else proof.unlike_scale.text,
    )


def _wrong(faders: Sequence[WrongFader]) -> tuple[out.WrongFader, ...]:
    return tuple(
        out.WrongFader(
            side=fader.side,
            hz=fader.hz,
            asked_db=fader.asked_db,
            stands_db=fader.stands_db,
            text=fader.text,
        )
        for fader in faders
    )


def _by_cable(verdict: Verdict) -> tuple[out.CableProof, ...]:
    return tuple(
        out.CableProof(
            side=one.side,
            file=one.file,
            rms_db=one.rms_db,
            holds=one.holds,
            text=one.text,
            bands=tuple(
                out.CableBand(hz=NOMINAL_HZ[k], did_db=one.did_db[k], asked_db=one.asked_db[k])
                for k in np.flatnonzero(np.isfinite(one.did_db))
            ),
            faders_wrong=_wrong(one.faders_wrong),
            unlike_scale=None if one.unlike_scale is None else one.unlike_scale.text,
        )
        for one in verdict.by_cable
    )
