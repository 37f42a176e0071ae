"""What can be wrong with a take, said so that the person knows what to do next."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Problem"]


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a take.

    Parameters
    ----------
    code : str
        One of the codes of the job folder's contract, such as ``"clipped"``.
    text : str
        One or two plain sentences: what is wrong, and what to do.
    """

    code: str
    text: str
