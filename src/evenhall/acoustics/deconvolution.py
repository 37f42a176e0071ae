"""The impulse response between two signals that run in step, by weighted least squares.

Dividing averaged spectra of windowed pieces cuts off whatever rings longer than a window.
Here the whole take is explained at once: the impulse response whose convolution with the
reference lies nearest the recording. No window biases it, however long the room rings,
and what it leaves unexplained (the residual) shows when somebody coughed.

    deconvolve()    flatten both signals by the reference's spectrum, so that all bands count
                    alike; solve; weigh down what does not fit; solve again
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import LOWER_HZ, UPPER_HZ, log_frequency_mean
from evenhall.acoustics.whitening import LOWEST_HZ, cut, flat_gain

__all__ = ["Deconvolution", "deconvolve"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Complex64Array = NDArray[np.complex64]

MAX_STEPS = 12
# Relative gradient at which the steps end; what is left of it lies some 50 dB down.
SETTLED = 3e-3

# Blocks of the residual that are judged for fit: long enough for bass, short for a slam.
BLOCK_S = 0.085
ZONE_EDGES_HZ = (60.0, 400.0, 2500.0, 12000.0)
# A block may carry this much more residual power than the typical one before it loses weight.
FIT_TOLERANCE = 3.0
# Residual power re the recording's under which nothing is wrong, however uneven it is.
NEGLIGIBLE = 1e-4
NEEDS_SECOND_PASS = 0.5
# Steady tones in what is left over: mains hum and its harmonics.
HUM_OVER_NEIGHBOURS_DB = 17.0
HUM_NEIGHBOURS_HZ = 8.0
HUM_WIDTH_HZ = 0.8
HUM_TOP_HZ = 2000.0
# A frequency whose stimulus fell almost wholly into blocks that do not fit is not known.
LEAST_BELIEVED = 0.25
# Below this share of its time a band's stimulus passes once, as a sweep does: then there is no
# excess noise from the chance correlations of a noise with itself.
STEADY_SHARE = 0.3


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
        power in `impulse`: the stimulus may have met less recording at those lags.
    covered_hz : ndarray, shape (n, 2)
        Spans of frequency that the reference tells about.
    used_ratio : float
        How far the blocks that carry the stimulus were believed, 0 to 1.
    predicted, residual : ndarray, shape (n_samples,)
        Whitened recording as explained, and what is left of it.
    steady_ratio : float
        1 where each band sounds all the time (noise), near 0 where it sounds once (a sweep).
    """

    impulse: FloatArray
    noise: FloatArray
    noise_scale: FloatArray
    covered_hz: FloatArray
    used_ratio: float
    predicted: Float32Array
    residual: Float32Array
    steady_ratio: float


class _Fit:
    """The normal equations of one take: whitened signals, and steps towards the solution."""

    def __init__(
        self,
        reference_f: Complex64Array,
        recording_f: Complex64Array,
        n_fft: int,
        n_taps: int,
        impulse: Float32Array | None = None,
    ) -> None:
        self.reference_f = reference_f
        self.n_fft = n_fft
        self.n_taps = n_taps
        self.recording = self._signal(recording_f)
        self.impulse = np.zeros(n_taps, dtype=np.float32) if impulse is None else impulse
        self.predicted = self._convolve(self.impulse)

    def _signal(self, spectrum: Complex64Array) -> Float32Array:
        return np.asarray(fft.irfft(spectrum, self.n_fft), dtype=np.float32)

    def _convolve(self, taps: Float32Array) -> Float32Array:
        return self._signal(fft.rfft(taps, self.n_fft) * self.reference_f)

    def _correlate(self, signal: Float32Array) -> Float32Array:
        """Correlation with the reference at all (circular) lags."""
        return self._signal(fft.rfft(signal) * self.reference_f.conj())

    def reference(self) -> Float32Array:
        return self._signal(self.reference_f)

    def residual(self) -> Float32Array:
        return self.recording - self.predicted

    def solve(self, weight: Float32Array) -> Float32Array:
        """Improve `impulse` until the gradient has settled; return the gradient at all lags."""
        lags = self._correlate(weight * self.residual())
        gradient = lags[: self.n_taps]
        start = energy = float(gradient @ gradient)
        direction = gradient.copy()
        for _ in range(MAX_STEPS):
            if energy <= start * SETTLED**2:
                break
            moved = self._convolve(direction)
            weighted = weight * moved
            step = np.float32(energy / float(moved @ weighted))
            self.impulse = self.impulse + step * direction
            self.predicted += step * moved
            lags -= step * self._correlate(weighted)
            gradient = lags[: self.n_taps]
            previous, energy = energy, float(gradient @ gradient)
            direction = gradient + np.float32(energy / previous) * direction
        return lags


