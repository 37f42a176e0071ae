"""Visits: begun, changed, judged, printed, packed, and told of as they change."""

from __future__ import annotations

import tempfile
from collections.abc import AsyncIterator, Iterator
from contextlib import suppress
from typing import IO, Any

from fastapi import APIRouter, Response, UploadFile
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, StreamingResponse

from evenhall.errors import InputError, StoreError
from evenhall.job.tune.result import Result
from evenhall.pages.api.access import REFUSALS, TheServices, at_length, file_of
from evenhall.pages.api.answers import (
    EntryAnswer,
    EntryChange,
    NewVisit,
    NumberAnswer,
    TakeAnswer,
    VisitAnswer,
    VisitLineAnswer,
)
from evenhall.pages.fields import in_plain_words
from evenhall.pages.guide import card_left
from evenhall.pages.printing import print_sheet
from evenhall.visits.carrying import read_folder, write_folder
from evenhall.visits.store import Changed

__all__ = ["router"]

router = APIRouter(prefix="/api", responses=REFUSALS)
BLOCK_BYTES = 2**18  # of a file that goes out


@router.get("/visits")
def list_visits(services: TheServices) -> list[VisitLineAnswer]:
    """List the visits, the latest first."""
    return [VisitLineAnswer(**vars(line)) for line in services.store.visits()]


@router.post("/visits", status_code=201)
@at_length("files")
def begin_visit(services: TheServices, new: NewVisit) -> NumberAnswer:
    """Begin a visit: in the demo's hall, in a venue of one's own, or where one was before."""
    if new.kind in ("demo", "demo with a sub"):
        return NumberAnswer(number=services.new_demo(with_sub=new.kind != "demo"))
    if new.kind == "own":
        return NumberAnswer(number=services.new_own(*([new.venue] if new.venue else [])))
    if new.visit is None:
        raise InputError("Say which visit to go on from.")
    return NumberAnswer(number=services.next_visit(new.visit, venue=new.venue))


@router.post("/visits/import", status_code=201)
@at_length("files")
def import_visit(services: TheServices, file: UploadFile) -> NumberAnswer:
    """Make a visit of a job folder in a zip file."""
    return NumberAnswer(number=read_folder(services.store, file.file))


@router.get("/visits/{visit}")
def show_visit(services: TheServices, visit: int) -> VisitAnswer:
    """Give a visit, whole."""
    found = services.store.visit(visit)
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
                with_subs=one.take.with_subs,
                made_at=one.made_at,
                deleted=one.deleted,
            )
            for one in found.takes
        ],
    )


@router.delete("/visits/{visit}", status_code=204)
def delete_visit(services: TheServices, visit: int) -> None:
    """Take a visit out of the list; everything of it stays."""
    services.store.set_visit_deleted(visit, deleted=True)


@router.post("/visits/{visit}/restore", status_code=204)
def restore_visit(services: TheServices, visit: int) -> None:
    """Bring a deleted visit back."""
    services.store.set_visit_deleted(visit, deleted=False)


@router.delete("/visits/{visit}/unreadable", status_code=204)
def delete_unreadable(services: TheServices, visit: int, key: str) -> None:
    """Delete something of a visit that cannot be read; recordings stay."""
    services.store.delete_unreadable(visit, key)
    services.bulletin.tell("changed", {}, visit=visit)


@router.put(
    "/visits/{visit}/entries/{name:path}",
    response_model=EntryAnswer,
    responses={409: {"model": EntryAnswer, "description": "Changed meanwhile: as it is now."}},
)
def change_entry(services: TheServices, visit: int, name: str, change: EntryChange) -> Any:
    """Change one thing, unless somebody else has changed it since."""
    try:
        entry = services.store.set_entry(visit, name, change.value, was=change.was)
    except InputError as error:
        raise InputError(*(in_plain_words(line) for line in error.faults)) from error
    except Changed as changed:
        answer = EntryAnswer(value=changed.entry.value, revision=changed.entry.revision)
        return JSONResponse(answer.model_dump(), status_code=409)
    services.bulletin.tell("changed", {"name": name}, visit=visit)
    return EntryAnswer(value=entry.value, revision=entry.revision)


@router.put("/visits/{visit}/card", status_code=204)
@at_length("views")
def set_card(services: TheServices, visit: int, side: str) -> None:
    """Say that all faders of a side stand as the card says."""
    found = services.store.visit(visit)
    left = card_left(found, services.result(found))
    if side not in left:
        raise InputError(f"There is no card for {side!r}. Make the takes of that side first.")
    for hz, fader_db in left[side]:
        services.store.set_entry(visit, f"fader.{side}.{hz:g}", fader_db, was=None)
    services.bulletin.tell("changed", {}, visit=visit)


@router.get("/visits/{visit}/result", response_model=None, responses={200: {"model": Result}})
@at_length("views")
def show_result(services: TheServices, visit: int) -> Response:
    """Give the verdict, as result.json would hold it."""
    from evenhall.job.tune.result import to_json

    result: Result = services.judge.result(services.store.visit(visit))
    return Response(to_json(result), media_type="application/json")


@router.get(
    "/visits/{visit}/sheet.pdf", response_class=Response, responses=file_of("application/pdf")
)
@at_length("files")
def show_sheet(services: TheServices, visit: int) -> Response:
    """Make the sheet to print."""
    found = services.store.visit(visit)
    pdf = print_sheet(services, found)
    return Response(
        pdf,
        media_type="application/pdf",
        headers={"content-disposition": f'inline; filename="{_file_name(found.name)}.pdf"'},
    )


@router.get(
    "/visits/{visit}/folder.zip",
    response_class=StreamingResponse,
    responses=file_of("application/zip"),
)
@at_length("files")
def show_folder(services: TheServices, visit: int) -> StreamingResponse:
    """Pack the job folder to take away."""
    found = services.store.visit(visit)
    try:
        # It has no name on the disk: whatever becomes of this process, nothing is left behind.
        file = tempfile.TemporaryFile(dir=services.store.folder)  # noqa: SIM115 - open until sent
    except OSError as error:
        raise StoreError(
            f"{services.store.folder}: {error.strerror}. Make room on the disk."
        ) from error
    try:
        write_folder(found, file)
        size = file.tell()
        file.seek(0)
    except BaseException:
        with suppress(OSError):  # on a full disk it would be told a second time
            file.close()
        raise
    return StreamingResponse(
        _blocks(file),
        media_type="application/zip",
        headers={
            "content-length": str(size),
            "content-disposition": f'attachment; filename="{_file_name(found.name)}.zip"',
        },
    )


def _blocks(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        while block := file.read(BLOCK_BYTES):
            yield block


def _file_name(name: str) -> str:
    plain = "".join(sign if sign.isascii() and sign.isalnum() else "-" for sign in name)
    return "-".join(filter(None, plain.split("-"))).lower()[:60] or "visit"


@router.get(
    "/visits/{visit}/live",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}},
)
async def live(services: TheServices, visit: int) -> StreamingResponse:
    """Tell what changes, as server-sent events: "changed", "levels", and "beat" every second."""
    services.bulletin.check_room()
    await run_in_threadpool(services.store.visit, visit)

    async def stream() -> AsyncIterator[str]:
        async for event in services.bulletin.listen(visit):
            yield event

    return StreamingResponse(
        stream(),
        media_type="text/event-stream",
        headers={"cache-control": "no-store", "x-accel-buffering": "no"},
    )
