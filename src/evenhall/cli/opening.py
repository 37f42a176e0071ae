"""The command that opens the pages: `evenhall open`."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Annotated

import typer

from evenhall.cli.app import app, faults_as_lines

Port = Annotated[
    int,
    typer.Option(metavar="N", min=0, max=65_535, help="Port on this computer; 0 takes any."),
]


@app.command(name="open")
def open_pages(
    demo: Annotated[bool, typer.Option("--demo", help="Open on the simulated hall.")] = False,
    port: Port = 8317,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Only print the address.")
    ] = False,
    data: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where visits are kept.  [the user's data folder]"),
    ] = None,
) -> None:
    """Open the pages: a whole visit, from set-out to hand-over, in the browser.

    They begin with the list of your own venues, with --demo in the simulated hall. They answer to
    this computer alone, until a phone is let in on the page Phone. Everything is kept as it is
    made; Ctrl-C ends them, and the next time goes on from there.

    \b
    Examples:
      evenhall open
      evenhall open --demo
    """  # noqa: D301 - the mark keeps the lines below it apart
    with faults_as_lines():
        # What is imported stays: to look for waste among it takes a twentieth of the start, and
        # holds everybody up again now and then while sound plays.
        gc.disable()
        from evenhall.pages.serve import serve
        from evenhall.visits.store import data_path

        gc.freeze()
        gc.enable()
        serve(
            data_path() if data is None else data,
            port=port,
            demo=demo,
            browser=not no_browser,
            say=lambda address: typer.echo(f"Evenhall is open at {address}\nCtrl-C ends it."),
        )
