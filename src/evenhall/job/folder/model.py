"""The models of job.toml: a class a section, a field a field; the whole is `Job`.

Each field's description says what may stand there, in the words that follow "Give" in a fault
(`faults.py`). What needs more than one field, or the disk, is in `checks.py`. Where the
contract is silent a missing figure of the room or its use stays None ("not known"), and gear
that is not described is taken to be the commonest: a 31-fader unit, a 90 x 60 degree box.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

__all__ = [
    "BAND_COUNTS",
    "DEFAULT_MAX_BOOST_DB",
    "LONGEST_LABEL",
    "MOST_BANDS",
    "MOST_TAKES",
    "Audience",
    "Bands",
    "Console",
    "Crossover",
    "Equalizer",
    "Job",
    "Microphone",
    "Reference",
    "Rig",
    "Strip",
    "Take",
    "Talker",
    "Target",
    "Venue",
]

BAND_COUNTS = (31, 15, 10)
BANDS_LOW_HZ, BANDS_HIGH_HZ = 10.0, 24000.0
MOST_BANDS = 60  # faders; the widest racks have 31
# No unit has closer ones. Their Q goes with the spacing, and two that are within 3 % of one nominal
# frequency would be taken for one.
CLOSEST_BANDS = 2.0**0.1
MOST_POINTS = 100  # of a target
MOST_SIDES = 32  # elements of a rig
MOST_TAKES = 200  # twelve spots, eight elements, before and after
LONGEST_LABEL = 200
DEFAULT_MAX_BOOST_DB = 6.0


class _Section(BaseModel):
    # Strict: "12" is no number and true is not 1; a wrong type is a slip that must be named.
    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, populate_by_name=True
    )


def _label(text: str) -> str:
    if not text.strip():
        raise ValueError("is empty")
    if len(text) > LONGEST_LABEL:
        raise ValueError(f"is longer than {LONGEST_LABEL} characters")
    if any(unicodedata.category(sign) in ("Cc", "Zl", "Zp") for sign in text):
        raise ValueError("holds a line break or control character")
    return text


Label = Annotated[str, AfterValidator(_label)]


def _between(low: float, high: float, allowed: str, **options: Any) -> Any:
    return Field(ge=low, le=high, description=allowed, **options)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _bands(value: Any) -> int | tuple[float, ...]:
    if isinstance(value, (list, tuple)):
        if len(value) > MOST_BANDS:
            raise ValueError(f"has more than {MOST_BANDS} faders")
        if len(value) < 2 or not all(map(_is_number, value)):
            raise ValueError("is not a list of at least two numbers")
        if not all(BANDS_LOW_HZ <= hz <= BANDS_HIGH_HZ for hz in value):
            raise ValueError("leaves 10 Hz to 24 kHz")
        if any(second <= first for first, second in pairwise(value)):
            raise ValueError("does not rise from fader to fader")
        if any(second < CLOSEST_BANDS * first for first, second in pairwise(value)):
            raise ValueError("has faders less than a tenth of an octave apart")
        return tuple(float(hz) for hz in value)
    if not _is_number(value) or value not in BAND_COUNTS:
        raise ValueError("is not a unit that is known here")
    return int(value)


Bands = Annotated[int | tuple[float, ...], BeforeValidator(_bands)]


def _points(value: Any) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, (list, tuple)) or not value:
        raise ValueError("is not a list of points")
    if len(value) > MOST_POINTS:
        raise ValueError(f"has more than {MOST_POINTS} points")
    for number, point in enumerate(value, 1):
        if not (
            isinstance(point, (list, tuple)) and len(point) == 2 and all(map(_is_number, point))
        ):
            raise ValueError(f"has no pair of numbers in place {number}")
        hz, level_db = point
        if not (1.0 <= hz <= 100e3 and -30.0 <= level_db <= 30.0):
            raise ValueError(f"has a point out of range in place {number}")
    if any(second[0] <= first[0] for first, second in pairwise(value)):
        raise ValueError("does not rise in frequency from point to point")
    return tuple((float(hz), float(level_db)) for hz, level_db in value)


def _labels(value: Any) -> tuple[str, ...]:
    if not isinstance(value, (list, tuple)) or not all(isinstance(name, str) for name in value):
        raise ValueError("is not a list of names")
    if not value:
        raise ValueError("is empty")
    if len(value) > MOST_SIDES:
        raise ValueError(f"names more than {MOST_SIDES} elements")
    if len(set(value)) < len(value):
        raise ValueError("names an element twice")
    return tuple(_label(name) for name in value)


class Venue(_Section):
    """[venue]: the room."""

    name: Label = Field(description='the name of the venue, such as "Quarry Lane Hall"')
    length_m: float | None = _between(1, 300, "1 to 300 metres", default=None)
    width_m: float | None = _between(1, 300, "1 to 300 metres", default=None)
    height_m: float | None = _between(1.5, 60, "1.5 to 60 metres", default=None)
    temperature_c: float = _between(-20, 50, "-20 to 50 degrees Celsius", default=20.0)
    humidity_pct: float = _between(0, 100, "0 to 100 percent, such as 50", default=50.0)
    rt60_s: float | None = _between(
        0.05, 30, "0.05 to 30 seconds, or leave it out to have it estimated", default=None
    )


class Audience(_Section):
    """[audience]: distances along the floor from the point under the loudspeaker."""

    first_row_m: float | None = _between(0, 300, "0 to 300 metres", default=None)
    last_row_m: float | None = _between(0.1, 300, "0.1 to 300 metres", default=None)
    ear_height_m: float = _between(
        0.3, 10, "0.3 to 10 metres: 1.2 seated, 1.6 standing", default=1.2
    )


class Rig(_Section):
    """[rig]: what stands in the room."""

    # Empty until the folder is loaded: then the sides that the takes name, in their order.
    sides: Annotated[tuple[str, ...], BeforeValidator(_labels)] = Field(
        default=(), description='a list of names, such as ["left", "right"]'
    )
    speaker_height_m: float | None = _between(0, 60, "0 to 60 metres", default=None)
    speaker_down_deg: float = _between(
        -90, 90, "-90 to 90 degrees, positive towards the floor", default=0.0
    )
    speaker_inwards_deg: float = _between(
        -90, 90, "-90 to 90 degrees, positive towards the middle of the hall", default=0.0
    )
    apart_m: float | None = _between(0, 300, "0 to 300 metres, left to right", default=None)
    from_wall_m: float | None = _between(
        0, 300, "0 to 300 metres from the wall behind the loudspeakers", default=None
    )
    polar: str | None = Field(
        default=None, description='a file in the folder, such as "box.csv": measured polar data'
    )
    coverage_h_deg: float = _between(5, 360, "5 to 360 degrees, such as 90", default=90.0)
    coverage_v_deg: float = _between(5, 360, "5 to 360 degrees, such as 60", default=60.0)
    low_limit_hz: float | None = _between(10, 1000, "10 to 1000 Hz, such as 55", default=None)
    max_height_m: float | None = _between(0, 60, "0 to 60 metres", default=None)
    has_processor: bool = Field(
        default=False, description="true where a delay can be set on mains and subs, else false"
    )

    def with_sides_of(self, takes: Iterable[Take]) -> Rig:
        """Rig whose sides, where none were given, are those of the takes; they stay unset."""
        if self.sides:
            return self
        sides = tuple(dict.fromkeys(take.side for take in takes))
        return Rig.model_construct(self.model_fields_set, **{**dict(self), "sides": sides})


def _boost_default(fields: Mapping[str, Any]) -> float:
    return min(DEFAULT_MAX_BOOST_DB, float(fields.get("range_db", DEFAULT_MAX_BOOST_DB)))


class Equalizer(_Section):
    """[equalizer]: the unit in the rack."""

    bands: Bands = Field(
        default=31,
        description="31, 15 or 10, or a rising list of at least two frequencies in Hz",
    )
    range_db: float = _between(1, 24, "1 to 24 dB, such as 12", default=12.0)
    step_db: float = _between(0, 30, "0 for continuous faders, or a step such as 0.5", default=0.5)
    response: Literal["proportional-q", "constant-q", "measured"] = Field(
        default="proportional-q",
        description='"proportional-q", "constant-q", or "measured" with the file of a learned unit',
    )
    file: str | None = Field(
        default=None, description='a file in the folder, such as "unit.json": the learned unit'
    )
    file_right: str | None = Field(
        default=None,
        description='a file in the folder, such as "right.json": the right channel, if it differs',
    )
    max_boost_db: float = _between(
        0, 30, "0 up to range_db, such as 6", default_factory=_boost_default
    )
    q: float | None = _between(0.1, 30, "0.1 to 30, or leave it out", default=None)
    most_faders: int | None = _between(
        1, 60, "1 or more faders to move at most, or leave it out", default=None
    )
    feeds_subs: bool = Field(
        default=False, description="true where it feeds mains and subs alike, else false"
    )


class Console(_Section):
    """[console]: parametric sections of a digital mixer, beside or instead of the unit."""

    sections: int = _between(1, 8, "1 to 8 sections", default=4)
    shelves: bool = Field(
        default=True, description="true where the lowest and highest may be shelves, else false"
    )
    low_hz: float = _between(10, 24000, "10 to 24000 Hz, such as 20", default=20.0)
    high_hz: float = _between(10, 24000, "10 to 24000 Hz, such as 20000", default=20000.0)
    lowest_q: float = _between(0.1, 30, "0.1 to 30, such as 0.4", default=0.4)
    highest_q: float = _between(0.1, 30, "0.1 to 30, such as 6", default=6.0)
    range_db: float = _between(1, 24, "1 to 24 dB, such as 15", default=15.0)
    step_db: float = _between(0, 6, "0 for the finest, or a step such as 0.5", default=0.5)


class Strip(_Section):
    """[strip]: an analog channel strip before the equalizer: two fixed shelves, a middle."""

    low_shelf_hz: float = _between(20, 1000, "20 to 1000 Hz, such as 80", default=80.0)
    mid_low_hz: float = _between(20, 20000, "20 to 20000 Hz, such as 150", default=150.0)
    mid_high_hz: float = _between(20, 20000, "20 to 20000 Hz, such as 3500", default=3500.0)
    mid_q: float = _between(0.1, 10, "0.1 to 10, such as 0.7", default=0.7)
    high_shelf_hz: float = _between(1000, 20000, "1000 to 20000 Hz, such as 12000", default=12000.0)
    range_db: float = _between(1, 24, "1 to 24 dB, such as 15", default=15.0)
    step_db: float = _between(0, 6, "0 for the finest, or a step such as 1", default=1.0)


class Crossover(_Section):
    """[crossover]: the filters between mains and subs, where they can be set."""

    low_hz: float = _between(40, 200, "40 to 200 Hz, such as 60", default=60.0)
    high_hz: float = _between(40, 200, "40 to 200 Hz, such as 120", default=120.0)
    slope_db: Literal[12, 24] = Field(default=24, description="12 or 24 dB an octave")
    high_pass: bool = Field(
        default=True, description="true where the mains get a high-pass with it, else false"
    )
    set_hz: float | None = _between(
        40, 200, "where it is set in the takes, or leave it out", default=None
    )


class Target(_Section):
    """[target]: a named shape or a curve of one's own."""

    shape: Literal["tilt", "flat", "speech", "music"] = Field(
        default="tilt", description='"tilt", "flat", "speech" or "music"'
    )
    points: Annotated[tuple[tuple[float, float], ...] | None, BeforeValidator(_points)] = Field(
        default=None,
        description="pairs of Hz and dB (within +-30) that rise in frequency, "
        "such as [[63, 4.0], [1000, 0.0], [10000, -3.0]]",
    )


