"""The whole job: a folder of recordings in, a result out. Start at `tune()`.

Files are measured in `measuring.py`, judged in `verdict/judge.py`; `serializing.py` puts the
verdict into the result's fields. `result_from()` is for takes that are measured already.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from evenhall.equalizer.graphic import GraphicUnit, graphic_unit
from evenhall.errors import InputError
from evenhall.hall.elements import Element
from evenhall.job.folder.model import Console, Equalizer, Job, Strip
from evenhall.job.tune.measuring import measuring

if TYPE_CHECKING:
    from evenhall.equalizer.crossover import Crossover
    from evenhall.equalizer.parametric import Parametric
    from evenhall.job.tune.result import Result
    from evenhall.verdict.judge import Setting
    from evenhall.verdict.take import Take

__all__ = ["result_from", "tune", "unit_of"]


Progress = Callable[[str, int, int], None]


def tune(job: Job, folder: Path, *, progress: Progress | None = None) -> Result:
    """Measure and judge all takes of a job.

    Parameters
    ----------
    job : Job
        As `load_job()` gives it.
    folder : Path
        Where its files lie.
    progress : callable, optional
        Called with what is being done, how much is done, and of how much.

    Raises
    ------
    InputError
        The reference or calibration file cannot be used.
    """
    _other_units(job, folder)
    unit_of(job, folder)  # what cannot be solved for is said before anything is measured
    report = progress or _no_report
    n_takes = len(job.takes)
    takes = []
    with measuring(job, folder) as measured:
        report("measuring", 0, n_takes)
        # What judges and writes is slow to import, and not wanted until there are takes.
        import evenhall.job.tune.serializing
        import evenhall.verdict.judge
        import evenhall.verdict.stance.moves
        import evenhall.verdict.talker.speech  # noqa: F401

        for take in measured:
            takes.append(take)
            report("measuring", len(takes), n_takes)
    report("judging", n_takes, n_takes)
    return result_from(job, takes, folder)


def result_from(job: Job, takes: Sequence[Take], folder: Path) -> Result:
    """Judge the measured takes of a job.

    Parameters
    ----------
    takes : sequence of Take
        One for each of the job's, in its order.
    folder : Path
        Where its files lie.

    Raises
    ------
    InputError
        The loudspeaker's polar data cannot be read.
    """
    from evenhall.job.tune.serializing import result_of
    from evenhall.verdict.judge import judge

    return result_of(job, judge(takes, _setting(job, folder)))


def _no_report(_what: str, _done: int, _total: int) -> None:
    pass


def unit_of(job: Job, folder: Path, side: str = "left") -> GraphicUnit:
    """Give the unit in the job's rack, as it was learned or as its faceplate has it.

    Parameters
    ----------
    folder : Path
        Where the file of a learned unit lies.
    side : str
        Which channel, where the two differ.

    Raises
    ------
    InputError
        The learned unit has other faders, or cannot be read.
    """
    equalizer = job.equalizer
    bands = equalizer.bands
    faceplate = graphic_unit(
        bands if isinstance(bands, int) else list(bands),
        model="proportional-q" if equalizer.response == "measured" else equalizer.response,
        range_db=equalizer.range_db,
        step_db=equalizer.step_db,
        max_boost_db=equalizer.max_boost_db,
        q=equalizer.q,
    )
    faceplate = replace(faceplate, most_moved=equalizer.most_faders)
    if equalizer.response != "measured":
        return faceplate
    from evenhall.job.folder.unit_file import read_unit

    name = equalizer.file
    if equalizer.file_right is not None and Element.named(side).side == "right":
        name = equalizer.file_right
    assert name is not None, "checked when the job was loaded"
    learned = read_unit(folder / name)
    unit = learned.unit(step_db=equalizer.step_db, max_boost_db=equalizer.max_boost_db)
    same = unit.fader_count == faceplate.fader_count
    if not same or not np.allclose(unit.nominal_hz, faceplate.nominal_hz, rtol=1e-3):
        raise InputError(
            f"job.toml: [equalizer] bands are not the {unit.fader_count} faders of "
            f"{name}. Give the bands that were learned, or another file."
        )
    if unit.range_db != faceplate.range_db:
        raise InputError(
            f"job.toml: [equalizer] range_db = {equalizer.range_db:g}, but {name} was "
            f"learned at {unit.range_db:g}. Give the range that was learned."
        )
    return replace(unit, most_moved=equalizer.most_faders)


def _other_units(job: Job, folder: Path) -> dict[str, GraphicUnit]:
    """Give the units of the sides whose channel differs from the left one's."""
    if job.equalizer.file_right is None:
        return {}
    sides = [side for side in job.rig.sides if Element.named(side).side == "right"]
    return {side: unit_of(job, folder, side) for side in sides}


def _setting(job: Job, folder: Path) -> Setting:
    from evenhall.job.tune.stage import stage_of
    from evenhall.verdict.judge import Setting
    from evenhall.verdict.target import target_points

    return Setting(
        unit=unit_of(job, folder),
        other_units=_other_units(job, folder),
        target=target_points(job.target.shape, job.target.points),
        stage=stage_of(job, folder),
        low_limit_hz=job.rig.low_limit_hz,
        has_processor=job.rig.has_processor,
        console=None if job.console is None else _parametric(job.console, job.equalizer),
        strip=None if job.strip is None else _strip(job.strip, job.equalizer),
        crossover=_crossover(job),
        crossed_hz=None if job.crossover is None else job.crossover.set_hz,
        feeds_subs=job.equalizer.feeds_subs,
    )


def _crossover(job: Job) -> Crossover | None:
    asked = job.crossover
    if asked is None or asked.set_hz is not None:
        return None
    from evenhall.equalizer.crossover import Crossover  # seldom wanted

    return Crossover(asked.low_hz, asked.high_hz, asked.slope_db, asked.high_pass)


def _strip(strip: Strip, equalizer: Equalizer) -> Parametric:
    from evenhall.equalizer.parametric import channel_strip  # seldom wanted

    return channel_strip(**dict(strip), max_boost_db=equalizer.max_boost_db)


def _parametric(console: Console, equalizer: Equalizer) -> Parametric:
    from evenhall.equalizer.parametric import console as console_of  # seldom wanted

    return console_of(
        console.sections,
        shelves=console.shelves,
        reach_hz=(console.low_hz, console.high_hz),
        reach_q=(console.lowest_q, console.highest_q),
        range_db=console.range_db,
        max_boost_db=equalizer.max_boost_db,
        step_db=console.step_db,
    )
