"""What to look at before a hall is believed, where its takes part from any: `hall_checks_of()`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenhall.errors import InputError
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.verdict.corrected import fit_to_takes
from evenhall.verdict.take import SpotResponse, is_main

__all__ = ["hall_checks_of"]


def hall_checks_of(
    spots: Sequence[SpotResponse], speaker: Loudspeaker, room: Room, audience: Audience
) -> tuple[str, ...]:
    """Say what to look at where the takes part from any hall: a blocked horn, a wrong aim."""
    lines: list[str] = []
    for side in dict.fromkeys(spot.side for spot in spots if is_main(spot.side)):
        own = [spot for spot in spots if spot.side == side and spot.distance_m is not None]
        if len(own) < 2:
            continue
        try:
            fitted = fit_to_takes(
                speaker,
                room,
                ear_height_m=audience.ear_height_m,
                distance_m=np.array([spot.distance_m for spot in own], dtype=np.float64),
                level_db=np.array([spot.level_db for spot in own]),
                uncertainty_db=np.array([spot.uncertainty_db for spot in own]),
                name=f"the {side} loudspeaker",
                spots=tuple(spot.spot for spot in own),
            )
        except InputError:
            continue  # too few usable bands: the takes themselves say so already
        lines += [check.text for check in fitted.checks]
    return tuple(lines)
