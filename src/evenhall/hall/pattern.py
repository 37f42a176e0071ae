"""How one loudspeaker's level falls off its axis: two models behind one face.

NominalPattern    two nominal angles, the smooth shape of `coverage.py`: the default
MeasuredPattern   polar data of the very box, see `polar.py`

Both give `off_axis_db()`, the loss towards a direction, and `directivity_q()`, what they gather.
Trust the first to a dB or two inside the coverage, measured data to how they were measured.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.hall import coverage

__all__ = [
    "MeasuredPattern",
    "NominalPattern",
    "Pattern",
]

FloatArray = NDArray[np.float64]


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
