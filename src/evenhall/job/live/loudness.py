"""How loud it is, live and in recordings, and the sensitivity by what is heard.

watch_loudness()     hears until told to stop, tells, warns and logs
loudness_of_files()  the same of recordings, one after the other
heard_sensitivity()  a calibrator or a second meter
louder_by()          what the loudest audience place has more than the mixer's, from the takes
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.correction import Deviation
from evenhall.acoustics.level import a_weighting_db, db_from_power, power_from_db
from evenhall.acoustics.loudness import (
    LoudnessState,
    Second,
    resumed,
    step_loudness,
)
from evenhall.errors import InputError
from evenhall.job.live.loudness_log import LoudnessLog, past_of, power_of
from evenhall.job.live.watch import Metered, Said, Watch
from evenhall.job.tune.result import Result, TakeResult
from evenhall.sound.live.capture import capture, listen
from evenhall.sound.live.open_devices import OpenDevices
from evenhall.sound.recording import UnreadableRecording, opened_recording
from evenhall.verdict.loudness import (
    NOT_CERTIFIED,
    WORK,
    Limit,
    Loudness,
    Sensitivity,
    basis_text,
    limits_text,
    loudness_of,
    time_text,
    warning,
)
from evenhall.verdict.sensitivity import CALIBRATOR_S, METER_S, by_calibrator, by_meter

__all__ = [
    "MIXER_SPOT",
    "Loudest",
    "Place",
    "heard_sensitivity",
    "louder_by",
    "loudness_of_files",
    "sensitivity_in",
    "watch_loudness",
]

MIXER_SPOT = "mixer"  # how the spot at the mixer's place is called in the takes
WINDOWS_S = (60, 900, 3600)
SHORT_FRAMES = 2**15  # of a recording at once: no two seconds end in it
WAVERS = 10.0**0.05  # a warning is taken back half a dB below where it came
CLIPPED = (
    "The input clips, and the levels read too low. Turn the microphone's gain down and calibrate "
    "again."
)
LOST = "Sound was lost on its way from the device: the levels around it are of what was heard."


@dataclass(frozen=True)
class Place:
    """What makes levels of samples those at the loudest audience place, and its limit.

    Parameters
    ----------
    sensitivity : Sensitivity
        Of the microphone.
    louder_db : float
        What the loudest audience place has more than the microphone's.
    audience : Limit
        The limit that the user chose.
    microphone : Deviation or None
        What is taken off; None where it is not known.
    """

    sensitivity: Sensitivity
    louder_db: float
    audience: Limit
    microphone: Deviation | None = None

    @property
    def offset_db(self) -> float:
        """Level of a full-scale sine at the place."""
        return self.sensitivity.db_spl + self.louder_db

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the levels rest on, as sentences."""
        return (
            basis_text(self.sensitivity, self.louder_db, self.microphone),
            limits_text(self.audience),
            NOT_CERTIFIED,
        )

    def start(self, rate_hz: float) -> LoudnessState:
        """Begin to hear."""
        taps = None if self.microphone is None else self.microphone.taps(rate_hz)
        return LoudnessState.start(rate_hz, taps)

    def loudness(self, state: LoudnessState) -> Loudness:
        """Turn what was heard into levels."""
        return loudness_of(state, self.offset_db, self.audience)


class _Warnings:
    """Says each warning when it comes, and not again while a level wavers about the limit."""

    def __init__(self, place: Place, say: Callable[[str], None]) -> None:
        self._place, self._say = place, say
        self._said: dict[str, str] = {}

    def look(self, loudness: Loudness) -> None:
        """Say what is new of the limits."""
        doses = ((self._place.audience, loudness.audience_dose), (WORK, loudness.work_dose))
        for limit, dose in doses:
            text, said = warning(dose, limit), self._said.get(limit.name, "")
            if said not in (text, warning(dose * WAVERS, limit)):
                self._said[limit.name] = text
                if text:
                    self._say(text)

    def once(self, text: str) -> None:
        """Say what is said once for all."""
        if text not in self._said:
            self._said[text] = text
            self._say(text)


