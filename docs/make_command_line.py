"""Writes command-line.md from the help texts of the commands themselves.

python docs/make_command_line.py
"""

from __future__ import annotations

from pathlib import Path

from typer.main import get_command
from typer.testing import CliRunner

from evenhall.cli import app

PAGE = Path(__file__).with_name("command-line.md")
INTRODUCTION = """\
# The command line

Written by `docs/make_command_line.py` from the commands' own help; change it there.
What the exit codes mean: [the job folder](job-folder.md#exit-codes).
"""


def help_text(*command: str) -> str:
    """Help of a command, as a terminal of 80 columns shows it."""
    # The environment decides how wide and how colourful help is.
    plain = {"COLUMNS": "80", "TERM": "dumb", "NO_COLOR": "1"}
    ended = CliRunner().invoke(app, [*command, "--help"], prog_name="evenhall", env=plain)
    if ended.exit_code != 0:
        raise RuntimeError(f"evenhall {' '.join(command)} --help failed: {ended.output}")
    return "\n".join(line.rstrip() for line in ended.output.strip().splitlines())


def page() -> str:
    """Text of the page: the whole, then each command."""
    sections = [INTRODUCTION, f"## evenhall\n\n```text\n{help_text()}\n```\n"]
    sections += [
        f"## evenhall {name}\n\n```text\n{help_text(name)}\n```\n"
        for name in get_command(app).commands
    ]
    return "\n".join(sections)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
