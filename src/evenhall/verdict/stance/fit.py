"""The forecast of the hall held against the takes, side by side: `fits_of()`.

Where they part from any hall, a fit says what to look at first (`Fitted.checks`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.verdict.stance.fitted_hall import Fitted, fit_to_takes
from evenhall.verdict.take import SpotResponse

__all__ = ["fits_of"]


def fits_of(
    spots: Sequence[SpotResponse], speaker: Loudspeaker, room: Room, audience: Audience
) -> tuple[Fitted, ...]:
    """Fit the forecast to each main loudspeaker's takes; none where there are too few."""
    fits = []
    for side in dict.fromkeys(spot.side for spot in spots if spot.element.is_main):
        own = [spot for spot in spots if spot.side == side and spot.distance_m is not None]
        if len(own) < 2:
            continue
        try:
            fits.append(
                fit_to_takes(
                    speaker,
                    room,
                    ear_height_m=audience.ear_height_m,
                    distance_m=np.array([spot.distance_m for spot in own], dtype=np.float64),
                    level_db=np.array([spot.level_db for spot in own]),
                    uncertainty_db=np.array([spot.uncertainty_db for spot in own]),
                    name=f"the {side} loudspeaker",
                    spots=tuple(spot.spot for spot in own),
                )
            )
        except InputError:
            continue  # too few usable bands: the takes themselves say so already
    return tuple(fits)
