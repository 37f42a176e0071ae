"""The pages themselves: each a view in a template. Nothing is changed here, see `api`.

A page is asked for whole, and asked for again by itself when the news say that something has
changed: the browser then takes over what differs.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined, TemplateError

from evenhall import __version__
from evenhall.cautions import BEFORE_SOUND, WALKING, WARNED
from evenhall.errors import EvenhallError, InputError, http_status
from evenhall.job.tune.result import Result
from evenhall.pages import shelf
from evenhall.pages.api.access import at_length, services_of
from evenhall.pages.guard import is_here
from evenhall.pages.guide import check_element
from evenhall.pages.phone import local_addresses
from evenhall.pages.services import Services
from evenhall.pages.views import (
    Frame,
    HallForecast,
    card_page,
    follow_page,
    frame_of,
    hall_forecast,
    hand_over_page,
    line_page,
    proof_page,
    rack_page,
    set_out_page,
    takes_page,
    verdict_page,
    worklist_page,
)
from evenhall.report.worklist import MIXER_TITLE, NOTHING_TO_MOVE, STRIP_TITLE
from evenhall.sound.live.setup import remembered
from evenhall.visits.entries import check_entry
from evenhall.visits.store import VisitLine
from evenhall.visits.visit import Entry, Visit
from evenhall.words import capitalised

__all__ = ["fault_page", "router", "warm"]

LOOKS = ("light", "dark")
LOOK_COOKIE = "evenhall_look"

_templates = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
# Of an address: a name may hold all that an address is made of.
_templates.filters["part"] = lambda name: quote(name, safe="")
_templates.filters["capitalised"] = capitalised
_templates.globals |= {
    "BEFORE_SOUND": BEFORE_SOUND,
    "WALKING": WALKING,
    "WARNED": WARNED,
    "MIXER_TITLE": MIXER_TITLE,
    "NOTHING_TO_MOVE": NOTHING_TO_MOVE,
    "STRIP_TITLE": STRIP_TITLE,
}

# What the page of the set-out is made of. Compiled first: a page that is asked for meanwhile has
# its visit judged, and neither does what the other does.
FIRST = ("set-out.html", "visit.html", "base.html", "_parts.html")

TheServices = Annotated[Services, Depends(services_of)]
router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)


def _page(request: Request, template: str, **values: Any) -> HTMLResponse:
    look = request.cookies.get(LOOK_COOKIE, "")
    html = _templates.get_template(template).render(
        look=look if look in LOOKS else "", version=__version__, **values
    )
    # The next look at a page shall show what is, not what was.
    return HTMLResponse(html, headers={"cache-control": "no-store"})


def warm(services: Services, number: int | None) -> None:
    """Do ahead what the first page of a visit, or of the last one, waits for."""
    # What cannot be so, or not be read now, is said by the page that asks for it.
    with suppress(EvenhallError, OSError, TemplateError):
        for name in FIRST:
            _templates.get_template(name)
        if number is None:
            number = services.latest()
        if number is not None:
            services.judge.result(services.store.visit(number))
        for name in _templates.list_templates():
            _templates.get_template(name)


def fault_page(request: Request, error: EvenhallError) -> HTMLResponse:
    """Show what is wrong, and the way on."""
    page = _page(request, "fault.html", faults=str(error).splitlines())
    page.status_code = http_status(error)
    return page


def _frame(
    request: Request, services: Services, number: int, at: str
) -> tuple[Visit, Result | None, Frame]:
    visit = services.store.visit(number)
    try:
        result = services.result(visit)
    except InputError:
        result = None  # the frame says what cannot be so
    frame = frame_of(
        visit,
        result,
        at=at,
        playing=services.player.now,
        here=is_here(request.scope),
        now=services.now(),
        has_device=remembered() is not None,
    )
    return visit, result, frame


@dataclass(frozen=True)
class VisitsPage:
    """All visits, and the ways to begin one."""

    own: tuple[VisitLine, ...]
    demos: tuple[VisitLine, ...]
    deleted: tuple[VisitLine, ...]
    here: bool


@router.get("/")
def first(services: TheServices) -> Response:
    """Go to the visit that is under way; to the list where there is none."""
    latest = services.latest()
    return RedirectResponse("/visits" if latest is None else f"/visit/{latest}", status_code=303)


@router.get("/visits")
def visits(request: Request, services: TheServices) -> HTMLResponse:
    """List the visits."""
    there = services.store.visits()
    page = VisitsPage(
        own=tuple(one for one in there if not one.demo),
        demos=tuple(one for one in there if one.demo),
        deleted=services.store.visits(deleted=True),
        here=is_here(request.scope),
    )
    return _page(request, "visits.html", page=page)


@router.get("/visit/{number}")
@at_length("views")
def visit_now(request: Request, services: TheServices, number: int) -> Response:
    """Go to the page of what is to be done next."""
    frame = _frame(request, services, number, "")[2]
    step = frame.next.step
    untouched = all(one.state == "open" for one in frame.steps if one.key != "set-out")
    return RedirectResponse(f"/visit/{number}/{'set-out' if untouched else step}", status_code=303)


@router.get("/visit/{number}/set-out")
@at_length("views")
def set_out(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Show the set-out."""
    visit, _, frame = _frame(request, services, number, "set-out")
    return _page(
        request,
        "set-out.html",
        page=set_out_page(
            visit,
            _forecast(services, visit),
            frame,
            units=shelf.names(services.store),
            setup=None if visit.demo else remembered(),
        ),
    )


