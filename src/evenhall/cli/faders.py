"""The command that listens while the faders are set: `evenhall faders`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from evenhall.cli.app import app, faults_as_lines, options_by_name
from evenhall.cli.folders import card_of, written_result
from evenhall.cli.live import Ceiling, Ready, sounding
from evenhall.cli.sound_options import (
    DeviceName,
    InputName,
    MicChannel,
    OutputChannels,
    OutputName,
    Rate,
    choice_of,
)
from evenhall.errors import EXIT_NOTHING_USABLE, InputError
from evenhall.hall.label import BOTH


def side_of(card: dict[str, dict[float, float]], element: str | None) -> dict[float, float]:
    """Give the faders of a side; of both where the card serves both.

    Raises
    ------
    InputError
        The card has no such side, or the sides differ and none was named.
    """
    if element is not None and element in card:
        return card[element]
    if BOTH in card and (element is None or element in ("left", "right")):
        return card[BOTH]
    names = " or ".join(name for name in card if name != BOTH) or "nothing: tune first"
    if element is None:
        raise InputError(f"The card differs from side to side. Name one of them: {names}.")
    raise InputError(f'The card has no side "{element}". There is {names}.')


@app.command()
def faders(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The job folder, tuned: its card is set.")
    ],
    element: Annotated[
        str | None,
        typer.Argument(metavar="[ELEMENT]", help="Side that is set.  [both, if alike]"),
    ] = None,
    cable: Annotated[
        int | None,
        typer.Option(
            "--cable",
            metavar="N",
            min=1,
            help="A cable joins the output of the equalizer and input N. Else the microphone "
            "listens, from the middle spot.",
        ),
    ] = None,
    level: Annotated[
        float, typer.Option("--level", metavar="DBFS", help="RMS level of what is played.")
    ] = -32.0,
    ceiling: Ceiling = None,
    ready: Ready = False,
    device: DeviceName = None,
    source: InputName = None,
    sink: OutputName = None,
    mic: MicChannel = None,
    play_on: OutputChannels = None,
    rate: Rate = None,
) -> None:
    """Listen while you set the faders: says which one is in hand, how far off, and which way.

    Only that element may sound. Noise plays softly, 12 dB below a take, for as long as you
    work. The line goes by the sound, not by the scale: five times a second it shows the fader in
    hand and how far it is from its place, and goes on to the next once this one is set.

    By a cable behind the equalizer, faders are set to half a decibel, wherever they begin. By
    the microphone, left alone at the middle spot, begin with all faders at 0 and touch nothing
    else: it comes to one decibel, and the lowest faders, if too little is heard of them, are
    named.

    \b
    Examples:
      evenhall faders hall
      evenhall faders hall left --cable 2

    \b
    Exit code:
      0  all faders of the card are set
      2  the folder or an option is wrong
      3  stopped before all were set
      4  a device is missing or busy, or hears too little
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        choice = choice_of(device, source, sink, rate, cable or mic, "inside", None, play_on)
        import numpy as np

        from evenhall.equalizer.graphic import positions_of
        from evenhall.job.folder.reading import load_job
        from evenhall.job.live.faders import FaderOrder, follow_faders, strip_of
        from evenhall.job.live.taking import element_band_hz, spared_below_hz
        from evenhall.job.tune.tuning import unit_of

        job = load_job(folder, takes_needed=False)
        unit = unit_of(job, folder, element or "left")
        result = written_result(folder)
        low_hz, high_hz = element_band_hz(element or "left", low_limit_hz=spared_below_hz(job))
        order = FaderOrder(
            unit=unit,
            wanted_db=positions_of(unit, side_of(card_of(result), element)),
            start_db=np.zeros(unit.fader_count),
            by_cable=cable is not None,
            low_hz=low_hz,
            high_hz=high_hz,
            level_dbfs=level,
            strip=strip_of(result, element or "left"),
        )
        with sounding(choice, ceiling, ready) as sound, options_by_name():
            if not order.by_cable:
                sound.watch.say("Begin with all faders at 0, and leave the microphone where it is.")
            last = follow_faders(sound.live, order, watch=sound.watch)
        if last is None or last.way != "done":
            left = 0 if last is None else len(last.left_hz)
            typer.echo(f"Stopped; {left} left to set." if left else "Stopped before the first.")
            raise typer.Exit(EXIT_NOTHING_USABLE)
        typer.echo("All set. Now the proof: evenhall take, with --after.")
