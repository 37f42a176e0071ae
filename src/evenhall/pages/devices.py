"""What a visit plays through: the chosen sound device, or the demo's simulated hall.

Start at `open_devices()`. In the demo the hands' work is really done: the loudspeakers stand
where the set-out and the ticked moves put them, and the faders where they were set. While it
sounds a `Hand` of the demo does what a watch is told and asked (`job/live/watch.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from typing import Any

import numpy as np

from evenhall.equalizer.graphic import positions_of
from evenhall.errors import InputError
from evenhall.hall.elements import Element
from evenhall.hall.label import WALK
from evenhall.job.demo.folder import old_unit
from evenhall.job.demo.hall import (
    GAIN_DB,
    LINE_CHECK,
    NOISE,
    SUB,
    Hung,
    demo_impulse,
    demo_steps,
    demo_way,
    sub_channel,
)
from evenhall.job.demo.hand import DemoHand
from evenhall.job.live.faders import ROUND_S, FaderOrder
from evenhall.job.live.watch import Guided, News, Progress, SetFaders, Solo, Walking, Wanted
from evenhall.job.tune.result import Result
from evenhall.job.tune.tuning import unit_of
from evenhall.pages.guide import elements, move_key
from evenhall.report.hand_over import did
from evenhall.sound.live.latency import latency_s
from evenhall.sound.live.open_devices import OpenDevices
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup, remember, remembered
from evenhall.sound.live.simulated import SimulatedDevices
from evenhall.sound.simulated import Noise
from evenhall.sound.simulated.unit import LyingUnit
from evenhall.visits.visit import Visit, job_of

__all__ = [
    "DEMO_PACE",
    "HAND_PACE",
    "STANCE",
    "Hand",
    "hands_done",
    "hands_so_far",
    "measure_delay",
    "open_cable",
    "open_devices",
    "open_for_faders",
    "settled",
]

# The simulated hall is this much faster than a real one: a newcomer need not wait for it.
DEMO_PACE = 4.0
HAND_PACE = 1.0
# Figures of moves that job.toml keeps, below [rig].
STANCE = ("speaker_height_m", "speaker_down_deg", "speaker_inwards_deg")
CABLE_NOISE = Noise(level_dbfs=-96.0)  # of an interface and an old unit
# Behind the element's name, as moves name them.
GAIN, DELAY, POLARITY = "_gain_db", "_delay_s", "_polarity"
# The simulated preamp is turned by this share of what the hint says, twenty times a second.
TURNED = 0.12

# Does what is told or asked; in a real hall people do, and this does nothing.
Hand = Callable[[News | Wanted], None]
Opened = tuple[OpenDevices, Hand]


@contextmanager
def _chosen(setup: SoundSetup) -> Iterator[Opened]:
    with Live(setup) as live:
        yield live, lambda _seen: None


def open_devices(
    visit: Visit, result: Result | None, *, state: str
) -> AbstractContextManager[Opened]:
    """Open what a visit plays through.

    Parameters
    ----------
    result : Result or None
        Whose ticked moves the simulated hall has carried out; None for takes before any.
    state : {"before", "after"}

    Raises
    ------
    InputError
        No device is chosen yet.
    DeviceError
        It is missing, busy, or does not answer.
    """
    if visit.demo:
        return nullcontext(_simulated(visit, result, state))
    return _chosen(_setup())


def open_cable(visit: Visit, *, cable: int, right: bool = False) -> AbstractContextManager[Opened]:
    """Open what plays through the equalizer and hears it by a cable.

    Parameters
    ----------
    cable : int
        Input that the unit's output is on.
    right : bool
        Which channel, where a unit is learned.

    Raises
    ------
    InputError, DeviceError
        As `open_devices()` raises them.
    """
    if not visit.demo:
        return _chosen(_cable_setup(cable))
    devices = _demo_cable(visit, pace=DEMO_PACE)

    def hand(seen: News | Wanted) -> None:
        match seen:
            case Solo(side):
                unit = unit_of(job_of(visit), visit.folder, side)
                faders_db, real = positions_of(unit, visit.faders(side)), _real_unit(visit, side)
            case SetFaders(found, setting):
                unit, faders_db = found.faceplate, found.faders_db(setting)
                real = old_unit(unit, right=right)
            case _:
                return
        through = DemoHand(unit, faders_db, real=real).impulse(rate_hz=devices.rate_hz)
        bypassed = isinstance(seen, SetFaders) and seen.setting.bypass
        devices.connect(np.ones(1) if bypassed else through)

    return nullcontext((devices, hand))


def _real_unit(visit: Visit, side: str) -> LyingUnit | None:
    """Give what stands in the demo's rack, once it was learned; before, its scale is right."""
    if not visit.demo or visit.value("equalizer.response") != "measured":
        return None
    unit = unit_of(job_of(visit), visit.folder, side)
    right = visit.value("equalizer.file_right") is not None and Element.named(side).side == "right"
    return old_unit(unit, right=right)


