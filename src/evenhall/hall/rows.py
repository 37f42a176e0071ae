"""How loud each row is against the middle one, as things stand and as proposed: `rows_heard()`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.hall.pair import USUAL_ROOM_DB
from evenhall.hall.seats import Placed, Seats
from evenhall.hall.setting import Room
from evenhall.hall.stances import hearing_of, stance_of

__all__ = ["RowsHeard", "rows_heard"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RowsHeard:
    """Mean level of 200 Hz to 4 kHz of each row, mean of its seats, dB re the middle row.

    Parameters
    ----------
    row_m : ndarray, shape (n_rows,)
        Along the floor from under the loudspeakers as they stand.
    now_db : ndarray, shape (n_rows,)
    proposed_db : ndarray, shape (n_rows,), or None
        Where nothing is proposed.
    """

    row_m: FloatArray
    now_db: FloatArray
    proposed_db: FloatArray | None


def _rows_db(pair: Sequence[Placed], seats: Seats, room: Room, room_db: float) -> FloatArray:
    hearing = hearing_of(pair, seats, room, room_db=room_db)
    stance = stance_of(pair, hearing.middle_m)
    aim = np.array([stance.down_deg]), np.array([stance.inwards_deg])
    level_db = hearing.mid_db(stance, *aim)[0].reshape(seats.shape).mean(axis=1)
    return np.asarray(level_db - level_db[(level_db.size - 1) // 2])


def rows_heard(
    pair: Sequence[Placed],
    proposed: Sequence[Placed] | None,
    seats: Seats,
    room: Room,
    *,
    room_db: float = USUAL_ROOM_DB,
) -> RowsHeard:
    """Forecast the rows for a pair as it stands, and as it is proposed.

    Parameters
    ----------
    room_db : float
        As for `best_stance()`.
    """
    return RowsHeard(
        seats.along_m - pair[0].along_m,
        _rows_db(pair, seats, room, room_db),
        None if proposed is None else _rows_db(proposed, seats, room, room_db),
    )
