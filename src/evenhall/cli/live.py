"""Commands that play and record: `evenhall devices | gain | take | check-line`.

Thin: each reads its options, calls one room, and prints. Whatever is slow to import is imported
inside the command that needs it.
"""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple

import typer

from evenhall.cautions import BEFORE_SOUND, WARNED
from evenhall.cli.app import app, ask, faults_as_lines, options_by_name
from evenhall.cli.sound_options import (
    DeviceName,
    InputName,
    MicChannel,
    OutputChannels,
    OutputName,
    Rate,
    Reference,
    ReferenceChannel,
    choice_of,
)
from evenhall.errors import EXIT_NOTHING_USABLE, InputError
from evenhall.words import capitalised, listed

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from evenhall.cli.watching import TerminalWatch
    from evenhall.job.live.taking import Taken
    from evenhall.sound.live.choosing import Choice
    from evenhall.sound.live.device import Device
    from evenhall.sound.live.session import Live
    from evenhall.sound.live.setup import SoundSetup


class _Sound(NamedTuple):
    live: Live
    ceiling_dbfs: float
    watch: TerminalWatch


WAY_WORDS = {
    "inside": "what is sent",
    "cable": "a cable to input {channel}",
    "outside": "input {channel}, played from outside",
}


CAUTION = f"Caution: sound comes. {BEFORE_SOUND}"
LOWEST_CEILING_DBFS, HIGHEST_CEILING_DBFS = -60.0, 0.0

Ceiling = Annotated[
    float | None,
    typer.Option(
        "--ceiling",
        metavar="DBFS",
        help="Highest peak that may be sent. Raise it on purpose only.  [-10]",
    ),
]
Level = Annotated[
    float, typer.Option("--level", metavar="DBFS", help="RMS level of what is played.")
]
Ready = Annotated[
    bool,
    typer.Option("--ready", help=f"Skip the caution: {WARNED}."),
]


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
    ready: Ready = False,
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
    with faults_as_lines():
        choice = choice_of(device, source, sink, rate, mic, reference, reference_input, play_on)
        from dataclasses import replace

        from evenhall import terminal
        from evenhall.cli.keys import any_key
        from evenhall.sound.live.choosing import chosen_setup
        from evenhall.sound.live.session import present
        from evenhall.sound.live.setup import remember, remembered

        there = present()
        setup = remembered()
        if choice.any_given or loop is not None:
            with options_by_name():
                setup = chosen_setup(choice, there)
            if loop is not None:
                from evenhall.sound.live.latency import latency_s

                _caution(setup, ready)
                with any_key() as pressed:
                    measured_s = latency_s(setup, channel=loop, stop_wanted=pressed)
                setup = replace(setup, latency_s=measured_s)
            remember(setup)
        _show_devices(there, setup)
        if not there:
            typer.echo("No sound device found. Plug the interface in and look again.")
        elif setup is not None:
            terminal.console_for().print("\n" + setup_sentence(setup))
        else:
            typer.echo("\nNothing is chosen yet: evenhall devices --device NAME")


def _caution(setup: SoundSetup, ready: bool) -> None:
    """Say what is about to come, and wait until everybody is ready for it."""
    if not setup.plays:
        return
    from evenhall import terminal

    terminal.console_for(stderr=True).print(CAUTION)
    if ready:
        return
    answer = ask("Ready? Enter goes on, n does not:")
    if answer is None:
        raise InputError(
            "Nobody answered the caution, and nothing was played. Where everybody is warned, give "
            "--ready."
        )
    if answer in ("n", "no"):
        typer.echo("Nothing was played.", err=True)
        raise typer.Exit(EXIT_NOTHING_USABLE)


