"""Takes and other files of a visit: taken in, deleted, brought back."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Form, UploadFile

from evenhall.errors import InputError
from evenhall.hall.label import TakeLabel
from evenhall.pages.api.access import REFUSALS, TheServices, at_length
from evenhall.pages.api.answers import (
    EnterOrder,
    UnitChoice,
    UploadAnswer,
)
from evenhall.pages.learning import reuse_unit
from evenhall.pages.recovering import enter
from evenhall.pages.uploads import (
    forget_unit,
    keep_calibration,
    keep_stimulus,
    keep_take,
    keep_unit,
)

__all__ = ["router"]

router = APIRouter(prefix="/api", responses=REFUSALS)


@router.post("/visits/{visit}/takes/anew", status_code=204)
@at_length("views")
def take_anew(services: TheServices, visit: int) -> None:
    """Begin the takes anew: what was ticked is how the rig stands; old takes are only deleted."""
    services.take_anew(visit)
    services.bulletin.tell("changed", {}, visit=visit)


@router.delete("/visits/{visit}/takes/{take}", status_code=204)
def delete_take(services: TheServices, visit: int, take: int) -> None:
    """Take a take out of the visit; its recording stays."""
    services.store.set_deleted(visit, take, deleted=True)
    services.bulletin.tell("changed", {}, visit=visit)


@router.post("/visits/{visit}/takes/{take}/restore", status_code=204)
def restore_take(services: TheServices, visit: int, take: int) -> None:
    """Bring a deleted take back."""
    services.store.set_deleted(visit, take, deleted=False)
    services.bulletin.tell("changed", {}, visit=visit)


@router.post("/visits/{visit}/takes/enter", status_code=204)
def enter_take(services: TheServices, visit: int, order: EnterOrder) -> None:
    """Enter a take that was recorded before Evenhall was ended in the middle."""
    if services.player.now.busy:
        raise InputError("Wait until nothing sounds.")
    enter(services.store, services.judge, visit, order.file)
    services.bulletin.tell("changed", {}, visit=visit)


@router.post("/visits/{visit}/takes/upload", status_code=201)
@at_length("files")
def upload_take(
    services: TheServices,
    visit: int,
    file: UploadFile,
    side: Annotated[str, Form(max_length=200)],
    spot: Annotated[str, Form(max_length=200)],
    state: Annotated[Literal["before", "after"], Form()] = "before",
    with_subs: Annotated[bool, Form()] = False,
    reference: Annotated[Literal["channel 2", "file"], Form()] = "channel 2",
) -> UploadAnswer:
    """Take in a recording that was made elsewhere."""
    kept = keep_take(
        services,
        visit,
        file.file,
        name=file.filename or "",
        label=TakeLabel(side=side, spot=spot, state=state, with_subs=with_subs),
        reference_in_file=reference == "channel 2",
    )
    services.bulletin.tell("changed", {}, visit=visit)
    return UploadAnswer(**vars(kept))


@router.post("/visits/{visit}/calibration", status_code=204)
@at_length("files")
def upload_calibration(services: TheServices, visit: int, file: UploadFile) -> None:
    """Take in the microphone's calibration: frequency in Hz, deviation in dB."""
    keep_calibration(services, visit, file.file, name=file.filename or "")
    services.bulletin.tell("changed", {}, visit=visit)


@router.post("/visits/{visit}/unit", status_code=204)
@at_length("files")
def upload_unit(
    services: TheServices, visit: int, file: UploadFile, side: Literal["both", "right"] = "both"
) -> None:
    """Take in a learned unit, unit.json: the equalizer in the rack, or its right channel."""
    keep_unit(services, visit, file.file, name=file.filename or "", right=side == "right")
    services.bulletin.tell("changed", {}, visit=visit)


@router.put("/visits/{visit}/unit", status_code=204)
def choose_unit(services: TheServices, visit: int, choice: UnitChoice) -> None:
    """Make the card for a unit that was learned at another visit."""
    reuse_unit(services.store, visit, choice.name)
    services.bulletin.tell("changed", {}, visit=visit)


@router.delete("/visits/{visit}/unit", status_code=204)
def remove_unit(services: TheServices, visit: int) -> None:
    """Go back to the equalizer as its faceplate has it."""
    forget_unit(services, visit)
    services.bulletin.tell("changed", {}, visit=visit)


@router.post("/visits/{visit}/stimulus", status_code=204)
@at_length("files")
def upload_stimulus(services: TheServices, visit: int, file: UploadFile) -> None:
    """Take in what was played, for recordings without a reference channel."""
    keep_stimulus(services, visit, file.file, name=file.filename or "")
    services.bulletin.tell("changed", {}, visit=visit)
