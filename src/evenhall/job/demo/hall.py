"""The demo's hall: where its loudspeakers and spots are, and what is wrong in it.

The boxes stand low, so the front row gets far more than the last. They boom around 200 Hz and are
harsh around 3 kHz (the card mends that). A folding wall 0.95 m behind them cancels 90 Hz
everywhere, and stacked chairs behind the middle row take 160 Hz out there (both are left alone).
The right channel is set 1.6 dB low. `demo_hall()` is the hall, `worked_on()` the same after the
work; `demo_impulse()` what simulated devices play through, and `demo_way()` the same where the
microphone is carried through the rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.graphic import GraphicUnit, graphic_unit, positions_of
from evenhall.errors import InputError
from evenhall.hall.label import for_side
from evenhall.hall.path import walk_path
from evenhall.hall.setting import Audience
from evenhall.sound import simulated
from evenhall.sound.simulated.unit import LyingUnit
from evenhall.sound.simulated.walking import Way

__all__ = [
    "ACROSS_M",
    "EAR_HEIGHT_M",
    "FIRST_ROW_M",
    "GAIN_DB",
    "HALL_HEIGHT_M",
    "HALL_LENGTH_M",
    "HALL_WIDTH_M",
    "LAST_ROW_M",
    "LINE_CHECK",
    "MICROPHONE",
    "NOISE",
    "SPEAKER_FROM_WALL_M",
    "SPEAKER_HEIGHT_M",
    "SPEAKER_INWARDS_DEG",
    "SPOTS_M",
    "Card",
    "Hung",
    "demo_hall",
    "demo_impulse",
    "demo_steps",
    "demo_way",
    "of_side",
    "place_of",
    "worked_on",
]

FloatArray = NDArray[np.float64]

HALL_LENGTH_M, HALL_WIDTH_M, HALL_HEIGHT_M = 16.0, 9.0, 4.2
FIRST_ROW_M, LAST_ROW_M = 2.0, 12.5
SPEAKER_HEIGHT_M = 1.6
SPEAKER_FROM_WALL_M = 0.9  # from the front wall
SPEAKER_INWARDS_DEG = 8.0
SPOTS_M = {"front": 2.5, "middle": 6.1, "back": 11.6}  # along the floor from the loudspeaker
INWARDS_M = {"front": 0.4, "middle": 0.2, "back": 0.4}  # from its axis to the middle of the hall
EAR_HEIGHT_M = 1.2
ACROSS_M = {"left": 2.2, "right": 6.8}
GAIN_DB = {"left": 0.0, "right": -1.6}  # of the channels, as they were found
# One more place, for the line check: nearer the left one by 0.67 m.
LINE_CHECK = "line check"
LINE_CHECK_M = (SPEAKER_FROM_WALL_M + 2.5, 4.0, EAR_HEIGHT_M)

MICROPHONE = simulated.Microphone(
    (
        (20.0, -1.2),
        (31.5, -0.5),
        (63.0, -0.1),
        (125.0, 0.0),
        (1000.0, 0.0),
        (2000.0, 0.1),
        (4000.0, 0.4),
        (6300.0, 1.1),
        (8000.0, 1.7),
        (10000.0, 2.2),
        (12500.0, 2.0),
        (16000.0, 0.9),
        (20000.0, -1.4),
    )
)
NOISE = simulated.Noise(level_dbfs=-70.0, hum_hz=50.0, hum_dbfs=-82.0)
# Of who carries the microphone: a step every so often, and once a knock on its stand.
STEP_EVERY_S, STEP_DBFS = 0.65, -48.0
KNOCK_AT, KNOCK_DBFS = 0.4, -24.0  # at this share of the way
# After the work nothing is quite as before: a microphone is put back within a hand's breadth, a
# hall warms up, a hand sets a fader to half a decibel (common practice, no source).
PUT_BACK_M, WARMER_K, DAMPER_PCT, SET_TO_DB = 0.1, 3.0, 10.0, 0.5

Card = Mapping[str, Mapping[float, float]]  # positions in dB by nominal frequency in Hz


@dataclass(frozen=True)
class Hung:
    """How the boxes hang, tip down and are turned towards the middle; as found, if left out."""

    speaker_height_m: float = SPEAKER_HEIGHT_M
    speaker_down_deg: float = 0.0
    speaker_inwards_deg: float = SPEAKER_INWARDS_DEG


AS_FOUND = Hung()


def demo_hall(
    hung: Hung = AS_FOUND, *, gain_db: Mapping[str, float] = GAIN_DB
) -> simulated.SimulatedHall:
    """Give the demo's hall, without an equalizer.

    Parameters
    ----------
    gain_db : mapping of str to float
        Of the channels of the sides named; as they were found for others.
    """
    box = simulated.Box(
        low_limit_hz=58.0,
        high_limit_hz=20_000.0,
        peaks=(simulated.Peak(245.0, 7.0, 2.0), simulated.Peak(2800.0, 7.0, 2.5)),
    )
    elements = {
        side: simulated.Element(
            box,
            (SPEAKER_FROM_WALL_M, across_m, hung.speaker_height_m),
            down_deg=hung.speaker_down_deg,
            turn_deg=turn_deg,
            gain_db=gain_db.get(side, GAIN_DB[side]),
            wall_behind_m=0.95,
        )
        for (side, across_m), turn_deg in zip(
            ACROSS_M.items(), (hung.speaker_inwards_deg, -hung.speaker_inwards_deg), strict=True
        )
    }
    # Each side has its own places, mirrored but for a hand's breadth, as people put them.
    spots = {
        place_of(side, spot): (
            SPEAKER_FROM_WALL_M + down_m,
            across_m + inwards * INWARDS_M[spot] + 0.05,
            EAR_HEIGHT_M,
        )
        for (side, across_m), inwards in zip(ACROSS_M.items(), (1.0, -1.0), strict=True)
        for spot, down_m in SPOTS_M.items()
    }
    spots[LINE_CHECK] = LINE_CHECK_M
    return simulated.SimulatedHall(
        room=simulated.Room(
            HALL_LENGTH_M,
            HALL_WIDTH_M,
            HALL_HEIGHT_M,
            rt60_s=(0.95, 0.85, 0.75, 0.66, 0.6, 0.58, 0.55, 0.5),
        ),
        elements=elements,
        spots=spots,
        microphone=MICROPHONE,
        clutter_behind_m={place_of(side, "middle"): 0.53 for side in ACROSS_M},
    )


def worked_on(
    hall: simulated.SimulatedHall, card: Card, unit: GraphicUnit, *, real: LyingUnit | None = None
) -> simulated.SimulatedHall:
    """Give the hall after the work, with a card set by hand and the microphone put back by eye.

    Parameters
    ----------
    card : mapping of str to mapping of float to float
        As for `write_demo_after()`.
    unit : GraphicUnit
        That the card is set on.
    real : LyingUnit, optional
        What that unit really is, where its scale lies.

    Raises
    ------
    InputError
        The card has faders that the unit has not.
    """
    rng = np.random.default_rng(4)
    off_m = rng.uniform(-PUT_BACK_M, PUT_BACK_M, (len(hall.spots), 2))
    put_back = {
        place: (along_m + down_m, across_m + aside_m, up_m)
        for (place, (along_m, across_m, up_m)), (down_m, aside_m) in zip(
            hall.spots.items(), off_m, strict=True
        )
    }
    faders = {}
    for side in hall.elements:
        asked_db = positions_of(unit, of_side(card, side))
        off_db = rng.uniform(-SET_TO_DB, SET_TO_DB, unit.fader_count)
        # A fader at 0 sits in its notch.
        faders[side] = asked_db + np.where(asked_db == 0.0, 0.0, off_db)
    room = replace(
        hall.room,
        temperature_c=hall.room.temperature_c + WARMER_K,
        humidity_pct=hall.room.humidity_pct + DAMPER_PCT,
    )
    return replace(
        hall, room=room, spots=put_back, near_m=hall.spots, unit=real or unit, faders=faders
    )


def demo_impulse(
    side: str,
    spot: str,
    *,
    rate_hz: float,
    card: Card | None = None,
    unit: GraphicUnit | None = None,
    real: LyingUnit | None = None,
    hung: Hung = AS_FOUND,
    gain_db: Mapping[str, float] = GAIN_DB,
) -> FloatArray:
    """Give what simulated devices play through, when a side is soloed and the microphone stands.

    Parameters
    ----------
    side : {"left", "right"}
    spot : {"front", "middle", "back", "line check"}
        Each side has its own places, but for the line check.
    card : mapping of str to mapping of float to float, optional
        As for `write_demo_after()`, and the hall is `worked_on()`; as it was found without.
    unit : GraphicUnit, optional
        That the card is set on; one of 31 faders without.
    real : LyingUnit, optional
        What that unit really is, where its scale lies.
    gain_db : mapping of str to float
        What the hands have changed, see `demo_hall()`.

    Returns
    -------
    ndarray, shape (n_samples,)
        Impulse response from what is sent to the microphone's input; not to be written to. The
        last ones asked for are remembered, with the same `unit` object.

    Raises
    ------
    InputError
        There is no such side or spot, the boxes would not hang in the hall, or the card has
        faders that its unit has not.
    """
    _refuse((side,), (spot,), hung)
    return _impulse(
        side,
        spot if spot == LINE_CHECK else place_of(side, spot),
        rate_hz,
        None if card is None else tuple(of_side(card, side).items()),
        unit,
        real,
        hung,
        gain_db.get(side, GAIN_DB[side]),
    )


def demo_way(  # noqa: PLR0913 - all that a walk depends on
    side: str,
    *,
    rate_hz: float,
    length_s: float,
    from_s: float = 0.0,
    card: Card | None = None,
    unit: GraphicUnit | None = None,
    real: LyingUnit | None = None,
    hung: Hung = AS_FOUND,
    gain_db: Mapping[str, float] = GAIN_DB,
) -> Way:
    """Give what simulated devices play through while the microphone is carried through the rows.

    Parameters
    ----------
    side : {"left", "right", "both"}
        Both play the same.
    length_s : float
        How long the walk takes; then the microphone stands.
    from_s : float
        When it begins, from the start of the sound; till then the microphone stands too.
    card, unit, real, hung, gain_db
        As for `demo_impulse()`.

    Raises
    ------
    InputError
        As `demo_impulse()` raises it.
    """
    sides = tuple(ACROSS_M) if side == "both" else (side,)
    _refuse(sides, (), hung)
    hall = demo_hall(hung, gain_db=gain_db)
    if card is not None:
        hall = worked_on(hall, card, unit or graphic_unit(31), real=real)
    path = walk_path(
        Audience(FIRST_ROW_M, LAST_ROW_M),
        length_m=HALL_LENGTH_M - SPEAKER_FROM_WALL_M,
        width_m=HALL_WIDTH_M,
    )
    along_m, across_m = path.corner_m.T
    walked_m = np.append(0.0, np.cumsum(np.hypot(np.diff(along_m), np.diff(across_m))))
    height_m = np.full(along_m.size, EAR_HEIGHT_M)
    place_m = np.column_stack(
        (SPEAKER_FROM_WALL_M + along_m, HALL_WIDTH_M / 2.0 + across_m, height_m)
    )
    time_s = from_s + walked_m / path.length_m * length_s
    return hall.walking(sides, time_s, place_m, rate_hz=rate_hz).heard


def demo_steps(length_s: float, *, rate_hz: float) -> FloatArray:
    """Give what the microphone hears of who carries it: steps, and a knock.

    Returns
    -------
    ndarray, shape (n_samples,)
        From the start of the walk to its end.
    """
    steps = [
        simulated.Bump("step", float(at_s), STEP_DBFS)
        for at_s in np.arange(STEP_EVERY_S, length_s, STEP_EVERY_S)
    ]
    bumps = (*steps, simulated.Bump("knock", KNOCK_AT * length_s, KNOCK_DBFS))
    silence = np.zeros(round(length_s * rate_hz))
    return simulated.Noise(level_dbfs=-np.inf, bumps=bumps).samples(
        silence, rate_hz=rate_hz, rng=np.random.default_rng(len(bumps))
    )


def _refuse(sides: tuple[str, ...], spots: tuple[str, ...], hung: Hung) -> None:
    faults = []
    for kind, asked, known in (
        ("side", sides, (*ACROSS_M,)),
        ("spot", spots, (*SPOTS_M, LINE_CHECK)),
    ):
        faults += [
            f'The demo has no {kind} "{one}". There are: {", ".join(known)}.'
            for one in asked
            if one not in known
        ]
    if not 0.0 < hung.speaker_height_m < HALL_HEIGHT_M:
        faults.append(
            f"Loudspeakers at {hung.speaker_height_m:g} m do not fit into the demo's hall, which "
            f"is {HALL_HEIGHT_M:g} m high. Give a height within it."
        )
    if faults:
        raise InputError(*faults)


# Six takes before and after, and a line check.
@lru_cache(maxsize=16)
def _impulse(
    side: str,
    place: str,
    rate_hz: float,
    card: tuple[tuple[float, float], ...] | None,
    unit: GraphicUnit | None,
    real: LyingUnit | None,
    hung: Hung,
    gain_db: float,
) -> FloatArray:
    hall = demo_hall(hung, gain_db={side: gain_db})
    if card is not None:
        hall = worked_on(hall, {side: dict(card)}, unit or graphic_unit(31), real=real)
    impulse = hall.true_response(side, place, rate_hz=rate_hz)
    impulse.setflags(write=False)
    return impulse


def place_of(side: str, spot: str) -> str:
    """Name the place of a side's own spot in the hall."""
    return f"{side}-{spot}"


def of_side(card: Card, side: str) -> Mapping[float, float]:
    """Give what a card says of a side."""
    return for_side(card, side) or {}
