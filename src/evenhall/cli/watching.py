"""What the terminal shows and asks while sound plays: a line with time left and levels.

Where there is no terminal, into a file or through a pipe, the line is said anew once a second.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Self

from rich.console import Console
from rich.live import Live as LiveDisplay
from rich.text import Text

from evenhall.acoustics.meter import Reading
from evenhall.cli.app import ask
from evenhall.cli.keys import any_key
from evenhall.errors import InputError
from evenhall.job.live.watch import (
    Answer,
    Guided,
    Metered,
    News,
    Planned,
    Progress,
    Said,
    Solo,
    Walking,
    Wanted,
    Watch,
)
from evenhall.job.tune.unit import words_of
from evenhall.verdict.loudness import loudness_lines
from evenhall.verdict.proof.guiding import Guidance
from evenhall.words import fader_name, uncapitalised

__all__ = ["TerminalWatch", "guidance_lines", "level_bar", "levels_line", "watching"]

LOWEST_DBFS = -60.0
BAR_CELLS = 14
LINE_EVERY_S = 1.0  # where there is no terminal
NAMES = ("mic", "reference")
# A row of cells from so far below a fader's place to so far above it.
SPAN_DB, SPAN_CELLS = 6.0, 25


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


def guidance_lines(guidance: Guidance) -> str:
    """Write what to do large, where the fader is in its way, and what is left."""
    if guidance.hz is None:
        return "A L L   S E T"
    large = " ".join(f"{fader_name(guidance.hz)}   {guidance.text}".upper())
    middle = SPAN_CELLS // 2
    off_db = guidance.now_db - guidance.wanted_db
    at = middle + round(max(-1.0, min(1.0, off_db / SPAN_DB)) * middle)
    cells = ["\u00b7"] * SPAN_CELLS
    cells[middle], cells[at] = "|", "\u25a0"
    left = ", ".join(fader_name(hz) for hz in guidance.left_hz)
    figures = f"now {guidance.now_db:+.1f} +-{guidance.uncertainty_db:.1f}"
    lines = [
        large,
        f"{''.join(cells)}  {figures}, card {guidance.wanted_db:+.1f} dB",
        f"Left: {left}",
        *guidance.remarks,
    ]
    return "\n".join(lines)


class TerminalWatch(Watch):
    """Shows what sounds, asks hands for what they must do, and takes any key for stop.

    Parameters
    ----------
    show : callable
        Puts a line on the screen in place of the last one.
    say : callable
        Prints a line that stays.
    """

    def __init__(self, show: Callable[[str], None], say: Callable[[str], None]) -> None:
        self._show, self.say = show, say
        self._keys = ExitStack()
        self._walking: Walking | None = None

    def __enter__(self) -> Self:
        self._pressed = self._keys.enter_context(any_key())
        return self

    def __exit__(self, *error: object) -> None:
        self._keys.close()

    def tell(self, news: News) -> None:
        """Show what is new."""
        match news:
            case Said(text):
                self.say(text)
            case Planned(plan, room):
                level_dbfs = room.a_weighted_dbfs
                noise = f"{level_dbfs:.0f} dBFS(A)" if level_dbfs > -140.0 else "none"
                self.say(f"Background: {noise}. {plan.text}")
            case Walking():
                self.say(news.text)
                self._walking = news
            case Progress(readings, elapsed_s, length_s, hint):
                levels = levels_line(readings)
                if (walking := self._walking) is not None and walking.path is not None:
                    levels = f"{self._leg(walking, elapsed_s)}  {levels}"
                left = f"{max(0.0, length_s - elapsed_s):4.0f} s  {levels}" if length_s else levels
                self._show(left if hint is None else f"{levels}\n{hint.text}")
            case Metered(loudness):
                self._show(loudness_lines(loudness))
            case Guided(guidance, before):
                told = () if before is None else before.remarks
                for line in (*news.changes, *(one for one in guidance.remarks if one not in told)):
                    self.say(line)
                self._show(guidance_lines(guidance))

    def ask(self, wanted: Wanted) -> Answer:
        """Ask for something that hands must do, and wait for Enter."""
        # Keys are answers while the person is asked, and stop the sound while it plays.
        self._keys.close()
        self._show("")
        answer = self._answer(wanted)
        self._pressed = self._keys.enter_context(any_key())
        return answer

    def stop_wanted(self) -> bool:
        """Whether a key was pressed."""
        return self._pressed()

    @staticmethod
    def _leg(walking: Walking, elapsed_s: float) -> str:
        assert walking.path is not None
        if elapsed_s < walking.from_s:
            return f"stand still for {walking.from_s - elapsed_s:.0f} s"
        return walking.path.leg(walking.share(elapsed_s))

    def _answer(self, wanted: Wanted) -> Answer:
        if isinstance(wanted, Solo):
            words = f"Only {wanted.element} may sound: mute or unplug the others."
        else:
            words = f"{wanted.at} of {wanted.count}. {words_of(wanted.setting)}"
            if wanted.fault:
                self.say(wanted.fault)
                answer = ask("Enter records it again, k keeps it as it is, q ends:")
                if answer in ("k", "q", None):
                    return "keep" if answer == "k" else "end"
        answer = ask(f"{words} Enter plays, q ends:")
        if answer is None:
            raise InputError(
                f"Nobody answered: {uncapitalised(words)} A person has to do that: run it in a "
                "terminal, or give a line on standard input for each step."
            )
        return "end" if answer == "q" else "on"


class _Lines:
    """Says the line that changes where it cannot be drawn over: once a second at most.

    Parameters
    ----------
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
def watching(console: Console) -> Iterator[TerminalWatch]:
    """Look on by a line that changes, and lines that stay."""
    if not console.is_terminal:
        lines = _Lines(lambda line: console.print(Text(line), soft_wrap=True))
        with TerminalWatch(lines.show, console.print) as watch:
            yield watch
        return
    # Drawn when there is something new, and never by itself: it would wipe a question away.
    with (
        LiveDisplay(console=console, auto_refresh=False, transient=True) as display,
        TerminalWatch(
            lambda line: display.update(Text(line), refresh=True), console.print
        ) as watch,
    ):
        yield watch
