"""Commands that need no sound device: `evenhall tune | stimulus | demo`.

Thin: each reads its options, calls one room, and prints. Whatever is slow to import is imported
inside the command that needs it, so that `evenhall --help` answers at once.
"""

from __future__ import annotations

import datetime
import importlib
import io
import sys
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from evenhall.cautions import LIFTING
from evenhall.cli.app import (
    app,
    faults_as_lines,
    options_by_name,
    progress_shown,
)
from evenhall.errors import EXIT_NOTHING_USABLE, InputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from evenhall.job.tune.result import Result

SOUND_FORMATS = {".wav": "WAV", ".flac": "FLAC"}


@app.command()
def tune(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The job folder: it holds job.toml.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where result.json and sheet.pdf go.  [FOLDER/out]"),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print result.json on standard output, nothing else.")
    ] = False,
    date: Annotated[
        datetime.datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Of the sheet.  [today]"),
    ] = None,
) -> None:
    """Judge the takes of a job folder: worklist, card and sheet.

    Reads FOLDER/job.toml and the recordings that it lists, writes FOLDER/out/result.json and
    FOLDER/out/sheet.pdf, and prints the worklist and the card. Takes marked state = "after" are
    held against the forecast.

    \b
    Exit code:
      0  done
      2  the folder or job.toml is wrong: one line a fault
      3  no take is usable: the result says why for each
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        from evenhall.job.folder.reading import load_job

        job = load_job(folder)

        from evenhall.job.tune.tuning import tune as tune_job

        # The sheet is slow to import, and wanted last: it comes while the takes are measured.
        Thread(target=importlib.import_module, args=("evenhall.sheet",), daemon=True).start()
        with progress_shown() as step:
            result = tune_job(job, folder, progress=step)

        from evenhall import sheet
        from evenhall.job.folder.writing import SHEET_FILE, write_result
        from evenhall.job.tune.result import to_json

        on_sheet = date.date() if date else datetime.date.today()
        result_json = to_json(result)
        out = folder / "out" if out is None else out
        write_result(out, result_json, sheet.render(result, job, date=on_sheet))
        if as_json:
            sys.stdout.buffer.write(result_json)
            sys.stdout.flush()
        else:
            from evenhall import terminal

            terminal.show_result(terminal.console_for(), result, job.equalizer)
            typer.echo(f"\nSheet to print: {out / SHEET_FILE}")
        if not result.any_usable:
            typer.echo("No take is usable: the result says why for each.", err=True)
            raise typer.Exit(EXIT_NOTHING_USABLE)


@app.command()
def stimulus(
    out: Annotated[Path, typer.Argument(metavar="OUT.wav", help="The file, .wav or .flac.")],
    length: Annotated[float, typer.Option(metavar="S", help="Length in seconds.")] = 12.0,
    kind: Annotated[
        Literal["pink", "sweep"], typer.Option(help="Noise, or one rising tone.")
    ] = "pink",
    rate: Annotated[int, typer.Option(metavar="HZ", help="Sample rate in Hz.")] = 48_000,
    level: Annotated[
        float, typer.Option(metavar="DBFS", help="RMS level in dBFS; a full-scale sine has 0.")
    ] = -20.0,
    low: Annotated[
        float | None, typer.Option(metavar="HZ", help="Lower end of the band.  [about 17 Hz]")
    ] = None,
    high: Annotated[
        float | None, typer.Option(metavar="HZ", help="Upper end of the band.  [22.4 kHz]")
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="Same number, same noise.", min=0)] = 1,
    crest_limit: Annotated[
        float | None,
        typer.Option(metavar="DB", help="Highest peak of the noise above its RMS level."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that exists.")] = False,
) -> None:
    """Write what to play: pink noise or an exponential sweep.

    Pink noise shows at once when something is wrong and forgives a cough; a sweep lifts the
    quiet end of the band out of a noisy room. Play it through one loudspeaker at a time.

    Start with the level right down and bring it up slowly: noise and sweeps strain ears and
    drivers more than music does. For a small box give --low its lower limit.

    \b
    Examples:
      evenhall stimulus pink.wav
      evenhall stimulus sweep.wav --kind sweep --length 10 --low 50
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        _check_stimulus_options(out, kind, rate, crest_limit, force)
        from evenhall.acoustics.level import peak_dbfs
        from evenhall.acoustics.stimulus import exponential_sweep, pink_noise
        from evenhall.job.folder.writing import write_whole

        band = {"low_hz": low, "high_hz": high}
        band_given = {name: hz for name, hz in band.items() if hz is not None}
        with options_by_name():
            if kind == "pink":
                signal = pink_noise(
                    length,
                    rate_hz=rate,
                    seed=seed,
                    level_dbfs=level,
                    crest_limit_db=crest_limit,
                    **band_given,
                )
            else:
                signal = exponential_sweep(length, rate_hz=rate, level_dbfs=level, **band_given)
        write_whole({out: _sound_bytes(signal, rate, SOUND_FORMATS[out.suffix.lower()])})
        typer.echo(
            f"{out}: {'pink noise' if kind == 'pink' else 'sweep'}, {length:g} s at "
            f"{rate} Hz, {level:g} dBFS RMS, peaks at {float(peak_dbfs(signal)):.1f} dBFS.\n"
            "Play it with the level down first, and protect your ears.",
            err=True,
        )


