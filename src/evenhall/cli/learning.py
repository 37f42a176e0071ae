"""`evenhall learn-unit`: the rack equalizer that is really there, from recordings by cable."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from evenhall.cli.app import app, faults_as_lines, options_by_name, progress_shown
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

if TYPE_CHECKING:
    from evenhall.sound.live.choosing import Choice

STIMULUS_FILE, RISING_FILE = "stimulus.wav", "rising.wav"


@app.command("learn-unit")
def learn_unit(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Holds unit.toml and its recordings.")
    ],
    new: Annotated[
        bool, typer.Option("--new", help="Write unit.toml with the round to be made, and a sweep.")
    ] = False,
    bands: Annotated[
        Literal[31, 15, 10], typer.Option(help="Faders of the unit, with --new.")
    ] = 31,
    range_db: Annotated[
        float, typer.Option("--range", min=1.0, max=24.0, help="How far they reach, with --new.")
    ] = 12.0,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Where unit.json goes.  [FOLDER/out]")
    ] = None,
    live: Annotated[
        bool, typer.Option("--live", help="Go through the round with a sound device.")
    ] = False,
    again: Annotated[
        bool,
        typer.Option("--again", help="Check with a sound device whether it has drifted since."),
    ] = False,
    beside: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="unit.json of the other channel: how far do they differ?"
        ),
    ] = None,
    ceiling: Ceiling = None,
    ready: Ready = False,
    device: DeviceName = None,
    source: InputName = None,
    sink: OutputName = None,
    channel: MicChannel = None,
    play_on: OutputChannels = None,
    rate: Rate = None,
) -> None:
    """Learn a rack equalizer by cable, so that its card is right the first time.

    The scale of an old unit is off: centres drift, bands are wider than lettered, a fader gives
    less than it says. Turn every loudspeaker off, and leave the gains alone all the while.

    \b
      --live   output of the interface to the unit, the unit to input 1. You are told each
               setting, a sweep of two seconds plays, and what is wrong is said at once.
      files    the same, with what is played on input 2. Play the sweep once for each
               setting that unit.toml lists, and record.
      --again  two sweeps tell whether a unit that was learned is still as it was.

    Writes FOLDER/out/unit.json. Name it in job.toml: [equalizer] response = "measured",
    file = "unit.json".

    \b
    Examples:
      evenhall learn-unit rack --live --bands 31
      evenhall learn-unit rack --again
      evenhall learn-unit rack --new --bands 15
      evenhall learn-unit rack

    \b
    Exit code:
      0  done
      2  unit.toml or a recording is wrong: one line a fault; or nobody is there to
         set the faders
      3  the round was broken off, and goes on where it ended; or the unit has drifted
      4  a device is missing or busy
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines(), options_by_name():
        if new + live + again > 1:
            raise InputError("--new, --live, --again: give one of them at a time.")
        if new:
            _begin(folder, bands, range_db)
            return
    if live or again:
        with faults_as_lines():
            choice = choice_of(device, source, sink, rate, channel, "inside", None, play_on)
            if again:
                _look_again(folder, out or folder / "out", choice, ceiling, ready)
                return
            _record(folder, bands, range_db, choice, ceiling, ready)
    with faults_as_lines(), options_by_name():
        from evenhall.job.folder.unit_file import UNIT_FILE, read_unit
        from evenhall.job.folder.writing import write_whole
        from evenhall.job.tune.unit import learn, read_round

        found = read_round(folder)
        other = None if beside is None else read_unit(beside)
        if other is not None and [one.hz for one in other.faders] != list(
            found.faceplate.nominal_hz
        ):
            raise InputError(f"{beside}: has other faders than this unit. Give its other channel.")
        with progress_shown() as step:
            learned, doubts = learn(found, folder, progress=step)
        path = (out or folder / "out") / UNIT_FILE
        write_whole({path: learned.to_json()})
        typer.echo(f"{learned.name}, {learned.model}, {len(learned.faders)} faders")
        typer.echo("  fader Hz  centre Hz     Q   at +6 gives dB")
        unit = learned.unit(step_db=0.0, max_boost_db=learned.range_db)
        from evenhall.equalizer.graphic import unit_gain_db

        for at, fader in enumerate(learned.faders):
            faders_db = [0.0] * len(learned.faders)
            faders_db[at] = min(6.0, learned.range_db)
            gives_db = float(unit_gain_db(unit, faders_db, fader.centre_hz))
            mark = "" if fader.moved else "  (like its neighbours)"
            typer.echo(
                f"  {fader.hz:8g}  {fader.centre_hz:9.1f}  {fader.q:4.2f}   {gives_db:+.1f}{mark}"
            )
        typer.echo(f"Not explained: {learned.residual_db:.2f} dB rms.")
        if learned.limits_text:
            typer.echo(learned.limits_text)
        if other is not None:
            typer.echo(other.beside(learned))
        for doubt in doubts:
            typer.echo(doubt.text)
        typer.echo(f"Learned: {path}", err=True)


