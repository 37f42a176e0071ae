"""Small text files that come with gear: read whole, in whatever encoding: `read_text()`."""

from __future__ import annotations

from pathlib import Path

from evenhall.errors import InputError, StoreError

__all__ = ["MAX_BYTES", "read_text"]

MAX_BYTES = 4 * 2**20  # a point a Hz to 100 kHz is 2 MB: what is larger is another file


def read_text(path: Path, *, kind: str, most_bytes: int = MAX_BYTES) -> str:
    """Read a text file.

    Parameters
    ----------
    kind : str
        What it should be, with its article: "a calibration file".
    most_bytes : int
        What is larger is none.

    Raises
    ------
    InputError
        It is too large to be one.
    StoreError
        It cannot be read.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(most_bytes + 1)
    except OSError as error:
        raise StoreError(f"{path.name}: cannot be read ({error.strerror}).") from error
    if len(raw) > most_bytes:
        raise InputError(f"{path.name}: is too large for {kind}. Give a text file.")
    encoding = "utf-16" if raw.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    return raw.decode(encoding, errors="replace")
