"""Sound on behalf of the pages: one thing at a time, seen and stopped from any of them.

Start at `Player`. The work is done on a thread.
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable
from threading import Lock, Thread
from typing import Any

from evenhall.equalizer.checking import DRIFT_DB
from evenhall.errors import EvenhallError, InputError
from evenhall.hall.elements import SIDES
from evenhall.hall.label import TakeLabel
from evenhall.hall.seats import half_apart_m
from evenhall.hall.spots import distance_m
from evenhall.job.folder.model import Take as JobTake
from evenhall.job.live.faders import FaderOrder, follow_faders
from evenhall.job.live.gain import set_gain
from evenhall.job.live.line_check import check_round, elements_of
from evenhall.job.live.taking import (
    CABLE_SPOT,
    Order,
    Taken,
    record_take,
    usual_kind,
    way_of,
)
from evenhall.job.live.unit import check_again, record_round
from evenhall.job.live.watch import Said, Solo
from evenhall.job.tune.result import Result
from evenhall.pages.bulletin import Bulletin
from evenhall.pages.devices import (
    hands_done,
    measure_delay,
    open_cable,
    open_devices,
    open_for_faders,
    settled,
)
from evenhall.pages.guide import check_take, elements, on_middle_line, spots
from evenhall.pages.learning import Learned, begin_round, learned_of, learned_unit, round_folder
from evenhall.pages.listening import order_of
from evenhall.pages.playing import Playing
from evenhall.pages.watch import PageWatch
from evenhall.sound.live.open_devices import CEILING_DBFS
from evenhall.sound.live.simulated import SimulatedDevices
from evenhall.verdict.trust import take_sentence
from evenhall.visits.judging import Judge
from evenhall.visits.store import Store
from evenhall.visits.visit import Visit, job_of
from evenhall.words import fader_name

__all__ = ["Player"]

LEVEL_DBFS = -20.0


class Player(PageWatch):
    """Plays and records for visits, and looks on while it does.

    Whoever begins something (`holder`) has to be there while it sounds; InputError where something
    is under way already, or cannot be: that is said before anything sounds.
    """

    def __init__(
        self,
        store: Store,
        judge: Judge,
        bulletin: Bulletin,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(store, bulletin, clock)
        self._judge = judge
        self._lock = Lock()
        self._thread: Thread | None = None

    def take(
        self,
        visit: int,
        label: TakeLabel,
        *,
        holder: str,
        cable: int | None = None,
    ) -> None:
        """Begin a take, a walk, or one by cable: `cable` is the input of the unit's output."""
        known = self._store.visit(visit)
        places = {spot.label: spot.along_m for spot in spots(known)}
        if cable is not None:
            label = TakeLabel(side=label.side, spot=CABLE_SPOT, state="after", at="cable")
        check_take(known, label)
        job = job_of(known)  # what cannot be is said before anything sounds
        if label.is_walk:
            way_of(job)
        first = Playing(
            "take", "opening", visit, label.side, label.spot, label.state, label.with_subs
        )
        along_m = places.get(label.spot)
        self._start(first, holder, lambda: self._take(known, label, along_m, cable))

    def gain(self, visit: int, *, holder: str) -> None:
        """Begin to set the microphone's gain, at the first spot of the first element."""
        known = self._store.visit(visit)
        side, spot = elements(known)[0], spots(known)[0].label
        first = Playing("gain", "opening", visit, side, spot)
        self._start(first, holder, lambda: self._gain(known))

    def line(self, visit: int, *, holder: str) -> None:
        """Begin the line check of all elements."""
        known = self._store.visit(visit)
        first = Playing("line", "opening", visit)
        self._start(first, holder, lambda: self._line(known))

    def faders(
        self, visit: int, side: str, *, cable: int | None, goes_on: bool, holder: str
    ) -> None:
        """Begin to listen while the card of a side is set.

        Parameters
        ----------
        cable : int or None
            Input that the equalizer's output is on; None where the microphone listens.
        goes_on : bool
            Whether to go on to the next fader when one stands.
        """
        known = self._store.visit(visit)
        if side not in elements(known):
            raise InputError(f"There is no {side!r} in this rig.")
        labels = [spot.label for spot in spots(known)]
        spot = "middle" if "middle" in labels else labels[len(labels) // 2]
        result = self._result(known)
        order = order_of(known, result, side, by_cable=cable is not None, goes_on=goes_on)
        first = Playing("faders", "opening", visit, side, spot)
        self._start(first, holder, lambda: self._faders(known, result, order, cable))

    def rack(self, visit: int, *, right: bool, cable: int, again: bool, holder: str) -> None:
        """Begin to learn the unit in the rack, or to see whether it has drifted.

        Parameters
        ----------
        right : bool
            Its right channel, where that differs; the left one stands for both.
        cable : int
            Input that the unit's output is on.
        again : bool
            Whether to look again at a unit that was learned.
        """
        known = self._store.visit(visit)
        if not again:
            begin_round(known, right=right)  # what cannot be is said before any sound
        first = Playing("rack", "opening", visit, "right" if right else "left")
        self._start(first, holder, lambda: self._rack(known, cable, again=again))

    def delay(self, visit: int, *, cable: int, holder: str) -> None:
        """Begin to measure the device's own delay, by a cable from its output to input `cable`."""
        if self._store.visit(visit).demo:
            raise InputError(
                "The simulated hall has no delay of its own. Open a venue of your own."
            )
        first = Playing("delay", "opening", visit)
        self._start(first, holder, lambda: self._delay(cable))

    def close(self) -> None:
        """Stop, and wait until it is quiet."""
        self.stop()
        if self._thread is not None:
            self._thread.join(5.0)

    def _start(self, first: Playing, holder: str, work: Callable[[], None]) -> None:
        with self._lock:
            if self.now.busy:
                raise InputError("Something is playing already. Stop it first.")
            if self._thread is not None:
                self._thread.join()
            self.begin(first, holder)
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

    def _result(self, visit: Visit) -> Result | None:
        return self._judge.result(visit) if visit.kept_takes else None

    def _stopped_text(self) -> str:
        if self._stop.is_set():
            return "Stopped. Nothing was kept."
        return "Stopped by itself: the page that had started it was closed. Nothing was kept."

    def _take(
        self, visit: Visit, label: TakeLabel, along_m: float | None, cable: int | None
    ) -> None:
        job = job_of(visit)
        # Takes with the subs follow the joining, those after the work all of it.
        worked = label.state == "after" or label.with_subs
        done = self._result(visit) if worked else None
        opened = (
            open_devices(visit, done, state=label.state)
            if cable is None
            else open_cable(visit, cable=cable)
        )
        with opened as (live, self.hand):
            self.hand(Solo(label.side, label.spot, label.with_subs))
            # After the work they hang where hands have put them.
            height_m = hands_done(visit, done).get("speaker_height_m", job.rig.speaker_height_m)
            # Where a sub or one main alone stands nobody has said.
            aside = label.side in SIDES and on_middle_line(visit, label.spot)
            order = Order(
                distance_m=None
                if along_m is None or height_m is None
                else round(
                    distance_m(
                        along_m,
                        speaker_height_m=height_m,
                        ear_height_m=job.audience.ear_height_m,
                        aside_m=half_apart_m(job.rig.apart_m, job.venue.width_m) if aside else 0.0,
                    ),
                    2,
                ),
                kind=usual_kind(live, label),
                level_dbfs=LEVEL_DBFS,
                **vars(label),
            )
            taken = record_take(
                job, visit.folder, order, live, ceiling_dbfs=CEILING_DBFS, watch=self
            )
        self._enter(visit, taken)
        if label.with_subs and label.state == "before" and taken.usable:
            # What these takes show as done is asked for no more: it is how the rig stands now.
            self._store.set_entries(visit.number, settled(visit, done))

    def _enter(self, visit: Visit, taken: Taken) -> None:
        if taken.take is None or taken.recorded is None:
            self.step(phase="ended", text=self._stopped_text())
            return
        fields = {
            name: value
            for name, value in vars(taken.recorded).items()
            if value not in (None, {}) and value is not False
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
        with open_devices(visit, None, state="before") as (live, self.hand):
            self.hand(Solo(self.now.side, self.now.spot))
            self.tell(Said("Noise fades in. Turn the gain as it says below."))
            hint = set_gain(live, level_dbfs=LEVEL_DBFS, watch=self)
        if hint is None or self.holder_gone or (self._stop.is_set() and hint.turn != "hold"):
            self.step(phase="ended", text=self._stopped_text())
            return
        stands: dict[str, Any] = {"text": hint.text, "turn": hint.turn, "at": _now()}
        if isinstance(live, SimulatedDevices):
            stands["turned_db"] = round(live.gain_db, 2)
        self._store.set_entry(visit.number, "gain", stands, was=None)
        self.step(phase="ended", text=hint.text, good=hint.turn == "hold")

    def _faders(
        self, visit: Visit, result: Result | None, order: FaderOrder, cable: int | None
    ) -> None:
        solo = Solo(self.now.side, self.now.spot)
        with open_for_faders(visit, result, order, solo, cable=cable) as (live, self.hand):
            last = follow_faders(live, order, watch=self)
        self._bulletin.tell("faders", None, visit=visit.number)
        if last is None or last.way != "done":
            text = "Stopped. The faders that are set are ticked."
            if self.holder_gone:
                text = "Stopped by itself: the page that had started it was closed."
            self.step(phase="ended", text=text)
            return
        unheard = ", ".join(fader_name(hz) for hz in last.unheard_hz)
        text = f"Could not be heard, set by their scale: {unheard}." if unheard else "All set."
        self.step(phase="ended", text=text, good=not unheard)

    def _rack(self, visit: Visit, cable: int, *, again: bool) -> None:
        right = self.now.side == "right"
        learned = learned_unit(visit, right=right) if again else None
        found, folder = begin_round(visit, right=right), round_folder(visit, right=right)
        told: Learned | None = None
        with open_cable(visit, cable=cable, right=right) as (live, self.hand):
            if learned is None:
                whole = record_round(live, folder, found, watch=self)
            elif drift := check_again(live, folder, found, learned, watch=self):
                told = Learned(drift[0], good=drift[1] < DRIFT_DB)
        if learned is None and whole:
            self.tell(Said("The unit is learned from what was recorded."))
            told = learned_of(self._store, visit, found, right=right)
        if told is None:
            kept = "" if again else " The recordings are kept; go on from there."
            self.step(phase="ended", text=f"Stopped.{kept}", problems=(), faders=())
            return
        self.step(phase="ended", text=told.text, problems=told.doubts, faders=(), good=told.good)

    def _delay(self, cable: int) -> None:
        self.step(phase="sound", text="A sweep of two seconds plays through the cable.")
        delay_s = measure_delay(cable=cable, stop_wanted=self.stop_wanted)
        text = f"The device's own delay is {1e3 * delay_s:.2f} ms. It is taken off from now on."
        self.step(phase="ended", text=text, good=True)

    def _line(self, visit: Visit) -> None:
        job = job_of(visit)
        in_order = elements_of(elements(visit))
        with open_devices(visit, None, state="before") as (live, self.hand):
            findings = check_round(live, in_order, low_limit_hz=job.rig.low_limit_hz, watch=self)
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
        text = "Every element works." if not wrong else "See below what is wrong, and fix it first."
        if unheard:
            text = f"Stopped early: {unheard} of {len(in_order)} were not heard."
        self.step(phase="ended", text=text, good=not wrong and not unheard)


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
