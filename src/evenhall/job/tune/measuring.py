"""Takes out of files: each recording measured and judged for itself.

Start at `measuring()` for all of a job, at `measure_take()` for one.

What is wrong inside a file is a problem of that take, and the others go on.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.air import speed_of_sound_m_s
from evenhall.acoustics.bandlevel import BandLevels
from evenhall.acoustics.bands import LOWER_HZ, UPPER_HZ
from evenhall.acoustics.transfer import Response, transfer_function
from evenhall.acoustics.walking import walk_levels
from evenhall.errors import InputError
from evenhall.hall.elements import Element
from evenhall.hall.label import TakeLabel
from evenhall.job.folder.calibration import read_calibration
from evenhall.job.folder.model import Job
from evenhall.job.folder.model import Take as JobTake
from evenhall.sound.clipping import clipping_problem
from evenhall.sound.recording import Recording, UnreadableRecording, read_recording
from evenhall.verdict.problem import Problem
from evenhall.verdict.take import Take
from evenhall.verdict.trust import response_problems
from evenhall.verdict.walks import walk_problems

__all__ = ["Played", "measure_take", "measuring", "read_reference", "take_threads"]

FloatArray = NDArray[np.float64]

SILENT_DBFS = -90.0
SHORTEST_S = 1.0
# A take is measured over a minute, and begins at most half a minute after what was played.
PLAYED_USED_S = 100.0
# Clipped samples up to this share shift the level by less than a twentieth of a dB.
CLIPPED_RATIO = 0.002
# Latency of an interface or a loudspeaker's processor is in the measured delay: distances from
# it are sensible in a hall, and no more.
LONGEST_DISTANCE_M = 100.0
CALIBRATION_POINTS = 24


@dataclass(frozen=True)
class Played:
    """What was played: one channel, shape (n_samples,), full scale = 1.0."""

    samples: NDArray[np.float32]
    rate_hz: float


@contextmanager
def measuring(job: Job, folder: Path) -> Iterator[Iterator[Take]]:
    """Measure all takes of a job, on as many cores as there are.

    Gives an iterator of `Take` in the job's order; the work goes on while the caller does
    something else.

    Raises
    ------
    InputError
        The reference or calibration file cannot be used.
    """
    measure = _measure_with(job, folder)

    with take_threads(job) as pool:
        yield pool.map(measure, job.takes)


def take_threads(job: Job) -> ThreadPoolExecutor:
    """Give a thread a take, no more than there are cores.

    Threads: the transforms and the decoder let go of the interpreter's lock.
    """
    return ThreadPoolExecutor(min(len(job.takes), os.cpu_count() or 1))


def measure_take(job: Job, folder: Path, take: JobTake) -> Take:
    """Measure one take as a take of that job, whether it names it or not.

    Raises
    ------
    InputError
        The reference or calibration file cannot be used.
    """
    return _measure_with(job.model_copy(update={"takes": (take,)}), folder)(take)


def _measure_with(job: Job, folder: Path) -> Callable[[JobTake], Take]:
    """Open what the takes share: the calibration, and the file that was played for all."""
    calibration = _calibration(job, folder)
    reference = _shared_reference(job, folder)

    def measure(take: JobTake) -> Take:
        return _measure(take, folder, reference, calibration, job)

    return measure


def _calibration(job: Job, folder: Path) -> FloatArray | None:
    """Deviation of the microphone in each third-octave band, its mean over log frequency."""
    if job.microphone.calibration is None:
        return None
    freq_hz, deviation_db = read_calibration(folder / job.microphone.calibration)
    places = (np.arange(CALIBRATION_POINTS) + 0.5) / CALIBRATION_POINTS
    inside_hz = LOWER_HZ[:, None] * (UPPER_HZ / LOWER_HZ)[:, None] ** places
    level_db = np.interp(np.log(inside_hz), np.log(freq_hz), deviation_db)
    return np.asarray(10.0 * np.log10(np.mean(10.0 ** (level_db / 10.0), axis=1)))


def _shared_reference(job: Job, folder: Path) -> Played | None:
    if job.reference is None or all(
        take.reference_channel or take.reference_file for take in job.takes
    ):
        return None
    name = job.reference.file
    return read_reference(folder / name, f"job.toml: [reference] file = {name!r}")


def read_reference(path: Path, where: str) -> Played:
    """Read the file that was played; `where` names it in a fault.

    Raises
    ------
    InputError
        It is no recording, too short, or silent.
    """
    try:
        recording = read_recording(path)
    except UnreadableRecording as error:
        raise InputError(f"{where}: {error}") from error
    if recording.duration_s < SHORTEST_S:
        raise InputError(
            f"{where} is {recording.duration_s:.2f} s long. "
            "Give what was played, a second or more of it."
        )
    # The loudest channel: a stimulus is often written on one side of a stereo file.
    used = recording.samples[: int(PLAYED_USED_S * recording.rate_hz)]
    power = [_power(channel) for channel in used.T]
    if not max(power) > 10.0 ** (SILENT_DBFS / 10.0):
        raise InputError(f"{where} is silent. Give what was played.")
    # A copy: the rest need not stay in memory.
    return Played(used[:, int(np.argmax(power))].copy(), recording.rate_hz)


def _measure(
    job_take: JobTake,
    folder: Path,
    reference: Played | None,
    calibration: FloatArray | None,
    job: Job,
) -> Take:
    """One take: its file, its response, and what is wrong with either."""
    unusable = Take(
        file=job_take.file,
        distance_m=job_take.distance_m,
        response=None,
        usable=False,
        **vars(TakeLabel.of(job_take)),
    )
    try:
        recording = read_recording(folder / job_take.file, channels=[*_named(job_take).values()])
        if job_take.reference_file is not None:
            where = f"reference_file = {job_take.reference_file!r}"
            reference = read_reference(folder / job_take.reference_file, where)
    except UnreadableRecording as error:
        return replace(unusable, problems=(error.problem,))
    except InputError as error:
        return replace(unusable, problems=(Problem("unreadable", str(error)),))
    problems, hopeless = _recording_problems(recording, job_take)
    if hopeless:
        return replace(unusable, problems=problems)
    microphone = recording.channel(job_take.mic_channel)
    if unusable.is_walk:
        played = (
            Played(recording.channel(job_take.reference_channel), recording.rate_hz)
            if job_take.reference_channel is not None
            else reference
        )
        assert played is not None, "checked when the job was loaded"
        whole = replace(unusable, walked_m=job_take.walked_m, passed=job_take.passed)
        return _walk(whole, recording, microphone, played, job, calibration, problems)
    if job_take.reference_channel is not None:
        response = transfer_function(
            microphone,
            recording.channel(job_take.reference_channel),
            rate_hz=recording.rate_hz,
        )
    else:
        assert reference is not None, "checked when the job was loaded"
        response = transfer_function(
            microphone,
            reference.samples,
            rate_hz=recording.rate_hz,
            reference_rate_hz=reference.rate_hz,
        )
    if response is None:
        short = Problem(
            "short",
            "Less than a second of what was played is in the take. Start the recorder before the "
            "stimulus, stop it after, and record the take again.",
        )
        return replace(unusable, problems=(*problems, short))
    by_cable = job_take.at == "cable"
    if calibration is not None and not by_cable:
        response = replace(response, bands=_calibrated(response.bands, calibration))
    shared = job_take.reference_channel is not None
    found, usable = response_problems(
        response,
        shared_clock=shared,
        full_range=Element.named(job_take.side).is_main,
        low_limit_hz=0.0 if job_take.with_subs else job.rig.low_limit_hz or 0.0,
        by_cable=by_cable,
    )
    # The microphone's channel is the first that was asked for.
    clipped = recording.clipped_ratio[0] > CLIPPED_RATIO
    return replace(
        unusable,
        distance_m=_distance_m(job_take, response, shared, job.venue.temperature_c),
        response=response,
        problems=(*problems, *found),
        usable=usable and not clipped,
    )


def _walk(
    take: Take,
    recording: Recording,
    microphone: NDArray[np.float32],
    played: Played,
    job: Job,
    calibration: FloatArray | None,
    problems: tuple[Problem, ...],
) -> Take:
    """Measure a walk: levels alone, no phase."""
    walked = walk_levels(
        microphone,
        played.samples,
        rate_hz=recording.rate_hz,
        reference_rate_hz=played.rate_hz,
    )
    if walked is None:
        text = (
            "Less than five seconds of what was played are in the walk. Start the recorder before "
            "the noise, stop it after, and walk for half a minute."
        )
        return replace(take, problems=(*problems, Problem("short", text)))
    if calibration is not None:
        walked = replace(
            walked,
            bands=_calibrated(walked.bands, calibration),
            shape_db=walked.shape_db - calibration,
            piece_db=walked.piece_db - calibration,
        )
    found, usable = walk_problems(
        walked,
        full_range=take.element.is_main,
        low_limit_hz=0.0 if take.with_subs else job.rig.low_limit_hz or 0.0,
    )
    clipped = recording.clipped_ratio[0] > CLIPPED_RATIO
    return replace(take, walked=walked, problems=(*problems, *found), usable=usable and not clipped)


def _named(take: JobTake) -> dict[str, int]:
    """Fields of a take that name a channel, the microphone's first."""
    named = {"mic_channel": take.mic_channel}
    if take.reference_channel is not None:
        named["reference_channel"] = take.reference_channel
    return named


