"""Third-octave levels of an impulse response that lies in noise, and how sure each one is.

In each band the response is followed up to where noise takes over: beyond that a longer look
adds noise alone. The noise inside is taken off, the tail that noise hides is added from the
decay before it, and what neither can settle is stated as the uncertainty.
Start at `band_levels()`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import BAND_COUNT, LOWER_HZ, UPPER_HZ, log_frequency_mean
from evenhall.acoustics.deconvolution import Deconvolution
from evenhall.acoustics.timetable import has_gaps
from evenhall.acoustics.whitening import covered_share
from evenhall.acoustics.windows import faded

__all__ = ["BandLevels", "band_levels"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Sound cannot come before the first arrival; the estimate of it can: where the stimulus begins
# sharply in the bass, it rings ahead for two periods.
BEFORE_ARRIVAL_S = 0.09
SHORTEST_LOOK_S = 0.02
LOOK_GROWTH = 1.8
# A look this many times the reciprocal of a band's width keeps its neighbours out of it.
LOOK_PER_WIDTH = 4.0
LEAST_PER_WIDTH = 2.0  # a shorter one cannot tell the band from its neighbours at all
# Share of a look over which it is faded out, so that its end rings into no other band.
FADE_SHARE = 0.2
# An addition to a band's energy is sound, not noise, from this many standard deviations on.
SIGNIFICANT = 3.0
# Longest hidden tail, re what is seen, that the decay before it is trusted to foretell.
LARGEST_TAIL = 0.02
FEWEST_LOOKS = 3
RESONANCE_HZ = 1.8  # 2.2 / T, for a room that rings 1.2 s
STEADY_GAPS = 0.1  # share of a band that noise leaves thin by chance
SLOWEST_DECAY_PER_S = 3.0  # of energy: 4.6 s of reverberation; what decays slower is residue
# So short a stretch is itself known to a factor of two in the bass, and better in wider bands:
# of n independent values the power is known to 1/sqrt(n). A Hann window leaves two in three.
LEAST_AHEAD_TRUST, HANN_SHARE = 0.5, 2.0 / 3.0
# Doubt about the noise that is taken off: all bins of a band share it, so no width averages it
# away. Between the notes of music the fit gives up where noise is stronger, and what it leaves
# out is missing from the level; the noise that is left varies more than a line's. All found by
# simulation, on other takes than those of bench/accuracy.py and the tests.
NOISE_DOUBT, GAPS_BIAS, GAPS_NOISE = 0.25, 0.4, 2.5
# What fitting, resampling and truncation leave even without noise.
LEAST_UNCERTAINTY_DB = 0.03
# Beyond it a third-octave level is no ground for moving a fader.
USABLE_UNCERTAINTY_DB = 0.75
LEAST_COVERED = 0.5
# Spread of the power inside a band: what a gap hides is unlike the rest by about this ratio.
GAP_SPREAD = 0.5


@dataclass(frozen=True)
class BandLevels:
    """Levels of the 31 third-octave bands from 20 Hz to 20 kHz.

    Parameters
    ----------
    level_db : ndarray, shape (31,)
        Power mean of the response over log frequency, dB re the reference; nan if not usable.
    uncertainty_db : ndarray, shape (31,)
        One standard deviation; nan where nothing is known.
    usable : ndarray of bool, shape (31,)
    covered_ratio : ndarray, shape (31,)
        Share of the band in which the reference has energy.
    length_s : ndarray, shape (31,)
        How long the response was followed in each band.
    """

    level_db: FloatArray
    uncertainty_db: FloatArray
    usable: BoolArray
    covered_ratio: FloatArray
    length_s: FloatArray


def _tails(
    lengths_s: FloatArray, added: FloatArray, use: BoolArray, last: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Energy beyond look `last` of each band, from the decay of what the looks before it added.

    A straight line is fitted to the logarithm of energy per second over the looks in `use`. Tail
    and decay per second, shape (n_bands,): 0 and nan where the looks show no decay.
    """
    middle_s = (0.5 * (lengths_s[1:] + lengths_s[:-1]))[:, None]
    density = added[1:] / np.diff(lengths_s)[:, None]
    use = use[1:] & (np.arange(1, lengths_s.size)[:, None] <= last) & (density > 0.0)
    log_density = np.log(np.where(use, density, 1.0))
    count = np.maximum(use.sum(axis=0), 1)
    mean_s = (use * middle_s).sum(axis=0) / count
    mean_log = log_density.sum(axis=0) / count
    off_s = use * (middle_s - mean_s)
    spread = (off_s**2).sum(axis=0)
    enough = use.sum(axis=0) >= FEWEST_LOOKS
    slope = (off_s * log_density).sum(axis=0) / np.where(enough, spread, 1.0)
    decays = enough & (slope < -SLOWEST_DECAY_PER_S)
    at_end = np.exp(mean_log + slope * (lengths_s[last] - mean_s))
    return (
        np.where(decays, at_end / np.where(decays, -slope, 1.0), 0.0),
        np.where(decays, -slope, np.nan),
    )


