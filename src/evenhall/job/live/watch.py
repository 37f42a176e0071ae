"""Who follows what sounds, and whose hands it waits for. Start at `Watch`.

News are what it is told: `Said`, `Planned`, `Walking`, `Progress`, `Guided`, `Metered`. Wanted is
what hands must do before the next sound: `Solo`, `SetFaders`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.background import Background
from evenhall.acoustics.meter import MeterState, Reading, step_meter
from evenhall.hall.path import WalkPath
from evenhall.job.tune.unit import Round, Setting
from evenhall.verdict.gain import GainHint
from evenhall.verdict.plan import Plan
from evenhall.verdict.proof.guiding import Guidance
from evenhall.words import fader_name

if TYPE_CHECKING:  # its filters take the optimizer along, which pages open without
    from evenhall.verdict.loudness import Loudness

__all__ = [
    "Answer",
    "Guided",
    "Metered",
    "News",
    "Planned",
    "Progress",
    "Said",
    "SetFaders",
    "Solo",
    "Walking",
    "Wanted",
    "Watch",
    "progress_to",
]

# It is done; what was done wrong stays as it is; no more.
Answer = Literal["on", "keep", "end"]


@dataclass(frozen=True)
class Said:
    """A sentence; `quiet` while the room is listened to."""

    text: str
    quiet: bool = False


@dataclass(frozen=True)
class Planned:
    """How long and how loud a take will be, and the room's noise that it was planned for."""

    plan: Plan
    room: Background


@dataclass(frozen=True)
class Walking:
    """A walk: stand at its start until `from_s`, be at its end at `to_s`.

    Parameters
    ----------
    path : WalkPath or None
        None where the rows are not known.
    """

    from_s: float
    to_s: float
    path: WalkPath | None

    def share(self, elapsed_s: float) -> float:
        """Share of the way that should lie behind the microphone."""
        return min(max((elapsed_s - self.from_s) / (self.to_s - self.from_s), 0.0), 1.0)

    @property
    def text(self) -> str:
        """Say how to walk."""
        pace = ""
        if self.path is not None:
            length_m = self.path.length_m
            pace = f", {length_m:.0f} m at {length_m / (self.to_s - self.from_s):.1f} m/s"
        return (
            f"Stand at the front of one aisle. The noise starts in {self.from_s:.0f} s: then walk "
            f"down the aisle, across the back and up the other{pace}. Microphone at ear height, "
            "arm stretched out, cable off the floor."
        )


@dataclass(frozen=True)
class Progress:
    """How far a sound is, and what is heard of it.

    Parameters
    ----------
    readings : sequence of Reading
        The microphone's, and the reference's where there is one.
    elapsed_s, length_s : float
        0 of 0 where it lasts until a hand is done.
    hint : GainHint or None
        Which way to turn the gain.
    """

    readings: Sequence[Reading]
    elapsed_s: float = 0.0
    length_s: float = 0.0
    hint: GainHint | None = None


@dataclass(frozen=True)
class Guided:
    """What to do with the faders now, five times a second.

    Parameters
    ----------
    before : Guidance or None
        The one before.
    stood : tuple of (hz, db)
        Faders that came to stand meanwhile, and where.
    """

    guidance: Guidance
    before: Guidance | None
    stood: tuple[tuple[float, float], ...]

    @property
    def changes(self) -> tuple[str, ...]:
        """What is new of the faders themselves, as sentences."""
        done = tuple(f"{fader_name(hz)} is set." for hz, _ in self.stood)
        if self.before is not None or not self.guidance.unheard_hz:
            return done
        names = ", ".join(fader_name(hz) for hz in self.guidance.unheard_hz)
        return (f"Set {names} by the scale: too little of them is heard here.", *done)


@dataclass(frozen=True)
class Metered:
    """How loud it is, ten times a second."""

    loudness: Loudness


@dataclass(frozen=True)
class Solo:
    """An element to be soloed; of the simulated hall, also where the microphone is to stand."""

    element: str
    spot: str = ""
    with_subs: bool = False  # that play along


@dataclass(frozen=True)
class SetFaders:
    """A setting of a round, `at` of `count`; `fault` tells what was wrong with its last sweep."""

    round: Round
    setting: Setting
    at: int
    count: int
    fault: str = ""


News = Said | Planned | Walking | Progress | Guided | Metered
Wanted = Solo | SetFaders


class Watch:
    """Looks on; this one shows nothing, takes all for done, and never stops."""

    def tell(self, news: News) -> None:
        """Show what is new; never waits."""

    def ask(self, wanted: Wanted) -> Answer:
        """Have something done, and wait for it."""
        del wanted
        return "on"

    def stop_wanted(self) -> bool:
        """Whether to stop now; asked some fifty times a second."""
        return False

    def passed(self) -> Mapping[str, float]:
        """Spots that were passed on a walk, as far as somebody said so, and when in seconds."""
        return {}


def progress_to(
    watch: Watch, *, rate_hz: float, length_s: float, channels: int
) -> Callable[[NDArray[np.float32]], None]:
    """Give what takes each block as it comes, and tells how far the sound is and how loud."""
    meter, frames = MeterState.start(channels), 0

    def on_block(block: NDArray[np.float32]) -> None:
        nonlocal meter, frames
        meter, readings = step_meter(meter, block[:, :channels], rate_hz=rate_hz)
        frames += len(block)
        watch.tell(Progress(readings, frames / rate_hz, length_s))

    return on_block
