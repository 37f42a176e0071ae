"""What the set-out asks for, in plain words: its fields, their choices and their help.

`GROUPS` is the order on the page; `gear()` what to bring. Every field is one of job.toml's, and
what may stand in it is said there (`job.model`).
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from evenhall.hall.elements import Element
from evenhall.job.folder.model import Audience
from evenhall.job.folder.reading import SECTIONS
from evenhall.visits.visit import Entry, Visit
from evenhall.words import capitalised

__all__ = [
    "GROUPS",
    "Field",
    "Filled",
    "Group",
    "Option",
    "fields_named",
    "filled",
    "gear",
    "in_plain_words",
]


@dataclass(frozen=True)
class Option:
    """A choice: its value as JSON, and its name."""

    json: str
    label: str


@dataclass(frozen=True)
class Field:
    """One thing to type or choose.

    Parameters
    ----------
    name : str
        Of the entry.
    label, unit, help : str
    options : tuple of (value, label)
        Choices; a number or text is typed where there are none.
    text : bool
        Whether text is typed.
    spoken : str
        What a fault calls it in a sentence; its label where that will do.
    """

    name: str
    label: str
    unit: str = ""
    help: str = ""
    options: tuple[tuple[Any, str], ...] = ()
    text: bool = False
    spoken: str = ""


@dataclass(frozen=True)
class Group:
    """Fields that belong together; those in `more` may stay as they are."""

    title: str
    fields: tuple[Field, ...]
    more: tuple[Field, ...] = ()
    fold: str = ""  # what is in `more`


SIDES: tuple[tuple[Any, str], ...] = (
    (["left", "right"], "Left and right"),
    (["left", "right", "sub"], "Left, right, sub"),
    (["left", "right", "sub left", "sub right"], "Left, right, two subs"),
    (["left", "right", "delay"], "Left, right, delay"),
    (["mono"], "One box"),
)

GROUPS: tuple[Group, ...] = (
    Group(
        "The room",
        (
            Field("venue.name", "Name of the venue", text=True),
            Field(
                "venue.length_m",
                "Length",
                "m",
                "From the wall behind the loudspeakers.",
                spoken="the length of the room",
            ),
            Field("venue.width_m", "Width", "m", spoken="the width of the room"),
            Field(
                "venue.height_m",
                "Height",
                "m",
                "Average height if it slopes.",
                spoken="the ceiling",
            ),
        ),
        (
            Field(
                "venue.rt60_s",
                "Reverberation time",
                "s",
                "How long sound takes to die away by 60 dB. Leave it empty: the takes tell it.",
            ),
            Field("venue.temperature_c", "Temperature", "°C", "20 where nothing is typed."),
            Field("venue.humidity_pct", "Humidity", "%", "Dry air takes treble. 50 if empty."),
        ),
        "Reverberation and air",
    ),
    Group(
        "The people",
        (
            Field(
                "audience.first_row_m",
                "First row",
                "m",
                "Along the floor, from under the loudspeakers.",
                spoken="the first row",
            ),
            Field("audience.last_row_m", "Last row", "m", spoken="the last row"),
            Field(
                "audience.ear_height_m",
                "Ears",
                options=((1.2, "Seated: 1.2 m"), (1.6, "Standing: 1.6 m")),
                spoken="the height of the ears",
            ),
        ),
    ),
    Group(
        "The loudspeakers",
        (
            Field("rig.sides", "Boxes", options=SIDES, spoken="the boxes"),
            Field(
                "rig.speaker_height_m",
                "Height",
                "m",
                "Middle of the box, from the floor of the audience.",
                spoken="loudspeaker height",
            ),
            Field(
                "rig.max_height_m",
                "Highest your stands allow",
                "m",
                "Within their rated load.",
                spoken="the highest your stands allow",
            ),
        ),
        (
            Field("rig.speaker_down_deg", "Tilted down", "°", "0 if it points straight ahead."),
            Field(
                "rig.speaker_inwards_deg",
                "Toed in",
                "°",
                "Each towards the middle of the hall; 0 straight down the room.",
            ),
            Field(
                "rig.apart_m",
                "Left to right",
                "m",
                "Between the two; guessed if empty.",
                spoken="the distance from left to right",
            ),
            Field(
                "rig.from_wall_m",
                "From the wall behind",
                "m",
                "1 if empty.",
                spoken="the distance from the wall behind",
            ),
            Field(
                "rig.coverage_h_deg", "Coverage across", "°", "From its data sheet; 90 if empty."
            ),
            Field("rig.coverage_v_deg", "Coverage up and down", "°", "The same; 60 if empty."),
            Field(
                "rig.low_limit_hz",
                "Lower limit",
                "Hz",
                "Where the box is 10 dB down. Nothing is raised below it.",
            ),
            Field(
                "crossover.high_pass",
                "Crossover to a sub",
                help="Whether the mains can be given a high-pass where the sub has its low-pass.",
                options=(
                    (None, "There is none to set"),
                    (True, "Low-pass and high-pass"),
                    (False, "A low-pass on the sub alone"),
                ),
            ),
            Field(
                "crossover.set_hz",
                "Crossover set to",
                "Hz",
                "Empty while it is out: the takes then tell where it should be.",
            ),
            Field(
                "rig.has_processor",
                "Delays",
                help="Whether a delay can be set on mains and subs. Without, there are the "
                "polarity switch and two hands.",
                options=((False, "None can be set"), (True, "A processor has them")),
            ),
        ),
        "Tilt, place, coverage, crossover and delays",
    ),
    Group(
        "The talker's microphone",
        (),
        (
            Field(
                "talker.talker_m",
                "Mouth to microphone",
                "m",
                "0.3 if empty. With any of these the forecast beside says how loud the talker "
                "can be before it rings.",
            ),
            Field(
                "talker.behind_m",
                "Behind the loudspeakers",
                "m",
                "From their front, along the floor; 1 if empty, below 0 in front of them.",
            ),
            Field("talker.aside_m", "Beside the nearest", "m", "From its axis; 1 if empty."),
            Field("talker.height_m", "Its height", "m", "Above the floor; 1.5 if empty."),
            Field(
                "talker.cardioid",
                "It listens",
                options=((True, "To the front: a cardioid"), (False, "All around")),
            ),
            Field("talker.open_count", "Open at once", "", "1 if empty; each doubling costs 3 dB."),
        ),
        "The talker's microphone",
    ),
    Group(
        "The equalizer in the rack",
        (
            Field(
                "equalizer.bands",
                "Faders",
                options=(
                    (31, "31: third octaves"),
                    (15, "15: two thirds"),
                    (10, "10: octaves"),
                ),
            ),
        ),
        (
            Field(
                "equalizer.range_db",
                "Range",
                "± dB",
                "12 if empty; look at the switch for the range.",
                spoken="the range of the faders",
            ),
            Field(
                "equalizer.step_db",
                "Smallest step you can set",
                "dB",
                "0.5 if empty; 0 if it is typed in.",
                spoken="the smallest step you can set",
            ),
            Field(
                "equalizer.max_boost_db",
                "Raise at most",
                "dB",
                "6 if empty. Cuts are free.",
                spoken="the most you raise",
            ),
            Field(
                "equalizer.most_faders",
                "Move at most",
                "faders",
                "As many as help, if empty. The verdict then says what that costs.",
            ),
            Field(
                "equalizer.feeds_subs",
                "It feeds",
                help="Where the subs get their signal behind it, the card is made for mains and "
                "subs together: the takes then ask for both.",
                options=((False, "The mains alone"), (True, "Mains and subs alike")),
            ),
            Field(
                "console.sections",
                "Digital mixer's sections",
                help="1 to 8; empty where the mixer is analog. They do the same job in place of "
                "the faders.",
            ),
            Field(
                "strip.mid_low_hz",
                "Channel strip, middle from",
                "Hz",
                "Empty where the mixer's channel has no tone knobs to use. With a figure, its two "
                "shelves and its middle are set first, the faders for what they leave.",
            ),
            Field("strip.mid_high_hz", "Channel strip, middle to", "Hz", "3500 if empty."),
            Field(
                "equalizer.response",
                "How its bands behave",
                help="Constant Q keeps a band's width as the fader moves; proportional Q narrows "
                "it the further the fader goes. The usual unit does the latter.",
                options=(
                    ("proportional-q", "Proportional Q"),
                    ("constant-q", "Constant Q"),
                    ("measured", "As it was learned"),
                ),
            ),
            Field(
                "target.shape",
                "What to aim at",
                help="Nothing is flat in a room: a gentle rise in the bass and a roll-off in the "
                "treble sound natural.",
                options=(
                    ("tilt", "A gentle tilt"),
                    ("speech", "Speech"),
                    ("music", "Music"),
                    ("flat", "Flat"),
                ),
            ),
        ),
        "Range, step, limits, subs, mixer and target",
    ),
)


_FIGURES = tuple(
    (*field.name.split(".", 1), field.spoken or field.label, field.unit.removeprefix("± "))
    for group in GROUPS
    for field in (*group.fields, *group.more)
    if "_" in field.name or field.name.endswith("sides")
)
_SPOKEN = tuple(spoken for _, _, spoken, _ in _FIGURES)
_NUMBER = r"-?\d+(?:\.\d+)?\b"


def fields_named(*names: str) -> tuple[Field, ...]:
    """Give fields by the names of their figures."""
    known = {field.name: field for group in GROUPS for field in (*group.fields, *group.more)}
    return tuple(known[name] for name in names)


@dataclass(frozen=True)
class Filled:
    """A field with what stands in it.

    Parameters
    ----------
    field : Field
    shown : str
        Value as it is typed.
    json : str
        Value as JSON.
    revision : int
    options : tuple of Option
    """

    field: Field
    shown: str
    json: str
    revision: int
    options: tuple[Option, ...]


def filled(field: Field, visit: Visit) -> Filled:
    """Give a field with its value in a visit."""
    entry = visit.entries.get(field.name, Entry())
    value = entry.value
    choices = list(field.options)
    if choices:
        if value is None and None not in [one for one, _ in choices]:
            value = _default(field.name)
        if value not in [one for one, _ in choices]:
            choices.append((value, _words(value)))
    return Filled(
        field=field,
        shown="" if value is None else _words(value),
        json=json.dumps(value),
        revision=entry.revision,
        options=tuple(Option(json.dumps(one), label) for one, label in choices),
    )


def in_plain_words(line: str) -> str:
    """Put the words of the page in place of job.toml's names in a fault.

    Examples
    --------
    >>> in_plain_words("[rig] speaker_height_m = 5.0 is above [venue] height_m = 3.5. Lower it.")
    'Loudspeaker height (5 m) is above the ceiling (3.5 m). Lower it.'
    """
    for section, field, spoken, unit in _FIGURES:
        name = rf"(?:\[{section}\] {field}|\b{field})\b"
        line = re.sub(rf"{name} = ({_NUMBER})", rf"{spoken} (\1 {unit}".rstrip() + ")", line)
        line = re.sub(name, spoken, line)
    line = re.sub(r"(\d)\.0\b", r"\1", line)
    return capitalised(line) if line.startswith(_SPOKEN) else line


def _default(name: str) -> Any:
    section, _, field = name.partition(".")
    value = SECTIONS[section].model_fields[field].default
    return list(value) or ["left", "right"] if isinstance(value, tuple) else value


def _words(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def gear(visit: Visit, sides: Sequence[str]) -> tuple[str, ...]:
    """List what to have at hand, for this rig."""
    mains = sum(Element.named(side).is_main for side in sides)
    highest = visit.value("rig.max_height_m") or visit.value("rig.speaker_height_m") or 0.0
    ears_m = visit.value("audience.ear_height_m") or Audience().ear_height_m
    things = [
        f"Measurement microphone, its stand at {ears_m:g} m, its calibration file",
        "Audio interface with two inputs, phantom power on, and the laptop's charger",
        "A long microphone cable: it goes to the last row",
        "Cable from interface to mixer, and one back to the second input if there is one",
        f"Tape or laser for distances, tape to mark {3 if mains else 1} spots on the floor",
        "Pen, and tape for the card on the rack",
        "Ear protection for everybody who stays in the room",
    ]
    if highest > 2.0:
        things.append("A ladder on firm ground, and a second person to lift with")
    return tuple(things)
