"""What the response should be: named shapes, each with its reason, or points of one's own.

A target says how tone should lie, not how loud; its level is free. Start at `target_points()`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SHAPES", "Shape", "target_db", "target_points"]

FloatArray = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Shape:
    """A named target.

    Parameters
    ----------
    points : tuple of (hz, db)
        Joined by straight lines over log frequency, held beyond the ends.
    why : str
        When it serves, and why it looks so.
    """

    points: Points
    why: str


# Common practice, no source, for every figure but that of "tilt", which the contract defines.
SHAPES: dict[str, Shape] = {
    "tilt": Shape(
        ((63.0, 4.0), (16000.0, -4.0)),
        "Falls 1 dB an octave. Loudspeakers gather treble and rooms hold bass, so a response that "
        "sounds even measures as a gentle fall; a measured flat line sounds thin and harsh.",
    ),
    "flat": Shape(
        ((63.0, 0.0), (16000.0, 0.0)),
        "For outdoors, very dead rooms, or a microphone near the loudspeaker, where the direct "
        "sound is nearly all there is.",
    ),
    "speech": Shape(
        ((80.0, -3.0), (160.0, 0.0), (400.0, 0.0), (1000.0, 0.0), (4000.0, 0.0), (16000.0, -4.0)),
        "Bass carries no words and feeds handling noise and boom; the consonants from 1 to 4 kHz "
        "are kept whole.",
    ),
    "music": Shape(
        ((40.0, 7.0), (80.0, 6.0), (200.0, 3.0), (1000.0, 0.0), (4000.0, -1.5), (16000.0, -5.0)),
        "A little more weight below 200 Hz than the tilt, for recorded music and dancing, at a "
        "level that ears take for hours.",
    ),
}


def target_points(shape: str, points: Sequence[tuple[float, float]] | None = None) -> Points:
    """Points of a named shape, or the user's own where given.

    Examples
    --------
    >>> target_points("tilt")
    ((63.0, 4.0), (16000.0, -4.0))
    """
    return tuple(points) if points is not None else SHAPES[shape].points


def target_db(points: Points, freq_hz: ArrayLike) -> FloatArray:
    """Target at each frequency.

    Examples
    --------
    >>> target_db(target_points("tilt"), [31.5, 1000.0]).round(1).tolist()
    [4.0, 0.0]
    """
    hz = np.array([point[0] for point in points])
    level_db = np.array([point[1] for point in points])
    return np.asarray(np.interp(np.log(np.asarray(freq_hz, dtype=float)), np.log(hz), level_db))
