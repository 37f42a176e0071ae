"""Commands that play and record: `evenhall devices | gain | take | check-line`.

Thin: each reads its options, calls one room, and prints. Whatever is slow to import is imported
inside the command that needs it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from evenhall.cli.app import app, faults_as_lines
from evenhall.cli.sound_options import (
    DeviceName,
    InputName,
    MicChannel,
    OutputChannels,
    OutputName,
    Rate,
    Reference,
    ReferenceChannel,
    SoundOptions,
    chosen_setup,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenhall.sound.live.device import Device
    from evenhall.sound.live.setup import SoundSetup

WAY_WORDS = {
    "inside": "what is sent",
    "cable": "a cable to input {channel}",
    "outside": "input {channel}, played from outside",
}


@app.command()
def devices(
    device: DeviceName = None,
    source: InputName = None,
    sink: OutputName = None,
    mic: MicChannel = None,
    reference: Reference = None,
    reference_input: ReferenceChannel = None,
    play_on: OutputChannels = None,
    rate: Rate = None,
    loop: Annotated[
        int | None,
        typer.Option(
            "--loop",
            metavar="N",
            min=1,
            help="A cable joins the output and input N: measure how long the device takes.",
        ),
    ] = None,
) -> None:
    """List the sound devices; with options, choose and remember them.

    What is chosen here is what `evenhall take`, `gain` and `check-line` use from then on; it is
    remembered by name. Three ways lead to the reference:

    \b
      inside    what is sent to the output; no second cable. Put a cable from the
                output to an input once, and --loop takes the device's own delay off
      cable     output or mixer comes back on a second input, and stays there
      outside   the mixer plays its own noise or music, and sends it to the second input

    \b
    Examples:
      evenhall devices
      evenhall devices --device usb --mic 1 --reference cable --reference-input 2
      evenhall devices --device usb --reference inside --loop 2
    """  # noqa: D301 - the mark keeps the lines below it apart
    options = SoundOptions(device, source, sink, rate, mic, reference, reference_input, play_on)
    with faults_as_lines():
        from dataclasses import replace

        from evenhall import terminal
        from evenhall.sound.live.session import present
        from evenhall.sound.live.setup import remember, remembered

        there = present()
        setup = remembered()
        if options.any_given or loop is not None:
            setup = chosen_setup(options, there)
            if loop is not None:
                from evenhall.sound.live.latency import latency_s

                typer.echo(CAUTION, err=True)
                setup = replace(setup, latency_s=latency_s(setup, channel=loop))
            remember(setup)
        _show_devices(there, setup)
        if not there:
            typer.echo("No sound device is there. Plug the interface in and look again.")
        elif setup is not None:
            terminal.console_for().print("\n" + setup_sentence(setup))
        else:
            typer.echo("\nNothing is chosen yet: evenhall devices --device NAME")


CAUTION = (
    "Caution: sound comes. Turn the amplifiers down, keep ears away from the loudspeakers, and "
    "warn whoever stands near them. Ctrl-C stops it."
)


def _show_devices(there: Sequence[Device], setup: SoundSetup | None) -> None:
    from rich.table import Table

    from evenhall import terminal

    table = Table(box=None, pad_edge=False)
    for title in ("", "no.", "in", "out", "usual Hz", "device"):
        table.add_column(title, justify="left" if title in ("", "device") else "right")
    for one in there:
        chosen = setup is not None and one.full_name in (setup.input, setup.output)
        table.add_row(
            ">" if chosen else "",
            str(one.number),
            str(one.inputs),
            str(one.outputs),
            f"{one.rate_hz:.0f}",
            one.full_name,
        )
    if there:
        terminal.console_for().print(table)


def setup_sentence(setup: SoundSetup) -> str:
    """Say what is chosen, in a sentence or two."""
    words = [f'Microphone on input {setup.mic_channel} of "{setup.input}" at {setup.rate_hz} Hz.']
    if setup.plays:
        outputs = " and ".join(str(channel) for channel in setup.output_channels)
        plural = "s" if len(setup.output_channels) > 1 else ""
        words.append(f'Plays on output{plural} {outputs} of "{setup.output}".')
    way = WAY_WORDS[setup.reference].format(channel=setup.reference_channel)
    words.append(f"Reference: {way}.")
    if setup.reference == "inside":
        if not setup.one_clock:
            words.append("Two devices, two clocks: distances are not measured.")
        elif setup.latency_s is None:
            words.append("The device's own delay is unknown: distances are relative (see --loop).")
        else:
            words.append(f"The device's own delay, {1e3 * setup.latency_s:.2f} ms, is taken off.")
    return " ".join(words)
