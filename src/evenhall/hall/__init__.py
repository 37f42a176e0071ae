"""Geometry, coverage and level: what a ladder or a tilt would change.

setting     the room, the people, the loudspeaker
coverage    how a loudspeaker's level falls off its axis
level       what each row hears, direct and reverberant
hands       the best height and aim
spots       where to put the microphone
delay       when and how loud a delay loudspeaker plays
"""

from evenhall.hall.coverage import directivity_q, off_axis_db
from evenhall.hall.delay import DelayLevel, DelayTime, delay_level, delay_time, flight_s
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
    "Audience",
    "DelayLevel",
    "DelayTime",
    "Loudspeaker",
    "Proposal",
    "Reason",
    "Room",
    "RowLevels",
    "Spot",
    "Stance",
    "best_height_and_aim",
    "critical_distance_m",
    "delay_level",
    "delay_time",
    "directivity_q",
    "distance_m",
    "flight_s",
    "front_minus_back_db",
    "level_by_row",
    "mid_mean_db",
    "off_axis_db",
    "usual_spots",
]