def _cable_setup(cable: int) -> SoundSetup:
    return replace(_setup(), mic_channel=cable, reference="inside", reference_channel=0)


def _setup() -> SoundSetup:
    setup = remembered()
    if setup is None:
        raise InputError("No sound device is chosen yet. Choose one on the page Set out.")
    return setup


def measure_delay(*, cable: int, stop_wanted: Callable[[], bool]) -> float:
    """Measure the chosen device's own delay, and keep it with the choice.

    Parameters
    ----------
    cable : int
        Input that a cable joins to its output, counted from 1.

    Returns
    -------
    float
        In seconds.

    Raises
    ------
    InputError, DeviceError
        As `open_devices()` and `latency_s()` raise them.
    StoreError
        It cannot be kept.
    """
    setup = _setup()
    measured_s = latency_s(setup, channel=cable, stop_wanted=stop_wanted)
    remember(replace(setup, latency_s=measured_s))
    return measured_s


def _demo_cable(visit: Visit, *, pace: float) -> SimulatedDevices:
    devices = SimulatedDevices(noise=CABLE_NOISE, pace=pace, seed=visit.revision)
    devices.connect(np.ones(1))
    return devices


def open_for_faders(
    visit: Visit, result: Result | None, order: FaderOrder, solo: Solo, *, cable: int | None
) -> AbstractContextManager[Opened]:
    """Open what listens while a card is set: a cable behind the unit, or the microphone.

    Parameters
    ----------
    result : Result or None
        Whose ticked moves the simulated hall has carried out.
    order : FaderOrder
        Where the demo's hand finds the faders.
    cable : int or None
        Input that the unit's output is on.

    Raises
    ------
    InputError, DeviceError
        As `open_devices()` raises them.
    """
    if not visit.demo:
        return _chosen(_setup() if cable is None else _cable_setup(cable))
    # A hand is no faster here than elsewhere.
    if cable is not None:
        devices = _demo_cable(visit, pace=HAND_PACE)
    else:
        devices = _hall_of(visit, pace=HAND_PACE)
        stance = _stance(visit, _hands(visit, result))
        devices.connect(demo_impulse(solo.element, solo.spot, rate_hz=devices.rate_hz, **stance))
    demo_hand = DemoHand(order.unit, order.start_db, real=_real_unit(visit, solo.element))
    devices.put_in(demo_hand.impulse(rate_hz=devices.rate_hz))

    def hand(seen: News | Wanted) -> None:
        if isinstance(seen, Guided) and demo_hand.see(seen.guidance, elapsed_s=ROUND_S):
            devices.put_in(demo_hand.impulse(rate_hz=devices.rate_hz))

    return nullcontext((devices, hand))


def _hall_of(visit: Visit, *, pace: float) -> SimulatedDevices:
    # Each recording has noise of its own.
    devices = SimulatedDevices(noise=NOISE, pace=pace, seed=visit.revision)
    devices.turn_gain(visit.gain.turned_db)
    return devices


