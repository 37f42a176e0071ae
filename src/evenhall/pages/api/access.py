"""What every operation asks for first, and how it may be refused."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Request

from evenhall.errors import InputError
from evenhall.pages.api.answers import Faults
from evenhall.pages.guard import is_here
from evenhall.pages.house import House

__all__ = ["REFUSALS", "AHouse", "OnlyHere", "file_of", "house_of", "only_here"]

# By the door before the pages, or by the house itself.
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


async def house_of(request: Request) -> House:
    """Give the house that the request is served by."""
    house: House = request.app.state.house
    return house


async def only_here(request: Request) -> None:
    """Refuse what comes from another device.

    Raises
    ------
    InputError
        It does.
    """
    if not is_here(request.scope):
        raise InputError("That can be done on the laptop itself only.")


AHouse = Annotated[House, Depends(house_of)]
OnlyHere = Depends(only_here)


def file_of(media_type: str) -> dict[int | str, dict[str, Any]]:
    """Describe an answer that is a file."""
    schema = {"type": "string", "contentMediaType": media_type}
    return {200: {"content": {media_type: {"schema": schema}}}}
