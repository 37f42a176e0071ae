"""From a result to the bytes of a PDF, set by typst. Start at `render()`.

Page one is the card to tape on the rack with the worklist, page two the verdict. Nothing is cut
off and nothing set under 7 pt: what finds no room goes on, on a further page.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from evenhall import __version__
from evenhall.cautions import CAUTIONS
from evenhall.drawing import (
    FONT_DIR,
    EvennessView,
    draw_card,
    draw_evenness_map,
    draw_hall,
    draw_response_chart,
)
from evenhall.job.folder.reading import Job
from evenhall.job.tune.result import Result
from evenhall.report import hand_over, worklist
from evenhall.report.point import Point
from evenhall.report.settings import noted, rig_and_settings
from evenhall.report.verdicts import verdicts
from evenhall.report.views import (
    card_views,
    evenness_view,
    hall_view,
    response_view,
    side_title,
    stance_of,
)

__all__ = ["render"]

TEMPLATE = Path(__file__).parent / "sheet.typ"

# Half a page across at 0.75 pt a px. In the columns, a third each, the lettering of hall and chart
# (12 and 13 px) comes out at 7.5 pt.
HALF_WIDTH_PX, HALF_HEIGHT_PX = 512.0, 270.0
HALL_WIDTH_PX, CHART_WIDTH_PX, CHART_HEIGHT_PX = 395.0, 430.0, 230.0
# Travel of a slider; `sheet.typ` takes the first that leaves the worklist room on the page.
RAIL_HEIGHTS_PX = (250.0, 200.0, 160.0, 120.0, 80.0)
SIDES_IN_MAP = 2  # more than two of eight spots would be higher than a page
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
    ticked: Mapping[int, str] | None = None,
    first: Result | None = None,
    did_before: Sequence[Point] = (),
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
    ticked : mapping, optional
        By the order of a move: `worklist.DONE` or `worklist.NOT_TONIGHT`.
    first : Result, optional
        What the earliest takes say, where `result` is made of later ones.
    did_before : sequence of Point, optional
        What was done between the two.

    Returns
    -------
    bytes
        A PDF of two A4 pages, more where it must be; the same input gives the same bytes.
    """
    import typst  # here, so that a command without a sheet does not wait for it

    done = hand_over.done(result, first or result, ticked or {}, did_before)
    shown = _data(result, job, date, notes, ticked or {}, first, done)
    data = json.dumps(shown, ensure_ascii=False)
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
    result: Result,
    job: Job,
    date: datetime.date,
    notes: Sequence[tuple[str, str]],
    ticked: Mapping[int, str],
    first: Result | None,
    done: Sequence[Point],
) -> dict[str, Any]:
    """All that the template shows; text as plain data, which typst never reads as markup."""
    name = job.venue.name
    cards = card_views(result, job).values()
    maps = _maps(result, first)
    chart = response_view(result, job)
    chart_beside = len(maps) == 1
    chart_px = (
        (HALF_WIDTH_PX, HALF_HEIGHT_PX) if chart_beside else (CHART_WIDTH_PX, CHART_HEIGHT_PX)
    )
    moves = worklist.moves_in_order(result) if result.any_usable else ()
    return {
        "venue": name if len(name) <= MAX_NAME else name[: MAX_NAME - 1] + "…",
        "date": f"{date.day} {date:%B} {date.year}",
        "version": __version__,
        "cards": [
            [draw_card(view, rail_height_px=rail_px) for view in cards]
            for rail_px in RAIL_HEIGHTS_PX
        ],
        "levels": _points(
            Point(side_title(one.side, job.rig.sides) if len(cards) > 1 else "Level", one.text)
            for one in result.headroom
        ),
        "no_card": worklist.no_card(result),
        "nothing_to_move": worklist.NOTHING_TO_MOVE,
        "nothing_to_do": worklist.NOTHING_TO_DO,
        "moves_on_card": any(view.marks for view in cards),
        "maps": maps,
        "chart_beside": chart_beside,
        "chart": chart and draw_response_chart(chart, width_px=chart_px[0], height_px=chart_px[1]),
        "hall": draw_hall(
            hall_view(job, stance_of(result), result.rows), width_px=HALL_WIDTH_PX, plan=False
        )
        if result.rows
        else None,
        # The level stands with the card.
        "verdicts": _points(verdicts(result.model_copy(update={"headroom": ()}))),
        "worklist": _points(worklist.worklist(result)),
        "ticks": [ticked.get(move.order, "") for move in moves],
        "done": _points(done),
        "check_first": _points(hand_over.check_first(result, ticked)),
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


def _maps(result: Result, first: Result | None) -> list[str]:
    """Draw the first state and the last one, alternating where they take several drawings."""
    before = evenness_view(first or result, "before", walked=False)
    last = evenness_view(result, "after", walked=False)
    if last is None and first is not None:
        last = evenness_view(result, "before", walked=False)
        last = last and replace(last, title="Evenness now, before the card")
    parts = [_parts(view) for view in (before, last) if view]
    return [
        draw_evenness_map(part[at], width_px=HALF_WIDTH_PX)
        for at in range(max(map(len, parts), default=0))
        for part in parts
        if at < len(part)
    ]


def _parts(view: EvennessView) -> list[EvennessView]:
    """Share the sides of a map among as many as a page can bear."""
    return [
        replace(view, sides=view.sides[at : at + SIDES_IN_MAP])
        for at in range(0, len(view.sides), SIDES_IN_MAP)
    ]


def _points(points: Iterable[Point]) -> list[dict[str, Any]]:
    return [asdict(point) for point in points]
