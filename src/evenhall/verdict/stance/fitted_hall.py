"""The forecast of the hall, corrected by the takes: this room instead of a catalogue's.

Start at `fit_to_takes()`. Three figures are fitted to the band levels of the spots, each held
near nothing by what halls usually are, and within bounds: how much louder the room answers than
forecast, how much faster or slower the level falls with distance, and by how much the box points
elsewhere than was said. What the box itself sounds like is left free in every band.
`corrected_move()` then forecasts a move with them, and says how sure that is. Where takes and
forecast part by more than any of this explains, `Fitted.checks` says what to look at instead.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT, EXACT_HZ, MID_BANDS
from evenhall.errors import InputError
from evenhall.hall.level import level_parts
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.verdict.scatter import scatter_db
from evenhall.verdict.stance.checks import Check, hall_checks
from evenhall.verdict.stance.least_squares import settle

__all__ = ["CorrectedMove", "Fitted", "corrected_move", "fit_to_takes"]

FloatArray = NDArray[np.float64]

# Room louder, dB; level steeper, dB a doubling of distance; box pointing lower, degrees.
# What halls and hands stray by (common practice, no source), and where belief ends.
USUAL = np.array([2.0, 0.5, 3.0])
BOUND = np.array([6.0, 1.5, 12.0])
# A spot is off as a whole: a floor, a pillar, a metre read wrong. Common practice, no source.
SPOT_SD_DB = 0.7
# Off its axis a box strays from two nominal angles by about this share of what it loses there.
PATTERN_SHARE = 0.3
MODEL_DB = 0.6  # rms of the forecast change in simulated halls: bench/hall.py
# Weight of the plain forecast in that of a change: inverse squares of the rms errors there.
PLAIN_SHARE = 0.7
FIT_LOW_HZ, FIT_HIGH_HZ = 95.0, 10_500.0  # below, modes; above, the box's own beam
AIM_OFF_DEG = 10.0  # less a bracket set by eye may be off by
FREE_BOUND_DEG = 40.0  # how far off an aim is looked for
STEP = np.array([0.01, 0.01, 0.02])  # for the slopes; the levels are smooth in all three
SURE = 3.0  # standard deviations
MOST_MISFIT = 1.5  # of what is left, over what was expected: more is explained by no aim


@dataclass(frozen=True, eq=False)
class Fitted:
    """What the takes make of the forecast.

    Parameters
    ----------
    room_db, law_db, down_off_deg : float
        How much louder the room answers, how much more is lost a doubling of distance, and how
        much lower the box points, than forecast.
    room_sd_db : float
        Standard deviations.
    covariance : ndarray, shape (3, 3)
    own_db : ndarray, shape (31,)
        The box itself, nan where not known.
    residual_db : ndarray, shape (n_spots, 31)
        Measured less fitted.
    misfit : float
        Mean square of what is left over what was expected; about 1 in a hall as forecast.
    checks : tuple of Check
        Empty where the move may be believed.
    """

    room_db: float
    law_db: float
    down_off_deg: float
    room_sd_db: float
    covariance: FloatArray
    own_db: FloatArray
    residual_db: FloatArray
    misfit: float
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class CorrectedMove:
    """Front minus back, mean of 200 Hz to 4 kHz, before and after a move, as the takes have it.

    Parameters
    ----------
    change_db, change_sd_db : float
        `then_db - was_db` and its standard deviation.
    """

    was_db: float
    then_db: float
    change_db: float
    change_sd_db: float


def _model_db(
    speaker: Loudspeaker,
    room: Room,
    ear_height_m: float,
    distance_m: FloatArray,
    figures: FloatArray,
    mean_m: float,
) -> FloatArray:
    """Corrected level, shape (n_spots, 31)."""
    room_db, law_db, down_deg = figures
    row_m = _row_m(distance_m, speaker.height_m - ear_height_m)
    direct_db, reverberant = level_parts(
        speaker,
        room,
        height_m=speaker.height_m,
        down_deg=speaker.down_deg + down_deg,
        row_m=row_m,
        ear_height_m=ear_height_m,
    )
    power = 10.0 ** (direct_db / 10.0)
    if reverberant is not None:
        power = power + reverberant * 10.0 ** (room_db / 10.0)
    return np.asarray(10.0 * np.log10(power) - law_db * np.log2(distance_m / mean_m)[:, None])


def _row_m(distance_m: FloatArray, drop_m: float) -> FloatArray:
    return np.asarray(np.sqrt(np.maximum(distance_m**2 - drop_m**2, 0.01)))


def _off_axis_db(speaker: Loudspeaker, ear_height_m: float, distance_m: FloatArray) -> FloatArray:
    """Nominal loss at the spots, shape (n_spots, 31)."""
    drop_m = speaker.height_m - ear_height_m
    below_deg = np.degrees(np.arctan2(drop_m, _row_m(distance_m, drop_m)))
    return speaker.pattern.off_axis_db(0.0, below_deg - speaker.down_deg, freq_hz=EXACT_HZ)


def _spread_db(
    speaker: Loudspeaker,
    room: Room,
    ear_height_m: float,
    distance_m: FloatArray,
    uncertainty_db: FloatArray,
) -> FloatArray:
    """Doubt of each level: the take's own, and what one place strays by in this room."""
    if room.rt60_s is None or room.volume_m3 is None:
        return np.asarray(np.hypot(uncertainty_db, 1.0))
    whole, direct = (
        _model_db(speaker, other, ear_height_m, distance_m, np.zeros(3), 1.0)
        for other in (room, replace(room, rt60_s=None))
    )
    share = np.clip(10.0 ** ((direct - whole) / 10.0), 0.0, 1.0)
    return np.asarray(np.hypot(uncertainty_db, scatter_db(room.rt60_s, share)))


