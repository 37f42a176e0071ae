"""What a visit plays through: the chosen sound device, or the demo's simulated hall.

Start at `open_devices()`. In the demo the hands' work is really done: the loudspeakers stand
where the set-out and the ticked moves put them, and the faders where they were set.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenhall.errors import InputError
from evenhall.hall.elements import Element
from evenhall.job.demo.folder import old_unit
from evenhall.job.demo.hall import GAIN_DB, NOISE, Hung, demo_impulse, positions
from evenhall.job.demo.hand import DemoHand
from evenhall.job.tune.result import Result
from evenhall.job.tune.tuning import unit_of
from evenhall.job.tune.unit import Round, Setting
from evenhall.pages.guide import move_key
from evenhall.sound.live.open_devices import OpenDevices
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup, remembered
from evenhall.sound.live.simulated import SimulatedDevices
from evenhall.sound.simulated import Noise
from evenhall.sound.simulated.unit import LyingUnit
from evenhall.visits.visit import Visit, job_of

__all__ = [
    "DEMO_PACE",
    "HAND_PACE",
    "STANCE",
    "VisitDevices",
    "hands_done",
    "hands_so_far",
    "open_cable",
    "open_devices",
    "open_for_faders",
    "open_rack",
    "real_unit",
]

# The simulated hall is this much faster than a real one: a newcomer need not wait for it.
DEMO_PACE = 4.0
HAND_PACE = 1.0
# Figures of moves that job.toml keeps, below [rig].
STANCE = ("speaker_height_m", "speaker_down_deg", "speaker_inwards_deg")
CABLE_NOISE = Noise(level_dbfs=-96.0)  # of an interface and an old unit
GAIN = "_gain_db"  # behind the side's name, as moves name it


@dataclass(frozen=True)
class VisitDevices:
    """Open devices.

    Parameters
    ----------
    live : OpenDevices
    solo : callable
        Told which element is soloed, and the spot at which the microphone stands. In a real hall
        hands do that.
    turn : callable
        Told by how many dB the microphone's preamp shall be turned. In a real hall a hand does.
    """

    live: OpenDevices
    solo: Callable[[str, str], None]
    turn: Callable[[float], None]


@contextmanager
def open_devices(visit: Visit, result: Result | None, *, state: str) -> Iterator[VisitDevices]:
    """Open what a visit plays through.

    Parameters
    ----------
    visit : Visit
    result : Result or None
        Whose ticked moves the simulated hall has carried out, for takes "after".
    state : {"before", "after"}

    Raises
    ------
    InputError
        No device is chosen yet.
    DeviceError
        It is missing, busy, or does not answer.
    """
    if visit.demo:
        yield _simulated(visit, result if state == "after" else None)
        return
    with Live(_setup()) as live:
        yield VisitDevices(live, solo=lambda _side, _spot: None, turn=lambda _by_db: None)


@contextmanager
def open_cable(visit: Visit, *, cable: int) -> Iterator[VisitDevices]:
    """Open what plays through the equalizer and hears it by a cable.

    Parameters
    ----------
    visit : Visit
    cable : int
        Input that the unit's output is on.

    Raises
    ------
    InputError, DeviceError
        As `open_devices()` raises them.
    """
    if visit.demo:
        devices = _demo_cable(visit, pace=DEMO_PACE)

        def solo(side: str, _spot: str) -> None:
            unit = unit_of(job_of(visit), visit.folder, side)
            hand = DemoHand(unit, positions(unit, visit.faders(side)), real=real_unit(visit, side))
            devices.connect(hand.impulse(rate_hz=devices.rate_hz))

        yield VisitDevices(devices, solo=solo, turn=lambda _by_db: None)
        return
    with Live(_cable_setup(cable)) as live:
        yield VisitDevices(live, solo=lambda _side, _spot: None, turn=lambda _by_db: None)


@contextmanager
def open_rack(
    visit: Visit, *, cable: int, right: bool
) -> Iterator[tuple[OpenDevices, Callable[[Round, Setting], None]]]:
    """Open what a unit is learned through; gives it, and what sets the demo's faders.

    Parameters
    ----------
    visit : Visit
    cable : int
        Input that the unit's output is on.
    right : bool
        Which channel.

    Raises
    ------
    InputError, DeviceError
        As `open_devices()` raises them.
    """
    if not visit.demo:
        with Live(_cable_setup(cable)) as live:
            yield live, lambda _found, _setting: None
        return
    devices = _demo_cable(visit, pace=DEMO_PACE)

    def put_in(found: Round, setting: Setting) -> None:
        faceplate = found.faceplate
        real = old_unit(faceplate, right=right)
        hand = DemoHand(faceplate, found.faders_db(setting), real=real)
        devices.connect(np.ones(1) if setting.bypass else hand.impulse(rate_hz=devices.rate_hz))

    yield devices, put_in


def real_unit(visit: Visit, side: str) -> LyingUnit | None:
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


def _demo_cable(visit: Visit, *, pace: float) -> SimulatedDevices:
    devices = SimulatedDevices(noise=CABLE_NOISE, pace=pace, seed=visit.revision)
    devices.connect(np.ones(1))
    return devices


@contextmanager
def open_for_faders(
    visit: Visit, result: Result | None, *, side: str, spot: str, cable: int | None
) -> Iterator[tuple[OpenDevices, Callable[[DemoHand], None]]]:
    """Open what listens while a card is set: a cable behind the unit, or the microphone.

    Gives the devices, and what puts the unit under the demo's hand into the way.

    Parameters
    ----------
    visit : Visit
    result : Result or None
        Whose ticked moves the simulated hall has carried out.
    side, spot : str
    cable : int or None
        Input that the unit's output is on.

    Raises
    ------
    InputError, DeviceError
        As `open_devices()` raises them.
    """
    if visit.demo:
        # A hand is no faster here than elsewhere.
        if cable is not None:
            devices = _demo_cable(visit, pace=HAND_PACE)
        else:
            devices = _hall_of(visit, pace=HAND_PACE)
            stance = _stance(_hands(visit, result))
            devices.connect(demo_impulse(side, spot, rate_hz=devices.rate_hz, **stance))
        yield devices, lambda hand: devices.put_in(hand.impulse(rate_hz=devices.rate_hz))
        return
    with Live(_setup() if cable is None else _cable_setup(cable)) as live:
        yield live, lambda _hand: None


def _hall_of(visit: Visit, *, pace: float) -> SimulatedDevices:
    # Each recording has noise of its own.
    devices = SimulatedDevices(noise=NOISE, pace=pace, seed=visit.revision)
    devices.turn_gain(visit.gain.turned_db)
    return devices


def _hands(visit: Visit, done: Result | None) -> dict[str, Any]:
    rig = {name: visit.value(f"rig.{name}") for name in STANCE}
    stands = {name: figure for name, figure in rig.items() if figure is not None}
    return {**stands, **hands_so_far(visit, done)}


def _simulated(visit: Visit, done: Result | None) -> VisitDevices:
    devices = _hall_of(visit, pace=DEMO_PACE)
    turned_db = visit.gain.turned_db
    hands = _hands(visit, done)
    card = {side: visit.faders(side) for side in GAIN_DB}

    def solo(side: str, spot: str) -> None:
        impulse: NDArray[np.float64] = demo_impulse(
            side,
            spot,
            rate_hz=devices.rate_hz,
            card=card if done is not None else None,
            unit=unit_of(job_of(visit), visit.folder, side),
            real=real_unit(visit, side),
            **_stance(hands),
        )
        devices.connect(impulse)

    def turn(by_db: float) -> None:
        nonlocal turned_db
        turned_db += by_db
        devices.turn_gain(turned_db)

    return VisitDevices(devices, solo=solo, turn=turn)


def hands_done(visit: Visit, result: Result | None) -> dict[str, Any]:
    """Figures that the ticked moves have changed, by the names that moves give them."""
    figures: dict[str, Any] = {}
    for move in () if result is None else result.moves:
        if visit.value(move_key(move)):
            figures |= {name: one for name, one in move.to.items() if one is not None}
    return figures


def hands_so_far(visit: Visit, result: Result | None) -> dict[str, Any]:
    """Figures that hands have changed since the set-out: before the takes were begun anew, and now.

    A gain is turned by so much each time; all else stands where it was put last.
    """
    figures: dict[str, Any] = dict(visit.value("hands") or {})
    for name, figure in hands_done(visit, result).items():
        figures[name] = figure + figures.get(name, 0.0) if name.endswith(GAIN) else figure
    return figures


def _stance(figures: dict[str, Any]) -> dict[str, Any]:
    """Arguments of `demo_impulse()` for what the hands have changed."""
    hung = Hung(**{name: figures[name] for name in STANCE if name in figures})
    gain_db = {
        side: found_db + figures.get(f"{side}{GAIN}", 0.0) for side, found_db in GAIN_DB.items()
    }
    return {"hung": hung, "gain_db": gain_db}
