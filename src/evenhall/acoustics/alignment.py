"""Where in a recording the reference lies, and how much faster the recorder's clock ran.

shared_lag()      one clock: the lag alone
find_stimulus()   two clocks: pieces of the reference looked up one by one; the start and the
                  clock are the line on which most of them lie
clock_error()     two clocks, nearly undone: the drift that is left, from the delay of what
                  was heard against what was expected, piece by piece
    sweep_clock_error()  the same for a sweep, which passes each frequency only once
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.whitening import flat_gain
from evenhall.acoustics.windows import hann

__all__ = [
    "Found",
    "SegmentDelays",
    "clock_error",
    "find_stimulus",
    "segment_delays",
    "shared_lag",
    "sweep_clock_error",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Complex64Array = NDArray[np.complex64]

SEARCH_RATE_HZ = 8000.0
FRAMES_PER_SEGMENT = 3
SEARCH_LOW_HZ = 80.0
SEARCH_TOP_HZ = 3500.0
LONGEST_SHARED_LAG_S = 2.0
SHARED_PART_S = 4.0
# Looked for wider than allowed, so that a clock beyond the limit is named and not just missed.
SEARCH_PPM = 600.0
PIECES = 16
PIECE_S = 1.0
SHORTEST_S = 0.2
NARROWEST_PIECE_HZ = 100.0
COARSE_S = 0.004
SMOOTH = 8  # places, a millisecond
# A recording that is so much longer than the reference is searched in stretches: half a minute
# before and after it is what a take has. What they share is longer than the reference.
LOOK_S, LOOK_STEP_S = 70.0, 66.0
# Tally of the best place over that of the best other place which chance does not reach; the
# pieces of a sweep are alike but for their place.
RIVAL, RIVAL_SWEEP = 1.6, 2.5
# Height of a match over that of the reversed reference which chance does not reach.
OVER_CHANCE = 3.0
SURE_SCORE = 5.0  # below, a part of the take is not enough to tell
# Where a sweep's arrivals are made sharp: above a loudspeaker's crossover, whose own delay passes
# for drift (of 48 takes with an echo above the direct sound the worst was 36 ppm off; from 1 kHz
# on it was 60).
SWEEP_LOW_HZ, SWEEP_HIGH_HZ = 3000.0, 16_000.0
SWEEP_REACH_S = 0.05
SWEEP_PPM, SWEEP_STEP_PPM = 320.0, 8.0


@dataclass(frozen=True)
class Found:
    """Where the stimulus lies in a recording.

    Parameters
    ----------
    start_s : float
        Recorder time at which the reference's first sample arrives.
    clock_ppm : float
        How much faster the recorder ran than the player.
    score : float
        Height of the match over chance; below about 1 it is chance.
    """

    start_s: float
    clock_ppm: float
    score: float


def _flat(
    spectrum: Complex64Array, spacing_hz: float, low_hz: float, top_hz: float
) -> Complex64Array:
    gain, _ = flat_gain(spectrum, spacing_hz=spacing_hz, top_hz=top_hz)
    gain[: int(low_hz / spacing_hz)] = 0.0
    return np.asarray(spectrum * gain)


def _mean_square_ahead(values: Float32Array, width: int) -> FloatArray:
    """Mean square of each value and the `width` - 1 after it, on a circle.

    With few copies, as takes can be minutes long: half of the time of scipy's uniform filter.
    """
    total = np.zeros(values.size + width)
    np.square(values, out=total[1 : values.size + 1], dtype=np.float64)
    total[values.size + 1 :] = total[1:width]
    np.cumsum(total, out=total)
    mean = total[width:] - total[:-width]
    mean /= width
    return np.asarray(mean)


def _loudest_part(
    recording: Float32Array, reference: Float32Array, rate_hz: float
) -> tuple[Float32Array, Float32Array]:
    """Seconds in which the reference is loudest: they place a take as well as all of it do."""
    length, block = int(SHARED_PART_S * rate_hz), int(0.5 * rate_hz)
    if reference.size < length + block:
        return recording, reference
    energy = np.square(reference[: reference.size // block * block]).reshape(-1, block).sum(axis=1)
    within = np.convolve(energy, np.ones(length // block), "valid")
    start = int(within.argmax()) * block
    return recording[start : start + length], reference[start : start + length]


def shared_lag(
    recording: Float32Array, reference: Float32Array, *, rate_hz: float, steady: bool
) -> Found:
    """Lag of the loudest arrival behind a reference on the same clock; negative where it is ahead.

    `steady` tells whether any part of the reference holds all its frequencies.
    """
    if steady:
        part = _shared_lag(*_loudest_part(recording, reference, rate_hz), rate_hz=rate_hz)
        if part.score > SURE_SCORE:
            return part
    return _shared_lag(recording, reference, rate_hz=rate_hz)


def _shared_lag(recording: Float32Array, reference: Float32Array, *, rate_hz: float) -> Found:
    n_fft = fft.next_fast_len(recording.size + int(LONGEST_SHARED_LAG_S * rate_hz), real=True)
    spacing_hz = rate_hz / n_fft
    # The lower spectrum alone finds the place; half of the length of the inverse is saved.
    top_hz = min(0.45 * rate_hz, 11000.0)
    n_bins = int(top_hz / spacing_hz) + 1
    played_f = fft.rfft(reference, n_fft)[:n_bins]
    gain, _ = flat_gain(played_f, spacing_hz=spacing_hz, top_hz=top_hz)
    gain[: int(SEARCH_LOW_HZ / 4 / spacing_hz)] = 0.0
    played = played_f * gain
    heard_f = fft.rfft(recording, n_fft)[:n_bins]
    n_short = fft.next_fast_len(2 * n_bins, real=True)
    step_s = n_fft / n_short / rate_hz
    reach = int(LONGEST_SHARED_LAG_S / step_s)
    width = max(1, int(0.003 / step_s))

    def found(heard: Complex64Array) -> Found:
        def match_with(reference_f: Complex64Array) -> tuple[Float32Array, FloatArray]:
            match = fft.irfft(heard * reference_f, n_short)
            match = np.concatenate([match[-reach:], match[:reach]])
            return match, _mean_square_ahead(match, width)

        match, smooth = match_with(played.conj())
        peak = int(smooth.argmax())
        exact = peak + int(np.abs(match[peak : peak + width]).argmax())
        # Played backwards it is as loud, as coloured and as bursty, but not in the recording.
        _, chance = match_with(played)
        score = float(smooth[peak] / max(float(chance.max()), 1e-30) / OVER_CHANCE)
        return Found((exact - reach) * step_s, 0.0, score)

    # Flattened, all octaves of a recording have a say; a sub fills few of them, and is found
    # where what is heard counts as loud as it is.
    flattened = found(_flat(heard_f, spacing_hz, SEARCH_LOW_HZ / 4, top_hz))
    if flattened.score > SURE_SCORE:
        return flattened
    return max(flattened, found(heard_f * gain), key=lambda result: result.score)


def _votes(recording: Float32Array, reference: Float32Array) -> tuple[Float32Array, FloatArray]:
    """Vote for each start of the reference by each piece of it, and the pieces' times."""
    rate = int(SEARCH_RATE_HZ)
    piece = int(min(PIECE_S, reference.size / rate / 4.0) * rate)
    n_fft = fft.next_fast_len(recording.size + reference.size, real=True)
    spacing_hz = rate / n_fft
    heard = _flat(fft.rfft(recording, n_fft), spacing_hz, SEARCH_LOW_HZ, SEARCH_TOP_HZ)
    starts = np.unique(np.linspace(0, reference.size - piece, PIECES).astype(int))
    energy = np.array([float(np.sum(reference[s : s + piece] ** 2)) for s in starts])
    window = hann(piece)
    # A slam is like everything: what counts is the match for the energy that is there.
    local = _mean_square_ahead(fft.irfft(heard, n_fft), piece)
    local += 1e-2 * local.mean() + 1e-30
    votes = np.empty((starts.size, n_fft), dtype=np.float32)
    times_s: list[float] = []
    for start in starts[energy > 1e-3 * energy.max()]:
        vote = _vote(heard, local, reference[start : start + piece] * window)
        if vote is not None:
            votes[len(times_s)] = np.roll(vote, -start)
            times_s.append((start + piece / 2) / rate)
    return votes[: len(times_s)], np.array(times_s)


