"""What every open pair of devices does, real or simulated, and what holds for all of its sound.

OpenDevices     the surface that takes, gain and line check are made through
Heard, Lost     what comes in, and what was lost of it
check_sound()   refuses what must not be played
highest_peak()  the highest sample that a ceiling lets pass
ramped()        lets a sound come up slowly
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.level import amplitude_from_db, peak_dbfs
from evenhall.errors import InputError
from evenhall.sound.live.setup import SoundSetup

__all__ = [
    "CEILING_DBFS",
    "LIMIT_S",
    "RAMP_S",
    "RING_S",
    "Heard",
    "Lost",
    "OpenDevices",
    "check_sound",
    "highest_peak",
    "ramped",
]

Float32Array = NDArray[np.float32]

# Highest peak that is sent, unless the user raises it on purpose.
CEILING_DBFS = -10.0
ROUNDING_DB = 0.01  # what was made to reach the ceiling passes it by no more
# Every sound comes up over this time: whoever stands near can step back or shout.
RAMP_S = 1.0
RAMP_FROM_DB = -40.0
# No sound lasts longer, whatever asked for it.
LIMIT_S = 130.0
# How much may wait to be read.
RING_S = 10.0


@dataclass(frozen=True)
class Heard:
    """A stretch of sound that came in.

    Parameters
    ----------
    inputs : ndarray, shape (n_frames, n_inputs)
        Full scale = 1.0.
    sent : ndarray, shape (n_frames,)
        What went out in the same callbacks; zeros where another device plays.
    """

    inputs: Float32Array
    sent: Float32Array


@dataclass(frozen=True)
class Lost:
    """A place at which sound was lost: how many frames were kept before it, and how."""

    at_frame: int
    how: str


class OpenDevices(Protocol):
    """Devices that play and hear; whoever plays calls `keep_alive()` every two seconds."""

    setup: SoundSetup
    rate_hz: float

    @property
    def one_clock(self) -> bool:
        """Whether what is sent and what is heard are counted by one device."""

    @property
    def playing(self) -> bool:
        """Whether a sound was asked for and has not ended."""

    @property
    def played_frames(self) -> int:
        """How much of the last sound was sent."""

    @property
    def read_frames(self) -> int:
        """How many frames were read since the devices were opened."""

    @property
    def ended(self) -> str:
        """Why the last sound ended: "finished", "stopped", "asker gone", "too long", or ""."""

    def play(self, signal: NDArray[np.floating[Any]]) -> None:
        """Begin to play a signal of shape (n_frames,), coming up as `ramped()`.

        What plays already must have ended; raises what `check_sound()` raises.
        """

    def stop(self) -> None:
        """Fade out what plays."""

    def keep_alive(self) -> None:
        """Tell that whoever asked for the sound is still there."""

    def read(self) -> Heard:
        """Take what came in since the last time; never waits. DeviceError if it is gone."""

    def lost(self) -> tuple[Lost, ...]:
        """Tell the places at which sound was lost since this was last asked."""


def highest_peak(ceiling_dbfs: float) -> float:
    """Give the highest magnitude of a sample that a ceiling lets pass, full scale = 1.0.

    Examples
    --------
    >>> round(highest_peak(-20.0), 3)
    0.1
    """
    return float(amplitude_from_db(ceiling_dbfs + ROUNDING_DB))


def check_sound(
    signal: NDArray[np.floating[Any]], *, rate_hz: float, ceiling_dbfs: float, playing: bool
) -> None:
    """Refuse what must not be played.

    Parameters
    ----------
    signal : ndarray, shape (n_frames,)
        Full scale = 1.0.
    ceiling_dbfs : float
        Highest peak that may be sent, dB re a full-scale sine.
    playing : bool
        Whether something plays already.

    Raises
    ------
    InputError
        It holds samples that are no numbers, its peaks would pass the ceiling, it is too long, or
        something plays already.
    """
    faults = []
    if not np.isfinite(signal).all():
        faults.append(
            "The sound holds samples that are no numbers, and was not played. Check the level and "
            "the band that were asked for."
        )
    elif not np.abs(signal).max() <= highest_peak(ceiling_dbfs):  # nor below one that is nan
        faults.append(
            f"The sound's peaks at {float(peak_dbfs(signal)):.1f} dBFS would pass the ceiling of "
            f"{ceiling_dbfs:g} dBFS. Lower the level, or raise the ceiling on purpose."
        )
    if signal.size > round(LIMIT_S * rate_hz):
        faults.append(f"No sound may last longer than {LIMIT_S:g} s.")
    if playing:
        faults.append("Something plays already. Stop it first.")
    if faults:
        raise InputError(*faults)


def ramped(signal: NDArray[np.floating[Any]], rate_hz: float) -> Float32Array:
    """Let a sound come up from 40 dB down over its first second, evenly in dB."""
    n = min(round(RAMP_S * rate_hz), signal.size)
    ramp = amplitude_from_db(RAMP_FROM_DB * (1.0 - np.arange(n) / n))
    # From nothing: the first step of a tone at -40 dB is a click otherwise.
    soft = min(n, max(1, round(0.01 * rate_hz)))
    ramp[:soft] *= np.sin(0.5 * np.pi * np.arange(soft) / soft) ** 2
    out = signal.astype(np.float32)
    out[:n] *= ramp.astype(np.float32)
    return out
