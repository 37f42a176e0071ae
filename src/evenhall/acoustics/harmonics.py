"""What a loudspeaker adds to an exponential sweep: its harmonics, apart from the linear response.

    harmonics()    start here: a recording and what was sent, to levels by band
    Harmonics      the levels, where noise leaves any

The recording over the spectrum of what was sent is an impulse response in which the k-th harmonic
stands ahead of the linear one, by as long as the sweep takes from a frequency to its k-fold. Each
is cut out by a window that ends before the next one begins. What lies just ahead of a harmonic,
and further ahead still, is noise and the room's answer to higher ones: it tells which harmonic is
heard at all.

References
----------
Farina, AES Convention 108 (2000), paper 5093; Novak, Lotton and Simon, JAES 63 (2015) 786.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import BAND_COUNT, LOWER_HZ, UPPER_HZ, log_frequency_mean
from evenhall.acoustics.stimulus import Sweep
from evenhall.acoustics.windows import faded

__all__ = ["LINEAR_LEAD_S", "ORDERS", "Harmonics", "harmonics"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Samples = NDArray[np.float32] | NDArray[np.float64]

ORDERS = (2, 3, 4, 5)
# Share of the way to the next harmonic that a window takes: it, and the one ahead of the next
# that tells the noise, both fit.
WINDOW_SHARE = 0.45
LONGEST_WINDOW_S = 0.25  # the room's answer, which a longer look would add, tells nothing here
# A window begins this much ahead: the bass of a box peaks late, and its first sound is earlier.
AHEAD_S = 0.02
AHEAD_SHARE = 0.25  # of the window, where that is short
FADE_SHARE = 0.3
# A harmonic is heard where it stands 6 dB over what lies ahead of it. Both are sums of few
# random terms in a narrow band, and so much by chance is rare from a dozen on.
OVER_FLOOR = 10.0 ** (6.0 / 10.0)
LEAST_TERMS = 2.0  # bandwidth times window: of less a band is not told from its neighbours
# Noise is also told further ahead, between these orders, where harmonics are weaker still.
FAR_ORDERS = (7.0, 16.0)
FAR_WINDOWS = 7
# What was sent has gaps outside its band: dividing by less than this, re its median in the band,
# would make noise of them.
LEAST_SENT_DB = -40.0
# The linear response is kept from so long before the first sample sent, for so long.
LINEAR_LEAD_S, LINEAR_S = 0.1, 1.5
SILENT = 1e-30  # power that stands for none, so that its logarithm is finite


@dataclass(frozen=True)
class Harmonics:
    """Harmonics by third-octave band of the fundamental, as heard at the microphone.

    Parameters
    ----------
    distortion_db : ndarray, shape (31,)
        Orders 2 to 5 together, each at its own frequency, as far as they are heard, dB re the
        linear response at the fundamental; nan where not `known`.
    known : ndarray of bool, shape (31,)
        Whether what noise hides is less than what is heard.
    most_db : ndarray, shape (31,)
        What it is at most, with the hidden ones at their floor; nan where no order is in reach.
    linear : ndarray, shape (n_taps,)
        Linear impulse response, with `LINEAR_LEAD_S` ahead of the first sample sent.
    """

    distortion_db: FloatArray
    known: BoolArray
    most_db: FloatArray
    linear: FloatArray


def harmonics(
    recording: Samples,
    sent: Samples,
    *,
    rate_hz: float,
    sweep: Sweep,
) -> Harmonics:
    """Levels of the harmonics that a path adds to an exponential sweep.

    Parameters
    ----------
    recording : ndarray, shape (n_samples,)
        Microphone signal.
    sent : ndarray, shape (m_samples,)
        What was played, by the same clock; silence around the sweep does no harm, nor does a
        ramp over its lead.
    sweep : Sweep
        What the sweep in `sent` is made of.

    Notes
    -----
    Window of order k: 0.45 L ln((k + 1) / k) long, at most 0.25 s, and the linear response is
    cut by the same. So the two hold the same share of the room, and the levels are re the early
    linear response, not re the whole.
    """
    response = _divided(recording, sent, rate_hz=rate_hz, sweep=sweep)
    delay_s = float(np.argmax(np.abs(response))) / rate_hz
    level, floor = np.full((len(ORDERS), BAND_COUNT), np.nan), np.zeros((len(ORDERS), BAND_COUNT))
    for row, order in enumerate(ORDERS):
        window_s = WINDOW_SHARE * (sweep.ahead_s(order + 1) - sweep.ahead_s(order))
        window = _Window(response, rate_hz, min(window_s, LONGEST_WINDOW_S), order)
        linear = window.power(delay_s, order=1)
        at_s = delay_s - sweep.ahead_s(order)
        far = [
            window.power(delay_s - sweep.ahead_s(2) * np.log2(ahead))
            for ahead in np.geomspace(*FAR_ORDERS, FAR_WINDOWS)
        ]
        hidden = np.maximum(window.power(at_s - window.length_s), np.median(far, axis=0))
        heard = window.power(at_s)
        reached = (UPPER_HZ * order <= sweep.high_hz) & (sweep.low_hz * 0.999 <= LOWER_HZ)
        reached &= (UPPER_HZ - LOWER_HZ) * window.length_s >= LEAST_TERMS
        # The linear response itself must be more than noise.
        sure = linear > OVER_FLOOR * window.power(delay_s - window.length_s, order=1)
        scale = np.where(reached & sure, 1.0 / np.maximum(linear, SILENT), np.nan)
        floor[row] = hidden * scale
        level[row] = np.where(heard > OVER_FLOOR * hidden, (heard - hidden) * scale, np.nan)
    lags = np.arange(-round(LINEAR_LEAD_S * rate_hz), round(LINEAR_S * rate_hz))
    return _summed(level, floor, response[lags % response.size])


def _summed(level: FloatArray, floor: FloatArray, linear: FloatArray) -> Harmonics:
    """Put the orders together, both as powers re the linear response."""
    heard = np.nansum(level, axis=0)
    hidden = np.nansum(np.where(np.isnan(level), floor, 0.0), axis=0)
    known = (heard > 0.0) & (hidden < heard)
    reached = np.isfinite(floor).any(axis=0)
    return Harmonics(
        distortion_db=_db(np.where(known, heard, np.nan)),
        known=known,
        most_db=_db(np.where(reached, heard + hidden, np.nan)),
        linear=linear,
    )


def _db(power: FloatArray) -> FloatArray:
    """Decibels; nan stays nan."""
    return np.asarray(10.0 * np.log10(np.maximum(power, SILENT)))


def _divided(recording: Samples, sent: Samples, *, rate_hz: float, sweep: Sweep) -> FloatArray:
    """Impulse response over the sweep's band; what comes before it is at its end."""
    # Room for the harmonics ahead and for what rings on, so that neither wraps into the other.
    n_fft = fft.next_fast_len(recording.size + sent.size, real=True)
    played = fft.rfft(np.asarray(sent, dtype=np.float64), n_fft)
    heard = fft.rfft(np.asarray(recording, dtype=np.float64), n_fft)
    freq_hz = np.arange(played.size) * (rate_hz / n_fft)
    power = played.real**2 + played.imag**2
    inside = (freq_hz >= sweep.low_hz) & (freq_hz <= sweep.high_hz)
    # A sweep's power falls with frequency: so much is its own everywhere, not just at the bottom.
    usual = np.median(power[inside] * freq_hz[inside]) / np.maximum(freq_hz, sweep.first_hz)
    least = usual * 10.0 ** (LEAST_SENT_DB / 10.0)
    # A soft lower edge, so that the bass does not ring ahead of its arrival.
    octaves = np.log2(np.maximum(freq_hz, 1e-3) / sweep.first_hz)
    edge = np.clip(octaves / np.log2(sweep.low_hz / sweep.first_hz), 0.0, 1.0)
    soft = np.sin(0.5 * np.pi * edge) ** 2 * (freq_hz <= sweep.high_hz)
    quotient = soft * heard * played.conj() / (power + least)
    return np.asarray(fft.irfft(quotient, n_fft))


@dataclass(frozen=True)
class _Window:
    """Cuts of one length out of a response that wraps."""

    response: FloatArray
    rate_hz: float
    length_s: float
    order: int

    def power(self, at_s: float, *, order: int | None = None) -> FloatArray:
        """Power mean over log frequency, from a little ahead of `at_s` on, in each band.

        The bands are those of the fundamental, times the order.
        """
        times = self.order if order is None else order
        ahead_s = min(AHEAD_S, AHEAD_SHARE * self.length_s)
        n = round(self.length_s * self.rate_hz)
        begin = round((at_s - ahead_s) * self.rate_hz)
        rise, fall = max(1, round(0.5 * ahead_s * self.rate_hz)), max(1, round(FADE_SHARE * n))
        taps = self.response[np.arange(begin, begin + n) % self.response.size]
        taps = taps * faded(n, rise, fall)
        n_fft = fft.next_fast_len(max(n, round(self.rate_hz / 4.0)), real=True)
        spectrum = fft.rfft(taps, n_fft)
        return log_frequency_mean(
            spectrum.real**2 + spectrum.imag**2,
            spacing_hz=self.rate_hz / n_fft,
            lower_hz=times * LOWER_HZ,
            upper_hz=times * UPPER_HZ,
        )