def _vote(heard: Complex64Array, local: FloatArray, piece: Float32Array) -> Float32Array | None:
    """Vote for each place by one piece; None where it holds too little to tell.

    `heard` is the recording's flattened spectrum, `local` its energy around each place.
    """
    rate, n_fft = int(SEARCH_RATE_HZ), local.size
    spacing_hz = rate / n_fft
    played = fft.rfft(piece, n_fft)
    gain, spans_hz = flat_gain(played, spacing_hz=spacing_hz, top_hz=SEARCH_TOP_HZ)
    # A piece counts by where most of its energy lies, not by the skirts of its spectrum.
    power = played.real**2 + played.imag**2
    strong = power * np.arange(power.size)
    gain[: int(SEARCH_LOW_HZ / spacing_hz)] = 0.0
    gain[strong < 1e-4 * strong.max()] = 0.0
    if not spans_hz.size or np.count_nonzero(gain) * spacing_hz < NARROWEST_PIECE_HZ:
        return None
    played *= gain
    np.conj(played, out=played)
    played *= heard
    del power, strong, gain
    likely = _mean_square_ahead(np.abs(fft.ifft(played, n_fft)), SMOOTH)
    likely /= local
    peak = int(likely.argmax())
    before, after = likely[: max(0, peak - rate // 20)], likely[peak + rate // 20 + 1 :]
    rival = max(float(before.max(initial=0.0)), float(after.max(initial=0.0)))
    # A piece that fits in one place alone has a full vote; one that fits anywhere, none.
    distinct = min(1.0, max(0.0, float(likely[peak]) / max(rival, 1e-30) - 1.0))
    likely *= distinct / max(float(likely[peak]), 1e-30)
    return likely.astype(np.float32)


def _tally(votes: Float32Array, shifts: NDArray[np.int64]) -> Float32Array:
    """Sum of the pieces' votes, each read `shifts` places further on, shape (n_shifts, n)."""
    places = np.arange(votes.shape[1])
    total = np.zeros((shifts.shape[0], votes.shape[1]), dtype=np.float32)
    for row, shift in zip(total, shifts, strict=True):
        for vote, by in zip(votes, shift, strict=True):
            row += vote[(places + by) % votes.shape[1]]
    return total


def find_stimulus(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    reference_rate_hz: float,
    steady: bool,
) -> Found:
    """Start of the reference in a recording made on another clock.

    Parameters
    ----------
    recording : ndarray, shape (n_samples,)
        Microphone signal.
    reference : ndarray, shape (m_samples,)
        What was played; it may begin before the recording or end after it.
    rate_hz, reference_rate_hz : float
        Their nominal sample rates.
    steady : bool
        Whether any part of the reference holds all its frequencies.

    Notes
    -----
    A drift of 300 ppm smears the correlation of a whole take over milliseconds; over a piece
    of a second it stays within a third of one. What the pieces say is added along lines.
    """
    if min(recording.size / rate_hz, reference.size / reference_rate_hz) < SHORTEST_S:
        return Found(0.0, 0.0, 0.0)
    heard = soxr.resample(recording, rate_hz, SEARCH_RATE_HZ)
    played = soxr.resample(reference, reference_rate_hz, SEARCH_RATE_HZ)
    window, step = played.size + int(LOOK_S * SEARCH_RATE_HZ), int(LOOK_STEP_S * SEARCH_RATE_HZ)
    if heard.size <= window + int(SEARCH_RATE_HZ):
        return _best_line(heard, played, steady=steady)
    # A recorder that was left running: one stretch after the other, as memory has its limits.
    looks = []
    for first_s in np.arange(0, heard.size - window + step, step) / SEARCH_RATE_HZ:
        part = slice(round(first_s * rate_hz), round((first_s + window / SEARCH_RATE_HZ) * rate_hz))
        found = find_stimulus(
            recording[part],
            reference,
            rate_hz=rate_hz,
            reference_rate_hz=reference_rate_hz,
            steady=steady,
        )
        looks.append(replace(found, start_s=found.start_s + first_s))
    return max(looks, key=lambda found: found.score)


def _best_line(heard: Float32Array, played: Float32Array, *, steady: bool) -> Found:
    """Start and clock on which most of the pieces' votes lie, first to COARSE_S, then fine."""
    votes, times_s = _votes(heard, played)
    if votes.shape[0] < 2:
        return Found(0.0, 0.0, 0.0)
    rate = SEARCH_RATE_HZ
    n_places = votes.shape[1]
    pool = int(COARSE_S * rate)
    n_pooled = n_places // pool
    pooled = votes[:, : n_pooled * pool].reshape(votes.shape[0], n_pooled, pool).max(axis=2)
    # The circle of lags closes, so that a start before the recording lies at its end.
    span_s = times_s.max() - times_s.min() + 1e-9

    def clocks_ppm(resolution_s: float) -> FloatArray:
        n_steps = int(np.ceil(SEARCH_PPM * 1e-6 * span_s / resolution_s))
        return np.linspace(-SEARCH_PPM, SEARCH_PPM, 2 * n_steps + 1)

    coarse_ppm = clocks_ppm(COARSE_S / 2.0)
    drift_s = coarse_ppm[:, None] * 1e-6 * times_s
    coarse = _tally(pooled, np.round(drift_s / COARSE_S).astype(np.int64))
    best_row, best_place = divmod(int(coarse.argmax()), n_pooled)
    rival = coarse[best_row].copy()
    near = (np.arange(n_pooled) - best_place + 25) % n_pooled < 50
    rival[near] = 0.0

    around = (np.arange(-4 * pool, 5 * pool) + best_place * pool) % n_places
    fine_ppm = clocks_ppm(0.25 / rate)
    drift = np.round(fine_ppm[:, None] * 1e-6 * times_s * rate).astype(np.int64)
    reach = int(np.abs(drift).max()) + 1
    wide = np.arange(around[0] - reach, around[0] + around.size + reach) % n_places
    read = np.lib.stride_tricks.sliding_window_view(votes[:, wide], around.size, axis=1)
    score = np.zeros((fine_ppm.size, around.size))
    for piece, begins in zip(read, (reach + drift).T, strict=True):
        score += piece[begins]
    row, column = divmod(int(score.argmax()), around.size)
    place = float(around[column])
    if place > heard.size:
        place -= n_places
    return Found(
        (place + 0.5 * (SMOOTH - 1)) / rate,
        float(fine_ppm[row]),
        float(coarse[best_row, best_place] / max(float(rival.max()), 1e-9))
        / (RIVAL if steady else RIVAL_SWEEP),
    )


@dataclass(frozen=True)
class SegmentDelays:
    """What was heard against what was expected, piece by piece.

    Parameters
    ----------
    time_s, delay_s : ndarray, shape (n_segments,)
        Middle of each piece, and its delay.
    information : ndarray, shape (n_segments,)
        Reciprocal variance of `delay_s` (1/s^2).
    power : ndarray, shape (n_segments,)
        Of what was expected.
    explained, left : ndarray, shape (n_bins,)
        Power spectrum of what was expected, and of the rest, over all pieces.
    spacing_hz : float
        Distance between their bins.
    """

    time_s: FloatArray
    delay_s: FloatArray
    information: FloatArray
    power: FloatArray
    explained: FloatArray
    left: FloatArray
    spacing_hz: float


def segment_delays(
    predicted: Float32Array, residual: Float32Array, *, rate_hz: float, top_hz: float
) -> SegmentDelays:
    """Delay of the recording against its prediction in pieces of half a second.

    Both are whitened. Phase is read up to `top_hz`; delays must stay well under half its period.
    """
    frame = 1 << int(np.log2(rate_hz * 0.17))
    n_frames = max(1, predicted.size // frame)
    window = hann(frame)

    def spectra(signal: Float32Array) -> Complex64Array:
        padded = np.zeros(n_frames * frame, dtype=np.float32)
        padded[: min(signal.size, padded.size)] = signal[: padded.size]
        return np.asarray(fft.rfft(padded.reshape(n_frames, frame) * window))

    expected, rest = spectra(predicted), spectra(residual)
    explained, left = (
        np.asarray((s.real**2 + s.imag**2).sum(axis=0), dtype=np.float64) for s in (expected, rest)
    )
    spacing_hz = rate_hz / frame
    read = slice(0, int(top_hz / spacing_hz))
    omega = 2.0 * np.pi * np.arange(read.stop) * spacing_hz
    groups = np.array_split(np.arange(n_frames), max(1, n_frames // FRAMES_PER_SEGMENT))
    time_s, delay_s, information, power_sum = np.zeros((4, len(groups)))
    for k, group in enumerate(groups):
        wanted, off = expected[group, read], rest[group, read]
        power = np.sum(wanted.real**2 + wanted.imag**2, axis=0, dtype=np.float64)
        noise = float(np.mean(off.real**2 + off.imag**2, dtype=np.float64))
        cross = np.sum((wanted + off) * wanted.conj(), axis=0, dtype=np.complex128)
        delay = 0.0
        for _ in range(4):
            turned = cross * np.exp(1j * omega * delay)
            slope = np.sum(omega**2 * np.maximum(turned.real, 0.0))
            if slope <= 0.0:
                break
            delay -= float(np.sum(omega * turned.imag) / slope)
        total = max(float(power.sum()), 1e-30)
        time_s[k] = (group.mean() + 0.5) * frame / rate_hz
        delay_s[k] = delay
        power_sum[k] = total / len(group)
        information[k] = float(np.sum(omega**2 * power)) / max(noise, 1e-9 * power.mean(), 1e-30)
    return SegmentDelays(time_s, delay_s, information, power_sum, explained, left, spacing_hz)


def clock_error(segments: SegmentDelays) -> float:
    """Drift left in a take, in ppm: slope of the robust line through the segments' delays.

    References
    ----------
    Delay against time, steps dropped, straight line through the rest: 3GPP TS 26.132, Annex D.2.
    """
    weight = segments.information
    if weight.size < 3 or not np.any(weight > 0):
        return 0.0
    # The scale is found with the line: scipy's robust least squares want to be told it.
    for _ in range(8):
        slope, offset = np.polyfit(segments.time_s, segments.delay_s, 1, w=np.sqrt(weight))
        off = np.abs(segments.delay_s - offset - slope * segments.time_s)
        scale = max(1.5 * float(np.median(off)), 1e-8)
        weight = segments.information / np.maximum(1.0, off / scale)
    return float(slope) * 1e6


def sweep_clock_error(
    impulse: FloatArray,
    stimulus_time_s: FloatArray,
    *,
    rate_hz: float,
    lead: int,
    assumed_ppm: float,
) -> float:
    """Drift left in a sweep's response: what undone makes its arrivals sharpest, in ppm.

    The sweep passes each third octave at `stimulus_time_s`, shape (31,); the loudest sound lies
    near tap `lead`. What is tried lies around a clock that is right, `assumed_ppm` being undone
    already. An echo is as sharp as the direct sound when the drift is undone, so that any arrival
    tells: the fourth power of the envelope counts the sharp ones, whichever is the loudest. A
    loudspeaker's own group delay from 3 kHz on passes for drift: some 10 ppm of a ten-second sweep.
    Levels do not mind.
    """
    reach = int(SWEEP_REACH_S * rate_hz)
    piece = impulse[max(0, lead - reach) : lead + reach]
    n_fft = fft.next_fast_len(2 * piece.size, real=True)
    freq_hz = np.arange(n_fft // 2 + 1) * (rate_hz / n_fft)
    place = np.clip((freq_hz - SWEEP_LOW_HZ) / (SWEEP_HIGH_HZ - SWEEP_LOW_HZ), 0.0, 1.0)
    spectrum = fft.rfft(piece, n_fft) * np.sin(np.pi * place) ** 2
    passes_s = np.interp(np.log(np.maximum(freq_hz, 1.0)), np.log(EXACT_HZ), stimulus_time_s)
    middle_s = np.interp(np.log(SWEEP_LOW_HZ * 2.0), np.log(EXACT_HZ), stimulus_time_s)
    phase = 2.0 * np.pi * np.cumsum(passes_s - middle_s) * (freq_hz[1] - freq_hz[0])

    def sharpest_ppm(candidates: FloatArray) -> float:
        undone = (spectrum * np.exp(1j * ppm * 1e-6 * phase) for ppm in candidates)
        sharpness = [float(np.sum(np.abs(fft.ifft(one, n_fft)) ** 4)) for one in undone]
        return float(candidates[np.argmax(sharpness)])

    best = sharpest_ppm(np.arange(-SWEEP_PPM, SWEEP_PPM + 1.0, SWEEP_STEP_PPM) - assumed_ppm)
    for step_ppm in (SWEEP_STEP_PPM / 2.0, SWEEP_STEP_PPM / 4.0, SWEEP_STEP_PPM / 8.0):
        best = sharpest_ppm(best + step_ppm * np.array([-1.0, 0.0, 1.0]))
    return best
