"""What an entry of a visit may hold: a model for every name. Start at `check_entry()`.

Names of job.toml's fields are checked by its models, all others by those here. The same check
stands at every door: what pages send, what an imported folder brings, what the store gives back.
"""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    Strict,
    StrictBool,
    TypeAdapter,
    ValidationError,
)

from evenhall.errors import InputError
from evenhall.hall.label import WALK
from evenhall.job.folder.faults import did_you_mean, read_section, shown
from evenhall.job.folder.model import Label, Take
from evenhall.job.folder.reading import SECTIONS

__all__ = [
    "MAX_TEXT",
    "OWN_ENTRIES",
    "Did",
    "Gain",
    "Instant",
    "LineCheck",
    "check_entries",
    "check_entry",
    "field_model",
    "hz_of",
]

MAX_TEXT = 4000  # characters of a note: two pages of it
MAX_NAME = 200
HIGHEST = 1e6  # what no figure of a move reaches
HIGHEST_FADER_DB = 24.0  # as far as any unit goes that job.toml takes
MOST_SPOTS, MOST_ELEMENTS, MOST_FIGURES, MOST_FILES = 12, 64, 200, 1000
# Every system can tell these moments in every zone; what lies before is a clock that was not set.
LATEST_S = datetime.datetime(2200, 1, 1, tzinfo=datetime.UTC).timestamp()
LONGEST_HZ = len("fader..") + 13  # what a fader's name has around that of its side
HZ = re.compile(r"\d{1,6}(\.\d{1,6})?")
NUMBERS = ("speaker_height_m", "speaker_down_deg", "speaker_inwards_deg", "_gain_db")


def _instant(text: str) -> str:
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise ValueError("is not a time") from None
    if moment.tzinfo is None or not 0.0 <= moment.timestamp() < LATEST_S:
        raise ValueError("is not a time with its offset, from 1970 to 2199")
    return text


def _figures(figures: dict[str, float | str]) -> dict[str, float | str]:
    for name, figure in figures.items():
        if name.endswith(NUMBERS) and isinstance(figure, str):
            raise ValueError(f"{name[:60]} is not a number")
    return figures


Instant = Annotated[str, Strict(), Field(max_length=64), AfterValidator(_instant)]
Text = Annotated[str, Strict(), Field(max_length=MAX_TEXT)]
Short = Annotated[str, Strict(), Field(max_length=MAX_NAME)]
Figure = Annotated[float, Strict(), Field(ge=-HIGHEST, le=HIGHEST)] | Short


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Finding(_Kept):
    """What the line check says of an element."""

    element: Label
    code: Short
    text: Text


class Did(_Kept):
    """A move that was ticked when the takes were begun anew: its kind, and what was done."""

    kind: Short
    text: Text


class LineCheck(_Kept):
    """How the line check ended: which elements were heard, and what was found."""

    at: Instant | None = None
    elements: list[Label] = Field(default=[], max_length=MOST_ELEMENTS)
    findings: list[Finding] = Field(default=[], max_length=MOST_FIGURES)


class Gain(_Kept):
    """How the microphone's gain was left; `turned_db` is of the simulated preamp."""

    text: Text = ""
    turn: Literal["", "up", "down", "hold", "check"] = ""
    at: Instant | None = None
    turned_db: float = Field(default=0.0, ge=-200.0, le=200.0)


# Names outside the sections of job.toml, and what they hold. A name with a dot at its end is
# followed by what it is about: "tick.raise", "fader.left.1000".
OWN_ENTRIES: dict[str, TypeAdapter[Any]] = {
    "spots": TypeAdapter(list[Any]),  # {"label", "along_m"}, front to back: see `_check_spots()`
    "rack_name": TypeAdapter(Label),  # what the unit in the rack is kept by
    "sound_check": TypeAdapter(Instant),
    "line_check": TypeAdapter(LineCheck),
    "gain": TypeAdapter(Gain),
    "warned": TypeAdapter(StrictBool),
    # What hands have changed that job.toml has no figure for.
    "hands": TypeAdapter(
        Annotated[dict[Short, Figure], Field(max_length=MOST_FIGURES), AfterValidator(_figures)]
    ),
    "tick.": TypeAdapter(StrictBool),
    "skip.": TypeAdapter(StrictBool),
    # What was ticked when the takes were begun anew; True where its words are not known.
    "did.": TypeAdapter(StrictBool | Did),
    # Recordings of the first round, once the takes were begun anew.
    "first_round": TypeAdapter(Annotated[list[Short], Field(max_length=MOST_FILES)]),
    "fader.": TypeAdapter(
        Annotated[float, Strict(), Field(ge=-HIGHEST_FADER_DB, le=HIGHEST_FADER_DB)]
    ),
    "walk.": TypeAdapter(StrictBool),
    "note.": TypeAdapter(Text),
}


def field_model(name: str) -> tuple[type[BaseModel], str] | None:
    """Section model and field that an entry's name stands for; None for names of our own."""
    section, _, field = name.partition(".")
    model = SECTIONS.get(section)
    return None if model is None or not field else (model, field)


