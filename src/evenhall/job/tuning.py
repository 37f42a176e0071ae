"""The whole job: a folder of recordings in, a result out. Start at `tune()`.

Files are read and measured on as many cores as there are; what is wrong inside one is a
problem of that take, and the others go on.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.air import speed_of_sound_m_s
from evenhall.acoustics.bandlevel import BandLevels
from evenhall.acoustics.bands import LOWER_HZ, NOMINAL_HZ, UPPER_HZ
from evenhall.acoustics.transfer import Response, transfer_function
from evenhall.equalizer.graphic import GraphicUnit, graphic_unit
from evenhall.errors import InputError
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.job import result as out
from evenhall.job.calibration import read_calibration
from evenhall.job.model import Job
from evenhall.job.model import Take as JobTake
from evenhall.sound.recording import (
    Recording,
    UnreadableRecording,
    clipping_problem,
    read_recording,
)
from evenhall.verdict.judge import Setting, Verdict, judge
from evenhall.verdict.problem import Problem
from evenhall.verdict.take import Take, is_main
from evenhall.verdict.target import target_points
from evenhall.verdict.trust import response_problems
from evenhall.verdict.worklist import Stage

__all__ = ["tune"]

FloatArray = NDArray[np.float64]
Progress = Callable[[str, int, int], None]

SILENT_DBFS = -90.0
SHORTEST_S = 1.0
# Clipped samples up to this share shift the level by less than a twentieth of a dB.
CLIPPED_RATIO = 0.002
# Latency of an interface or a loudspeaker's processor is in the measured delay: distances from
# it are sensible in a hall, and no more.
LONGEST_DISTANCE_M = 100.0
CALIBRATION_POINTS = 24


@dataclass(frozen=True)
class _Reference:
    samples: NDArray[np.float32]
    rate_hz: float


def tune(job: Job, folder: Path, *, progress: Progress | None = None) -> out.Result:
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
    unit = _unit(job)
    calibration = _calibration(job, folder)
    reference = _reference(job, folder)
    report = progress or _no_report
    takes = _measure_all(job, folder, reference, calibration, report)
    report("judging", len(takes), len(takes))
    verdict = judge(takes, _setting(job, unit))
    return _result(job, verdict)


def _no_report(_what: str, _done: int, _total: int) -> None:
    pass


def _unit(job: Job) -> GraphicUnit:
    equalizer = job.equalizer
    if equalizer.response == "measured":
        raise InputError(
            'job.toml: [equalizer] response = "measured" is not possible yet. '
            'Give "proportional-q" or "constant-q".'
        )
    bands = equalizer.bands
    return graphic_unit(
        bands if isinstance(bands, int) else list(bands),
        model=equalizer.response,
        range_db=equalizer.range_db,
        step_db=equalizer.step_db,
        max_boost_db=equalizer.max_boost_db,
        q=equalizer.q,
    )


def _calibration(job: Job, folder: Path) -> FloatArray | None:
    """Deviation of the microphone in each third-octave band, its mean over log frequency."""
    if job.microphone.calibration is None:
        return None
    freq_hz, deviation_db = read_calibration(folder / job.microphone.calibration)
    places = (np.arange(CALIBRATION_POINTS) + 0.5) / CALIBRATION_POINTS
    inside_hz = LOWER_HZ[:, None] * (UPPER_HZ / LOWER_HZ)[:, None] ** places
    level_db = np.interp(np.log(inside_hz), np.log(freq_hz), deviation_db)
    return np.asarray(10.0 * np.log10(np.mean(10.0 ** (level_db / 10.0), axis=1)))


def _reference(job: Job, folder: Path) -> _Reference | None:
    if job.reference is None or all(take.reference_channel for take in job.takes):
        return None
    name = job.reference.file
    try:
        recording = read_recording(folder / name)
    except UnreadableRecording as error:
        raise InputError(f"job.toml: [reference] file = {name!r}: {error}") from error
    if recording.duration_s < SHORTEST_S:
        raise InputError(
            f"job.toml: [reference] file = {name!r} is {recording.duration_s:.2f} s long. "
            "Give what was played, a second or more of it."
        )
    # The loudest channel: a stimulus is often written on one side of a stereo file.
    power = np.square(recording.samples, dtype=np.float32).mean(axis=0)
    samples = np.ascontiguousarray(recording.samples[:, int(power.argmax())])
    if not power.max() > 10.0 ** (SILENT_DBFS / 10.0):
        raise InputError(f"job.toml: [reference] file = {name!r} is silent. Give what was played.")
    return _Reference(samples, recording.rate_hz)


def _measure_all(
    job: Job,
    folder: Path,
    reference: _Reference | None,
    calibration: FloatArray | None,
    report: Progress,
) -> list[Take]:
    takes = []

    def measure(take: JobTake) -> Take:
        return _measure(take, folder, reference, calibration, job.venue.temperature_c)

    # Threads: the transforms and the decoder let go of the interpreter's lock.
    workers = min(len(job.takes), os.cpu_count() or 1)
    with ThreadPoolExecutor(workers) as pool:
        report("measuring", 0, len(job.takes))
        for take in pool.map(measure, job.takes):
            takes.append(take)
            report("measuring", len(takes), len(job.takes))
    return takes


def _measure(
    job_take: JobTake,
    folder: Path,
    reference: _Reference | None,
    calibration: FloatArray | None,
    temperature_c: float,
) -> Take:
    """One take: its file, its response, and what is wrong with either."""
    unusable = Take(
        file=job_take.file,
        side=job_take.side,
        spot=job_take.spot,
        state=job_take.state,
        distance_m=job_take.distance_m,
        response=None,
        problems=(),
        usable=False,
    )
    try:
        recording = read_recording(folder / job_take.file)
    except UnreadableRecording as error:
        return replace(unusable, problems=(error.problem,))
    problems, hopeless = _recording_problems(recording, job_take)
    if hopeless:
        return replace(unusable, problems=problems)
    microphone = recording.samples[:, job_take.mic_channel - 1]
    if job_take.reference_channel is not None:
        response = transfer_function(
            microphone,
            recording.samples[:, job_take.reference_channel - 1],
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
    if calibration is not None:
        response = replace(response, bands=_calibrated(response.bands, calibration))
    shared = job_take.reference_channel is not None
    found, usable = response_problems(
        response, shared_clock=shared, full_range=is_main(job_take.side)
    )
    clipped = max(recording.clipped_ratio[job_take.mic_channel - 1], 0.0) > CLIPPED_RATIO
    return replace(
        unusable,
        distance_m=_distance_m(job_take, response, shared, temperature_c),
        response=response,
        problems=(*problems, *found),
        usable=usable and not clipped,
    )


def _recording_problems(recording: Recording, take: JobTake) -> tuple[tuple[Problem, ...], bool]:
    """Tell what is wrong before anything is measured, and whether that is the end of it."""
    named = {"mic_channel": take.mic_channel}
    if take.reference_channel is not None:
        named["reference_channel"] = take.reference_channel
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
        samples = recording.samples[:, channel - 1]
        power = float(np.dot(samples, samples)) / samples.size
        if not power > 10.0 ** (SILENT_DBFS / 10.0):
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
    clipped = clipping_problem(recording.clipped_places[take.mic_channel - 1])
    return ((clipped,) if clipped else ()), False


def _calibrated(bands: BandLevels, deviation_db: FloatArray) -> BandLevels:
    return replace(bands, level_db=bands.level_db - deviation_db)


def _distance_m(
    take: JobTake, response: Response, shared: bool, temperature_c: float
) -> float | None:
    if take.distance_m is not None:
        return take.distance_m
    if not shared or not response.delay_s > 0:
        return None
    distance_m = response.delay_s * float(speed_of_sound_m_s(temperature_c))
    return distance_m if distance_m <= LONGEST_DISTANCE_M else None


def _setting(job: Job, unit: GraphicUnit) -> Setting:
    venue, rig, audience = job.venue, job.rig, job.audience
    rows = (
        Audience(audience.first_row_m, audience.last_row_m, audience.ear_height_m)
        if audience.first_row_m is not None and audience.last_row_m is not None
        else None
    )
    speaker = (
        Loudspeaker(
            rig.speaker_height_m, rig.speaker_down_deg, rig.coverage_h_deg, rig.coverage_v_deg
        )
        if rig.speaker_height_m is not None
        else None
    )
    room = Room(
        venue.length_m,
        venue.width_m,
        venue.height_m,
        venue.temperature_c,
        venue.humidity_pct,
        venue.rt60_s,
    )
    return Setting(
        unit=unit,
        target=target_points(job.target.shape, job.target.points),
        stage=Stage(room=room, audience=rows, speaker=speaker, max_height_m=rig.max_height_m),
        low_limit_hz=rig.low_limit_hz,
    )


def _take_result(take: Take) -> out.TakeResult:
    response = take.response
    problems = tuple(out.TakeProblem(code=p.code, text=p.text) for p in take.problems)
    about: dict[str, Any] = {
        "file": take.file,
        "side": take.side,
        "spot": take.spot,
        "state": take.state,
        "usable": take.usable,
        "problems": problems,
        "distance_m": take.distance_m,
    }
    if response is None or not take.usable:
        levels = tuple(
            out.BandLevel(hz=hz, level_db=None, uncertainty_db=None, usable=False)
            for hz in NOMINAL_HZ
        )
        found = response is not None and any(p.code == "clock" for p in take.problems)
        clock = response.clock_ppm if found and response is not None else None
        return out.TakeResult(**about, clock_ppm=clock, bands=levels)
    bands = response.bands
    known = bands.usable
    return out.TakeResult(
        **about,
        delay_s=response.delay_s,
        clock_ppm=response.clock_ppm,
        polarity=response.polarity,
        level_db=response.level_db,
        used_ratio=response.used_ratio,
        coherence=float(np.mean(response.coherence[known])),
        bands=tuple(
            out.BandLevel(
                hz=NOMINAL_HZ[k],
                level_db=bands.level_db[k],
                uncertainty_db=bands.uncertainty_db[k] if known[k] else None,
                usable=bool(known[k]),
            )
            for k in range(NOMINAL_HZ.size)
        ),
    )


def _differences(values_db: FloatArray, limit_db: float) -> tuple[out.Difference, ...]:
    return tuple(
        out.Difference(
            hz=NOMINAL_HZ[k],
            front_minus_back_db=values_db[k],
            holds=bool(abs(values_db[k]) <= limit_db),
        )
        for k in np.flatnonzero(np.isfinite(values_db))
    )


def _evenness(verdict: Verdict) -> out.Evenness | None:
    even = verdict.evenness
    if even is None:
        return None
    return out.Evenness(
        limit_db=even.limit_db,
        holds=even.holds,
        bands=_differences(even.worst_db, even.limit_db),
        sides={side: _differences(db, even.limit_db) for side, db in even.sides.items()},
    )


def _match(verdict: Verdict) -> out.Match | None:
    alike = verdict.match
    if alike is None:
        return None
    return out.Match(
        holds=alike.holds,
        level_db=alike.level_db,
        bands=tuple(
            out.BandMatch(hz=NOMINAL_HZ[k], left_minus_right_db=alike.difference_db[k])
            for k in np.flatnonzero(np.isfinite(alike.difference_db))
        ),
    )


def _card(verdict: Verdict) -> dict[str, tuple[out.Fader, ...]]:
    if verdict.card is None:
        return {}
    hz = verdict.card.unit.nominal_hz
    return {
        side: tuple(out.Fader(hz=hz[k], fader_db=solution.fader_db[k]) for k in range(hz.size))
        for side, solution in verdict.card.solutions.items()
    }


def _forecast(verdict: Verdict) -> out.Forecast | None:
    card, outlook = verdict.card, verdict.forecast
    if card is None or outlook is None or not np.any(card.weight > 0):
        return None
    finer = None
    if card.finer_rms_db is not None:
        finer = out.FinerUnit(bands=31, rms_after_db=card.finer_rms_db)
    return out.Forecast(
        bands=tuple(
            out.ForecastBand(
                hz=NOMINAL_HZ[k],
                before_db=outlook.before_db[k],
                after_db=outlook.after_db[k],
                target_db=card.target[k],
                weight=card.weight[k],
            )
            for k in np.flatnonzero(card.weight > 0)
        ),
        rms_before_db=outlook.rms_before_db,
        rms_after_db=outlook.rms_after_db,
        spots=tuple(
            out.ForecastSpot(
                side=spot.side,
                spot=spot.spot,
                rms_before_db=spot.rms_before_db,
                rms_after_db=spot.rms_after_db,
            )
            for spot in outlook.spots
        ),
        finer_unit=finer,
        out_of_reach=tuple(
            out.OutOfReach(hz=band.hz, left_db=band.left_db, why=band.why)
            for band in card.out_of_reach
        ),
    )


def _proof(verdict: Verdict) -> out.Proof | None:
    proof, card = verdict.proof, verdict.card
    if proof is None or card is None or not np.isfinite(proof.rms_db):
        return None
    counted = (card.weight > 0) & np.isfinite(proof.measured_db)
    return out.Proof(
        rms_db=proof.rms_db,
        forecast_error_db=proof.forecast_error_db,
        holds=proof.holds,
        bands=tuple(
            out.ProofBand(
                hz=NOMINAL_HZ[k],
                measured_db=proof.measured_db[k],
                forecast_db=proof.forecast_db[k],
                target_db=card.target[k],
                weight=card.weight[k],
            )
            for k in np.flatnonzero(counted)
        ),
    )


def _result(job: Job, verdict: Verdict) -> out.Result:
    points = target_points(job.target.shape, job.target.points)
    return out.Result(
        job=job.venue.name,
        takes=tuple(_take_result(take) for take in verdict.takes),
        evenness=_evenness(verdict),
        match=_match(verdict),
        patterns=tuple(
            out.Pattern(
                hz=pattern.hz,
                width_octaves=pattern.width_octaves,
                depth_db=pattern.depth_db,
                scope=pattern.scope,
                spots=pattern.spots,
                remedy=pattern.remedy,
                why=pattern.why,
                certain=pattern.certain,
            )
            for pattern in verdict.patterns
        ),
        card=_card(verdict),
        target=out.TargetCurve(
            shape=job.target.shape if job.target.points is None else "points", points=points
        ),
        forecast=_forecast(verdict),
        moves=tuple(
            out.Move(
                order=k,
                kind=move.kind,
                text=move.text,
                from_=move.before,
                to=move.after,
                expected=move.expected,
            )
            for k, move in enumerate(verdict.moves, 1)
        ),
        proof=_proof(verdict),
    )