def _blocks(signal: Float32Array, block: int) -> FloatArray:
    """Power spectrum of each block of a signal, shape (n_blocks, block // 2 + 1)."""
    n_blocks = signal.size // block
    spectra = fft.rfft(signal[: n_blocks * block].reshape(n_blocks, block))
    return np.asarray(spectra.real**2 + spectra.imag**2)


def _zone_powers(spectra: FloatArray, spacing_hz: float) -> FloatArray:
    edges = np.minimum(np.round(np.array(ZONE_EDGES_HZ) / spacing_hz), spectra.shape[1]).astype(int)
    return np.stack(
        [spectra[:, lo:hi].sum(axis=1) for lo, hi in pairwise(edges)],
        axis=1,
    )


def _fit_weights(
    residual: FloatArray, recording: FloatArray, inside: NDArray[np.bool_], spacing_hz: float
) -> FloatArray:
    """Weight of each block: 1 where the residual is as usual, falling with its excess power."""
    power = _zone_powers(residual, spacing_hz)
    heard = _zone_powers(recording, spacing_hz)[inside].mean(axis=0)
    typical = np.maximum(np.median(power[inside], axis=0), NEGLIGIBLE * heard)
    excess = (power / np.maximum(typical, 1e-30)).max(axis=1)
    weight = np.minimum(1.0, (FIT_TOLERANCE / np.maximum(excess, 1e-30)) ** 2)
    # A slam rings on into its neighbours: they share its doubt.
    before, after = np.append(weight[1:], 1.0), np.append(1.0, weight[:-1])
    weight = np.minimum(weight, np.sqrt(np.minimum(before, after)))
    return np.where(inside, weight, 0.0)


def _hum_lines_hz(residual: Float32Array, recording: Float32Array, rate_hz: float) -> FloatArray:
    """Frequencies of the steady tones in what the response does not explain."""
    spacing_hz = rate_hz / residual.size
    group = max(8, int(HUM_NEIGHBOURS_HZ / spacing_hz))
    n_groups = int(HUM_TOP_HZ / spacing_hz) // group
    if n_groups < 2:
        return np.zeros(0)
    window = np.hanning(residual.size).astype(np.float32)

    def power_of(signal: Float32Array) -> FloatArray:
        spectrum = fft.rfft(signal * window)[: n_groups * group].astype(np.complex128)
        return np.asarray(spectrum.real**2 + spectrum.imag**2)

    def typical_of(power: FloatArray) -> FloatArray:
        return np.repeat(np.median(power.reshape(n_groups, group), axis=1), group)

    power = power_of(residual)
    typical = np.maximum(typical_of(power), NEGLIGIBLE * typical_of(power_of(recording)))
    lines = np.flatnonzero(power > typical * 10.0 ** (HUM_OVER_NEIGHBOURS_DB / 10.0))
    lines = lines[(lines * spacing_hz > LOWEST_HZ) & (power[lines] > 0.0)]
    if lines.size == 0:
        return np.zeros(0)
    clusters = np.split(lines, np.flatnonzero(np.diff(lines) * spacing_hz > HUM_WIDTH_HZ) + 1)
    return np.array([spacing_hz * c[np.argmax(power[c])] for c in clusters])


class _Stimulus:
    """When and where the reference sounds: the power of each block of it, a row a block."""

    def __init__(self, heard: Float32Array, block: int, rate_hz: float) -> None:
        self.spectra = _blocks(heard, block)
        self.spacing_hz = rate_hz / block
        total = self.spectra.sum(axis=1)
        carries = total > 1e-4 * total.max()
        self.carries = carries | np.append(False, carries[:-1])

    def in_bands(self, lower_hz: FloatArray, upper_hz: FloatArray) -> FloatArray:
        """Power of each block in each band, shape (n_blocks, n_bands)."""
        return log_frequency_mean(
            self.spectra, spacing_hz=self.spacing_hz, lower_hz=lower_hz, upper_hz=upper_hz
        )


def _noise_scale(
    power: FloatArray, weight: FloatArray, first_lag: int, last_lag: int, fitted_share: float
) -> tuple[FloatArray, float]:
    """Factor from the noise at outer lags (in blocks) to the noise in the response, a band.

    At an outer lag the stimulus meets the recording of a later block, or none at all past the
    end of the take. Fitting noise to noise costs `fitted_share` of the equations as well: the
    residual is that much too small and the response's own error that much larger.
    """
    n_blocks = weight.size
    total = np.maximum(power.sum(axis=0), 1e-30)
    met = np.zeros(power.shape[1])
    lags = range(first_lag, last_lag + 1)
    for lag in lags:
        if lag < n_blocks:
            met += weight[lag:] ** 2 @ power[: n_blocks - lag]
    met /= len(lags)
    own = np.maximum(weight @ power, 1e-30)
    scale = (weight**2 @ power) / own**2 * total**2 / np.maximum(met, 1e-9 * total)
    steady = total**2 / (n_blocks * np.maximum((power**2).sum(axis=0), 1e-30))
    steady_ratio = float(np.median(steady[total > 1e-6 * total.max()]))
    if steady_ratio > STEADY_SHARE:
        scale = scale / (1.0 - fitted_share) ** 2
    return scale, steady_ratio


