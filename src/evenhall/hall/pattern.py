"""How one loudspeaker's level falls off its axis: four models behind one face.

NominalPattern    two nominal angles, the smooth shape of `coverage.py`: the default
HornPattern       a horn holds its angles down to where its mouth becomes too small for them
PistonPattern     a cone in its baffle: 2 J1(x) / x
TwoWayPattern     a cone below and a horn above a crossover
MeasuredPattern   polar data of the very box, see `polar.py`

All give `off_axis_db()`, the loss towards a direction, and `directivity_q()`, what they gather.
Trust the first to a dB or two inside the coverage, the horn and piston to what a data sheet's
figures are worth, measured data to how they were measured.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.hall import coverage
from evenhall.hall.coverage import FLOOR_DB, NOMINAL_DB

__all__ = [
    "HornPattern",
    "MeasuredPattern",
    "NominalPattern",
    "Pattern",
    "PistonPattern",
    "TwoWayPattern",
    "horn_angle_deg",
    "piston_db",
]

FloatArray = NDArray[np.float64]

# Keele, "What's so sacred about exponential horns?", AES preprint 1038 (1975), from memory:
# 10^6 inch degrees hertz over angle and mouth. In metres:
KEELE_M_DEG_HZ = 25_400.0
SPEED_M_S = 343.2  # ISO 9613-1 at 20 degrees; 5 degrees more move a pattern by 1 %
NULL_DB = -60.0  # where a model gives nothing at all
_STEEPNESS = -np.log1p(-NOMINAL_DB / FLOOR_DB)


class Pattern(ABC):
    """A loudspeaker's pattern."""

    @abstractmethod
    def off_axis_db(
        self, across_deg: ArrayLike, down_deg: ArrayLike, *, freq_hz: ArrayLike
    ) -> FloatArray:
        """Level towards a direction, dB re the level on axis at the same distance.

        Parameters
        ----------
        across_deg, down_deg : array_like, shapes that broadcast to (...)
            The angle from the axis times cosine and sine of its turn about the axis; positive
            to the side of rising `across_m` and towards the floor.
        freq_hz : array_like, shape (n_bands,)

        Returns
        -------
        ndarray, shape (..., n_bands)
        """

    def directivity_q(self, freq_hz: ArrayLike) -> FloatArray:
        """Intensity on axis over its mean over the sphere, by frequency; 1 is all round."""
        node, weight = np.polynomial.legendre.leggauss(160)
        root = (node + 1.0) / 2.0  # squared: close-set near the axis, for narrow beams
        angle = np.pi * root**2
        solid = np.pi * root * weight * np.sin(angle)
        turn = (np.arange(24) + 0.5) * (np.pi / 12.0)
        level_db = self.off_axis_db(
            np.degrees(angle[:, None] * np.cos(turn)),
            np.degrees(angle[:, None] * np.sin(turn)),
            freq_hz=freq_hz,
        )
        mean = np.einsum("atb,a->b", 10.0 ** (level_db / 10.0), solid) / (2.0 * turn.size)
        return np.asarray(1.0 / mean)


@dataclass(frozen=True)
class NominalPattern(Pattern):
    """Known by its two nominal full angles between the -6 dB directions alone."""

    coverage_h_deg: float = 90.0
    coverage_v_deg: float = 60.0

    def off_axis_db(
        self, across_deg: ArrayLike, down_deg: ArrayLike, *, freq_hz: ArrayLike
    ) -> FloatArray:
        """Loss as `coverage.off_axis_db()` gives it."""
        return coverage.off_axis_db(
            across_deg,
            down_deg,
            freq_hz=freq_hz,
            coverage_h_deg=self.coverage_h_deg,
            coverage_v_deg=self.coverage_v_deg,
        )

    def directivity_q(self, freq_hz: ArrayLike) -> FloatArray:
        """Give what `coverage.directivity_q()` gives."""
        return coverage.directivity_q(
            freq_hz, coverage_h_deg=self.coverage_h_deg, coverage_v_deg=self.coverage_v_deg
        )


def horn_angle_deg(freq_hz: ArrayLike, *, coverage_deg: float, mouth_m: float) -> FloatArray:
    """Full -6 dB angle of a horn in one plane: held up high, opening in the bass.

    Held above 25 400 / (angle * mouth) hertz, then wider in inverse proportion to frequency; past
    360 degrees it is all but round.

    Parameters
    ----------
    coverage_deg : float
        The angle between its walls.
    mouth_m : float
        Its mouth in that plane.

    References
    ----------
    Keele, AES preprint 1038 (1975), from memory.

    Examples
    --------
    A 90-degree horn 0.28 m wide holds its angle down to 1 kHz:

    >>> horn_angle_deg([4000.0, 1008.0, 504.0], coverage_deg=90.0, mouth_m=0.28).round().tolist()
    [90.0, 90.0, 180.0]
    """
    holds_hz = KEELE_M_DEG_HZ / (coverage_deg * mouth_m)
    wider = np.maximum(holds_hz / np.asarray(freq_hz, dtype=np.float64), 1.0)
    return np.asarray(coverage_deg * wider)


@dataclass(frozen=True)
class HornPattern(Pattern):
    """A horn whose mouth says down to where it holds each of its angles."""

    coverage_h_deg: float
    coverage_v_deg: float
    mouth_width_m: float
    mouth_height_m: float

    def off_axis_db(
        self, across_deg: ArrayLike, down_deg: ArrayLike, *, freq_hz: ArrayLike
    ) -> FloatArray:
        """Loss of the smooth nominal shape at the angles that the horn has at each frequency."""
        half_h = 0.5 * horn_angle_deg(
            freq_hz, coverage_deg=self.coverage_h_deg, mouth_m=self.mouth_width_m
        )
        half_v = 0.5 * horn_angle_deg(
            freq_hz, coverage_deg=self.coverage_v_deg, mouth_m=self.mouth_height_m
        )
        across = np.asarray(across_deg, dtype=np.float64)[..., None] / half_h
        down = np.asarray(down_deg, dtype=np.float64)[..., None] / half_v
        return np.asarray(FLOOR_DB - FLOOR_DB * np.exp(-_STEEPNESS * (across**2 + down**2)))


