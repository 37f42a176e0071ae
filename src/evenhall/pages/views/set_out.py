"""Set out: what is asked for, the hall as far as it is known, and what to bring."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.pages.fields import GROUPS, Filled, filled, gear
from evenhall.pages.guide import Spot, elements, missing, spots
from evenhall.pages.views.frame import Frame, clock
from evenhall.pages.views.hall import HallForecast
from evenhall.sound.live.setup import SoundSetup
from evenhall.visits.visit import Entry, Visit
from evenhall.words import listed

__all__ = ["SetOutPage", "set_out_page"]


@dataclass(frozen=True)
class FilledGroup:
    """Fields that belong together, with what stands in them."""

    title: str
    fields: tuple[Filled, ...]
    more: tuple[Filled, ...]
    fold: str


@dataclass(frozen=True)
class SetOutPage:
    """Set out: what is asked for, the hall as far as it is known, and what to bring."""

    frame: Frame
    groups: tuple[FilledGroup, ...]
    missing: tuple[str, ...]
    sound: tuple[tuple[str, str], ...]  # the chosen device, line by line
    delay_by: tuple[int, ...]  # inputs for the cable that tells its delay
    hall: HallForecast
    spots: tuple[Spot, ...]
    spots_entry: Entry
    own_spots: bool
    gear: tuple[str, ...]
    is_calibrated: bool
    unit: bool
    unit_right: bool
    units: tuple[str, ...]
    sound_check: Entry
    sound_check_clock: str


def set_out_page(
    visit: Visit,
    hall: HallForecast,
    frame: Frame,
    *,
    units: tuple[str, ...],
    setup: SoundSetup | None,
) -> SetOutPage:
    """Make the page of the set-out.

    Parameters
    ----------
    units : tuple of str
        Those that were learned before, by name.
    setup : SoundSetup or None
        The sound device that is chosen.
    """
    return SetOutPage(
        frame=frame,
        groups=tuple(
            FilledGroup(
                group.title,
                tuple(filled(field, visit) for field in group.fields),
                tuple(filled(field, visit) for field in group.more),
                group.fold,
            )
            for group in GROUPS
        ),
        missing=(*(("the sound device",) if frame.wants_device else ()), *missing(visit)),
        sound=() if setup is None or not frame.here else _sound(setup),
        delay_by=() if setup is None else _delay_by(setup),
        hall=hall,
        spots=spots(visit),
        spots_entry=visit.entries.get("spots", Entry()),
        own_spots=bool(visit.value("spots")),
        gear=gear(visit, elements(visit)),
        is_calibrated=visit.value("microphone.calibration") is not None,
        unit=visit.value("equalizer.file") is not None,
        unit_right=visit.value("equalizer.file_right") is not None,
        units=units,
        sound_check=visit.entries.get("sound_check", Entry()),
        sound_check_clock=clock(visit.value("sound_check")),
    )


def _sound(setup: SoundSetup) -> tuple[tuple[str, str], ...]:
    """Say what is chosen, line by line."""
    inputs = {setup.mic_channel: "microphone"}
    if setup.reference_channel:
        inputs[setup.reference_channel] = "reference"
    devices = [("Device", setup.input)]
    if setup.plays and not setup.one_clock:
        devices = [("Records", setup.input), ("Plays", setup.output)]
    return (
        *devices,
        ("Sample rate", f"{setup.rate_hz} Hz"),
        ("Inputs", ", ".join(f"{number}: {what}" for number, what in sorted(inputs.items()))),
        ("Outputs", listed(list(map(str, setup.output_channels))) if setup.plays else "none"),
        ("Delay", _delay(setup)),
    )


def _delay(setup: SoundSetup) -> str:
    if setup.reference_channel:
        return f"taken off by the cable on input {setup.reference_channel}"
    if not setup.one_clock:
        return "changes from take to take, as these are two devices: distances are not measured"
    if setup.latency_s is None:
        return "not measured: distances are relative"
    return f"{1e3 * setup.latency_s:.2f} ms, taken off"


def _delay_by(setup: SoundSetup) -> tuple[int, ...]:
    """Give the inputs for a cable that tells the delay, the spare one first, if any is needed."""
    if setup.reference_channel or not setup.one_clock:
        return ()
    return (2 if setup.mic_channel == 1 else 1, setup.mic_channel)
