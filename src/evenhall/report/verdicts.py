"""How it stands, in sentences: evenness, match, seats, level, proof. Start at `verdicts()`."""

from __future__ import annotations

from evenhall.hall.level import MID_TEXT
from evenhall.job.tune.result import Evenness, Forecast, Match, Result
from evenhall.report.point import Point, db_text, holds_text, short
from evenhall.report.views import limit_db
from evenhall.verdict.card.words import first_faders_text, off_target
from evenhall.words import capitalised, count_text, hz_text

__all__ = ["at_a_seat", "proof_point", "summary", "verdicts"]


def verdicts(result: Result) -> tuple[Point, ...]:
    """Say how it stands: evenness, match, card, proof; each in one sentence."""
    points = [_evenness(result)]
    if result.match is not None:
        points.append(_match(result.match))
    if at_a_seat(result):
        head = "At a seat" if result.card_withheld is None else "No card yet"
        points.append(Point(head, at_a_seat(result)))
    points += [Point("Level", one.text) for one in result.headroom]
    proof = proof_point(result)
    if proof is not None:
        points.append(proof)
    points += [
        Point("By cable " + holds_text(one.holds), capitalised(one.text), one.holds)
        for one in result.by_cable
    ]
    known = [one for one in result.speech if one.sti is not None]
    if known:
        worst = min(known, key=lambda one: one.sti or 0.0)
        assumed = (
            f"Assuming {worst.noise_dba:.0f} dB(A) of background noise, the hall as at the take."
        )
        points.append(Point("Speech", f"{worst.text} {assumed}"))
    points += [
        Point(f"Before feedback, {one.side} at {one.spot}", short(one.text))
        for one in result.ringing
    ]
    return tuple(points)


def summary(result: Result, *, to_do: int) -> str:
    """Say it all in two sentences: what a seat hears, how even the hall is, how much is to do."""
    evenness, match = result.evenness, result.match
    said = []
    if evenness is not None and evenness.deciding:
        said.append(_even(evenness))
    if match is not None:
        said.append("the sides match" if match.holds else "the sides do not match")
    said.append(f"{to_do} thing{'s' if to_do != 1 else ''} to do" if to_do else "nothing to do")
    sentence = "; ".join(said) + "."
    return f"{at_a_seat(result)} {capitalised(sentence)}".strip()


def proof_point(result: Result) -> Point | None:
    """Say whether the work is proven, and what the takes after it say; None without any."""
    proof = result.proof
    if proof is None:
        return None
    count = f"{count_text(proof.takes).capitalize()} take{'s' if proof.takes != 1 else ''}"
    was = "" if result.forecast is None else f" instead of {db_text(result.forecast.rms_before_db)}"
    said = [
        f"{count} after the work: the area as a whole is {db_text(proof.rms_db)} from the "
        f"target{was}, and {db_text(proof.forecast_error_db)} from what the card promised."
    ]
    if proof.even_bands is not None:
        said.append(f"{_within(*proof.even_bands, limit_db(result), then=True)}.")
    said += [proof.unlike_scale] if proof.unlike_scale else []
    said += [fader.text for fader in proof.faders_wrong]
    return Point("Proof " + holds_text(proof.holds), " ".join(said), proof.holds)


def at_a_seat(result: Result) -> str:
    """Say what a listener hears now and with the card, or why there is none: the headline."""
    if result.card_withheld is not None:
        return result.card_withheld
    forecast = result.forecast
    if forecast is None or forecast.seat_before_db is None or forecast.seat_after_db is None:
        return ""
    before, after = forecast.seat_before_db, forecast.seat_after_db
    now = f"Seats are {off_target(before)} now"
    if not result.card_steps and not any(result.strip.values()):
        return f"{now}. No card would better that by enough to hear: leave the EQ flat."
    low, high = forecast.seat_after_90_db or (after, after)
    give = (high - low) / 2.0
    return (
        f"{now}; with the card {db_text(after)}, give or take {give:.1f}."
        f"{first_faders_text(before, [step.seat_after_db for step in result.card_steps])}"
        f"{_beyond(forecast)}"
    )


def _beyond(forecast: Forecast) -> str:
    """Say what more faders would bring to the area, on this unit and on a finer one."""
    free, finer = forecast.all_faders, forecast.finer_unit
    instead = f"instead of {db_text(forecast.rms_after_db)}."
    text = ""
    if free is not None:
        text += (
            f" With {free.moved} faders moved, the area as a whole would be "
            f"{db_text(free.rms_after_db)} from the target {instead}"
        )
    if finer is not None:
        text += (
            f" With a unit of {finer.bands} faders it would be {db_text(finer.rms_after_db)} "
            f"{instead}"
        )
    return text


def _within(held: int, of: int, within_db: float, *, then: bool = False) -> str:
    """Say in how many bands front and back are alike enough."""
    return f"Front and back are {'then ' * then}within {within_db:g} dB in {held} of {of} bands"


def _even(evenness: Evenness) -> str:
    judged = evenness.deciding
    return _within(sum(band.holds for band in judged), len(judged), evenness.limit_db)


def _evenness(result: Result) -> Point:
    evenness = result.evenness
    if not result.any_usable:
        return Point("No verdict", "No take is usable: see what to do with each, and record again.")
    if evenness is None or not evenness.deciding:
        return Point("Evenness not known", "Take the same box at two spots, front and back.")
    body = _even(evenness)
    if not all(band.holds for band in evenness.deciding):
        worst = max(evenness.deciding, key=lambda band: abs(band.front_minus_back_db))
        louder = "front" if worst.front_minus_back_db > 0 else "back"
        body += (
            f"; worst at {hz_text(worst.hz)}, where the {louder} is "
            f"{db_text(abs(worst.front_minus_back_db))} louder"
        )
    return Point("Evenness " + holds_text(evenness.holds), body + ".", evenness.holds)


def _match(match: Match) -> Point:
    if match.level_db is None:
        body = f"Left and right share no usable band from {MID_TEXT}."
    else:
        louder = "left" if match.level_db > 0 else "right"
        body = f"{louder.capitalize()} is {db_text(abs(match.level_db))} louder, {MID_TEXT}."
    return Point("Match " + holds_text(match.holds), body, match.holds)
