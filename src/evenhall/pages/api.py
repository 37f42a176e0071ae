"""The typed interface that the pages use: JSON in, JSON out, described by OpenAPI.

Every button of a page calls one of these, and nothing else changes anything. Errors are lines in
`faults`, with the status of `errors.http_status()`.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Form, Request, Response, UploadFile
from fastapi.responses import FileResponse, JSONResponse, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.background import BackgroundTask

from evenhall.errors import InputError
from evenhall.job.result import Result
from evenhall.pages.arriving import keep_calibration, keep_stimulus, keep_take
from evenhall.pages.guard import SESSION_COOKIE, is_here
from evenhall.pages.guide import card_left
from evenhall.pages.house import House
from evenhall.pages.phone import local_addresses
from evenhall.pages.printing import print_sheet
from evenhall.pages.recovering import enter
from evenhall.sound.live.choosing import Choice, chosen_setup
from evenhall.sound.live.session import present
from evenhall.sound.live.setup import remember, remembered
from evenhall.visits.carrying import read_folder, write_folder
from evenhall.visits.store import Changed

__all__ = ["house_of", "router"]


class _Answer(BaseModel):
    model_config = ConfigDict(frozen=True)


class _Question(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Faults(_Answer):
    """What is wrong: one line a fault, each says what to do."""

    faults: list[str]


class EntryAnswer(_Answer):
    """A value and its revision, which the next change of it has to name."""

    value: Any
    revision: int


class TakeAnswer(_Answer):
    """A take as job.toml would list it."""

    number: int
    file: str
    side: str
    spot: str
    state: Literal["before", "after"]
    made_at: str
    deleted: bool


class VisitAnswer(_Answer):
    """A visit, whole."""

    number: int
    name: str
    demo: bool
    revision: int
    made_at: str
    entries: dict[str, EntryAnswer]
    takes: list[TakeAnswer]


class VisitLineAnswer(_Answer):
    """A visit in the list of them."""

    number: int
    venue: str
    made_at: str
    takes: int
    demo: bool


class NewVisit(_Question):
    """What to begin."""

    kind: Literal["demo", "own", "again"] = "own"
    venue: str | None = Field(default=None, min_length=1, max_length=200)
    visit: int | None = Field(default=None, description="The earlier one, for `again`.")


class NumberAnswer(_Answer):
    """Number of the visit that was made."""

    number: int


class EntryChange(_Question):
    """A new value; null takes it away. `was` is the revision that was seen, null for any."""

    value: Any = None
    was: int | None = Field(default=None, ge=0)


class TakeOrder(_Question):
    """A take to make now."""

    visit: int
    side: str = Field(max_length=200)
    spot: str = Field(max_length=200)
    state: Literal["before", "after"] = "before"
    holder: str = Field(min_length=1, max_length=64, description="Who stays while it sounds.")
    warned: bool = Field(description="Whether everybody near the loudspeakers was warned.")


class RoundOrder(_Question):
    """A line check, or the setting of the gain, to begin now."""

    visit: int
    holder: str = Field(min_length=1, max_length=64)
    warned: bool


class HolderOrder(_Question):
    """Who says so."""

    holder: str = Field(min_length=1, max_length=64)


class PlayingAnswer(_Answer):
    """What sounds, or has sounded last."""

    model_config = ConfigDict(frozen=True, from_attributes=True)

    what: str
    phase: str
    visit: int
    side: str
    spot: str
    state: str
    text: str
    problems: list[str]
    length_s: float
    good: bool | None
    take: int


class DeviceAnswer(_Answer):
    """A sound device."""

    model_config = ConfigDict(frozen=True, from_attributes=True)

    number: int
    full_name: str
    inputs: int
    outputs: int
    rate_hz: float


class DevicesAnswer(_Answer):
    """What is there, and what is chosen."""

    devices: list[DeviceAnswer]
    chosen: dict[str, Any] | None


class DeviceChoice(_Question):
    """Devices and channels; what is left out stays, or is guessed."""

    input: str | None = None
    output: str | None = None
    rate_hz: int | None = None
    mic_channel: int | None = Field(default=None, ge=1, le=256)
    reference: Literal["inside", "cable", "outside"] | None = None
    reference_channel: int | None = Field(default=None, ge=1, le=256)
    output_channels: list[Annotated[int, Field(ge=1, le=256)]] | None = Field(
        default=None, min_length=1, max_length=8
    )


class DoorAnswer(_Answer):
    """Where a phone comes in; the code is null where the door is closed."""

    open: bool
    address: str | None = None
    code: str | None = None
    qr_svg: str | None = None
    paired: int = 0
    addresses: list[str] = []


class DoorOrder(_Question):
    """Through which of this computer's addresses."""

    address: str | None = None


class PairOrder(_Question):
    """The code that the laptop shows."""

    code: str = Field(max_length=64)