class Microphone(_Section):
    """[microphone]: what is known about the microphone."""

    calibration: str | None = Field(
        default=None, description='a file in the folder, such as "mic.txt"'
    )
    sensitivity_db_spl: float | None = _between(
        40, 200, "40 to 200 dB SPL, that of a full-scale sine, such as 114", default=None
    )


class Reference(_Section):
    """[reference]: what was played, for takes without a reference channel."""

    file: str = Field(description='a file in the folder, such as "stimulus.wav"')


class Talker(_Section):
    """[talker]: the talker's microphone, seen from the loudspeaker that is nearest to it."""

    behind_m: float = _between(
        -30, 30, "-30 to 30 metres, negative in front of the loudspeaker", default=1.0
    )
    aside_m: float = _between(0, 30, "0 to 30 metres from the loudspeaker's axis", default=1.0)
    talker_m: float = _between(0.01, 5, "0.01 to 5 metres, mouth to microphone", default=0.3)
    height_m: float = _between(0.1, 10, "0.1 to 10 metres above the audience floor", default=1.5)
    cardioid: bool = Field(default=True, description="true, or false for an omnidirectional one")
    open_count: int = _between(1, 64, "1 to 64 microphones open at once", default=1)


class Take(_Section):
    """[[take]]: one recording of one element at one spot."""

    file: str = Field(description='a file in the folder, such as "takes/left-front.wav"')
    side: Label = Field(description='the element that played, such as "left"')
    spot: Label = Field(description='the place, such as "front", "middle" or "back"')
    distance_m: float | None = _between(
        0.05, 300, "0.05 to 300 metres, loudspeaker to microphone", default=None
    )
    mic_channel: int = _between(1, 256, "1 for the first channel, 2 for the second", default=1)
    reference_channel: int | None = _between(
        1, 256, "1 for the first channel, 2 for the second", default=None
    )
    reference_file: str | None = Field(
        default=None, description="a file in the folder: what was played for this take alone"
    )
    delay_is_relative: bool = Field(
        default=False,
        description="true where the sound device's own delay is unknown, else false",
    )
    at: Literal["audience", "stage", "cable"] = Field(
        default="audience",
        description='"audience", "stage" where the talker\'s microphone will stand, or "cable" '
        "behind the equalizer",
    )
    state: Literal["before", "after"] = Field(
        default="before", description='"before" or "after" (the card was set)'
    )
    with_subs: bool = Field(
        default=False, description="true where the subs played along, else false"
    )
    walked_m: float | None = _between(
        1, 2000, "1 to 2000 metres, the length of the way walked", default=None
    )
    passed: dict[str, Annotated[float, Field(ge=0, le=86400)]] = Field(
        default_factory=dict,
        description="spots and the second of the recording at which a walk passed them, such as "
        "{front = 3.0, back = 18.5}",
    )


class Job(_Section):
    """The whole of job.toml; its takes are written [[take]]."""

    venue: Venue
    audience: Audience = Audience()
    rig: Rig = Rig()
    equalizer: Equalizer = Equalizer()
    console: Console | None = None
    strip: Strip | None = None
    crossover: Crossover | None = None
    target: Target = Target()
    microphone: Microphone = Microphone()
    reference: Reference | None = None
    talker: Talker | None = None
    takes: tuple[Take, ...] = Field(validation_alias="take", serialization_alias="take")
