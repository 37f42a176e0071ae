"""Files that arrive from outside: recordings, the microphone's calibration, a learned unit.

Each is written whole beside the others, looked at, and only then entered; what is no such file
is refused in a line, and leaves nothing behind.
"""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from evenhall.disk import give_name, make_folder, sync_file
from evenhall.errors import InputError, StoreError
from evenhall.hall.label import TakeLabel
from evenhall.job.folder.adding import next_take_file
from evenhall.job.folder.calibration import read_calibration
from evenhall.job.folder.model import Take as JobTake
from evenhall.job.folder.unit_file import read_unit
from evenhall.job.tune.measuring import read_reference
from evenhall.pages.guide import check_take
from evenhall.pages.learning import enter_unit
from evenhall.pages.services import Services
from evenhall.sound.recording import UnreadableRecording, read_recording
from evenhall.sound.writing import PART
from evenhall.verdict.trust import take_sentence
from evenhall.visits.orphans import SOUND_ENDINGS
from evenhall.words import capitalised

__all__ = [
    "KeptTake",
    "forget_unit",
    "keep_calibration",
    "keep_stimulus",
    "keep_take",
    "keep_unit",
]

MAX_CALIBRATION_BYTES = 2**20  # a line a frequency: thousands of them
MAX_UNIT_BYTES = 2**18  # a few lines a fader


@dataclass(frozen=True)
class KeptTake:
    """A recording that was taken in, and what it is worth."""

    number: int
    usable: bool
    text: str
    problems: list[str]


@contextmanager
def _arrived(
    services: Services, folder: Path, content: IO[bytes], *, most: int | None = None
) -> Iterator[Path]:
    """Write what arrives beside the others, on the disk when the block begins, gone after it."""
    path = folder / f".{uuid.uuid4().hex}{PART}"
    try:
        make_folder(folder)
        with services.store.workplace.making(path):
            try:
                with path.open("xb") as file:
                    shutil.copyfileobj(content, file, 2**20)
                    file.flush()
                    sync_file(file.fileno())
                if most is not None and path.stat().st_size > most:
                    raise InputError(f"That file is too large: at most {most // 2**10} kB.")
                yield path
            finally:
                path.unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(f"{folder}: {error.strerror}. Make room on the disk.") from error


@contextmanager
def _entered(services: Services, folder: Path, part: Path, names: Iterable[str]) -> Iterator[str]:
    """Give what has arrived the first name that is free; take it away where it is not entered."""
    for name in names:
        path = folder / name
        with services.store.workplace.making(path):
            try:
                # Claimed before it is filled: two may arrive at once, and replacing asks nobody.
                path.open("xb").close()
            except FileExistsError:
                continue
            try:
                give_name(part, path)
                yield name
            except BaseException:
                path.unlink(missing_ok=True)
                raise
        return


def _take_names(usual: str, ending: str) -> Iterator[str]:
    yield Path(usual).with_suffix(ending).as_posix()
    while True:
        yield f"takes/{uuid.uuid4().hex[:8]}{ending}"


def _ending(name: str) -> str:
    ending = Path(name).suffix.lower()
    if ending not in SOUND_ENDINGS:
        raise InputError(f"{Path(name).name[:80]!r} is not a recording. Give WAV, FLAC or AIFF.")
    return ending


def keep_take(
    services: Services,
    number: int,
    content: IO[bytes],
    *,
    name: str,
    label: TakeLabel,
    reference_in_file: bool,
) -> KeptTake:
    """Take in a recording of one element at one spot.

    Raises
    ------
    InputError
        It is no recording, or there is no such element or spot, or no reference for it.
    StoreError
        It cannot be written.
    """
    visit = services.store.visit(number)
    check_take(visit, label)
    if not reference_in_file and visit.value("reference.file") is None:
        raise InputError("Give the file that was played first.")
    ending = _ending(name)
    with _arrived(services, visit.folder / "takes", content) as part:
        _look(part, Path(name).name)
        usual = next_take_file(visit.folder, label)
        names = _take_names(usual, ending)
        with _entered(services, visit.folder, part, names) as file:
            take = JobTake(
                file=file,
                reference_channel=2 if reference_in_file else None,
                **vars(label),
            )
            measured = services.judge.take(visit, take)
            stored = services.store.add_take(number, take)
    sentence = take_sentence(measured)
    return KeptTake(
        number=stored.number,
        usable=measured.usable,
        text=capitalised(sentence),
        problems=[problem.text for problem in measured.problems],
    )


def _look(part: Path, name: str) -> None:
    try:
        read_recording(part, channels=())  # looked at, and not kept
    except UnreadableRecording as error:
        raise InputError(f"{name[:80]}: {error.problem.text}") from error


def keep_calibration(services: Services, number: int, content: IO[bytes], *, name: str) -> None:
    """Take in the microphone's calibration file.

    Raises
    ------
    InputError
        It is none.
    """
    visit = services.store.visit(number)
    with _arrived(services, visit.folder, content, most=MAX_CALIBRATION_BYTES) as part:
        try:
            read_calibration(part)
        except InputError as error:
            shown = Path(name).name[:80] or "The file"
            raise InputError(*(line.replace(part.name, shown) for line in error.faults)) from error
        # A new name: the earlier one stays what it was measured with.
        with _entered(services, visit.folder, part, [f"mic-{uuid.uuid4().hex[:8]}.txt"]) as file:
            services.store.set_entry(number, "microphone.calibration", file, was=None)


def keep_unit(
    services: Services, number: int, content: IO[bytes], *, name: str, right: bool = False
) -> None:
    """Take in a learned unit: the equalizer in the rack, or its right channel where that differs.

    Raises
    ------
    InputError
        It is none, or its right channel has other faders than the left.
    """
    visit = services.store.visit(number)
    with _arrived(services, visit.folder, content, most=MAX_UNIT_BYTES) as part:
        try:
            unit = read_unit(part)
        except InputError as error:
            shown = Path(name).name[:80] or "The file"
            raise InputError(*(line.replace(part.name, shown) for line in error.faults)) from error
    enter_unit(services.store, visit, unit, right=right)


def forget_unit(services: Services, number: int) -> None:
    """Go back to the faceplate; the file stays."""
    entries = ("equalizer.response", "equalizer.file", "equalizer.file_right")
    services.store.set_entries(number, dict.fromkeys(entries))


def keep_stimulus(services: Services, number: int, content: IO[bytes], *, name: str) -> None:
    """Take in what was played, for recordings that carry no reference of their own.

    Raises
    ------
    InputError
        It is no recording, too short, or silent: no take could be judged by it.
    """
    visit = services.store.visit(number)
    ending = _ending(name)
    with _arrived(services, visit.folder, content) as part:
        read_reference(part, Path(name).name[:80])
        with _entered(
            services, visit.folder, part, [f"played-{uuid.uuid4().hex[:8]}{ending}"]
        ) as file:
            services.store.set_entry(number, "reference.file", file, was=None)
