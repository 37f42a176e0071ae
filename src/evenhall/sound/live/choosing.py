"""From what a person says to devices and channels. Start at `chosen_setup()`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from evenhall.errors import InputError
from evenhall.sound.live.device import Device, find_device
from evenhall.sound.live.setup import (
    HIGHEST_RATE_HZ,
    LOWEST_RATE_HZ,
    SoundSetup,
    Way,
    remembered,
)

__all__ = ["Choice", "chosen_setup"]


@dataclass(frozen=True)
class Choice:
    """What was said; None where nothing was.

    Parameters
    ----------
    device : str or None
        Number, name or a part of it of what plays and records.
    input, output : str or None
        The same where it is two devices.
    rate_hz, mic_channel, reference, reference_channel, output_channels
        As in `SoundSetup`.
    """

    device: str | None = None
    input: str | None = None
    output: str | None = None
    rate_hz: int | None = None
    mic_channel: int | None = None
    reference: Way | None = None
    reference_channel: int | None = None
    output_channels: tuple[int, ...] | None = None

    @property
    def any_given(self) -> bool:
        """Whether anything was said."""
        return any(value is not None for value in vars(self).values())

    @property
    def faults(self) -> tuple[str, ...]:
        """Lines about what cannot be, whatever devices there are."""
        if self.rate_hz is None or LOWEST_RATE_HZ <= self.rate_hz <= HIGHEST_RATE_HZ:
            return ()
        allowed = f"Give {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz."
        return (f"rate_hz = {self.rate_hz} is out of range. {allowed}",)


def chosen_setup(choice: Choice, devices: Sequence[Device]) -> SoundSetup:
    """Make a setup of what was said, of what is remembered, and of what there is, in that order.

    Raises
    ------
    InputError
        A choice makes no sense; one line each.
    """
    if choice.faults:
        raise InputError(*choice.faults)
    before = remembered()
    reference: Way = choice.reference or (before.reference if before else "inside")
    wanted_in = choice.input or choice.device or (before.input if before else None)
    source = find_device(devices, wanted_in, "input")
    sink = None
    if reference != "outside":
        wanted_out = choice.output or choice.device or (before.output if before else None)
        if not wanted_out and source.outputs:
            sink = source
        else:
            sink = find_device(devices, wanted_out or None, "output")
    same = before is not None and before.input == source.full_name
    own_hz = round(source.rate_hz)
    if source.has_one_rate and choice.rate_hz not in (None, own_hz):
        raise InputError(
            f'"{source.full_name}" runs at {own_hz} Hz, not at {choice.rate_hz}. Leave rate_hz '
            f"out, or set the device itself to {choice.rate_hz} Hz."
        )
    mic = choice.mic_channel or (before.mic_channel if before and same else 1)
    other = 2 if mic == 1 else 1
    reference_channel = choice.reference_channel or (
        before.reference_channel if before and same and before.reference_channel != mic else 0
    )
    setup = SoundSetup(
        input=source.full_name,
        output=sink.full_name if sink else "",
        rate_hz=choice.rate_hz
        # What it was, unless it is there at another rate now and can have no other.
        or (before.rate_hz if before and same and not source.has_one_rate else 0)
        or _usual_rate_hz(source),
        mic_channel=mic,
        reference=reference,
        reference_channel=0 if reference == "inside" else reference_channel or other,
        output_channels=choice.output_channels
        or (before.output_channels if before and sink and before.output == sink.full_name else ())
        or ((1, 2) if sink and sink.outputs > 1 else (1,)),
    )
    if setup.reference_channel == mic:
        raise InputError(
            f"Microphone and reference are both on input {mic}: give another mic_channel or "
            "reference_channel."
        )
    if before is not None and setup.same_path(before):
        setup = replace(setup, latency_s=before.latency_s)
    return setup


def _usual_rate_hz(device: Device) -> int:
    usual = round(device.rate_hz)
    return usual if LOWEST_RATE_HZ <= usual <= HIGHEST_RATE_HZ else 48_000