def deconvolve(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    n_taps: int,
    lead: int,
    top_hz: float,
    unknown_history: bool,
) -> Deconvolution:
    """Impulse response of `n_taps` from the reference to the recording.

    Parameters
    ----------
    recording : ndarray, shape (n_samples,)
        Microphone signal.
    reference : ndarray, shape (n_taps + n_samples,)
        What was played; ``reference[n_taps + i]`` meets ``recording[i]`` at tap 0.
    rate_hz : float
        Sample rate of both.
    n_taps, lead : int
        Length of the response, and the tap near which the direct sound is expected.
    top_hz : float
        Highest frequency at which both signals are to be trusted.
    unknown_history : bool
        Whether sound may have been playing before `reference` begins; the recording is then
        not believed until most of what came before has died away.

    References
    ----------
    Least squares by conjugate gradients: Hestenes and Stiefel, J. Res. NBS 49 (1952) 409.
    """
    n_samples = recording.size
    n_fft = fft.next_fast_len(n_samples + 2 * n_taps, real=True)
    inside = slice(n_taps, n_taps + n_samples)
    placed = np.zeros(n_fft, dtype=np.float32)
    placed[inside] = recording
    recording_f = fft.rfft(placed)
    reference_f = fft.rfft(reference, n_fft)
    gain, covered_hz = flat_gain(reference_f, spacing_hz=rate_hz / n_fft, top_hz=top_hz)

    block = int(BLOCK_S * rate_hz)
    n_blocks = -(-n_samples // block)
    settle = min(n_taps, n_samples // 8) if unknown_history else 0

    def per_sample(weight: FloatArray) -> Float32Array:
        samples = np.zeros(n_fft, dtype=np.float32)
        samples[inside] = np.repeat(weight, block)[:n_samples]
        samples[n_taps : n_taps + settle] = 0.0
        return samples

    def in_blocks(signal: Float32Array) -> Float32Array:
        return np.concatenate([signal, np.zeros(n_blocks * block - n_samples, dtype=np.float32)])

    fit = _Fit(reference_f * gain, recording_f * gain, n_fft, n_taps)
    heard = fit.reference()[n_taps - lead : n_taps - lead + n_samples]
    stimulus = _Stimulus(in_blocks(heard), block, rate_hz)
    weight = np.ones(n_blocks)
    lags = fit.solve(per_sample(weight))
    residual = fit.residual()[inside]

    judged = _fit_weights(
        _blocks(in_blocks(residual), block),
        _blocks(in_blocks(fit.recording[inside]), block),
        stimulus.carries,
        stimulus.spacing_hz,
    )
    hum_hz = _hum_lines_hz(residual, fit.recording[inside], rate_hz)
    if hum_hz.size or judged[stimulus.carries].min() < NEEDS_SECOND_PASS:
        weight = judged
        freq_hz = np.arange(gain.size) * (rate_hz / n_fft)
        for line_hz in hum_hz:
            off = np.abs(freq_hz - line_hz) / HUM_WIDTH_HZ
            gain *= np.where(off < 1.0, np.sin(0.5 * np.pi * off) ** 2, 1.0).astype(np.float32)
        covered_hz = cut(covered_hz, hum_hz - HUM_WIDTH_HZ, hum_hz + HUM_WIDTH_HZ)
        fit = _Fit(reference_f * gain, recording_f * gain, n_fft, n_taps, impulse=fit.impulse)
        lags = fit.solve(per_sample(weight))
        residual = fit.residual()[inside]

    fine_hz = LOWEST_HZ * (top_hz / LOWEST_HZ) ** np.linspace(0.0, 1.0, 121)
    fine = stimulus.in_bands(fine_hz[:-1], fine_hz[1:])
    doubtful = weight @ fine < LEAST_BELIEVED * fine.sum(axis=0)
    noise_scale, steady_ratio = _noise_scale(
        stimulus.in_bands(LOWER_HZ, UPPER_HZ),
        weight,
        (n_taps - lead) // block,
        (2 * n_taps - lead) // block,
        min(0.5, n_taps / n_samples),
    )
    return Deconvolution(
        impulse=fit.impulse.astype(np.float64),
        noise=lags[n_taps : 2 * n_taps].astype(np.float64),
        noise_scale=noise_scale,
        covered_hz=cut(covered_hz, fine_hz[:-1][doubtful], fine_hz[1:][doubtful]),
        used_ratio=float(weight[stimulus.carries].mean()),
        predicted=fit.predicted[inside],
        residual=residual,
        steady_ratio=steady_ratio,
    )