def _record(
    folder: Path,
    bands: Literal[31, 15, 10],
    range_db: float,
    choice: Choice,
    ceiling: float | None,
    ready: bool,
) -> None:
    from evenhall.job.live.unit import record_round
    from evenhall.job.tune.unit import ROUND_FILE, read_round

    if not (folder / ROUND_FILE).exists():
        _write_round(folder, bands, range_db)
    found = read_round(folder, recorded=False)
    with sounding(choice, ceiling, ready) as sound:
        whole = record_round(
            sound.live, folder, found, watch=sound.watch, ceiling_dbfs=sound.ceiling_dbfs
        )
    if not whole:
        typer.echo(f"Stopped. Go on with it: evenhall learn-unit {folder} --live")
        raise typer.Exit(EXIT_NOTHING_USABLE)


def _look_again(
    folder: Path, out: Path, choice: Choice, ceiling: float | None, ready: bool
) -> None:
    from evenhall.equalizer.checking import DRIFT_DB
    from evenhall.job.folder.unit_file import UNIT_FILE, read_unit
    from evenhall.job.live.unit import check_again
    from evenhall.job.tune.unit import read_round

    if not (out / UNIT_FILE).is_file():
        raise InputError(f"{out / UNIT_FILE}: is missing. Learn the unit first.")
    learned, found = read_unit(out / UNIT_FILE), read_round(folder, recorded=False)
    with sounding(choice, ceiling, ready) as sound:
        told = check_again(sound.live, folder, found, learned, watch=sound.watch)
    if told is None:
        typer.echo("Stopped before it was heard.")
        raise typer.Exit(EXIT_NOTHING_USABLE)
    text, worst_db = told
    typer.echo(text)
    if worst_db >= DRIFT_DB:
        raise typer.Exit(EXIT_NOTHING_USABLE)


def _begin(folder: Path, bands: Literal[31, 15, 10], range_db: float) -> None:
    """Write the round to be made, and what to play."""
    import soundfile

    from evenhall.acoustics.overload import rising_tone
    from evenhall.acoustics.stimulus import exponential_sweep
    from evenhall.job.tune.unit import RISING_DBFS, RISING_S, ROUND_FILE, STIMULUS_S

    if (folder / ROUND_FILE).exists():
        raise InputError(f"{folder / ROUND_FILE}: is there already. Go on with it, or remove it.")
    _write_round(folder, bands, range_db)
    sweep = exponential_sweep(STIMULUS_S, rate_hz=48_000, lead_s=0.25)
    soundfile.write(folder / STIMULUS_FILE, sweep, 48_000, subtype="PCM_24")
    tone = rising_tone(RISING_S, rate_hz=48_000, highest_dbfs=RISING_DBFS)
    soundfile.write(folder / RISING_FILE, tone, 48_000, subtype="PCM_24")
    typer.echo(
        f"{folder / ROUND_FILE}: the round to be made. Play {STIMULUS_FILE} once for each setting "
        f"({RISING_FILE} for the last), "
        "record it with what is played beside it, then: evenhall learn-unit "
        f"{folder}",
        err=True,
    )


def _write_round(folder: Path, bands: Literal[31, 15, 10], range_db: float) -> None:
    from evenhall.job.folder.writing import write_whole
    from evenhall.job.tune.unit import ROUND_FILE, UnitHead, round_toml

    head = UnitHead(name=folder.resolve().name or "Unit", bands=bands, range_db=range_db)
    write_whole({folder / ROUND_FILE: round_toml(head).encode()})
