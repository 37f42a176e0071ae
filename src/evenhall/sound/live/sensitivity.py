"""Sensitivities of microphones, kept for each input of each device.

kept_sensitivity()   that of an input, or None
keep_sensitivity()   keep one in place of what was kept
"""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import get_args

import tomlkit

from evenhall.sound.live.setup import setup_path, write_settings
from evenhall.verdict.loudness import How, Sensitivity

__all__ = ["Calibrated", "keep_sensitivity", "kept_sensitivity"]

FILE = "microphones.toml"
MOST = 50  # the oldest go
MAX_BYTES = 2**16


@dataclass(frozen=True)
class Calibrated:
    """An input with the sensitivity of what is on it.

    Parameters
    ----------
    input : str
        Full name of the device.
    mic_channel : int
        From 1.
    db_spl, how
        As in `Sensitivity`.
    gain : str
        Where the gain was, in the user's words; it holds for that alone.
    date : str
        When it was found, such as 2026-05-01.
    """

    input: str
    mic_channel: int
    db_spl: float
    how: How
    gain: str
    date: str

    @property
    def sensitivity(self) -> Sensitivity:
        """What makes levels of samples levels of sound."""
        return Sensitivity(self.db_spl, self.how)


def _path() -> Path:
    return setup_path().with_name(FILE)


def _kept() -> list[Calibrated]:
    """All that are kept; a file that was spoiled is as good as none."""
    try:
        text = _path().read_bytes()[:MAX_BYTES].decode()
        kept = [Calibrated(**one) for one in tomllib.loads(text)["microphone"]]
    except (OSError, ValueError, RecursionError, TypeError, KeyError):
        return []
    return [one for one in kept if _makes_sense(one)]


def _makes_sense(one: Calibrated) -> bool:
    words = (one.input, one.gain, one.date)
    return (
        all(isinstance(word, str) for word in words)
        and isinstance(one.mic_channel, int)
        and isinstance(one.db_spl, float)
        and one.how in get_args(How)
    )


def kept_sensitivity(input_name: str, mic_channel: int) -> Calibrated | None:
    """Find what is kept for an input."""
    found = [one for one in _kept() if (one.input, one.mic_channel) == (input_name, mic_channel)]
    return found[-1] if found else None


def keep_sensitivity(found: Calibrated) -> None:
    """Keep a sensitivity for the next time.

    Raises
    ------
    StoreError
        The file could not be written.
    """
    place = (found.input, found.mic_channel)
    others = [one for one in _kept() if (one.input, one.mic_channel) != place]
    rows = [asdict(one) for one in (*others, found)][-MOST:]
    write_settings(_path(), tomlkit.dumps({"microphone": rows}), "the sensitivity")
