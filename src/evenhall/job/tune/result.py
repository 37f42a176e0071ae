"""The models of result.json: what a model holds is what the file says, field for field.

Start at `Result` (at the end); `to_json()` gives the file's bytes. A model takes its fields from
anything that has them by name, so that what the verdict calls as the file does needs no copying.
Every number is rounded when its model is made, by the unit in its name (`DECIMALS`); one that is
no number becomes null, so that NaN is never written and reading the file again gives an equal
result.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, field_validator

__all__ = [
    "MOVE_KINDS",
    "PROBLEM_CODES",
    "REMEDIES",
    "BandLevel",
    "BandMatch",
    "CableBand",
    "CableProof",
    "Console",
    "Difference",
    "Evenness",
    "Fader",
    "FinerUnit",
    "Forecast",
    "ForecastBand",
    "ForecastSpot",
    "FreeHands",
    "Headroom",
    "HeadroomBand",
    "Match",
    "Move",
    "Pattern",
    "Proof",
    "ProofBand",
    "Record",
    "Result",
    "Ringing",
    "RingingBand",
    "Row",
    "Section",
    "Speech",
    "TakeProblem",
    "TakeResult",
    "TargetCurve",
    "Walk",
    "WalkBand",
    "WalkRow",
    "schema",
    "to_json",
]

ProblemCode = Literal[
    "clipped",
    "silent",
    "too_noisy",
    "no_match",
    "wrong_channel",
    "short",
    "band_limited",
    "clock",
    "gain_moved",
    "time_varying",
    "stood_still",
    "too_fast",
    "low_rate",
    "damaged",
    "unreadable",
]
Remedy = Literal["equalize", "move", "leave", "polarity", "delay"]
MoveKind = Literal[
    "raise", "aim", "relocate", "polarity", "gain", "delay", "check", "equalize", "leave"
]
PROBLEM_CODES, REMEDIES, MOVE_KINDS = map(get_args, (ProblemCode, Remedy, MoveKind))

# Decimals written, by the unit that ends a name: what a person or a program can still use.
DECIMALS = {"db": 2, "s": 7, "hz": 3, "m": 3, "deg": 2, "ppm": 2, "octaves": 3}
DECIMALS_OTHERWISE = 4

# What says itself in a sentence is written as that sentence.
Sentence = Annotated[str, BeforeValidator(lambda value: getattr(value, "text", value))]
Figures = Mapping[str, bool | int | float | str | None]


def _tidy(name: str, value: Any) -> Any:
    """`value` as it is written under `name`: rounded, None for NaN and infinity."""
    if isinstance(value, (str, bool, int)) or not hasattr(value, "__float__"):
        return value
    number = float(value)
    if not math.isfinite(number):
        return None
    decimals = DECIMALS.get(name.rsplit("_", 1)[-1], DECIMALS_OTHERWISE)
    return round(number, decimals) + 0.0  # + 0.0 turns -0.0 into 0.0


class Record(BaseModel):
    """Part of a result."""

    # A later version may add fields: a reader ignores what it does not know.
    model_config = ConfigDict(
        frozen=True, extra="ignore", populate_by_name=True, from_attributes=True
    )

    @field_validator("*", mode="before")
    @classmethod
    def _tidy_numbers(cls, value: Any, info: ValidationInfo) -> Any:
        name = info.field_name or ""
        if isinstance(value, tuple) and all(isinstance(one, float) for one in value):
            return tuple(_tidy(name, one) for one in value)
        if isinstance(value, dict):
            return {key: _tidy(key, entry) for key, entry in value.items()}
        return _tidy(name, value)


class TakeProblem(Record):
    """One thing wrong with a take: its code and what to do."""

    code: ProblemCode
    text: str


class BandLevel(Record):
    """Level of a take in one third-octave band; null where it cannot be used."""

    hz: float
    level_db: float | None
    uncertainty_db: float | None
    usable: bool


class WalkBand(Record):
    """What a walk tells of one band beside its level."""

    hz: float
    # Mean in dB over pieces of the way, each lined up over 200 Hz to 4 kHz.
    shape_db: float | None
    places: float  # independent places that the way was


class WalkRow(Record):
    """What one part of the way from front to back heard."""

    share: float  # its middle: 0 the first row, 1 the last
    levels_db: tuple[float | None, ...]  # 31 bands, as `bands` of the take


class Walk(Record):
    """How a walk went."""

    length_m: float | None
    pace_m_s: float | None  # as the recording tells it
    sounded_s: float
    kept_s: float  # the rest had knocks, steps or talk in it
    still_s: float
    bands: tuple[WalkBand, ...]
    rows: tuple[WalkRow, ...] = ()  # where it is known when front and back were passed


class TakeResult(Record):
    """What one recording of one element at one spot gave."""

    file: str
    side: str
    spot: str
    state: Literal["before", "after"]
    at: Literal["audience", "stage", "cable"] = "audience"
    with_subs: bool = False
    usable: bool
    problems: tuple[TakeProblem, ...] = ()
    delay_s: float | None = None
    distance_m: float | None = None
    clock_ppm: float | None = None
    polarity: int = Field(default=0, ge=-1, le=1)  # 0: cannot tell
    level_db: float | None = None
    used_ratio: float | None = None  # share of the take that fitted and was used, 0 to 1
    coherence: float | None = None
    bands: tuple[BandLevel, ...] = ()
    walk: Walk | None = None


class Difference(Record):
    """Nearest against farthest spot in one band."""

    hz: float
    front_minus_back_db: float
    holds: bool
    judged: bool = True  # else shown, and left out of what evenness as a whole holds over


class Evenness(Record):
    """Front to back: each band from the side where it is worst, and each side alone."""

    limit_db: float
    holds: bool
    bands: tuple[Difference, ...]
    sides: dict[str, tuple[Difference, ...]]

    @property
    def deciding(self) -> tuple[Difference, ...]:
        """The bands that are judged."""
        return tuple(band for band in self.bands if band.judged)


class BandMatch(Record):
    """Left against right in one band."""

    hz: float
    left_minus_right_db: float


class Match(Record):
    """Left against right over the spots that both have."""

    holds: bool
    level_db: float | None
    bands: tuple[BandMatch, ...]


class Pattern(Record):
    """A dip (negative depth) or build-up, and what can be done about it."""

    hz: float
    width_octaves: float
    depth_db: float
    scope: Literal["common", "local"]
    spots: tuple[str, ...]
    remedy: Remedy
    why: str
    certain: bool = True  # False: within what so few spots can show by chance


class Fader(Record):
    """One fader of the card."""

    hz: float
    fader_db: float
    order: int | None = None  # 1 brings most; null where the fader stays at 0


class CardStep(Record):
    """What a seat hears with only the first faders set, in their order."""

    faders: int
    seat_after_db: float


class Section(Record):
    """One parametric section as it is to be set."""

    kind: Literal["peaking", "low-shelf", "high-shelf"]
    hz: float
    gain_db: float
    q: float


class Console(Record):
    """The same correction with parametric sections, and how they compare with the faders."""

    sections: dict[str, tuple[Section, ...]]
    rms_db: tuple[float, ...]  # at a seat, with one section, with two, and so on
    faders_rms_db: float
    text: str


class HeadroomBand(Record):
    """What the card does to one band."""

    hz: float
    gain_db: float


class Headroom(Record):
    """What the card does to the level behind the equalizer, for pink noise."""

    side: str
    level_db: float  # power mean, 200 Hz to 4 kHz
    make_up_db: float
    most_db: float  # the amplifiers get so much more around most_hz, once that is made up for
    most_hz: float
    bands: tuple[HeadroomBand, ...]
    text: str


class TargetCurve(Record):
    """The target that was used; points are (Hz, dB)."""

    shape: str
    points: tuple[tuple[float, float], ...]


class ForecastBand(Record):
    """One band of the loudspeakers' range; the weight is that of the loss, whatever the takes."""

    hz: float
    before_db: float
    after_db: float
    target_db: float
    weight: float
    doubt_db: float = 0.0  # one standard deviation of the level before
    known: bool = True  # False: no take tells it, and it follows its neighbours


