"""The hall of a job as the forecast wants it: `stage_of()`."""

from __future__ import annotations

from pathlib import Path

from evenhall.hall.pattern import Pattern
from evenhall.hall.polar import read_polar
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.job.folder.model import Job
from evenhall.job.folder.textfile import read_text
from evenhall.verdict.move import Stage

__all__ = ["read_box", "stage_of"]


def read_box(path: Path) -> Pattern:
    """Read the polar data of a loudspeaker.

    Raises
    ------
    InputError
        One line a fault, with the number of the line it is in.
    StoreError
        The file cannot be read.
    """
    return read_polar(read_text(path, kind="polar data"), name=path.name)


def stage_of(job: Job, folder: Path) -> Stage:
    """Give room, people and loudspeaker of a job, as far as they are known.

    Parameters
    ----------
    folder : Path
        Where its files lie: the loudspeaker's polar data, if it names any.

    Raises
    ------
    InputError
        The polar data cannot be read.
    """
    venue, rig, rows = job.venue, job.rig, job.audience
    speaker = audience = None
    if rig.speaker_height_m is not None:
        speaker = Loudspeaker(
            rig.speaker_height_m,
            rig.speaker_down_deg,
            rig.coverage_h_deg,
            rig.coverage_v_deg,
            inwards_deg=rig.speaker_inwards_deg,
            apart_m=rig.apart_m,
            from_wall_m=rig.from_wall_m,
            measured=None if rig.polar is None else read_box(folder / rig.polar),
        )
    if rows.first_row_m is not None and rows.last_row_m is not None:
        audience = Audience(rows.first_row_m, rows.last_row_m, rows.ear_height_m)
    room = Room(
        venue.length_m,
        venue.width_m,
        venue.height_m,
        venue.temperature_c,
        venue.humidity_pct,
        venue.rt60_s,
    )
    return Stage(room, audience, speaker, rig.max_height_m)
