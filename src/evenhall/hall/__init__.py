"""Geometry, coverage and level: what a ladder or a tilt would change.

setting     the room, the people, the loudspeaker
coverage    how a loudspeaker's level falls off its axis
pattern     other models of that: horn, cone, measured data (read by polar)
level       what each row hears of one loudspeaker, direct and reverberant
surfaces    absorption and decay
seats       who sits where, and where the loudspeakers stand
field       what every seat hears of all loudspeakers
pair        the best stance of a pair, or of one (search, stances; said by stance_words)
rows        how loud each row is against the middle one
reach       what would help where hands do not
clarity     how well speech is understood, row by row
feedback    gain before feedback, potential and needed; gain_steps: what a metre buys of it
spots       where to put the microphone; walk: with reasons, in walking order
delay       when and how loud a delay loudspeaker plays
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
from evenhall.hall.delay import DelayLevel, DelayTime, delay_level, delay_time, flight_s
from evenhall.hall.feedback import (
    AcousticGain,
    Microphone,
    acoustic_gain,
    gain_text,
    needed_gain_db,
    potential_gain_db,
)
from evenhall.hall.field import Field, forecast, forecast_points
from evenhall.hall.gain_steps import GainStep, gain_steps
from evenhall.hall.level import (
    RowLevels,
    critical_distance_m,
    front_minus_back_db,
    level_by_row,
    mid_mean_db,
)
from evenhall.hall.pair import PairProposal, best_stance
from evenhall.hall.pattern import (
    HornPattern,
    MeasuredPattern,
    NominalPattern,
    Pattern,
    PistonPattern,
    TwoWayPattern,
)
from evenhall.hall.polar import read_polar
from evenhall.hall.reach import Help, what_would
from evenhall.hall.rows import RowsHeard, rows_heard
from evenhall.hall.search import Limits
from evenhall.hall.seats import Placed, Seats, check_places, usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.hall.spots import Spot, distance_m, usual_spots
from evenhall.hall.stance_words import stance_lines
from evenhall.hall.stances import PairStance
from evenhall.hall.surfaces import Surfaces, band_decay_s, decay_s, even_surfaces, usual_decay_s
from evenhall.hall.walk import WalkSpot, spots_for

__all__ = [
    "AcousticGain",
    "Audience",
    "DelayLevel",
    "DelayTime",
    "Field",
    "GainStep",
    "Help",
    "HornPattern",
    "Limits",
    "Loudspeaker",
    "MeasuredPattern",
    "Microphone",
    "NominalPattern",
    "PairProposal",
    "PairStance",
    "Pattern",
    "PistonPattern",
    "Placed",
    "Room",
    "RowClarity",
    "RowLevels",
    "RowsHeard",
    "Seats",
    "SpeechAt",
    "Spot",
    "Surfaces",
    "TwoWayPattern",
    "WalkSpot",
    "acoustic_gain",
    "band_decay_s",
    "best_stance",
    "check_places",
    "clarity_by_row",
    "clarity_text",
    "clarity_texts",
    "critical_distance_m",
    "decay_s",
    "delay_level",
    "delay_time",
    "directivity_q",
    "distance_m",
    "even_surfaces",
    "flight_s",
    "forecast",
    "forecast_points",
    "front_minus_back_db",
    "gain_steps",
    "gain_text",
    "level_by_row",
    "mid_mean_db",
    "needed_gain_db",
    "off_axis_db",
    "potential_gain_db",
    "read_polar",
    "rows_heard",
    "speech_at",
    "spots_for",
    "stance_lines",
    "usual_decay_s",
    "usual_pair",
    "usual_seats",
    "usual_spots",
    "what_would",
]
