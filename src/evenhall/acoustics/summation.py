"""How two loudspeakers add at a place, against the best they could.

Of each place the spectra of both are kept up to 400 Hz, on one time base. Turning one by a delay
then only turns the phase between them, so that thousands of delays are tried at the cost of one
product.

low_spectrum()   spectrum of an impulse response from its place on the time base
Meeting          the two at some places: `loss_db()` is their sum against the perfect one
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ
from evenhall.acoustics.windows import faded

__all__ = ["LOW_BANDS", "LOW_FREQ_HZ", "Meeting", "band_power", "low_spectrum"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# Third octaves 25 to 315 Hz: no sub is joined outside of them.
LOW_BANDS: NDArray[np.intp] = np.flatnonzero((EXACT_HZ > 24.0) & (EXACT_HZ < 330.0))
SPACING_HZ = 0.25  # a response of up to four seconds is kept whole
LOW_FREQ_HZ: FloatArray = np.arange(
    np.floor(LOWER_HZ[LOW_BANDS[0]]), np.ceil(UPPER_HZ[LOW_BANDS[-1]]) + SPACING_HZ, SPACING_HZ
)
FADE_SHARE = 0.2  # of the part that is kept, faded out at its end
SILENCE = 1e-30


def _share() -> FloatArray:
    """Weights of the frequencies in each band: a mean over log frequency, shape (12, n_freq)."""
    inside = (LOWER_HZ[LOW_BANDS, None] <= LOW_FREQ_HZ) & (UPPER_HZ[LOW_BANDS, None] > LOW_FREQ_HZ)
    weight = inside / LOW_FREQ_HZ
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


SHARE = _share()


def low_spectrum(
    impulse: FloatArray, *, rate_hz: float, first_tap_s: float, end_tap: int | None = None
) -> ComplexArray:
    """Spectrum at `LOW_FREQ_HZ` of an impulse response that begins at `first_tap_s`.

    Parameters
    ----------
    impulse : ndarray, shape (n_taps,)
        At most four seconds of it are used.
    first_tap_s : float
        Time of its first tap.
    end_tap : int, optional
        What lies behind is noise, and left out.
    """
    n_fft = round(rate_hz / SPACING_HZ)
    kept = impulse[: min(impulse.size, n_fft, end_tap or impulse.size)].astype(np.float64)
    if end_tap is not None and kept.size == end_tap:
        kept *= faded(kept.size, 0, max(1, int(FADE_SHARE * kept.size)))
    first = round(LOW_FREQ_HZ[0] / SPACING_HZ)
    spectrum = fft.rfft(kept, n_fft)[first : first + LOW_FREQ_HZ.size]
    return np.asarray(spectrum * np.exp(-2j * np.pi * LOW_FREQ_HZ * first_tap_s))


def band_power(spectrum: ComplexArray) -> FloatArray:
    """Power mean over log frequency in each of `LOW_BANDS`; the frequencies are the last axis."""
    return np.asarray((np.abs(spectrum) ** 2) @ SHARE.T)


@dataclass(frozen=True, eq=False)
class Meeting:
    """Two loudspeakers at some places.

    Parameters
    ----------
    main, sub : ndarray, shape (n_places, n_freq)
        Spectra at `LOW_FREQ_HZ`, both on one time base.
    """

    main: ComplexArray
    sub: ComplexArray

    @cached_property
    def main_power(self) -> FloatArray:
        """Of the first alone, shape (n_places, n_bands)."""
        return band_power(self.main)

    @cached_property
    def sub_power(self) -> FloatArray:
        """Of the second alone, shape (n_places, n_bands)."""
        return band_power(self.sub)

    @cached_property
    def _best_cross(self) -> FloatArray:
        return np.asarray((np.abs(self.main) * np.abs(self.sub)) @ SHARE.T)

    def cross(self, delay_s: ArrayLike, wanted: NDArray[np.bool_] | None = None) -> FloatArray:
        """Mean product of both with the second so much later, shape (n_delays, n_places, n_bands).

        Half of what the power of the sum has beyond the sum of the powers; 0 in bands not wanted.
        """
        delays = np.atleast_1d(np.asarray(delay_s, dtype=np.float64))
        product = self.main.conj() * self.sub
        found = np.zeros((delays.size, len(product), len(SHARE)))
        for k, share in enumerate(SHARE):
            if wanted is None or wanted[k]:
                inside = share > 0.0
                turned = np.exp(-2j * np.pi * LOW_FREQ_HZ[inside, None] * delays)
                found[..., k] = np.real((share * product)[:, inside] @ turned).T
        return found

    def loss_db(
        self,
        delay_s: ArrayLike,
        *,
        polarity: int = 1,
        gain_db: float = 0.0,
        wanted: NDArray[np.bool_] | None = None,
    ) -> FloatArray:
        """Level of the sum, dB re the perfect sum, in which both are in phase everywhere.

        Parameters
        ----------
        delay_s : array_like, shape (n_delays,)
            By which the second is later than it was; negative = earlier.
        polarity : int
            -1 turns the second over.
        gain_db : float
            Of the second.
        wanted : ndarray of bool, shape (n_bands,), optional
            Bands to work out; in others the value means nothing. All without.

        Returns
        -------
        ndarray, shape (n_delays, n_places, n_bands)
            0 at best.

        References
        ----------
        Two coherent sources add as ``|a + b|``; the perfect sum is ``|a| + |b|`` (closed form).
        """
        gain = 10.0 ** (gain_db / 20.0)
        powers = self.main_power + gain**2 * self.sub_power
        summed = powers + 2.0 * polarity * gain * self.cross(delay_s, wanted)
        perfect = powers + 2.0 * gain * self._best_cross
        return np.asarray(
            10.0 * np.log10(np.maximum(summed, SILENCE) / np.maximum(perfect, SILENCE))
        )
