"""A rack equalizer whose scale lies: centres off, Q that wanders, gain that sags, one weak fader.

Its formulas are its own, and not those that a unit is learned by: the gain of a fader bends like a
hyperbolic tangent, Q follows a power of the gain, and centres move with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LyingUnit", "lying_unit"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LyingUnit:
    """What is really in the box; arrays have shape (n_faders,).

    Parameters
    ----------
    centre_hz, q : ndarray
        Of each section near 0 dB.
    share : ndarray
        Gain per dB of the scale near 0.
    bend_db : float
        The gain goes like bend tanh(gain / bend): the smaller, the more it sags.
    q_power : float
        Q grows with this power of the section's amplitude; 0.5 is proportional Q, 0 constant.
    drift : ndarray
        Share by which a centre has moved at 12 dB.
    insertion_db : float
        Gain with everything flat and in.
    """

    centre_hz: FloatArray
    q: FloatArray
    share: FloatArray
    bend_db: float
    q_power: float
    drift: FloatArray
    insertion_db: float

    def response(self, fader_db: ArrayLike, freq_hz: ArrayLike) -> NDArray[np.complex128]:
        """Complex response with the faders at these places of the scale, of `freq_hz`'s shape."""
        fader = np.asarray(fader_db, dtype=np.float64)
        freq = np.asarray(freq_hz, dtype=np.float64)
        gain_db = self.bend_db * np.tanh(self.share * fader / self.bend_db)
        amplitude = 10.0 ** (np.abs(gain_db) / 20.0)
        centre = self.centre_hz * (1.0 + self.drift * np.abs(gain_db) / 12.0)
        ratio = freq.ravel() / centre[:, None]
        width = 1.0 / (self.q * amplitude**self.q_power)
        wide = (width * np.where(gain_db >= 0, amplitude, 1.0))[:, None]
        narrow = (width * np.where(gain_db >= 0, 1.0, amplitude))[:, None]
        rest = 1.0 - ratio**2
        sections = (rest + 1j * ratio * wide) / (rest + 1j * ratio * narrow)
        whole = sections.prod(axis=0) * 10.0 ** (self.insertion_db / 20.0)
        return np.asarray(whole.reshape(freq.shape))


def lying_unit(centre_hz: FloatArray, q: FloatArray, *, seed: int) -> LyingUnit:
    """Make a unit that lies as old ones do.

    Parameters
    ----------
    centre_hz, q : ndarray, shape (n_faders,)
        What it should be.
    """
    rng = np.random.default_rng(seed)
    count = centre_hz.size
    share = rng.uniform(0.85, 1.05, count)
    share[rng.integers(count)] *= 0.6  # one weak fader
    return LyingUnit(
        centre_hz=centre_hz * rng.uniform(0.94, 1.06, count),
        q=q * rng.uniform(0.75, 1.25, count),
        share=share,
        bend_db=float(rng.uniform(18.0, 40.0)),
        q_power=float(rng.choice([0.0, 0.25, 0.5])),
        drift=rng.uniform(-0.01, 0.01, count),
        insertion_db=float(rng.uniform(-1.0, 1.0)),
    )