@contextmanager
def sounding(choice: Choice, ceiling: float | None, ready: bool) -> Iterator[_Sound]:
    """Choose and open the devices, once everybody is ready for what comes."""
    from evenhall import terminal
    from evenhall.cli.watching import watching
    from evenhall.sound.live.choosing import chosen_setup
    from evenhall.sound.live.open_devices import CEILING_DBFS
    from evenhall.sound.live.session import Live, present

    if ceiling is not None and not LOWEST_CEILING_DBFS <= ceiling <= HIGHEST_CEILING_DBFS:
        raise InputError(
            f"--ceiling = {ceiling:g} is out of range. Give {LOWEST_CEILING_DBFS:g} to "
            f"{HIGHEST_CEILING_DBFS:g} dBFS."
        )
    ceiling_dbfs = CEILING_DBFS if ceiling is None else ceiling
    there = present()
    with options_by_name():
        setup = chosen_setup(choice, there)
    _caution(setup, ready)
    with (
        Live(setup, ceiling_dbfs=ceiling_dbfs, devices=there) as live,
        watching(terminal.console_for(stderr=True)) as watch,
    ):
        watch.say(f"{setup_sentence(setup)} Any key stops the sound.")
        yield _Sound(live, ceiling_dbfs, watch)


def _show_devices(there: Sequence[Device], setup: SoundSetup | None) -> None:
    """List devices, and below them the programs that a sound server has besides."""
    from rich.table import Table

    from evenhall import terminal

    table = Table(box=None, pad_edge=False)
    for title in ("", "no.", "in", "out", "usual Hz", "device"):
        table.add_column(title, justify="left" if title in ("", "device") else "right")
    in_order = sorted(there, key=lambda one: one.is_program)
    for before, one in zip((None, *in_order), in_order, strict=False):
        if one.is_program and (before is None or not before.is_program):
            table.add_row("", "", "", "", "", "Programs on the sound server, no devices:")
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
        outputs = listed([str(channel) for channel in setup.output_channels])
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


@app.command()
def gain(
    level: Level = -20.0,
    ceiling: Ceiling = None,
    ready: Ready = False,
    device: DeviceName = None,
    source: InputName = None,
    sink: OutputName = None,
    mic: MicChannel = None,
    reference: Reference = None,
    reference_input: ReferenceChannel = None,
    play_on: OutputChannels = None,
    rate: Rate = None,
) -> None:
    """Set the microphone's gain: says up or down until it is level with the reference.

    Put the microphone at the front spot and solo one loudspeaker. Noise from 100 Hz to 10 kHz
    comes up from quiet, and ends by itself once the gain is set. Then leave the gain alone for
    the whole visit: takes are compared with each other.
    """
    with faults_as_lines():
        choice = choice_of(device, source, sink, rate, mic, reference, reference_input, play_on)
        from evenhall.job.live.gain import set_gain

        with sounding(choice, ceiling, ready) as sound:
            hint = set_gain(sound.live, level_dbfs=level, watch=sound.watch)
        typer.echo("Stopped before the gain could be judged." if hint is None else hint.text)
        if hint is None or hint.turn != "hold":
            raise typer.Exit(EXIT_NOTHING_USABLE)


