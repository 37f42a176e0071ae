"""The door: what is let in before any page sees it. Start at `Guard`.

In this order: the Host must be one of ours (else a foreign name was pointed at this computer);
not too large; whatever changes something comes from one of our own pages (Origin); whoever is not
on this computer has a session; and only then, as nobody else may spend what is ours, not too many
requests and not too many files at once. What must be answered at once is never counted.
"""

from __future__ import annotations

import re
import time
from collections import OrderedDict
from collections.abc import Callable
from ipaddress import ip_address

from starlette.exceptions import HTTPException
from starlette.requests import cookie_parser
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from evenhall.pages.pairing import Pairing
from evenhall.pages.workers import RETRY_S

__all__ = [
    "AT_ONCE",
    "MAX_BODY_BYTES",
    "MAX_TRANSFERS",
    "MAX_UPLOAD_BYTES",
    "SESSION_COOKIE",
    "Guard",
    "is_here",
]

SESSION_COOKIE = "evenhall_session"
MAX_BODY_BYTES = 64 * 2**10  # a note of two pages, with room to spare
# A job folder of twelve takes of a minute, two channels, 24 bit, 96 kHz: 400 MB.
MAX_UPLOAD_BYTES = 512 * 2**20
MAX_CALIBRATION_BYTES = 2 * 2**20  # a megabyte of text, and the form around it
MAX_SIGN_BYTES = 2**10
# What a person needs this moment: it is answered without counting, and without any thread.
AT_ONCE = frozenset(
    {"/api/sound/stop", "/api/sound/alive", "/api/sound/answer", "/api/phone/close"}
)
# By the whole address: an entry may be called "calibration", and is held in memory.
LIMITS = {
    re.compile("|".join(sorted(AT_ONCE))): MAX_SIGN_BYTES,
    re.compile(r"/api/visits/(import|[0-9]+/(takes/upload|stimulus))"): MAX_UPLOAD_BYTES,
    re.compile(r"/api/visits/[0-9]+/(calibration|unit)"): MAX_CALIBRATION_BYTES,
}
# Large files that come in or go out at once, on the laptop and as many from all phones.
MAX_TRANSFERS = 4
PACKED = re.compile(r"/api/visits/[0-9]+/folder\.zip")
LONGEST_LENGTH = 18  # digits of a content-length
# A page asks for a few things at once when it opens, and for one or two a second after.
RATE_PER_S, BURST = 40.0, 200.0
MAX_CLIENTS = 256
SAFE = ("GET", "HEAD", "OPTIONS")
# What a browser says of another page; a page of another port of this computer is "same-site".
FOREIGN = ("cross-site", "same-site")
# What a phone must reach before it is paired.
OPEN_PATHS = ("/pair", "/api/pair", "/favicon.svg")
OPEN_FOLDER = "/static/"

HEADERS = [
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (
        b"content-security-policy",
        b"default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; "
        b"form-action 'self'; object-src 'none'",
    ),
]


def is_here(scope: Scope) -> bool:
    """Whether a request comes from this very computer."""
    client = scope.get("client")
    try:
        return client is not None and ip_address(client[0]).is_loopback
    except ValueError:
        return False


class _TooLarge(HTTPException):
    """A body went on past its limit, whatever length it had named."""

    def __init__(self, limit: int) -> None:
        super().__init__(413, _too_large(limit))


