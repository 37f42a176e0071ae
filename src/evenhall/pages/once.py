"""The terminal is told each kind of thing once: `Once`.

A device in the hall could have the same line written a million times, and fill the disk with it.
"""

from __future__ import annotations

import logging

__all__ = ["Once"]

MAX_KINDS = 256  # more than there are places in the program that say something


class Once(logging.Filter):
    """Lets the first record of a kind pass: the same words, or an error at the same place."""

    def __init__(self) -> None:
        super().__init__()
        self._told: set[tuple[object, ...]] = set()

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether it is the first."""
        kind = (str(record.msg), *_place(record))
        if kind in self._told or len(self._told) >= MAX_KINDS:
            return False
        self._told.add(kind)
        return True


def _place(record: logging.LogRecord) -> tuple[object, ...]:
    error, trace = (record.exc_info or (None, None, None))[::2]
    if trace is None:
        return (error,)
    while trace.tb_next is not None:
        trace = trace.tb_next
    return (error, trace.tb_frame.f_code.co_filename, trace.tb_lineno)
