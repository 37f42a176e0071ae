"""The chosen devices and channels, remembered by name from visit to visit.

SoundSetup     what was chosen
remembered()   the last choice, or None
remember()     keep a choice
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import tomlkit
from platformdirs import user_config_path

from evenhall.disk import give_name, make_folder, sync_file
from evenhall.errors import StoreError

__all__ = [
    "HIGHEST_RATE_HZ",
    "LOWEST_RATE_HZ",
    "SoundSetup",
    "Way",
    "remember",
    "remembered",
    "setup_path",
    "write_settings",
]

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44_100, 192_000  # what a take may be recorded at
SETUP_FILE = "sound.toml"
MAX_BYTES = 2**13  # of it: two names and a few numbers

# Where the reference comes from: what is sent, a cable back to a second input, or a mixer that
# plays by itself into the second input.
Way = Literal["inside", "cable", "outside"]


@dataclass(frozen=True)
class SoundSetup:
    """Devices and channels of a visit; channels count from 1.

    Parameters
    ----------
    input, output : str
        Full names of the devices; `output` is empty where nothing is played.
    mic_channel : int
        Input that the microphone is on.
    reference : {"inside", "cable", "outside"}
        Way to the reference.
    reference_channel : int
        Input that the reference is on; 0 with "inside".
    output_channels : tuple of int
        Outputs that play.
    latency_s : float or None
        From output to input by a cable; None where it was not measured. It holds for these
        devices at this rate.
    """

    input: str
    output: str
    rate_hz: int = 48_000
    mic_channel: int = 1
    reference: Way = "inside"
    reference_channel: int = 0
    output_channels: tuple[int, ...] = (1, 2)
    latency_s: float | None = None

    @property
    def one_clock(self) -> bool:
        """Whether what is sent and what is heard are counted by one device."""
        return self.input == self.output

    @property
    def plays(self) -> bool:
        """Whether anything is played."""
        return self.reference != "outside"

    @property
    def last_input(self) -> int:
        """Highest input channel that is needed."""
        return max(self.mic_channel, self.reference_channel)

    def same_path(self, other: SoundSetup) -> bool:
        """Whether a latency measured with the one holds for the other."""
        return (self.input, self.output, self.rate_hz) == (
            other.input,
            other.output,
            other.rate_hz,
        )


def setup_path() -> Path:
    """File in which the choice is kept."""
    return user_config_path("evenhall", appauthor=False) / SETUP_FILE


def remembered() -> SoundSetup | None:
    """Return the last choice; None where none was made, or the file is not ours to read.

    A file that was spoiled is no reason to stop: the choice is made anew.
    """
    try:
        text = setup_path().read_bytes()[:MAX_BYTES].decode()
        kept: dict[str, Any] = tomllib.loads(text)
        setup = SoundSetup(**{**kept, "output_channels": tuple(kept["output_channels"])})
        return setup if _makes_sense(setup) else None
    except (OSError, ValueError, RecursionError, TypeError, KeyError):
        return None


def _makes_sense(setup: SoundSetup) -> bool:
    channels = (setup.mic_channel, setup.rate_hz, *setup.output_channels)
    return (
        isinstance(setup.input, str)
        and isinstance(setup.output, str)
        and setup.reference in ("inside", "cable", "outside")
        and bool(setup.output_channels)
        and all(isinstance(number, int) and number > 0 for number in channels)
        and isinstance(setup.reference_channel, int)
        and isinstance(setup.latency_s, float | None)
    )


def remember(setup: SoundSetup) -> None:
    """Keep a choice for the next time.

    Raises
    ------
    StoreError
        The file could not be written.
    """
    kept = {name: value for name, value in vars(setup).items() if value is not None}
    kept["output_channels"] = list(setup.output_channels)
    write_settings(setup_path(), tomlkit.dumps(kept), "the choice of devices")


def write_settings(path: Path, text: str, what: str) -> None:
    """Write a file of settings whole or not at all; `what` it holds is said where that fails.

    Raises
    ------
    StoreError
        The file could not be written.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        make_folder(path.parent)
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            sync_file(file.fileno())
        give_name(part, path)
    except OSError as error:
        raise StoreError(f"{path}: {what} could not be kept ({error.strerror}).") from error
