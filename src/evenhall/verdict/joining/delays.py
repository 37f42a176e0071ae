"""Delay loudspeakers: their time and level from takes, or from distances where there are none.

`delay_moves()` works from soloed takes of the mains and of one delay loudspeaker at spots in its
area; `planned_delay()` from geometry alone. The arithmetic stands in `hall/delay.py`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenhall.hall.delay import (
    ECHO_S,
    MOST_LOUDER_DB,
    DelayLevel,
    DelayTime,
    delay_level,
    delay_time,
    flight_s,
)
from evenhall.hall.level import EVEN_WITHIN_DB
from evenhall.verdict.joining.responses import RECORD_TOGETHER, no_shared_spot, no_take_alone
from evenhall.verdict.move import Figure, Move
from evenhall.verdict.take import Take, align_level_db, spot_places
from evenhall.words import listed

__all__ = ["delay_moves", "planned_delay"]

GAIN_WORTH_DB = 1.0
TIME_WORTH_S = 0.002  # nearer to the middle of 5 to 15 ms nobody hears it


def _usable(takes: Sequence[Take]) -> list[Take]:
    return [take for take in takes if take.usable and take.response is not None]


def _first_arrivals(takes: Sequence[Take]) -> dict[str, float]:
    """First arrival by spot, of whichever side is there first."""
    arrivals: dict[str, float] = {}
    for take in takes:
        if take.response is not None and np.isfinite(take.response.delay_s):
            earlier = arrivals.get(take.spot, np.inf)
            arrivals[take.spot] = min(earlier, take.response.delay_s)
    return arrivals


def _levels(takes: Sequence[Take]) -> dict[str, float]:
    """Level by spot, 200 Hz to 4 kHz, of all sides together by power."""
    powers: dict[str, float] = {}
    for take in takes:
        level_db = align_level_db(take.level_db)
        if np.isfinite(level_db):
            powers[take.spot] = powers.get(take.spot, 0.0) + 10.0 ** (level_db / 10.0)
    return {spot: float(10.0 * np.log10(power)) for spot, power in powers.items()}


def _late_text(time: DelayTime) -> str:
    least, most = 1e3 * time.earliest_s, 1e3 * time.latest_s
    if most - least < 0.5:
        return f"{least:.0f} ms"
    return f"{least:.0f} to {most:.0f} ms"


def _time_text(name: str, time: DelayTime, why: str) -> str:
    text = (
        f"Set {1e3 * time.delay_s:.1f} ms of delay on {name}: {why}. It then arrives "
        f"{_late_text(time)} after them, so that the sound stays on the stage: the ear takes what "
        "comes first for the source."
    )
    if time.latest_s > ECHO_S:
        text += (
            f" Turn it away from the seats that the mains serve: at some it comes "
            f"{1e3 * time.latest_s:.0f} ms late, which can be heard as an echo."
        )
    return text


def _level_move(side: str, name: str, level: DelayLevel) -> list[Move]:
    if abs(level.gain_db) < GAIN_WORTH_DB:
        return []
    text = (
        f"Turn {name} {'up' if level.gain_db > 0 else 'down'} {abs(level.gain_db):.1f} dB at the "
        f"box: the back is then {level.front_minus_back_db:.1f} dB below the front, instead of "
        f"{level.was_db:.1f} dB with the mains alone. Where it is loudest it stays "
        f"{abs(level.above_mains_db):.1f} dB {'above' if level.above_mains_db >= 0 else 'below'} "
        "the mains."
    )
    if level.limited and level.front_minus_back_db > EVEN_WITHIN_DB:
        text += (
            f" Go no louder: from {MOST_LOUDER_DB:.0f} dB above the mains it draws the ear from "
            f"the stage. To come within {EVEN_WITHIN_DB:g} dB, make the mains reach farther or put "
            "a second delay between."
        )
    expected: dict[str, Figure] = {
        "front_minus_back_db": level.front_minus_back_db,
        "was_db": level.was_db,
    }
    return [
        Move("gain", text, {f"{side}_gain_db": 0.0}, {f"{side}_gain_db": level.gain_db}, expected)
    ]


def delay_moves(mains: Sequence[Take], delay: Sequence[Take]) -> tuple[Move, ...]:
    """Say how one delay loudspeaker is to be set.

    Parameters
    ----------
    mains : sequence of Take
        Of every side of the mains alone, at the front and at the spots of the delay's area.
    delay : sequence of Take
        Of the delay loudspeaker alone, at the spots of its area, with the gains of the mains'
        takes and the delay that is set now.

    Returns
    -------
    tuple of Move
        "delay" and "gain"; "check" where takes do not tell.
    """
    mains, delay = [take for take in _usable(mains) if take.element.is_main], _usable(delay)
    if not delay:
        return (
            Move(
                "check",
                f"{no_take_alone('the delay loudspeaker')} at a spot in its area.",
            ),
        )
    side = delay[0].side
    # A delay loudspeaker is called as the takes call it.
    name = f"the {side}" if side.lower() != "delay" else "the delay loudspeaker"
    places = spot_places([*mains, *delay])
    area = sorted({take.spot for take in delay} & {take.spot for take in mains}, key=places.get)  # type: ignore[arg-type]
    if not area:
        return (Move("check", no_shared_spot(name, "in the delay's area")),)
    moves: list[Move] = []
    here, there = _first_arrivals(mains), _first_arrivals(delay)
    timed = [spot for spot in area if spot in here and spot in there]
    if not timed:
        moves.append(
            Move(
                "check",
                f"{RECORD_TOGETHER}, then take mains and {name} again: no spot has both of them "
                "timed. Until then, set the delay by the distances.",
            )
        )
    else:
        time = delay_time([here[spot] for spot in timed], [there[spot] for spot in timed])
        if time.delay_s >= TIME_WORTH_S:
            ahead = [1e3 * (here[spot] - there[spot]) for spot in timed]
            why = f"at {listed(timed)} it is now {max(ahead):.1f} ms ahead of the mains"
            if max(ahead) < 0.0:
                why = f"at {listed(timed)} it now comes only {-max(ahead):.1f} ms after them"
            moves.append(
                Move(
                    "delay",
                    _time_text(name, time, why),
                    {f"{side}_delay_s": 0.0},
                    {f"{side}_delay_s": time.delay_s},
                    {"after_mains_least_s": time.earliest_s, "after_mains_most_s": time.latest_s},
                )
            )
    mains_db, delay_db = _levels(mains), _levels(delay)
    heard = [spot for spot in area if spot in mains_db and spot in delay_db]
    front = min(mains_db, key=lambda spot: places[spot], default=None)
    if heard and front is not None and front not in heard:
        level = delay_level(
            [mains_db[spot] for spot in heard],
            [delay_db[spot] for spot in heard],
            front_db=mains_db[front],
        )
        moves += _level_move(side, name, level)
    return tuple(moves)


def planned_delay(
    mains_m: Sequence[float], delay_m: Sequence[float], *, temperature_c: float = 20.0
) -> Move:
    """Say what to set before there are takes, from distances alone.

    Parameters
    ----------
    mains_m, delay_m : sequence of float
        From the nearer main and from the delay loudspeaker to the ears, at the nearest and
        farthest seats of the delay's area.

    Raises
    ------
    InputError
        No seat, or not as many distances of one as of the other.
    """
    time = delay_time(
        [flight_s(each, temperature_c=temperature_c) for each in mains_m],
        [flight_s(each, temperature_c=temperature_c) for each in delay_m],
    )
    farther = max(main - delay for main, delay in zip(mains_m, delay_m, strict=True))
    expected: dict[str, Figure] = {
        "after_mains_least_s": time.earliest_s,
        "after_mains_most_s": time.latest_s,
    }
    why = f"the mains are up to {farther:.1f} m farther away"
    return Move(
        "delay",
        _time_text("the delay loudspeaker", time, why),
        {"delay_delay_s": 0.0},
        {"delay_delay_s": time.delay_s},
        expected,
    )
