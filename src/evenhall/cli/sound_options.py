"""Options that choose devices and channels, and the setup they make. Start at `chosen_setup()`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, cast

import typer

from evenhall.cli.app import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from evenhall.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenhall.sound.live.device import Device
    from evenhall.sound.live.setup import SoundSetup, Way

__all__ = [
    "DeviceName",
    "InputName",
    "MicChannel",
    "OutputChannels",
    "OutputName",
    "Rate",
    "Reference",
    "ReferenceChannel",
    "SoundOptions",
    "chosen_setup",
]

WAYS = ("inside", "cable", "outside")

DeviceName = Annotated[
    str | None,
    typer.Option(
        "--device", metavar="NAME", help="Plays and records: number, name or a part of it."
    ),
]
InputName = Annotated[
    str | None, typer.Option("--input", metavar="NAME", help="Records, where it is another.")
]
OutputName = Annotated[
    str | None, typer.Option("--output", metavar="NAME", help="Plays, where it is another.")
]
Rate = Annotated[int | None, typer.Option("--rate", metavar="HZ", help="Sample rate in Hz.")]
MicChannel = Annotated[
    int | None,
    typer.Option("--mic", metavar="N", min=1, help="Input that the microphone is on."),
]
Reference = Annotated[
    str | None,
    typer.Option(
        "--reference",
        metavar="WAY",
        help="inside: what is sent. cable: a second input. outside: a mixer plays by itself "
        "into the second input, nothing is sent.",
    ),
]
ReferenceChannel = Annotated[
    int | None,
    typer.Option("--reference-input", metavar="N", min=1, help="Input of cable or outside."),
]
OutputChannels = Annotated[
    str | None,
    typer.Option("--play-on", metavar="N[,N]", help="Outputs that play, such as 1 or 1,2."),
]


@dataclass(frozen=True)
class SoundOptions:
    """What the options say; None where nothing was said."""

    device: str | None = None
    input: str | None = None
    output: str | None = None
    rate: int | None = None
    mic: int | None = None
    reference: str | None = None
    reference_input: int | None = None
    play_on: str | None = None

    @property
    def any_given(self) -> bool:
        """Whether anything was said."""
        return any(value is not None for value in vars(self).values())


def chosen_setup(options: SoundOptions, devices: Sequence[Device]) -> SoundSetup:
    """Make a setup of the options, of what is remembered, and of what there is, in that order.

    Raises
    ------
    InputError
        An option makes no sense; one line each.
    """
    from evenhall.sound.live.device import find_device
    from evenhall.sound.live.setup import SoundSetup, remembered

    before = remembered()
    faults: list[str] = []
    reference = options.reference or (before.reference if before else "inside")
    if reference not in WAYS:
        faults.append(f'--reference = "{reference}" is no way. Give inside, cable or outside.')
    if options.rate is not None and not LOWEST_RATE_HZ <= options.rate <= HIGHEST_RATE_HZ:
        faults.append(
            f"--rate = {options.rate} is out of range. Give {LOWEST_RATE_HZ} to "
            f"{HIGHEST_RATE_HZ} Hz."
        )
    played_on = _channels(options.play_on, faults)
    if faults:
        raise InputError(*faults)
    wanted_in = options.input or options.device or (before.input if before else None)
    source = find_device(devices, wanted_in, "input")
    sink = None
    if reference != "outside":
        wanted_out = options.output or options.device or (before.output if before else None)
        if not wanted_out and source.outputs:
            sink = source
        else:
            sink = find_device(devices, wanted_out or None, "output")
    same = before is not None and before.input == source.full_name
    mic = options.mic or (before.mic_channel if before and same else 1)
    other = 2 if mic == 1 else 1
    reference_input = options.reference_input or (
        before.reference_channel if before and same and before.reference_channel != mic else 0
    )
    setup = SoundSetup(
        input=source.full_name,
        output=sink.full_name if sink else "",
        rate_hz=options.rate or (before.rate_hz if before and same else _usual_rate_hz(source)),
        mic_channel=mic,
        reference=cast("Way", reference),
        reference_channel=0 if reference == "inside" else reference_input or other,
        output_channels=played_on
        or (before.output_channels if before and sink and before.output == sink.full_name else ())
        or ((1, 2) if sink and sink.outputs > 1 else (1,)),
    )
    if setup.reference_channel == mic:
        raise InputError(
            f"Microphone and reference are both on input {mic}. Give another --mic or "
            "--reference-input."
        )
    if before is not None and setup.same_path(before):
        setup = replace(setup, latency_s=before.latency_s)
    return setup


def _usual_rate_hz(device: Device) -> int:
    usual = round(device.rate_hz)
    return usual if LOWEST_RATE_HZ <= usual <= HIGHEST_RATE_HZ else 48_000


def _channels(text: str | None, faults: list[str]) -> tuple[int, ...]:
    if text is None:
        return ()
    words = text.replace(" ", "").split(",")
    if all(word.isdecimal() and int(word) > 0 for word in words):
        return tuple(dict.fromkeys(int(word) for word in words))
    faults.append(f'--play-on = "{text}" is no list of outputs. Give one such as 1 or 1,2.')
    return ()
