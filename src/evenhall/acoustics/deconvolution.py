"""The impulse response between two signals that run in step, by weighted least squares.

Dividing averaged spectra of windowed pieces cuts off whatever rings longer than a window.
Here the whole take is explained at once: the impulse response whose convolution with the
reference lies nearest the recording. No window biases it, however long the room rings,
and what it leaves unexplained (the residual) shows when somebody coughed.

    expect()        a quick solution: what the recording should have been, and what is left
    deconvolve()    flatten both signals by the reference's spectrum, so that all bands count
                    alike; solve; weigh down what does not fit; solve again
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import log_frequency_mean
from evenhall.acoustics.hum import HUM_WIDTH_HZ, hum_lines_hz, notches, tones
from evenhall.acoustics.timetable import (
    Stimulus,
    believed,
    block_powers,
    has_gaps,
    noise_scale,
)
from evenhall.acoustics.whitening import LOWEST_HZ, cut, flat_gain
from evenhall.acoustics.windows import hann

__all__ = ["Deconvolution", "deconvolve", "expect"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Complex64Array = NDArray[np.complex64]

# Relative gradient at which the rounds end; what is left of it lies some 55 dB down.
SETTLED = 1.5e-3
NEARLY_SETTLED = 6e-3
MAX_ROUNDS = 12
# Power of the gradient re that of the noise at lags without response: what is finer than that
# is noise, and most of it where the stimulus is weakest.
LOST_IN_NOISE = 1e-3
# Of one round: no better than the next round's correction.
STEP_SETTLED = 4e-2
MAX_STEPS = 80  # noise takes six, sparse music most of them
# Above this relative gradient a residual is mostly misfit: hum and slams cannot be told in it.
CLEAR_RESIDUAL = 0.02
RIDGE = 0.02  # of the flattened stimulus's power

RESOLVED_HZ = 2.0  # finer gaps in a stimulus a room bridges
# Blocks of the residual that are judged for fit: long enough for bass, short for a slam.
BLOCK_S = 0.085
ZONE_EDGES_HZ = (60.0, 400.0, 2500.0, 12000.0)
# A block may carry this much more residual power than the typical one before it loses weight.
FIT_TOLERANCE = 3.0
# Residual power re the recording's under which nothing is wrong, however uneven it is.
NEGLIGIBLE = 1e-4
NEEDS_SECOND_PASS = 0.5
# A frequency whose stimulus fell almost wholly into blocks that do not fit is not known.
LEAST_BELIEVED = 0.25
# What follows the stimulus this long is its own ringing, and is to be believed as well.
RING_S = 0.4
# What a sweep with a gap smears: found by simulation, slams 25 dB above the sweep.
GAP_LEAK = 0.03
TWOS = 1024  # lengths of transforms are multiples of it


@dataclass(frozen=True)
class Deconvolution:
    """An impulse response with what is needed to say how far to trust it.

    Parameters
    ----------
    impulse : ndarray, shape (n_taps,)
        Response, full scale re the reference's; tap 0 is lag 0.
    noise : ndarray, shape (n_taps,)
        The same estimate at lags where no response is: noise as it lies in `impulse`.
    noise_scale : ndarray, shape (31,)
        Factor on the power of `noise` in each third-octave band that makes it the noise
        power in `impulse`: the stimulus may have met less recording at those lags. nan where
        it met too little to tell.
    covered_hz : ndarray, shape (n, 2)
        Spans of frequency that the reference tells about.
    known_s : ndarray, shape (31,)
        How long after the direct sound each band was heard undisturbed.
    used_ratio : float
        How far the blocks that carry the stimulus were believed, 0 to 1.
    predicted, residual : ndarray, shape (n_samples,)
        Whitened recording as explained, and what is left of it.
    leak_ratio : float
        Power, re the strongest band, that gaps in a stimulus that passes once may have smeared
        into any other.
    unsettled_ratio : float
        Amplitude, re the whole, that the solution had not settled yet.
    sounded_ratio : ndarray, shape (31,)
        Share of each band that the stimulus filled.
    steady : bool
        Whether each band sounds most of the time (noise), or passes once (a sweep).
    stimulus_time_s : ndarray, shape (31,)
        Centre in time of each band's stimulus.
    """

    impulse: FloatArray
    noise: FloatArray
    noise_scale: FloatArray
    covered_hz: FloatArray
    known_s: FloatArray
    used_ratio: float
    predicted: Float32Array
    residual: Float32Array
    leak_ratio: float
    unsettled_ratio: float
    sounded_ratio: FloatArray
    steady: bool
    stimulus_time_s: FloatArray


class _Fit:
    """The normal equations of one take: whitened signals, and the way to their solution.

    Were the whole response to the whole stimulus recorded and believed, the equations would be
    those of the reference's autocorrelation, a small matter of the response's own length. Ends
    and weights make them differ a little: the small problem shows the way, the signals say how
    far to go and what is left.
    """

    def __init__(
        self,
        reference_f: Complex64Array,
        recording_f: Complex64Array,
        *,
        n_fft: int,
        n_taps: int,
    ) -> None:
        self.reference_f = reference_f
        self.n_fft = n_fft
        self.n_taps = n_taps
        self.recording = self._signal(recording_f)
        self.impulse = np.zeros(n_taps, dtype=np.float32)
        self.predicted = np.zeros(n_fft, dtype=np.float32)
        self.start = 0.0  # energy of the gradient before anything was explained
        self.unsettled_ratio = 0.0  # what is left of the gradient
        self.reference = self._signal(reference_f)
        lags = self._signal(reference_f.real**2 + reference_f.imag**2)
        self.n_small = fft.next_fast_len(2 * n_taps, real=True)
        around = np.zeros(self.n_small, dtype=np.float32)
        around[:n_taps] = lags[:n_taps]
        around[1 - n_taps :] = lags[1 - n_taps :]
        # The ridge: what the reference hardly holds is not to be filled with noise.
        self.autopower = np.asarray(fft.rfft(around).real) + np.float32(RIDGE)

    def _signal(self, spectrum: Complex64Array | Float32Array) -> Float32Array:
        return np.asarray(fft.irfft(spectrum, self.n_fft), dtype=np.float32)

    def sounded_ratio(self, rate_hz: float) -> FloatArray:
        """Evenness of the flattened reference within each band: 1 where it fills all of it."""
        spacing_hz = rate_hz / self.n_small
        width = max(1, int(RESOLVED_HZ / spacing_hz))
        power = np.maximum(self.autopower[: self.autopower.size // width * width], 0.0)
        power = power.reshape(-1, width).mean(axis=1, dtype=np.float64)
        mean, square = log_frequency_mean(
            np.stack([power, power**2]), spacing_hz=spacing_hz * width
        )
        return np.asarray(mean**2 / np.maximum(square, 1e-30))

    def residual(self) -> Float32Array:
        return self.recording - self.predicted

    def lags(self, weight: Float32Array) -> Float32Array:
        """Correlation of the weighted residual with the reference at all (circular) lags."""
        left = self.residual()
        left *= weight
        return self._signal(fft.rfft(left) * self.reference_f.conj())

    def solve(self, weight: Float32Array, *, rounds: int = MAX_ROUNDS) -> Float32Array:
        """Improve `impulse` until nothing is left to explain; return the last `lags()`.

        Conjugate gradients, the small problem as preconditioner (Polak-Ribiere's form, as
        the small problem is not solved to the last figure). scipy's take as long, and leave
        neither what was predicted nor the outer lags.
        """
        lags = self.lags(weight)
        gradient = lags[: self.n_taps].copy()
        self.start = max(self.start, float(np.dot(gradient, gradient)))
        direction = previous = np.zeros_like(gradient)
        gained = np.inf
        for _ in range(rounds):
            energy = float(np.dot(gradient, gradient))
            self.unsettled_ratio = float(np.sqrt(energy / max(self.start, 1e-30)))
            outer = lags[self.n_taps : 2 * self.n_taps]
            noise = float(np.dot(outer, outer))
            if self.unsettled_ratio <= SETTLED or energy <= noise * LOST_IN_NOISE:
                break
            better = self.small_solution(gradient)
            if self.unsettled_ratio <= NEARLY_SETTLED and energy <= noise:
                # So near, and under the noise, the small problem alone finds the rest but for
                # a fifth of it.
                self.impulse = self.impulse + better
                self.unsettled_ratio *= 0.2
                break
            old_gain, gained = gained, float(np.dot(better, gradient))
            kept = max(0.0, (gained - float(np.dot(better, previous))) / old_gain)
            direction = better + np.float32(kept) * direction
            moved = self._signal(fft.rfft(direction, self.n_fft) * self.reference_f)
            weighted = weight * moved
            curvature = float(np.dot(moved, weighted))
            if curvature <= 0.0:
                break
            step = np.float32(float(np.dot(direction, gradient)) / curvature)
            self.impulse = self.impulse + step * direction
            self.predicted += step * moved
            lags -= step * self._signal(fft.rfft(weighted) * self.reference_f.conj())
            previous, gradient = gradient, lags[: self.n_taps].copy()
        return lags

    def fitted_noise(self, weight: Float32Array) -> Float32Array:
        """Fit what is left as if it came `n_taps` earlier: a response that is all noise."""
        later = _Fit(
            self.reference_f,
            fft.rfft(np.roll(self.residual() * (weight > 0.0), -self.n_taps)),
            n_fft=self.n_fft,
            n_taps=self.n_taps,
        )
        later.start = self.start
        later.solve(np.roll(weight, -self.n_taps))
        return later.impulse

    def as_response(self, lags: Float32Array) -> Float32Array:
        """Scale correlation to response, as if its taps closed to a circle."""
        spectrum = fft.rfft(lags, self.n_small) / np.maximum(self.autopower, np.float32(RIDGE))
        return np.asarray(fft.irfft(spectrum, self.n_small)[: lags.size], dtype=np.float32)

    def small_solution(self, gradient: Float32Array) -> Float32Array:
        """Solve the equations of the autocorrelation alone, by conjugate gradients.

        As scipy's to the last bit, in 4 ms for two seconds of pink noise where that takes 9;
        Levinson's way (`solve_toeplitz`) takes 24 s.
        """
        solution = np.zeros_like(gradient)
        left = gradient.copy()
        direction = gradient.copy()
        energy = start = float(np.dot(left, left))
        for _ in range(MAX_STEPS):
            if energy <= start * STEP_SETTLED**2:
                break
            turned = fft.irfft(fft.rfft(direction, self.n_small) * self.autopower, self.n_small)
            turned = turned[: self.n_taps]
            step = np.float32(energy / float(np.dot(direction, turned)))
            solution += step * direction
            left -= step * turned
            previous, energy = energy, float(np.dot(left, left))
            direction *= np.float32(energy / previous)
            direction += left
        return solution


def _zone_powers(spectra: FloatArray, spacing_hz: float) -> FloatArray:
    edges = np.minimum(np.round(np.array(ZONE_EDGES_HZ) / spacing_hz), spectra.shape[1]).astype(int)
    return np.stack(
        [spectra[:, lo:hi].sum(axis=1) for lo, hi in pairwise(edges)],
        axis=1,
    )


def _fit_weights(
    residual: FloatArray,
    recording: FloatArray,
    inside: NDArray[np.bool_],
    spacing_hz: float,
    *,
    steady: bool,
) -> FloatArray:
    """Weight of each block: 1 where the residual is as usual, falling with its excess power.

    A sweep leaves its own residue (what rings beyond the response, distortion) in the zone that
    it is passing: there only what shows in a second zone as well is a disturbance.
    """
    power = _zone_powers(residual, spacing_hz)
    heard = _zone_powers(recording, spacing_hz)[inside].mean(axis=0)
    typical = np.maximum(np.median(power[inside], axis=0), NEGLIGIBLE * heard)
    excess = np.sort(power / np.maximum(typical, 1e-30), axis=1)[:, -1 if steady else -2]
    weight = np.minimum(1.0, (FIT_TOLERANCE / np.maximum(excess, 1e-30)) ** 2)
    # A slam rings on into its neighbours: they share its doubt.
    before, after = np.append(weight[1:], 1.0), np.append(1.0, weight[:-1])
    weight = np.minimum(weight, np.sqrt(np.minimum(before, after)))
    return np.where(inside, weight, 0.0)


def _between_blocks(weight: FloatArray, block: int) -> Float32Array:
    """Weight of each sample: the least of a block and its neighbours at its middle.

    Straight lines between: a slope, where a step would smear what it cuts off over all frequencies.
    """
    least = np.minimum(weight, np.minimum(np.roll(weight, 1), np.roll(weight, -1)))
    middles = np.pad(least, 1, mode="edge").astype(np.float32)[:, None]
    way = np.linspace(0.0, 1.0, block, endpoint=False, dtype=np.float32)
    return np.asarray((middles[:-1] + np.diff(middles, axis=0) * way).ravel()[block // 2 :])


def _setup(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    n_taps: int,
    top_hz: float,
) -> tuple[_Fit, FloatArray]:
    """Flatten both signals by the reference's spectrum and lay them side by side."""
    # A power of two in it: a length of threes and fives alone may take a third longer.
    n_fft = TWOS * fft.next_fast_len(-(-(recording.size + n_taps) // TWOS), real=True)
    placed = np.zeros(n_fft, dtype=np.float32)
    placed[n_taps : n_taps + recording.size] = recording
    reference_f = fft.rfft(reference, n_fft)
    gain, covered_hz = flat_gain(reference_f, spacing_hz=rate_hz / n_fft, top_hz=top_hz)
    fit = _Fit(reference_f * gain, fft.rfft(placed) * gain, n_fft=n_fft, n_taps=n_taps)
    return fit, covered_hz


def expect(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    n_taps: int,
    top_hz: float,
) -> tuple[Float32Array, Float32Array]:
    """Return the whitened recording as a first solution explains it, and what is left of it.

    The parameters are those of `deconvolve()`; both results have the recording's length.
    """
    fit, _ = _setup(recording, reference, rate_hz=rate_hz, n_taps=n_taps, top_hz=top_hz)
    inside = slice(n_taps, n_taps + recording.size)
    everywhere = np.zeros(fit.n_fft, dtype=np.float32)
    everywhere[inside] = 1.0
    fit.solve(everywhere, rounds=1)
    return fit.predicted[inside], fit.residual()[inside]


def deconvolve(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    n_taps: int,
    lead: int,
    settle: int,
    top_hz: float,
) -> Deconvolution:
    """Impulse response of `n_taps` from the reference to the recording.

    Parameters
    ----------
    recording : ndarray, shape (n_samples,)
        Microphone signal.
    reference : ndarray, shape (n_taps + n_samples,)
        What was played; ``reference[n_taps + i]`` meets ``recording[i]`` at tap 0.
    n_taps, lead : int
        Length of the response, and the tap near which the direct sound is expected.
    settle : int
        Samples at the start of the recording that are not believed, as what sounded before
        the reference begins may still ring in them.
    top_hz : float
        Highest frequency at which both signals are to be trusted.

    References
    ----------
    Least squares by conjugate gradients: Hestenes and Stiefel, J. Res. NBS 49 (1952) 409.
    """
    n_samples = recording.size
    fit, covered_hz = _setup(recording, reference, rate_hz=rate_hz, n_taps=n_taps, top_hz=top_hz)
    n_fft = fit.n_fft
    inside = slice(n_taps, n_taps + n_samples)
    block = int(BLOCK_S * rate_hz)
    n_blocks = -(-n_samples // block)

    def in_blocks(signal: Float32Array, window: Float32Array | None = None) -> FloatArray:
        fill = np.zeros(n_blocks * block - n_samples, dtype=np.float32)
        return block_powers(np.concatenate([signal, fill]), block, window)

    # Faded blocks keep a sweep's bands apart; the residual's are not, lest a click hide between.
    heard = fit.reference[n_taps - lead : n_taps - lead + n_samples]
    stimulus = Stimulus(in_blocks(heard, hann(block)), rate_hz / block)

    def per_sample(weight: FloatArray) -> Float32Array:
        samples = np.zeros(n_fft, dtype=np.float32)
        samples[inside] = _between_blocks(weight, block)[:n_samples]
        return samples

    weight = np.ones(n_blocks)
    weight[: -(-settle // block)] = 0.0
    counted = stimulus.carries & (weight > 0.0)
    lags = fit.solve(per_sample(weight))
    residual = fit.residual()[inside]

    clear = fit.unsettled_ratio < CLEAR_RESIDUAL
    hum_hz = hum_lines_hz(residual, fit.recording[inside], rate_hz) if clear else np.zeros(0)
    hum = tones(residual, hum_hz, rate_hz)
    judged = _fit_weights(
        in_blocks(residual - hum),
        in_blocks(fit.recording[inside]),
        counted,
        stimulus.spacing_hz,
        steady=stimulus.steady,
    )
    # The last block ends where the recorder stopped, in the middle of a sound.
    amiss = judged[:-2][counted[:-2]].min(initial=1.0) < NEEDS_SECOND_PASS
    if hum_hz.size or (clear and amiss):
        weight = judged
        # From nothing again: what the misfit put where no data is left would stay there.
        covered_hz = cut(covered_hz, hum_hz - HUM_WIDTH_HZ, hum_hz + HUM_WIDTH_HZ)
        notched = notches(fit.reference_f.size, hum_hz, rate_hz / n_fft)
        fit.recording[inside] -= hum
        fit = _Fit(
            fit.reference_f * notched,
            fft.rfft(fit.recording) * notched,
            n_fft=n_fft,
            n_taps=n_taps,
        )
        lags = fit.solve(per_sample(weight))
        residual = fit.residual()[inside]

    fine_hz = LOWEST_HZ * (top_hz / LOWEST_HZ) ** np.linspace(0.0, 1.0, 121)
    fine = stimulus.in_bands(fine_hz[:-1], fine_hz[1:])
    ring = int(RING_S * rate_hz) // block + 1
    doubtful = believed(fine, weight, ring).min(axis=0) < LEAST_BELIEVED
    n_lags = (n_taps - lead) // block
    heard_on = believed(stimulus.in_thirds, weight, n_lags) >= LEAST_BELIEVED
    known_blocks = np.where(heard_on.all(axis=0), n_lags + 1, heard_on.argmin(axis=0))
    sounded_ratio = fit.sounded_ratio(rate_hz)
    # Between its notes music tells little, and the fit fills that with noise of its own: only
    # a fit to what cannot be response shows how much.
    gaps = has_gaps(sounded_ratio)
    if gaps:
        noise = fit.fitted_noise(per_sample(weight))
    else:
        noise = fit.as_response(lags[n_taps : 2 * n_taps])
    scale = noise_scale(
        stimulus.in_thirds,
        weight,
        range((n_taps - lead) // block, (2 * n_taps - lead) // block + 1),
        -(-n_fft // block),
        fitted_share=min(0.5, n_taps / n_samples) if stimulus.steady else 0.0,
        fitted=gaps,
    )
    gap = not stimulus.steady and bool(weight[counted].min() < LEAST_BELIEVED)
    return Deconvolution(
        impulse=fit.impulse.astype(np.float64),
        noise=noise.astype(np.float64),
        noise_scale=scale,
        covered_hz=cut(covered_hz, fine_hz[:-1][doubtful], fine_hz[1:][doubtful]),
        known_s=known_blocks * (block / rate_hz),
        leak_ratio=GAP_LEAK if gap else 0.0,
        unsettled_ratio=fit.unsettled_ratio,
        sounded_ratio=sounded_ratio,
        steady=stimulus.steady,
        stimulus_time_s=stimulus.mean_time_s(),
        used_ratio=float(weight[counted].mean()),
        predicted=fit.predicted[inside],
        residual=residual,
    )
