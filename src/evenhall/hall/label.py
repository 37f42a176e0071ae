"""What a take is of: `TakeLabel`; and what is kept side by side, or once for both: `for_side()`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Literal, TypeVar

from evenhall.hall.elements import Element

__all__ = ["BOTH", "WALK", "At", "AtSpot", "State", "TakeLabel", "for_side"]

State = Literal["before", "after"]
At = Literal["audience", "stage", "cable"]
Kept = TypeVar("Kept")

# Key of what serves left and right alike.
BOTH = "both"
# The spot of a take made while the microphone was carried through the audience.
WALK = "walk"


@dataclass(frozen=True, kw_only=True)
class AtSpot:
    """The element that plays, as the rig calls it, and where the microphone stands."""

    side: str
    spot: str

    @property
    def element(self) -> Element:
        """What plays."""
        return Element.named(self.side)

    @property
    def is_walk(self) -> bool:
        """Whether the microphone was carried through the audience."""
        return self.spot.lower() == WALK


@dataclass(frozen=True, kw_only=True)
class TakeLabel(AtSpot):
    """What a take is of.

    Parameters
    ----------
    state : {"before", "after"}
        Before or after the card was set.
    at : {"audience", "stage", "cable"}
        "stage" where the talker's microphone will stand; "cable" where no microphone listens, but
        a cable behind the equalizer.
    with_subs : bool
        Whether the subs play along: the equalizer feeds them too.
    """

    state: State = "before"
    at: At = "audience"
    with_subs: bool = False

    @property
    def label(self) -> TakeLabel:
        """The label alone, of what has more to it."""
        return TakeLabel.of(self)

    @classmethod
    def of(cls, source: object) -> TakeLabel:
        """Take the label from what has its fields by name."""
        return TakeLabel(**{one.name: getattr(source, one.name) for one in fields(TakeLabel)})


def for_side(by_side: Mapping[str, Kept], side: str) -> Kept | None:
    """Give what a side has of its own, else what serves both; None where it has neither.

    Examples
    --------
    >>> for_side({"both": 1, "left": 2}, "left"), for_side({"both": 1}, "left")
    (2, 1)
    """
    return by_side.get(side, by_side.get(BOTH))
