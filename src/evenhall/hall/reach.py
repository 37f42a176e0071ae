"""What would help where height and aim do not: a delay pair, a second pair, coming nearer.

Start at `what_would()`. Each way is forecast by the same seats and sums as the pair itself
(`field.py`), and comes with the sentence that says it. A delay pair plays later than the sound
from the stage arrives, so that the ear takes the stage for the source (see `delay.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import MID_BANDS
from evenhall.cautions import LIFTING
from evenhall.hall.delay import AIM_LATE_S, MOST_LOUDER_DB
from evenhall.hall.field import Field, forecast
from evenhall.hall.level import EVEN_WITHIN_DB
from evenhall.hall.search import WORTH_DB
from evenhall.hall.seats import Placed, Seats
from evenhall.hall.setting import CEILING_GAP_M, Room

__all__ = ["Help", "what_would"]

DELAY_SHARES = (0.4, 0.5, 0.6, 0.7)  # of the way to the last row
GAINS_DB = tuple(float(gain) for gain in range(-18, 1))
DELAY_OVER_EARS_M = 1.2  # over heads, out of reach; common practice, no source

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Help:
    """One way to more even rows.

    Parameters
    ----------
    kind : str
        "delay", "second" or "nearer".
    text : str
        What to do, with its forecast.
    spread_db, was_db : float
        Loudest row less softest, each the mean of its seats, 200 Hz to 4 kHz.
    added : tuple of Placed
        Loudspeakers added, with their gain and delay.
    along_m : float
        Of the added loudspeakers, or of the last row to come to, from the wall behind the stage.
    delay_s, gain_db : float
        Of the added loudspeakers; 0 where there are none.
    """

    kind: str
    text: str
    spread_db: float
    was_db: float
    added: tuple[Placed, ...]
    along_m: float
    delay_s: float
    gain_db: float


def _uneven_db(mid_db: FloatArray) -> float:
    """Loudest row less softest, of levels (n_rows, n_seats)."""
    return float(np.ptp(mid_db.mean(axis=1)))


def _together_db(one: Field, other: Field, gain_db: float) -> FloatArray:
    """Mid level of two groups as powers: 10 ms apart or metres apart, they are no more."""
    power = 10.0 ** (one.total_db / 10.0) + 10.0 ** ((other.total_db + gain_db) / 10.0)
    mid_db = 10.0 * np.log10(power)[:, MID_BANDS].mean(axis=1)
    return np.asarray(mid_db.reshape(one.shape))


def what_would(
    pair: Sequence[Placed], seats: Seats, room: Room, *, limit_db: float = EVEN_WITHIN_DB
) -> tuple[Help, ...]:
    """List what would bring the rows within the limit, the most even first.

    Parameters
    ----------
    pair : sequence of Placed
        As the hands leave it at best.
    limit_db : float
        Rows that differ by no more need nothing: the answer is empty.

    Raises
    ------
    InputError
        The setting cannot be built.
    """
    now = forecast(pair, seats, room)
    was_db = _uneven_db(now.mid_db)
    if was_db <= limit_db or seats.along_m.size < 3:
        return ()
    ways = [
        _delay_pair(pair, seats, room, now),
        _second_pair(pair, seats, room, now),
        _nearer(seats, now, limit_db),
    ]
    useful = [way for way in ways if way and way.spread_db < was_db - WORTH_DB]
    return tuple(sorted(useful, key=lambda way: way.spread_db))


def _delayed(box: Placed, along_m: float, height_m: float, seats: Seats, room: Room) -> Placed:
    """Put a box like `box` down the room, aimed at the last row, later than the stage's sound.

    The way is reckoned to the ears halfway between it and the last row, who hear both.
    """
    ahead_m = float(seats.along_m.max()) - along_m
    drop_m = height_m - seats.ear_height_m
    place_m = np.array([along_m, box.across_m, height_m])
    ears_m = np.array([along_m + 0.5 * ahead_m, box.across_m, seats.ear_height_m])
    way_m = np.linalg.norm(ears_m - box.point_m) - np.linalg.norm(ears_m - place_m)
    return replace(
        box,
        name=f"delay {box.name}",
        along_m=along_m,
        height_m=height_m,
        down_deg=float(round(np.degrees(np.arctan2(drop_m, ahead_m)))),
        delay_s=float(box.delay_s + way_m / room.speed_m_s + AIM_LATE_S),
    )


def _delay_pair(pair: Sequence[Placed], seats: Seats, room: Room, now: Field) -> Help | None:
    """Try a second pair down the room, later by the way there and a little more."""
    start_m = float(np.mean([box.along_m for box in pair]))
    last_m = float(seats.along_m.max())
    height_m = seats.ear_height_m + DELAY_OVER_EARS_M
    if room.height_m is not None:
        height_m = min(height_m, room.height_m - CEILING_GAP_M)
    best: tuple[float, float, tuple[Placed, ...]] | None = None
    for share in DELAY_SHARES:
        along_m = round(start_m + share * (last_m - start_m), 1)
        boxes = [_delayed(box, along_m, height_m, seats, room) for box in pair]
        own = forecast(boxes, seats, room)
        over_db = (own.direct_db - now.direct_db)[:, MID_BANDS].mean(axis=1).reshape(seats.shape)
        behind = seats.along_m > along_m + 0.5
        for gain_db in GAINS_DB:
            if (over_db[behind] + gain_db).max() > MOST_LOUDER_DB:
                continue
            uneven_db = _uneven_db(_together_db(now, own, gain_db))
            if best is None or uneven_db < best[0]:
                added = tuple(replace(box, gain_db=box.gain_db + gain_db) for box in boxes)
                best = uneven_db, gain_db, added
    if best is None:
        return None
    _, gain_db, added = best
    then_db, was_db = (
        _uneven_db(forecast([*pair, *added], seats, room).mid_db),
        _uneven_db(now.mid_db),
    )
    along_m, delay_s = added[0].along_m, added[0].delay_s - pair[0].delay_s
    text = (
        f"Put a delay pair {along_m - start_m:.1f} m down the room from the mains, "
        f"{height_m:.1f} m high, {delay_s * 1e3:.0f} ms later and {-gain_db:.0f} dB below them: "
        f"the rows then differ by {then_db:.1f} dB instead of {was_db:.1f} dB. The time is that of "
        f"the sound on its way there, and {AIM_LATE_S * 1e3:.0f} ms more to keep the stage the "
        f"source. {LIFTING}"
    )
    return Help("delay", text, then_db, was_db, added, along_m, delay_s, gain_db)


def _second_pair(pair: Sequence[Placed], seats: Seats, room: Room, now: Field) -> Help | None:
    """Try a pair beside the mains for the front rows, the mains aimed at the last row."""
    first_m, last_m = float(seats.along_m.min()), float(seats.along_m.max())
    far, near = [], []
    for box in pair:
        drop_m = box.height_m - seats.ear_height_m
        far_deg = float(round(np.degrees(np.arctan2(drop_m, last_m - box.along_m))))
        middle_m = 0.5 * (first_m + min(first_m + 4.0, last_m)) - box.along_m
        near_deg = float(round(np.degrees(np.arctan2(drop_m, max(middle_m, 0.5)))))
        far.append(replace(box, down_deg=far_deg))
        near.append(replace(box, name=f"second {box.name}", down_deg=min(near_deg, 60.0)))
    mains, own = forecast(far, seats, room), forecast(near, seats, room)
    gain_db = min(GAINS_DB, key=lambda gain: _uneven_db(_together_db(mains, own, gain)))
    added = tuple(replace(box, gain_db=box.gain_db + gain_db) for box in near)
    then_db, was_db = _uneven_db(_together_db(mains, own, gain_db)), _uneven_db(now.mid_db)
    text = (
        f"Put a second pair beside the mains, tilted {near[0].down_deg:.0f}° down at the front "
        f"rows and {-gain_db:.0f} dB below them, and tilt the mains {far[0].down_deg:.0f}° down at "
        f"the last row: the rows then differ by {then_db:.1f} dB instead of {was_db:.1f} dB. "
        f"{LIFTING}"
    )
    return Help("second", text, then_db, was_db, added, added[0].along_m, 0.0, gain_db)


def _nearer(seats: Seats, now: Field, limit_db: float) -> Help | None:
    """Leave out rows from the back until the rest are within the limit."""
    row_db = now.mid_db.mean(axis=1)
    was_db = float(np.ptp(row_db))
    for kept in range(seats.along_m.size - 1, 1, -1):
        then_db = float(np.ptp(row_db[:kept]))
        if then_db <= limit_db:
            break
    along_m = float(seats.along_m[kept - 1])
    text = (
        f"Bring the last row {float(seats.along_m.max()) - along_m:.1f} m nearer to the stage, by "
        "leaving the seats behind empty or with wider and closer rows: the rows then differ by "
        f"{then_db:.1f} dB instead of {was_db:.1f} dB."
    )
    return Help("nearer", text, then_db, was_db, (), along_m, 0.0, 0.0)