@router.get("/visit/{number}/hall")
@at_length("views")
def hall(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Draw and forecast the hall with figures that are just being typed; nothing is kept."""
    visit = services.store.visit(number)
    typed = {}
    for name, text in request.query_params.items():
        value = _typed(text)
        try:
            check_entry(name, value)
        except InputError:
            continue  # half a figure: the drawing waits for the rest
        typed[name] = Entry(value, 1)
    draft = Visit(**{**vars(visit), "entries": {**visit.entries, **typed}})
    return _page(request, "hall.html", hall=_forecast(services, draft))


def _forecast(services: Services, visit: Visit) -> HallForecast:
    """Forecast the hall; a figure that cannot be so is said, and the drawing goes without."""
    try:
        return hall_forecast(visit, services.judge.result(visit))
    except InputError as error:
        return hall_forecast(visit, None, faults=tuple(str(error).splitlines()))


def _typed(text: str) -> Any:
    text = text.strip().replace(",", ".")
    try:
        return float(text) if text else None
    except ValueError:
        return text


@router.get("/visit/{number}/line-check")
@at_length("views")
def line_check(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Show the line check."""
    visit, _, frame = _frame(request, services, number, "line-check")
    return _page(request, "line-check.html", page=line_page(visit, frame))


@router.get("/visit/{number}/takes")
@at_length("views")
def takes(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Show the takes."""
    visit, result, frame = _frame(request, services, number, "takes")
    return _page(request, "takes.html", page=takes_page(visit, result, frame, state="before"))


@router.get("/visit/{number}/verdict")
@at_length("views")
def verdict(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Show the verdict."""
    visit, result, frame = _frame(request, services, number, "verdict")
    return _page(request, "verdict.html", page=verdict_page(visit, result, frame))


@router.get("/visit/{number}/worklist")
@at_length("views")
def worklist(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Show the worklist."""
    visit, result, frame = _frame(request, services, number, "worklist")
    return _page(request, "worklist.html", page=worklist_page(visit, result, frame))


@router.get("/visit/{number}/card")
@at_length("views")
def card(
    request: Request,
    services: TheServices,
    number: int,
    side: str,
    at: Annotated[int, Query(ge=0, le=200)] = 0,
) -> HTMLResponse:
    """Show the card of a side, filling the screen."""
    visit, result, frame = _frame(request, services, number, "worklist")
    check_element(visit, side)
    return _page(request, "card.html", page=card_page(visit, result, frame, side=side, at=at))


def _cable_input(visit: Visit) -> int:
    """Give the input beside the microphone's, as an interface for this job has two; 0 for none."""
    if visit.demo:
        return 2
    setup = remembered()
    return 0 if setup is None else 2 if setup.mic_channel == 1 else 1


@router.get("/visit/{number}/follow")
@at_length("views")
def follow(
    request: Request, services: TheServices, number: int, side: str, stay: bool = False
) -> HTMLResponse:
    """Listen along while the card of a side is set."""
    visit, result, frame = _frame(request, services, number, "worklist")
    check_element(visit, side)
    page = follow_page(visit, result, frame, side=side, goes_on=not stay, cable=_cable_input(visit))
    return _page(request, "follow.html", page=page)


@router.get("/visit/{number}/rack")
@at_length("views")
def rack(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Lead through the learning of the unit in the rack."""
    visit, _, frame = _frame(request, services, number, "set-out")
    page = rack_page(visit, frame, cable=_cable_input(visit))
    return _page(request, "rack.html", page=page)


@router.get("/visit/{number}/proof")
@at_length("views")
def proof(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Show the proof."""
    visit, result, frame = _frame(request, services, number, "proof")
    return _page(
        request, "proof.html", page=proof_page(visit, result, frame, cable=_cable_input(visit))
    )


@router.get("/visit/{number}/hand-over")
@at_length("views")
def hand_over(request: Request, services: TheServices, number: int) -> HTMLResponse:
    """Show the hand-over."""
    visit, result, frame = _frame(request, services, number, "hand-over")
    return _page(request, "hand-over.html", page=hand_over_page(visit, result, frame))


@dataclass(frozen=True)
class PhonePage:
    """The way in for a phone."""

    here: bool
    open: bool
    paired: int
    addresses: tuple[str, ...]
    visit: int


@router.get("/phone")
def phone(
    request: Request, services: TheServices, visit: Annotated[int, Query(ge=0)] = 0
) -> HTMLResponse:
    """Show how a phone comes in."""
    page = PhonePage(
        here=is_here(request.scope),
        open=services.phone is not None and services.phone.host is not None,
        paired=services.pairing.paired,
        addresses=local_addresses(),
        visit=visit,
    )
    return _page(request, "phone.html", page=page)


@router.get("/pair")
def pair(request: Request) -> HTMLResponse:
    """Ask a phone for its code; the QR code carries it in the fragment, which no server sees."""
    return _page(request, "pair.html")