class ForecastSpot(Record):
    """Deviation from the target at one spot, now and with the card."""

    side: str
    spot: str
    rms_before_db: float | None
    rms_after_db: float | None


class FinerUnit(Record):
    """What a unit with more faders would reach."""

    bands: int
    rms_after_db: float


class FreeHands(Record):
    """What the same unit would reach if any number of faders might move."""

    moved: int
    rms_after_db: float


class OutOfReach(Record):
    """A band that the unit cannot bring to the target, and why."""

    hz: float
    left_db: float
    why: str


class Forecast(Record):
    """The common response of the listening area, with the card set."""

    bands: tuple[ForecastBand, ...]
    rms_before_db: float
    rms_after_db: float
    # Error at a seat: rms against the target, low limit to 12.5 kHz, both mains playing.
    seat_before_db: float | None = None
    seat_after_db: float | None = None
    seat_after_90_db: tuple[float, float] | None = None
    # Of the area's tone, one standard deviation over the same bands; what a walk would leave of it,
    # null where one was made; and what it was by the spots alone, null where none was.
    seat_doubt_db: float | None = None
    seat_doubt_walked_db: float | None = None
    seat_doubt_spots_db: float | None = None
    card_level_db: float = 0.0  # mean gain of the card, 200 Hz to 4 kHz
    spots: tuple[ForecastSpot, ...] = ()
    finer_unit: FinerUnit | None = None
    all_faders: FreeHands | None = None
    out_of_reach: tuple[OutOfReach, ...] = ()


