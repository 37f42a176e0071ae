"""One take of live sound: quiet, plan, sound, file, and what it is worth. Start at `record_take()`.

The room is heard before anything is played: its noise sets how long the stimulus must be. The
sound is written to the disk as it comes, and judged as soon as it ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.background import background
from evenhall.acoustics.level import FULL_SCALE_RMS, db_from_amplitude
from evenhall.acoustics.stimulus import exponential_sweep, pink_noise
from evenhall.acoustics.transfer import transfer_function
from evenhall.errors import InputError
from evenhall.hall.elements import Element
from evenhall.hall.label import BOTH, TakeLabel
from evenhall.hall.path import SHORTEST_S as SHORTEST_WALK_S
from evenhall.hall.path import WalkPath, walk_path
from evenhall.hall.seats import BEHIND_M
from evenhall.hall.setting import Audience
from evenhall.job.folder.adding import RecordedTake, add_take, next_take_file, recordable_job
from evenhall.job.folder.model import Job
from evenhall.job.folder.model import Take as JobTake
from evenhall.job.live.watch import Planned, Said, Walking, Watch, progress_to
from evenhall.job.tune.measuring import measure_take
from evenhall.sound.live.capture import Captured, capture
from evenhall.sound.live.open_devices import RAMP_S, OpenDevices, ramped
from evenhall.sound.writing import TakeWriter
from evenhall.verdict.plan import Plan, plan_stimulus, reached
from evenhall.verdict.problem import Problem
from evenhall.verdict.take import Take
from evenhall.verdict.trust import flag_disagreement
from evenhall.verdict.walks import flag_walks

__all__ = [
    "CABLE_SPOT",
    "CREST_LIMIT_DB",
    "Order",
    "Taken",
    "element_band_hz",
    "record_into_folder",
    "record_take",
    "spared_below_hz",
    "usual_kind",
    "way_of",
]

Float32Array = NDArray[np.float32]

QUIET_S = 2.0  # of the room alone, before the sound
TAIL_S = 1.5  # of what rings on after it
WALK_LEAD_S = 3.0  # of silence in the recording of a walk, before its sound
# Peaks of the noise above its RMS value: no lower than ears find natural, and none wasted.
CREST_LIMIT_DB = 11.0
FULL_BAND_HZ = (20.0, 20_000.0)
SUB_BAND_HZ = (20.0, 300.0)
# Half an octave below its lower limit a loudspeaker has no output worth the strain.
BELOW_LIMIT = 2.0**-0.5
SEED = 1
CABLE_SPOT = "cable"  # where a take by cable is said to have been made


@dataclass(frozen=True, kw_only=True)
class Order(TakeLabel):
    """What to record.

    Parameters
    ----------
    distance_m : float, optional
    kind : {"pink", "sweep"}
    length_s : float, optional
        As long as the wanted uncertainty needs, if left out.
    level_dbfs : float
        RMS level of the stimulus, dB re a full-scale sine.
    low_hz, high_hz : float, optional
        Band; what the element can play, if left out.
    """

    distance_m: float | None = None
    kind: Literal["pink", "sweep"] = "pink"
    length_s: float | None = None
    level_dbfs: float = -20.0
    low_hz: float | None = None
    high_hz: float | None = None


@dataclass(frozen=True)
class Taken:
    """What came of it.

    Parameters
    ----------
    take : Take or None
        Measured and judged; None where the person stopped it.
    recorded : RecordedTake or None
        Its [[take]], for whoever lists it; an unusable one is kept, and better not listed.
    problems : tuple of Problem
        What is wrong; also what is wrong between it and earlier takes at that spot.
    ended : str
        "finished", "enough" where the wanted uncertainty was reached early, or "stopped".
    """

    take: Take | None
    recorded: RecordedTake | None
    problems: tuple[Problem, ...]
    ended: str

    @property
    def usable(self) -> bool:
        """Whether it can be used."""
        return self.take is not None and self.take.usable


STOPPED = Taken(None, None, problems=(), ended="stopped")


def usual_kind(live: OpenDevices, label: TakeLabel) -> Literal["pink", "sweep"]:
    """Noise, which forgives more; a sweep on two clocks, as drift leaves its levels alone."""
    two_clocks = live.setup.reference == "inside" and not live.one_clock
    return "sweep" if two_clocks and not label.is_walk else "pink"


def element_band_hz(side: str, *, low_limit_hz: float | None) -> tuple[float, float]:
    """Band that an element may be given: no deep bass into small boxes, no treble into subs.

    Parameters
    ----------
    low_limit_hz : float or None
        Lower limit of the mains, where it is known.
    """
    if Element.named(side).is_sub:
        return SUB_BAND_HZ
    low_hz, high_hz = FULL_BAND_HZ
    if low_limit_hz is not None:
        low_hz = max(low_hz, low_limit_hz * BELOW_LIMIT)
    return low_hz, high_hz


def spared_below_hz(job: Job) -> float | None:
    """Give the limit of the mains; None where the rig has subs that the equalizer feeds too."""
    has_subs = any(Element.named(side).is_sub for side in job.rig.sides)
    return None if has_subs and job.equalizer.feeds_subs else job.rig.low_limit_hz


def record_into_folder(
    folder: Path, order: Order, live: OpenDevices, *, ceiling_dbfs: float, watch: Watch
) -> Taken:
    """Record a take into a job folder, and list it in job.toml if it can be used.

    Parameters
    ----------
    folder : Path
        A job folder; it is made where there is none.

    Raises
    ------
    InputError, DeviceError, StoreError
        As `record_take()`; also where job.toml is wrong, and then nothing was played.
    """
    job = recordable_job(folder, order)
    taken = record_take(job, folder, order, live, ceiling_dbfs=ceiling_dbfs, watch=watch)
    if taken.usable:
        assert taken.recorded is not None
        add_take(folder, taken.recorded)
    return taken


def record_take(
    job: Job, folder: Path, order: Order, live: OpenDevices, *, ceiling_dbfs: float, watch: Watch
) -> Taken:
    """Record a take, and say what it is worth beside the takes of its job.

    Parameters
    ----------
    job : Job
        What the take belongs to.
    folder : Path
        Where the job's files lie, and this take's will.
    ceiling_dbfs : float
        Highest peak that the devices were opened with.

    Raises
    ------
    InputError
        The order is wrong; nothing was played.
    DeviceError
        The device is gone, or an input went dead; what was recorded stays beside the takes.
    StoreError
        The sound could not be written.
    """
    limit_hz = None if order.with_subs else job.rig.low_limit_hz
    low_hz, high_hz = element_band_hz(order.side, low_limit_hz=limit_hz)
    low_hz, high_hz = order.low_hz or low_hz, order.high_hz or high_hz
    rate_hz = live.setup.rate_hz
    highest_dbfs = ceiling_dbfs - CREST_LIMIT_DB - float(db_from_amplitude(FULL_SCALE_RMS))
    if order.is_walk and order.kind != "pink":
        raise InputError("A walk needs noise: a sweep plays each frequency at one place only.")
    if order.kind == "pink" and live.setup.plays and order.level_dbfs > highest_dbfs:
        raise InputError(
            f"Noise at {order.level_dbfs:g} dBFS would pass the ceiling of {ceiling_dbfs:g} dBFS. "
            f"Give at most {highest_dbfs:.1f} dBFS, or raise the ceiling on purpose."
        )
    watch.tell(Said("Listening to the room: quiet, please.", quiet=True))
    quiet = capture(live, length_s=QUIET_S, stop_wanted=watch.stop_wanted)
    if quiet.ended == "stopped":
        return STOPPED
    room = background(quiet.microphone, rate_hz=rate_hz)
    plan = plan_stimulus(
        room.band_dbfs,
        level_dbfs=order.level_dbfs,
        highest_level_dbfs=highest_dbfs,
        low_hz=low_hz,
        high_hz=high_hz,
        rt60_s=job.venue.rt60_s or 1.0,
    )
    if order.is_walk:
        plan = _walk_plan(order, job)
    elif order.length_s is not None:
        text = f"Plays {order.length_s:g} s at {order.level_dbfs:g} dBFS, as asked for."
        plan = replace(plan, length_s=order.length_s, text=text)
    if not live.setup.plays:
        text = f"Listens for up to {plan.length_s:g} s to what the mixer plays."
        plan = replace(plan, text=text)
    length_s, signal = plan.length_s, None
    if live.setup.plays:
        signal = _stimulus(order, length_s, rate_hz, low_hz, high_hz)
        if order.is_walk:
            # Silence to hear the hall in, and to get ready; then the noise comes up from quiet.
            lead = np.zeros(round(WALK_LEAD_S * rate_hz), dtype=np.float32)
            signal = np.concatenate((lead, ramped(signal, rate_hz)))
        length_s = signal.size / rate_hz
    watch.tell(Planned(plan, room))
    walking = None
    if order.is_walk:
        walking = Walking(WALK_LEAD_S if live.setup.plays else 0.0, length_s, way_of(job))
        watch.tell(walking)

    name = next_take_file(folder, order)
    inside_two_clocks = (
        signal is not None and live.setup.reference == "inside" and not live.one_clock
    )
    channels = 1 if inside_two_clocks else 2
    tell = progress_to(watch, rate_hz=rate_hz, length_s=length_s, channels=channels)

    with TakeWriter(folder / name, rate_hz=rate_hz, channels=channels) as writer:

        def on_block(block: Float32Array) -> None:
            writer.write(block)
            tell(block)

        def enough(microphone: Float32Array, reference: Float32Array) -> bool:
            response = transfer_function(microphone, reference, rate_hz=rate_hz)
            return response is not None and reached(response.bands, low_hz=low_hz, high_hz=high_hz)

        captured = capture(
            live,
            signal,
            length_s=length_s,
            tail_s=TAIL_S,
            on_block=on_block,
            stop_wanted=watch.stop_wanted,
            # A length that was asked for is kept, and a sweep is nothing until it is whole.
            enough=enough
            if order.kind == "pink" and order.length_s is None and not order.is_walk
            else None,
        )
        if captured.ended == "stopped":
            writer.discard()
            return STOPPED
        writer.finish()
    recorded = RecordedTake(
        file=name,
        distance_m=order.distance_m,
        mic_channel=1,
        reference_channel=None if inside_two_clocks else 2,
        reference_file=None,
        delay_is_relative=live.setup.reference == "inside"
        and live.one_clock
        and live.setup.latency_s is None
        and walking is None,
        **vars(order.label),
    )
    if walking is not None and walking.path is not None:
        recorded = replace(
            recorded,
            walked_m=round(walking.path.length_m, 1),
            passed=_passed(walking, walking.path, watch.passed()),
        )
    if inside_two_clocks:
        assert signal is not None
        played = ramped(signal, rate_hz)[: live.played_frames]
        recorded = replace(recorded, reference_file=_write_played(folder, name, played, rate_hz))
    return _judged(folder, job, recorded, captured, rate_hz)


def way_of(job: Job) -> WalkPath | None:
    """Lay the way through the rows; None where they are not known.

    Raises
    ------
    InputError
        Rows that leave no way.
    """
    rows, venue, rig = job.audience, job.venue, job.rig
    if rows.first_row_m is None or rows.last_row_m is None:
        return None
    behind_m = BEHIND_M if rig.from_wall_m is None else rig.from_wall_m
    return walk_path(
        Audience(rows.first_row_m, rows.last_row_m, rows.ear_height_m),
        length_m=None if venue.length_m is None else venue.length_m - behind_m,
        width_m=venue.width_m,
    )


def _walk_plan(order: Order, job: Job) -> Plan:
    way = way_of(job)
    length_s = order.length_s or (SHORTEST_WALK_S if way is None else way.length_s)
    text = f"Plays {length_s:g} s of pink noise at {order.level_dbfs:g} dBFS while you walk."
    return Plan(length_s, order.level_dbfs, 0.0, text)


def _passed(walking: Walking, path: WalkPath, said: Mapping[str, float]) -> dict[str, float]:
    """When which spot was passed: as somebody said, else as the steady pace has it."""
    walk_s = walking.to_s - walking.from_s
    planned = {spot: walking.from_s + share * walk_s for spot, share in path.passes.items()}
    return {spot: round(at_s, 2) for spot, at_s in {**planned, **said}.items()}


def _stimulus(
    order: Order, length_s: float, rate_hz: int, low_hz: float, high_hz: float
) -> NDArray[np.float64]:
    try:
        if order.kind == "pink":
            return pink_noise(
                length_s,
                rate_hz=rate_hz,
                seed=SEED,
                level_dbfs=order.level_dbfs,
                low_hz=low_hz * 2.0 ** (-1.0 / 6.0),  # the outermost bands are whole
                high_hz=min(high_hz * 2.0 ** (1.0 / 6.0), 0.49 * rate_hz),
                crest_limit_db=CREST_LIMIT_DB,
            )
        # The level comes up over the tone ahead, so that the ramp takes nothing from the band.
        return exponential_sweep(
            length_s,
            rate_hz=rate_hz,
            level_dbfs=order.level_dbfs,
            low_hz=low_hz,
            high_hz=min(high_hz, 0.48 * rate_hz),
            lead_s=RAMP_S,
        )
    except InputError as error:
        raise InputError(
            *(f"The stimulus cannot be made: {line}" for line in error.faults)
        ) from error


def _write_played(folder: Path, name: str, played: Float32Array, rate_hz: int) -> str:
    """Keep what was played beside a take whose player had a clock of its own."""
    file = name.removesuffix(".wav") + "-played.wav"
    with TakeWriter(folder / file, rate_hz=rate_hz, channels=1) as writer:
        writer.write(played[:, None])
        writer.finish()
    return file


def _judged(
    folder: Path, job: Job, recorded: RecordedTake, captured: Captured, rate_hz: int
) -> Taken:
    take = measure_take(job, folder, JobTake(**vars(recorded)))
    problems = list(take.problems)
    if captured.lost:
        at_s = captured.lost[0].at_frame / rate_hz
        problems.append(
            Problem(
                "time_varying",
                f"Sound was lost {at_s:.1f} s into the take ({captured.lost[0].how}). Close other "
                "programs, and record the take again.",
            )
        )
    earlier = [
        measure_take(job, folder, one)
        for one in job.takes
        if (one.state, one.with_subs) == (recorded.state, recorded.with_subs)
        and (one.spot == recorded.spot or recorded.is_walk)
        and (one.side == recorded.side or recorded.side == BOTH)
    ]
    flagged = flag_walks(flag_disagreement([*earlier, take]))[-1]
    problems += [problem for problem in flagged.problems if problem not in take.problems]
    return Taken(take, recorded, problems=tuple(problems), ended=captured.ended)
