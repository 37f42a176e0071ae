"""From a result to the bytes of a PDF: one or two A4 pages, set by typst. Start at `render()`."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from evenhall import __version__
from evenhall.cautions import CAUTIONS
from evenhall.drawing import (
    FONT_DIR,
    draw_card,
    draw_evenness_map,
    draw_hall,
    draw_response_chart,
)
from evenhall.job.folder.reading import Job
from evenhall.job.tune.result import Result
from evenhall.report import worklist
from evenhall.report.point import Point
from evenhall.report.settings import noted, rig_and_settings
from evenhall.report.verdicts import verdicts
from evenhall.report.views import (
    card_views,
    evenness_view,
    hall_view,
    response_view,
    stance_of,
)

__all__ = ["render"]

TEMPLATE = Path(__file__).parent / "sheet.typ"

# Sizes in px at 96 an inch; `sheet.typ` gives the drawings just this room on paper.
FULL_WIDTH_PX, HALF_WIDTH_PX, CHART_WIDTH_PX, CHART_HEIGHT_PX = 1044.0, 512.0, 430.0, 230.0
# Travel of a slider by the number of cards that share the page.
RAIL_HEIGHT_PX = {1: 250.0, 2: 130.0}
SMALLEST_RAIL_PX = 80.0
MAX_NAME = 90

# What the fonts inside the package and inside typst can draw; anything else may need the
# system's, which takes time to search and makes the page depend on the machine.
LAST_SHIPPED_LETTER = 0x06FF
SHIPPED_SIGNS = range(0x2000, 0x2300)


def render(
    result: Result,
    job: Job,
    *,
    date: datetime.date,
    notes: Sequence[tuple[str, str]] = (),
) -> bytes:
    """Set the sheet of a result.

    Parameters
    ----------
    result : Result
        What the takes say.
    job : Job
        The folder it was made from.
    date : datetime.date
        Printed on the sheet and kept as the date of the file.
    notes : sequence of (str, str)
        What somebody wrote down: where, and what.

    Returns
    -------
    bytes
        A PDF of one or two A4 pages; the same input gives the same bytes.
    """
    import typst  # here, so that a command without a sheet does not wait for it

    data = json.dumps(_data(result, job, date, notes), ensure_ascii=False)
    midnight = datetime.datetime.combine(date, datetime.time(), tzinfo=datetime.UTC)
    return typst.compile(
        TEMPLATE,
        sys_inputs={"data": data},
        font_paths=[FONT_DIR],
        ignore_system_fonts=not _needs_system_fonts(data),
        timestamp=int(midnight.timestamp()),
        pdf_tags=True,
    )


def _needs_system_fonts(content: str) -> bool:
    return any(
        ord(sign) > LAST_SHIPPED_LETTER and ord(sign) not in SHIPPED_SIGNS for sign in set(content)
    )


def _data(
    result: Result, job: Job, date: datetime.date, notes: Sequence[tuple[str, str]]
) -> dict[str, Any]:
    """All that the template shows; text as plain data, which typst never reads as markup."""
    name = job.venue.name
    cards = card_views(result, job).values()
    rail_px = RAIL_HEIGHT_PX.get(len(cards), SMALLEST_RAIL_PX)
    maps = [
        view
        for state in ("before", "after")
        if (view := evenness_view(result, state, walked=False))
    ]
    map_width_px = FULL_WIDTH_PX if len(maps) == 1 else HALF_WIDTH_PX
    chart = response_view(result, job)
    return {
        "venue": name if len(name) <= MAX_NAME else name[: MAX_NAME - 1] + "…",
        "date": f"{date.day} {date:%B} {date.year}",
        "version": __version__,
        "cards": [draw_card(view, rail_height_px=rail_px) for view in cards],
        "no_card": worklist.no_card(result),
        "nothing_to_move": worklist.NOTHING_TO_MOVE,
        "nothing_to_do": worklist.NOTHING_TO_DO,
        "moves_on_card": any(view.marks for view in cards),
        "maps": [draw_evenness_map(view, width_px=map_width_px) for view in maps],
        "chart": chart
        and draw_response_chart(chart, width_px=CHART_WIDTH_PX, height_px=CHART_HEIGHT_PX),
        "hall": draw_hall(
            hall_view(job, stance_of(result), result.rows), width_px=CHART_WIDTH_PX, plan=False
        )
        if result.rows
        else None,
        "verdicts": _points(verdicts(result)),
        "worklist": _points(worklist.worklist(result)),
        "left_alone": _points(worklist.left_alone(result)),
        "strip_title": worklist.STRIP_TITLE,
        "strip": _points(worklist.strip(result)),
        "sections_title": worklist.MIXER_TITLE,
        "sections": _points(worklist.sections(result)),
        "mended": _points(worklist.mended(result)),
        "troubles": _points(worklist.troubles(result)),
        "notes": _points(noted(notes)),
        "rig": _points(rig_and_settings(result, job)),
        "cautions": [{"head": head, "body": body} for head, body in CAUTIONS],
    }


def _points(points: Iterable[Point]) -> list[dict[str, Any]]:
    return [asdict(point) for point in points]
