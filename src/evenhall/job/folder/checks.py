"""What job.toml must keep besides the range of each field: between fields, and on the disk.

Each check yields `Fault`s; a fault about a field that is already known to be wrong is dropped
by `standing_faults()`, so that one slip gives one line.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from evenhall.disk import refused
from evenhall.errors import EvenhallError
from evenhall.hall.label import BOTH, WALK
from evenhall.job.folder.calibration import read_calibration
from evenhall.job.folder.faults import did_you_mean, shown
from evenhall.job.folder.model import (
    Audience,
    Console,
    Crossover,
    Equalizer,
    Microphone,
    Reference,
    Rig,
    Strip,
    Take,
    Talker,
    Target,
    Venue,
)

__all__ = ["Draft", "Fault", "bad_fields", "standing_faults"]

MOST_NAMES = 200  # files in a folder; among more the nearest name takes too long to find


@dataclass(frozen=True)
class Fault:
    """A line, and the fields (``"rig.max_height_m"``) that it is about."""

    line: str
    about: frozenset[str]


@dataclass(frozen=True)
class Draft:
    """The sections as far as they could be read; `bad` names the fields that could not."""

    audience: Audience
    rig: Rig
    equalizer: Equalizer
    target: Target
    microphone: Microphone
    takes: tuple[Take | None, ...]
    take_names: tuple[str, ...]  # how a line calls each take
    bad: frozenset[str]
    has_reference: bool
    venue: Venue | None = None
    reference: Reference | None = None
    talker: Talker | None = None
    console: Console | None = None
    strip: Strip | None = None
    crossover: Crossover | None = None


def standing_faults(folder: Path, draft: Draft, *, recordings_needed: bool = True) -> list[str]:
    """Lines of all checks whose fields could be read.

    Where recordings are not needed, one that is gone is a problem of its take alone, found when
    it is measured.
    """
    checks = (
        _room(draft),
        _equalizer(draft),
        _sections(draft),
        _target(draft),
        _takes(draft),
        _files(folder, draft),
        _recordings(folder, draft) if recordings_needed else (),
    )
    return [fault.line for check in checks for fault in check if not fault.about & draft.bad]


def _fault(where: str, line: str, *about: str) -> Fault:
    return Fault(f"job.toml: {where} {line}", frozenset(about))


def _above(name: str, value: float | None, limit_name: str, limit: float | None) -> Iterator[Fault]:
    """Fault if the field `name` ("section.field") exceeds the field `limit_name`."""
    if value is None or limit is None or value <= limit:
        return
    (section, key), (limit_section, limit_key) = name.split("."), limit_name.split(".")
    other = limit_key if limit_section == section else f"[{limit_section}] {limit_key}"
    yield _fault(
        f"[{section}]",
        f"{key} = {shown(value)} is above {other} = {shown(limit)}. "
        f"Give at most {shown(limit)}, or correct the other.",
        name,
        limit_name,
    )


def _room(draft: Draft) -> Iterator[Fault]:
    rig, audience = draft.rig, draft.audience
    length_m = draft.venue.length_m if draft.venue else None
    height_m = draft.venue.height_m if draft.venue else None
    yield from _above("rig.speaker_height_m", rig.speaker_height_m, "venue.height_m", height_m)
    yield from _above(
        "rig.speaker_height_m", rig.speaker_height_m, "rig.max_height_m", rig.max_height_m
    )
    width_m = draft.venue.width_m if draft.venue else None
    yield from _above("rig.apart_m", rig.apart_m, "venue.width_m", width_m)
    yield from _above("rig.from_wall_m", rig.from_wall_m, "venue.length_m", length_m)
    yield from _above("audience.ear_height_m", audience.ear_height_m, "venue.height_m", height_m)
    yield from _above(
        "audience.first_row_m", audience.first_row_m, "audience.last_row_m", audience.last_row_m
    )
    yield from _above("audience.last_row_m", audience.last_row_m, "venue.length_m", length_m)


def _equalizer(draft: Draft) -> Iterator[Fault]:
    unit = draft.equalizer
    for name in ("max_boost_db", "step_db"):
        yield from _above(
            f"equalizer.{name}", getattr(unit, name), "equalizer.range_db", unit.range_db
        )
    if unit.response == "measured" and unit.file is None:
        yield _fault(
            "[equalizer]",
            'response = "measured" needs file, the learned unit. '
            'Give file = "unit.json", or another response.',
            "equalizer.response",
        )
    elif unit.response != "measured" and unit.file_right is not None:
        yield _fault(
            "[equalizer]",
            f'file_right = {shown(unit.file_right)} only serves response = "measured". '
            "Leave it out.",
            "equalizer.response",
            "equalizer.file_right",
        )
    elif unit.response != "measured" and unit.file is not None:
        yield _fault(
            "[equalizer]",
            f'file = {shown(unit.file)} only serves response = "measured". Leave it out.',
            "equalizer.response",
            "equalizer.file",
        )


def _sections(draft: Draft) -> Iterator[Fault]:
    console, strip, crossover = draft.console, draft.strip, draft.crossover
    if crossover is not None:
        low, high = "crossover.low_hz", "crossover.high_hz"
        yield from _above(low, crossover.low_hz, high, crossover.high_hz)
    if strip is not None:
        low, high = "strip.mid_low_hz", "strip.mid_high_hz"
        yield from _above(low, strip.mid_low_hz, high, strip.mid_high_hz)
        yield from _above("strip.step_db", strip.step_db, "strip.range_db", strip.range_db)
    if console is None:
        return
    yield from _above("console.low_hz", console.low_hz, "console.high_hz", console.high_hz)
    yield from _above("console.lowest_q", console.lowest_q, "console.highest_q", console.highest_q)
    yield from _above("console.step_db", console.step_db, "console.range_db", console.range_db)


def _target(draft: Draft) -> Iterator[Fault]:
    if draft.target.points is not None and "shape" in draft.target.model_fields_set:
        yield _fault(
            "[target]",
            "has both shape and points. Give one of them.",
            "target.shape",
            "target.points",
        )


def _takes(draft: Draft) -> Iterator[Fault]:
    first_with: dict[tuple[str, int], str] = {}
    for where, take in zip(draft.take_names, draft.takes, strict=True):
        if take is None:
            continue
        walks = take.spot.lower() == WALK
        both = walks and take.side == BOTH
        if draft.rig.sides and take.side not in draft.rig.sides and not both:
            names = did_you_mean(take.side, draft.rig.sides)
            yield _fault(
                where, f"side = {shown(take.side)} is not among [rig] sides. {names}", "rig.sides"
            )
        if take.reference_channel == take.mic_channel:
            yield _fault(
                where,
                f"reference_channel = {take.reference_channel} is the microphone's channel too. "
                "Give the channel that carries what was played.",
                f"{where}.mic_channel",
                f"{where}.reference_channel",
            )
        if take.reference_channel is not None and take.reference_file is not None:
            yield _fault(
                where,
                "has both reference_channel and reference_file. Give one of them.",
                f"{where}.reference_channel",
                f"{where}.reference_file",
            )
        own = take.reference_channel is not None or take.reference_file is not None
        if not own and not draft.has_reference:
            yield _fault(
                where,
                "has no reference. Give its reference_channel, its reference_file, or the file "
                "that was played under [reference].",
                f"{where}.reference_channel",
                f"{where}.reference_file",
            )
        yield from _walk(where, take, walks=walks)
        if take.with_subs:
            yield from _with_subs(where, take, draft.equalizer)
        key = (take.file, take.mic_channel)
        if key in first_with:
            yield _fault(
                where,
                f"is the same recording and channel as {first_with[key]}. Give each take once.",
                f"{where}.mic_channel",
            )
        first_with.setdefault(key, where)
    known = [take for take in draft.takes if take]
    if known and len(known) == len(draft.takes) and all(take.state == "after" for take in known):
        yield _fault(
            "every [[take]]",
            'has state = "after". Give the takes made before the card was set as well: '
            "the card is made from them.",
            *(f"{where}.state" for where in draft.take_names),
        )


def _walk(where: str, take: Take, *, walks: bool) -> Iterator[Fault]:
    if walks and take.at != "audience":
        yield _fault(
            where,
            f'spot = "walk" is carried through the audience, but at = {shown(take.at)}. '
            "Leave at out, or name another spot.",
            f"{where}.at",
        )
    passed = {name.lower(): at_s for name, at_s in take.passed.items()}
    if passed.get("back", math.inf) <= passed.get("front", -math.inf):
        yield _fault(
            where,
            "passed has the back no later than the front. Give the seconds of the recording, the "
            "front first.",
            f"{where}.passed",
        )
    for name in ("walked_m", "passed"):
        if getattr(take, name) and not walks:
            yield _fault(
                where,
                f'{name} is of a walk. Give spot = "walk", or leave it out.',
                f"{where}.{name}",
            )


def _with_subs(where: str, take: Take, equalizer: Equalizer) -> Iterator[Fault]:
    from evenhall.hall.elements import Element  # slow to import, and seldom wanted

    if not Element.named(take.side).is_main or take.at != "audience":
        yield _fault(
            where,
            "has with_subs = true, which is for takes of the mains among the audience. "
            "Leave it out here.",
            f"{where}.with_subs",
        )
    elif not equalizer.feeds_subs:
        yield _fault(
            where,
            "has with_subs = true, but [equalizer] feeds_subs is not. Set it where the equalizer "
            "stands before the subs too; else take the mains alone.",
            "equalizer.feeds_subs",
        )


def _files(folder: Path, draft: Draft) -> Iterator[Fault]:
    if draft.equalizer.response == "measured":
        from evenhall.job.folder.unit_file import read_unit  # slow to import, and seldom there

        for key in ("file", "file_right"):
            unit = getattr(draft.equalizer, key)
            if unit is not None:
                wrong = list(_file(folder, "[equalizer]", key, unit))
                yield from wrong or _unread(read_unit, folder / unit)
    if draft.reference is not None:
        yield from _file(folder, "[reference]", "file", draft.reference.file)
    name = draft.microphone.calibration
    if name is not None:
        wrong = list(_file(folder, "[microphone]", "calibration", name))
        yield from wrong or _unread(read_calibration, folder / name)
    name = draft.rig.polar
    if name is not None:
        from evenhall.job.tune.stage import read_box  # slow to import, and seldom there

        wrong = list(_file(folder, "[rig]", "polar", name))
        yield from wrong or _unread(read_box, folder / name)


def _recordings(folder: Path, draft: Draft) -> Iterator[Fault]:
    for where, take in zip(draft.take_names, draft.takes, strict=True):
        if take is not None:
            yield from _file(folder, where, "file", take.file)
            if take.reference_file is not None:
                yield from _file(folder, where, "reference_file", take.reference_file)


def _unread(read: Callable[[Path], object], path: Path) -> Iterator[Fault]:
    """Faults of a file that is there, as its reader finds them."""
    try:
        read(path)
    except EvenhallError as error:
        yield from (Fault(line, frozenset()) for line in str(error).splitlines())


def _file(folder: Path, where: str, key: str, name: str) -> Iterator[Fault]:
    """Fault unless `name` is a file that lies in `folder`, links followed."""
    prefix = f"{key} = {shown(name)}"
    if (bad := refused(name)) is not None:
        yield _fault(where, f"{prefix}: Windows takes no {shown(bad)} for a name. Rename the file.")
        return
    try:
        home = folder.resolve()
        path = (home / name).resolve()
        inside = not Path(name).is_absolute() and path.is_relative_to(home)
        exists, is_file = path.exists(), path.is_file()
    except (OSError, ValueError, RuntimeError):  # too long, holds a NUL, links in a circle
        yield _fault(where, f"{prefix} is not a file name. Give a file in the folder.")
        return
    if not inside:
        yield _fault(
            where,
            f"{prefix} lies outside the folder. Copy the file into the folder and give its "
            "path from there.",
        )
    elif not exists:
        yield _fault(where, f"{prefix} does not exist. {_nearest_file(home, name)}")
    elif not is_file:
        yield _fault(where, f"{prefix} is not a file. Give a file in the folder.")


def _nearest_file(home: Path, name: str) -> str:
    """Sentence that names the file that was perhaps meant."""
    wanted = Path(name.replace("\\", "/"))
    parent = (home / wanted).parent.resolve()
    if not (parent.is_relative_to(home) and parent.is_dir()):
        return "Give a file in the folder."
    names = sorted(path.name for path in parent.iterdir())
    if len(names) > MOST_NAMES:
        return "Give a file in the folder."
    by_plain_name = {_plain(name): name for name in names}
    near = get_close_matches(_plain(wanted.name), by_plain_name, n=1, cutoff=0.6)
    if not near:
        return "Give a file in the folder."
    return f"Did you mean {shown(str(wanted.with_name(by_plain_name[near[0]]).as_posix()))}?"


def _plain(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def bad_fields(where: str, fields: Iterable[str]) -> frozenset[str]:
    """Names of the wrong `fields` of the section `where`, as `Fault.about` has them."""
    return frozenset(f"{where}.{name}" for name in fields)