def piston_db(angle_deg: ArrayLike, *, freq_hz: ArrayLike, diameter_m: float) -> FloatArray:
    """Level of a round piston in an endless baffle, dB re its axis.

    Parameters
    ----------
    angle_deg : array_like, shape (...)
        From the axis; past 90 degrees as at 90.
    freq_hz : array_like, shape (n_bands,)

    Returns
    -------
    ndarray, shape (..., n_bands)
        Not below -60 dB: at its nulls the model has nothing.

    References
    ----------
    2 J1(x) / x with x = k a sin(angle): Kinsler et al., *Fundamentals of Acoustics*, radiation
    of a circular piston (from memory).

    Examples
    --------
    Half pressure where x = 2.215 (Bessel tables), here 1 kHz, 0.242 m, 90 degrees:

    >>> float(piston_db(90.0, freq_hz=[1000.0], diameter_m=0.242)[0].round(1))
    -6.0
    """
    from scipy.special import j1  # slow to load, see field.py

    angle = np.radians(np.minimum(np.abs(np.asarray(angle_deg, dtype=np.float64)), 90.0))
    k = 2.0 * np.pi * np.asarray(freq_hz, dtype=np.float64) / SPEED_M_S
    x = np.maximum(np.sin(angle)[..., None] * k * diameter_m / 2.0, 1e-9)
    ratio = np.abs(2.0 * j1(x) / x)
    return np.asarray(20.0 * np.log10(np.maximum(ratio, 10.0 ** (NULL_DB / 20.0))))


@dataclass(frozen=True)
class PistonPattern(Pattern):
    """A cone in the front of its box, `diameter_m` across its moving part.

    A box is no endless baffle: it never falls below what boxes give behind (-18 dB).
    """

    diameter_m: float

    def off_axis_db(
        self, across_deg: ArrayLike, down_deg: ArrayLike, *, freq_hz: ArrayLike
    ) -> FloatArray:
        """Loss of the piston, down to the level behind a box."""
        angle_deg = np.hypot(across_deg, down_deg)
        loss = piston_db(angle_deg, freq_hz=freq_hz, diameter_m=self.diameter_m)
        return np.maximum(loss, FLOOR_DB)


@dataclass(frozen=True)
class TwoWayPattern(Pattern):
    """A cone below and a horn above the crossover, in phase on both sides of it.

    Their pressures add by the weights of a 24 dB an octave Linkwitz-Riley crossover; that cone
    and horn do not sit in one place is left out.
    """

    cone: Pattern
    horn: Pattern
    crossover_hz: float = 1800.0

    def off_axis_db(
        self, across_deg: ArrayLike, down_deg: ArrayLike, *, freq_hz: ArrayLike
    ) -> FloatArray:
        """Loss of both together."""
        x4 = (np.asarray(freq_hz, dtype=np.float64) / self.crossover_hz) ** 4
        low, high = (
            10.0 ** (part.off_axis_db(across_deg, down_deg, freq_hz=freq_hz) / 20.0)
            for part in (self.cone, self.horn)
        )
        return np.asarray(20.0 * np.log10((low + high * x4) / (1.0 + x4)))


@dataclass(frozen=True, eq=False)
class MeasuredPattern(Pattern):
    """Polar data of a box in its two planes.

    Parameters
    ----------
    freq_hz : ndarray, shape (n_freq,)
        Rising.
    across_deg, down_deg : ndarray, shapes (n_h,), (n_v,)
        Rising angles of the horizontal and the vertical plane; 0 and up alone: both sides alike.
    across_db, down_db : ndarray, shapes (n_freq, n_h), (n_freq, n_v)
        Level re the axis.

    Notes
    -----
    Between angles straight lines in dB, between frequencies over their logarithm; held beyond
    the ends. Between the planes their losses at the same angle, weighted by squared cosine and
    sine of the turn about the axis (common practice, no source).
    """

    freq_hz: FloatArray
    across_deg: FloatArray
    across_db: FloatArray
    down_deg: FloatArray
    down_db: FloatArray

    def off_axis_db(
        self, across_deg: ArrayLike, down_deg: ArrayLike, *, freq_hz: ArrayLike
    ) -> FloatArray:
        """Loss by the data."""
        across, down = np.broadcast_arrays(
            np.asarray(across_deg, dtype=np.float64), np.asarray(down_deg, dtype=np.float64)
        )
        wanted = np.log(np.asarray(freq_hz, dtype=np.float64))
        angle = np.hypot(across, down)
        share = np.where(angle > 0.0, (across / np.maximum(angle, 1e-12)) ** 2, 0.5)[..., None]
        loss = np.zeros((*angle.shape, wanted.size))
        for at_deg, level_db, part, side in (
            (self.across_deg, self.across_db, share, across),
            (self.down_deg, self.down_db, 1.0 - share, down),
        ):
            signed = np.where(side < 0.0, -angle, angle) if at_deg[0] < 0.0 else angle
            by_band = np.stack(
                [np.interp(wanted, np.log(self.freq_hz), column) for column in level_db.T], axis=1
            )
            loss += part * np.stack([np.interp(signed, at_deg, row) for row in by_band], axis=-1)
        return loss