@app.command()
def take(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The job folder; made if it does not exist.")
    ],
    side: Annotated[
        str,
        typer.Argument(metavar="ELEMENT", help="What plays: left, right, sub; both for a walk."),
    ],
    spot: Annotated[
        str | None,
        typer.Argument(metavar="[SPOT]", help="Where the microphone is: front, back; or walk."),
    ] = None,
    after: Annotated[
        bool, typer.Option("--after", help="The card is set: this take is for the proof.")
    ] = False,
    stage: Annotated[
        bool,
        typer.Option(
            "--stage", help="The microphone is where the talker's will be: tells where it rings."
        ),
    ] = False,
    with_subs: Annotated[
        bool,
        typer.Option(
            "--with-subs",
            help="The subs play along: for the card of an equalizer that feeds them too, with "
            "[equalizer] feeds_subs = true in job.toml.",
        ),
    ] = False,
    cable: Annotated[
        int | None,
        typer.Option(
            "--cable",
            metavar="N",
            min=1,
            help="No spot: a cable joins the output of the equalizer and input N. Tells which "
            "fader is not set as the card asks.",
        ),
    ] = None,
    distance: Annotated[
        float | None,
        typer.Option(metavar="M", min=0.05, max=300.0, help="Loudspeaker to microphone."),
    ] = None,
    kind: Annotated[
        Literal["pink", "sweep"] | None,
        typer.Option(help="Noise, or one rising tone.  [pink; sweep on two clocks]"),
    ] = None,
    length: Annotated[
        float | None,
        typer.Option(
            metavar="S", min=2.0, max=120.0, help="Seconds.  [as long as the noise asks for]"
        ),
    ] = None,
    level: Level = -20.0,
    low: Annotated[
        float | None, typer.Option(metavar="HZ", help="Lower end.  [what the element can play]")
    ] = None,
    high: Annotated[
        float | None, typer.Option(metavar="HZ", help="Upper end.  [what the element can play]")
    ] = None,
    ceiling: Ceiling = None,
    ready: Ready = False,
    device: DeviceName = None,
    source: InputName = None,
    sink: OutputName = None,
    mic: MicChannel = None,
    reference: Reference = None,
    reference_input: ReferenceChannel = None,
    play_on: OutputChannels = None,
    rate: Rate = None,
) -> None:
    """Play, record, and say at once whether the take is good.

    Only that element may sound: mute or unplug the others, as solo often feeds the headphones
    alone. The room is listened to for two seconds, then the stimulus comes up from quiet; it ends
    as soon as every band is known well enough. The sound goes into FOLDER/takes, and job.toml gets
    one [[take]] more.

    With "walk" for SPOT the microphone is carried through the rows while noise plays for half a
    minute: down one aisle, across the back, up the other. It tells the tone of the whole area;
    spots are still wanted for delay and polarity.

    Devices are those chosen with `evenhall devices`; the options here are for this take alone.

    \b
    Examples:
      evenhall take hall left front
      evenhall take hall left back --distance 14
      evenhall take hall sub middle --kind sweep --length 10
      evenhall take hall left middle --with-subs
      evenhall take hall left walk
      evenhall take hall both walk --after
      evenhall take hall left --cable 2

    \b
    Exit code:
      0  usable, and listed in job.toml
      2  the folder, job.toml or an option is wrong
      3  not usable: the line says what to change; nothing was listed
      4  a device is missing, busy, or was pulled out
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        from evenhall.hall.label import TakeLabel

        if cable is None:
            if spot is None:
                raise InputError("Give the SPOT at which the microphone is, or --cable.")
            walks = TakeLabel(side=side, spot=spot).is_walk
            if walks and (stage or distance is not None):
                raise InputError(
                    "A walk goes through the audience: leave --stage and --distance out."
                )
            if with_subs and stage:
                raise InputError("--with-subs is for spots among the audience: leave --stage out.")
            choice = choice_of(device, source, sink, rate, mic, reference, reference_input, play_on)
        else:
            if spot is not None or stage or with_subs or distance is not None:
                raise InputError(
                    "A cable has no place: leave SPOT, --stage, --with-subs and --distance out."
                )
            choice = choice_of(device, source, sink, rate, cable, "inside", None, play_on)
        from evenhall.job.folder.adding import recordable_job
        from evenhall.job.folder.reading import TAKES_FOLDER
        from evenhall.job.live.taking import CABLE_SPOT, Order, record_into_folder, usual_kind

        recordable_job(folder, TakeLabel(side=side, spot=spot or CABLE_SPOT, with_subs=with_subs))
        if told := leftover_line(folder / TAKES_FOLDER):
            typer.echo(told, err=True)
        with sounding(choice, ceiling, ready) as sound, options_by_name():
            label = TakeLabel(
                side=side,
                spot=spot or CABLE_SPOT,
                state="before" if not after and cable is None else "after",
                at="cable" if cable is not None else "stage" if stage else "audience",
                with_subs=with_subs,
            )
            order = Order(
                **vars(label),
                distance_m=distance,
                kind=kind or usual_kind(sound.live, label),
                length_s=length,
                level_dbfs=level,
                low_hz=low,
                high_hz=high,
            )
            taken = record_into_folder(
                folder,
                order,
                sound.live,
                ceiling_dbfs=sound.ceiling_dbfs,
                watch=sound.watch,
            )
        _show_taken(taken, folder)
        if cable is not None:
            _show_by_cable(folder, side)


def leftover_line(place: Path) -> str | None:
    """Tell of takes that were broken off; those before the last whole one were told when it began.

    Parameters
    ----------
    place : Path
        Folder of the takes.
    """
    from evenhall.sound.writing import leftovers

    told_s = max((whole.stat().st_mtime for whole in place.glob("*.wav")), default=0.0)
    new = [str(part) for part in leftovers(place) if part.stat().st_mtime > told_s]
    if not new:
        return None
    return (
        f"Cut off earlier, and kept: {', '.join(new)}. Rename to .wav what is worth it, and "
        "remove the rest."
    )


def _show_by_cable(folder: Path, side: str) -> None:
    """Say at once what the cable tells of the card; the whole verdict is not wanted for it."""
    from evenhall.job.folder.reading import load_job
    from evenhall.job.tune.tuning import tune

    result = tune(load_job(folder), folder)
    told = [one.text for one in result.by_cable if one.side == side]
    for text in told or [f"There is no card for {side} yet: make the takes before the work first."]:
        typer.echo(capitalised(text))


def _show_taken(taken: Taken, folder: Path) -> None:
    from evenhall.verdict.trust import take_sentence

    if taken.take is None or taken.recorded is None:
        typer.echo("Stopped. Nothing was kept.")
        raise typer.Exit(EXIT_NOTHING_USABLE)
    typer.echo(f"{folder / taken.recorded.file}: {take_sentence(taken.take)}")
    for problem in taken.problems:
        typer.echo(f"! {problem.text}")
    if not taken.usable:
        typer.echo("Not usable: the sound is kept, and job.toml does not list it.")
        raise typer.Exit(EXIT_NOTHING_USABLE)


@app.command(name="check-line")
def check_line(
    elements: Annotated[
        list[str] | None,
        typer.Argument(metavar="[ELEMENT]...", help="In any order.  [left right]"),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Job folder: its low_limit_hz spares small boxes."),
    ] = None,
    ceiling: Ceiling = None,
    ready: Ready = False,
    device: DeviceName = None,
    source: InputName = None,
    sink: OutputName = None,
    mic: MicChannel = None,
    reference: Reference = None,
    reference_input: ReferenceChannel = None,
    play_on: OutputChannels = None,
    rate: Rate = None,
) -> None:
    """Prove that every element works and both sides match, before anything is measured.

    Put the microphone two or three metres in front of the pair, clearly nearer the left box, by
    half a metre or more, and leave it there: which box sounds is told by what arrives first. Let
    only the one that is asked for sound: a sweep of about six seconds plays. At the end a sentence
    says of each what is wrong: silent, wrong side, weaker than its partner, inverted, a filter or
    an EQ left in, hum, a driver missing, distortion.

    \b
    Examples:
      evenhall check-line
      evenhall check-line left right "sub left" "sub right" --folder hall

    \b
    Exit code:
      0  every element works
      2  an option or the folder is wrong, or nobody is there to solo an element
      3  something is wrong with an element, or the round was broken off
      4  a device is missing, busy, or was pulled out
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        choice = choice_of(device, source, sink, rate, mic, reference, reference_input, play_on)
        from evenhall import terminal
        from evenhall.job.folder.reading import load_job
        from evenhall.job.live.line_check import check_round, elements_of

        in_order = elements_of(elements or ["left", "right"])
        low_limit_hz = None
        if folder is not None:
            low_limit_hz = load_job(folder, takes_needed=False).rig.low_limit_hz
        with sounding(choice, ceiling, ready) as sound:
            findings = check_round(
                sound.live, in_order, low_limit_hz=low_limit_hz, watch=sound.watch
            )
        if findings is None:
            typer.echo("Stopped before anything was heard.")
            raise typer.Exit(EXIT_NOTHING_USABLE)
        for finding in findings:
            terminal.console_for().print(
                f"{'+' if finding.code == 'works' else '!'} {finding.text}"
            )
        if any(finding.code != "works" for finding in findings) or len(
            {finding.element for finding in findings}
        ) < len(in_order):
            raise typer.Exit(EXIT_NOTHING_USABLE)