def _file_of(media_type: str) -> dict[int | str, dict[str, Any]]:
    schema = {"type": "string", "contentMediaType": media_type}
    return {200: {"content": {media_type: {"schema": schema}}}}


def house_of(request: Request) -> House:
    """Give the house that the request is served by."""
    house: House = request.app.state.house
    return house


def _only_here(request: Request) -> None:
    if not is_here(request.scope):
        raise InputError("That can be done on the laptop itself only.")


AHouse = Annotated[House, Depends(house_of)]
OnlyHere = Depends(_only_here)
router = APIRouter(
    prefix="/api",
    responses={
        400: {"model": Faults, "description": "What was sent cannot be read."},
        401: {"model": Faults, "description": "The device is not paired."},
        403: {"model": Faults, "description": "Another web page asks."},
        404: {"model": Faults, "description": "There is nothing at this address."},
        413: {"model": Faults, "description": "What was sent is too large."},
        421: {"model": Faults, "description": "The Host is none of ours."},
        422: {"model": Faults, "description": "What was asked for cannot be."},
        429: {"model": Faults, "description": "Too many requests."},
        507: {"model": Faults, "description": "The disk is full, or the store cannot be used."},
    },
)


@router.get("/visits")
def list_visits(house: AHouse) -> list[VisitLineAnswer]:
    """List the visits, the latest first."""
    return [VisitLineAnswer(**vars(line)) for line in house.store.visits()]


@router.post("/visits", status_code=201)
def begin_visit(house: AHouse, new: NewVisit) -> NumberAnswer:
    """Begin a visit: in the demo's hall, in a venue of one's own, or where one was before."""
    if new.kind == "demo":
        return NumberAnswer(number=house.new_demo())
    if new.kind == "own":
        return NumberAnswer(number=house.new_own(*([new.venue] if new.venue else [])))
    if new.visit is None:
        raise InputError("Say which visit to go on from.")
    return NumberAnswer(number=house.next_visit(new.visit, venue=new.venue))


@router.post("/visits/import", status_code=201)
def import_visit(house: AHouse, file: UploadFile) -> NumberAnswer:
    """Make a visit of a job folder in a zip file."""
    return NumberAnswer(number=read_folder(house.store, file.file))


@router.get("/visits/{visit}")
def show_visit(house: AHouse, visit: int) -> VisitAnswer:
    """Give a visit, whole."""
    found = house.store.visit(visit)
    return VisitAnswer(
        number=found.number,
        name=found.name,
        demo=found.demo,
        revision=found.revision,
        made_at=found.made_at,
        entries={
            name: EntryAnswer(value=entry.value, revision=entry.revision)
            for name, entry in found.entries.items()
        },
        takes=[
            TakeAnswer(
                number=one.number,
                file=one.take.file,
                side=one.take.side,
                spot=one.take.spot,
                state=one.take.state,
                made_at=one.made_at,
                deleted=one.deleted,
            )
            for one in found.takes
        ],
    )


@router.delete("/visits/{visit}", status_code=204)
def delete_visit(house: AHouse, visit: int) -> None:
    """Take a visit out of the list; everything of it stays."""
    house.store.set_visit_deleted(visit, deleted=True)


@router.post("/visits/{visit}/restore", status_code=204)
def restore_visit(house: AHouse, visit: int) -> None:
    """Bring a deleted visit back."""
    house.store.set_visit_deleted(visit, deleted=False)


@router.put(
    "/visits/{visit}/entries/{name}",
    response_model=EntryAnswer,
    responses={409: {"model": EntryAnswer, "description": "Changed meanwhile: as it is now."}},
)
def change_entry(house: AHouse, visit: int, name: str, change: EntryChange) -> Any:
    """Change one thing, unless somebody else has changed it since."""
    try:
        entry = house.store.set_entry(visit, name, change.value, was=change.was)
    except Changed as changed:
        answer = EntryAnswer(value=changed.entry.value, revision=changed.entry.revision)
        return JSONResponse(answer.model_dump(), status_code=409)
    house.bulletin.tell("changed", {"name": name}, visit=visit)
    return EntryAnswer(value=entry.value, revision=entry.revision)


@router.put("/visits/{visit}/card/{side}", status_code=204)
def set_card(house: AHouse, visit: int, side: str) -> None:
    """Say that all faders of a side stand as the card says."""
    found = house.store.visit(visit)
    left = card_left(found, house.result(found))
    if side not in left:
        raise InputError(f"There is no card for {side!r}. Make the takes of that side first.")
    for hz, fader_db in left[side]:
        house.store.set_entry(visit, f"fader.{side}.{hz:g}", fader_db, was=None)
    house.bulletin.tell("changed", {}, visit=visit)


