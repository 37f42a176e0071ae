"""Memory that the asking process and the sound process share: requests, sound out, sound in.

One file, mapped by both. Every word of it has one writer, so that neither side ever waits for
the other: the sound callback copies, counts and leaves. Start at `Exchange`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["ENDED", "LOST", "Exchange", "Layout"]

# Words written by the asker.
ASKED = ("heartbeat", "play", "stop", "length", "outputs", "read", "quit")
# Words written by the sound process.
TOLD = ("written", "begun", "played", "done", "ended", "lost", "dead")
LOST_LOG = 1024  # entries; then the oldest are written over

# Why a sound ended.
ENDED = {1: "finished", 2: "stopped", 3: "asker gone", 4: "too long"}
# How sound was lost.
LOST = {1: "the device dropped some", 2: "a gap in the device's time", 3: "nobody read it"}


@dataclass(frozen=True)
class Layout:
    """Sizes of the shared memory.

    Parameters
    ----------
    inputs : int
        Channels of the input device that are kept.
    ring_frames : int
        Frames that may wait to be read.
    longest_frames : int
        Longest sound that can be played.
    """

    inputs: int
    ring_frames: int
    longest_frames: int

    @property
    def columns(self) -> int:
        """Channels of the ring: the inputs, and what was sent."""
        return self.inputs + 1


class Exchange:
    """Views of the shared memory.

    Attributes
    ----------
    asked, told : dict of str to ndarray, shape ()
        One word each.
    lost_log : ndarray, shape (1024, 2)
        Frame of the ring, and kind.
    ring : ndarray of float32, shape (ring_frames, inputs + 1)
        What came in, and beside it what went out in the same callback.
    programme : ndarray of float32, shape (longest_frames,)
        What to play.
    """

    def __init__(self, layout: Layout, memory: NDArray[np.uint8]) -> None:
        self.layout = layout
        words = len(ASKED) + len(TOLD) + 2 * LOST_LOG
        head = memory[: 8 * words].view(np.int64)
        names = (*ASKED, *TOLD)
        view = {name: head[k : k + 1].reshape(()) for k, name in enumerate(names)}
        self.asked = {name: view[name] for name in ASKED}
        self.told = {name: view[name] for name in TOLD}
        self.lost_log = head[len(names) :].reshape(LOST_LOG, 2)
        sound = memory[8 * words :].view(np.float32)
        in_ring = layout.ring_frames * layout.columns
        self.ring = sound[:in_ring].reshape(layout.ring_frames, layout.columns)
        self.programme = sound[in_ring:]

    @staticmethod
    def size(layout: Layout) -> int:
        """Bytes that the memory takes."""
        words = len(ASKED) + len(TOLD) + 2 * LOST_LOG
        return 8 * words + 4 * (layout.ring_frames * layout.columns + layout.longest_frames)

    @classmethod
    def private(cls, layout: Layout) -> Exchange:
        """Make one that no other process sees."""
        return cls(layout, np.zeros(cls.size(layout), dtype=np.uint8))

    @classmethod
    def create(cls, layout: Layout, path: Path) -> Exchange:
        """Make the file; OSError where there is no room for it."""
        with path.open("wb") as file:
            if hasattr(os, "posix_fallocate"):
                # Room that is missing later would end both processes without a word (SIGBUS).
                os.posix_fallocate(file.fileno(), 0, cls.size(layout))
            else:
                os.truncate(file.fileno(), cls.size(layout))
        return cls.open(layout, path)

    @classmethod
    def open(cls, layout: Layout, path: Path) -> Exchange:
        """Map a file that exists."""
        return cls(layout, np.memmap(path, dtype=np.uint8, mode="r+"))
