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
from typing import Any

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
    "CHAPEL_HUNG",
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
    "SUB",
    "Card",
    "Hung",
    "SubChannel",
    "demo_hall",
    "demo_impulse",
    "demo_steps",
    "demo_way",
    "of_side",
    "place_of",
    "playing",
    "sub_channel",
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

# The second venue, a chapel with drapes: tops that hang well and are alike, and a sub in front of
# the left one, whose channel was found inverted and 3 dB hot.
SUB = "sub"
SUB_M = (1.2, 2.2, 0.4)
SHARED_M = (SPEAKER_FROM_WALL_M + SPOTS_M["middle"], HALL_WIDTH_M / 2.0, EAR_HEIGHT_M)
SUB_POLARITY, SUB_GAIN_DB = -1, 8.5
RT60_S = (0.95, 0.85, 0.75, 0.66, 0.6, 0.58, 0.55, 0.5)
CHAPEL_RT60_S = (0.55, 0.5, 0.46, 0.44, 0.42, 0.4, 0.38, 0.36)
CROSSOVER_HZ = 95.0

Card = Mapping[str, Mapping[float, float]]  # positions in dB by nominal frequency in Hz


@dataclass(frozen=True)
class Hung:
    """How the boxes hang, tip down and are turned towards the middle; as found, if left out."""

    speaker_height_m: float = SPEAKER_HEIGHT_M
    speaker_down_deg: float = 0.0
    speaker_inwards_deg: float = SPEAKER_INWARDS_DEG


AS_FOUND = Hung()
CHAPEL_HUNG = Hung(speaker_height_m=2.6, speaker_down_deg=5.0)


@dataclass(frozen=True)
class Branch(simulated.Box):
    """A box behind one branch of a fourth-order Linkwitz-Riley crossover; 0 Hz = none."""

    high_pass_hz: float = 0.0
    low_pass_hz: float = 0.0

    def on_axis(self, freq_hz: FloatArray) -> NDArray[np.complex128]:
        """Give the response of the box behind its filter."""
        response = super().on_axis(freq_hz)
        for hz, order in ((self.high_pass_hz, 4), (self.low_pass_hz, 0)):
            if hz:
                x = 1j * freq_hz / hz
                response = response * x**order / (x**2 + np.sqrt(2.0) * x + 1.0) ** 2
        return np.asarray(response)


@dataclass(frozen=True)
class SubChannel:
    """What hands have changed of the sub's channel, and of the mains' delay, since it was found."""

    delay_s: float = 0.0
    mains_delay_s: float = 0.0
    polarity: int = 1
    gain_db: float = 0.0


