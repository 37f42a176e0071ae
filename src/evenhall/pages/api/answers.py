"""What is sent in and sent back: the models that OpenAPI describes."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "DelayOrder",
    "DeviceAnswer",
    "DeviceChoice",
    "DevicesAnswer",
    "DoorAnswer",
    "DoorOrder",
    "EnterOrder",
    "EntryAnswer",
    "EntryChange",
    "FadersOrder",
    "Faults",
    "HolderOrder",
    "NewVisit",
    "NumberAnswer",
    "PairOrder",
    "PassedOrder",
    "PlayingAnswer",
    "RoundOrder",
    "TakeAnswer",
    "TakeOrder",
    "UploadAnswer",
    "VisitAnswer",
    "VisitLineAnswer",
]


class Answer(BaseModel):
    """What is sent back."""

    model_config = ConfigDict(frozen=True)


class Question(BaseModel):
    """What is sent in; nothing that is not known here."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Faults(Answer):
    """What is wrong: one line a fault, each says what to do."""

    faults: list[str]


class EntryAnswer(Answer):
    """A value and its revision, which the next change of it has to name."""

    value: Any
    revision: int


class TakeAnswer(Answer):
    """A take as job.toml would list it."""

    number: int
    file: str
    side: str
    spot: str
    state: Literal["before", "after"]
    with_subs: bool
    made_at: str
    deleted: bool


class VisitAnswer(Answer):
    """A visit, whole."""

    number: int
    name: str
    demo: bool
    revision: int
    made_at: str | None
    entries: dict[str, EntryAnswer]
    takes: list[TakeAnswer]


class VisitLineAnswer(Answer):
    """A visit in the list of them."""

    number: int
    venue: str
    made_at: str | None
    takes: int
    demo: bool


class NewVisit(Question):
    """What to begin."""

    kind: Literal["demo", "demo with a sub", "own", "again"] = "own"
    venue: str | None = Field(default=None, min_length=1, max_length=200)
    visit: int | None = Field(default=None, description="The earlier one, for `again`.")


class NumberAnswer(Answer):
    """Number of the visit that was made."""

    number: int


class EntryChange(Question):
    """A new value; null takes it away. `was` is the revision that was seen, null for any."""

    value: Any = None
    was: int | None = Field(default=None, ge=0)


class TakeOrder(Question):
    """A take to make now."""

    visit: int
    side: str = Field(max_length=200)
    spot: str = Field(max_length=200, description="`walk` to carry it through the rows.")
    state: Literal["before", "after"] = "before"
    with_subs: bool = Field(default=False, description="Whether the subs play along.")
    cable: int | None = Field(
        default=None, ge=1, le=64, description="Input that the equalizer's output is on."
    )
    holder: str = Field(min_length=1, max_length=64, description="Who stays while it sounds.")
    warned: bool = Field(description="Whether everybody near the loudspeakers was warned.")


class RoundOrder(Question):
    """A line check, or the setting of the gain, to begin now."""

    visit: int
    holder: str = Field(min_length=1, max_length=64)
    warned: bool


class FadersOrder(RoundOrder):
    """Listening along while the card of a side is set, to begin now."""

    side: str = Field(max_length=200)
    cable: int | None = Field(
        default=None, ge=1, le=64, description="Input that the equalizer's output is on."
    )
    goes_on: bool = Field(default=True, description="Whether to go on when a fader is set.")


class HolderOrder(Question):
    """Who says so."""

    holder: str = Field(min_length=1, max_length=64)


class AnswerOrder(HolderOrder):
    """What whoever was asked says."""

    reply: Literal["on", "again", "keep"] = "on"


class PassedOrder(HolderOrder):
    """What the walk that is under way passes now."""

    spot: Literal["front", "middle", "back"]


class UnitChoice(Question):
    """A unit that was learned at another visit."""

    name: str = Field(max_length=200)


class RackOrder(RoundOrder):
    """Learning the unit in the rack, or a second look at it, to begin now."""

    cable: int = Field(ge=1, le=64, description="Input that the equalizer's output is on.")
    right: bool = Field(default=False, description="Its right channel, where that differs.")
    again: bool = Field(default=False, description="Whether to see if it has drifted.")


class DelayOrder(RoundOrder):
    """The sound device's own delay, to be measured by a cable now."""

    cable: int = Field(ge=1, le=64, description="Input that a cable joins to the output.")


class PlayingAnswer(Answer):
    """What sounds, or has sounded last."""

    model_config = ConfigDict(frozen=True, from_attributes=True)

    what: str
    phase: str
    visit: int
    side: str
    spot: str
    state: str
    with_subs: bool
    text: str
    problems: list[str]
    faders: list[list[float]] = Field(
        description="Faders of the rack, each in Hz and dB to set it to."
    )
    length_s: float
    good: bool | None
    take: int
    passed: dict[str, float] = Field(description="When a walk passed which spot, seconds of it.")


class DeviceAnswer(Answer):
    """A sound device."""

    model_config = ConfigDict(frozen=True, from_attributes=True)

    number: int
    full_name: str
    inputs: int
    outputs: int
    rate_hz: float
    is_program: bool


class DevicesAnswer(Answer):
    """What is there, and what is chosen."""

    devices: list[DeviceAnswer]
    chosen: dict[str, Any] | None


class DeviceChoice(Question):
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


class DoorAnswer(Answer):
    """Where a phone comes in; the code is null where the door is closed."""

    open: bool
    address: str | None = None
    code: str | None = None
    qr_svg: str | None = None
    paired: int = 0
    addresses: list[str] = []


class DoorOrder(Question):
    """Through which of this computer's addresses."""

    address: str | None = None


class PairOrder(Question):
    """The code that the laptop shows."""

    code: str = Field(max_length=64)


class EnterOrder(Question):
    """Which recording."""

    file: str = Field(max_length=400)


class UploadAnswer(Answer):
    """What a file turned out to be worth."""

    number: int
    usable: bool
    text: str
    problems: list[str]
