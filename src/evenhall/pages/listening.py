"""Listening along while the card is set, for the pages. Start at `listen_along()`.

It goes through the player, as every sound of the pages does: one thing at a time, stopped from
any page, and by itself once the page that started it is gone.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.label import for_side
from evenhall.job.demo.hand import DemoHand
from evenhall.job.live.faders import FaderOrder, follow_faders, positions_of, strip_of
from evenhall.job.live.taking import element_band_hz, spared_below_hz
from evenhall.job.tune.result import Result
from evenhall.job.tune.tuning import unit_of
from evenhall.pages.devices import open_for_faders, real_unit
from evenhall.verdict.proof.guiding import Guidance
from evenhall.visits.visit import Visit, job_of
from evenhall.words import fader_name

__all__ = ["Along", "listen_along", "order_of", "shown_of"]

SHOWN_PER_S = 5.0


@dataclass(frozen=True)
class Along:
    """What is asked for.

    Parameters
    ----------
    side, spot : str
        Which is soloed, and where the microphone stands.
    cable : int or None
        Input that the unit's output is on; None where the microphone listens.
    goes_on : bool
    """

    side: str
    spot: str
    cable: int | None
    goes_on: bool


class Teller(Protocol):
    """What the player does for it."""

    def say(self, text: str) -> None:
        """Show a sentence, and have it read out."""

    def show(self, shown: dict[str, Any]) -> None:
        """Draw what to do."""

    def stands(self, hz: float, fader_db: float) -> None:
        """Enter that a fader stands."""

    def stop_wanted(self) -> bool:
        """Whether to stop."""


def order_of(visit: Visit, result: Result | None, along: Along) -> FaderOrder:
    """Give what is followed on a side.

    Raises
    ------
    InputError
        There is no card, or it moves nothing on that side.
    """
    faders = () if result is None else for_side(result.card, along.side) or ()
    card = {fader.hz: fader.fader_db for fader in faders}
    if not any(card.values()):
        raise InputError(f"The card moves no fader of {along.side}: there is nothing to set.")
    job = job_of(visit)
    unit = unit_of(job, visit.folder, along.side)
    low_hz, high_hz = element_band_hz(along.side, low_limit_hz=spared_below_hz(job))
    return FaderOrder(
        unit=unit,
        wanted_db=positions_of(unit, card),
        start_db=positions_of(unit, visit.faders(along.side)),
        by_cable=along.cable is not None,
        low_hz=low_hz,
        high_hz=high_hz,
        goes_on=along.goes_on,
        strip=() if result is None else strip_of(result, along.side),
    )


def shown_of(guidance: Guidance) -> dict[str, Any]:
    """Give what the page draws of it."""
    stray = " ".join(guidance.remarks)
    if guidance.hz is None:
        return {"name": "", "text": guidance.text, "way": guidance.way, "left": 0, "stray": stray}
    return {
        "name": fader_name(guidance.hz),
        "text": guidance.text,
        "way": guidance.way,
        "off_db": round(guidance.now_db - guidance.wanted_db, 1),
        "now_db": round(guidance.now_db, 1),
        "wanted_db": guidance.wanted_db,
        "left": len(guidance.left_hz),
        "stray": stray,
    }


class _Watch:
    """Looks on, see `job.following.FollowWatch`; in the demo it moves the hand too."""

    def __init__(
        self,
        teller: Teller,
        order: FaderOrder,
        hand: DemoHand | None,
        put_in: Callable[[DemoHand], None],
        clock: Callable[[], float],
    ) -> None:
        self._teller, self._order, self._hand, self._put_in = teller, order, hand, put_in
        self._clock, self._next_s = clock, clock()
        self._before: Guidance | None = None

    def say(self, text: str) -> None:
        self._teller.say(text)

    def show(self, guidance: Guidance) -> None:
        before, self._before = self._before, guidance
        if before is None or before.left_hz != guidance.left_hz or before.hz != guidance.hz:
            self._tell(before, guidance)
        if self._hand is not None and self._hand.see(guidance, elapsed_s=1.0 / SHOWN_PER_S):
            self._put_in(self._hand)
        if (now_s := self._clock()) >= self._next_s:
            self._next_s = now_s + 0.5 / SHOWN_PER_S
            self._teller.show(shown_of(guidance))

    def stop_wanted(self) -> bool:
        return self._teller.stop_wanted()

    def _tell(self, before: Guidance | None, guidance: Guidance) -> None:
        """Say what came to stand and what is next: seldom, so that it can be read out."""
        words = []
        if before is None and guidance.unheard_hz:
            names = ", ".join(fader_name(hz) for hz in guidance.unheard_hz)
            words.append(f"Not heard well enough here: {names}. Set these by their scale.")
        for hz in () if before is None else before.left_hz:
            if hz in guidance.left_hz:
                continue
            at = int(np.argmin(np.abs(self._order.unit.nominal_hz - hz)))
            self._teller.stands(hz, float(self._order.wanted_db[at]))
            words.append(f"{fader_name(hz)} stands.")
        words += guidance.remarks
        if guidance.hz is not None and guidance.way != "stands":
            words.append(f"Now {fader_name(guidance.hz)}, to {guidance.wanted_db:+.1f} dB.")
        self._teller.say(" ".join(words))


def listen_along(
    visit: Visit,
    result: Result | None,
    along: Along,
    teller: Teller,
    *,
    clock: Callable[[], float] = time.monotonic,
) -> Guidance | None:
    """Follow the hand until all faders of the side stand; gives the last guidance.

    Raises
    ------
    InputError, DeviceError
        As `order_of()` and `follow_faders()` raise them.
    """
    order = order_of(visit, result, along)
    with open_for_faders(visit, result, side=along.side, spot=along.spot, cable=along.cable) as (
        live,
        put_in,
    ):
        hand = None
        if visit.demo:
            hand = DemoHand(order.unit, order.start_db, real=real_unit(visit, along.side))
        if hand is not None:
            put_in(hand)
        return follow_faders(live, order, watch=_Watch(teller, order, hand, put_in, clock))
