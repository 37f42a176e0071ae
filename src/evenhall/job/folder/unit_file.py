"""A learned unit on the disk: unit.json. Start at `read_unit()`."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from evenhall.acoustics.overload import Overload
from evenhall.equalizer.checking import channels_apart
from evenhall.equalizer.graphic import GraphicUnit, Law
from evenhall.equalizer.learning import LearnedUnit
from evenhall.errors import InputError
from evenhall.job.folder.model import LONGEST_LABEL, MOST_BANDS
from evenhall.job.folder.textfile import read_text

__all__ = ["UNIT_FILE", "UnitFile", "read_unit", "unit_file"]

UNIT_FILE = "unit.json"
# At the end of a fader's way: twice the widest range, and a peak ten times as narrow as a third
# octave's there.
MOST_GAIN_DB, NARROWEST_Q = 48.0, 200.0
MAX_BYTES = 2**16  # a few lines a fader

Level = Annotated[float, Field(ge=-400, le=400)]


class _Model(BaseModel):
    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True
    )


class LearnedFader(_Model):
    """What one fader really is."""

    # Beyond these it is no fader; `UnitFile` looks at what they come to together.
    hz: float = Field(ge=1, le=100e3)  # as it is lettered
    centre_hz: float = Field(ge=1, le=100e3)
    q: float = Field(ge=0.05, le=50)
    q_bend: float = Field(ge=-3, le=3)  # octaves by which Q is higher at 12 dB than modelled
    share: float = Field(ge=0.01, le=5)  # gain per dB of the scale, near 0
    sag: float = Field(ge=-2, lt=0.5)  # share of the gain that is missing at the end of the way
    moved: bool  # false: never moved, its figures are its neighbours'


class UnitFile(_Model):
    """The whole of unit.json."""

    schema_: Literal[1] = Field(default=1, validation_alias="schema", serialization_alias="schema")
    name: str = Field(max_length=LONGEST_LABEL)
    model: Literal["proportional-q", "constant-q"]
    range_db: float = Field(ge=1, le=24)
    insertion_db: Level | None  # gain with everything flat and in, against bypass
    residual_db: Level  # rms of what was not explained
    hiss_dbfs: Level | None = None  # behind it, flat and in; null where it was not heard alone
    overload_dbfs: Level | None = None  # sent, at which 1 % of harmonics is reached
    clean_to_dbfs: Level | None = None  # sent, up to which it was looked at, and clean
    faders: tuple[LearnedFader, ...] = Field(min_length=2, max_length=MOST_BANDS, fail_fast=True)

    @field_validator("faders")
    @classmethod
    def _rising(cls, faders: tuple[LearnedFader, ...]) -> tuple[LearnedFader, ...]:
        if any(second.hz <= first.hz for first, second in pairwise(faders)):
            raise ValueError("frequencies do not rise from fader to fader")
        return faders

    @model_validator(mode="after")
    def _is_a_unit(self) -> UnitFile:
        for fader in self.faders:
            gain_db = fader.share * self.range_db * (1.0 - fader.sag)
            q = fader.q * 2.0 ** (fader.q_bend * gain_db / 12.0)
            if gain_db > MOST_GAIN_DB or q * 10.0 ** (gain_db / 40.0) > NARROWEST_Q:
                raise ValueError(
                    f"the {fader.hz:g} Hz fader would reach {gain_db:.0f} dB with a Q of {q:.1f}"
                )
        return self

    def unit(self, *, step_db: float, max_boost_db: float) -> GraphicUnit:
        """Give it as a unit that can be solved for."""

        def column(name: str) -> np.ndarray:
            return np.array([getattr(fader, name) for fader in self.faders], dtype=np.float64)

        return GraphicUnit(
            nominal_hz=column("hz"),
            centre_hz=column("centre_hz"),
            q=column("q"),
            model=self.model,
            range_db=self.range_db,
            step_db=step_db,
            max_boost_db=min(max_boost_db, self.range_db),
            law=Law(share=column("share"), sag=column("sag"), q_bend=column("q_bend")),
        )

    def beside(self, right: UnitFile) -> str:
        """Say how the right channel of the same unit differs from this one."""
        insertion_db = None
        if self.insertion_db is not None and right.insertion_db is not None:
            insertion_db = right.insertion_db - self.insertion_db
        both = [one.unit(step_db=0.0, max_boost_db=one.range_db) for one in (self, right)]
        return channels_apart(*both, insertion_db=insertion_db)

    @property
    def limits_text(self) -> str:
        """Say how it hisses and what it takes; empty where that was not learned."""
        parts = []
        if self.hiss_dbfs is not None:
            parts.append(f"It hisses at {self.hiss_dbfs:.0f} dBFS, measured at its output.")
        if self.overload_dbfs is not None:
            parts.append(
                f"It overloads from {self.overload_dbfs:.0f} dBFS sent (1 % of harmonics at "
                "1 kHz): keep what is played below that."
            )
        elif self.clean_to_dbfs is not None:
            parts.append(
                f"It is clean up to {self.clean_to_dbfs:.0f} dBFS sent, and was not tried higher."
            )
        return " ".join(parts)

    def to_json(self) -> bytes:
        """Bytes of unit.json, ending in a newline."""
        return self.model_dump_json(by_alias=True, indent=1).encode() + b"\n"


def unit_file(
    learned: LearnedUnit,
    *,
    name: str,
    insertion_db: float | None,
    hiss: float | None = None,
    limit: Overload | None = None,
) -> UnitFile:
    """Put a learned unit into the fields of its file.

    Raises
    ------
    InputError
        What was learned is no unit.
    """
    unit, law = learned.unit, learned.unit.law
    assert law is not None
    figures = zip(
        unit.nominal_hz, unit.centre_hz, unit.q, law.q_bend, law.share, law.sag, learned.moved,
        strict=True,
    )  # fmt: skip
    faders = [
        {
            "hz": float(hz),
            "centre_hz": round(float(centre), 2),
            "q": round(float(q), 4),
            "q_bend": round(float(bend), 4),
            "share": round(float(share), 4),
            "sag": round(float(sag), 4),
            "moved": bool(moved),
        }
        for hz, centre, q, bend, share, sag, moved in figures
    ]
    fields = {
        "name": name,
        "model": unit.model,
        "range_db": unit.range_db,
        "insertion_db": None if insertion_db is None else round(insertion_db, 2),
        "residual_db": round(learned.residual_db, 3),
        "hiss_dbfs": _tenths(hiss),
        "overload_dbfs": None if limit is None else _tenths(limit.at_dbfs),
        "clean_to_dbfs": None if limit is None else _tenths(limit.clean_to_dbfs),
        "faders": faders,
    }
    try:
        return UnitFile.model_validate(fields)
    except ValidationError as error:
        raise InputError(
            f"What was recorded fits no unit ({error.errors()[0]['msg']}). Look at the cables and "
            "the settings, and record the round again."
        ) from None


def _tenths(level_dbfs: float | None) -> float | None:
    return None if level_dbfs is None or not np.isfinite(level_dbfs) else round(level_dbfs, 1)


def read_unit(path: Path) -> UnitFile:
    """Read a learned unit.

    Raises
    ------
    InputError
        It is no unit.json of this version: one line.
    StoreError
        It cannot be read.
    """
    text = read_text(path, kind="a learned unit", most_bytes=MAX_BYTES)
    try:
        return UnitFile.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))[:60] or "the file"
        raise InputError(
            f"{path.name}: {where} is not as a learned unit has it ({first['msg']}). "
            "Learn the unit again: evenhall learn-unit."
        ) from None