def _check_stimulus_options(
    out: Path, kind: str, rate: int, crest_limit: float | None, force: bool
) -> None:
    from evenhall.sound.live.setup import HIGHEST_RATE_HZ, LOWEST_RATE_HZ

    faults = []
    if out.suffix.lower() not in SOUND_FORMATS:
        faults.append(
            f"{out}: cannot be written as that kind of file. Give a name in .wav or .flac."
        )
    elif out.exists() and not out.is_file():
        faults.append(f"{out}: is not a file that can be replaced. Give another name.")
    elif out.exists() and not force:
        faults.append(f"{out}: exists. Give another name, or --force to replace it.")
    if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        faults.append(
            f"--rate = {rate} is out of range. Give {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz."
        )
    if kind == "sweep" and crest_limit is not None:
        faults.append("--crest-limit is for pink noise: a sweep has the crest factor of a sine.")
    if faults:
        raise InputError(*faults)


def _sound_bytes(signal: NDArray[np.float64], rate_hz: int, form: str) -> bytes:
    """Encode one channel in 24 bits: its steps lie far below any room's noise."""
    import soundfile

    file = io.BytesIO()
    soundfile.write(file, signal, rate_hz, format=form, subtype="PCM_24")
    return file.getvalue()


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Made new, or a demo folder to go on with.")
    ],
    after: Annotated[
        bool, typer.Option("--after", help="Add the takes made with the card set.")
    ] = False,
    bands: Annotated[
        Literal[31, 15, 10], typer.Option(help="Faders of the equalizer in the rack.")
    ] = 31,
    with_sub: Annotated[
        bool, typer.Option("--with-sub", help="A second venue: two tops and a sub to join.")
    ] = False,
    old_unit: Annotated[
        bool,
        typer.Option("--old-unit", help="Its scale is wrong; FOLDER/unit holds what teaches it."),
    ] = False,
) -> None:
    """Write the job folder of an invented venue, to try everything on.

    The takes are simulated: loudspeakers with faults, a room, a microphone, noise. Tune the
    folder, then add the takes that follow the work, with the card really applied, and tune
    again to see the proof:

    \b
      evenhall demo hall
      evenhall tune hall
      evenhall demo hall --after
      evenhall tune hall

    With --with-sub the sub is to be joined first: the first --after adds the takes of mains and
    sub together, joined as the worklist says, and the second those with the card set.

    With an old unit in the rack the proof says that its scale is wrong, until it is learned:

    \b
      evenhall demo hall --old-unit
      evenhall learn-unit hall/unit --out hall
      then in hall/job.toml, below [equalizer]:
        response = "measured"
        file = "unit.json"
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        from evenhall import terminal
        from evenhall.job.demo.folder import write_demo, write_demo_after, write_old_unit

        for name, given in (("--old-unit", old_unit), ("--with-sub", with_sub)):
            if after and given:
                raise InputError(f"{name} goes with a new demo: it is there from the start.")
        card = card_of(written_result(folder)) if after else None
        with terminal.console_for(stderr=True).status("Simulating the takes"):
            if card is None:
                write_demo(folder, bands=bands, with_sub=with_sub)
                if old_unit:
                    write_old_unit(folder)
            else:
                write_demo_after(folder, card)
        typer.echo(f"{folder}: ready. Now: evenhall tune {folder}", err=True)


def written_result(folder: Path) -> Result:
    """Read the folder's result.

    Raises
    ------
    InputError
        There is none, or it is another version's.
    """
    from evenhall.job.folder.writing import RESULT_FILE
    from evenhall.job.tune.result import Result

    path = folder / "out" / RESULT_FILE
    if not path.is_file():
        raise InputError(f"{path}: is missing. Tune first: evenhall tune {folder}")
    try:
        return Result.model_validate_json(path.read_bytes())
    except ValueError:
        raise InputError(
            f"{path}: is not a result of this version. Tune again: evenhall tune {folder}"
        ) from None


def card_of(result: Result) -> dict[str, dict[float, float]]:
    """Card of a result: fader in dB by its frequency in Hz, a list a side."""
    return {
        side: {fader.hz: fader.fader_db for fader in faders} for side, faders in result.card.items()
    }


@app.command(epilog=LIFTING)
def hall(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The job folder: it holds job.toml.")
    ],
    drawing: Annotated[
        Path | None,
        typer.Option(metavar="OUT.svg", help="Draw the hall, as it is and as proposed."),
    ] = None,
) -> None:
    """Say what a ladder, a tilt or a turn would bring, before any take exists.

    Needs the rows and the height of the loudspeakers in FOLDER/job.toml; the room's sizes and its
    reverberation time make the forecast better. Says the best height, tilt and toe-in with what
    each step gains, what would help if that is not enough, how well speech is understood, and the
    spots for the microphone. With takes in the folder it also says where they differ from any hall.

    \b
    Example:
      evenhall hall quarry --drawing quarry.svg
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        if drawing is not None and (drawing.suffix.lower() != ".svg" or drawing.is_dir()):
            raise InputError(f"{drawing}: is not a drawing's name. Give one in .svg.")
        from evenhall.job.folder.reading import load_job
        from evenhall.job.tune.planning import plan_hall

        job = load_job(folder, takes_needed=False)
        plan = plan_hall(job, folder)

        from evenhall import terminal

        terminal.show_hall(terminal.console_for(), plan)
        if drawing is not None:
            from evenhall.drawing import draw_hall
            from evenhall.job.folder.writing import write_whole
            from evenhall.report.views import hall_view

            view = hall_view(job, plan.proposed, plan.rows)
            write_whole({drawing: draw_hall(view).encode()})
            typer.echo(f"Drawn: {drawing}", err=True)
