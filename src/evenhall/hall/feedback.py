"""Gain before feedback: what the microphones have, what the people need, what a metre buys.

    acoustic_gain()   the handbook formulas from where things stand, octave by octave
    gain_text()       the balance in a sentence

The open microphone nearest to a loudspeaker, and that loudspeaker alone. Indoors no path falls
below the reverberant field, which is where the handbooks hold a distance at the critical one.
The octave that leaves the least decides: a box that looks away from the microphone in the treble
looks everywhere in the bass. What a move buys: `gain_steps.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, nearest_band
from evenhall.errors import InputError
from evenhall.hall.level import critical_distance_m
from evenhall.hall.seats import directions
from evenhall.hall.setting import Audience, Loudspeaker, Room, check_setting

__all__ = [
    "NEAREST_TALKER_M",
    "AcousticGain",
    "Microphone",
    "acoustic_gain",
    "gain_text",
]

FloatArray = NDArray[np.float64]

MARGIN_DB = 6.0  # below it the sound rings before it howls; a sound reinforcement handbook, 5.3.1
UNAIDED_M = 2.4  # 8 feet: a talker is well understood unaided in quiet; handbooks, from memory
# A talker gathers a little towards the front; handbooks, from memory.
TALKER_Q = 2.0
CARDIOID_DIFFUSE_DB = -10.0 * np.log10(3.0)  # of sound from all round, a third is heard
CARDIOID_FLOOR_DB = -20.0  # to the back no real one is deaf; common practice, no source
# Speech; below, a low cut is usual, above, nothing rings first.
OCTAVES_HZ = (250.0, 500.0, 1000.0, 2000.0, 4000.0)
_FREQ_HZ = EXACT_HZ[[nearest_band(hz) for hz in OCTAVES_HZ]]
NEAREST_TALKER_M = 0.05
FARTHEST_M = 300.0
ALLOWED = {
    "talker_m": "metres from mouth to microphone, more than 0",
    "height_m": "metres above the audience floor",
    "behind_m": "metres behind the loudspeaker's front, negative in front of it",
    "aside_m": "metres to the side of the loudspeaker",
    "open_count": "1 or more microphones",
}


@dataclass(frozen=True)
class Microphone:
    """The talker's microphone, as seen from the loudspeaker that is nearest to it.

    Parameters
    ----------
    behind_m : float
        How far behind the loudspeaker's front it stands, along the floor; negative in front.
    aside_m : float
        How far to the side of the loudspeaker's axis.
    talker_m : float
        Mouth to microphone.
    height_m : float
        Above the audience floor.
    cardioid : bool
        Or omnidirectional. A cardioid's back looks down the room.
    open_count : int
        Microphones open at once, this one included.
    """

    behind_m: float
    aside_m: float
    talker_m: float = 0.3
    height_m: float = 1.5
    cardioid: bool = True
    open_count: int = 1


@dataclass(frozen=True)
class AcousticGain:
    """What the microphone may be lifted by, and what it must be.

    Parameters
    ----------
    potential_db : float
        Gain over the unaided voice in the last row, margin and open microphones taken off.
    needed_db : float
        Gain that brings the last row as near as a talker is well understood unaided, 2.4 m.
    octave_hz : float
        Octave that leaves the least, where it would ring first.
    """

    potential_db: float
    needed_db: float
    octave_hz: float

    @property
    def spare_db(self) -> float:
        """Potential less needed; negative where it will not do."""
        return self.potential_db - self.needed_db


def _check(microphone: Microphone) -> None:
    # Written as what is good, so that NaN is a fault.
    checks = (
        ("talker_m", microphone.talker_m, 0.0 < microphone.talker_m < FARTHEST_M),
        ("height_m", microphone.height_m, 0.0 <= microphone.height_m < FARTHEST_M),
        ("behind_m", microphone.behind_m, abs(microphone.behind_m) < FARTHEST_M),
        ("aside_m", microphone.aside_m, abs(microphone.aside_m) < FARTHEST_M),
        ("open_count", microphone.open_count, microphone.open_count >= 1),
    )
    faults = [
        f"Microphone {name} = {value:g} cannot be. Give {ALLOWED[name]}."
        for name, value, good in checks
        if not good
    ]
    if faults:
        raise InputError(*faults)


def _power(level_db: FloatArray) -> FloatArray:
    return np.asarray(10.0 ** (level_db / 10.0))


def _towards_db(speaker: Loudspeaker, vector_m: FloatArray) -> FloatArray:
    """Level of the loudspeaker towards a point, dB re on axis, by octave."""
    across, down = directions(vector_m[None], np.array([speaker.down_deg]), np.zeros(1))
    return np.asarray(speaker.pattern.off_axis_db(across, down, freq_hz=_FREQ_HZ)[0, 0])


def acoustic_gain(
    microphone: Microphone, speaker: Loudspeaker, room: Room, audience: Audience
) -> AcousticGain:
    """Potential and needed gain for the last row, straight in front of the loudspeaker.

    Potential is 20 lg(D0 D1 / (D2 Ds)) - 10 lg NOM - margin and needed 20 lg(D0 / EAD), as the
    sound-system handbooks give them (from memory), with what a box and a cardioid lose off their
    axes, and with the room's reverberant field added to each path where its size and decay are
    known.

    Raises
    ------
    InputError
        The setting cannot be built, or the microphone stands in the loudspeaker.
    """
    check_setting(speaker, room, audience)
    _check(microphone)
    box = np.array([0.0, 0.0, speaker.height_m])
    mic = np.array([-microphone.behind_m, microphone.aside_m, microphone.height_m])
    mouth = mic - np.array([microphone.talker_m, 0.0, 0.0])
    listener = np.array([audience.last_row_m, 0.0, audience.ear_height_m])
    d0_m, d1_m, d2_m = (
        float(np.linalg.norm(path)) for path in (listener - mouth, mic - box, listener - box)
    )
    if d1_m < NEAREST_TALKER_M:
        raise InputError(
            "Microphone behind_m, aside_m and height_m put it into the loudspeaker. "
            "Give where it really stands."
        )
    talker_late, speaker_late = np.zeros(_FREQ_HZ.size), np.zeros(_FREQ_HZ.size)
    decay_s = room.decay_s(_FREQ_HZ)
    if room.volume_m3 is not None and decay_s is not None:
        q = speaker.pattern.directivity_q(_FREQ_HZ)
        talker_late, speaker_late = (
            critical_distance_m(
                gathers,
                volume_m3=room.volume_m3,
                rt60_s=decay_s,
                speed_m_s=room.speed_m_s,
            )
            ** -2.0
            for gathers in (np.full(_FREQ_HZ.size, TALKER_Q), q)
        )
    # A cardioid faces the talker, its back down the room.
    ear_db, ear_late_db = 0.0, 0.0
    if microphone.cardioid:
        facing = (mic - box)[0] / d1_m
        ear_db = max(20.0 * np.log10(max((1.0 + facing) / 2.0, 1e-3)), CARDIOID_FLOOR_DB)
        ear_late_db = CARDIOID_DIFFUSE_DB
    back = _power(_towards_db(speaker, mic - box) + ear_db) / d1_m**2
    back = back + speaker_late * _power(np.asarray(ear_late_db))
    forth = _power(_towards_db(speaker, listener - box)) / d2_m**2 + speaker_late
    unaided, near = 1.0 / d0_m**2 + talker_late, 1.0 / UNAIDED_M**2 + talker_late
    taken = forth / (back * unaided * microphone.talker_m**2)
    potential_db = 10.0 * np.log10(taken) - 10.0 * np.log10(microphone.open_count) - MARGIN_DB
    needed_db = np.maximum(10.0 * np.log10(near / unaided), 0.0)
    worst = int(np.argmin(potential_db - needed_db))
    return AcousticGain(
        potential_db=float(potential_db[worst]),
        needed_db=float(needed_db[worst]),
        octave_hz=OCTAVES_HZ[worst],
    )


def _hz(hz: float) -> str:
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def gain_text(gain: AcousticGain) -> str:
    """Say whether the gain will do, and where it would ring first.

    Examples
    --------
    >>> hall = acoustic_gain(Microphone(1.0, 2.0), Loudspeaker(2.0), Room(), Audience(2.0, 12.0))
    >>> gain_text(hall).split(":")[0]
    'The last row can have 27 dB before feedback and needs 15 dB'
    """
    spare_db = gain.spare_db
    have = f"The last row can have {gain.potential_db:.0f} dB before feedback"
    need = f"needs {gain.needed_db:.0f} dB"
    first = f"It would ring first near {_hz(gain.octave_hz)}. A margin of {MARGIN_DB:g} dB is kept."
    if spare_db >= 0.0:
        return f"{have} and {need}: {spare_db:.0f} dB to spare. {first}"
    return f"{have} but {need}: {-spare_db:.0f} dB short. {first}"
