"""TOML that others wrote, read within bounds: `read_toml()`.

The parser's time grows with the square of a key's dots, its stack with each bracket, and it makes
integers of numbers of any length. So nesting and word lengths are counted first, in one pass over
the text (`_bounds_fault()`): what is within them is parsed in well under a second.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

from evenhall.errors import InputError
from evenhall.job.folder.faults import shown

__all__ = ["MAX_BYTES", "read_toml"]

MAX_BYTES = 2**18  # hundreds of takes, and what somebody writes about them
MOST_DEPTH = 8  # brackets and dots; points of a target stand two deep
LONGEST_WORD = 200  # a key, a number or a date; text in quotes may be longer

# What a parser sees, in its order; strings and comments are passed over whole.
TOKEN = re.compile(
    r'''
    (?P<text> """(?:[^"\\]|\\.|"(?!""))*"{3,5} | \'\'\'(?:[^']|'(?!''))*'{3,5}
            | "(?:[^"\\\n]|\\.)*" | '[^'\n]*' )
    | (?P<comment> \#[^\n]*) | (?P<open> [\[{]) | (?P<close> [\]}]) | (?P<dot> \.)
    | (?P<word> [^\s\[\]{}\#"'.,=]+) | (?P<end> [,=\n]) | (?P<unclosed> ["'])
    ''',
    re.DOTALL | re.VERBOSE,
)


def read_toml(raw: bytes, *, name: str) -> dict[str, Any]:
    """Read TOML.

    Parameters
    ----------
    name : str
        The file's, for the line of a fault.

    Raises
    ------
    InputError
        It is none, or nested deeper or longer than a file of ours can be: one line, with the
        number of the line where it goes wrong.
    """
    if len(raw) > MAX_BYTES:
        raise InputError(f"{name}: is larger than {MAX_BYTES // 2**10} kB. Give a text file.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise InputError(f"{name}, line {line}: is not UTF-8. Save it as UTF-8 text.") from None
    fault = _bounds_fault(text)
    if fault is not None:
        raise InputError(f"{name}, {fault}")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, place = _where(str(error))
    except ValueError as error:  # a number that Python does not make, or a day that never was
        what, place = str(error), ""
    raise InputError(
        f"{name}{place}: cannot be read ({what}). "
        'Write text in "quotes" and each field on a line of its own, field = value.'
    )


def _bounds_fault(text: str) -> str | None:
    """Say on which line the text is nested too deep, or a word too long; None where none is."""
    depth = dots = 0
    for token in TOKEN.finditer(text):
        kind = token.lastgroup
        if kind == "unclosed":
            return None  # the parser gets no further either
        if kind == "open":
            depth, dots = depth + 1, 0
        elif kind == "close":
            depth, dots = max(0, depth - 1), 0
        elif kind == "dot":
            dots += 1
        elif kind == "end":
            dots = 0
        if depth + dots > MOST_DEPTH:
            line = text.count("\n", 0, token.start()) + 1
            return (
                f"line {line}: cannot be read (nested more than {MOST_DEPTH} deep). Write each "
                "field on a line of its own, field = value."
            )
        if kind == "word" and len(token[0]) > LONGEST_WORD:
            line = text.count("\n", 0, token.start()) + 1
            return (
                f"line {line}: {shown(token[0][:20])} and on has {len(token[0])} characters. Put "
                f"text in quotes, and give names and numbers of at most {LONGEST_WORD}."
            )
    return None


def _where(message: str) -> tuple[str, str]:
    """Split a decoder's message into what is wrong and ``", line 3"``."""
    found = re.fullmatch(r"(.*) \(at (?:line (\d+), column \d+|end of document)\)", message)
    if found is None:
        return message, ""
    what, line = found.groups()
    return what[0].lower() + what[1:], f", line {line}" if line else ", last line"
