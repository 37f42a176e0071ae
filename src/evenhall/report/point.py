"""A heading with its sentence, and how long either may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["MAX_CHARACTERS", "Point", "at_most", "db_text", "holds_text", "short"]

MAX_CHARACTERS = 320  # of one point: names come from the user and may be of any length


@dataclass(frozen=True)
class Point:
    """A heading of a few words, and the sentence that belongs to it."""

    head: str
    body: str
    holds: bool | None = None


def short(sentence: str, most: int = MAX_CHARACTERS) -> str:
    """Put a sentence on one line, cut where it is longer than a page bears."""
    flat = " ".join(sentence.split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


def at_most(points: Sequence[Point], count: int) -> tuple[Point, ...]:
    """Keep the first points, and say how many are left out."""
    if len(points) <= count:
        return tuple(points)
    rest = len(points) - count + 1
    return (*points[: count - 1], Point("", f"And {rest} more: see result.json."))


def db_text(level_db: float) -> str:
    """Say a level or a difference."""
    return f"{level_db:.1f}".replace("-", "−") + " dB"


def holds_text(holds: bool) -> str:
    """Say how a verdict ended."""
    return "holds" if holds else "fails"
