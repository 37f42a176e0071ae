"""What was done and what it brought, and what the next visit begins with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from evenhall.job.tune.result import Move, Result
from evenhall.report.point import Point, db_text
from evenhall.report.views import limit_db
from evenhall.report.worklist import DONE, NOT_TONIGHT, expected_gain, moves_in_order

__all__ = ["check_first", "did", "done"]

MID_HZ = (200.0, 4000.0)  # where a mean of front minus back is taken


def done(
    result: Result,
    first: Result,
    ticked: Mapping[int, str],
    did_before: Sequence[Point] = (),
) -> tuple[Point, ...]:
    """Say which moves were ticked off, and how it was before the work and is after it.

    Parameters
    ----------
    first : Result
        What the earliest takes said.
    ticked : mapping
        By the order of a move: `DONE` or `NOT_TONIGHT`.
    did_before : sequence of Point
        What was done before the takes were begun anew, each as `did()` gave it.
    """
    told = [one.body for one in did_before]
    points = [
        *did_before,
        *(
            did(move)
            for move in moves_in_order(result)
            if ticked.get(move.order) == DONE
            and not any(body.startswith(_headline(move)) for body in told)
        ),
    ]
    was, proof = first.evenness, result.proof
    if was is not None and was.deciding:
        even, then = sum(band.holds for band in was.deciding), ""
        if proof is not None and proof.even_bands is not None:
            then = "{} of {} after it".format(*proof.even_bands)
        elif first is not result and result.evenness is not None:
            now = result.evenness.deciding
            then = f"{sum(band.holds for band in now)} of {len(now)} now, before the card"
        if then:
            body = f"{even} of {len(was.deciding)} bands before the work, {then}."
            points.append(Point(f"Front to back within {limit_db(result):g} dB", body))
    middle_db = [_middle_db(one) for one in (first, result)]
    if first is not result and all(middle_db):
        was_db, now_db = (db_text(sum(one) / len(one)) for one in middle_db)
        body = f"{was_db} before the work, {now_db} now."
        points.append(Point("Front minus back, 200 Hz to 4 kHz", body))
    if first.forecast is not None and proof is not None:
        before, after = first.forecast.rms_before_db, proof.rms_db
        body = f"{db_text(before)} from the target before the work, {db_text(after)} after it."
        points.append(Point("Area as a whole", body))
    return tuple(points)


def did(move: Move) -> Point:
    """Say what a move was, and what it promised."""
    return Point(move.kind, f"{_headline(move)} {expected_gain(move)}".rstrip())


def _middle_db(result: Result) -> list[float]:
    """Front minus back in the middle of the range, band by band of each side."""
    low_hz, high_hz = MID_HZ
    sides = () if result.evenness is None else result.evenness.sides.values()
    return [
        band.front_minus_back_db for side in sides for band in side if low_hz <= band.hz <= high_hz
    ]


def check_first(result: Result, ticked: Mapping[int, str]) -> tuple[Point, ...]:
    """Say what the next visit begins with."""
    points = [
        Point(f"Not done: {move.kind}", _headline(move))
        for move in moves_in_order(result)
        if ticked.get(move.order) == NOT_TONIGHT
    ]
    if result.proof is None:
        body = "Nothing was taken yet: take the spots again, and see whether it holds."
        points.append(Point("After the work", body))
    elif not result.proof.holds:
        points.append(Point("Proof", "It failed. Look for what else has changed, before the card."))
    if result.match is not None and not result.match.holds:
        points.append(Point("Match", "Level left and right before anything else."))
    body = "Are they as on the card? Then take the middle spot and compare it with the map."
    points.append(Point("Faders", body))
    return tuple(points)


def _headline(move: Move) -> str:
    """Give the first sentence of a move."""
    return move.text.partition(". ")[0].rstrip(".") + "."
