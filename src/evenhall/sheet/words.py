"""What the sheet says in words: the verdicts, the worklist, the patterns, the rig, the cautions.

Every sentence is plain text; `sheet.typ` only sets it. Start at `verdicts()` and `worklist()`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from evenhall.job.folder.reading import Job
from evenhall.job.tune.result import Move, Pattern, Proof, Result, Section
from evenhall.sheet.views import side_title
from evenhall.verdict.words import count_text, hz_text

__all__ = [
    "CAUTIONS",
    "Point",
    "at_a_seat",
    "expected_gain",
    "left_alone",
    "mended",
    "noted",
    "proof_evenness",
    "rig_and_settings",
    "section_text",
    "sections",
    "strip",
    "troubles",
    "verdicts",
    "worklist",
]

MAX_MOVES = 12
MAX_PATTERNS = 6  # in each list, largest first
MAX_TROUBLES = 6
FIRST_FADERS = 5  # what two minutes are enough for
MAX_CHARACTERS = 320  # of one point: names come from the user and may be of any length
MAX_MOVE_CHARACTERS = 640  # of one move: what may hurt someone is not to be cut off

# Levels and times: NIOSH recommended limit (85 dB(A) for 8 h, 3 dB exchange); WHO global standard
# for safe listening venues and events (2022), 100 dB L_Aeq over 15 minutes. The rest is common
# practice, no source.
CAUTIONS: tuple[tuple[str, str], ...] = (
    (
        "Ears",
        "Protect them near a loudspeaker that plays test signals. At work 85 dB(A) for 8 hours is "
        "the recommended limit, and each 3 dB more halves the time (NIOSH); for an audience "
        "100 dB(A) over 15 minutes is the upper limit (WHO 2022). Local law may ask for less.",
    ),
    (
        "Lifting and rigging",
        "Two lift a loudspeaker. Keep within the rated load and height of stand and bracket, and "
        "keep people from under it. What hangs or stands over people is put up by those licensed "
        "for it, after local codes, with rated hardware and a second, independent safety.",
    ),
    (
        "Mains",
        "Never lift a safety earth to stop a hum. Mains wiring and open equipment are for a "
        "licensed electrician, after local codes. Amplifiers go on last and off first.",
    ),
    (
        "Drivers",
        "Start quiet: mute, set the faders, then bring the level up slowly and watch the limit "
        "lights. Raise nothing below the low limit of the loudspeaker.",
    ),
)


@dataclass(frozen=True)
class Point:
    """A heading of a few words, and the sentence that belongs to it."""

    head: str
    body: str
    holds: bool | None = None


def _short(sentence: str, most: int = MAX_CHARACTERS) -> str:
    flat = " ".join(sentence.split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


def _db(level_db: float) -> str:
    return f"{level_db:.1f}".replace("-", "−") + " dB"


def _state(holds: bool) -> str:
    return "holds" if holds else "fails"


def verdicts(result: Result) -> tuple[Point, ...]:
    """Say how it stands: evenness, match, card, proof; each in one sentence."""
    points = [_evenness(result)]
    if result.match is not None:
        points.append(_match(result))
    if at_a_seat(result):
        head = "At a seat" if result.card_withheld is None else "No card yet"
        points.append(Point(head, at_a_seat(result)))
    points += [Point("Level", one.text) for one in result.headroom]
    if result.proof is not None:
        proof = result.proof
        body = (
            f"{_takes(proof.takes)} after the work: the area as a whole is {_db(proof.rms_db)} "
            f"from the target, {_db(proof.forecast_error_db)} from what the card promised."
        )
        scale = [proof.unlike_scale] if proof.unlike_scale else []
        even = [proof_evenness(proof)] if proof.even_bands else []
        body = " ".join([body, *even, *scale, *(fader.text for fader in proof.faders_wrong)])
        points.append(Point("Proof " + _state(proof.holds), body, proof.holds))
    points += [
        Point("By cable " + _state(one.holds), one.text[:1].upper() + one.text[1:], one.holds)
        for one in result.by_cable
    ]
    known = [one for one in result.speech if one.sti is not None]
    if known:
        worst = min(known, key=lambda one: one.sti or 0.0)
        assumed = f"Reckoned for noise of {worst.noise_dba:.0f} dB(A), the hall as it was."
        points.append(Point("Speech", f"{worst.text} {assumed}"))
    points += [
        Point(f"Before feedback, {one.side} at {one.spot}", _short(one.text))
        for one in result.ringing
    ]
    return tuple(points)


def proof_evenness(proof: Proof) -> str:
    """Say how even the takes after the work are; empty without front and back."""
    if proof.even_bands is None:
        return ""
    held, of = proof.even_bands
    return f"Front and back then lie within 6 dB in {held} of {of} bands."


def sections(result: Result) -> tuple[Point, ...]:
    """Say how the sections of a digital mixer are to be set, side by side, and what they do."""
    if result.console is None:
        return ()
    return (*_settings(result.console.sections), Point("", result.console.text))


def strip(result: Result) -> tuple[Point, ...]:
    """Say how the channel strip before the equalizer is to be set, side by side."""
    if any(result.strip.values()):
        return _settings(result.strip)
    return (Point("", "Leave it flat: it brings nothing here."),) if result.strip else ()


def _settings(by_side: Mapping[str, Sequence[Section]]) -> tuple[Point, ...]:
    return tuple(
        Point(side_title(side, ()) if len(by_side) > 1 else "", section_text(one))
        for side, some in by_side.items()
        for one in some
    )


def section_text(section: Section) -> str:
    """Say how one section is to be set."""
    gain = f"{section.gain_db:+g}".replace("-", "−")
    q = f", Q {section.q:g}" if section.kind == "peaking" else ""
    return f"{section.kind.replace('-', ' ')} {section.hz:g} Hz, {gain} dB{q}"


def at_a_seat(result: Result) -> str:
    """Say what a listener hears now and with the card, or why there is none: the headline."""
    if result.card_withheld is not None:
        return result.card_withheld
    forecast = result.forecast
    if forecast is None or forecast.seat_before_db is None or forecast.seat_after_db is None:
        return ""
    before, after = forecast.seat_before_db, forecast.seat_after_db
    now = f"Seats are {_db(before)} from the target on average now"
    if not result.card_steps and not any(result.strip.values()):
        return f"{now}. No card would better that by enough to hear: leave the equalizer flat."
    low, high = forecast.seat_after_90_db or (after, after)
    give = (high - low) / 2.0
    text = f"{now}; with the card {_db(after)}, give or take {give:.1f}."
    if len(result.card_steps) >= 2 * FIRST_FADERS:
        brings = before - result.card_steps[FIRST_FADERS - 1].seat_after_db
        text += f" The first {count_text(FIRST_FADERS)} faders bring {_db(brings)}."
    free, finer = forecast.all_faders, forecast.finer_unit
    if free is not None:
        text += (
            f" With {free.moved} faders moved the area as a whole would come to "
            f"{_db(free.rms_after_db)} instead of {_db(forecast.rms_after_db)}."
        )
    if finer is not None:
        text += (
            f" A unit of {finer.bands} faders would bring it to {_db(finer.rms_after_db)} instead "
            f"of {_db(forecast.rms_after_db)}."
        )
    return text


def _takes(count: int) -> str:
    return f"{count_text(count).capitalize()} take{'s' if count != 1 else ''}"


def _evenness(result: Result) -> Point:
    evenness = result.evenness
    if not result.any_usable:
        return Point(
            "No verdict", "No take could be used: see what to do with each, and record again."
        )
    if evenness is None or not evenness.deciding:
        return Point(
            "Evenness not known", "It takes the same loudspeaker at two spots, front and back."
        )
    judged = evenness.deciding
    held = sum(band.holds for band in judged)
    body = f"Front and back lie within {evenness.limit_db:g} dB in {held} of {len(judged)} bands"
    if held < len(judged):
        worst = max(judged, key=lambda band: abs(band.front_minus_back_db))
        louder = "front" if worst.front_minus_back_db > 0 else "back"
        body += (
            f"; worst at {hz_text(worst.hz)}, where the {louder} is "
            f"{_db(abs(worst.front_minus_back_db))} louder"
        )
    return Point("Evenness " + _state(evenness.holds), body + ".", evenness.holds)


def _match(result: Result) -> Point:
    match = result.match
    assert match is not None
    if match.level_db is None:
        body = "Left and right could be compared in no band from 200 Hz to 4 kHz."
    else:
        louder = "left" if match.level_db > 0 else "right"
        body = f"The {louder} is {_db(abs(match.level_db))} louder, 200 Hz to 4 kHz."
    return Point("Match " + _state(match.holds), body, match.holds)


def worklist(result: Result) -> tuple[Point, ...]:
    """Say what to do, in order: the kind of move, its sentence and the gain expected.

    Where no take could be used, that is to mend each and record it again.
    """
    if not result.any_usable:
        again = [
            Point("record again", _short(f"{point.head}: {point.body}"))
            for point in troubles(result)
        ]
        return tuple(again)
    moves = sorted(result.moves, key=lambda move: move.order)
    points = [
        Point(move.kind, _short(move.text + expected_gain(move), MAX_MOVE_CHARACTERS))
        for move in moves
    ]
    return _at_most(points, MAX_MOVES)


def expected_gain(move: Move) -> str:
    """Sentence that says what a move brings front to back; empty where it promises nothing."""
    now, then = move.expected.get("was_db"), move.expected.get("front_minus_back_db")
    if not isinstance(now, (int, float)) or not isinstance(then, (int, float)):
        return ""
    return f" Front less back: {_db(now)} now, {_db(then)} expected."


def left_alone(result: Result) -> tuple[Point, ...]:
    """Say which patterns no fader touches, and why."""
    return _patterns(pattern for pattern in result.patterns if pattern.remedy != "equalize")


def mended(result: Result) -> tuple[Point, ...]:
    """Say which patterns the card takes out or fills in."""
    return _patterns(pattern for pattern in result.patterns if pattern.remedy == "equalize")


def _patterns(patterns: Iterable[Pattern]) -> tuple[Point, ...]:
    largest_first = sorted(patterns, key=lambda pattern: -abs(pattern.depth_db))
    points = []
    for pattern in largest_first:
        kind = "dip" if pattern.depth_db < 0 else "build-up"
        points.append(Point(f"{hz_text(pattern.hz)}, {kind}", _short(pattern.why)))
    return _at_most(points, MAX_PATTERNS)


def troubles(result: Result) -> tuple[Point, ...]:
    """Say what is wrong with which take."""
    points = [
        Point(_short(take.file), _short(problem.text), holds=take.usable)
        for take in result.takes
        for problem in take.problems
    ]
    return _at_most(points, MAX_TROUBLES)


def noted(notes: Sequence[tuple[str, str]]) -> tuple[Point, ...]:
    """Say what somebody wrote down, place by place."""
    return tuple(Point(_short(where), _short(text)) for where, text in notes if text.strip())


def _at_most(points: list[Point], count: int) -> tuple[Point, ...]:
    if len(points) <= count:
        return tuple(points)
    rest = len(points) - count + 1
    return (*points[: count - 1], Point("", f"And {rest} more: see result.json."))


def rig_and_settings(result: Result, job: Job) -> tuple[Point, ...]:
    """Say what stood where, so that the next visit can start from it."""
    venue, audience, rig, unit = job.venue, job.audience, job.rig, job.equalizer
    size = [f"{side:g}" for side in (venue.length_m, venue.width_m, venue.height_m) if side]
    room = [f"{' × '.join(size)} m" if len(size) == 3 else "size not given"]
    room.append(f"{venue.temperature_c:g} °C, {venue.humidity_pct:g} % humidity")
    if venue.rt60_s is not None:
        room.append(f"reverberation {venue.rt60_s:g} s")
    rows = f"ears at {audience.ear_height_m:g} m"
    if audience.first_row_m is not None and audience.last_row_m is not None:
        rows = f"rows from {audience.first_row_m:g} to {audience.last_row_m:g} m, {rows}"
    boxes = [", ".join(rig.sides)]
    if rig.speaker_height_m is not None:
        boxes.append(f"at {rig.speaker_height_m:g} m, {rig.speaker_down_deg:g}° down")
    boxes.append(f"covering {rig.coverage_h_deg:g}° × {rig.coverage_v_deg:g}°")
    if rig.low_limit_hz is not None:
        boxes.append(f"low limit {rig.low_limit_hz:g} Hz")
    count = unit.bands if isinstance(unit.bands, int) else len(unit.bands)
    step = f"steps of {unit.step_db:g} dB" if unit.step_db else "continuous"
    faders = (
        f"{count} faders, {unit.response}, ±{unit.range_db:g} dB, {step}, "
        f"raised at most {unit.max_boost_db:g} dB"
    )
    used = sum(take.usable for take in result.takes)
    calibration = job.microphone.calibration
    takes = f"{used} of {len(result.takes)} usable; microphone " + (
        f"calibrated by {calibration}" if calibration else "without a calibration file"
    )
    shown = (
        ("Room", "; ".join(room)),
        ("Audience", rows),
        ("Loudspeakers", "; ".join(boxes)),
        ("Equalizer", faders),
        ("Target", result.target.shape),
        ("Takes", takes),
    )
    return tuple(Point(head, _short(body)) for head, body in shown)
