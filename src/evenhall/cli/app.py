"""The frame of the command line: the app, its help, errors as lines, progress."""

from __future__ import annotations

import codecs
import gc
import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated

import typer

from evenhall import __version__
from evenhall.errors import EvenhallError, InputError, exit_code

__all__ = ["app", "ask", "faults_as_lines", "main", "options_by_name", "progress_shown"]

EXIT_FAULT = 2
PLAINLY = "evenhall.plainly"
PLAIN_SIGNS = dict(zip("\u2212\u2501\u2502\u25a0\u00b7\u00d7", "--|#.x", strict=True)) | {
    "\u2026": "...",
    "\u00b1": "+-",
    "\u00b0": " deg",
}
# How the rooms below call what an option sets.
OPTION_NAMES = {
    "duration_s": "--length",
    "rate_hz": "--rate",
    "level_dbfs": "--level",
    "low_hz": "--low",
    "high_hz": "--high",
    "crest_limit_db": "--crest-limit",
    "mic_channel": "--mic",
    "reference_channel": "--reference-input",
}

app = typer.Typer(
    name="evenhall",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    help="""Tune a small sound system with the equalizer in the rack.

    From a few recordings in the room to a worklist (what to raise, turn, flip or leave alone),
    a card (where each fader must stand) and a printed sheet.

    \b
    A tuning visit:
      1. evenhall stimulus pink.wav      what to play, one loudspeaker at a time
      2. record it front, middle and back, and list the takes in FOLDER/job.toml
      3. evenhall tune FOLDER            worklist, card, FOLDER/out/sheet.pdf
      4. do the worklist, set the card, record again as state = "after",
         and tune once more: the proof

    \b
    No room at hand? Try it on a simulated one:
      evenhall demo hall && evenhall tune hall

    Start quiet, and protect your ears whenever a stimulus plays.
    """,
)


def _plainly(error: UnicodeError) -> tuple[str, int]:
    """Write what a terminal has no sign for: a minus must not become a question mark."""
    assert isinstance(error, UnicodeEncodeError)
    bare = error.object[error.start : error.end]
    return "".join(PLAIN_SIGNS.get(sign, "?") for sign in bare), error.end


codecs.register_error(PLAINLY, _plainly)


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal without UTF-8 gets plainer signs, not a traceback.
            stream.reconfigure(errors=PLAINLY)
    # Takes are measured side by side already: numpy's library for linear algebra would cut each
    # product of two signals up among threads that wait for one another.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Importing makes objects by the hundred thousand and no waste: a look for waste among them
    # at every 700 more is a twentieth of the time of `tune`.
    gc.set_threshold(50_000)
    app()


@contextmanager
def faults_as_lines() -> Iterator[None]:
    """End the command with plain lines on standard error where something of the user's is wrong."""
    try:
        yield
    except EvenhallError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(exit_code(error)) from error
    except BrokenPipeError:
        raise  # whoever read our output has left: typer ends quietly
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        typer.echo(f"{where}could not be read or written ({error.strerror}).", err=True)
        raise typer.Exit(EXIT_FAULT) from error


@contextmanager
def options_by_name() -> Iterator[None]:
    """Let faults speak of the options that the person typed."""
    try:
        yield
    except InputError as error:
        names = re.compile("|".join(OPTION_NAMES))
        lines = (names.sub(lambda found: OPTION_NAMES[found[0]], line) for line in error.faults)
        raise InputError(*lines) from error


@contextmanager
def progress_shown() -> Iterator[Callable[[str, int, int], None] | None]:
    """Give what shows how far the work is, or None where nobody looks."""
    if not sys.stderr.isatty():
        yield None
        return
    from evenhall import terminal

    with terminal.progress_on(terminal.console_for(stderr=True)) as step:
        yield step


def ask(question: str) -> str | None:
    """Ask on standard error and wait for a line; None where nobody is there to answer.

    Standard output stays clean.
    """
    sys.stderr.write(f"{question} ")
    sys.stderr.flush()
    answer = sys.stdin.readline()
    if answer:
        return answer.strip().lower()
    sys.stderr.write("\n")
    return None


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"evenhall {__version__}")
        raise typer.Exit


@app.callback()
def _evenhall(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    pass
