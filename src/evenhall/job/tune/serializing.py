"""A verdict as the result that is written. Start at `result_of()`.

What the verdict calls as the file does is taken by its name; what is said here is arrays, put
into rows of bands, and what the file gathers from several places.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, NOMINAL_HZ
from evenhall.acoustics.transfer import level_mean_db
from evenhall.acoustics.walking import Walked
from evenhall.equalizer.sections import Section
from evenhall.hall.rows import RowsHeard
from evenhall.job.folder.model import Job
from evenhall.job.tune import result as out
from evenhall.verdict.card.estimate import by_spots_alone
from evenhall.verdict.card.loss import doubt_db
from evenhall.verdict.evenness import Evenness
from evenhall.verdict.judge import Verdict
from evenhall.verdict.take import Take, walk_responses
from evenhall.verdict.target import target_points
from evenhall.verdict.walks import walk_rows

__all__ = ["result_of", "rows_of"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ARecord = TypeVar("ARecord", bound=out.Record)

EVERY_BAND = np.ones(BAND_COUNT, dtype=bool)


def _written(model: type[ARecord], source: object, **otherwise: Any) -> ARecord:
    """Take a model's fields from what has attributes of their names, but for some."""
    names = [name for name in model.model_fields if name not in otherwise]
    own = {name: getattr(source, name) for name in names if hasattr(source, name)}
    return model(**own, **otherwise)


def _rows(shown: BoolArray, **columns: NDArray[Any]) -> tuple[dict[str, Any], ...]:
    """Put arrays over the bands, shape (31,), into one row for each band that is shown."""
    return tuple(
        {"hz": NOMINAL_HZ[k], **{name: column[k] for name, column in columns.items()}}
        for k in np.flatnonzero(shown)
    )


