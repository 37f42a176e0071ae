"""The sheet of a visit, with what only the visit knows: its date."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from evenhall.errors import InputError
from evenhall.visits.visit import Visit, job_of

if TYPE_CHECKING:
    from evenhall.pages.house import House

__all__ = ["print_sheet"]


def print_sheet(house: House, visit: Visit) -> bytes:
    """Make the PDF.

    Raises
    ------
    InputError
        There is no take yet, or a figure of the set-out cannot be so.
    """
    from evenhall import sheet

    result = house.result(visit)
    if result is None:
        raise InputError("There is no take yet, and so nothing to print. Make the takes first.")
    date = datetime.datetime.fromisoformat(visit.made_at).astimezone().date()
    return sheet.render(result, job_of(visit), date=date)
