"""Who looks on for the pages: what is under way, told to them, asked of them, stopped by them.

Start at `PageWatch`. Whoever starts a sound must say every moment that it is still there
(`alive()`): when its page is gone, or the Wi-Fi between, the sound stops.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from threading import Event, RLock
from typing import Any

from evenhall.errors import InputError
from evenhall.job.live.watch import (
    Answer,
    Guided,
    News,
    Planned,
    Progress,
    Said,
    Solo,
    Walking,
    Wanted,
    Watch,
)
from evenhall.job.tune.unit import words_of
from evenhall.pages.bulletin import Bulletin
from evenhall.pages.devices import Hand
from evenhall.pages.listening import shown_of, spoken_of
from evenhall.pages.playing import Levels, Playing, Reply
from evenhall.visits.store import Store

__all__ = ["ALIVE_S", "PageWatch"]

# Without a sign from the page that started it for so long, the sound stops. With the way it
# takes to be heard that keeps within two seconds of a lost connection.
ALIVE_S = 1.4


class PageWatch(Watch):
    """Looks on; what it is at stands in `now`, and the pages are told."""

    def __init__(self, store: Store, bulletin: Bulletin, clock: Callable[[], float]) -> None:
        self._store, self._bulletin, self._clock = store, bulletin, clock
        self._stop, self._answered = Event(), Event()
        # What it is at is changed by the one that plays, and by pages that say what is passed.
        self._stepping = RLock()
        self._reply: Reply = "on"
        self._holder, self._alive_s = "", 0.0
        self._elapsed_s = 0.0  # of what sounds
        self.now = Playing()
        # In the demo it does what is told and asked.
        self.hand: Hand = lambda _seen: None

    def begin(self, first: Playing, holder: str) -> None:
        """Look on at something new, for as long as its holder is there."""
        self._stop.clear()
        self._answered.clear()
        self._holder, self._alive_s = holder, self._clock()
        self._levels = Levels(
            lambda data: self._bulletin.tell("levels", data, visit=first.visit), self._clock
        )
        self._show(first)

    def tell(self, news: News) -> None:
        """Show what is new."""
        self.hand(news)
        match news:
            case Said(text, quiet):
                self.step(phase="quiet" if quiet else "sound", text=text)
            case Planned(plan):
                self.step(phase="sound", text=plan.text, length_s=plan.length_s)
            case Walking(text=text):
                self._elapsed_s = 0.0
                self.step(phase="sound", text=text, walking=news)
            case Progress(elapsed_s=elapsed_s):
                self._elapsed_s = elapsed_s
                self._levels.show(news)
            case Guided():
                self._guided(news)

    def _guided(self, news: Guided) -> None:
        """Enter what stands, say what is next, and draw the fader in hand."""
        for hz, fader_db in news.stood:
            key = f"fader.{self.now.side}.{hz:g}"
            self._store.set_entry(self.now.visit, key, fader_db, was=None)
        spoken = spoken_of(news)
        if spoken is not None:
            self.step(phase="sound", text=spoken)
        self._bulletin.tell("faders", shown_of(news.guidance), visit=self.now.visit)

    def ask(self, wanted: Wanted) -> Answer:
        """Ask, and wait for an answer; "end" where it was stopped."""
        if isinstance(wanted, Solo):
            fault, then = "", f"A sweep plays through {wanted.element}."
            asked: dict[str, Any] = {
                "side": wanted.element,
                "text": f"Only {wanted.element} may sound: mute or unplug the rest, then go on.",
            }
        else:
            fault, nth = wanted.fault, f"{wanted.at} of {wanted.count}"
            then = f"{nth}: playing. Hands off the faders."
            hz, db = wanted.round.faceplate.nominal_hz, wanted.round.faders_db(wanted.setting)
            asked = {
                "text": f"{nth}: {words_of(wanted.setting)}",
                "faders": tuple(zip(hz.tolist(), db.tolist(), strict=True)),
                "problems": (fault,) if fault else (),
            }
        self._answered.clear()
        self.step(phase="asking", **asked)
        # Looked at in turns: a stop that came just before the clearing is not missed.
        while not self._answered.wait(0.1) and not self._stop.is_set():
            pass
        if self._stop.is_set():
            return "end"
        if fault and self._reply == "keep":
            return "keep"
        self.hand(wanted)
        self.step(phase="sound", text=then, problems=())
        return "on"

    def answer(self, reply: Reply, *, holder: str) -> None:
        """Answer what is asked for; who says so has to be there from now on."""
        if self.now.phase == "asking":
            self._holder, self._alive_s = holder, self._clock()
            self._reply = reply
            self._answered.set()

    def pass_by(self, spot: str, holder: str) -> None:
        """Note that the walk passes a spot now; the first word counts, as it passes again later.

        Raises
        ------
        InputError
            Nobody walks.
        """
        self.alive(holder)
        with self._stepping:
            walking = self.now.walking
            if walking is None or not self.now.busy:
                raise InputError("No walk is running. Start one first.")
            # In the silence before the noise the microphone stands at the start.
            at_s = min(max(self._elapsed_s, walking.from_s), walking.to_s)
            self.step(passed={spot: at_s, **self.now.passed})

    def passed(self) -> Mapping[str, float]:
        """Give the spots that somebody said were passed, and when."""
        return self.now.passed

    def stop(self) -> None:
        """Stop whatever is under way; safe at any time."""
        self._stop.set()
        self._answered.set()

    def alive(self, holder: str) -> None:
        """Say that whoever started the sound is still there."""
        if holder == self._holder:
            self._alive_s = self._clock()

    def stop_wanted(self) -> bool:
        """Whether somebody has stopped it, or who started it is gone."""
        return self._stop.is_set() or self.holder_gone

    @property
    def holder_gone(self) -> bool:
        """Whether nobody has stopped it, and who started it is gone."""
        return not self._stop.is_set() and self._clock() - self._alive_s > ALIVE_S

    def step(self, **changes: Any) -> None:
        """Change what it is at, and tell the pages."""
        with self._stepping:
            self._show(replace(self.now, **changes))

    def _show(self, now: Playing) -> None:
        self.now = now
        self._bulletin.tell("changed", {"phase": now.phase}, visit=now.visit)