def _power(samples: NDArray[np.float32]) -> float:
    return float(np.dot(samples, samples)) / samples.size


def _recording_problems(recording: Recording, take: JobTake) -> tuple[tuple[Problem, ...], bool]:
    """Tell what is wrong before anything is measured, and whether that is the end of it."""
    named = _named(take)
    for field, channel in named.items():
        if channel > recording.n_channels:
            text = (
                f"{field} = {channel}, but the file has {recording.n_channels} "
                f"channel{'s' if recording.n_channels > 1 else ''}. Record both channels, or "
                "give the right channel in job.toml."
            )
            return (Problem("wrong_channel", text),), True
    if recording.duration_s < SHORTEST_S:
        text = (
            f"The take is {recording.duration_s:.2f} s long. Record ten seconds or more, "
            "and a second at the least."
        )
        return (Problem("short", text),), True
    problems = []
    for field, channel in named.items():
        if not _power(recording.channel(channel)) > 10.0 ** (SILENT_DBFS / 10.0):
            what = "microphone" if field == "mic_channel" else "reference"
            cure = (
                "Check cable, phantom power and preamp"
                if field == "mic_channel"
                else "Check the cable from the mixer and the input's gain"
            )
            text = f"The {what}'s channel ({channel}) is silent. {cure}, and record the take again."
            problems.append(Problem("silent", text))
    if problems:
        return tuple(problems), True
    clipped = clipping_problem(recording.clipped_places[0])
    return ((clipped,) if clipped else ()), False


def _calibrated(bands: BandLevels, deviation_db: FloatArray) -> BandLevels:
    return replace(bands, level_db=bands.level_db - deviation_db)


def _distance_m(
    take: JobTake, response: Response, shared: bool, temperature_c: float
) -> float | None:
    if take.distance_m is not None or take.at == "cable":
        return take.distance_m
    if not shared or take.delay_is_relative or not response.delay_s > 0:
        return None
    distance_m = response.delay_s * float(speed_of_sound_m_s(temperature_c))
    return distance_m if distance_m <= LONGEST_DISTANCE_M else None
