"""How well speech is understood in each row, forecast, and how that is said.

    clarity_by_row()      STI and level of speech, a row at a time
    clarity_texts()       the rows in sentences
    clarity_text()        one place in a sentence, forecast or measured

The loudspeaker's direct sound, and a decay that begins with it, as loud as `level.py` has them.
No single reflection, so a slap off the back wall is not in it, and one loudspeaker: a second one
at another distance is a late arrival more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.bands import EXACT_HZ, nearest_band
from evenhall.acoustics.intelligibility import (
    rating,
    room_modulation,
    speech_transmission_index,
)
from evenhall.acoustics.voice import (
    OCTAVES_HZ,
    SPEECH_DB,
    a_weighted_db,
    hearing_factor,
    octave_power,
    room_noise_db,
    speech_db,
)
from evenhall.hall.level import level_by_row
from evenhall.hall.setting import Audience, Loudspeaker, Room

__all__ = [
    "MEASURED_DOUBT",
    "USUAL_SPEECH_DBA",
    "RowClarity",
    "SpeechAt",
    "clarity_by_row",
    "clarity_text",
    "clarity_texts",
    "speech_at",
]

FloatArray = NDArray[np.float64]

# Amplified speech in the middle of the audience; common practice, no source.
USUAL_SPEECH_DBA = 65.0
ROW_COUNT = 9
# A difference of 0.03 is the least that is heard (Bradley, Reich and Norcross, 1999), and what
# measurements repeat to; a forecast from one reverberation time is off by up to 0.1 (Galbrun and
# Kitapci, 2014).
MEASURED_DOUBT, FORECAST_DOUBT = 0.03, 0.1
GOOD_FROM = 0.60
WORTH_STI = 0.03
_OCTAVE_HZ = EXACT_HZ[[nearest_band(hz) for hz in OCTAVES_HZ]]


@dataclass(frozen=True)
class SpeechAt:
    """Speech at one place, and what spoils it.

    Parameters
    ----------
    sti : float
        0 to 1; nan where it cannot be told.
    quiet_sti : float
        What it would be without noise.
    dry_sti : float
        What it would be without reverberation.
    level_dba, noise_dba : float
        A-weighted levels of speech and noise.
    """

    sti: float
    quiet_sti: float
    dry_sti: float
    level_dba: float
    noise_dba: float


@dataclass(frozen=True)
class RowClarity:
    """Speech in the rows, from front to back.

    Parameters
    ----------
    row_m, distance_m : ndarray, shape (n_rows,)
        Along the floor, and from the loudspeaker to the ears.
    """

    row_m: FloatArray
    distance_m: FloatArray
    speech: tuple[SpeechAt, ...]

    @property
    def sti(self) -> FloatArray:
        """Index of each row, shape (n_rows,)."""
        return np.array([row.sti for row in self.speech])


def speech_at(
    modulation: FloatArray,
    *,
    speech_db_spl: FloatArray,
    noise_db_spl: FloatArray,
) -> SpeechAt:
    """Index at one place, as it is, without noise and without reverberation.

    Parameters
    ----------
    modulation : ndarray, shape (14, 7)
        What the room leaves.
    speech_db_spl, noise_db_spl : ndarray, shape (7,)
        Octave levels at the listener.
    """
    factor = hearing_factor(speech_db_spl, noise_db_spl)
    quiet = hearing_factor(speech_db_spl, np.full(7, -np.inf))

    def sti(modulation: FloatArray, factor: FloatArray) -> float:
        return speech_transmission_index(modulation, factor=factor)

    return SpeechAt(
        sti=sti(modulation, factor),
        quiet_sti=sti(modulation, quiet),
        dry_sti=sti(np.ones_like(modulation), factor),
        level_dba=float(a_weighted_db(speech_db_spl)),
        noise_dba=float(a_weighted_db(noise_db_spl)),
    )


def clarity_by_row(
    speaker: Loudspeaker,
    room: Room,
    audience: Audience,
    *,
    row_m: ArrayLike | None = None,
    speech_dba: float = USUAL_SPEECH_DBA,
    noise_db_spl: ArrayLike | None = None,
) -> RowClarity | None:
    """Forecast how well speech from `speaker` is understood in each row.

    Parameters
    ----------
    row_m : array_like, shape (n_rows,), optional
        Rows along the floor; else nine from the first to the last.
    speech_dba : float
        Level of speech in the middle of the audience, dB(A); the others hear it louder or
        softer, as the loudspeaker and the room have it.
    noise_db_spl : array_like, shape (7,), optional
        Noise in the octaves from 125 Hz to 8 kHz; else a quiet hall's, 35 dB(A).

    Returns
    -------
    RowClarity or None
        None where the room's size or reverberation time is not known.

    Raises
    ------
    InputError
        The setting cannot be built.

    Examples
    --------
    >>> hall = Room(18.0, 10.0, 4.5, rt60_s=1.5)
    >>> rows = clarity_by_row(Loudspeaker(2.6, 7.0), hall, Audience(2.0, 14.0))
    >>> rating(rows.sti[0]), rating(rows.sti[-1])
    ('good', 'fair')
    """
    first_m, last_m = audience.first_row_m, audience.last_row_m
    rows = np.linspace(first_m, last_m, ROW_COUNT) if row_m is None else np.asarray(row_m)
    # The last is the middle of the audience, to which the level is stated.
    asked = np.append(rows, 0.5 * (first_m + last_m))
    levels = level_by_row(speaker, room, audience, row_m=asked)
    rt60_s = room.decay_s(_OCTAVE_HZ)
    if levels.reverberant_db is None or rt60_s is None:
        return None
    direct, late = octave_power(levels.direct_db), octave_power(levels.reverberant_db)
    modulation = room_modulation(direct, late, rt60_s)
    heard_db = SPEECH_DB + 10.0 * np.log10(direct + late)
    level_dba = a_weighted_db(heard_db)
    speech = speech_db(speech_dba + level_dba - level_dba[-1], shape_db=heard_db - SPEECH_DB)
    noise = room_noise_db() if noise_db_spl is None else np.asarray(noise_db_spl, dtype=np.float64)
    return RowClarity(
        row_m=np.asarray(rows, dtype=np.float64),
        distance_m=levels.distance_m[:-1],
        speech=tuple(
            speech_at(modulation[k], speech_db_spl=speech[k], noise_db_spl=noise)
            for k in range(rows.size)
        ),
    )


def _word(sti: float) -> str:
    # Of the figure as it is printed: "fair: STI 0.60" would be read as a mistake.
    return rating(round(sti, 2))


def _cure(speech: SpeechAt) -> str:
    """Name what spoils it most and what to do; empty where it is good as it is."""
    if not round(speech.sti, 2) < GOOD_FROM:
        return ""
    by_noise, by_room = speech.quiet_sti - speech.sti, speech.dry_sti - speech.sti
    over_db = speech.level_dba - speech.noise_dba
    if by_noise >= max(by_room, WORTH_STI):
        return (
            f"Noise spoils most: speech is only {over_db:.0f} dB above it here. Turn off what hums "
            "or blows, or bring the box nearer; without noise it would be STI "
            f"{speech.quiet_sti:.2f}."
        )
    if by_room < WORTH_STI:
        return "Set the level first: it is too soft or too loud to be understood better."
    also = (
        f" Less noise helps too, to STI {speech.quiet_sti:.2f} at most."
        if by_noise >= WORTH_STI
        else " More level does not help."
    )
    return (
        "The room's reverberation spoils most: bring the box nearer, aim it at people and not at "
        "walls, hang curtains or fill the seats. No EQ fixes it." + also
    )


def clarity_text(where: str, speech: SpeechAt, *, doubt: float) -> str:
    """Say how well speech is understood at one place, and what spoils it.

    Parameters
    ----------
    where : str
        Begins the sentence: "At the back (14 m)".
    doubt : float
        How far the index may be off: `FORECAST_DOUBT` or `MEASURED_DOUBT`.

    Examples
    --------
    >>> clarity_text("At the back", SpeechAt(0.66, 0.7, 0.9, 65.0, 35.0), doubt=0.03)
    'At the back speech is good: STI 0.66, give or take 0.03.'
    """
    if not np.isfinite(speech.sti):
        return f"{where} the speech index is unknown."
    text = f"{where} speech is {_word(speech.sti)}: STI {speech.sti:.2f}, give or take {doubt:g}."
    cure = _cure(speech)
    return f"{text} {cure}" if cure else text


def clarity_texts(rows: RowClarity) -> tuple[str, ...]:
    """Say how well the rows understand speech: the whole in one sentence, then the worst row.

    The second is left out where speech is good everywhere. The last says what was assumed.
    """
    front, back = rows.speech[0], rows.speech[-1]
    words = _word(front.sti), _word(back.sti)
    span = words[0] if words[0] == words[1] else f"{words[0]} in front, {words[1]} at the back"
    worst = int(np.argmin(rows.sti))
    texts = [
        f"Forecast: speech is {span} (STI {front.sti:.2f} at {rows.row_m[0]:g} m, "
        f"{back.sti:.2f} at {rows.row_m[-1]:g} m)."
    ]
    if round(rows.sti[worst], 2) < GOOD_FROM:
        where = f"In the row at {rows.row_m[worst]:g} m"
        texts.append(clarity_text(where, rows.speech[worst], doubt=FORECAST_DOUBT))
    texts.append(
        f"This is an estimate, good to about {FORECAST_DOUBT:g}: it assumes one reverberation "
        f"time, one box, {front.noise_dba:.0f} dB(A) of background noise and no echo off a single "
        "wall. A take in the row is surer."
    )
    return tuple(texts)