@router.get("/visits/{visit}/result", response_model=None, responses={200: {"model": Result}})
def show_result(house: AHouse, visit: int) -> Response:
    """Give the verdict, as result.json would hold it."""
    from evenhall.job.result import to_json

    result: Result = house.judge.result(house.store.visit(visit))
    return Response(to_json(result), media_type="application/json")


@router.post("/visits/{visit}/takes/anew", status_code=204)
def take_anew(house: AHouse, visit: int) -> None:
    """Begin the takes anew: what was ticked is how the rig stands; old takes are only deleted."""
    house.take_anew(visit)
    house.bulletin.tell("changed", {}, visit=visit)


@router.delete("/visits/{visit}/takes/{take}", status_code=204)
def delete_take(house: AHouse, visit: int, take: int) -> None:
    """Take a take out of the visit; its recording stays."""
    house.store.set_deleted(visit, take, deleted=True)
    house.bulletin.tell("changed", {}, visit=visit)


@router.post("/visits/{visit}/takes/{take}/restore", status_code=204)
def restore_take(house: AHouse, visit: int, take: int) -> None:
    """Bring a deleted take back."""
    house.store.set_deleted(visit, take, deleted=False)
    house.bulletin.tell("changed", {}, visit=visit)


class EnterOrder(_Question):
    """Which recording."""

    file: str = Field(max_length=400)


@router.post("/visits/{visit}/takes/enter", status_code=204)
def enter_take(house: AHouse, visit: int, order: EnterOrder) -> None:
    """Enter a take that was recorded before Evenhall was ended in the middle."""
    if house.player.now.busy:
        raise InputError("Wait until nothing sounds.")
    enter(house.store, visit, order.file)
    house.bulletin.tell("changed", {}, visit=visit)


class UploadAnswer(_Answer):
    """What a file turned out to be worth."""

    number: int
    usable: bool
    text: str
    problems: list[str]


@router.post("/visits/{visit}/takes/upload", status_code=201)
def upload_take(
    house: AHouse,
    visit: int,
    file: UploadFile,
    side: Annotated[str, Form(max_length=200)],
    spot: Annotated[str, Form(max_length=200)],
    state: Annotated[Literal["before", "after"], Form()] = "before",
    reference: Annotated[Literal["channel 2", "file"], Form()] = "channel 2",
) -> UploadAnswer:
    """Take in a recording that was made elsewhere."""
    kept = keep_take(
        house,
        visit,
        file.file,
        name=file.filename or "",
        side=side,
        spot=spot,
        state=state,
        reference_in_file=reference == "channel 2",
    )
    house.bulletin.tell("changed", {}, visit=visit)
    return UploadAnswer(**vars(kept))


@router.post("/visits/{visit}/calibration", status_code=204)
def upload_calibration(house: AHouse, visit: int, file: UploadFile) -> None:
    """Take in the microphone's calibration: frequency in Hz, deviation in dB."""
    keep_calibration(house, visit, file.file, name=file.filename or "")
    house.bulletin.tell("changed", {}, visit=visit)


@router.post("/visits/{visit}/stimulus", status_code=204)
def upload_stimulus(house: AHouse, visit: int, file: UploadFile) -> None:
    """Take in what was played, for recordings without a reference channel."""
    keep_stimulus(house, visit, file.file, name=file.filename or "")
    house.bulletin.tell("changed", {}, visit=visit)


@router.get(
    "/visits/{visit}/sheet.pdf", response_class=Response, responses=_file_of("application/pdf")
)
def show_sheet(house: AHouse, visit: int) -> Response:
    """Make the sheet to print."""
    found = house.store.visit(visit)
    pdf = print_sheet(house, found)
    return Response(
        pdf,
        media_type="application/pdf",
        headers={"content-disposition": f'inline; filename="{_file_name(found.name)}.pdf"'},
    )


@router.get(
    "/visits/{visit}/folder.zip", response_class=FileResponse, responses=_file_of("application/zip")
)
def show_folder(house: AHouse, visit: int) -> FileResponse:
    """Pack the job folder to take away."""
    found = house.store.visit(visit)
    place = Path(tempfile.mkdtemp(prefix="evenhall-"))
    path = place / "folder.zip"
    try:
        with path.open("wb") as file:
            write_folder(found, file)
    except BaseException:
        shutil.rmtree(place, ignore_errors=True)
        raise
    return FileResponse(
        path,
        media_type="application/zip",
        filename=f"{_file_name(found.name)}.zip",
        background=BackgroundTask(shutil.rmtree, place, ignore_errors=True),
    )


def _file_name(name: str) -> str:
    plain = "".join(sign if sign.isascii() and sign.isalnum() else "-" for sign in name)
    return "-".join(filter(None, plain.split("-"))).lower()[:60] or "visit"


