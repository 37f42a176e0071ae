"""A clock for the simulated hall by which nothing comes too late, however slow the machine."""

from __future__ import annotations

__all__ = ["HallClock"]

STEP_S = 0.2


class HallClock:
    """Goes on whenever it is asked, and at no other time."""

    now_s = 0.0

    def __call__(self) -> float:
        """Give the time, seconds."""
        self.now_s += STEP_S
        return self.now_s