def watch_loudness(
    live: OpenDevices,
    place: Place,
    *,
    watch: Watch,
    log: Path | None = None,
    longest_s: float = np.inf,
) -> Loudness:
    """Hear until told to stop.

    Parameters
    ----------
    watch : Watch
        Is told the levels ten times a second, and each warning once.
    log : Path, optional
        A log that is begun, or goes on; what it holds is counted in.
    longest_s : float
        Ends by itself after so long.

    Returns
    -------
    Loudness
        The last levels.

    Raises
    ------
    DeviceError
        The device is gone, or the microphone's input went dead.
    InputError
        The log's file is none.
    StoreError
        The log cannot be written.
    """
    rate_hz = live.rate_hz
    state = place.start(rate_hz)
    warnings = _Warnings(place, lambda text: watch.tell(Said(text)))
    with ExitStack() as stack:
        rows: LoudnessLog | None = None
        if log is not None:
            if (past := past_of(log, datetime.now().astimezone())) is not None:
                state = resumed(
                    state,
                    power_of(past, place.offset_db),
                    highest_peak=float(power_from_db(past.peak_db - place.offset_db)),
                )
                watch.tell(Said(f"The log goes on. Counted in so far: {time_text(past.heard_s)}."))
            rows = stack.enter_context(LoudnessLog(log, place.remarks))
        before_s, lost_since = state.total_s, 0

        def on_block(block: NDArray[np.float32], lost: int) -> None:
            nonlocal state, lost_since
            lost_since += lost
            state, seconds = step_loudness(state, block, rate_hz=rate_hz)
            loudness = place.loudness(state)
            watch.tell(Metered(loudness))
            warnings.look(loudness)
            if lost:
                warnings.once(LOST)
            now = datetime.now().astimezone()
            for k, second in enumerate(seconds):
                if second.clipped:
                    warnings.once(CLIPPED)
                if rows is not None:
                    time = (now - timedelta(seconds=len(seconds) - 1 - k)).isoformat(
                        timespec="seconds"
                    )
                    note = _note(second, lost_since)
                    rows.add(time, second, loudness, offset_db=place.offset_db, note=note)
                lost_since = 0

        with suppress(KeyboardInterrupt):  # how it is ended where nobody types
            listen(
                live,
                on_block,
                stop_wanted=lambda: watch.stop_wanted() or state.total_s - before_s >= longest_s,
            )
    return place.loudness(state)


def _note(second: Second, lost: int) -> str:
    return " ".join(word for word, said in (("clipped", second.clipped), ("lost", lost)) if said)


def heard_sensitivity(
    live: OpenDevices,
    *,
    calibrator_db: float | None,
    reads_db: float | None,
    microphone: Deviation | None,
    watch: Watch,
) -> Sensitivity:
    """Listen to a calibrator, or to noise beside a second meter.

    Parameters
    ----------
    calibrator_db, reads_db : float or None
        Level of the calibrator, or what the meter reads; one of the two.
    microphone : Deviation or None
        What is taken off.

    Raises
    ------
    DeviceError
        The device is gone, or the microphone's input went dead.
    InputError
        What is heard is neither, or it was stopped.
    """
    length_s = CALIBRATOR_S if calibrator_db is not None else METER_S
    captured = capture(live, length_s=length_s + 0.5, stop_wanted=watch.stop_wanted)
    if captured.ended == "stopped":
        raise InputError("Stopped before it was heard. The sensitivity is as it was.")
    return sensitivity_in(
        captured.microphone,
        live.rate_hz,
        calibrator_db=calibrator_db,
        reads_db=reads_db,
        microphone=microphone,
    )


def sensitivity_in(
    heard: NDArray[np.float32],
    rate_hz: float,
    *,
    calibrator_db: float | None,
    reads_db: float | None,
    microphone: Deviation | None,
) -> Sensitivity:
    """Take the sensitivity from a calibrator's tone, or from noise that a meter reads."""
    if calibrator_db is not None:
        return by_calibrator(heard, rate_hz=rate_hz, level_db=calibrator_db)
    assert reads_db is not None
    taps = None if microphone is None else microphone.taps(rate_hz)
    return by_meter(heard, rate_hz=rate_hz, reads_db=reads_db, taps=taps)


@dataclass(frozen=True)
class Loudest:
    """What recordings hold.

    Parameters
    ----------
    whole : Loudness
        Levels and doses at their end.
    length_s : int
        Seconds that were heard.
    leq_1_db, leq_15_db, leq_60_db : float
        Highest average over so many minutes; nan where they are shorter.
    audience_dose : float
        Highest share of the audience limit.
    clipped_s : int
        Seconds in which the input clipped.
    """

    whole: Loudness
    length_s: int
    leq_1_db: float
    leq_15_db: float
    leq_60_db: float
    audience_dose: float
    clipped_s: int


