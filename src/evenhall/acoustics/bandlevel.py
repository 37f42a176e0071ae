"""Third-octave levels of an impulse response that lies in noise, and how sure each one is.

In each band the response is followed up to where noise takes over: beyond that a longer look
adds noise alone. The noise inside is taken off, the tail that noise hides is added from the
decay before it, and what neither can settle is stated as the uncertainty.
Start at `band_levels()`.
"""

from __future__ import annotations

from dataclasses import dataclass

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


def band_levels(solved: Deconvolution, *, rate_hz: float, arrival: int) -> BandLevels:
    """Level of each third-octave band and its uncertainty, the direct sound at tap `arrival`.

    Notes
    -----
    With m the power of the response a bin, s that of the noise, and n independent bins in the
    band, the power mean has the variance (2 m s + s^2) / n (chi-square with two degrees of
    freedom a bin, not central).
    """
    before = int(BEFORE_ARRIVAL_S * rate_hz)
    start = max(0, arrival - before)
    impulse, sounded_ratio = solved.impulse, solved.sounded_ratio
    available = impulse.size - start
    n_fft = fft.next_fast_len(max(available, int(rate_hz)), real=True)
    spacing_hz = rate_hz / n_fft
    freq_hz = np.asarray(np.arange(n_fft // 2 + 1) * spacing_hz, dtype=np.float64)
    mask = covered_share(freq_hz, solved.covered_hz)
    covered_ratio = np.clip(log_frequency_mean(mask, spacing_hz=spacing_hz), 0.0, 1.0)
    known = covered_ratio >= LEAST_COVERED
    share = np.where(known, covered_ratio, 1.0)
    width_hz = (UPPER_HZ - LOWER_HZ) * share

    def power(samples: FloatArray) -> FloatArray:
        spectrum = fft.rfft(samples.astype(np.float32), n_fft)
        squared = (spectrum.real**2 + spectrum.imag**2) * mask
        return log_frequency_mean(squared, spacing_hz=spacing_hz) / share

    def density_of(samples: FloatArray) -> FloatArray:
        taper = np.hanning(min(samples.size, n_fft))
        return power(samples[: taper.size] * taper) / (taper @ taper)

    # What lies ahead of the arrival is noise too, if too short to serve the bass.
    ahead = density_of(impulse[: max(start, before // 2)])
    density = density_of(solved.noise) * solved.noise_scale
    density = np.where(np.isfinite(density), density, ahead)
    # Where the stimulus is weak, at its ends or between notes, the fit makes more noise than
    # correlation shows; what stands ahead of the arrival is the better witness then.
    ahead_values = np.maximum(width_hz * max(start, before // 2) / rate_hz * HANN_SHARE, 1.0)
    trust = np.maximum(LEAST_AHEAD_TRUST, 1.0 - 1.0 / np.sqrt(ahead_values))
    density = np.maximum(density, trust * ahead)

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
        seen[k] = power(impulse[start : start + length] * window) - noise_in[k]

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
    bands = np.arange(BAND_COUNT)
    energy = seen[last, bands]
    # Too few looks above the noise for a slope of its own: the other bands lend theirs.
    lent = ~np.isfinite(decay) & (last < lengths.size - 1)
    latest = np.maximum(added[last, bands], 0.0) / added_s[last, 0]
    hidden = np.where(lent, latest / typical_decay, hidden)
    hidden = np.clip(hidden, 0.0, LARGEST_TAIL * np.maximum(energy, 0.0))

    noise_power = noise_in[last, bands]
    n_independent = np.maximum(width_hz * lengths_s[last], 1.0)
    # Where the stimulus fills a part, as much is told; and the noise is as uneven as the stimulus,
    # most of it from a few weak places. The square is found by simulation (bench/accuracy.py).
    n_independent = n_independent * np.clip(sounded_ratio + STEADY_GAPS, 0.1, 1.0) ** 2
    variance = (2.0 * np.maximum(energy, 0.0) * noise_power + noise_power**2) / n_independent
    gaps = has_gaps(sounded_ratio)
    if gaps:
        variance *= GAPS_NOISE
    variance += ((GAPS_BIAS if gaps else NOISE_DOUBT) * noise_power) ** 2
    variance += hidden**2
    # The 20 kHz band is by definition the mean over what the sample rate covers.
    gap = np.where(bands < BAND_COUNT - 1, 1.0 - share, 0.0)
    variance += (GAP_SPREAD * gap * np.maximum(energy, 0.0)) ** 2
    # What no note touched is one chance draw in each stretch as wide as the room's resonances.
    stretches = np.maximum(width_hz / RESONANCE_HZ, 1.0)
    unseen = np.clip(1.0 - sounded_ratio - STEADY_GAPS, 0.0, 1.0)
    variance += unseen / stretches * np.maximum(energy, 0.0) ** 2
    variance += (2.0 * solved.unsettled_ratio * np.maximum(energy, 0.0)) ** 2
    variance += (solved.leak_ratio * np.max(energy, where=known, initial=0.0)) ** 2
    total = energy + hidden
    known &= undisturbed[first, bands] & (lengths_s[-1] >= LEAST_PER_WIDTH / width_hz)
    positive = known & (total > 0.0) & np.isfinite(total)
    safe = np.where(positive, total, 1.0)
    uncertainty_db = np.hypot(10.0 / np.log(10.0) * np.sqrt(variance) / safe, LEAST_UNCERTAINTY_DB)
    usable = positive & (uncertainty_db <= USABLE_UNCERTAINTY_DB)
    return BandLevels(
        level_db=np.where(usable, 10.0 * np.log10(safe), np.nan),
        uncertainty_db=np.where(positive, uncertainty_db, np.nan),
        usable=usable,
        covered_ratio=covered_ratio,
        length_s=lengths_s[last],
    )
