"""What the header of a WAV, RF64 or AIFF says of its length, and one that says nothing of it.

promised_bytes()   where the sound data start, and how many there should be
with_length()      the file seen with a header that says so
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from typing import Any, BinaryIO

__all__ = ["UNKNOWN_SIZES", "promised_bytes", "with_length"]

UNKNOWN_SIZES = (0, 0xFFFFFFFF)  # what a recorder leaves that streams, or that was switched off
LARGEST_SIZE = 0xFFFFFFFE  # that four bytes can tell
MOST_CHUNKS = 1000  # ahead of the sound: notes, markers and pictures are a dozen


def promised_bytes(file: BinaryIO) -> tuple[int, int] | None:
    """Where a WAV's, RF64's or AIFF's sound data starts, and how many bytes they should be."""
    head = file.read(12)
    order = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">", b"FORM": ">"}.get(head[:4])
    if order is None or head[8:12] not in (b"WAVE", b"AIFF", b"AIFC"):
        return None
    long_size = None
    for name, size in _chunks(file, order):
        if name == b"ds64":
            sizes = file.read(16)
            long_size = struct.unpack("<8xQ", sizes)[0] if len(sizes) == 16 else None
        if name in (b"data", b"SSND"):
            return file.tell(), long_size if size == 0xFFFFFFFF and long_size else size
    return None


def _chunks(file: BinaryIO, order: str) -> Iterator[tuple[bytes, int]]:
    """Name and size of each chunk, the file standing at the chunk's content."""
    for _ in range(MOST_CHUNKS):
        if len(header := file.read(8)) < 8:
            return
        name, size = struct.unpack(f"{order}4sI", header)
        start = file.tell()
        yield name, size
        file.seek(start + size + size % 2)


def with_length(file: BinaryIO, start: int, size: int) -> io.RawIOBase:
    """Show the file as if its header said that the sound data reaches to its end.

    libsndfile reads nothing where the size was left at 0.
    """
    head = file.read(4)
    order = ">" if head in (b"RIFX", b"FORM") else "<"

    def told(count: int) -> bytes:
        return struct.pack(f"{order}I", min(count, LARGEST_SIZE))

    patches = {4: told(size - 8), start - 4: told(size - start)}
    if head in (b"RF64", b"BW64"):
        patches[0] = b"RIFF"
    return _Patched(file, patches)


class _Patched(io.RawIOBase):
    """A file read as if other bytes stood at some places; nothing is copied."""

    def __init__(self, file: BinaryIO, patches: dict[int, bytes]) -> None:
        super().__init__()
        self._file, self._patches = file, patches
        file.seek(0)

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def readinto(self, buffer: Any) -> int:
        start = self._file.tell()
        content = self._file.read(len(buffer))
        view = memoryview(buffer).cast("B")
        view[: len(content)] = content
        for at, patch in self._patches.items():
            for place, byte in enumerate(patch, at - start):
                if 0 <= place < len(content):
                    view[place] = byte
        return len(content)
