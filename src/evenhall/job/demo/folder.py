"""The demo's job folder: an invented hall, its takes computed, its faults known.

`write_demo()` writes job.toml, the microphone's calibration and six takes; `write_demo_after()`
adds the takes after the card was set, with that card really in the way of the sound. What is
wrong in the hall stands in `hall.py`; `demo_job()` is what somebody with a tape finds there.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Literal

import numpy as np

from evenhall.acoustics.overload import rising_tone
from evenhall.acoustics.stimulus import exponential_sweep, pink_noise
from evenhall.equalizer.graphic import GraphicUnit, graphic_unit
from evenhall.errors import InputError, StoreError
from evenhall.job.demo.hall import (
    ACROSS_M,
    CHAPEL_HUNG,
    EAR_HEIGHT_M,
    FIRST_ROW_M,
    HALL_HEIGHT_M,
    HALL_LENGTH_M,
    HALL_WIDTH_M,
    LAST_ROW_M,
    MICROPHONE,
    NOISE,
    SPEAKER_FROM_WALL_M,
    SPEAKER_HEIGHT_M,
    SPEAKER_INWARDS_DEG,
    SPOTS_M,
    SUB,
    Card,
    SubChannel,
    demo_hall,
    place_of,
    playing,
    sub_channel,
    worked_on,
)
from evenhall.job.folder.reading import (
    JOB_FILE,
    TAKES_FOLDER,
    Audience,
    Equalizer,
    Job,
    Microphone,
    Rig,
    Take,
    Venue,
    dump_job,
    load_job,
)
from evenhall.job.folder.unit_file import UNIT_FILE
from evenhall.job.tune.tuning import tune, unit_of
from evenhall.job.tune.unit import (
    RISING_DBFS,
    RISING_S,
    ROUND_FILE,
    UnitHead,
    read_round,
    round_toml,
)
from evenhall.job.tune.unit import STIMULUS_S as SWEEP_S
from evenhall.sound import simulated
from evenhall.sound.simulated.unit import LyingUnit, lying_unit

__all__ = [
    "DEMO_VENUE",
    "SUB_VENUE",
    "UNIT_FOLDER",
    "demo_job",
    "write_calibration",
    "write_demo",
    "write_demo_after",
    "write_old_unit",
]

DEMO_VENUE, SUB_VENUE = "Ottersfold Hall", "Wickenholme Chapel"
FIRST_LINE = "# Written by evenhall demo: an invented hall, its takes computed.\n"
CALIBRATION_FILE = "mic.txt"
UNIT_FOLDER = "unit"
FILES_OF_OURS = (JOB_FILE, CALIBRATION_FILE, TAKES_FOLDER, UNIT_FOLDER, UNIT_FILE, "out")

RATE_HZ = 48_000
STIMULUS_S = 10.0
STIMULUS_SEED = 20
OLD_UNIT_SEED = 8
OLD_UNIT_CLIPS = 0.5  # amplitude at which the old unit's output ends: -6 dBFS
SENSITIVITY_DB_SPL = 112.0


def demo_job(
    *,
    bands: Literal[31, 15, 10] = 31,
    takes: tuple[Take, ...] = (),
    with_sub: bool = False,
) -> Job:
    """Set out the demo's venue and rig, as somebody with a tape would.

    Parameters
    ----------
    bands : int
        Faders of the equalizer in its rack.
    with_sub : bool
        Whether it is the second venue, where the equalizer feeds a sub too.
    """
    job = Job(
        venue=Venue(
            name=DEMO_VENUE,
            length_m=HALL_LENGTH_M,
            width_m=HALL_WIDTH_M,
            height_m=HALL_HEIGHT_M,
        ),
        audience=Audience(
            first_row_m=FIRST_ROW_M, last_row_m=LAST_ROW_M, ear_height_m=EAR_HEIGHT_M
        ),
        rig=Rig(
            sides=tuple(ACROSS_M),
            speaker_height_m=SPEAKER_HEIGHT_M,
            speaker_down_deg=0.0,
            speaker_inwards_deg=SPEAKER_INWARDS_DEG,
            apart_m=round(ACROSS_M["right"] - ACROSS_M["left"], 3),
            from_wall_m=SPEAKER_FROM_WALL_M,
            coverage_h_deg=90.0,
            coverage_v_deg=60.0,
            low_limit_hz=55.0,
            max_height_m=3.2,
        ),
        equalizer=Equalizer(bands=bands),
        microphone=Microphone(calibration=CALIBRATION_FILE, sensitivity_db_spl=SENSITIVITY_DB_SPL),
        takes=takes,
    )
    if not with_sub:
        return job
    rig = {
        **vars(CHAPEL_HUNG),
        "sides": (*ACROSS_M, SUB),
        "has_processor": True,
        "low_limit_hz": 85.0,
    }
    return job.model_copy(
        update={
            "venue": job.venue.model_copy(update={"name": SUB_VENUE}),
            "rig": job.rig.model_copy(update=rig),
            "equalizer": job.equalizer.model_copy(update={"feeds_subs": True}),
        }
    )


def write_calibration(folder: Path) -> None:
    """Write the microphone's file, which `demo_job()` names.

    Raises
    ------
    StoreError
        It cannot be written.
    """
    path = folder / CALIBRATION_FILE
    try:
        path.write_text(MICROPHONE.calibration_text(), encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{path}: could not be written ({error.strerror}).") from error


def write_demo(folder: Path, *, bands: Literal[31, 15, 10] = 31, with_sub: bool = False) -> None:
    """Write the demo's job folder: job.toml, calibration and six takes, none with a card set.

    With a sub: three takes, of each element alone at the middle spot.

    Parameters
    ----------
    folder : Path
        New, empty, or an earlier demo, which is written anew.
    bands : int
        Faders of the equalizer in its rack.
    with_sub : bool
        Whether it is the second venue.

    Raises
    ------
    InputError
        The folder holds something else.
    StoreError
        It cannot be written.
    """
    _refuse_foreign(folder)
    hall = demo_hall(CHAPEL_HUNG, sub=SubChannel()) if with_sub else demo_hall()
    takes = _alone(hall) if with_sub else _takes(hall, "before")
    job = demo_job(bands=bands, takes=takes, with_sub=with_sub)
    try:
        (folder / TAKES_FOLDER).mkdir(parents=True, exist_ok=True)
        if not _is_demo(folder):
            # Marked from the start: a demo that was broken off can be written anew.
            (folder / JOB_FILE).write_text(FIRST_LINE, encoding="utf-8")
        together = _takes(hall, "before", with_subs=True)
        for old in (*together, *_takes(hall, "after"), *_takes(hall, "after", with_subs=True)):
            (folder / old.file).unlink(missing_ok=True)
        (folder / UNIT_FOLDER / ROUND_FILE).unlink(missing_ok=True)
        write_calibration(folder)
        _record(folder, hall, job.takes)
        _write_job(folder, job)
    except OSError as error:
        raise _not_written(folder, error) from error


def write_demo_after(folder: Path, card: Card) -> None:
    """Add the takes that follow the work, and name them in job.toml.

    That are those after the card was set; with a sub first those of mains and sub together, once
    they are joined.

    Parameters
    ----------
    folder : Path
        Written by `write_demo()`.
    card : mapping of str to mapping of float to float
        For ``"both"`` or for each side: fader positions in dB by nominal frequency in Hz.

    Raises
    ------
    InputError
        The folder holds no demo, or the card has faders that its unit has not.
    StoreError
        It cannot be written.
    """
    if not _is_demo(folder):
        raise InputError(
            f"{folder}: holds no demo. Give a folder that 'evenhall demo FOLDER' has written."
        )
    job = load_job(folder)
    unit = unit_of(job, folder)
    real = old_unit(unit) if (folder / UNIT_FOLDER / ROUND_FILE).is_file() else None
    before = tuple(take for take in job.takes if take.state == "before")
    with_subs = SUB in job.rig.sides
    hall = demo_hall(CHAPEL_HUNG, sub=_joined(job, folder)) if with_subs else demo_hall()
    if with_subs and not any(take.with_subs for take in before):
        after = _takes(hall, "before", with_subs=True)
    else:
        after = _takes(hall, "after", with_subs=with_subs)  # the tape was read once
        hall = worked_on(hall, card, unit, real=real)
    try:
        _record(folder, hall, after)
        _write_job(folder, job.model_copy(update={"takes": before + after}))
    except OSError as error:
        raise _not_written(folder, error) from error


def old_unit(faceplate: GraphicUnit, *, right: bool = False) -> LyingUnit:
    """Give the old unit that the demo can have in its rack, or its right channel."""
    plain = graphic_unit([float(hz) for hz in faceplate.nominal_hz])
    return lying_unit(plain.centre_hz, plain.q, seed=OLD_UNIT_SEED + right)


def write_old_unit(folder: Path) -> None:
    """Put an old unit into the demo's rack: the recordings of its learning round.

    Parameters
    ----------
    folder : Path
        Written by `write_demo()`; the round goes into its folder "unit".

    Raises
    ------
    StoreError
        It cannot be written.
    """
    import soundfile

    bands = load_job(folder).equalizer.bands
    head = UnitHead(name="Old unit", bands=bands)
    place = folder / UNIT_FOLDER
    played = exponential_sweep(SWEEP_S, rate_hz=RATE_HZ, level_dbfs=-26.0, lead_s=0.25)
    played = np.concatenate((played, np.zeros(RATE_HZ // 2)))
    freq_hz = np.maximum(np.fft.rfftfreq(played.size, 1.0 / RATE_HZ), 1e-3)
    spectrum = np.fft.rfft(played)
    try:
        place.mkdir(exist_ok=True)
        (place / ROUND_FILE).write_text(round_toml(head), encoding="utf-8")
        found = read_round(place, recorded=False)
        unit = old_unit(found.faceplate)
        for at, setting in enumerate(found.settings):
            if setting.rising:
                tone = rising_tone(RISING_S, rate_hz=RATE_HZ, highest_dbfs=RISING_DBFS)
                sound = np.column_stack((np.clip(tone, -OLD_UNIT_CLIPS, OLD_UNIT_CLIPS), tone))
                soundfile.write(place / setting.file, sound, RATE_HZ, subtype="PCM_24")
                continue
            heard = spectrum
            if not setting.bypass:
                heard = spectrum * unit.response(found.faders_db(setting), freq_hz)
            rng = np.random.default_rng(at)
            behind = np.fft.irfft(heard, played.size) + 1e-5 * rng.standard_normal(played.size)
            sound = np.column_stack((behind, played))
            soundfile.write(place / setting.file, sound, RATE_HZ, subtype="PCM_24")
    except OSError as error:
        raise _not_written(folder, error) from error


def _takes(
    hall: simulated.SimulatedHall, state: Literal["before", "after"], *, with_subs: bool = False
) -> tuple[Take, ...]:
    return tuple(
        _take(hall, side, spot, state, with_subs=with_subs) for side in ACROSS_M for spot in SPOTS_M
    )


def _joined(job: Job, folder: Path) -> SubChannel:
    """Join the sub as the takes of each alone say."""
    alone = tuple(one for one in job.takes if one.state == "before" and not one.with_subs)
    figures: dict[str, float | str] = {}
    for move in tune(job.model_copy(update={"takes": alone}), folder).moves:
        figures |= {name: one for name, one in move.to.items() if one is not None}
    return sub_channel(figures)


def _alone(hall: simulated.SimulatedHall) -> tuple[Take, ...]:
    return tuple(_take(hall, side, "middle", "before") for side in hall.elements)


def _take(
    hall: simulated.SimulatedHall,
    side: str,
    spot: str,
    state: Literal["before", "after"],
    *,
    with_subs: bool = False,
) -> Take:
    ending = ("-with-sub" if with_subs else "") + ("-after" if state == "after" else "")
    take = Take(
        file=f"{TAKES_FOLDER}/{place_of(side, spot)}{ending}.wav",
        side=side,
        spot=spot,
        # To the centimetre, as a tape or a laser gives it.
        distance_m=round(hall.distance_m(side, place_of(side, spot)), 2),
        mic_channel=1,
        reference_channel=2,
        state=state,
    )
    return take.model_copy(update={"with_subs": True}) if with_subs else take


def _record(folder: Path, hall: simulated.SimulatedHall, takes: Sequence[Take]) -> None:
    """Compute and write the takes, two at a time: transforms leave the interpreter free."""
    import soundfile

    stimulus = pink_noise(STIMULUS_S, rate_hz=RATE_HZ, seed=STIMULUS_SEED)

    def record(number: int) -> None:
        take = takes[number]
        place = place_of(take.side, take.spot)
        seed = 100 + number + (50 if take.state == "after" else 0) + (20 if take.with_subs else 0)
        elements = playing(hall, take.side, with_subs=take.with_subs)
        samples, rate_hz = hall.take(
            elements, place, stimulus, rate_hz=RATE_HZ, seed=seed, noise=NOISE
        )
        part = folder / f"{take.file}.part"
        soundfile.write(part, samples, round(rate_hz), format="WAV", subtype="PCM_24")
        part.replace(folder / take.file)

    try:
        with ThreadPoolExecutor(max_workers=2) as pool:
            list(pool.map(record, range(len(takes))))
    except soundfile.LibsndfileError as error:
        raise StoreError(
            f"{folder / TAKES_FOLDER}: a take could not be written ({error.error_string}). "
            "Check the free space and the permissions."
        ) from error


def _write_job(folder: Path, job: Job) -> None:
    part = folder / f"{JOB_FILE}.part"
    part.write_text(FIRST_LINE + dump_job(job), encoding="utf-8")
    part.replace(folder / JOB_FILE)


def _is_demo(folder: Path) -> bool:
    """Whether the folder's job.toml is one of ours."""
    try:
        with (folder / JOB_FILE).open(encoding="utf-8", errors="replace") as file:
            return file.readline() == FIRST_LINE
    except OSError:
        return False


def _refuse_foreign(folder: Path) -> None:
    """Refuse to write where somebody's files are."""
    if folder.is_dir():
        if not any(folder.iterdir()):
            return
        if _is_demo(folder) and all(one.name in FILES_OF_OURS for one in folder.iterdir()):
            return
        raise InputError(f"{folder}: is not empty. Give a new folder, or one with a demo in it.")
    if folder.exists() or folder.is_symlink():
        raise InputError(f"{folder}: is a file. Give a new folder.")


def _not_written(folder: Path, error: OSError) -> StoreError:
    return StoreError(
        f"{folder}: the demo could not be written ({error.strerror}). "
        "Check the free space and the permissions, or give another folder."
    )
