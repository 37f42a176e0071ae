"""Sound on behalf of the pages: one thing at a time, seen and stopped from any of them.

Start at `Player`. Whoever starts a sound must say every moment that it is still there
(`alive()`): when its page is gone, or the Wi-Fi between, the sound stops. The work is done on a
thread; what it is at stands in `now`, and the pages are told.
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from threading import Event, Lock, Thread
from typing import Any

from evenhall.acoustics.meter import Reading
from evenhall.errors import EvenhallError, InputError
from evenhall.hall.spots import distance_m
from evenhall.job.folder.model import Take as JobTake
from evenhall.job.live.gain import set_gain
from evenhall.job.live.line_check import check_round, elements_of
from evenhall.job.live.taking import CABLE_SPOT, Order, Taken, record_take, usual_kind
from evenhall.job.tune.result import Result
from evenhall.pages.bulletin import Bulletin
from evenhall.pages.devices import hands_done, open_cable, open_devices
from evenhall.pages.guide import check_with_subs, elements, spots
from evenhall.pages.learning import begin_round, learn_along, look_again
from evenhall.pages.listening import Along, listen_along, order_of
from evenhall.pages.playing import Levels, Playing, Reply
from evenhall.pages.watches import FaderTeller, RackTeller, RoundWatch, TakeWatch
from evenhall.sound.live.open_devices import CEILING_DBFS
from evenhall.verdict.gain import GainHint
from evenhall.verdict.trust import take_sentence
from evenhall.visits.judging import Judge
from evenhall.visits.store import Store
from evenhall.visits.visit import Visit, job_of
from evenhall.words import fader_name

__all__ = ["ALIVE_S", "Player"]

# Without a sign from the page that started it for so long, the sound stops. With the way it
# takes to be heard that keeps within two seconds of a lost connection.
ALIVE_S = 1.4
LEVEL_DBFS = -20.0
# The simulated preamp is turned by this share of what the hint says, twenty times a second.
HAND = 0.12


class Player:
    """Plays and records for visits.

    Parameters
    ----------
    store : Store
    judge : Judge
    bulletin : Bulletin
    clock : callable
        Seconds, any origin.
    """

    def __init__(
        self,
        store: Store,
        judge: Judge,
        bulletin: Bulletin,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._store, self._judge, self._bulletin, self._clock = store, judge, bulletin, clock
        self._lock = Lock()
        self._stop, self._ready = Event(), Event()
        self._answer: Reply = "on"
        self._holder, self._alive_s = "", 0.0
        self._thread: Thread | None = None
        self.now = Playing()

    def take(
        self,
        visit: int,
        side: str,
        spot: str,
        state: str,
        *,
        holder: str,
        with_subs: bool = False,
        cable: int | None = None,
    ) -> None:
        """Begin a take.

        Parameters
        ----------
        visit : int
        side, spot : str
            An element of the rig, and a spot of the visit.
        state : {"before", "after"}
        holder : str
            Who has to be there while it sounds.
        with_subs : bool
            Whether the subs play along.
        cable : int, optional
            Input that the equalizer's output is on, for a take by cable; then `spot` says nothing.

        Raises
        ------
        InputError
            Something is under way, or there is no such side or spot.
        """
        known = self._store.visit(visit)
        places = {spot.label: spot.along_m for spot in spots(known)}
        if side not in elements(known):
            raise InputError(f"There is no {side!r} in this rig.")
        if cable is not None:
            spot, state = CABLE_SPOT, "after"
        elif spot not in places:
            raise InputError(f"There is no spot {spot!r} in this visit.")
        if with_subs:
            check_with_subs(known, side)
        job_of(known)  # what cannot be is said before anything sounds
        first = Playing("take", "opening", visit, side, spot, state, with_subs)
        self._begin(first, holder, lambda: self._take(known, places.get(spot), cable))

    def gain(self, visit: int, *, holder: str) -> None:
        """Begin to set the microphone's gain, at the first spot of the first element."""
        known = self._store.visit(visit)
        side, spot = elements(known)[0], spots(known)[0].label
        first = Playing("gain", "opening", visit, side, spot)
        self._begin(first, holder, lambda: self._gain(known))

    def line(self, visit: int, *, holder: str) -> None:
        """Begin the line check of all elements."""
        known = self._store.visit(visit)
        first = Playing("line", "opening", visit)
        self._begin(first, holder, lambda: self._line(known))

    def faders(
        self, visit: int, side: str, *, cable: int | None, goes_on: bool, holder: str
    ) -> None:
        """Begin to listen while the card of a side is set.

        Parameters
        ----------
        visit : int
        side : str
        cable : int or None
            Input that the equalizer's output is on; None where the microphone listens.
        goes_on : bool
            Whether to go on to the next fader when one stands.
        holder : str

        Raises
        ------
        InputError
            Something is under way, or the card moves nothing on that side.
        """
        known = self._store.visit(visit)
        if side not in elements(known):
            raise InputError(f"There is no {side!r} in this rig.")
        labels = [spot.label for spot in spots(known)]
        spot = "middle" if "middle" in labels else labels[len(labels) // 2]
        along = Along(side, spot, cable, goes_on)
        order_of(known, self._result(known), along)  # what cannot be is said before any sound
        first = Playing("faders", "opening", visit, side, spot)
        self._begin(first, holder, lambda: self._faders(known, along))

    def rack(self, visit: int, *, right: bool, cable: int, again: bool, holder: str) -> None:
        """Begin to learn the unit in the rack, or to see whether it has drifted.

        Parameters
        ----------
        visit : int
        right : bool
            Its right channel, where that differs; the left one stands for both.
        cable : int
            Input that the unit's output is on.
        again : bool
            Whether to look again at a unit that was learned.
        holder : str

        Raises
        ------
        InputError
            Something is under way, or that channel's turn has not come.
        """
        known = self._store.visit(visit)
        if not again:
            begin_round(known, right=right)  # what cannot be is said before any sound
        first = Playing("rack", "opening", visit, "right" if right else "left")
        self._begin(first, holder, lambda: self._rack(known, cable, again=again))

    def answer(self, reply: Reply, *, holder: str) -> None:
        """Answer what is asked for; who says so has to be there from now on."""
        if self.now.phase == "asking":
            self._holder, self._alive_s = holder, self._clock()
            self._answer = reply
            self._ready.set()

    def ask(self, **changes: Any) -> Reply | None:
        """Ask, and wait for an answer; None where it was stopped."""
        self._ready.clear()
        self.step(phase="asking", **changes)
        # Looked at in turns: a stop that came just before the clearing is not missed.
        while not self._ready.wait(0.1) and not self._stop.is_set():
            pass
        return None if self._stop.is_set() else self._answer

    def stop(self) -> None:
        """Stop whatever is under way; safe at any time."""
        self._stop.set()
        self._ready.set()

    def alive(self, holder: str) -> None:
        """Say that whoever started the sound is still there."""
        if holder == self._holder:
            self._alive_s = self._clock()

    def close(self) -> None:
        """Stop, and wait until it is quiet."""
        self.stop()
        if self._thread is not None:
            self._thread.join(5.0)

    def _begin(self, first: Playing, holder: str, work: Callable[[], None]) -> None:
        with self._lock:
            if self.now.busy:
                raise InputError("Something is under way already. Stop it first.")
            if self._thread is not None:
                self._thread.join()
            self._stop.clear()
            self._ready.clear()
            self._holder, self._alive_s = holder, self._clock()
            self._show(first)
            self._thread = Thread(target=self._guarded, args=(work,), name="player", daemon=True)
            self._thread.start()

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except EvenhallError as error:
            self.step(phase="failed", text=str(error), good=False)
        finally:
            if self.now.busy:  # an error of our own: its trace is in the terminal
                self.step(
                    phase="failed",
                    text="Something went wrong inside Evenhall. What was taken so far is safe.",
                    good=False,
                )

    def _show(self, now: Playing) -> None:
        self.now = now
        self._bulletin.tell("changed", {"phase": now.phase}, visit=now.visit)

    def show_fader(self, shown: dict[str, Any]) -> None:
        """Draw the fader in hand on the pages of this visit."""
        self._bulletin.tell("faders", shown, visit=self.now.visit)

    def fader_stands(self, hz: float, fader_db: float) -> None:
        """Enter that a fader of this side stands."""
        key = f"fader.{self.now.side}.{hz:g}"
        self._store.set_entry(self.now.visit, key, fader_db, was=None)

    def step(self, **changes: Any) -> None:
        """Change what it is at, and tell the pages."""
        self._show(replace(self.now, **changes))

    def _asker_gone(self) -> bool:
        return not self._stop.is_set() and self._clock() - self._alive_s > ALIVE_S

    def stop_wanted(self) -> bool:
        """Whether somebody has stopped it, or who started it is gone."""
        return self._stop.is_set() or self._asker_gone()

    def levels(self) -> Levels:
        """Give what tells levels to the pages of this visit."""
        visit = self.now.visit
        return Levels(lambda data: self._bulletin.tell("levels", data, visit=visit), self._clock)

    def _result(self, visit: Visit) -> Result | None:
        return self._judge.result(visit) if visit.kept_takes else None

    def _stopped_text(self) -> str:
        if self._stop.is_set():
            return "Stopped. Nothing was kept."
        return "Stopped by itself: the page that had started it was gone. Nothing was kept."

    def _take(self, visit: Visit, along_m: float | None, cable: int | None) -> None:
        job, now = job_of(visit), self.now
        done = self._result(visit) if now.state == "after" else None
        opened = (
            open_devices(visit, done, state=now.state)
            if cable is None
            else open_cable(visit, cable=cable)
        )
        with opened as devices:
            devices.solo(now.side, now.spot)
            # After the work they hang where hands have put them.
            height_m = hands_done(visit, done).get("speaker_height_m", job.rig.speaker_height_m)
            order = Order(
                side=now.side,
                spot=now.spot,
                state="after" if now.state == "after" else "before",
                at="audience" if cable is None else "cable",
                with_subs=now.with_subs,
                distance_m=None
                if along_m is None or height_m is None
                else round(
                    distance_m(
                        along_m,
                        speaker_height_m=height_m,
                        ear_height_m=job.audience.ear_height_m,
                    ),
                    2,
                ),
                kind=usual_kind(devices.live),
                level_dbfs=LEVEL_DBFS,
            )
            taken = record_take(
                job,
                visit.folder,
                order,
                devices.live,
                ceiling_dbfs=CEILING_DBFS,
                watch=TakeWatch(self),
            )
        self._enter(visit, taken)

    def _enter(self, visit: Visit, taken: Taken) -> None:
        if taken.take is None or taken.recorded is None:
            self.step(phase="ended", text=self._stopped_text())
            return
        fields = {
            name: value
            for name, value in vars(taken.recorded).items()
            if value is not None and value is not False
        }
        job_take = JobTake(**fields)
        stored = self._store.add_take(visit.number, job_take)
        # By the figures that it was measured with: somebody may have changed them meanwhile.
        self._judge.remember(visit, job_take, taken.take)
        sentence = take_sentence(taken.take)
        self.step(
            phase="ended",
            text=sentence[0].upper() + sentence[1:],
            problems=tuple(problem.text for problem in taken.problems),
            good=taken.usable,
            take=stored.number,
        )

    def _gain(self, visit: Visit) -> None:
        levels, now = self.levels(), self.now
        turned_db = visit.gain.turned_db
        with open_devices(visit, None, state="before") as devices:
            devices.solo(now.side, now.spot)
            self.step(
                phase="sound", text="Noise comes up from quiet. Turn the gain as it says below."
            )

            def on_hint(hint: GainHint, readings: Sequence[Reading]) -> None:
                nonlocal turned_db
                if visit.demo and hint.change_db:
                    turned_db += HAND * hint.change_db
                    devices.turn(HAND * hint.change_db)
                levels.show(0.0, 0.0, readings, hint.text)

            hint = set_gain(
                devices.live,
                level_dbfs=LEVEL_DBFS,
                on_hint=on_hint,
                stop_wanted=self.stop_wanted,
            )
        if hint is None or self._asker_gone() or (self._stop.is_set() and hint.turn != "hold"):
            self.step(phase="ended", text=self._stopped_text())
            return
        stands: dict[str, Any] = {"text": hint.text, "turn": hint.turn, "at": _now()}
        if visit.demo:
            stands["turned_db"] = round(turned_db, 2)
        self._store.set_entry(visit.number, "gain", stands, was=None)
        self.step(phase="ended", text=hint.text, good=hint.turn == "hold")

    def _faders(self, visit: Visit, along: Along) -> None:
        last = listen_along(visit, self._result(visit), along, FaderTeller(self), clock=self._clock)
        self._bulletin.tell("faders", None, visit=visit.number)
        if last is None or last.way != "done":
            text = "Stopped. What stands is marked."
            if self._asker_gone():
                text = "Stopped by itself: the page that had started it was gone."
            self.step(phase="ended", text=text)
            return
        unheard = ", ".join(fader_name(hz) for hz in last.unheard_hz)
        text = f"By their scale still: {unheard}." if unheard else "All faders stand."
        self.step(phase="ended", text=text, good=not unheard)

    def _rack(self, visit: Visit, cable: int, *, again: bool) -> None:
        right, teller = self.now.side == "right", RackTeller(self)
        if again:
            told = look_again(visit, teller, right=right, cable=cable)
        else:
            told = learn_along(self._store, visit, teller, right=right, cable=cable)
        if told is None:
            kept = "" if again else " What is recorded is kept, and it goes on from there."
            self.step(phase="ended", text=f"Stopped.{kept}", problems=(), faders=())
            return
        self.step(phase="ended", text=told.text, problems=told.doubts, faders=(), good=told.good)

    def _line(self, visit: Visit) -> None:
        job = job_of(visit)
        in_order = elements_of(elements(visit))
        with open_devices(visit, None, state="before") as devices:
            findings = check_round(
                devices.live,
                in_order,
                low_limit_hz=job.rig.low_limit_hz,
                watch=RoundWatch(self, devices),
            )
        if findings is None:
            self.step(phase="ended", text=self._stopped_text())
            return
        # The round has plain names; the rig's own may be written "Left".
        own = {elements_of([name])[0].name: name for name in elements(visit)}
        kept = {
            "at": _now(),
            "elements": list(dict.fromkeys(own[one.element] for one in findings)),
            "findings": [
                {"element": own[one.element], "code": one.code, "text": one.text}
                for one in findings
            ],
        }
        self._store.set_entry(visit.number, "line_check", kept, was=None)
        wrong = sum(one.code != "works" for one in findings)
        unheard = len(in_order) - len(kept["elements"])
        text = (
            "Every element works." if not wrong else "See below what is wrong, and mend it first."
        )
        if unheard:
            text = f"Broken off: {unheard} of {len(in_order)} were not heard."
        self.step(phase="ended", text=text, good=not wrong and not unheard)


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
