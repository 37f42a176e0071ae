"""Band levels along a walk: the microphone is carried through the rows while noise plays.

A way is no fixed response, so levels rest on power alone: that of short blocks of the microphone
against that of what was played at the time, the hall's noise taken off, knocks left out.
Start at `walk_levels()`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy import fft, ndimage

from evenhall.acoustics.bandlevel import LEAST_COVERED, USABLE_UNCERTAINTY_DB, BandLevels
from evenhall.acoustics.bands import (
    BAND_COUNT,
    EXACT_HZ,
    LOWER_HZ,
    MID_BANDS,
    UPPER_HZ,
    log_frequency_mean,
)
from evenhall.acoustics.transfer import at_common_rate
from evenhall.acoustics.windows import hann

__all__ = ["Disturbance", "Walked", "independent_places", "walk_levels"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

SPEED_M_S = 343.0
# Long enough to tell bands of 15 Hz, short enough to lose little to a knock.
BLOCK_S = 0.34
# A walk is cut into pieces, each lined up in level: near places are louder and count no more.
PIECE_S = 1.5
LEAST_OF_PIECE = 0.5
# Where what was played lies in the recording: levels of so short blocks are matched.
MATCH_STEP_S = 1024 / 48_000
MATCH_FROM_HZ = 400.0
COURSE_S, FLOOR_SHARE = 0.7, 0.02
SURE_MATCH = 0.07  # correlation; of another sound it is 0.04, of the right one 0.12 and more
# Blocks of the stimulus this far below its usual level are silence; what rings on is none.
SOUNDS_DB, SILENT_DB = -20.0, -45.0
RINGS_ON_S = 1.0
FEWEST_SILENT = 4
# Loud and soft passages of what was played, and what stands in for blocks that are left out.
AROUND_S = 2.0
# A block that stands out from its neighbours in time by so many usual spreads is left out in all
# bands, and with it those beside it that stand out less.
USUAL_S = 3.0
STANDS_OUT, BESIDE = 4.0, 1.5
# Share of a block's sound that is what the room still rings of the block before it.
RUNG = 0.25
ZONES_HZ = (0.0, 90.0, 280.0, 2240.0, 30_000.0)
# Variance of the ratio of two band powers of so many independent values, re one over their number:
# what was heard weighs the lines of the noise otherwise than what was played. By simulation
# (bench/walking.py).
CHANCE = 1.3
LEAST_UNCERTAINTY_DB = 0.08  # no pace is quite steady
NOISE_DOUBT = 0.25
SHORTEST_S = 5.0
# Pace by how soon the field forgets itself: sin(kr)/(kr), r the way between two blocks.
PACE_BANDS = slice(8, 22)  # 125 Hz to 2.5 kHz
PACE_STEPS_M = np.linspace(0.0, 0.8, 81)
STILL_M_S = 0.15
# A place of its own: half a wavelength on, but no less than this, for what the room's statistics
# do not hold (floor, seat backs) reaches farther. Measured on bench/seats.py, even seeds.
PLACE_APART_M = 1.5


@dataclass(frozen=True)
class Disturbance:
    """What was left out: a knock, a step, a cough, talk; by recorder time."""

    from_s: float
    to_s: float


@dataclass(frozen=True, eq=False)
class Walked:
    """What a walk says of one loudspeaker, or of several that play the same.

    Parameters
    ----------
    bands : BandLevels
        Mean power over the way, dB re the reference; the uncertainty is that of measuring, not
        what places stray by.
    shape_db : ndarray, shape (31,)
        Mean in dB over pieces of the way, each lined up over 200 Hz to 4 kHz; nan if not usable.
    halves_db : ndarray, shape (31,)
        Shape of the first half of the way less that of the second.
    piece_s, piece_db : ndarray, shape (n_pieces,) and (n_pieces, 31)
        Middle of each piece by recorder time, and its levels as `bands`; nan where unknown.
    pace_m_s : float
        nan where it cannot be told.
    sounded_s, kept_s, still_s : float
        How long it sounded, how much of that counts, and how long the microphone stood still.
    evenly_ratio : ndarray, shape (31,)
        Share of the way that each band of the stimulus told of, 1 for steady noise.
    noise_known : bool
        Whether there was silence to hear the hall's noise in.
    snr_db : ndarray, shape (31,)
        Sound over the hall's noise; inf where the noise is not known.
    match_score : float
        How alike the recording goes up and down; below 1 what was played is not in it.
    step_db : float
        Largest sudden change of level, alike in all bands; 0 if there is none.
    step_s : float
        When that was.
    start_s : float
        Recorder time at which the reference begins.
    """

    bands: BandLevels
    shape_db: FloatArray
    halves_db: FloatArray
    piece_s: FloatArray
    piece_db: FloatArray
    pace_m_s: float
    sounded_s: float
    kept_s: float
    still_s: float
    evenly_ratio: FloatArray
    disturbances: tuple[Disturbance, ...]
    noise_known: bool
    snr_db: FloatArray
    match_score: float
    step_db: float
    step_s: float
    start_s: float

    @property
    def walked_s(self) -> float:
        """How long the microphone was on its way."""
        return self.sounded_s - self.still_s

    @property
    def length_m(self) -> float:
        """Of the way, by its pace; nan where that cannot be told."""
        return self.pace_m_s * self.walked_s


def independent_places(length_m: float) -> FloatArray:
    """Count the independent places on a straight way, band by band, shape (31,).

    References
    ----------
    Mean square pressure of a diffuse field along a line of length L has the variance of
    0.6 + 2 L / wavelength independent samples, within 5 %: averaging along lines by Lubman (1969),
    correlation sin(kr)/(kr) by Cook et al. (1955), both from memory; the tests integrate it.

    Examples
    --------
    >>> independent_places(30.0)[[5, 8, 17]].round(1).tolist()
    [11.6, 20.6, 20.6]
    """
    apart_m = np.maximum(0.5 * SPEED_M_S / EXACT_HZ, PLACE_APART_M)
    return np.maximum(0.6 + length_m / apart_m, 1.0)


def walk_levels(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    reference_rate_hz: float | None = None,
) -> Walked | None:
    """Levels along a walk.

    Parameters
    ----------
    recording : ndarray, shape (n_samples,)
        Microphone signal, full scale 1; a few seconds of silence before or after the sound tell
        the hall's noise.
    reference : ndarray, shape (m_samples,)
        What was played: another channel of the same recording, or a signal of its own.
    reference_rate_hz : float, optional
        Of a signal of its own.

    Returns
    -------
    Walked or None
        None where either is silent, or less than five seconds of the sound are in the recording.
    """
    if not (np.any(recording) and np.any(reference)):
        return None
    recording, common_hz = at_common_rate(recording, rate_hz)
    if reference_rate_hz is None:
        reference, _ = at_common_rate(reference, rate_hz)
    elif reference_rate_hz != common_hz:
        reference = soxr.resample(reference, reference_rate_hz, common_hz)
    alike, lag = _match(recording, reference, common_hz)
    played = _beside(reference, lag, recording.size)
    blocks = _Blocks.of(recording, played, common_hz)
    if blocks.sounds.sum() * blocks.step_s < SHORTEST_S:
        return None
    return blocks.walked(match_score=alike / SURE_MATCH, start_s=lag / common_hz)


def _beside(reference: Float32Array, lag: int, size: int) -> Float32Array:
    """Lay what was played beside the recording."""
    played = np.zeros(size, dtype=np.float32)
    first, last = max(0, lag), min(size, lag + reference.size)
    if last > first:
        played[first:last] = reference[first - lag : last - lag]
    return played


def _match(recording: Float32Array, reference: Float32Array, rate_hz: float) -> tuple[float, int]:
    """Find what was played in the recording, by how its band levels go up and down.

    Phases would not do: on the way each arrival is drawn out or pressed together.

    Returns
    -------
    alike : float
        Correlation of the two courses there.
    lag : int
        Sample of the recording at which the reference begins.
    """
    step = 2 * (int(MATCH_STEP_S * rate_hz) // 2)
    heard, played = (_course(one, step, rate_hz) for one in (recording, reference))
    n_fft = fft.next_fast_len(len(heard) + len(played), real=True)
    product = fft.rfft(heard, n_fft, axis=0) * np.conj(fft.rfft(played, n_fft, axis=0))
    match = fft.irfft(product.sum(axis=1), n_fft)
    # As a correlation: over what was heard in that time, be it little of a long recording.
    lags = np.arange(n_fft)
    lags = np.where(lags < len(heard), lags, lags - n_fft)
    heard_to = np.append(0.0, np.cumsum((heard**2).sum(axis=1)))
    ends = np.clip(lags + len(played), 0, len(heard))
    energy = heard_to[ends] - heard_to[np.clip(lags, 0, len(heard))]
    energy = np.maximum(energy, 0.1 * energy.max()) * (played**2).sum()
    alike = match / np.sqrt(np.maximum(energy, 1e-30))
    best = int(alike.argmax())
    return float(alike[best]), int(lags[best]) * step


def _course(signal: Float32Array, step: int, rate_hz: float) -> FloatArray:
    """Level of each band, step by step, less its mean; shape (n_steps, n_bands)."""
    rows = signal[: signal.size // step * step].reshape(-1, step)
    spectra = fft.rfft(rows * hann(step))
    power = log_frequency_mean(np.abs(spectra) ** 2, spacing_hz=rate_hz / step)
    power = power[:, (EXACT_HZ > MATCH_FROM_HZ) & (0.45 * rate_hz > UPPER_HZ)]
    # What lies below the sound tells nothing, and a recorder may have heard minutes of it.
    floor = FLOOR_SHARE * np.percentile(power, 98.0, axis=0) + 1e-30
    level = np.log(power + floor)
    # Ups and downs alone: that it was muted halfway is no reason not to find it.
    width = max(3, round(COURSE_S * rate_hz / step))
    return np.asarray(level - ndimage.uniform_filter1d(level, width, axis=0))


@dataclass(frozen=True, eq=False)
class _Blocks:
    """Recording and stimulus, block by block.

    Parameters
    ----------
    heard, played : ndarray, shape (n_blocks, 31)
        Band powers, weighed so that they are means of the response over log frequency.
    sounds, silent : ndarray of bool, shape (n_blocks,)
    forgets : ndarray, shape (n_blocks - 2, n_pace_bands)
        How alike what was heard is to two blocks before, response against response.
    """

    heard: FloatArray
    played: FloatArray
    covered_ratio: FloatArray
    sounds: BoolArray
    silent: BoolArray
    forgets: FloatArray
    step_s: float

    @classmethod
    def of(cls, recording: Float32Array, played: Float32Array, rate_hz: float) -> _Blocks:
        block = 2 ** round(np.log2(BLOCK_S * rate_hz))
        step, spacing_hz = block // 2, rate_hz / block
        starts = np.arange(0, recording.size - block + 1, step)
        window = hann(block)
        heard_f, played_f = (
            fft.rfft(np.stack([one[at : at + block] for at in starts]) * window, axis=1, workers=2)
            for one in (recording, played)
        )
        power_heard, power_played = np.abs(heard_f) ** 2, np.abs(played_f) ** 2
        total = power_played.sum(axis=1)
        usual = float(np.percentile(total[total > 1e-9 * total.max()], 60.0))
        sounds = total > usual * 10.0 ** (SOUNDS_DB / 10.0)
        quiet = total < usual * 10.0 ** (SILENT_DB / 10.0)
        # What rings on after the sound is no silence.
        rung = int(np.ceil(RINGS_ON_S / (step / rate_hz))) + 1
        silent = quiet & ~ndimage.binary_dilation(sounds, np.ones(2 * rung + 1, dtype=bool))
        density = power_played[sounds].mean(axis=0) + 1e-30
        bins = np.arange(density.size)
        # A bin tells something where what was played is not far below what it is around it.
        around = ndimage.maximum_filter1d(density * np.maximum(bins, 1), 2 * (block // 64) + 1)
        known = (density * np.maximum(bins, 1) > 1e-4 * around) & (
            density * np.maximum(bins, 1) > 1e-6 * np.max(density * bins)
        )
        weight = np.where(known, 1.0 / density, 0.0)
        covered = np.clip(log_frequency_mean(known.astype(float), spacing_hz=spacing_hz), 0.0, 1.0)
        share = np.where(covered >= LEAST_COVERED, covered, 1.0)
        heard_p, played_p = (
            log_frequency_mean(power * weight, spacing_hz=spacing_hz) / share
            for power in (power_heard, power_played)
        )
        return cls(
            heard_p,
            played_p,
            covered,
            sounds,
            silent,
            _forgets(heard_f * np.conj(played_f) * weight, spacing_hz),
            step / rate_hz,
        )

    def walked(self, *, match_score: float, start_s: float) -> Walked:
        """Judge them."""
        noise = self._noise()
        moves = self._pace()
        kept = self.sounds & ~self._stands_out()
        walks = np.nan_to_num(moves, nan=np.inf) >= STILL_M_S
        counts = kept & walks
        if counts.sum() * self.step_s < SHORTEST_S:
            counts = kept  # it stood still, and is no walk: what it heard is told all the same
        weight = self._weight()
        clean = self._filled((self.heard - noise) * weight, counts)
        played = self._filled(self.played * weight, counts)
        counts = self.sounds & (walks | ~kept) if counts is not kept else self.sounds
        total = played[counts].sum(axis=0)
        known = (self.covered_ratio >= LEAST_COVERED) & (total > 0)
        ratio = clean[counts].sum(axis=0) / np.where(known, total, 1.0)
        mean_noise = noise * weight[counts].sum(axis=0) / np.where(known, total, 1.0)
        evenly, values = self._values(played, counts)
        sd = self._spread(ratio, mean_noise, values)
        positive = known & (ratio > 0)
        safe = np.where(positive, ratio, 1.0)
        uncertainty = np.hypot(10.0 / np.log(10.0) * sd / safe, LEAST_UNCERTAINTY_DB)
        usable = positive & (uncertainty <= USABLE_UNCERTAINTY_DB)
        bands = BandLevels(
            level_db=np.where(usable, 10.0 * np.log10(safe), np.nan),
            uncertainty_db=np.where(positive, uncertainty, np.nan),
            usable=usable,
            covered_ratio=self.covered_ratio,
            length_s=np.full(BAND_COUNT, BLOCK_S),
        )
        piece_s, piece_db = self._pieces(clean, played, counts, usable)
        aligned = piece_db - _mean(piece_db[:, MID_BANDS], axis=1)[:, None]
        half = len(aligned) // 2
        step_db, step_s = self._step(kept)
        snr = np.where(mean_noise > 0, ratio / np.where(mean_noise > 0, mean_noise, 1.0), np.inf)
        sounding = moves[self.sounds]
        told = sounding[np.isfinite(sounding) & (sounding >= STILL_M_S)]
        return Walked(
            bands=bands,
            shape_db=_mean(aligned),
            halves_db=_mean(aligned[:half]) - _mean(aligned[half:]),
            piece_s=piece_s,
            piece_db=piece_db,
            pace_m_s=float(np.median(told)) if told.size else float("nan"),
            sounded_s=float(self.sounds.sum()) * self.step_s,
            kept_s=float(kept.sum()) * self.step_s,
            still_s=float((self.sounds & ~walks).sum()) * self.step_s,
            evenly_ratio=evenly,
            disturbances=self._disturbances(self.sounds & ~kept),
            noise_known=bool(self.silent.sum() >= FEWEST_SILENT),
            snr_db=10.0 * np.log10(np.maximum(snr, 1e-30)),
            match_score=match_score,
            step_db=step_db,
            step_s=step_s,
            start_s=start_s,
        )

    def _filled(self, power: FloatArray, counts: BoolArray) -> FloatArray:
        """Put the mean of what lies around into blocks that were left out: no part is missed."""
        return np.where(counts[:, None], power, self._around(power, counts))

    def _around(self, power: FloatArray, there: BoolArray) -> FloatArray:
        """Mean of the blocks that are there, over a second to either side of each."""
        width = max(3, round(AROUND_S / self.step_s))
        share = ndimage.uniform_filter1d(there.astype(float), width)[:, None]
        mean = ndimage.uniform_filter1d(np.where(there[:, None], power, 0.0), width, axis=0)
        return np.asarray(mean / np.maximum(share, 0.1 / width))

    def _noise(self) -> FloatArray:
        """Power of the hall's noise in each band; 0 where nothing tells it."""
        if self.silent.sum() < FEWEST_SILENT:
            return np.zeros(BAND_COUNT)
        quiet = self.heard[self.silent]
        # A slam is in few of the blocks; of what is not far above the usual, the mean.
        usual = np.median(quiet, axis=0)
        return np.asarray(
            np.where(quiet < 6.0 * usual, quiet, 0.0).sum(axis=0)
            / np.maximum((quiet < 6.0 * usual).sum(axis=0), 1)
        )

    def _weight(self) -> FloatArray:
        """Weight that lets loud passages of music count no more than soft ones, (n_blocks, 31)."""
        around = self._around(self.played, self.sounds)
        floor = 0.1 * self.played[self.sounds].mean(axis=0)
        return np.asarray(1.0 / np.maximum(around, np.maximum(floor, 1e-30)))

    def _stands_out(self) -> BoolArray:
        """Blocks in which something else was heard: too loud for their place, zone by zone."""
        at = np.flatnonzero(self.sounds)
        sent = (1.0 - RUNG) * self.played[at] + RUNG * self.played[np.maximum(at - 1, 0)]
        level = 10.0 * np.log10(np.maximum(self.heard[at] / np.maximum(sent, 1e-30), 1e-30))
        usual = ndimage.median_filter(level, (2 * round(USUAL_S / self.step_s / 2) + 1, 1))
        above = level - usual
        spread = _usual_spread(above) + 1e-6
        out = np.zeros(at.size, dtype=bool)
        for low_hz, high_hz in pairwise(ZONES_HZ):
            zone = (low_hz < EXACT_HZ) & (high_hz > EXACT_HZ) & (self.covered_ratio > LEAST_COVERED)
            if zone.any():
                course = (above[:, zone] / spread[zone]).mean(axis=1)
                course = course - np.median(course)
                course = course / (_usual_spread(course) + 1e-6)
                seed = course > STANDS_OUT
                out |= ndimage.binary_propagation(
                    seed,
                    mask=seed | (course > BESIDE) & ndimage.binary_dilation(seed, iterations=2),
                )
        found = np.zeros(self.sounds.size, dtype=bool)
        found[at] = out
        return found

    def _disturbances(self, left_out: BoolArray) -> tuple[Disturbance, ...]:
        edges = np.flatnonzero(np.diff(np.concatenate(([0], left_out.astype(int), [0]))))
        return tuple(
            Disturbance(float(first * self.step_s), float((last + 1) * self.step_s))
            for first, last in edges.reshape(-1, 2)
        )

    def _values(self, played: FloatArray, counts: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Share of the way that each band tells of, and how many independent values it has."""
        width = max(1, round(PIECE_S / self.step_s))
        slow = ndimage.uniform_filter1d(played[counts], width, axis=0)
        square = np.maximum((slow**2).sum(axis=0), 1e-30)
        evenly = slow.sum(axis=0) ** 2 / square / len(slow)
        # What a piece of pink noise differs by from the next is chance, and no gap.
        width_hz = UPPER_HZ - LOWER_HZ
        evenly = np.minimum(evenly * (1.0 + 1.0 / np.maximum(width_hz * PIECE_S, 1.0)), 1.0)
        return evenly, width_hz * self.step_s * float(counts.sum()) * evenly

    def _spread(self, ratio: FloatArray, noise: FloatArray, values: FloatArray) -> FloatArray:
        """Give one standard deviation of the mean power over the way."""
        values = np.maximum(values, 1.0)
        silent = np.maximum((UPPER_HZ - LOWER_HZ) * self.step_s * self.silent.sum(), 1.0)
        variance = CHANCE * ratio**2 / values + (2.0 * ratio * noise + noise**2) / values
        variance += noise**2 / silent + (NOISE_DOUBT * noise) ** 2
        return np.asarray(np.sqrt(variance))

    def _pieces(
        self, clean: FloatArray, played: FloatArray, counts: BoolArray, usable: BoolArray
    ) -> tuple[FloatArray, FloatArray]:
        """Middle of each piece of the way, and its levels."""
        at = np.flatnonzero(self.sounds)
        n_pieces = max(2, round(at.size * self.step_s / PIECE_S))
        times, levels = [], []
        for piece in np.array_split(at, n_pieces):
            own = piece[counts[piece]]
            if own.size < LEAST_OF_PIECE * piece.size:
                continue
            heard, sent = clean[own].sum(axis=0), played[own].sum(axis=0)
            told = usable & (sent > 0.1 * played[at].mean(axis=0) * own.size) & (heard > 0)
            ratio = np.where(told, heard, 1.0) / np.where(told, sent, 1.0)
            # The logarithm of a mean of few values lies low by this.
            values = np.maximum((UPPER_HZ - LOWER_HZ) * own.size * self.step_s, 1.0)
            level = 10.0 * np.log10(ratio) + 5.0 / np.log(10.0) * CHANCE / values
            times.append((float(own.mean()) + 1.0) * self.step_s)
            levels.append(np.where(told, level, np.nan))
        return np.array(times), np.array(levels).reshape(-1, BAND_COUNT)

    def _step(self, kept: BoolArray) -> tuple[float, float]:
        """Largest sudden change of level that is alike in all bands, and when."""
        at = np.flatnonzero(kept)
        told = self.covered_ratio >= LEAST_COVERED
        ratio = self.heard[at] / np.maximum(self.played[at], 1e-30)
        level = 10.0 * np.log10(np.maximum(ratio[:, told], 1e-30))
        reach = round(1.0 / self.step_s)
        most, when = 0.0, 0.0
        for k in range(reach, at.size - reach):
            # A block that straddles the step belongs to neither side.
            before, after = level[k - reach : k - 1], level[k + 1 : k + reach]
            change = np.median(after, axis=0) - np.median(before, axis=0)
            low, middle, high = np.percentile(change, [15.0, 50.0, 85.0])
            alike = min(abs(low), abs(high)) if low * high > 0 else 0.0
            if alike > abs(most):
                most, when = float(np.sign(middle) * alike), float(at[k] * self.step_s)
        return most, when

    def _pace(self) -> FloatArray:
        """Pace at each block, m/s; nan where it cannot be told."""
        n = self.sounds.size
        width = max(3, round(2.0 / self.step_s))
        pace = np.full(n, np.nan)
        both = self.sounds[2:] & self.sounds[:-2]
        alike = np.where(both[:, None], self.forgets, 0.0)
        count = np.maximum(ndimage.uniform_filter1d(both.astype(float), width), 1e-9)
        smooth = ndimage.uniform_filter1d(alike, width, axis=0) / count[:, None]
        turns = 2.0 * np.pi / SPEED_M_S * EXACT_HZ[PACE_BANDS] * PACE_STEPS_M[:, None]
        model = np.sinc(turns / np.pi)
        fit = smooth @ model.T / np.sum(model**2, axis=1)
        left = np.sum((smooth[:, None] - fit[..., None] * model) ** 2, axis=2)
        best = left.argmin(axis=1)
        found = PACE_STEPS_M[best] / (2.0 * self.step_s)
        sure = both & (fit[np.arange(best.size), best] > 0.05)
        pace[1:-1] = np.where(sure, found, np.nan)
        return pace


def _forgets(response: NDArray[np.complex128], spacing_hz: float) -> FloatArray:
    """How alike the response of each block is to that of the next but one, band by band."""
    lower = np.round(LOWER_HZ[PACE_BANDS] / spacing_hz).astype(int)
    upper = np.maximum(np.round(UPPER_HZ[PACE_BANDS] / spacing_hz).astype(int), lower + 1)
    cross = (response[2:] * np.conj(response[:-2])).real
    own = np.abs(response) ** 2
    own = 0.5 * (own[2:] + own[:-2])

    def in_bands(values: FloatArray) -> FloatArray:
        total = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
        return np.asarray(total[:, upper] - total[:, lower])

    return np.asarray(in_bands(cross) / np.maximum(in_bands(own), 1e-30))


def _usual_spread(values: FloatArray) -> FloatArray:
    """Give the standard deviation about 0, over time, by the median: outliers do not move it."""
    return np.asarray(1.4826 * np.median(np.abs(values), axis=0))


def _mean(levels: FloatArray, axis: int = 0) -> FloatArray:
    known = np.isfinite(levels)
    total = np.where(known, levels, 0.0).sum(axis=axis)
    count = known.sum(axis=axis)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))
