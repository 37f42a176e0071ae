"""Mains hum in a stretch of microphone: which mains, and how loud. Start at `mains_hum()`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.hum import hum_lines_hz, tones
from evenhall.acoustics.level import rms_dbfs

__all__ = ["MainsHum", "mains_hum"]

Float32Array = NDArray[np.float32]

MAINS_HZ = (50.0, 60.0)
TOP_HZ, HIGHEST_ORDER = 700.0, 12
# A grid holds its frequency to a few tenths of a per cent; a short stretch places a line no better
# than within a part of its own resolution.
DEVIATION = 0.004
PLACED = 0.4  # of the reciprocal of the stretch
# One line alone may be a fan or a mode of the room that still rings.
FEWEST_LINES = 2


@dataclass(frozen=True)
class MainsHum:
    """Hum from the mains.

    Parameters
    ----------
    mains_hz : float
        50 or 60.
    level_dbfs : float
        RMS of its lines together, dB re a full-scale sine.
    """

    mains_hz: float
    level_dbfs: float


def mains_hum(stretch: Float32Array, *, rate_hz: float) -> MainsHum | None:
    """Find mains hum in a stretch of microphone.

    Parameters
    ----------
    stretch : ndarray, shape (n_samples,)
        Half a second or more, in which no other steady tone sounds on purpose.

    Returns
    -------
    MainsHum or None
        None where fewer than two lines of one mains are heard, or neither its fundamental nor
        the second harmonic that rectifiers make.
    """
    lines_hz = hum_lines_hz(stretch, stretch, rate_hz)
    lines_hz = lines_hz[lines_hz <= TOP_HZ]
    best: tuple[int, float, list[float]] | None = None
    for mains_hz in MAINS_HZ:
        orders, found = [], []
        for line_hz in lines_hz:
            order = round(float(line_hz) / mains_hz)
            slack_hz = DEVIATION * line_hz + PLACED * rate_hz / stretch.size
            if 1 <= order <= HIGHEST_ORDER and abs(line_hz - order * mains_hz) <= slack_hz:
                orders.append(order)
                found.append(float(line_hz))
        if len(set(orders)) < FEWEST_LINES or min(orders) > 2:
            continue
        if best is None or len(orders) > best[0]:
            best = (len(orders), mains_hz, found)
    if best is None:
        return None
    _, mains_hz, found = best
    hum = tones(stretch, np.asarray(found), rate_hz)
    return MainsHum(mains_hz, float(rms_dbfs(hum)))
