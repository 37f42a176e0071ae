"""Who looks on for the player while a room makes, sets, learns or checks something.

Each is what that room asks for: `TakeWatch`, `FaderTeller`, `RackTeller`, `RoundWatch`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from evenhall.acoustics.background import Background
from evenhall.acoustics.meter import Reading
from evenhall.job.demo.hall import LINE_CHECK
from evenhall.job.live.line_check import Soloed
from evenhall.pages.devices import VisitDevices
from evenhall.pages.learning import Asked
from evenhall.verdict.plan import Plan

if TYPE_CHECKING:
    from evenhall.pages.player import Player

__all__ = ["FaderTeller", "RackTeller", "RoundWatch", "TakeWatch"]


class TakeWatch:
    """Looks on while a take is made, see `job.taking.Watch`."""

    def __init__(self, player: Player) -> None:
        self._player, self._levels = player, player.levels()

    def quiet(self) -> None:
        """Tell that the room is listened to."""
        self._player.step(phase="quiet", text="Listening to the room: quiet, please.")

    def planned(self, plan: Plan, room: Background) -> None:
        """Tell how long the sound will be."""
        del room
        self._player.step(phase="sound", text=plan.text, length_s=plan.length_s)

    def step(self, elapsed_s: float, length_s: float, readings: Sequence[Reading]) -> None:
        """Tell how far it is, and the levels."""
        self._levels.show(elapsed_s, length_s, readings)

    def stop_wanted(self) -> bool:
        """Whether to stop."""
        return self._player.stop_wanted()


class FaderTeller:
    """Tells what is listened for, see `pages.listening.Teller`."""

    def __init__(self, player: Player) -> None:
        self._player = player

    def say(self, text: str) -> None:
        """Say what goes on."""
        self._player.step(phase="sound", text=text)

    def show(self, shown: dict[str, Any]) -> None:
        """Draw what to do."""
        self._player.show_fader(shown)

    def stands(self, hz: float, fader_db: float) -> None:
        """Enter that a fader stands."""
        self._player.fader_stands(hz, fader_db)

    def stop_wanted(self) -> bool:
        """Whether to stop."""
        return self._player.stop_wanted()


class RackTeller:
    """Asks for faders and plays sweeps, see `pages.learning.Teller`."""

    def __init__(self, player: Player) -> None:
        self._player, self._levels = player, player.levels()

    def ask(self, asked: Asked) -> str:
        """Ask for faders, and wait."""
        problems = (asked.fault,) if asked.fault else ()
        return self._player.ask(text=asked.text, faders=asked.faders, problems=problems) or ""

    def say(self, text: str) -> None:
        """Say what goes on."""
        self._player.step(phase="sound", text=text, problems=())

    def step(self, elapsed_s: float, length_s: float, readings: Sequence[Reading]) -> None:
        """Tell how far it is, and the levels."""
        self._levels.show(elapsed_s, length_s, readings)

    def stop_wanted(self) -> bool:
        """Whether to stop."""
        return self._player.stop_wanted()


class RoundWatch:
    """Leads through the line check, see `job.line_round.RoundWatch`."""

    def __init__(self, player: Player, devices: VisitDevices) -> None:
        self._player, self._devices, self._levels = player, devices, player.levels()

    def ready(self, element: Soloed) -> bool:
        """Ask for an element to be soloed, and wait."""
        player = self._player
        text = f"Solo {element.name} at the mixer, then go on."
        if player.ask(side=element.name, text=text) is None:
            return False
        self._devices.solo(element.name, LINE_CHECK)
        player.step(phase="sound", text=f"A sweep plays through {element.name}.")
        return True

    def step(self, elapsed_s: float, length_s: float, readings: Sequence[Reading]) -> None:
        """Tell how far it is, and the levels."""
        self._levels.show(elapsed_s, length_s, readings)

    def stop_wanted(self) -> bool:
        """Whether to stop."""
        return self._player.stop_wanted()
