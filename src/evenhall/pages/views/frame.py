"""What stands around every page of a visit, and drawings in both looks. Start at `frame_of()`."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from markupsafe import Markup

from evenhall.drawing import DARK, LIGHT, Theme
from evenhall.job.tune.result import Result
from evenhall.pages.fields import in_plain_words
from evenhall.pages.guide import STEPS, Next, Step, next_thing, steps, wants_device
from evenhall.pages.playing import Playing
from evenhall.visits.visit import Unreadable, Visit, faults_of

__all__ = ["Drawing", "Frame", "clock", "drawn", "frame_of"]


@dataclass(frozen=True)
class Drawing:
    """One drawing (SVG) in both looks; the style sheet shows the one that fits."""

    light: Markup
    dark: Markup
    title: str  # for whoever cannot see it


def drawn(title: str, draw: Callable[[Theme], str]) -> Drawing:
    """Draw in both looks."""
    # The SVG is made here, and whatever people typed is escaped in it.
    return Drawing(light=Markup(draw(LIGHT)), dark=Markup(draw(DARK)), title=title)


def clock(at: str | None) -> str:
    """Give the time of day, here, of an ISO 8601 time."""
    return f"{datetime.datetime.fromisoformat(at).astimezone():%H:%M}" if at else ""


def _day(at: str | None) -> str:
    """Give the day, here, of an ISO 8601 time."""
    if at is None:
        return "date unknown"
    made = datetime.datetime.fromisoformat(at).astimezone()
    return f"{made.day} {made:%B %Y}"


@dataclass(frozen=True)
class Frame:
    """What stands around every page of a visit."""

    visit: int
    name: str
    demo: bool
    made_on: str
    steps: tuple[Step, ...]
    at: str  # key of the page
    next: Next
    sound_check: str  # ISO 8601, or empty
    left_min: int | None  # until then
    needed_min: int  # for what is still to do
    faults: tuple[str, ...]  # what cannot be so in the set-out
    playing: Playing  # of another visit too, as there is one sound device
    warned: bool  # everybody near the loudspeakers, at this visit
    here: bool  # shown on the laptop itself
    wants_device: bool
    unreadable: tuple[Unreadable, ...] = ()

    @property
    def own_step(self) -> bool:
        """Whether the next step is on this page: its button is the dark one."""
        return self.next.step == self.at and not self.sounds

    @property
    def sounds(self) -> bool:
        """Whether something sounds, and this page has the button that stops it."""
        by_cable = (self.playing.what, self.at) == ("delay", "set-out")
        return self.playing.busy and (by_cable or self.at in ("line-check", "takes", "proof"))

    @property
    def onward(self) -> str:
        """What leads to the page of the next step."""
        title = STEPS[self.next.step]
        return "To Set out" if self.next.step == "set-out" else f"To the {title.lower()}"


def frame_of(
    visit: Visit,
    result: Result | None,
    *,
    at: str,
    playing: Playing,
    here: bool,
    now: datetime.datetime,
    has_device: bool = True,
) -> Frame:
    """Make what stands around a page; `has_device` as for `steps()`."""
    way = steps(visit, result, has_device=has_device)
    check = visit.value("sound_check")
    left = None
    if check:
        left = round((datetime.datetime.fromisoformat(check) - now).total_seconds() / 60.0)
    following = next_thing(visit, result, way, has_device=has_device)
    if (following.step, at) == ("verdict", "verdict"):
        following = replace(following, step="worklist")
    elif (following.step, at) == ("verdict", "worklist"):
        # Whoever is here has read it, or does not want to.
        following = Next("Begin with the first thing to do.", following.why, "worklist")
    return Frame(
        visit=visit.number,
        name=visit.name,
        demo=visit.demo,
        made_on=_day(visit.made_at),
        steps=way,
        at=at,
        next=following,
        sound_check=check or "",
        left_min=left,
        needed_min=math.ceil(sum(step.left_s for step in way) / 60.0),
        faults=tuple(in_plain_words(line) for line in faults_of(visit)),
        playing=playing,
        warned=visit.demo or bool(visit.value("warned")),
        here=here,
        wants_device=wants_device(visit, has_device=has_device),
        unreadable=visit.unreadable,
    )