def loudness_of_files(
    files: Sequence[Path], place: Place, *, channel: int = 1, log: Path | None = None
) -> Loudest:
    """Hear recordings, one after the other as parts of one.

    Parameters
    ----------
    channel : int
        Of the microphone.
    log : Path, optional
        A new log; its times are those since the start.

    Raises
    ------
    InputError
        A file cannot be read, they differ in rate, they hold less than a second, or the log is
        there already.
    StoreError
        The log cannot be written.
    """
    if log is not None and log.exists():
        raise InputError(f"{log}: is there already. Give another name for the log.")
    whole, length_s, clipped_s, dose = place.loudness(LoudnessState.start(48_000.0)), 0, 0, 0.0
    highest = np.full(len(WINDOWS_S), np.nan)
    with ExitStack() as stack:
        rows = None
        if log is not None:
            rows = stack.enter_context(LoudnessLog(log, place.remarks, lasting=False))
        for state, second in _seconds_of(files, channel, place):
            whole, length_s = place.loudness(state), state.total_s
            clipped_s += second.clipped
            dose = max(dose, whole.audience_dose)
            full = np.array([length_s >= window_s for window_s in WINDOWS_S])
            last_db = (whole.leq_1_db, whole.leq_15_db, whole.leq_60_db)
            highest = np.fmax(highest, np.where(full, last_db, np.nan))
            if rows is not None:
                time, note = str(timedelta(seconds=length_s)), _note(second, 0)
                rows.add(time, second, whole, offset_db=place.offset_db, note=note)
    if not length_s:
        raise InputError("The recordings hold less than a second.")
    leq_1_db, leq_15_db, leq_60_db = map(float, highest)
    return Loudest(whole, length_s, leq_1_db, leq_15_db, leq_60_db, dose, clipped_s)


def _seconds_of(
    files: Sequence[Path], channel: int, place: Place
) -> Iterator[tuple[LoudnessState, Second]]:
    """Hear files as one, and give each second as it ends."""
    state, first_hz = None, 0.0
    for file in files:
        try:
            with opened_recording(file, channel=channel) as (rate_hz, blocks):
                if state is None:
                    state, first_hz = place.start(rate_hz), rate_hz
                if rate_hz != first_hz:
                    raise InputError(
                        f"{file}: has {rate_hz:g} Hz, and {files[0]} has {first_hz:g} Hz. Give "
                        "parts of one recording."
                    )
                for block in blocks:
                    for start in range(0, len(block), SHORT_FRAMES):
                        piece = block[start : start + SHORT_FRAMES]
                        state, seconds = step_loudness(state, piece, rate_hz=rate_hz)
                        for second in seconds:
                            yield state, second
        except UnreadableRecording as error:
            raise InputError(f"{file}: {error}") from error


def louder_by(result: Result) -> float | None:
    """Tell what the loudest spot in the audience has more than the mixer's, in dB(A).

    For sound with as much in every third octave, all sides that have a take at the mixer's place
    together, over the bands that are usable at both.

    Returns
    -------
    float or None
        None where no spot can be compared with one that is called "mixer".
    """
    states = [one.state for one in result.takes if one.spot == MIXER_SPOT and one.usable]
    state = "after" if "after" in states else "before"
    spots: dict[str, dict[str, NDArray[np.float64]]] = {}
    for take in result.takes:
        plain = take.usable and take.at == "audience" and take.walk is None and not take.with_subs
        if plain and take.state == state:
            spots.setdefault(take.spot, {})[take.side] = _weighted_power(take)
    mixer = spots.pop(MIXER_SPOT, {})
    found = [
        _more_db(mixer, spot) for spot in spots.values() if mixer and mixer.keys() <= spot.keys()
    ]
    return max((more_db for more_db in found if np.isfinite(more_db)), default=None)


def _weighted_power(take: TakeResult) -> NDArray[np.float64]:
    level_db = np.array([np.nan if one.level_db is None else one.level_db for one in take.bands])
    level_db[[not one.usable for one in take.bands]] = np.nan
    return power_from_db(level_db + a_weighting_db([one.hz for one in take.bands]))


def _more_db(
    mixer: Mapping[str, NDArray[np.float64]], spot: Mapping[str, NDArray[np.float64]]
) -> float:
    pairs = [np.stack([spot[side], mixer[side]]) for side in mixer]
    there, here = sum(np.where(np.isfinite(one).all(axis=0), one, 0.0).sum(axis=1) for one in pairs)
    return float(db_from_power(there / here)) if here > 0.0 else float("nan")
