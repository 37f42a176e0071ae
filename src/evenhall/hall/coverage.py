"""How a loudspeaker's level falls off its axis, and how much it gathers: a nominal pattern.

off_axis_db()      loss towards a direction, by frequency
directivity_q()    what that same pattern gathers, integrated over the sphere

The pattern of a box is known here by its two nominal angles alone, so one smooth shape must
stand for all: 0 dB on axis, -6 dB at half the nominal angle, never below -18 dB (real boxes
do not go silent behind), angles across and down combined as an ellipse. Above 1 kHz it holds
its shape; below it widens in inverse proportion to frequency until it is round.
Trust it to a dB or two inside the coverage, to several outside.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["FLOOR_DB", "HOLDS_ABOVE_HZ", "NOMINAL_DB", "directivity_q", "off_axis_db"]

FloatArray = NDArray[np.float64]

NOMINAL_DB = -6.0  # the loss that nominal coverage angles are stated at
FLOOR_DB = -18.0  # behind a small box in its treble; common practice, no source

# A horn of mouth d metres holds an angle down to about 25 400 / (angle in degrees * d): Keele,
# 1975, from memory. 90 degrees from a baffle 0.28 m wide: 1 kHz, the commonest small box.
HOLDS_ABOVE_HZ = 1000.0

_STEEPNESS = -np.log1p(-NOMINAL_DB / FLOOR_DB)


def _loss_db(angle_ratio_squared: FloatArray) -> FloatArray:
    """Loss at (angle / half the effective coverage angle), squared."""
    return np.asarray(FLOOR_DB - FLOOR_DB * np.exp(-_STEEPNESS * angle_ratio_squared))


def _narrowness(freq_hz: ArrayLike) -> FloatArray:
    """Nominal over effective coverage angle: 1 where the pattern holds, towards 0 in the bass."""
    return np.minimum(np.asarray(freq_hz, dtype=np.float64) / HOLDS_ABOVE_HZ, 1.0)


def off_axis_db(
    across_deg: ArrayLike,
    down_deg: ArrayLike,
    *,
    freq_hz: ArrayLike,
    coverage_h_deg: float,
    coverage_v_deg: float,
) -> FloatArray:
    """Level towards a direction, dB re the level on axis at the same distance.

    Parameters
    ----------
    across_deg, down_deg : array_like, shapes that broadcast to (...)
        Angles from the axis in the box's horizontal and vertical plane. For a direction out of
        both planes: the angle from the axis, times cosine and sine of its turn about the axis.
    freq_hz : array_like, shape (n_bands,)
    coverage_h_deg, coverage_v_deg : float
        Nominal full angles between the -6 dB directions, above 0.

    Returns
    -------
    ndarray, shape (..., n_bands)
        0 to -18 dB.

    Examples
    --------
    >>> off_axis_db(0.0, [0.0, 30.0], freq_hz=[4000.0],
    ...             coverage_h_deg=90.0, coverage_v_deg=60.0).round(2).ravel().tolist()
    [0.0, -6.0]
    """
    across = np.asarray(across_deg, dtype=np.float64) / (coverage_h_deg / 2.0)
    down = np.asarray(down_deg, dtype=np.float64) / (coverage_v_deg / 2.0)
    return _loss_db((across**2 + down**2)[..., None] * _narrowness(freq_hz) ** 2)


def directivity_q(
    freq_hz: ArrayLike, *, coverage_h_deg: float, coverage_v_deg: float
) -> FloatArray:
    """Directivity factor: intensity on axis over its mean over the sphere; 1 is all round.

    Integrated from the very pattern that `off_axis_db()` gives, so that direct and
    reverberant sound are forecast from one loudspeaker, down to where Molloy's formula for
    coverage angles (a sharp-edged pyramid) has no answer. For 60 to 120 degrees it lies 0.4
    to 1.5 dB above that formula and below a baffled piston of the same -6 dB angle; the
    level behind the box keeps it under 18 dB however narrow the beam.

    Parameters
    ----------
    freq_hz : array_like, shape (n_bands,)
    coverage_h_deg, coverage_v_deg : float
        Nominal full angles, above 0.

    Returns
    -------
    ndarray, shape (n_bands,)

    Examples
    --------
    >>> directivity_q([50.0], coverage_h_deg=90.0, coverage_v_deg=60.0).round(1).tolist()
    [1.0]
    """
    bands, index = np.unique(_narrowness(freq_hz), return_inverse=True)
    mean = _mean_power(tuple(bands.tolist()), coverage_h_deg, coverage_v_deg)
    return np.asarray(1.0 / np.array(mean))[index]


@lru_cache(maxsize=64)  # a search asks for the same box again and again
def _mean_power(
    narrowness: tuple[float, ...], coverage_h_deg: float, coverage_v_deg: float
) -> tuple[float, ...]:
    """Mean over the sphere of the power towards each direction, on axis 1."""
    # Angle from the axis as the square of the node: close-set near the axis, for narrow beams.
    node, weight = np.polynomial.legendre.leggauss(48)
    root = (node + 1.0) / 2.0
    angle = np.pi * root**2
    solid = np.pi * root * weight * np.sin(angle)
    # Mid-points over a quarter turn; the other three mirror it.
    turn = (np.arange(12) + 0.5) * (np.pi / 24.0)
    across = np.cos(turn) / np.radians(coverage_h_deg / 2.0)
    down = np.sin(turn) / np.radians(coverage_v_deg / 2.0)
    ratio_squared = angle[:, None] ** 2 * (across**2 + down**2)
    bands = np.array(narrowness)[:, None, None]
    power = 10.0 ** (_loss_db(ratio_squared * bands**2) / 10.0)
    return tuple((np.einsum("bat,a->b", power, solid) / (2.0 * turn.size)).tolist())
