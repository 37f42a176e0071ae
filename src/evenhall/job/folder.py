"""The job folder."""

from evenhall.job.model import (
    Audience,
    Equalizer,
    Job,
    Microphone,
    Reference,
    Rig,
    Take,
    Target,
    Venue,
)

__all__ = [
    "Audience",
    "Equalizer",
    "Job",
    "Microphone",
    "Reference",
    "Rig",
    "Take",
    "Target",
    "Venue",
]