@router.get(
    "/visits/{visit}/live",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}},
)
async def live(house: AHouse, visit: int) -> StreamingResponse:
    """Tell what changes, as server-sent events: "changed", "levels", and "beat" every second."""
    house.bulletin.check_room()
    house.store.visit(visit)

    async def stream() -> AsyncIterator[str]:
        async for event in house.bulletin.listen(visit):
            yield event

    return StreamingResponse(
        stream(),
        media_type="text/event-stream",
        headers={"cache-control": "no-store", "x-accel-buffering": "no"},
    )


def _warned(warned: bool) -> None:
    if not warned:
        raise InputError(
            "Turn the amplifiers down, warn whoever stands near the loudspeakers, then say so."
        )


@router.get("/sound")
def show_sound(house: AHouse) -> PlayingAnswer:
    """Say what sounds, or has sounded last."""
    return PlayingAnswer.model_validate(house.player.now)


@router.post("/sound/take", status_code=202)
def start_take(house: AHouse, order: TakeOrder) -> PlayingAnswer:
    """Begin a take."""
    _warned(order.warned)
    house.player.take(order.visit, order.side, order.spot, order.state, holder=order.holder)
    return PlayingAnswer.model_validate(house.player.now)


@router.post("/sound/gain", status_code=202)
def start_gain(house: AHouse, order: RoundOrder) -> PlayingAnswer:
    """Begin to set the microphone's gain."""
    _warned(order.warned)
    house.player.gain(order.visit, holder=order.holder)
    return PlayingAnswer.model_validate(house.player.now)


@router.post("/sound/line", status_code=202)
def start_line(house: AHouse, order: RoundOrder) -> PlayingAnswer:
    """Begin the line check."""
    _warned(order.warned)
    house.player.line(order.visit, holder=order.holder)
    return PlayingAnswer.model_validate(house.player.now)


@router.post("/sound/soloed", status_code=204)
def say_soloed(house: AHouse, order: HolderOrder) -> None:
    """Say that the element that was asked for is soloed."""
    house.player.soloed(holder=order.holder)


@router.post("/sound/stop", status_code=204)
def stop_sound(house: AHouse) -> None:
    """Stop whatever is under way; any page may."""
    house.player.stop()


@router.post("/sound/alive", status_code=204)
def say_alive(house: AHouse, order: HolderOrder) -> None:
    """Say that the page that started the sound is still there."""
    house.player.alive(order.holder)


@router.get("/devices", dependencies=[OnlyHere], responses={503: {"model": Faults}})
def list_devices() -> DevicesAnswer:
    """List the sound devices that are there now."""
    setup = remembered()
    return DevicesAnswer(
        devices=[DeviceAnswer.model_validate(one) for one in present()],
        chosen=None if setup is None else {**vars(setup)},
    )


@router.put("/devices", dependencies=[OnlyHere], responses={503: {"model": Faults}})
def choose_devices(house: AHouse, choice: DeviceChoice) -> DevicesAnswer:
    """Choose devices and channels, for this visit and the next ones."""
    there = present()
    wanted = choice.model_dump()
    channels = wanted.pop("output_channels")
    setup = chosen_setup(
        Choice(**wanted, output_channels=None if channels is None else tuple(channels)), there
    )
    remember(setup)
    house.bulletin.tell("changed", {})
    return DevicesAnswer(
        devices=[DeviceAnswer.model_validate(one) for one in there], chosen={**vars(setup)}
    )


@router.get("/phone", dependencies=[OnlyHere])
def show_door(house: AHouse) -> DoorAnswer:
    """Say whether the door for phones is open."""
    assert house.phone is not None
    return DoorAnswer(
        open=house.phone.host is not None,
        paired=house.phone.paired,
        addresses=list(local_addresses()),
    )


@router.post("/phone/open", dependencies=[OnlyHere])
async def open_door(house: AHouse, order: DoorOrder) -> DoorAnswer:
    """Open the door for phones, and make a new one-time code."""
    assert house.phone is not None
    door = await house.phone.open(order.address)
    return DoorAnswer(
        open=True,
        address=door.address,
        code=door.code,
        qr_svg=door.qr_svg,
        paired=house.phone.paired,
        addresses=list(local_addresses()),
    )


@router.post("/phone/close", dependencies=[OnlyHere], status_code=204)
async def close_door(house: AHouse) -> None:
    """Close the door; every phone is forgotten."""
    assert house.phone is not None
    await house.phone.close()


@router.post("/pair", status_code=204, responses={401: {"model": Faults}})
def pair(house: AHouse, order: PairOrder) -> Response:
    """Spend the one-time code, and open a session for this device."""
    key = house.pairing.redeem(order.code)
    if key is None:
        return JSONResponse(
            {"faults": ["This code is wrong or spent. Make a new one on the laptop."]},
            status_code=401,
        )
    response = Response(status_code=204)
    response.set_cookie(SESSION_COOKIE, key, httponly=True, samesite="strict", path="/")
    return response
