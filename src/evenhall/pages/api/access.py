"""What every operation asks for first, and how it may be refused."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial, wraps
from typing import Annotated, Any, Literal, TypeVar

from fastapi import Depends, Request

from evenhall.errors import InputError
from evenhall.pages.api.answers import Faults
from evenhall.pages.guard import is_here
from evenhall.pages.services import Services
from evenhall.pages.workers import Workers

__all__ = [
    "REFUSALS",
    "OnlyHere",
    "TheServices",
    "at_length",
    "file_of",
    "only_here",
    "services_of",
]

T = TypeVar("T")

# By the door before the pages, or by the services themselves.
REFUSALS: dict[int | str, dict[str, Any]] = {
    400: {"model": Faults, "description": "What was sent cannot be read."},
    401: {"model": Faults, "description": "The device is not paired."},
    403: {"model": Faults, "description": "Another web page asks."},
    404: {"model": Faults, "description": "There is nothing at this address."},
    413: {"model": Faults, "description": "What was sent is too large."},
    421: {"model": Faults, "description": "The Host is none of ours."},
    422: {"model": Faults, "description": "What was asked for cannot be."},
    429: {"model": Faults, "description": "Too many requests."},
    503: {"model": Faults, "description": "Too much is under way already."},
    507: {"model": Faults, "description": "The disk is full, or the store cannot be used."},
}


async def services_of(request: Request) -> Services:
    """Give the services that the request is served by."""
    services: Services = request.app.state.services
    return services


async def only_here(request: Request) -> None:
    """Refuse what comes from another device.

    Raises
    ------
    InputError
        It does.
    """
    if not is_here(request.scope):
        raise InputError("That can be done on the laptop itself only.")


TheServices = Annotated[Services, Depends(services_of)]
OnlyHere = Depends(only_here)


def file_of(media_type: str) -> dict[int | str, dict[str, Any]]:
    """Describe an answer that is a file."""
    schema = {"type": "string", "contentMediaType": media_type}
    return {200: {"content": {media_type: {"schema": schema}}}}


def at_length(
    kind: Literal["views", "files"],
) -> Callable[[Callable[..., T]], Callable[..., Awaitable[T]]]:
    """Have an operation done by the workers of that kind."""

    def by_workers(operation: Callable[..., T]) -> Callable[..., Awaitable[T]]:
        @wraps(operation)
        async def asked(*, services: Services, **given: Any) -> T:
            workers: Workers = getattr(services, kind)
            return await workers.do(partial(operation, services=services, **given))

        return asked

    return by_workers
