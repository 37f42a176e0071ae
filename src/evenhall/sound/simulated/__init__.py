"""A hall that is computed, where none is at hand: takes whose truth is known.

box.py        the loudspeaker, its faults and its place
room.py       image sources and the decaying tail
walking.py    the same for a microphone that walks, and a tail that places share
recorder.py   microphone, noise, preamp and converter
hall.py       all of it together: `SimulatedHall`, start there
"""

from evenhall.sound.simulated.box import Box, Element, Peak
from evenhall.sound.simulated.hall import SimulatedHall
from evenhall.sound.simulated.recorder import Bump, Microphone, Noise, Recorder
from evenhall.sound.simulated.room import Room

__all__ = [
    "Box",
    "Bump",
    "Element",
    "Microphone",
    "Noise",
    "Peak",
    "Recorder",
    "Room",
    "SimulatedHall",
]
