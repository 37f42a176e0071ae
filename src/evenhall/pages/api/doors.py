"""The phone's door, and the code that lets a phone in."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse

from evenhall.pages.api.access import REFUSALS, OnlyHere, TheServices
from evenhall.pages.api.answers import (
    DoorAnswer,
    DoorOrder,
    Faults,
    PairOrder,
)
from evenhall.pages.guard import SESSION_COOKIE
from evenhall.pages.pairing import TooManyTries
from evenhall.pages.phone import local_addresses

__all__ = ["router"]

router = APIRouter(prefix="/api", responses=REFUSALS)


@router.get("/phone", dependencies=[OnlyHere])
def show_door(services: TheServices) -> DoorAnswer:
    """Say whether the door for phones is open."""
    assert services.phone is not None
    return DoorAnswer(
        open=services.phone.host is not None,
        paired=services.phone.paired,
        addresses=list(local_addresses()),
    )


@router.post("/phone/open", dependencies=[OnlyHere])
async def open_door(services: TheServices, order: DoorOrder) -> DoorAnswer:
    """Open the door for phones, and make a new one-time code."""
    assert services.phone is not None
    door = await services.phone.open(order.address)
    return DoorAnswer(
        open=True,
        address=door.address,
        code=door.code,
        qr_svg=door.qr_svg,
        paired=services.phone.paired,
        addresses=list(local_addresses()),
    )


@router.post("/phone/close", dependencies=[OnlyHere], status_code=204)
async def close_door(services: TheServices) -> None:
    """Close the door; every phone is forgotten."""
    assert services.phone is not None
    await services.phone.close()


@router.post("/pair", status_code=204, responses={401: {"model": Faults}})
async def pair(request: Request, services: TheServices, order: PairOrder) -> Response:
    """Spend the one-time code, and open a session for this device."""
    try:
        key = services.pairing.redeem(
            order.code, address=request.client.host if request.client else ""
        )
    except TooManyTries as slowed:
        line = f"Too many wrong codes from this device. Wait {slowed.wait_s} s, then try again."
        return JSONResponse(
            {"faults": [line]}, status_code=429, headers={"retry-after": str(slowed.wait_s)}
        )
    if key is None:
        return JSONResponse(
            {"faults": ["This code is wrong or spent. Make a new one on the laptop."]},
            status_code=401,
        )
    response = Response(status_code=204)
    response.set_cookie(SESSION_COOKIE, key, httponly=True, samesite="strict", path="/")
    return response
