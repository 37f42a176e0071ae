"""Learning a unit from recordings: unit.toml and its files in, a learned unit out.

    write_round()    unit.toml with the round to be made, and the stimulus
    read_round()     the same, read and checked
    learn()          the recordings measured, what is wrong with them named, the unit fitted

Wiring: output of the interface to the unit, the unit to input 1; input 2 takes what is played.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from evenhall.equalizer.checking import BYPASSED, changes_against
from evenhall.equalizer.graphic import GraphicUnit, graphic_unit, unit_gain_db
from evenhall.equalizer.learning import (
    LearnedUnit,
    MisplacedFader,
    fit_freq_hz,
    fit_round,
    learning_round,
)
from evenhall.errors import InputError, StoreError
from evenhall.job.folder.faults import MOST_FAULTS, did_you_mean, read_section
from evenhall.job.folder.model import MOST_BANDS, Bands
from evenhall.job.folder.tomlfile import MAX_BYTES, read_toml
from evenhall.job.folder.unit_file import UnitFile, unit_file
from evenhall.words import fader_name, listed

if TYPE_CHECKING:
    from evenhall.acoustics.overload import Overload

__all__ = [
    "RISING_DBFS",
    "RISING_S",
    "ROUND_FILE",
    "STIMULUS_S",
    "Doubt",
    "Round",
    "Setting",
    "UnitHead",
    "gain_db",
    "learn",
    "overload_of",
    "read_round",
    "round_toml",
    "setting_words",
    "words_of",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

ROUND_FILE = "unit.toml"
STIMULUS_S = 2.0
RISING_S = 4.0
MOST_SETTINGS = 200
LONGEST_S = 120.0  # of a recording: a few seconds, and a recorder left running
# As loud as a converter goes without clipping itself.
RISING_DBFS = -1.0
# Less than this in every setting, and no fader does anything.
DEAF_DB = 0.5
LEAST_COHERENCE = 0.5  # by cable it is next to 1; without one, next to 0
FLAT_HZ = (100.0, 10_000.0)
NOT_HEARD = "Look at the cable from the unit to the input, and record it again."


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class UnitHead(_Section):
    """[unit]: the faceplate."""

    name: str = Field(description="a name of your own for the unit")
    bands: Bands = Field(
        default=31, description="31, 15 or 10, or a rising list of at least two frequencies in Hz"
    )
    range_db: float = Field(default=12.0, ge=1, le=24, description="1 to 24 dB, such as 12")


class Setting(_Section):
    """[[setting]]: one recording, and where the faders stood."""

    file: str = Field(description='a file in the folder, such as "01-flat.wav"')
    faders_hz: tuple[float, ...] = Field(
        default=(),
        strict=False,
        max_length=MOST_BANDS,
        description="the faders that stand off 0, in Hz",
    )
    at_db: float = Field(default=0.0, ge=-24, le=24, description="-24 to 24 dB")
    bypass: bool = Field(default=False, description="true where the unit was bypassed, else false")
    rising: bool = Field(
        default=False, description="true where the rising tone was played, else false"
    )
    channel: int = Field(default=1, ge=1, le=256, description="1 for the first channel")
    reference_channel: int = Field(default=2, ge=1, le=256, description="2 for the second channel")

    @property
    def flat(self) -> bool:
        """Whether the sweep goes through everything flat and in: all else is held against it."""
        return not (self.bypass or self.rising or self.faders_hz)


@dataclass(frozen=True)
class Doubt:
    """What to look at in what was learned.

    Parameters
    ----------
    file : str
        The recording that was left out for it; empty where none was.
    """

    text: str
    file: str = ""


@dataclass(frozen=True)
class Round:
    """What unit.toml says."""

    head: UnitHead
    settings: tuple[Setting, ...]

    @property
    def faceplate(self) -> GraphicUnit:
        """The unit as it should be."""
        bands = self.head.bands
        return graphic_unit(
            bands if isinstance(bands, int) else list(bands), range_db=self.head.range_db
        )

    def faders_db(self, setting: Setting) -> FloatArray:
        """Give where all faders stand in a setting, shape (n_faders,)."""
        nominal_hz = self.faceplate.nominal_hz
        faders_db = np.zeros(nominal_hz.size)
        for hz in setting.faders_hz:
            faders_db[np.isclose(nominal_hz, hz, rtol=1e-3)] = setting.at_db
        return faders_db


def words_of(setting: Setting) -> str:
    """Say what to do for a setting."""
    if setting.bypass:
        return "Bypass the unit, all faders at 0."
    if setting.rising:
        return (
            "All faders to 0, the unit switched in, and every loudspeaker off: a tone rises until "
            "the unit overloads."
        )
    return setting_words(setting.faders_hz, setting.at_db)


def setting_words(faders_hz: tuple[float, ...], at_db: float) -> str:
    """Say a setting as a person makes it.

    Examples
    --------
    >>> setting_words((63.0, 1000.0), -6.0)
    'Pull 63 and 1k down to -6 dB, all others to 0.'
    >>> setting_words((), 0.0)
    'All faders to 0, the unit switched in.'
    """
    if not faders_hz:
        return "All faders to 0, the unit switched in."
    names = listed([fader_name(hz) for hz in faders_hz])
    way = "Push" if at_db > 0 else "Pull"
    where = "up" if at_db > 0 else "down"
    return f"{way} {names} {where} to {at_db:g} dB, all others to 0."


def round_toml(head: UnitHead) -> str:
    """Write unit.toml of the round to be made for a unit."""
    import tomlkit

    unit = Round(head, ()).faceplate
    document = tomlkit.document()
    document.add(tomlkit.comment("Play stimulus.wav through the unit once a setting, and record"))
    document.add(tomlkit.comment("channel 1: behind the unit, channel 2: what is played."))
    document.add(tomlkit.comment("The last one is of rising.wav. Leave it out where you cannot."))
    table = tomlkit.table()
    table.update({"name": head.name, "bands": head.bands, "range_db": head.range_db})
    document.add("unit", table)
    settings = tomlkit.aot()
    rows: list[dict[str, Any]] = [{"file": "00-bypass.wav", "bypass": True}]
    for at, faders in enumerate(learning_round(unit), 1):
        moved = np.flatnonzero(faders)
        row: dict[str, Any] = {"file": f"{at:02d}.wav"}
        if moved.size:
            row["faders_hz"] = unit.nominal_hz[moved].tolist()
            row["at_db"] = float(faders[moved[0]])
        rows.append(row)
    rows.append({"file": f"{len(rows):02d}-rising.wav", "rising": True})
    for row in rows:
        entry = tomlkit.table()
        entry.add(tomlkit.comment(words_of(Setting.model_validate(row))))
        entry.update(row)
        settings.append(entry)
    document.add("setting", settings)
    return tomlkit.dumps(document)


def read_round(folder: Path, *, recorded: bool = True) -> Round:
    """Read and check unit.toml; with `recorded` its recordings must be there.

    Raises
    ------
    InputError
        One line a fault.
    StoreError
        It cannot be read.
    """
    path = folder / ROUND_FILE
    if not path.is_file():
        raise InputError(
            f"{path}: is missing. Write one with the round to be made: "
            f"evenhall learn-unit {folder} --new"
        )
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise StoreError(f"{path}: cannot be read ({error.strerror}).") from error
    tables = read_toml(raw, name=ROUND_FILE)
    stray = [name for name in tables if name not in ("unit", "setting")]
    faults = [
        f"{ROUND_FILE}: [{name[:60]}] is not known. {did_you_mean(name, ('unit', 'setting'))}"
        for name in stray[:MOST_FAULTS]
    ]
    unit, given = tables.get("unit"), tables.get("setting")
    if not isinstance(unit, dict):
        faults.append(f"{ROUND_FILE}: [unit] is missing. Give it a name.")
    if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
        faults.append(f"{ROUND_FILE}: no [[setting]]. Give one for each recording.")
    elif len(given) > MOST_SETTINGS:
        faults.append(f"{ROUND_FILE}: {len(given)} [[setting]]. Give at most {MOST_SETTINGS}.")
    if faults:
        raise InputError(*faults)
    assert isinstance(unit, dict)
    assert isinstance(given, list)
    head = read_section("[unit]", UnitHead, unit)
    settings = [read_section(f"[[setting]] {at}", Setting, one) for at, one in enumerate(given, 1)]
    faults = [f"{ROUND_FILE}: {line}" for read in (head, *settings) for line in read.faults]
    if faults:
        raise InputError(*faults)
    found = Round(head.section, tuple(read.section for read in settings))
    faults = list(_standing_faults(found, folder, recorded=recorded))
    if faults:
        raise InputError(*faults)
    return found


def _standing_faults(found: Round, folder: Path, *, recorded: bool) -> list[str]:
    known = found.faceplate.nominal_hz
    faults = []
    for at, setting in enumerate(found.settings, 1):
        where = f"{ROUND_FILE}: [[setting]] {at}"
        path = (folder / setting.file).resolve()
        if not path.is_relative_to(folder.resolve()) or (recorded and not path.is_file()):
            faults.append(f"{where}: file = {setting.file!r} does not exist in the folder.")
        faults += [
            f"{where}: the unit has no fader at {hz:g} Hz. Give one of its own."
            for hz in setting.faders_hz
            if not np.isclose(known, hz, rtol=1e-3).any()
        ]
        if abs(setting.at_db) > found.head.range_db:
            faults.append(
                f"{where}: at_db = {setting.at_db:g} is beyond range_db = "
                f"{found.head.range_db:g}. Correct one of them."
            )
        if setting.bypass and setting.faders_hz:
            faults.append(f"{where}: is bypassed, and has faders. Leave one out.")
        if setting.rising and (setting.bypass or setting.faders_hz):
            faults.append(f"{where}: rising is for all faders at 0 and the unit in. Leave it out.")
    if not any(setting.flat for setting in found.settings):
        faults.append(f"{ROUND_FILE}: no setting has all faders at 0. All else is held against it.")
    if not any(setting.faders_hz for setting in found.settings):
        faults.append(f"{ROUND_FILE}: no setting moves a fader. Give at least one.")
    return faults


def learn(
    found: Round, folder: Path, *, progress: Callable[[str, int, int], None] | None = None
) -> tuple[UnitFile, tuple[Doubt, ...]]:
    """Measure the recordings and learn the unit.

    Parameters
    ----------
    progress : callable, optional
        Called with what is being done, how much is done, and of how much.

    Returns
    -------
    UnitFile
    tuple of Doubt
        What to look at: a fader that seems not to have been moved, figures that are guessed.

    Raises
    ------
    InputError
        A recording cannot be used, or nothing happens in them: one line a fault.
    """
    freq_hz = fit_freq_hz()
    swept = [one for one in found.settings if not one.rising]
    gains, faults = [], []
    for at, setting in enumerate(swept):
        try:
            gains.append(gain_db(folder, setting, freq_hz))
        except InputError as error:
            faults += str(error).splitlines()
        if progress is not None:
            progress("measuring", at + 1, len(swept))
    if faults:
        raise InputError(*faults)
    unit = found.faceplate
    flat = np.mean([gain for gain, one in zip(gains, swept, strict=True) if one.flat], axis=0)
    bypassed = [gain for gain, one in zip(gains, swept, strict=True) if one.bypass]
    at_work = [k for k, one in enumerate(swept) if one.faders_hz]
    change = np.array([gains[k] - flat for k in at_work])
    if np.nanmax(np.abs(change)) < DEAF_DB:
        raise InputError(f"No setting changes the sound: {BYPASSED}")
    settings = np.array([found.faders_db(swept[k]) for k in at_work])
    wanted = np.array([unit_gain_db(unit, one, freq_hz) for one in settings])
    if changes_against(wanted, change):
        raise InputError(
            "The sound changes the opposite way: input 1 and input 2 are swapped. Swap channel "
            f"and reference_channel in {ROUND_FILE}, or the cables."
        )
    learned, misplaced = fit_round(unit, settings, change, freq_hz)
    inside = (freq_hz > FLAT_HZ[0]) & (freq_hz < FLAT_HZ[1])
    insertion = float(np.mean((flat - np.mean(bypassed, axis=0))[inside])) if bypassed else None
    files = [swept[k].file for k in at_work]
    return (
        unit_file(
            learned,
            name=found.head.name,
            insertion_db=insertion,
            hiss=_hiss_dbfs(found, folder),
            limit=_limit(found, folder),
        ),
        tuple(_doubts(learned, misplaced, files)),
    )


def _doubts(
    learned: LearnedUnit, misplaced: tuple[MisplacedFader, ...], files: list[str]
) -> list[Doubt]:
    doubts = [
        Doubt(
            f"{files[one.setting]}: the {one.hz:g} Hz fader was near {one.stood_db:.1f} dB, not at "
            f"{one.asked_db:g}, and the recording is left out. Set it as told and record it again.",
            files[one.setting],
        )
        for one in misplaced
    ]
    still = learned.unit.nominal_hz[~learned.moved]
    if still.size:
        named = ", ".join(f"{hz:g}" for hz in still)
        doubts.append(Doubt(f"Never moved, and taken to be like the faders beside: {named} Hz."))
    return doubts


def _channels(folder: Path, setting: Setting) -> tuple[Float32Array, Float32Array, float]:
    """Read what came from behind the unit, what was played, and their sample rate.

    Raises
    ------
    InputError
        The recording cannot be used: one line.
    """
    from evenhall.sound.recording import UnreadableRecording, read_recording

    try:
        recording = read_recording(
            folder / setting.file,
            channels=(setting.channel, setting.reference_channel),
            longest_s=LONGEST_S,
        )
    except UnreadableRecording as error:
        raise InputError(f"{setting.file}: {error.problem.text}") from None
    if max(setting.channel, setting.reference_channel) > recording.n_channels:
        raise InputError(
            f"{setting.file}: has {recording.n_channels} channels. Record two, or give the right "
            "ones."
        )
    behind = recording.channel(setting.channel)
    sent = recording.channel(setting.reference_channel)
    if not setting.rising and recording.clipped_ratio[0] > 0:
        raise InputError(
            f"{setting.file}: clips behind the unit. Play more softly, and record all again."
        )
    return behind, sent, recording.rate_hz


def _hiss_dbfs(found: Round, folder: Path) -> float | None:
    """Noise behind the unit, everything flat and in; None where no recording has a quiet part."""
    from evenhall.acoustics.overload import hiss_dbfs

    flat = next(one for one in found.settings if one.flat)
    behind, sent, rate_hz = _channels(folder, flat)
    level_dbfs = hiss_dbfs(behind, sent, rate_hz=rate_hz)
    return level_dbfs if np.isfinite(level_dbfs) else None


def _limit(found: Round, folder: Path) -> Overload | None:
    """Where the unit overloads; None where the rising tone was not recorded."""
    rising = next((one for one in found.settings if one.rising), None)
    return None if rising is None else overload_of(folder, rising)


def overload_of(folder: Path, setting: Setting) -> Overload:
    """Find where the unit overloads by the recording of the rising tone.

    Raises
    ------
    InputError
        The recording cannot be used: one line.
    """
    from evenhall.acoustics.overload import overload

    behind, sent, rate_hz = _channels(folder, setting)
    limit = overload(behind, sent, rate_hz=rate_hz)
    if not np.isfinite(limit.clean_to_dbfs) and not np.isfinite(limit.at_dbfs):
        raise InputError(f"{setting.file}: the rising tone is not in it. {NOT_HEARD}")
    return limit


def gain_db(folder: Path, setting: Setting, freq_hz: FloatArray) -> FloatArray:
    """Measure the gain of one recording at some frequencies, in dB.

    Raises
    ------
    InputError
        The recording cannot be used: one line.
    """
    from evenhall.acoustics.transfer import transfer_function

    behind, sent, rate_hz = _channels(folder, setting)
    response = transfer_function(behind, sent, rate_hz=rate_hz)
    if response is None or float(np.nanmedian(response.coherence)) < LEAST_COHERENCE:
        raise InputError(f"{setting.file}: what was played is not in it. {NOT_HEARD}")
    count = 1 << int(np.ceil(np.log2(4 * response.impulse.size)))
    level = np.abs(np.fft.rfft(response.impulse, count))
    grid = np.arange(level.size) * (response.rate_hz / count)
    return np.asarray(20.0 * np.log10(np.maximum(np.interp(freq_hz, grid, level), 1e-6)))
