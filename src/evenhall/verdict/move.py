"""A thing to do, and the stage it is done on."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.hall.surfaces import usual_decay_s

__all__ = ["Figure", "Move", "Stage"]

Figure = float | str


@dataclass(frozen=True)
class Stage:
    """Where the loudspeakers stand and the people sit, as far as it is known.

    Parameters
    ----------
    audience : Audience or None
    speaker : Loudspeaker or None
    max_height_m : float or None
    """

    room: Room
    audience: Audience | None
    speaker: Loudspeaker | None
    max_height_m: float | None

    @property
    def known_room(self) -> Room:
        """The room with a usual reverberation time where its own is not known."""
        volume_m3 = self.room.volume_m3
        if self.room.rt60_s is not None or volume_m3 is None:
            return self.room
        return replace(self.room, rt60_s=usual_decay_s(volume_m3))


@dataclass(frozen=True)
class Move:
    """One thing to do.

    Parameters
    ----------
    kind : str
        "raise", "aim", "relocate", "polarity", "gain", "delay", "check", "equalize", "leave".
    from_, to, expected : dict
        Figures with units in their names.
    """

    kind: str
    text: str
    from_: dict[str, Figure] = field(default_factory=dict)
    to: dict[str, Figure] = field(default_factory=dict)
    expected: dict[str, Figure] = field(default_factory=dict)