def _hands(visit: Visit, done: Result | None) -> dict[str, Any]:
    rig = {name: visit.value(f"rig.{name}") for name in STANCE}
    stands = {name: figure for name, figure in rig.items() if figure is not None}
    return {**stands, **hands_so_far(visit, done)}


def _simulated(visit: Visit, done: Result | None, state: str) -> Opened:
    devices = _hall_of(visit, pace=DEMO_PACE)
    hands = _hands(visit, done)
    card = {side: visit.faders(side) for side in GAIN_DB}
    soloed = Solo("")

    def chain() -> dict[str, Any]:
        return {
            "rate_hz": devices.rate_hz,
            "card": card if state == "after" else None,
            "unit": unit_of(job_of(visit), visit.folder, soloed.element),
            "real": _real_unit(visit, soloed.element),
            "with_subs": soloed.with_subs,
            **_stance(visit, hands),
        }

    def hand(seen: News | Wanted) -> None:
        nonlocal soloed
        match seen:
            case Solo(side, spot) as solo:
                soloed = solo
                if spot != WALK:
                    devices.connect(demo_impulse(side, spot or LINE_CHECK, **chain()))
            case Walking(from_s, to_s):
                length_s = to_s - from_s
                steps = demo_steps(length_s, rate_hz=devices.rate_hz)
                still = np.zeros(round(from_s * devices.rate_hz))
                devices.connect(
                    demo_way(soloed.element, length_s=length_s, from_s=from_s, **chain()),
                    np.append(still, steps),
                )
            case Progress(hint=hint) if hint is not None:
                devices.turn_gain(devices.gain_db + TURNED * hint.change_db)

    return devices, hand


def hands_done(visit: Visit, result: Result | None) -> dict[str, Any]:
    """Figures that the ticked moves have changed, by the names that moves give them."""
    figures: dict[str, Any] = {}
    for move in () if result is None else result.moves:
        if visit.value(move_key(move)):
            figures |= {name: one for name, one in move.to.items() if one is not None}
    return figures


def hands_so_far(visit: Visit, result: Result | None) -> dict[str, Any]:
    """Figures that hands have changed since the set-out: before the takes were begun anew, and now.

    A gain is turned by so much each time, a delay made so much longer, a polarity flipped; all
    else stands where it was put last.
    """
    figures: dict[str, Any] = dict(visit.value("hands") or {})
    for name, figure in hands_done(visit, result).items():
        if name.endswith((GAIN, DELAY)):
            figures[name] = figure + figures.get(name, 0.0)
        elif name.endswith(POLARITY):
            figures[name] = figure * figures.get(name, 1.0)
        else:
            figures[name] = figure
    return figures


def settled(visit: Visit, result: Result | None) -> dict[str, Any]:
    """Give the entries by which what was ticked becomes how the rig stands."""
    hands = hands_so_far(visit, result)
    entries: dict[str, Any] = {f"rig.{name}": hands.pop(name) for name in STANCE if name in hands}
    words = {move_key(move): did(move) for move in (result.moves if result else ())}
    for name, value in visit.values("tick.").items():
        if value is None:
            continue
        entries[f"tick.{name}"] = None
        if value:
            point = words.get(f"tick.{name}")
            entries[f"did.{name}"] = point is None or {"kind": point.head, "text": point.body}
    if hands:
        entries["hands"] = hands
    return entries


def _stance(visit: Visit, figures: dict[str, Any]) -> dict[str, Any]:
    """Arguments of `demo_impulse()` for what the hands have changed."""
    hung = Hung(**{name: figures[name] for name in STANCE if name in figures})
    gain_db = {
        side: found_db + figures.get(f"{side}{GAIN}", 0.0) for side, found_db in GAIN_DB.items()
    }
    sub = sub_channel(figures) if SUB in elements(visit) else None
    return {"hung": hung, "gain_db": gain_db, "sub": sub}