@dataclass(frozen=True, eq=False)
class _Bands:
    """The bands of a response, as far as the reference has energy in them."""

    rate_hz: float
    n_fft: int
    mask: FloatArray  # of each bin: 1 where the response is known
    covered_ratio: FloatArray

    @classmethod
    def of(cls, covered_hz: FloatArray, n_taps: int, rate_hz: float) -> _Bands:
        n_fft = fft.next_fast_len(max(n_taps, int(rate_hz)), real=True)
        spacing_hz = rate_hz / n_fft
        freq_hz = np.asarray(np.arange(n_fft // 2 + 1) * spacing_hz, dtype=np.float64)
        mask = covered_share(freq_hz, covered_hz)
        covered = np.clip(log_frequency_mean(mask, spacing_hz=spacing_hz), 0.0, 1.0)
        return cls(rate_hz, n_fft, mask, covered)

    @cached_property
    def known(self) -> BoolArray:
        return self.covered_ratio >= LEAST_COVERED

    @cached_property
    def share(self) -> FloatArray:
        """What is known of each band; 1 where that is too little, and nothing told."""
        return np.where(self.known, self.covered_ratio, 1.0)

    @cached_property
    def width_hz(self) -> FloatArray:
        return np.asarray((UPPER_HZ - LOWER_HZ) * self.share)

    def power(self, samples: FloatArray) -> FloatArray:
        spectrum = fft.rfft(samples.astype(np.float32), self.n_fft)
        squared = (spectrum.real**2 + spectrum.imag**2) * self.mask
        return log_frequency_mean(squared, spacing_hz=self.rate_hz / self.n_fft) / self.share

    def density(self, noise: FloatArray) -> FloatArray:
        """Power of a stretch of noise by the sample."""
        taper = np.hanning(min(noise.size, self.n_fft))
        return self.power(noise[: taper.size] * taper) / (taper @ taper)


def _noise_density(solved: Deconvolution, bands: _Bands, n_ahead: int) -> FloatArray:
    """Noise by the sample, as it lies in the response."""
    # What lies ahead of the arrival is noise too, if too short to serve the bass.
    ahead = bands.density(solved.impulse[:n_ahead])
    density = bands.density(solved.noise) * solved.noise_scale
    density = np.where(np.isfinite(density), density, ahead)
    # Where the stimulus is weak, at its ends or between notes, the fit makes more noise than
    # correlation shows; what stands ahead of the arrival is the better witness then.
    values = np.maximum(bands.width_hz * n_ahead / bands.rate_hz * HANN_SHARE, 1.0)
    trust = np.maximum(LEAST_AHEAD_TRUST, 1.0 - 1.0 / np.sqrt(values))
    return np.maximum(density, trust * ahead)


def _variance(
    solved: Deconvolution, bands: _Bands, energy: FloatArray, noise: FloatArray, look_s: FloatArray
) -> FloatArray:
    """Square of the standard deviation of each band's energy, but for its hidden tail.

    With m the power of the response a bin, s that of the noise, and n independent bins in the
    band, the power mean has the variance (2 m s + s^2) / n (chi-square with two degrees of
    freedom a bin, not central).
    """
    heard = np.maximum(energy, 0.0)
    n_independent = np.maximum(bands.width_hz * look_s, 1.0)
    # Where the stimulus fills a part, as much is told; and the noise is as uneven as the stimulus,
    # most of it from a few weak places. The square is found by simulation (bench/accuracy.py).
    n_independent = n_independent * np.clip(solved.sounded_ratio + STEADY_GAPS, 0.1, 1.0) ** 2
    variance = (2.0 * heard * noise + noise**2) / n_independent
    gaps = has_gaps(solved.sounded_ratio)
    if gaps:
        variance *= GAPS_NOISE
    variance += ((GAPS_BIAS if gaps else NOISE_DOUBT) * noise) ** 2
    # The 20 kHz band is by definition the mean over what the sample rate covers.
    gap = np.where(np.arange(BAND_COUNT) < BAND_COUNT - 1, 1.0 - bands.share, 0.0)
    variance += (GAP_SPREAD * gap * heard) ** 2
    # What no note touched is one chance draw in each stretch as wide as the room's resonances.
    stretches = np.maximum(bands.width_hz / RESONANCE_HZ, 1.0)
    unseen = np.clip(1.0 - solved.sounded_ratio - STEADY_GAPS, 0.0, 1.0)
    variance += unseen / stretches * heard**2
    variance += (2.0 * solved.unsettled_ratio * heard) ** 2
    variance += (solved.leak_ratio * np.max(energy, where=bands.known, initial=0.0)) ** 2
    return np.asarray(variance)


def band_levels(solved: Deconvolution, *, rate_hz: float, arrival: int) -> BandLevels:
    """Level of each third-octave band and its uncertainty, the direct sound at tap `arrival`."""
    before = int(BEFORE_ARRIVAL_S * rate_hz)
    start = max(0, arrival - before)
    available = solved.impulse.size - start
    bands = _Bands.of(solved.covered_hz, available, rate_hz)
    width_hz = bands.width_hz
    density = _noise_density(solved, bands, max(start, before // 2))

    growth = np.arange(60)
    lengths = np.round(SHORTEST_LOOK_S * LOOK_GROWTH**growth * rate_hz).astype(int) + before
    lengths = np.append(lengths[lengths < 0.85 * available], available)
    lengths_s = lengths / rate_hz
    seen = np.zeros((lengths.size, BAND_COUNT))
    noise_in = np.zeros((lengths.size, BAND_COUNT))
    for k, length in enumerate(lengths):
        # A short fade in ahead of the arrival, a longer one at the end.
        window = faded(length, max(1, before // 2), max(1, int(length * FADE_SHARE)))
        noise_in[k] = density * (window @ window)
        seen[k] = bands.power(solved.impulse[start : start + length] * window) - noise_in[k]

    added = np.diff(seen, axis=0, prepend=0.0)
    noise_added = np.diff(noise_in, axis=0, prepend=0.0)
    added_s = np.diff(lengths_s, prepend=0.0)[:, None]
    spread = noise_added / np.sqrt(np.maximum(width_hz * added_s, 1.0))
    undisturbed = lengths_s[:, None] <= before / rate_hz + solved.known_s
    significant = (added > SIGNIFICANT * spread) & undisturbed
    sharp = lengths_s[:, None] >= np.minimum(LOOK_PER_WIDTH / width_hz, lengths_s[-1])
    first = sharp.argmax(axis=0)
    last = np.where(significant, np.arange(lengths.size)[:, None], first).max(axis=0)
    last = np.maximum(last, first)

    hidden, decay = _tails(lengths_s, added, significant, last)
    typical_decay = np.nanmedian(decay) if np.isfinite(decay).any() else np.inf
    each = np.arange(BAND_COUNT)
    energy = seen[last, each]
    # Too few looks above the noise for a slope of its own: the other bands lend theirs.
    lent = ~np.isfinite(decay) & (last < lengths.size - 1)
    latest = np.maximum(added[last, each], 0.0) / added_s[last, 0]
    hidden = np.where(lent, latest / typical_decay, hidden)
    hidden = np.clip(hidden, 0.0, LARGEST_TAIL * np.maximum(energy, 0.0))

    variance = _variance(solved, bands, energy, noise_in[last, each], lengths_s[last])
    variance += hidden**2
    total = energy + hidden
    known = bands.known & undisturbed[first, each] & (lengths_s[-1] >= LEAST_PER_WIDTH / width_hz)
    positive = known & (total > 0.0) & np.isfinite(total)
    safe = np.where(positive, total, 1.0)
    uncertainty_db = np.hypot(10.0 / np.log(10.0) * np.sqrt(variance) / safe, LEAST_UNCERTAINTY_DB)
    usable = positive & (uncertainty_db <= USABLE_UNCERTAINTY_DB)
    return BandLevels(
        level_db=np.where(usable, 10.0 * np.log10(safe), np.nan),
        uncertainty_db=np.where(positive, uncertainty_db, np.nan),
        usable=usable,
        covered_ratio=bands.covered_ratio,
        length_s=lengths_s[last],
    )
