"""The application: routes, the door before them, and what becomes of errors. `create_app()`."""

from __future__ import annotations

import mimetypes
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import DEFAULT_EXCLUDED_CONTENT_TYPES, GZipMiddleware

from evenhall import __version__
from evenhall.drawing import FONT_DIR
from evenhall.errors import EvenhallError, InputError, StoreError, http_status
from evenhall.pages import api, html
from evenhall.pages.guard import Guard
from evenhall.pages.services import Services

__all__ = ["STATIC_DIR", "create_app"]

STATIC_DIR = Path(__file__).parent / "static"
# What the framework says in one word, with what to do.
LINES = {
    400: "What was sent cannot be read. Load the page again, and send it once more.",
    404: "There is nothing at this address. Go back to the visits.",
    405: "This address cannot be asked for in that way. Load the page again.",
}
# And on a page, where that says more.
PAGES = {404: "There is no such page. Go to the visits.", 503: ""}
BROKEN = "Something went wrong inside Evenhall. What was typed and taken so far is safe. Try again."
# Windows asks its registry, where an editor may have entered a script as plain text: a browser that
# is told not to guess (nosniff) would not run it.
KINDS = {".js": "text/javascript", ".css": "text/css", ".ttf": "font/ttf", ".svg": "image/svg+xml"}
FONTS = ("BarlowSemiCondensed-Regular.ttf", "BarlowSemiCondensed-Bold.ttf")


def create_app(services: Services, *, hosts: Callable[[], frozenset[str]]) -> Any:
    """Make the ASGI application.

    Parameters
    ----------
    services : Services
    hosts : callable
        Gives the Host values under which it is served just now.
    """
    app = FastAPI(
        title="Evenhall",
        version=__version__,
        description="What the pages of a visit ask for and change.",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    app.state.services = services
    # Taken over as they are: included, each would be worked out a second time at the first request.
    for part in (*api.PARTS, html):
        app.router.routes += part.router.routes
    app.get("/api/openapi.json", include_in_schema=False)(lambda: JSONResponse(app.openapi()))
    app.add_exception_handler(EvenhallError, _wrong)
    app.add_exception_handler(RequestValidationError, _malformed)
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(Exception, _broken)
    for ending, kind in KINDS.items():
        mimetypes.add_type(kind, ending)
    app.mount("/static", _Static(directory=STATIC_DIR), name="static")
    app.add_middleware(
        GZipMiddleware,
        minimum_size=1024,
        # It is done between other answers, Stop's among them, and what is large on a thread.
        compresslevel=5,
        thread_minimum_size=2**15,
        exclude_content_types=(*DEFAULT_EXCLUDED_CONTENT_TYPES, "application/pdf"),
    )
    return Guard(app, pairing=services.pairing, hosts=hosts)


class _Static(StaticFiles):
    """The bundle and the typeface: files of a version, that a browser may keep."""

    def lookup_path(self, path: str) -> tuple[str, Any]:
        if path in FONTS:
            font = FONT_DIR / path
            return str(font), font.stat()
        return super().lookup_path(path)

    def file_response(self, *arguments: Any, **options: Any) -> Response:
        response = super().file_response(*arguments, **options)
        response.headers["cache-control"] = "public, max-age=3600"
        return response


def _wants_page(request: Request) -> bool:
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith(
        "/api/"
    )


def _faults(
    lines: Iterable[str], status: int, headers: Mapping[str, str] | None = None
) -> Response:
    # What was sent may stand in a line, and may hold half a character, which no answer can.
    whole = [line.encode(errors="replace").decode() for line in lines]
    return JSONResponse({"faults": whole}, status_code=status, headers=headers)


def _wrong(request: Request, error: Exception) -> Response:
    assert isinstance(error, EvenhallError)
    if _wants_page(request):
        return html.fault_page(request, error)
    return _faults(str(error).splitlines(), http_status(error))


def _malformed(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    faults = [_malformed_line(one) for one in error.errors()]
    if _wants_page(request):
        return html.fault_page(request, InputError(*faults))
    return _faults(faults, 422)


def _malformed_line(found: Mapping[str, Any]) -> str:
    if found["type"] == "json_invalid":
        return "What was sent is not JSON. Load the page again, and send it once more."
    return f"{'.'.join(str(place) for place in found['loc'][1:]) or 'request'}: {found['msg']}."


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if isinstance(error.__cause__, OSError):
        # What is sent lies in a temporary file until it is whole.
        full = (
            f"What was sent could not be kept ({error.__cause__.strerror}). Make room on the disk."
        )
        return _wrong(request, StoreError(full))
    line = LINES.get(error.status_code, str(error.detail))
    if _wants_page(request) and error.status_code in PAGES:
        page = html.fault_page(request, InputError(PAGES[error.status_code] or line))
        page.status_code = error.status_code
        page.headers.update(error.headers or {})
        return page
    return _faults([line], error.status_code, error.headers)


def _broken(request: Request, error: Exception) -> Response:
    """Answer where an error of our own was met; its trace is in the terminal."""
    del error
    if _wants_page(request):
        page = html.fault_page(request, InputError(BROKEN))
        page.status_code = 500
        return page
    return _faults([BROKEN], 500)