def fit_to_takes(
    speaker: Loudspeaker,
    room: Room,
    *,
    ear_height_m: float,
    distance_m: FloatArray,
    level_db: FloatArray,
    uncertainty_db: FloatArray,
    name: str = "the loudspeaker",
    spots: tuple[str, ...] = (),
) -> Fitted:
    """Correct the forecast of one loudspeaker by its takes.

    Parameters
    ----------
    speaker, room : Loudspeaker, Room
        As they stand.
    ear_height_m : float
        Of the microphone.
    distance_m : ndarray, shape (n_spots,)
        Loudspeaker to microphone.
    level_db, uncertainty_db : ndarray, shape (n_spots, 31)
        As measured at one gain; nan where not usable.
    spots : tuple of str
        For the sentences of the checks.

    Raises
    ------
    InputError
        Fewer than two spots with a distance and usable bands: nothing can be fitted.
    """
    inside = (EXACT_HZ > FIT_LOW_HZ) & (EXACT_HZ < FIT_HIGH_HZ)
    known = np.isfinite(level_db) & np.isfinite(uncertainty_db) & inside
    if level_db.shape != (distance_m.size, BAND_COUNT) or known.any(axis=1).sum() < 2:
        raise InputError(
            "Fewer than two spots have usable levels and a distance. "
            "Take at least front and back, and give their distances."
        )
    mean_m = float(np.exp(np.log(distance_m).mean()))
    at_spot, at_band = np.nonzero(known)
    sd_db = _spread_db(speaker, room, ear_height_m, distance_m, uncertainty_db)[known]
    same_spot = at_spot[:, None] == at_spot
    pattern_db = PATTERN_SHARE * _off_axis_db(speaker, ear_height_m, distance_m)[known]
    joint = SPOT_SD_DB**2 + pattern_db[:, None] * pattern_db
    root = np.linalg.cholesky(np.diag(np.maximum(sd_db, 0.1) ** 2) + same_spot * joint)
    # The box's own response is free: what all spots of a band share says nothing.
    bands, column = np.unique(at_band, return_inverse=True)
    shared = np.linalg.solve(root, np.eye(bands.size)[column])
    basis = np.linalg.qr(shared)[0]

    apart = np.linalg.inv(root)
    apart -= basis @ (basis.T @ apart)

    def left(figures: FloatArray) -> FloatArray:
        model_db = _model_db(speaker, room, ear_height_m, distance_m, figures, mean_m)
        return np.concatenate((apart @ (level_db - model_db)[known], figures / USUAL))

    found = settle(left, np.zeros(3), bound=BOUND, step=STEP)
    covariance = np.asarray(np.linalg.inv(found.jacobian.T @ found.jacobian))
    model_db = _model_db(speaker, room, ear_height_m, distance_m, found.figures, mean_m)
    rest = np.where(known, level_db - model_db, np.nan)
    own_db = np.full(BAND_COUNT, np.nan)
    scaled = np.linalg.solve(root, rest[known])
    own_db[bands] = np.linalg.lstsq(shared, scaled, rcond=None)[0]
    free = max(at_spot.size - bands.size, 1)
    aim_deg = _wrong_aim_deg(left, found.figures, free)
    residual_db = rest - own_db
    sd = np.sqrt(np.diag(covariance))
    fitted = Fitted(
        room_db=float(found.figures[0]),
        law_db=float(found.figures[1]),
        down_off_deg=float(found.figures[2]),
        room_sd_db=float(sd[0]),
        covariance=covariance,
        own_db=own_db,
        residual_db=residual_db,
        misfit=float(np.square(left(found.figures)[:-3]).sum() / free),
        checks=(),
    )
    places = spots or tuple(f"the spot at {far:.1f} m" for far in distance_m)
    checks = hall_checks(
        own_db,
        residual_db,
        given_deg=speaker.down_deg,
        off_deg=aim_deg,
        stray_db=float(SURE * np.hypot(SPOT_SD_DB, MODEL_DB)),
        name=name,
        spots=places,
    )
    return replace(fitted, checks=checks)


