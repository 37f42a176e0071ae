"""Geometry, coverage and level: what a ladder or a tilt would change.

setting     the room, the people, the loudspeaker
coverage    how a loudspeaker's level falls off its axis
level       what each row hears, direct and reverberant
hands       the best height and aim
clarity     how well speech is understood, row by row
feedback    gain before feedback, potential and needed
gain_steps  what a metre buys of it
spots       where to put the microphone
"""

from evenhall.hall.clarity import (
    RowClarity,
    SpeechAt,
    clarity_by_row,
    clarity_text,
    clarity_texts,
    speech_at,
)
from evenhall.hall.coverage import directivity_q, off_axis_db
from evenhall.hall.feedback import (
    AcousticGain,
    Microphone,
    acoustic_gain,
    gain_text,
    needed_gain_db,
    potential_gain_db,
)
from evenhall.hall.gain_steps import GainStep, gain_steps
from evenhall.hall.hands import Proposal, Reason, Stance, best_height_and_aim
from evenhall.hall.level import (
    RowLevels,
    critical_distance_m,
    front_minus_back_db,
    level_by_row,
    mid_mean_db,
)
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.hall.spots import Spot, distance_m, usual_spots

__all__ = [
    "AcousticGain",
    "Audience",
    "GainStep",
    "Loudspeaker",
    "Microphone",
    "Proposal",
    "Reason",
    "Room",
    "RowClarity",
    "RowLevels",
    "SpeechAt",
    "Spot",
    "Stance",
    "acoustic_gain",
    "best_height_and_aim",
    "clarity_by_row",
    "clarity_text",
    "clarity_texts",
    "critical_distance_m",
    "directivity_q",
    "distance_m",
    "front_minus_back_db",
    "gain_steps",
    "gain_text",
    "level_by_row",
    "mid_mean_db",
    "needed_gain_db",
    "off_axis_db",
    "potential_gain_db",
    "speech_at",
    "usual_spots",
]
