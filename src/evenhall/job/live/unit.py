"""Learning a unit by a sound device: the round led through, setting by setting.

    record_round()     each setting asked for, played, recorded, and looked at before the next
    check_again()      a unit that was learned before: has it drifted?

Wiring: output of the interface to the unit, the unit to the input that the microphone would be on.
What is sent serves as the reference. No loudspeaker is on.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.overload import rising_tone
from evenhall.acoustics.stimulus import exponential_sweep
from evenhall.disk import make_folder
from evenhall.equalizer.checking import drift, setting_fault
from evenhall.equalizer.learning import fit_freq_hz
from evenhall.errors import DeviceError, InputError
from evenhall.job.folder.unit_file import UnitFile
from evenhall.job.live.watch import Answer, SetFaders, Watch, progress_to
from evenhall.job.tune.unit import (
    RISING_DBFS,
    RISING_S,
    ROUND_FILE,
    STIMULUS_S,
    Round,
    Setting,
    gain_db,
    overload_of,
)
from evenhall.sound.live.capture import Captured, capture
from evenhall.sound.live.open_devices import CEILING_DBFS, RAMP_S, OpenDevices, ramped
from evenhall.sound.writing import TakeWriter

__all__ = ["check_again", "record_round"]

FloatArray = NDArray[np.float64]

# 12 dB of boost still leaves room below full scale.
LEVEL_DBFS = -26.0
TAIL_S = 0.4
TRIES = 3  # of a sweep in which sound was lost


def record_round(
    live: OpenDevices,
    folder: Path,
    found: Round,
    *,
    watch: Watch,
    ceiling_dbfs: float = CEILING_DBFS,
) -> bool:
    """Lead through the settings that have no recording yet.

    Parameters
    ----------
    live : OpenDevices
        Open devices that play and record.
    folder : Path
        Where the recordings go, under the names that the round gives.
    ceiling_dbfs : float
        Highest peak that the devices were opened with: the rising tone goes no higher.

    Returns
    -------
    bool
        Whether all are recorded; what is there is kept, and a later call goes on.

    Raises
    ------
    InputError
        These devices do not play.
    DeviceError
        The device is gone, or the input went dead.
    StoreError
        A recording could not be written.
    """
    _check_plays(live)
    freq_hz = fit_freq_hz()
    # What all else is held against comes before it, in whatever order the file has them.
    in_order = sorted(found.settings, key=lambda one: (one.rising, bool(one.faders_hz), one.bypass))
    flat_db: FloatArray | None = None
    for at, setting in enumerate(in_order, 1):
        wanted = SetFaders(found, setting, at, len(in_order))
        answer: Answer = "keep" if (folder / setting.file).is_file() else watch.ask(wanted)
        while answer == "on":
            signal = _signal(live, setting, ceiling_dbfs)
            captured = _play(live, signal, watch)
            if captured is None:
                return False
            _write(folder, setting, captured, signal, live)
            fault = _fault(folder, found, setting, flat_db, freq_hz)
            if fault is None:
                break
            answer = "end"
            try:
                answer = watch.ask(replace(wanted, fault=fault))
            finally:  # also where nobody comes to answer: a wrong one would pass for recorded
                if answer != "keep":
                    (folder / setting.file).unlink()
        if answer == "end":
            return False
        if setting.flat and flat_db is None:
            flat_db = gain_db(folder, setting, freq_hz)
    return True


def check_again(
    live: OpenDevices, folder: Path, found: Round, learned: UnitFile, *, watch: Watch
) -> tuple[str, float] | None:
    """Play through everything flat and one setting, and hold it against what was learned.

    Parameters
    ----------
    folder : Path
        Keeps the two recordings in a folder of their own, in place of earlier ones.

    Returns
    -------
    str, float
        What to say, and by how many dB the unit is off at worst; None where it was stopped.

    Raises
    ------
    InputError
        Another unit was learned than the round is for; or as `record_round()`, which also tells
        what else is raised.
    """
    _check_plays(live)
    hz = [fader.hz for fader in learned.faders]
    if hz != found.faceplate.nominal_hz.tolist():
        raise InputError(
            f"{ROUND_FILE}: its bands are not those that were learned. Correct it, or learn the "
            "unit again."
        )
    freq_hz = fit_freq_hz()
    flat = next(one for one in found.settings if one.flat)
    moved = next(one for one in found.settings if one.faders_hz)
    place = folder / "again"
    make_folder(place)
    gains = []
    for at, setting in enumerate((flat, moved), 1):
        if watch.ask(SetFaders(found, setting, at, 2)) == "end":
            return None
        signal = _sweep(live.rate_hz)
        captured = _play(live, signal, watch)
        if captured is None:
            return None
        (place / setting.file).unlink(missing_ok=True)
        _write(place, setting, captured, signal, live)
        gains.append(gain_db(place, setting, freq_hz))
    unit = learned.unit(step_db=0.0, max_boost_db=learned.range_db)
    return drift(unit, found.faders_db(moved), gains[1] - gains[0], freq_hz)


def _check_plays(live: OpenDevices) -> None:
    if not live.setup.plays:
        raise InputError(
            "Choose --reference inside: now the mixer plays by itself, and a unit is learned by "
            "what is sent."
        )


def _play(live: OpenDevices, signal: FloatArray, watch: Watch) -> Captured | None:
    length_s = signal.size / live.rate_hz
    for _ in range(TRIES):
        captured = capture(
            live,
            signal,
            length_s=length_s,
            tail_s=TAIL_S,
            on_block=progress_to(watch, rate_hz=live.rate_hz, length_s=length_s, channels=1),
            stop_wanted=watch.stop_wanted,
        )
        if captured.ended == "stopped":
            return None
        if not captured.lost:
            return captured
    raise DeviceError("Sound was lost in every sweep. Close other programs, and go on.")


def _sweep(rate_hz: float) -> FloatArray:
    return exponential_sweep(
        STIMULUS_S,
        rate_hz=round(rate_hz),
        level_dbfs=LEVEL_DBFS,
        high_hz=min(22_000.0, 0.48 * rate_hz),
        lead_s=RAMP_S,
    )


def _signal(live: OpenDevices, setting: Setting, ceiling_dbfs: float) -> FloatArray:
    if not setting.rising:
        return _sweep(live.rate_hz)
    # Of a sine peak and RMS are alike, re a full-scale sine.
    return rising_tone(
        RISING_S, rate_hz=live.rate_hz, highest_dbfs=min(RISING_DBFS, ceiling_dbfs - 0.1)
    )


def _write(
    folder: Path, setting: Setting, captured: Captured, signal: FloatArray, live: OpenDevices
) -> None:
    """Keep what came in, and beside it what was sent."""
    behind = captured.microphone
    sent = captured.sent
    if not live.one_clock:
        whole = ramped(signal, live.rate_hz).astype(np.float32)
        sent = np.zeros_like(behind)
        sent[: whole.size] = whole[: behind.size]
    columns = np.zeros((behind.size, max(setting.channel, setting.reference_channel)), np.float32)
    columns[:, setting.channel - 1] = behind
    columns[:, setting.reference_channel - 1] = sent
    with TakeWriter(
        folder / setting.file, rate_hz=round(live.rate_hz), channels=columns.shape[1]
    ) as writer:
        writer.write(columns)
        writer.finish()


def _fault(
    folder: Path, found: Round, setting: Setting, flat_db: FloatArray | None, freq_hz: FloatArray
) -> str | None:
    """Say what is wrong with a recording; None where nothing seems to be."""
    try:
        if setting.rising:
            overload_of(folder, setting)
            return None
        gain = gain_db(folder, setting, freq_hz)
    except InputError as error:
        return str(error)
    if flat_db is None or setting.bypass:
        return None
    return setting_fault(found.faceplate, found.faders_db(setting), gain - flat_db, freq_hz)