def _wrong_aim_deg(
    left: Callable[[FloatArray], FloatArray], figures: FloatArray, n_free: int
) -> float:
    """How much lower the box points than was given, where that and nothing else explains the takes.

    0 where another aim fits no better than by chance, or where even the best one does not fit:
    then it is not the aim.
    """

    def free(tried: FloatArray) -> FloatArray:
        return left(tried)[:-1]

    bound = np.array([BOUND[0], BOUND[1], FREE_BOUND_DEG])
    ends = [
        settle(free, figures + np.array([0.0, 0.0, start]), bound=bound, step=STEP)
        for start in (-10.0, 10.0)
    ]
    best = min(ends, key=lambda end: end.square_sum)
    aim_deg, misfit = float(best.figures[2]), best.square_sum
    gained = float(np.square(free(figures)).sum()) - misfit
    sure = gained > SURE**2 and AIM_OFF_DEG < abs(aim_deg) < 0.98 * FREE_BOUND_DEG
    return aim_deg if sure and misfit < MOST_MISFIT * n_free else 0.0


def corrected_move(
    fitted: Fitted, speaker: Loudspeaker, moved: Loudspeaker, room: Room, audience: Audience
) -> CorrectedMove:
    """Forecast front minus back before and after a move, with what the takes have taught.

    Parameters
    ----------
    speaker, moved : Loudspeaker
        As it stands, and as it would; a box that points elsewhere than was said is taken to do
        so afterwards, too.
    room, audience : Room, Audience
        Rows, or front and back spots along the floor.

    Notes
    -----
    The change is a weighted mean of the plain and the corrected forecast: takes of one stance
    tell well how even it is (rms error 0.9 dB in simulated halls, against 2.8 dB without them),
    but less well what a move changes (`bench/hall.py`).
    """
    rows_m = np.array([audience.first_row_m, audience.last_row_m])

    def front_minus_back_db(box: Loudspeaker, figures: FloatArray) -> float:
        far_m = np.hypot(box.height_m - audience.ear_height_m, rows_m)
        level_db = _model_db(box, room, audience.ear_height_m, far_m, figures, 1.0)
        first, last = level_db[:, MID_BANDS].mean(axis=1)
        return float(first - last)

    def both(figures: FloatArray) -> tuple[float, float]:
        return front_minus_back_db(speaker, figures), front_minus_back_db(moved, figures)

    figures = np.array([fitted.room_db, fitted.law_db, fitted.down_off_deg])
    was_db, then_db = both(figures)
    slope = np.empty(3)
    for at, step in enumerate(np.eye(3) * 0.05):
        low, high = (both(figures + sign * step) for sign in (-1.0, 1.0))
        slope[at] = ((high[1] - high[0]) - (low[1] - low[0])) / 0.1
    plain_was_db, plain_then_db = both(np.zeros(3))
    plain_db, fitted_db = plain_then_db - plain_was_db, then_db - was_db
    # Neither is better in all halls: what they disagree by is doubt as well.
    taught = 1.0 - PLAIN_SHARE
    change_db = PLAIN_SHARE * plain_db + taught * fitted_db
    variance = MODEL_DB**2 + taught**2 * float(slope @ fitted.covariance @ slope)
    variance += PLAIN_SHARE * taught * (plain_db - fitted_db) ** 2
    return CorrectedMove(was_db, was_db + change_db, change_db, float(np.sqrt(variance)))
