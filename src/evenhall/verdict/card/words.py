"""What is said of a card, by the verdict and by whoever reports it."""

from __future__ import annotations

from collections.abc import Sequence

from evenhall.words import count_text

__all__ = ["first_faders_text", "off_target"]

FIRST_FADERS = 5  # what two minutes are enough for


def off_target(seat_db: float) -> str:
    """Say how far seats are from the target: the error at a seat, dB."""
    return f"{seat_db:.1f} dB from the target on average"


def first_faders_text(before_db: float, after_db: Sequence[float]) -> str:
    """Say what the first faders bring to a seat, where there are many.

    Parameters
    ----------
    before_db : float
        Error at a seat without the card.
    after_db : sequence of float
        With the first, the first two, ... of its faders set.
    """
    if len(after_db) < 2 * FIRST_FADERS:
        return ""
    first_db = before_db - after_db[FIRST_FADERS - 1]
    return f" The first {count_text(FIRST_FADERS)} faders bring {first_db:.1f} dB of it."
