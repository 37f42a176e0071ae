"""The demo: the job folder of an invented hall, its takes computed, its faults known.

`write_demo()` writes job.toml, the microphone's calibration and six takes; `write_demo_after()`
adds the takes after the card was set, with that card really in the way of the sound. For a visit
without hardware `demo_impulse()` gives what simulated devices play through, with what the hands
have changed by then.

What is wrong in the hall: the boxes stand low, so the front row gets far more than the last. They
boom around 200 Hz and are harsh around 3 kHz (the card mends that). A folding wall 0.95 m behind
them cancels 90 Hz everywhere, and stacked chairs behind the middle row take 160 Hz out there
(both are left alone). The right channel is set 1.6 dB low.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.stimulus import pink_noise
from evenhall.equalizer.graphic import GraphicUnit, graphic_unit
from evenhall.errors import InputError, StoreError
from evenhall.job.folder import (
    JOB_FILE,
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
from evenhall.sound import simulated

__all__ = [
    "DEMO_VENUE",
    "GAIN_DB",
    "LINE_CHECK",
    "NOISE",
    "SPOTS_M",
    "demo_hall",
    "demo_impulse",
    "demo_job",
    "write_calibration",
    "write_demo",
    "write_demo_after",
]

FloatArray = NDArray[np.float64]

DEMO_VENUE = "Ottersfold Hall"
FIRST_LINE = "# Written by evenhall demo: an invented hall, its takes computed.\n"
CALIBRATION_FILE = "mic.txt"
TAKES_FOLDER = "takes"
FILES_OF_OURS = (JOB_FILE, CALIBRATION_FILE, TAKES_FOLDER, "out")

RATE_HZ = 48_000
STIMULUS_S = 10.0
STIMULUS_SEED = 20
HALL_HEIGHT_M = 4.2
SPEAKER_HEIGHT_M = 1.6
SPEAKER_FROM_WALL_M = 0.9  # from the front wall
SPOTS_M = {"front": 2.5, "middle": 6.1, "back": 11.6}  # along the floor from the loudspeaker
INWARDS_M = {"front": 0.4, "middle": 0.2, "back": 0.4}  # from its axis to the middle of the hall
EAR_HEIGHT_M = 1.2
ACROSS_M = {"left": 2.2, "right": 6.8}
GAIN_DB = {"left": 0.0, "right": -1.6}  # of the channels, as they were found
# One more place, for the line check: nearer the left one by 0.67 m.
LINE_CHECK = "line check"
LINE_CHECK_M = (SPEAKER_FROM_WALL_M + 2.5, 4.0, EAR_HEIGHT_M)

MICROPHONE = simulated.Microphone(
    (
        (20.0, -1.2),
        (31.5, -0.5),
        (63.0, -0.1),
        (125.0, 0.0),
        (1000.0, 0.0),
        (2000.0, 0.1),
        (4000.0, 0.4),
        (6300.0, 1.1),
        (8000.0, 1.7),
        (10000.0, 2.2),
        (12500.0, 2.0),
        (16000.0, 0.9),
        (20000.0, -1.4),
    )
)
NOISE = simulated.Noise(level_dbfs=-70.0, hum_hz=50.0, hum_dbfs=-82.0)
SENSITIVITY_DB_SPL = 112.0


Card = Mapping[str, Mapping[float, float]]  # positions in dB by nominal frequency in Hz


def demo_hall(
    *,
    speaker_height_m: float = SPEAKER_HEIGHT_M,
    speaker_down_deg: float = 0.0,
    gain_db: Mapping[str, float] = GAIN_DB,
) -> simulated.SimulatedHall:
    """Give the demo's hall, without an equalizer.

    Parameters
    ----------
    speaker_height_m, speaker_down_deg : float
        Where the boxes hang and how far they tip down; as they were found, if left out.
    gain_db : mapping of str to float
        Of the channels of the sides named; as they were found for others.
    """
    box = simulated.Box(
        low_limit_hz=58.0,
        high_limit_hz=20_000.0,
        peaks=(simulated.Peak(245.0, 7.0, 2.0), simulated.Peak(2800.0, 7.0, 2.5)),
    )
    elements = {
        side: simulated.Element(
            box,
            (SPEAKER_FROM_WALL_M, across_m, speaker_height_m),
            down_deg=speaker_down_deg,
            turn_deg=turn_deg,
            gain_db=gain_db.get(side, GAIN_DB[side]),
            wall_behind_m=0.95,
        )
        for (side, across_m), turn_deg in zip(ACROSS_M.items(), (8.0, -8.0), strict=True)
    }
    # Each side has its own places, mirrored but for a hand's breadth, as people put them.
    spots = {
        _place(side, spot): (
            SPEAKER_FROM_WALL_M + down_m,
            across_m + inwards * INWARDS_M[spot] + 0.05,
            EAR_HEIGHT_M,
        )
        for (side, across_m), inwards in zip(ACROSS_M.items(), (1.0, -1.0), strict=True)
        for spot, down_m in SPOTS_M.items()
    }
    spots[LINE_CHECK] = LINE_CHECK_M
    return simulated.SimulatedHall(
        room=simulated.Room(
            16.0, 9.0, HALL_HEIGHT_M, rt60_s=(0.95, 0.85, 0.75, 0.66, 0.6, 0.58, 0.55, 0.5)
        ),
        elements=elements,
        spots=spots,
        microphone=MICROPHONE,
        clutter_behind_m={_place(side, "middle"): 0.53 for side in ACROSS_M},
    )


def demo_impulse(
    side: str,
    spot: str,
    *,
    rate_hz: float,
    card: Card | None = None,
    unit: GraphicUnit | None = None,
    speaker_height_m: float = SPEAKER_HEIGHT_M,
    speaker_down_deg: float = 0.0,
    gain_db: Mapping[str, float] = GAIN_DB,
) -> FloatArray:
    """Give what simulated devices play through, when a side is soloed and the microphone stands.

    Parameters
    ----------
    side : {"left", "right"}
    spot : {"front", "middle", "back", "line check"}
        Each side has its own places, but for the line check.
    rate_hz : float
    card : mapping of str to mapping of float to float, optional
        As for `write_demo_after()`; faders are flat without.
    unit : GraphicUnit, optional
        That the card is set on; one of 31 faders without.
    speaker_height_m, speaker_down_deg, gain_db
        What the hands have changed, see `demo_hall()`.

    Returns
    -------
    ndarray, shape (n_samples,)
        Impulse response from what is sent to the microphone's input; not to be written to. The
        last ones asked for are remembered, with the same `unit` object.

    Raises
    ------
    InputError
        There is no such side or spot, the boxes would not hang in the hall, or the card has
        faders that its unit has not.
    """
    faults = []
    if side not in ACROSS_M:
        faults.append(f'The demo has no side "{side}". There are: {", ".join(ACROSS_M)}.')
    if spot not in (*SPOTS_M, LINE_CHECK):
        faults.append(
            f'The demo has no spot "{spot}". There are: {", ".join((*SPOTS_M, LINE_CHECK))}.'
        )
    if not 0.0 < speaker_height_m < HALL_HEIGHT_M:
        faults.append(
            f"Loudspeakers at {speaker_height_m:g} m would not hang in the demo's hall, which is "
            f"{HALL_HEIGHT_M:g} m high. Give a height within it."
        )
    if faults:
        raise InputError(*faults)
    faders: tuple[float, ...] | None = None
    if card is not None:
        unit = unit or graphic_unit(31)
        faders = tuple(_positions(unit, _of_side(card, side)))
    return _impulse(
        side,
        spot if spot == LINE_CHECK else _place(side, spot),
        rate_hz,
        unit if faders is not None else None,
        faders,
        speaker_height_m,
        speaker_down_deg,
        gain_db.get(side, GAIN_DB[side]),
    )


# Six takes before and after, and a line check.
@lru_cache(maxsize=16)
def _impulse(
    side: str,
    place: str,
    rate_hz: float,
    unit: GraphicUnit | None,
    faders: tuple[float, ...] | None,
    speaker_height_m: float,
    speaker_down_deg: float,
    gain_db: float,
) -> FloatArray:
    hall = demo_hall(
        speaker_height_m=speaker_height_m,
        speaker_down_deg=speaker_down_deg,
        gain_db={side: gain_db},
    )
    if faders is not None:
        hall = replace(hall, unit=unit, faders={side: faders})
    impulse = hall.true_response(side, place, rate_hz=rate_hz)
    impulse.setflags(write=False)
    return impulse


def demo_job(*, bands: Literal[31, 15, 10] = 31, takes: tuple[Take, ...] = ()) -> Job:
    """Set out the demo's venue and rig, as somebody with a tape would.

    Parameters
    ----------
    bands : int
        Faders of the equalizer in its rack.
    takes : tuple of Take
    """
    return Job(
        venue=Venue(name=DEMO_VENUE, length_m=16.0, width_m=9.0, height_m=HALL_HEIGHT_M),
        audience=Audience(first_row_m=2.0, last_row_m=12.5, ear_height_m=EAR_HEIGHT_M),
        rig=Rig(
            sides=tuple(ACROSS_M),
            speaker_height_m=SPEAKER_HEIGHT_M,
            speaker_down_deg=0.0,
            coverage_h_deg=90.0,
            coverage_v_deg=60.0,
            low_limit_hz=55.0,
            max_height_m=3.2,
        ),
        equalizer=Equalizer(bands=bands),
        microphone=Microphone(calibration=CALIBRATION_FILE, sensitivity_db_spl=SENSITIVITY_DB_SPL),
        takes=takes,
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


def write_demo(folder: Path, *, bands: Literal[31, 15, 10] = 31) -> None:
    """Write the demo's job folder: job.toml, calibration and six takes, none with a card set.

    Parameters
    ----------
    folder : Path
        New, empty, or an earlier demo, which is written anew.
    bands : int
        Faders of the equalizer in its rack.

    Raises
    ------
    InputError
        The folder holds something else.
    StoreError
        It cannot be written.
    """
    _refuse_foreign(folder)
    job = demo_job(bands=bands, takes=_takes(demo_hall(), "before"))
    try:
        (folder / TAKES_FOLDER).mkdir(parents=True, exist_ok=True)
        if not _is_demo(folder):
            # Marked from the start: a demo that was broken off can be written anew.
            (folder / JOB_FILE).write_text(FIRST_LINE, encoding="utf-8")
        for old in _takes(demo_hall(), "after"):
            (folder / old.file).unlink(missing_ok=True)
        write_calibration(folder)
        _record(folder, demo_hall(), job.takes)
        _write_job(folder, job)
    except OSError as error:
        raise _not_written(folder, error) from error


def write_demo_after(folder: Path, card: Card) -> None:
    """Add the takes after the card was set, and name them in job.toml.

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
    equalizer = job.equalizer
    if equalizer.response == "measured":
        raise InputError(
            f'{folder / JOB_FILE}: [equalizer] response = "measured" is unknown to the demo. '
            'Give "proportional-q" or "constant-q".'
        )
    unit = graphic_unit(
        equalizer.bands,
        model=equalizer.response,
        range_db=equalizer.range_db,
        step_db=equalizer.step_db,
        max_boost_db=equalizer.max_boost_db,
        q=equalizer.q,
    )
    faders = {side: _positions(unit, _of_side(card, side)) for side in ACROSS_M}
    hall = replace(demo_hall(), unit=unit, faders=faders)
    before = tuple(take for take in job.takes if take.state == "before")
    after = _takes(hall, "after")
    try:
        _record(folder, hall, after)
        _write_job(folder, job.model_copy(update={"takes": before + after}))
    except OSError as error:
        raise _not_written(folder, error) from error