def demo_hall(
    hung: Hung = AS_FOUND,
    *,
    gain_db: Mapping[str, float] = GAIN_DB,
    sub: SubChannel | None = None,
) -> simulated.SimulatedHall:
    """Give the demo's hall, or the second venue where there is a sub; without an equalizer.

    Parameters
    ----------
    gain_db : mapping of str to float
        Of the channels of the sides named; as they were found for others.
    sub : SubChannel, optional
        What hands have changed of the sub.
    """
    box = Branch(
        low_limit_hz=58.0,
        high_limit_hz=20_000.0,
        peaks=(simulated.Peak(245.0, 7.0, 2.0), simulated.Peak(2800.0, 7.0, 2.5)),
        high_pass_hz=0.0 if sub is None else CROSSOVER_HZ,
    )
    elements = {
        side: simulated.Element(
            box,
            (SPEAKER_FROM_WALL_M, across_m, hung.speaker_height_m),
            down_deg=hung.speaker_down_deg,
            turn_deg=turn_deg,
            gain_db=gain_db.get(side, GAIN_DB[side]) - (0.0 if sub is None else GAIN_DB[side]),
            delay_s=0.0 if sub is None else sub.mains_delay_s,
            wall_behind_m=0.95 if sub is None else None,
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
    clutter_behind_m = {place_of(side, "middle"): 0.53 for side in ACROSS_M}
    if sub is not None:
        elements[SUB] = simulated.Element(
            Branch(
                coverage_h_deg=360.0,
                coverage_v_deg=360.0,
                low_limit_hz=34.0,
                crossover_hz=0.0,
                low_pass_hz=CROSSOVER_HZ,
            ),
            SUB_M,
            gain_db=SUB_GAIN_DB + sub.gain_db,
            delay_s=sub.delay_s,
            polarity=SUB_POLARITY * sub.polarity,
        )
        # What is joined is heard at one place, on the middle line.
        for side in elements:
            spots[place_of(side, "middle")] = SHARED_M
        clutter_behind_m = {}
    return simulated.SimulatedHall(
        room=simulated.Room(
            HALL_LENGTH_M,
            HALL_WIDTH_M,
            HALL_HEIGHT_M,
            rt60_s=RT60_S if sub is None else CHAPEL_RT60_S,
        ),
        elements=elements,
        spots=spots,
        microphone=MICROPHONE,
        clutter_behind_m=clutter_behind_m,
    )


def sub_channel(figures: Mapping[str, Any]) -> SubChannel:
    """Read what hands have changed from the figures of moves, by the names that moves give them."""
    return SubChannel(
        delay_s=figures.get(f"{SUB}_delay_s", 0.0),
        mains_delay_s=figures.get("mains_delay_s", 0.0),
        polarity=round(figures.get(f"{SUB}_polarity", 1.0)),
        gain_db=figures.get(f"{SUB}_gain_db", 0.0),
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
    if SUB in hall.elements:
        # One equalizer feeds both: the sub hears the channel that the card is given for.
        faders[SUB] = next((faders[side] for side in ACROSS_M if of_side(card, side)), faders[SUB])
    room = replace(
        hall.room,
        temperature_c=hall.room.temperature_c + WARMER_K,
        humidity_pct=hall.room.humidity_pct + DAMPER_PCT,
    )
    return replace(
        hall, room=room, spots=put_back, near_m=hall.spots, unit=real or unit, faders=faders
    )


def playing(hall: simulated.SimulatedHall, side: str, *, with_subs: bool) -> tuple[str, ...]:
    """Name what plays when a side is soloed, the sub too where it plays along."""
    return (side, SUB) if with_subs and SUB in hall.elements else (side,)


def demo_impulse(  # noqa: PLR0913 - what is heard depends on all of it
    side: str,
    spot: str,
    *,
    rate_hz: float,
    card: Card | None = None,
    unit: GraphicUnit | None = None,
    real: LyingUnit | None = None,
    hung: Hung = AS_FOUND,
    gain_db: Mapping[str, float] = GAIN_DB,
    sub: SubChannel | None = None,
    with_subs: bool = False,
) -> FloatArray:
    """Give what simulated devices play through, when a side is soloed and the microphone stands.

    Parameters
    ----------
    side : {"left", "right", "sub"}
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
    sub : SubChannel, optional
        The same of the sub, where there is one.
    with_subs : bool
        Whether it plays along.

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
    _refuse((side,), (spot,), hung, sub)
    return _impulse(
        side,
        spot if spot == LINE_CHECK else place_of(side, spot),
        rate_hz,
        None if card is None else tuple(of_side(card, side).items()),
        unit,
        real,
        hung,
        gain_db.get(side, GAIN_DB.get(side, 0.0)),
        sub,
        with_subs,
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
    sub: SubChannel | None = None,
    with_subs: bool = False,
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
    card, unit, real, hung, gain_db, sub, with_subs
        As for `demo_impulse()`.

    Raises
    ------
    InputError
        As `demo_impulse()` raises it.
    """
    sides = tuple(ACROSS_M) if side == "both" else (side,)
    _refuse(sides, (), hung, sub)
    hall = demo_hall(hung, gain_db=gain_db, sub=sub)
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
    elements = dict.fromkeys(
        one for side in sides for one in playing(hall, side, with_subs=with_subs)
    )
    return hall.walking(tuple(elements), time_s, place_m, rate_hz=rate_hz).heard


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


def _refuse(
    sides: tuple[str, ...], spots: tuple[str, ...], hung: Hung, sub: SubChannel | None
) -> None:
    faults = []
    for kind, asked, known in (
        ("side", sides, (*ACROSS_M, *(() if sub is None else (SUB,)))),
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
def _impulse(  # noqa: PLR0913 - as above
    side: str,
    place: str,
    rate_hz: float,
    card: tuple[tuple[float, float], ...] | None,
    unit: GraphicUnit | None,
    real: LyingUnit | None,
    hung: Hung,
    gain_db: float,
    sub: SubChannel | None,
    with_subs: bool,
) -> FloatArray:
    hall = demo_hall(hung, gain_db={side: gain_db}, sub=sub)
    if card is not None:
        hall = worked_on(hall, {side: dict(card)}, unit or graphic_unit(31), real=real)
    elements = playing(hall, side, with_subs=with_subs)
    impulse = hall.true_response(elements, place, rate_hz=rate_hz)
    impulse.setflags(write=False)
    return impulse


def place_of(side: str, spot: str) -> str:
    """Name the place of a side's own spot in the hall."""
    return f"{side}-{spot}"


def of_side(card: Card, side: str) -> Mapping[float, float]:
    """Give what a card says of a side."""
    return for_side(card, side) or {}
