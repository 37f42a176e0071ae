"""Set out: what is asked for, the hall as far as it is known, and what to bring."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.pages.fields import GROUPS, Filled, filled, gear
from evenhall.pages.guide import Spot, elements, missing, spots
from evenhall.pages.views.frame import Frame, clock
from evenhall.pages.views.hall import HallForecast
from evenhall.visits.visit import Entry, Visit

__all__ = ["SetOutPage", "set_out_page"]


@dataclass(frozen=True)
class FilledGroup:
    """Fields that belong together, with what stands in them."""

    title: str
    fields: tuple[Filled, ...]
    more: tuple[Filled, ...]
    fold: str


@dataclass(frozen=True)
class SetOutPage:
    """Set out: what is asked for, the hall as far as it is known, and what to bring."""

    frame: Frame
    groups: tuple[FilledGroup, ...]
    missing: tuple[str, ...]
    hall: HallForecast
    spots: tuple[Spot, ...]
    spots_entry: Entry
    own_spots: bool
    gear: tuple[str, ...]
    calibration: str
    unit: bool
    unit_right: bool
    units: tuple[str, ...]
    sound_check: Entry
    sound_check_clock: str


def set_out_page(
    visit: Visit, hall: HallForecast, frame: Frame, *, units: tuple[str, ...]
) -> SetOutPage:
    """Make the page of the set-out; `units` are those that were learned before, by name."""
    return SetOutPage(
        frame=frame,
        groups=tuple(
            FilledGroup(
                group.title,
                tuple(filled(field, visit) for field in group.fields),
                tuple(filled(field, visit) for field in group.more),
                group.fold,
            )
            for group in GROUPS
        ),
        missing=missing(visit),
        hall=hall,
        spots=spots(visit),
        spots_entry=visit.entries.get("spots", Entry()),
        own_spots=bool(visit.value("spots")),
        gear=gear(visit, elements(visit)),
        calibration=visit.value("microphone.calibration") or "",
        unit=visit.value("equalizer.file") is not None,
        unit_right=visit.value("equalizer.file_right") is not None,
        units=units,
        sound_check=visit.entries.get("sound_check", Entry()),
        sound_check_clock=clock(visit.value("sound_check")),
    )