class Guard:
    """ASGI middleware.

    Parameters
    ----------
    app : ASGIApp
    pairing : Pairing
    hosts : callable
        Gives the Host values, name and port, under which this is served just now.
    clock : callable
        Seconds, any origin.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        pairing: Pairing,
        hosts: Callable[[], frozenset[str]],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app, self._pairing, self._hosts, self._clock = app, pairing, hosts, clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._transfers = {True: 0, False: 0}  # here, and from other devices

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or refuse it."""
        if scope["type"] != "http":
            # There are no web sockets here; whatever else comes is the server's own.
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        here = is_here(scope)
        moves = _moves_a_file(scope)
        self._transfers[here] += moves
        try:
            await self._app(scope, _counted(receive, _limit(scope)), _with_headers(send))
        finally:
            self._transfers[here] -= moves

    def _refusal(self, scope: Scope) -> Response | None:
        headers = {
            name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]
        }
        host = headers.get("host", "").lower()
        path, method = scope["path"], scope["method"]
        if host not in self._hosts():
            return _refuse(
                421,
                "This is not the address of these pages. Open the one that the terminal or the "
                "code on the laptop shows.",
            )
        limit = _limit(scope)
        length = headers.get("content-length")
        if length is not None and (
            not length.isdecimal() or len(length) > LONGEST_LENGTH or int(length) > limit
        ):
            return _refuse(413, _too_large(limit))
        here = is_here(scope)
        origin, foreign = headers.get("origin"), headers.get("sec-fetch-site") in FOREIGN
        if method not in SAFE:
            # A browser names the page that asks. What names none is a program on this computer.
            if origin is None and (foreign or not here):
                return _refuse(403, "Only these pages may change something. Use them.")
            if origin is not None and origin.lower() != f"{scope['scheme']}://{host}":
                return _refuse(
                    403, "Another web page may change nothing here. Use these pages themselves."
                )
        elif foreign and (path.startswith("/api/") or headers.get("sec-fetch-mode") != "navigate"):
            # A link from elsewhere may lead to a page; nothing else may.
            return _refuse(
                403, "Another web page may read nothing here. Use these pages themselves."
            )
        allowed = here or path in OPEN_PATHS or path.startswith(OPEN_FOLDER)
        if not allowed and not self._pairing.knows(_session(headers.get("cookie", ""))):
            if method == "GET" and "text/html" in headers.get("accept", ""):
                return RedirectResponse("/pair", status_code=303)
            return _refuse(401, "This device is not paired. Scan the code that the laptop shows.")
        if path not in AT_ONCE and not self._has_allowance(scope):
            return _refuse(429, "Too many requests. Wait a moment.", {"retry-after": "1"})
        if _moves_a_file(scope) and self._transfers[here] >= MAX_TRANSFERS:
            return _refuse(
                503,
                f"{MAX_TRANSFERS} files are on their way already. Wait until one is through, then "
                "try again.",
                {"retry-after": str(RETRY_S)},
            )
        return None

    def _has_allowance(self, scope: Scope) -> bool:
        client = (scope.get("client") or ("",))[0]
        now_s = self._clock()
        left, then_s = self._left.pop(client, (BURST, now_s))
        left = min(BURST, left + (now_s - then_s) * RATE_PER_S)
        allowed = left >= 1.0
        self._left[client] = (left - allowed, now_s)
        while len(self._left) > MAX_CLIENTS:
            self._left.popitem(last=False)
        return allowed


def _moves_a_file(scope: Scope) -> bool:
    if scope["method"] == "GET":
        return PACKED.fullmatch(scope["path"]) is not None
    return _limit(scope) == MAX_UPLOAD_BYTES


def _limit(scope: Scope) -> int:
    if scope["method"] == "POST":
        for address, limit in LIMITS.items():
            if address.fullmatch(scope["path"]):
                return limit
    return MAX_BODY_BYTES


def _too_large(limit: int) -> str:
    size = f"{limit // 2**20} MB" if limit >= 2**20 else f"{limit // 2**10} kB"
    return f"That is too large. Send {size} at the most."


def _session(cookies: str) -> str | None:
    # Cookies know no ports: those of other programs at this address come too, some of them odd.
    return cookie_parser(cookies).get(SESSION_COOKIE)


def _refuse(status: int, line: str, headers: dict[str, str] | None = None) -> Response:
    return JSONResponse({"faults": [line]}, status_code=status, headers=headers)


def _counted(receive: Receive, limit: int) -> Receive:
    """Count the body as it comes: it may name no length, or a wrong one."""
    left = limit

    async def count() -> Message:
        nonlocal left
        message = await receive()
        if message["type"] == "http.request":
            left -= len(message.get("body", b""))
            if left < 0:
                raise _TooLarge(limit)
        return message

    return count


def _with_headers(send: Send) -> Send:
    async def add(message: Message) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message["headers"], *HEADERS]
        await send(message)

    return add
