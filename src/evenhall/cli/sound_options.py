"""Options that choose devices and channels, and the choice they make: `choice_of()`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, cast

import typer

from evenhall.cli.app import options_by_name
from evenhall.errors import InputError

if TYPE_CHECKING:
    from evenhall.sound.live.choosing import Choice
    from evenhall.sound.live.setup import Way

__all__ = [
    "DeviceName",
    "InputName",
    "MicChannel",
    "OutputChannels",
    "OutputName",
    "Rate",
    "Reference",
    "ReferenceChannel",
    "choice_of",
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


def choice_of(
    device: str | None,
    source: str | None,
    sink: str | None,
    rate: int | None,
    mic: int | None,
    reference: str | None,
    reference_input: int | None,
    play_on: str | None,
) -> Choice:
    """Make a choice of what the options say.

    Raises
    ------
    InputError
        An option is not what it should be.
    """
    from evenhall.sound.live.choosing import Choice

    faults: list[str] = []
    if reference is not None and reference not in WAYS:
        faults.append(f'--reference = "{reference}" is not known. Give inside, cable or outside.')
    choice = Choice(
        device=device,
        input=source,
        output=sink,
        rate_hz=rate,
        mic_channel=mic,
        reference=cast("Way | None", reference),
        reference_channel=reference_input,
        output_channels=None if play_on is None else _channels(play_on, faults),
    )
    with options_by_name():
        if lines := (*faults, *choice.faults):
            raise InputError(*lines)
    return choice


def _channels(text: str, faults: list[str]) -> tuple[int, ...]:
    words = text.replace(" ", "").split(",")
    if all(word.isdecimal() and int(word) > 0 for word in words):
        return tuple(dict.fromkeys(int(word) for word in words))
    faults.append(f'--play-on = "{text}" is not a list of outputs. Give one such as 1 or 1,2.')
    return ()