def result_of(job: Job, verdict: Verdict) -> out.Result:
    """Put a verdict into the fields of a job's result."""
    card, given = verdict.card, job.target
    return _written(
        out.Result,
        verdict,
        job=job.venue.name,
        takes=tuple(_take(take) for take in verdict.takes),
        evenness=_evenness(verdict.evenness),
        match=_match(verdict),
        card=_card(verdict),
        card_withheld=verdict.boxes.withheld,
        card_steps=() if card is None else card.steps,
        target=out.TargetCurve(
            shape=given.shape if given.points is None else "points",
            points=target_points(given.shape, given.points),
        ),
        forecast=_forecast(verdict),
        moves=tuple(_written(out.Move, move, order=k) for k, move in enumerate(verdict.moves, 1)),
        rows=rows_of(verdict.rows),
        speech=_speech(verdict),
        ringing=_ringing(verdict),
        console=_console(verdict),
        strip={} if card is None else _sections(card.strips),
        headroom=tuple(
            _written(
                out.Headroom,
                one,
                most_hz=NOMINAL_HZ[one.most_band],
                bands=_rows(EVERY_BAND, gain_db=one.gain_db),
            )
            for one in verdict.headroom
        ),
        proof=_proof(verdict),
        by_cable=tuple(
            _written(
                out.CableProof,
                one,
                bands=_rows(np.isfinite(one.did_db), did_db=one.did_db, asked_db=one.asked_db),
            )
            for one in verdict.by_cable
        ),
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


def _take(take: Take) -> out.TakeResult:
    response = take.response
    if take.walked is not None and take.usable:
        return _walk(take, take.walked)
    if response is None or not take.usable:
        nothing = np.full(BAND_COUNT, None)
        drifted = response is not None and any(one.code == "clock" for one in take.problems)
        return _written(
            out.TakeResult,
            take,
            clock_ppm=response.clock_ppm if response is not None and drifted else None,
            level_db=None,
            bands=_rows(EVERY_BAND, level_db=nothing, uncertainty_db=nothing, usable=~EVERY_BAND),
        )
    bands = response.bands
    return _written(
        out.TakeResult,
        take,
        delay_s=response.delay_s,
        clock_ppm=response.clock_ppm,
        polarity=response.polarity,
        level_db=response.level_db,
        used_ratio=response.used_ratio,
        coherence=np.mean(response.coherence[bands.usable]),
        bands=_rows(
            EVERY_BAND,
            level_db=bands.level_db,
            uncertainty_db=take.uncertainty_db,
            usable=bands.usable,
        ),
    )


def _walk(take: Take, walked: Walked) -> out.TakeResult:
    (joined,) = walk_responses([take], state=take.state)
    bands = walked.bands
    return _written(
        out.TakeResult,
        take,
        distance_m=None,
        level_db=level_mean_db(bands),
        bands=_rows(
            EVERY_BAND,
            level_db=bands.level_db,
            uncertainty_db=take.uncertainty_db,
            usable=bands.usable,
        ),
        walk=_written(
            out.Walk,
            walked,
            length_m=joined.length_m,
            bands=_rows(EVERY_BAND, shape_db=walked.shape_db, places=joined.places),
            rows=tuple(
                out.WalkRow(share=row.share, levels_db=tuple(row.level_db.tolist()))
                for row in walk_rows(take)
            ),
        ),
    )


def _evenness(even: Evenness | None) -> out.Evenness | None:
    if even is None:
        return None

    def differences(level_db: FloatArray) -> tuple[dict[str, Any], ...]:
        return _rows(
            np.isfinite(level_db),
            front_minus_back_db=level_db,
            holds=np.abs(level_db) <= even.limit_db,
            judged=even.judged,
        )

    return _written(
        out.Evenness,
        even,
        bands=differences(even.worst_db),
        sides={side: differences(level_db) for side, level_db in even.sides.items()},
    )


def _match(verdict: Verdict) -> out.Match | None:
    alike = verdict.match
    if alike is None:
        return None
    known = np.isfinite(alike.difference_db)
    return _written(out.Match, alike, bands=_rows(known, left_minus_right_db=alike.difference_db))


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
        side: tuple(_written(out.Section, one, hz=one.centre_hz) for one in sections)
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

    with_card = verdict.card is not None
    return tuple(
        _written(
            out.Ringing,
            place,
            card_gain_db=place.ringing.card_gain_db,
            bands=tuple(
                _written(out.RingingBand, band, hz=band.band_hz)
                for band in place.ringing.bands[:SAID_COUNT]
            ),
            text=" ".join(ringing_texts(place.ringing, with_card=with_card, raised=place.raised)),
        )
        for place in verdict.ringing
    )


def _forecast(verdict: Verdict) -> out.Forecast | None:
    card, outlook, area = verdict.card, verdict.forecast, verdict.area
    if card is None or outlook is None or area is None:
        return None
    finer, free = card.finer_rms_db, card.free
    return _written(
        out.Forecast,
        outlook,
        bands=_rows(
            area.in_range,
            before_db=outlook.before_db,
            after_db=outlook.after_db,
            target_db=card.target,
            weight=card.weight,
            doubt_db=outlook.doubt_db,
            known=area.known,
        ),
        seat_before_db=card.seat_before.expected_db,
        seat_after_db=card.seat_after.expected_db,
        seat_after_90_db=(card.seat_after.low_90_db, card.seat_after.high_90_db),
        seat_doubt_db=doubt_db(area),
        seat_doubt_walked_db=None if area.walks else doubt_db(area, walked=True),
        seat_doubt_spots_db=doubt_db(by_spots_alone(area)) if area.walks and area.spots else None,
        card_level_db=outlook.level_db,
        finer_unit=None if finer is None else out.FinerUnit(bands=31, rms_after_db=finer),
        all_faders=None if free is None else out.FreeHands(moved=free[0], rms_after_db=free[1]),
        out_of_reach=card.out_of_reach,
    )


def _proof(verdict: Verdict) -> out.Proof | None:
    proof, card, area = verdict.proof, verdict.card, verdict.area
    if proof is None or card is None or area is None or not np.isfinite(proof.rms_db):
        return None
    return _written(
        out.Proof,
        proof,
        bands=_rows(
            area.in_range & np.isfinite(proof.measured_db),
            measured_db=proof.measured_db,
            forecast_db=proof.forecast_db,
            target_db=card.target,
            weight=card.weight,
        ),
    )
