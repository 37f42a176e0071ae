"""What an element of the rig is, by its name: `Element.named()`.

The only place where a name is read: everything else asks the element.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Literal

__all__ = ["SIDES", "Element", "Kind"]

Kind = Literal["main", "sub", "delay", "fill", "monitor"]
# What is none of these is one of the mains, whatever it is called.
NOT_MAINS: tuple[Kind, ...] = ("sub", "delay", "fill", "monitor")
SIDES = ("left", "right")


@dataclass(frozen=True)
class Element:
    """A loudspeaker, or some that play as one.

    Parameters
    ----------
    name : str
        As the rig calls it.
    kind : {"main", "sub", "delay", "fill", "monitor"}
    side : str
        "left" or "right" where the name says so, else "".
    """

    name: str
    kind: Kind
    side: str

    @property
    def is_main(self) -> bool:
        """Whether it is one of the loudspeakers that the area is judged and corrected by."""
        return self.kind == "main"

    @property
    def is_sub(self) -> bool:
        """Whether it plays the bass alone."""
        return self.kind == "sub"

    @classmethod
    @cache
    def named(cls, name: str) -> Element:
        """Read a name.

        Examples
        --------
        >>> [Element.named(name).kind for name in ("left", "Subwoofer 1", "right sub", "delay")]
        ['main', 'sub', 'sub', 'delay']
        >>> Element.named("sub left").side
        'left'
        """
        words = re.findall(r"[^\W\d_]+", name.lower())
        kind: Kind = next(
            (kind for kind in NOT_MAINS if any(word.startswith(kind) for word in words)), "main"
        )
        return cls(name, kind, next((side for side in SIDES if side in words), ""))