def _place(side: str, spot: str) -> str:
    return f"{side}-{spot}"


def _takes(hall: simulated.SimulatedHall, state: Literal["before", "after"]) -> tuple[Take, ...]:
    ending = "" if state == "before" else "-after"
    return tuple(
        Take(
            file=f"{TAKES_FOLDER}/{_place(side, spot)}{ending}.wav",
            side=side,
            spot=spot,
            # To the centimetre, as a tape or a laser gives it.
            distance_m=round(hall.distance_m(side, _place(side, spot)), 2),
            mic_channel=1,
            reference_channel=2,
            state=state,
        )
        for side in ACROSS_M
        for spot in SPOTS_M
    )


def _of_side(card: Card, side: str) -> Mapping[float, float]:
    return card.get(side, card.get("both", {}))


def _positions(unit: GraphicUnit, faders: Mapping[float, float]) -> FloatArray:
    """Positions of all faders of the unit; those that the card does not name stay at 0."""
    positions = np.zeros(unit.nominal_hz.size)
    for fader_hz, fader_db in faders.items():
        at = np.flatnonzero(np.isclose(unit.nominal_hz, fader_hz, rtol=1e-3))
        if not at.size:
            raise InputError(
                f"The card moves a fader at {fader_hz:g} Hz, which this unit has not. "
                "Tune the demo again and set that card."
            )
        positions[at[0]] = fader_db
    return positions


def _record(folder: Path, hall: simulated.SimulatedHall, takes: Sequence[Take]) -> None:
    """Compute and write the takes, two at a time: transforms leave the interpreter free."""
    import soundfile

    stimulus = pink_noise(STIMULUS_S, rate_hz=RATE_HZ, seed=STIMULUS_SEED)

    def record(number: int) -> None:
        take = takes[number]
        place = _place(take.side, take.spot)
        seed = 100 + number + (50 if take.state == "after" else 0)
        samples, rate_hz = hall.take(
            take.side, place, stimulus, rate_hz=RATE_HZ, seed=seed, noise=NOISE
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