def hz_of(text: str) -> float | None:
    """Read the frequency at the end of a fader's name; None where something else stands there.

    Examples
    --------
    >>> hz_of("31.5"), hz_of("1000"), hz_of("sub.63"), hz_of("nan")
    (31.5, 1000.0, None, None)
    """
    return float(text) if HZ.fullmatch(text) else None


def check_entries(entries: Mapping[str, Any]) -> None:
    """Refuse entries of which one is none, as `check_entry()` does."""
    for name, value in entries.items():
        check_entry(name, value)


def check_entry(name: str, value: Any) -> None:
    """Refuse an entry that is none.

    Raises
    ------
    InputError
        There is no such thing, or the value is not allowed there; one line.
    """
    text = _json(name, value)
    found = field_model(name)
    if found is not None:
        _check_field(name, *found, value)
        return
    kind = _own(name)
    if kind is None:
        raise InputError(f"There is no entry called {name[:60]!r}.")
    if value is None:
        return
    try:
        kind.validate_json(text)
    except ValidationError as error:
        raise InputError(_line(name, value, error.errors()[0])) from None
    if name == "spots":
        _check_spots(value)


def _own(name: str) -> TypeAdapter[Any] | None:
    if len(name) > MAX_NAME + (LONGEST_HZ if name.startswith("fader.") else 0):
        return None
    for own, kind in OWN_ENTRIES.items():
        if name == own and not own.endswith("."):
            return kind
        if own.endswith(".") and name.startswith(own) and name != own:
            # A fader's name ends in its frequency, which whoever sets it reads again.
            ends_well = own != "fader." or any(
                hz_of(name[at + 1 :]) is not None
                for at in range(len(own), len(name))
                if name[at] == "."
            )
            return kind if ends_well else None
    return None


def _json(name: str, value: Any) -> str:
    """Write it as JSON; refuse what the store or a zip file could not hold: NaN, half a sign."""
    try:
        text = json.dumps(value, allow_nan=False, ensure_ascii=False)
        (name + text).encode()
    except (TypeError, ValueError, RecursionError):
        raise InputError(
            f"{ascii(name)[1:-1][:60]} holds something that cannot be kept. Type it again."
        ) from None
    return text


def _check_field(name: str, model: type[BaseModel], field: str, value: Any) -> None:
    if field not in model.model_fields:
        raise InputError(f"There is no {name[:60]}. {did_you_mean(field, model.model_fields)}")
    if value is None and name != "venue.name":
        return
    # Without its name a venue would be at fault for that, not for this field.
    beside = {"name": "-", "file": "-"} if field not in ("name", "file") else {}
    beside = {key: text for key, text in beside.items() if key in model.model_fields}
    given = {} if value is None else {field: value}
    reading = read_section("", model, {**beside, **given})
    if reading.faults:
        raise InputError(*(line.removeprefix(" ") for line in reading.faults))


def _line(name: str, value: Any, error: Mapping[str, Any]) -> str:
    """Say what is wrong with an entry of our own."""
    if name == "sound_check":
        return (
            f"sound_check = {shown(value)} is not a time. Give date, time and offset, such as "
            '"2026-05-02T18:30+02:00".'
        )
    if error["loc"]:
        where = ".".join(str(place) for place in error["loc"])[:60]
        return f"{name} cannot hold that: {where} is not as it is kept. Do it again on its page."
    match error["type"]:
        case "string_too_long":
            return f"{name} is longer than {MAX_TEXT} characters. Shorten it."
        case "greater_than_equal" | "less_than_equal" | "finite_number":
            return f"{name} is out of range. Give a number such as -2.5."
        case "value_error":
            return f"{name} = {shown(value)} {error['ctx']['error']}. Type another."
        case _:
            return f"{name} does not take {type(value).__name__}."


def _check_spots(spots: list[Any]) -> None:
    if not 1 <= len(spots) <= MOST_SPOTS:
        raise InputError(f"Give 1 to {MOST_SPOTS} spots.")
    for spot in spots:
        fits = isinstance(spot, dict) and set(spot) == {"label", "along_m"}
        if not fits or not isinstance(spot["label"], str) or not spot["label"].strip():
            raise InputError("A spot has a label and a distance, along_m.")
        along_m, label = spot["along_m"], spot["label"]
        if label.strip().lower() == WALK:
            raise InputError(
                f"A spot cannot be called {label[:60]!r}: that is the way through the rows. Give "
                "it another name."
            )
        # A take at that spot must be able to bear its name.
        named = read_section("", Take, {"file": "-", "side": "-", "spot": label})
        if named.faults:
            raise InputError(*(line.removeprefix(" ") for line in named.faults))
        if isinstance(along_m, bool) or not isinstance(along_m, (int, float)):
            raise InputError(f"The distance of {label[:60]} is not a number. Give metres.")
        if not 0.1 <= along_m <= 300.0:
            raise InputError(
                f"{label[:60]}: {shown(along_m)} m is too near or too far. Give 0.1 to 300 metres."
            )
    labels = [spot["label"] for spot in spots]
    if len(set(labels)) < len(labels):
        raise InputError("Two spots have one name. Give each its own.")
