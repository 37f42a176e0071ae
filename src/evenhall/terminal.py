"""What the terminal shows of a result: verdicts, worklist, card. Start at `show_result()`.

The sentences are those of `report`, never cut short; here they are only laid out, for a width
from 60 columns up, with or without colour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

from evenhall.hall.label import BOTH
from evenhall.job.folder.reading import Equalizer
from evenhall.job.tune.result import Fader, Result
from evenhall.report.point import Point
from evenhall.report.verdicts import verdicts
from evenhall.report.views import in_order
from evenhall.report.worklist import (
    MIXER_TITLE,
    NOTHING_TO_DO,
    NOTHING_TO_MOVE,
    STRIP_TITLE,
    moves_in_order,
    sections,
    strip,
    troubles,
    whole_text,
    worklist,
)
from evenhall.words import hz_text

if TYPE_CHECKING:  # neither is wanted by `tune`, which must start quickly
    from evenhall.hall.choosing import WalkSpot
    from evenhall.job.tune.planning import HallPlan

__all__ = ["MAX_COLUMNS", "console_for", "progress_on", "show_hall", "show_result"]

MAX_COLUMNS = 100  # longer lines are hard to read at arm's length
RAIL_COLUMNS = 25  # of a fader's drawing, its middle at 0 dB
LEFT_OUT = {1: "first", 2: "second"}
CARD_TITLES = {BOTH: "left and right alike"}


def console_for(*, stderr: bool = False) -> Console:
    """Console for plain text: nothing that a name holds is taken for markup."""
    console = Console(stderr=stderr, markup=False, highlight=False, emoji=False)
    console.width = min(console.width, MAX_COLUMNS)
    return console


@contextmanager
def progress_on(console: Console) -> Iterator[Callable[[str, int, int], None]]:
    """Give a function that shows how far the work is: what is done, how many, of how many."""
    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=24, complete_style="bold", finished_style="bold"),
        TextColumn("{task.completed:.0f} of {task.total:.0f}"),
        console=console,
        transient=True,
    )
    with bar:
        task = bar.add_task("", total=None, visible=False)

        def step(what: str, done: int, total: int) -> None:
            bar.update(task, description=what, completed=done, total=total, visible=True)

        yield step


def show_result(console: Console, result: Result, unit: Equalizer) -> None:
    """Print what a person needs at the rack; the unit's range gives the scale of the card."""
    used = sum(take.usable for take in result.takes)
    head = Text(result.job, style="bold")
    head.append(f"   {used} of {len(result.takes)} takes usable", style="not bold")
    console.print(head)
    for point in troubles(result):
        console.print(_sentence(point, mark="!"))
    _heading(console, "Verdict")
    for point in verdicts(result):
        console.print(_sentence(point, mark={True: "+", False: "!", None: " "}[point.holds]))
    _heading(console, "Worklist")
    console.print(_numbered(_things_to_do(result)))
    _points(console, STRIP_TITLE, strip(result))
    for name, faders in result.card.items():
        _heading(console, f"Card, {CARD_TITLES.get(name, name)}")
        console.print(_card(faders, unit))
    _points(console, MIXER_TITLE, sections(result))


def _points(console: Console, title: str, points: Sequence[Point]) -> None:
    if points:
        _heading(console, title)
        for point in points:
            console.print(_sentence(point, mark=" "))


def show_hall(console: Console, plan: HallPlan) -> None:
    """Print what hands can do for a hall."""
    parts = (
        ("Look at first", plan.checks),
        ("Height, tilt and toe-in", plan.stance),
        ("If that is not enough", plan.beyond),
        ("Speech", plan.speech),
        ("The talker's microphone", plan.talker),
        ("Microphone", tuple(_spot_line(spot) for spot in plan.spots)),
        ("Not known", plan.lacking),
    )
    for title, lines in parts:
        if lines:
            _heading(console, title)
            console.print(_numbered(lines))


def _spot_line(spot: WalkSpot) -> str:
    side = "right" if spot.across_m > 0 else "left"
    where = f"{spot.along_m:.1f} m down the room, {abs(spot.across_m):.1f} m {side} of the middle"
    short = (
        f" If time is short, skip this one {LEFT_OUT[spot.leave_out]}." if spot.leave_out else ""
    )
    return f"{spot.label}: {where}. {spot.why}{short}"


def _heading(console: Console, title: str) -> None:
    console.print()
    console.print(Text(title, style="bold underline"))


def _sentence(point: Point, *, mark: str) -> RenderableType:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=1)
    grid.add_column()
    text = Text(point.head, style="bold")
    text.append(f". {point.body}" if point.head else point.body, style="not bold")
    grid.add_row(Text(mark, style="bold"), text)
    return grid


def _things_to_do(result: Result) -> list[str]:
    """Give the moves in their order, whole: on paper there is less room than here."""
    if not result.any_usable:
        return [point.body for point in worklist(result)]
    return [whole_text(move) for move in moves_in_order(result)]


def _numbered(sentences: Sequence[str]) -> RenderableType:
    if not sentences:
        return Text(NOTHING_TO_DO)
    grid = Table.grid(padding=(0, 1))
    grid.add_column(justify="right", min_width=2)
    grid.add_column()
    for number, sentence in enumerate(sentences, 1):
        grid.add_row(Text(str(number), style="bold"), Text(sentence))
    return grid


def _card(faders: Sequence[Fader], unit: Equalizer) -> RenderableType:
    """Draw the faders that move, what brings most first, each with its place on the rail."""
    moved = in_order(faders)
    if not moved:
        return Text(NOTHING_TO_MOVE)
    table = Table(box=None, padding=(0, 1), pad_edge=False, header_style="not bold")
    table.add_column("", justify="right", min_width=2)
    table.add_column("fader", justify="right", no_wrap=True)
    table.add_column("set to", justify="right", no_wrap=True)
    table.add_column(_scale(unit.range_db), no_wrap=True)
    for number, fader in enumerate(moved, 1):
        table.add_row(
            str(number),
            hz_text(fader.hz),
            Text(f"{_signed(fader.fader_db)} dB", style="bold"),
            _rail(fader.fader_db, unit.range_db),
        )
    rest = len(faders) - len(moved)
    last = f"All others ({rest}) stay at 0 dB." if rest else "Every fader moves."
    return Group(table, Padding(Text(last), (0, 0, 0, 3)))


def _signed(level_db: float) -> str:
    """Write a level with its sign and no more decimals than it has.

    Examples
    --------
    >>> _signed(-2.5), _signed(3.0), _signed(1.25)
    ('-2.5', '+3.0', '+1.25')
    """
    return f"{level_db:+.1f}" if round(level_db, 1) == level_db else f"{level_db:+.2f}"


def _scale(range_db: float) -> str:
    """Write the ends and the middle of the rail over it."""
    ends = f"-{range_db:g}", f"+{range_db:g}"
    half = RAIL_COLUMNS // 2
    return ends[0].ljust(half) + "0" + ends[1].rjust(half)


def _rail(level_db: float, range_db: float) -> str:
    """Draw one fader lying on its side: a bar from 0 dB to the knob.

    Examples
    --------
    >>> _rail(-6.0, 12.0)
    '······O━━━━━│············'
    """
    middle = RAIL_COLUMNS // 2
    knob = middle + round(level_db / range_db * middle)
    if knob == middle:  # a small move must still show its side
        knob += 1 if level_db > 0 else -1
    signs = ["·"] * RAIL_COLUMNS
    for place in range(min(knob, middle), max(knob, middle)):
        signs[place] = "━"
    signs[middle] = "│"
    signs[knob] = "O"
    return "".join(signs)
