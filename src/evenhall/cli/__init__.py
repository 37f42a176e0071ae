"""The command line. Each module registers its commands; start at `app.main()`."""

# They register their commands.
from evenhall.cli import faders, folders, learning, live, loudness, opening
from evenhall.cli.app import EXIT_FAULT, app, main

__all__ = [
    "EXIT_FAULT",
    "app",
    "faders",
    "folders",
    "learning",
    "live",
    "loudness",
    "main",
    "opening",
]
