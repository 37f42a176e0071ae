"""Set out: what is asked for, the hall as far as it is known, and what to bring."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.job.result import Result
from evenhall.pages.fields import GROUPS, Filled, filled, gear
from evenhall.pages.guide import Spot, elements, missing, spots
from evenhall.pages.views.frame import Drawing, Frame, clock
from evenhall.pages.views.hall import hall_drawing
from evenhall.visits.visit import Entry, Visit

__all__ = ["SetOutPage", "set_out_page"]


@dataclass(frozen=True)
class FilledGroup:
    """Fields that belong together, with what stands in them."""

    title: str
    fields: tuple[Filled, ...]
    more: tuple[Filled, ...]


@dataclass(frozen=True)
class SetOutPage:
    """Set out: what is asked for, the hall as far as it is known, and what to bring."""

    frame: Frame
    groups: tuple[FilledGroup, ...]
    missing: tuple[str, ...]
    drawing: Drawing
    spots: tuple[Spot, ...]
    spots_entry: Entry
    own_spots: bool
    gear: tuple[str, ...]
    calibration: str
    sound_check: Entry
    sound_check_clock: str


def set_out_page(visit: Visit, result: Result | None, frame: Frame) -> SetOutPage:
    """Make the page of the set-out."""
    return SetOutPage(
        frame=frame,
        groups=tuple(
            FilledGroup(
                group.title,
                tuple(filled(field, visit) for field in group.fields),
                tuple(filled(field, visit) for field in group.more),
            )
            for group in GROUPS
        ),
        missing=missing(visit),
        drawing=hall_drawing(visit, result, marked=False),
        spots=spots(visit),
        spots_entry=visit.entries.get("spots", Entry()),
        own_spots=bool(visit.value("spots")),
        gear=gear(visit, elements(visit)),
        calibration=visit.value("microphone.calibration") or "",
        sound_check=visit.entries.get("sound_check", Entry()),
        sound_check_clock=clock(visit.value("sound_check")),
    )
