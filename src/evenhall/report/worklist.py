"""What to do and what to leave, in sentences: moves, settings, patterns, takes with a fault.

Start at `worklist()`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from evenhall.job.tune.result import Move, Pattern, Result, Section
from evenhall.report.point import Point, at_most, db_text, short
from evenhall.report.views import side_title
from evenhall.words import hz_text, uncapitalised

__all__ = [
    "DONE",
    "MIXER_TITLE",
    "NOTHING_TO_DO",
    "NOTHING_TO_MOVE",
    "NOT_TONIGHT",
    "STRIP_TITLE",
    "expected_gain",
    "largest_first",
    "left_alone",
    "mended",
    "moves_in_order",
    "no_card",
    "pattern_kind",
    "remedy_text",
    "section_text",
    "sections",
    "strip",
    "troubles",
    "whole_text",
    "worklist",
]

MAX_PATTERNS = 6  # in each list, largest first
MAX_TROUBLES = 6

DONE, NOT_TONIGHT = "done", "not tonight"  # how a move may be ticked
NOTHING_TO_DO = "Nothing to do."
NOTHING_TO_MOVE = "Nothing to move: leave all faders at 0."
REMEDIES = {
    "leave": "Leave it alone.",
    "move": "Move the boxes, not a fader.",
    "polarity": "A matter of polarity, not of a fader.",
    "delay": "A matter of delay, not of a fader.",
}
STRIP_TITLE, MIXER_TITLE = "First, on the channel strip", "On a digital mixer instead"


def worklist(result: Result) -> tuple[Point, ...]:
    """Say what to do, in order: the kind of move, its sentence and the gain expected.

    Where no take could be used, that is to mend each and record it again. Nothing of it is left
    out: a move may end with what can hurt someone.
    """
    if not result.any_usable:
        return tuple(
            Point("record again", short(f"{point.head}: {uncapitalised(point.body)}"))
            for point in troubles(result)
        )
    return tuple(
        Point(move.kind, " ".join(whole_text(move).split())) for move in moves_in_order(result)
    )


def moves_in_order(result: Result) -> list[Move]:
    """Sort the moves as they are to be done."""
    return sorted(result.moves, key=lambda move: move.order)


def whole_text(move: Move) -> str:
    """Say what to do, and what it brings."""
    return f"{move.text} {expected_gain(move)}".rstrip()


def expected_gain(move: Move) -> str:
    """Sentence that says what a move brings front to back; empty where it promises nothing."""
    now, then = move.expected.get("was_db"), move.expected.get("front_minus_back_db")
    if not isinstance(now, (int, float)) or not isinstance(then, (int, float)):
        return ""
    return f"Front minus back: {db_text(now)} now, {db_text(then)} expected."


def no_card(result: Result) -> str:
    """Say why there is no card; empty where there is one."""
    if any(result.card.values()):
        return ""
    return result.card_withheld or (
        "Leave the EQ as it is: no fader setting could be worked out from these takes."
    )


def sections(result: Result) -> tuple[Point, ...]:
    """Say how the sections of a digital mixer are to be set, side by side, and what they do."""
    if result.console is None:
        return ()
    return (*_settings(result.console.sections), Point("", result.console.text))


def strip(result: Result) -> tuple[Point, ...]:
    """Say how the channel strip before the equalizer is to be set, side by side."""
    if any(result.strip.values()):
        return _settings(result.strip)
    return (Point("", "Leave it flat: it would do nothing here."),) if result.strip else ()


def _settings(by_side: Mapping[str, Sequence[Section]]) -> tuple[Point, ...]:
    return tuple(
        Point(side_title(side, ()) if len(by_side) > 1 else "", section_text(one))
        for side, some in by_side.items()
        for one in some
    )


def section_text(section: Section) -> str:
    """Say how one section is to be set."""
    gain = f"{section.gain_db:+g}".replace("-", "−")
    q = f", Q {section.q:g}" if section.kind == "peaking" else ""
    return f"{section.kind.replace('-', ' ')} {section.hz:g} Hz, {gain} dB{q}"


def left_alone(result: Result) -> tuple[Point, ...]:
    """Say which patterns no fader touches, and why."""
    return _patterns(pattern for pattern in result.patterns if pattern.remedy != "equalize")


def mended(result: Result) -> tuple[Point, ...]:
    """Say which patterns the card takes out or fills in."""
    return _patterns(pattern for pattern in result.patterns if pattern.remedy == "equalize")


def largest_first(patterns: Iterable[Pattern]) -> list[Pattern]:
    """Sort patterns by their size."""
    return sorted(patterns, key=lambda pattern: -abs(pattern.depth_db))


def pattern_kind(pattern: Pattern) -> str:
    """Name what is too much or too little."""
    return "dip" if pattern.depth_db < 0 else "build-up"


def _patterns(patterns: Iterable[Pattern]) -> tuple[Point, ...]:
    points = [
        Point(f"{hz_text(pattern.hz)}, {pattern_kind(pattern)}", short(pattern.why))
        for pattern in largest_first(patterns)
    ]
    return at_most(points, MAX_PATTERNS)


def remedy_text(pattern: Pattern) -> str:
    """Say in a few words what mends a pattern."""
    if pattern.remedy == "equalize":
        return "The card fills it in." if pattern.depth_db < 0 else "The card takes it out."
    return REMEDIES[pattern.remedy]


def troubles(result: Result) -> tuple[Point, ...]:
    """Say what is wrong with which take."""
    points = [
        Point(short(take.file), short(problem.text), holds=take.usable)
        for take in result.takes
        for problem in take.problems
    ]
    return at_most(points, MAX_TROUBLES)
