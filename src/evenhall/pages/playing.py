"""What the player is at, as the pages show it: `Playing`, and the levels meanwhile: `Levels`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from evenhall.hall.label import WALK
from evenhall.job.live.watch import Progress, Walking

__all__ = ["LEVELS_PER_S", "Levels", "Phase", "Playing", "Reply"]

LEVELS_PER_S = 20.0
LOWEST_SHOWN_DBFS = -120.0

Reply = Literal["on", "again", "keep"]
Phase = Literal["idle", "opening", "quiet", "sound", "asking", "ended", "failed"]


@dataclass(frozen=True)
class Playing:
    """What the player is at.

    Parameters
    ----------
    what : {"", "take", "gain", "line", "faders", "rack", "delay"}
    phase : str
        "idle", "opening" a device, hearing the "quiet" room, "sound", "asking" for an element to
        be soloed or faders to be set, "ended", or "failed".
    side, spot, state : str
        Of a take; of the line check only `side`, the element; of the rack the channel.
    with_subs : bool
        Whether the subs play along in a take.
    text : str
        What is so, and what to do.
    problems : tuple of str
        What is wrong with the take that has ended, or the faders that were set.
    faders : tuple of (hz, db)
        Where the faders of the rack are to stand now.
    length_s : float
        Of the sound.
    good : bool or None
        Whether it ended well; None while it lasts, or where it was stopped.
    take : int
        Number of the take that was made, 0 for none.
    walking : Walking or None
        Of a walk, once it is known when it begins and ends.
    passed : mapping of str to float
        When somebody said that it passed which spot, in seconds of the sound.
    """

    what: Literal["", "take", "gain", "line", "faders", "rack", "delay"] = ""
    phase: Phase = "idle"
    visit: int = 0
    side: str = ""
    spot: str = ""
    state: str = "before"
    with_subs: bool = False
    text: str = ""
    problems: tuple[str, ...] = ()
    faders: tuple[tuple[float, float], ...] = ()
    length_s: float = 0.0
    good: bool | None = None
    take: int = 0
    walking: Walking | None = None
    passed: Mapping[str, float] = field(default_factory=dict)

    @property
    def is_walk(self) -> bool:
        """Whether the take is a walk through the rows."""
        return self.what == "take" and self.spot.lower() == WALK

    @property
    def busy(self) -> bool:
        """Whether something is under way."""
        return self.phase not in ("idle", "ended", "failed")


class Levels:
    """Tells levels to the pages, twenty times a second at the most."""

    def __init__(self, tell: Callable[[dict[str, Any]], None], clock: Callable[[], float]) -> None:
        self._tell, self._clock, self._next_s = tell, clock, clock()

    def show(self, progress: Progress) -> None:
        """Tell them, if that is due."""
        now_s = self._clock()
        if now_s < self._next_s:
            return
        # From when it was due, as blocks come at times of their own; what is late is not made up.
        every_s = 1.0 / LEVELS_PER_S
        self._next_s = max(self._next_s, now_s - 0.5 * every_s) + every_s
        names = ("microphone", "reference")
        elapsed_s, length_s = progress.elapsed_s, progress.length_s
        self._tell(
            {
                "elapsed_s": round(elapsed_s, 2),
                "left_s": round(max(0.0, length_s - elapsed_s), 1),
                "share": round(min(1.0, elapsed_s / length_s), 3) if length_s else 0.0,
                "text": "" if progress.hint is None else progress.hint.text,
                "levels": {
                    name: {
                        "rms_dbfs": _shown(reading.fast_dbfs),
                        "peak_dbfs": _shown(reading.held_dbfs),
                        "clips": bool(reading.clipped),
                    }
                    for name, reading in zip(names, progress.readings, strict=False)
                },
            }
        )


def _shown(level_dbfs: float) -> float:
    return round(max(float(level_dbfs), LOWEST_SHOWN_DBFS), 1)
