"""The worklist: what to do, in order, with the reason and what to expect.

Hands come first (what a cable, a switch, a knob or a ladder mends), then what is left alone and
why, and the card last: it is made for the system as it stands. Start at `worklist()`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.errors import InputError
from evenhall.hall.hands import best_height_and_aim
from evenhall.hall.level import front_minus_back_db, mid_mean_db
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.verdict.card import Card, Forecast
from evenhall.verdict.common import CommonResponse
from evenhall.verdict.evenness import Evenness, Match
from evenhall.verdict.patterns import Pattern
from evenhall.verdict.take import SpotResponse, Take, is_main
from evenhall.verdict.words import count_text, hz_text, join_words

__all__ = ["Move", "Stage", "worklist"]

FloatArray = NDArray[np.float64]
Figure = float | str

GAIN_DB = 1.0
MISSING_DB = 8.0  # a driver or half of a box that is silent leaves a step, not a slope
FILTER_DB = 3.0
TREBLE = EXACT_HZ > 3000.0
BASS_HZ = 200.0
CLIMB_DB = 1.0
CLIMB_IF_UNEVEN_DB = 0.5
MOST_LEFT = 4
LARGE_DB = 3.0
AGAIN_CODES = ("gain_moved", "time_varying")


@dataclass(frozen=True)
class Stage:
    """Where the loudspeakers stand and the people sit, as far as it is known.

    Parameters
    ----------
    room : Room
    audience : Audience or None
    speaker : Loudspeaker or None
    max_height_m : float or None
    """

    room: Room
    audience: Audience | None
    speaker: Loudspeaker | None
    max_height_m: float | None


@dataclass(frozen=True)
class Move:
    """One thing to do.

    Parameters
    ----------
    kind : str
        "raise", "aim", "relocate", "polarity", "gain", "delay", "check", "equalize", "leave".
    text : str
    before, after, expected : dict
        Figures with units in their names.
    """

    kind: str
    text: str
    before: dict[str, Figure] = field(default_factory=dict)
    after: dict[str, Figure] = field(default_factory=dict)
    expected: dict[str, Figure] = field(default_factory=dict)


def _again(takes: Sequence[Take]) -> list[Move]:
    moves = []
    for take in takes:
        if not take.usable and take.problems:
            reason = take.problems[0]
        else:
            late = [problem for problem in take.problems if problem.code in AGAIN_CODES]
            if not late:
                continue
            reason = late[0]
        moves.append(Move("check", f"{take.side} at {take.spot} ({take.file}): {reason.text}"))
    return moves


def _polarity(match: Match | None, spots: Sequence[SpotResponse]) -> list[Move]:
    if match is None or match.polarity >= 0:
        return []
    votes = {
        side: sum(
            take.response.polarity
            for spot in spots
            if spot.side == side
            for take in spot.takes
            if take.response is not None
        )
        for side in ("left", "right")
    }
    side = min(votes, key=lambda name: votes[name])
    return [
        Move(
            "polarity",
            f"Flip the polarity of the {side} loudspeaker: it pushes where the other pulls. "
            "Look for a swapped pair in its cable before using a switch, then take both again.",
            before={f"{side}_polarity": -1.0},
            after={f"{side}_polarity": 1.0},
        )
    ]


def _side_names(louder_left: bool) -> tuple[str, str]:
    return ("left", "right") if louder_left else ("right", "left")


def _unlike(match: Match | None) -> list[Move]:
    """Look for what makes one side's tone unlike the other's: a driver, a filter, an equalizer."""
    if match is None:
        return []
    known = np.isfinite(match.difference_db)
    if known.sum() < 5:
        return []
    level = float(np.median(match.difference_db[known]))
    shape = match.difference_db - level

    def mean_over(bands: NDArray[np.bool_]) -> float:
        inside = bands & known
        return float(shape[inside].mean()) if inside.sum() >= 3 else 0.0

    treble = mean_over(TREBLE & (EXACT_HZ < 12000.0))
    bass = mean_over((EXACT_HZ < BASS_HZ) & (EXACT_HZ > 60.0))
    if abs(treble) > MISSING_DB:
        _, weak = _side_names(treble > 0)
        return [
            Move(
                "check",
                f"Check the horn of the {weak} loudspeaker: above 3 kHz it is {abs(treble):.0f} dB "
                "below the other side. A blown or unplugged driver, a blocked horn, or a high cut "
                "left in.",
                expected={"left_minus_right_db": 0.0, "was_db": treble},
            )
        ]
    if abs(bass) > MISSING_DB:
        _, weak = _side_names(bass > 0)
        return [
            Move(
                "check",
                f"Check the woofer of the {weak} loudspeaker: below 200 Hz it is {abs(bass):.0f} "
                "dB below the other side. A dead driver, a loose cable, or a low cut left in.",
                expected={"left_minus_right_db": 0.0, "was_db": bass},
            )
        ]
    off = known & (EXACT_HZ > 95.0) & (EXACT_HZ < 10500.0) & (np.abs(shape) > FILTER_DB)
    if off.sum() < 2:
        return []
    worst = int(np.where(off, np.abs(shape), 0.0).argmax())
    loud, weak = _side_names(shape[worst] > 0)
    return [
        Move(
            "check",
            f"Find out why {loud} and {weak} differ in tone: at {hz_text(NOMINAL_HZ[worst])} "
            f"{weak} is {abs(shape[worst]):.1f} dB below {loud}, levels apart. Look for a channel "
            "equalizer or filter left in, a cover on the grille, or a different aim.",
            expected={"left_minus_right_db": 0.0, "was_db": float(shape[worst])},
        )
    ]


def _gain(match: Match | None) -> list[Move]:
    if match is None or not abs(match.level_db) > GAIN_DB:
        return []
    loud, weak = _side_names(match.level_db > 0)
    size = abs(match.level_db)
    return [
        Move(
            "gain",
            f"Turn the {loud} loudspeaker down by {size:.1f} dB, at its own level knob or its "
            f"master: it is that much louder than {weak} at the same places.",
            before={f"{loud}_gain_db": 0.0},
            after={f"{loud}_gain_db": -size},
            expected={"left_minus_right_db": 0.0, "was_db": match.level_db},
        )
    ]


def _on_floor_m(slant_m: float, speaker: Loudspeaker, ear_height_m: float) -> float:
    drop_m = speaker.height_m - ear_height_m
    return float(np.sqrt(max(slant_m**2 - drop_m**2, 0.01)))


def _measured_rows(
    spots: Sequence[SpotResponse], speaker: Loudspeaker, audience: Audience
) -> Audience:
    """Front and back as they were measured, where distances are known."""
    known = [spot.distance_m for spot in spots if is_main(spot.side) and spot.distance_m]
    if len(known) < 2 or max(known) <= min(known):
        return audience
    return Audience(
        _on_floor_m(min(known), speaker, audience.ear_height_m),
        _on_floor_m(max(known), speaker, audience.ear_height_m),
        audience.ear_height_m,
    )


def _hands(stage: Stage, evenness: Evenness | None, spots: Sequence[SpotResponse]) -> list[Move]:
    """Raise and aim, as far as the stand goes."""
    speaker, audience = stage.speaker, stage.audience
    if speaker is None or audience is None:
        return []
    try:
        proposal = best_height_and_aim(
            speaker, stage.room, audience, max_height_m=stage.max_height_m
        )
    except InputError as error:
        return [Move("check", f"The figures of the room do not fit together. {error}")]
    moved = Loudspeaker(
        proposal.height_m, proposal.down_deg, speaker.coverage_h_deg, speaker.coverage_v_deg
    )
    raised = moved.height_m > speaker.height_m + 0.01
    turned = abs(moved.down_deg - speaker.down_deg) > 0.01
    if not raised and not turned:
        return _beyond(stage, speaker, evenness, 0.0, spots)
    rows = _measured_rows(spots, speaker, audience)
    forecast_was = mid_mean_db(front_minus_back_db(speaker, stage.room, rows))
    forecast_then = mid_mean_db(front_minus_back_db(moved, stage.room, rows))
    change = float(forecast_then - forecast_was)
    was = float(forecast_was)
    if evenness is not None and np.isfinite(evenness.mean_db):
        was = evenness.mean_db
    uneven = evenness is not None and not evenness.holds
    if raised and -change < (CLIMB_IF_UNEVEN_DB if uneven else CLIMB_DB):
        return _beyond(stage, speaker, evenness, 0.0, spots)
    boxes = (
        "both loudspeakers"
        if len({s.side for s in spots if is_main(s.side)}) > 1
        else ("the loudspeaker")
    )
    them = "them" if boxes.startswith("both") else "it"
    tip = f"tip {them} {'down' if moved.down_deg >= 0 else 'up'} {abs(moved.down_deg):.0f} degrees"
    before: dict[str, Figure] = {
        "speaker_height_m": speaker.height_m,
        "speaker_down_deg": speaker.down_deg,
    }
    after: dict[str, Figure] = {
        "speaker_height_m": moved.height_m,
        "speaker_down_deg": moved.down_deg,
    }
    if raised:
        text = f"Raise {boxes} to {moved.height_m:.1f} m"
        text += f" and {tip}" if turned else ""
        text += (
            ": the rows then differ less in distance, so the level evens out. "
            "Two people, a stand or bracket rated for the weight."
        )
        kind = "raise"
    else:
        text = f"{tip[0].upper()}{tip[1:]}: the axis then points at the people, not over them."
        kind = "aim"
    expected: dict[str, Figure] = {"front_minus_back_db": was + change, "was_db": was}
    return [
        Move(kind, text, before, after, expected),
        *_beyond(stage, moved, evenness, change, spots),
    ]


def _beyond(
    stage: Stage,
    speaker: Loudspeaker,
    evenness: Evenness | None,
    change_db: float,
    spots: Sequence[SpotResponse],
) -> list[Move]:
    """Say what would help where the best that hands can do leaves more than the limit."""
    audience = stage.audience
    if audience is None or evenness is None or not np.isfinite(evenness.mean_db):
        return []
    if evenness.mean_db + change_db <= evenness.limit_db:
        return []
    from evenhall.verdict.beyond import beyond  # slow to import, and seldom wanted

    pair = len({spot.side for spot in spots if is_main(spot.side)}) > 1
    found = beyond(speaker, stage.room, audience, limit_db=evenness.limit_db, pair=pair)
    return [Move(one.kind, one.text, expected=dict(one.expected)) for one in found]


def _relocate(patterns: Sequence[Pattern]) -> list[Move]:
    return [
        Move(
            "relocate",
            f"Move the loudspeakers by half a metre to a metre, off the wall or along it: "
            f"{pattern.why}",
        )
        for pattern in patterns
        if pattern.remedy == "move"
    ][:1]


def _more_takes(patterns: Sequence[Pattern], common: CommonResponse | None) -> list[Move]:
    doubtful = [p for p in patterns if not p.certain and abs(p.depth_db) >= LARGE_DB]
    if common is None or not doubtful:
        return []
    where = join_words([hz_text(pattern.hz) for pattern in doubtful[:3]])
    spots = list(dict.fromkeys(spot.spot for spot in common.spots))
    middle = spots[(len(spots) - 1) // 2]
    return [
        Move(
            "check",
            f"Take two more, each a metre from {middle} to either side: what shows at {where} is "
            "no more than so few places can show by chance.",
        )
    ]


def _leave(patterns: Sequence[Pattern]) -> list[Move]:
    mended = {
        band for pattern in patterns if pattern.remedy == "equalize" for band in pattern.bands
    }
    # Where the card works on what all spots share, what one has beyond it needs no word.
    left = [
        pattern
        for pattern in patterns
        if pattern.remedy == "leave"
        and abs(pattern.depth_db) >= LARGE_DB
        and not mended.intersection(pattern.bands)
    ]
    left.sort(key=lambda pattern: -abs(pattern.depth_db))
    return [
        Move("leave", f"Leave {hz_text(pattern.hz)} alone. {pattern.why}")
        for pattern in left[:MOST_LEFT]
    ]


def _equalize(card: Card | None, forecast: Forecast | None) -> list[Move]:
    if card is None or forecast is None or not np.isfinite(forecast.rms_after_db):
        return []
    moved = {
        side: int(np.count_nonzero(solution.fader_db)) for side, solution in card.solutions.items()
    }
    if not any(moved.values()):
        return [
            Move(
                "leave",
                "Leave the equalizer flat: no fader would bring the listening area nearer to its "
                "target.",
            )
        ]
    if "both" in moved:
        count = moved["both"]
        what = (
            f"Set {count_text(count)} fader{'s' if count > 1 else ''} as the card shows, and copy "
            "them to the other side"
            if len(forecast.spots) and len({spot.side for spot in forecast.spots}) > 1
            else f"Set {count_text(count)} fader{'s' if count > 1 else ''} as the card shows"
        )
    else:
        what = (
            "Set the faders of each side as its own card shows: the sides differ too much for one"
        )
    return [
        Move(
            "equalize",
            f"{what}. All others stay at 0. The tone is then {forecast.rms_after_db:.1f} dB from "
            f"its target instead of {forecast.rms_before_db:.1f} dB.",
            expected={"rms_db": forecast.rms_after_db, "was_db": forecast.rms_before_db},
        )
    ]


def worklist(
    *,
    takes: Sequence[Take],
    spots: Sequence[SpotResponse],
    stage: Stage,
    evenness: Evenness | None,
    match: Match | None,
    common: CommonResponse | None,
    patterns: Sequence[Pattern],
    card: Card | None,
    forecast: Forecast | None,
    timing: Sequence[Move] = (),
) -> tuple[Move, ...]:
    """List the moves in the order in which they are to be done."""
    differ = _unlike(match)
    return (
        *_again([take for take in takes if take.state == "before"]),
        *_polarity(match, spots),
        *differ,
        # What a fault takes away is no reason to turn the sound side down.
        *(() if differ else _gain(match)),
        *_hands(stage, evenness, spots),
        *_relocate(patterns),
        # In time last: what was moved before arrives at another time.
        *timing,
        *_more_takes(patterns, common),
        *_leave(patterns),
        *_equalize(card, forecast),
    )
