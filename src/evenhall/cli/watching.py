"""What the terminal shows while sound plays: one line with time left and levels.

Where there is no terminal, into a file or through a pipe, the line is said anew once a second.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from typing import Self

from rich.console import Console
from rich.live import Live as LiveDisplay
from rich.text import Text

from evenhall.acoustics.background import Background
from evenhall.acoustics.meter import Reading
from evenhall.cli.app import ask
from evenhall.errors import InputError
from evenhall.job.live.line_check import Soloed
from evenhall.job.live.unit import Answer
from evenhall.job.tune.unit import Setting, words_of
from evenhall.verdict.plan import Plan

__all__ = ["LearnView", "RoundView", "TakeWatch", "level_bar", "levels_line", "watching"]

LOWEST_DBFS = -60.0
BAR_CELLS = 14
LINE_EVERY_S = 1.0  # where there is no terminal
NAMES = ("mic", "reference")


def level_bar(reading: Reading) -> str:
    """Level as a row of cells from -60 to 0 dBFS, its highest peak marked, and in figures."""

    def cell(level_dbfs: float) -> int:
        share = (max(level_dbfs, LOWEST_DBFS) - LOWEST_DBFS) / -LOWEST_DBFS
        return min(BAR_CELLS, round(share * BAR_CELLS))

    cells = list(
        "\u25a0" * cell(reading.fast_dbfs) + "\u00b7" * (BAR_CELLS - cell(reading.fast_dbfs))
    )
    if (at := cell(reading.held_dbfs)) > 0:
        cells[at - 1] = "|"
    level = f"{reading.fast_dbfs:4.0f}" if reading.fast_dbfs > -100.0 else "  --"
    return "".join(cells) + f" {level} dBFS" + (" CLIPS" if reading.clipped else "")


def levels_line(readings: Sequence[Reading]) -> str:
    """Levels of microphone and reference side by side."""
    return "  ".join(
        f"{name} {level_bar(reading)}" for name, reading in zip(NAMES, readings, strict=False)
    )


class TakeWatch:
    """Shows a take while it is made, and asks the keyboard whether it shall stop.

    Parameters
    ----------
    show : callable
        Puts a line on the screen in place of the last one.
    say : callable
        Prints a line that stays.
    pressed : callable
        Whether a key was pressed.
    """

    def __init__(
        self, show: Callable[[str], None], say: Callable[[str], None], pressed: Callable[[], bool]
    ) -> None:
        self._show, self._say, self._pressed = show, say, pressed

    def quiet(self) -> None:
        """Tell that the room is listened to."""
        self._say("Listening to the room: quiet, please.")

    def planned(self, plan: Plan, room: Background) -> None:
        """Tell what will be played."""
        noise = f"{room.a_weighted_dbfs:.0f} dBFS(A)" if room.a_weighted_dbfs > -140.0 else "none"
        self._say(f"Background: {noise}. {plan.text}")

    def step(self, elapsed_s: float, length_s: float, readings: Sequence[Reading]) -> None:
        """Show time and levels."""
        self._show(f"{max(0.0, length_s - elapsed_s):4.0f} s  {levels_line(readings)}")

    def stop_wanted(self) -> bool:
        """Whether a key was pressed."""
        return self._pressed()


class _AskingView:
    """Asks for one thing after the other, shows the sweep of each, takes a key for stop.

    Parameters
    ----------
    show, say : callable
        As for `TakeWatch`.
    keys : callable
        Context manager that gives what says whether a key was pressed.
    """

    def __init__(
        self,
        show: Callable[[str], None],
        say: Callable[[str], None],
        keys: Callable[[], AbstractContextManager[Callable[[], bool]]],
    ) -> None:
        self._show, self._say, self._keys = show, say, keys
        self._listening = ExitStack()
        self._pressed: Callable[[], bool] = lambda: False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self._listening.close()

    def _asked(self, wanted: str) -> bool:
        """Ask for something that hands must do, and wait for Enter; q ends the round."""
        # Keys are answers while the person is asked, and stop the sound while it plays.
        self._listening.close()
        self._show("")
        answer = ask(f"{wanted} Enter plays, q ends:")
        if answer is None:
            raise InputError(
                f"Nobody answered: {wanted} A person has to do that: run it in a terminal, or "
                "give a line on standard input for each step."
            )
        self._pressed = self._listening.enter_context(self._keys())
        return answer != "q"

    def step(self, elapsed_s: float, length_s: float, readings: Sequence[Reading]) -> None:
        """Show time and level."""
        self._show(f"{max(0.0, length_s - elapsed_s):4.0f} s  {levels_line(readings)}")

    def stop_wanted(self) -> bool:
        """Whether a key was pressed."""
        return self._pressed()


class RoundView(_AskingView):
    """Leads through the line check, element by element."""

    def ready(self, element: Soloed) -> bool:
        """Wait for Enter; q ends the round."""
        return self._asked(f"Solo {element.name} at the mixer, mute all others.")


class LearnView(_AskingView):
    """Leads through the settings of a rack unit."""

    def ready(self, at: int, count: int, setting: Setting) -> bool:
        """Wait for Enter; q ends the round."""
        return self._asked(f"{at} of {count}. {words_of(setting)}")

    def wrong(self, text: str) -> Answer:
        """Say what is wrong with a setting, and ask what to do; where nobody answers, end."""
        self._listening.close()
        self._say(text)
        self._show("")
        answer = ask("Enter records it again, k keeps it as it is, q ends:")
        return "keep" if answer == "k" else "end" if answer in ("q", None) else "again"


class _Lines:
    """Says the line that changes where it cannot be drawn over: once a second at most.

    Parameters
    ----------
    say : callable
    clock : callable
        Seconds, any origin.
    """

    def __init__(
        self, say: Callable[[str], None], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._say, self._clock = say, clock
        self._last, self._next_s = "", clock()

    def show(self, text: str) -> None:
        """Say it, if it is new and the last one was said a second ago."""
        line, now_s = "  ".join(text.splitlines()), self._clock()
        if line and line != self._last and now_s >= self._next_s:
            self._last, self._next_s = line, now_s + LINE_EVERY_S
            self._say(line)


@contextmanager
def watching(console: Console) -> Iterator[tuple[Callable[[str], None], Callable[[str], None]]]:
    """Give one function for the line that changes, and one for lines that stay."""
    if not console.is_terminal:
        lines = _Lines(lambda line: console.print(Text(line), soft_wrap=True))
        yield lines.show, console.print
        return
    # Drawn when there is something new, and never by itself: it would wipe a question away.
    with LiveDisplay(console=console, auto_refresh=False, transient=True) as display:
        yield lambda line: display.update(Text(line), refresh=True), console.print