class Move(Record):
    """One thing to do, in its place in the worklist."""

    order: int
    kind: MoveKind
    text: str
    from_: Figures = Field(
        default_factory=dict, validation_alias="from", serialization_alias="from"
    )
    to: Figures = Field(default_factory=dict)
    expected: Figures = Field(default_factory=dict)


class ProofBand(Record):
    """One band after the work: measured, forecast and wanted."""

    hz: float
    measured_db: float
    forecast_db: float
    target_db: float
    weight: float


class WrongFader(Record):
    """A fader that stands otherwise than the card asks."""

    side: str
    hz: float
    asked_db: float
    stands_db: float
    text: str


class Proof(Record):
    """The takes after the work, held against the forecast."""

    rms_db: float
    forecast_error_db: float
    holds: bool
    takes: int = 0  # after the work, that stand behind it
    even_bands: tuple[int, int] | None = None  # front to back within the limit, of how many
    bands: tuple[ProofBand, ...]
    faders_wrong: tuple[WrongFader, ...] = ()
    unlike_scale: Sentence | None = None  # what the unit does otherwise than its scale says


class CableBand(Record):
    """One band by cable: what the unit does and what the card asks, the level free."""

    hz: float
    did_db: float
    asked_db: float


class CableProof(Record):
    """The unit of one side by a cable behind it, held against the card."""

    side: str
    file: str
    rms_db: float
    holds: bool
    text: str
    bands: tuple[CableBand, ...]
    faders_wrong: tuple[WrongFader, ...] = ()
    unlike_scale: Sentence | None = None


class Speech(Record):
    """How well speech is understood at the farthest spot of one loudspeaker."""

    side: str
    spot: str
    sti: float | None  # IEC 60268-16, 0 to 1; null where noise hides an octave
    noise_dba: float  # that it assumes
    text: str


class RingingBand(Record):
    """A band in which a microphone on stage would ring."""

    hz: float
    peak_hz: float
    over_db: float  # the peak over the mean of 200 Hz to 4 kHz
    card_db: float  # what the card does there


class Ringing(Record):
    """Where a microphone at a place on stage would ring first."""

    side: str
    spot: str
    card_gain_db: float  # how much more gain the card leaves before it rings
    bands: tuple[RingingBand, ...]
    text: str


class Row(Record):
    """How loud one row is forecast to be against the middle one, mean of 200 Hz to 4 kHz."""

    row_m: float  # along the floor from under the loudspeakers
    now_db: float
    proposed_db: float | None  # with the loudspeakers as the worklist wants them


class Result(Record):
    """The whole of result.json.

    `evenness`, `match`, `forecast` and `proof` are null where the takes do not give them
    (one spot, one side, no usable take, no take after the work).
    """

    schema_: Literal[1] = Field(default=1, validation_alias="schema", serialization_alias="schema")
    job: str
    takes: tuple[TakeResult, ...]
    evenness: Evenness | None = None
    match: Match | None = None
    patterns: tuple[Pattern, ...] = ()
    card: dict[str, tuple[Fader, ...]] = Field(default_factory=dict)
    card_withheld: str | None = None  # mend this first; the card is then empty
    card_steps: tuple[CardStep, ...] = ()
    target: TargetCurve
    forecast: Forecast | None = None
    moves: tuple[Move, ...] = ()
    rows: tuple[Row, ...] = ()
    speech: tuple[Speech, ...] = ()
    ringing: tuple[Ringing, ...] = ()
    console: Console | None = None
    strip: dict[str, tuple[Section, ...]] = Field(default_factory=dict)
    headroom: tuple[Headroom, ...] = ()
    proof: Proof | None = None
    by_cable: tuple[CableProof, ...] = ()

    @property
    def any_usable(self) -> bool:
        """Whether at least one take could be used."""
        return any(take.usable for take in self.takes)


def to_json(result: Result) -> bytes:
    """Bytes of result.json, UTF-8, ending in a newline."""
    return result.model_dump_json(by_alias=True, indent=1).encode() + b"\n"


def schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of result.json, without the titles that pydantic makes of names."""

    def untitled(part: Any) -> Any:
        if isinstance(part, list):
            return [untitled(one) for one in part]
        if not isinstance(part, dict):
            return part
        kept = {k: v for k, v in part.items() if k != "title" or not isinstance(v, str)}
        return {name: untitled(value) for name, value in kept.items()}

    whole: dict[str, Any] = untitled(Result.model_json_schema(mode="serialization"))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **whole}
