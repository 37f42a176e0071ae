"""Sound: begun, watched over, stopped; and the devices that it goes through."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter

from evenhall.cautions import BEFORE_SOUND
from evenhall.errors import InputError
from evenhall.hall.label import TakeLabel
from evenhall.pages.api.access import REFUSALS, OnlyHere, TheServices, at_length
from evenhall.pages.api.answers import (
    AnswerOrder,
    DelayOrder,
    DeviceAnswer,
    DeviceChoice,
    DevicesAnswer,
    FadersOrder,
    HolderOrder,
    PassedOrder,
    PlayingAnswer,
    RackOrder,
    RoundOrder,
    TakeOrder,
)
from evenhall.pages.learning import forget_round
from evenhall.sound.live.choosing import Choice, chosen_setup
from evenhall.sound.live.session import present
from evenhall.sound.live.setup import remember, remembered

__all__ = ["router"]

router = APIRouter(prefix="/api", responses=REFUSALS)


def _warned(warned: bool) -> None:
    if not warned:
        raise InputError(f"{BEFORE_SOUND} Then say so.")


@router.get("/sound")
async def show_sound(services: TheServices) -> PlayingAnswer:
    """Say what sounds, or has sounded last."""
    return PlayingAnswer.model_validate(services.player.now)


@router.post("/sound/take", status_code=202)
def start_take(services: TheServices, order: TakeOrder) -> PlayingAnswer:
    """Begin a take."""
    _warned(order.warned)
    services.player.take(
        order.visit,
        TakeLabel(side=order.side, spot=order.spot, state=order.state, with_subs=order.with_subs),
        holder=order.holder,
        cable=order.cable,
    )
    return PlayingAnswer.model_validate(services.player.now)


@router.post("/sound/gain", status_code=202)
def start_gain(services: TheServices, order: RoundOrder) -> PlayingAnswer:
    """Begin to set the microphone's gain."""
    _warned(order.warned)
    services.player.gain(order.visit, holder=order.holder)
    return PlayingAnswer.model_validate(services.player.now)


@router.post("/sound/line", status_code=202)
def start_line(services: TheServices, order: RoundOrder) -> PlayingAnswer:
    """Begin the line check."""
    _warned(order.warned)
    services.player.line(order.visit, holder=order.holder)
    return PlayingAnswer.model_validate(services.player.now)


@router.post("/sound/faders", status_code=202)
@at_length("views")
def start_faders(services: TheServices, order: FadersOrder) -> PlayingAnswer:
    """Begin to listen while the card of a side is set."""
    _warned(order.warned)
    services.player.faders(
        order.visit, order.side, cable=order.cable, goes_on=order.goes_on, holder=order.holder
    )
    return PlayingAnswer.model_validate(services.player.now)


@router.post("/sound/rack", status_code=202)
def start_rack(services: TheServices, order: RackOrder) -> PlayingAnswer:
    """Begin to learn the unit in the rack by a cable, or to see whether it has drifted."""
    _warned(order.warned)
    services.player.rack(
        order.visit,
        right=order.right,
        cable=order.cable,
        again=order.again,
        holder=order.holder,
    )
    return PlayingAnswer.model_validate(services.player.now)


@router.post("/sound/delay", status_code=202, dependencies=[OnlyHere])
def start_delay(services: TheServices, order: DelayOrder) -> PlayingAnswer:
    """Begin to measure the sound device's own delay by a cable."""
    _warned(order.warned)
    services.player.delay(order.visit, cable=order.cable, holder=order.holder)
    return PlayingAnswer.model_validate(services.player.now)


@router.delete("/visits/{visit}/rack/{side}", status_code=204)
def forget_rack(services: TheServices, visit: int, side: Literal["left", "right"]) -> None:
    """Take the recordings of a channel's round away, to begin it anew."""
    if services.player.now.busy:
        raise InputError("Something is playing. Stop it first.")
    forget_round(services.store.visit(visit), right=side == "right")
    services.bulletin.tell("changed", {}, visit=visit)


@router.post("/sound/answer", status_code=204)
async def give_answer(services: TheServices, order: AnswerOrder) -> None:
    """Answer what is asked for: the element is soloed, the faders stand, or again, or keep it."""
    services.player.answer(order.reply, holder=order.holder)


@router.post("/sound/passed", status_code=204)
async def say_passed(services: TheServices, order: PassedOrder) -> None:
    """Say what the walk that is under way passes now; the first word counts. Any page may."""
    services.player.pass_by(order.spot, order.holder)


@router.post("/sound/stop", status_code=204)
async def stop_sound(services: TheServices) -> None:
    """Stop whatever is under way; any page may."""
    services.player.stop()


@router.post("/sound/alive", status_code=204)
async def say_alive(services: TheServices, order: HolderOrder) -> None:
    """Say that the page that started the sound is still there."""
    services.player.alive(order.holder)


@router.get("/devices", dependencies=[OnlyHere])
@at_length("views")
def list_devices(services: TheServices) -> DevicesAnswer:
    """List the sound devices that are there now."""
    del services
    setup = remembered()
    return DevicesAnswer(
        devices=[DeviceAnswer.model_validate(one) for one in present()],
        chosen=None if setup is None else {**vars(setup)},
    )


@router.put("/devices", dependencies=[OnlyHere])
@at_length("views")
def choose_devices(services: TheServices, choice: DeviceChoice) -> DevicesAnswer:
    """Choose devices and channels, for this visit and the next ones."""
    there = present()
    wanted = choice.model_dump()
    channels = wanted.pop("output_channels")
    setup = chosen_setup(
        Choice(**wanted, output_channels=None if channels is None else tuple(channels)), there
    )
    remember(setup)
    services.bulletin.tell("changed", {})
    return DevicesAnswer(
        devices=[DeviceAnswer.model_validate(one) for one in there], chosen={**vars(setup)}
    )
