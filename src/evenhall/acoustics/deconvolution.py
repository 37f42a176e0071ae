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

from evenhall.acoustics.bands import LOWER_HZ, UPPER_HZ, log_frequency_mean
from evenhall.acoustics.whitening import LOWEST_HZ, cut, flat_gain

__all__ = ["Deconvolution", "deconvolve", "expect"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Complex64Array = NDArray[np.complex64]

MAX_STEPS = 12
QUICK_STEPS = 4
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
# What follows the stimulus this long is its own ringing, and is to be believed as well.
RING_S = 0.4
# Share of the stimulus that must have met a recording at outer lags for their noise to count.
LEAST_MET = 0.2
# What a sweep with a gap smears: found by simulation, slams 25 dB above the sweep.
GAP_LEAK = 0.03
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
    steady: bool
    stimulus_time_s: FloatArray


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

    def solve(self, weight: Float32Array, max_steps: int = MAX_STEPS) -> Float32Array:
        """Improve `impulse` until the gradient has settled; return the gradient at all lags."""
        lags = self._correlate(weight * self.residual())
        gradient = lags[: self.n_taps]
        start = energy = float(gradient @ gradient)
        direction = gradient.copy()
        for _ in range(max_steps):
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


def _blocks(signal: Float32Array, block: int, window: Float32Array | None = None) -> FloatArray:
    """Power spectrum of each block of a signal, shape (n_blocks, block // 2 + 1)."""
    rows = signal.reshape(-1, block)
    spectra = fft.rfft(rows if window is None else rows * window)
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
    peaks = np.array([c[np.argmax(power[c])] for c in clusters])
    # Hann main lobe: the ratio of the peak's neighbours places the tone between bins.
    left, right = np.sqrt(power[peaks - 1]), np.sqrt(power[np.minimum(peaks + 1, power.size - 1)])
    top = np.sqrt(power[peaks])
    between = np.where(
        right > left, (2 * right - top) / (right + top), (top - 2 * left) / (left + top)
    )
    return np.asarray((peaks + between) * spacing_hz)


def _tones(residual: Float32Array, lines_hz: FloatArray, rate_hz: float) -> Float32Array:
    """Sum of the steady tones at these frequencies, as they lie in the residual."""
    window = np.hanning(residual.size)
    total = np.zeros(residual.size)
    time_s = np.arange(residual.size) / rate_hz
    for line_hz in lines_hz:
        turn = np.exp(-2j * np.pi * line_hz * time_s)
        amplitude = 2.0 * np.sum(residual * window * turn) / window.sum()
        total += np.real(amplitude * turn.conj())
    return total.astype(np.float32)


def _notches(n_bins: int, lines_hz: FloatArray, spacing_hz: float) -> Float32Array:
    """Gain a bin that takes out what is left around each tone, in both signals alike."""
    gain = np.ones(n_bins, dtype=np.float32)
    freq_hz = np.arange(n_bins) * spacing_hz
    for line_hz in lines_hz:
        off = np.abs(freq_hz - line_hz) / HUM_WIDTH_HZ
        near = off < 1.0
        gain[near] *= np.sin(0.5 * np.pi * off[near]) ** 2
    return gain


class _Stimulus:
    """When and where the reference sounds: the power of each block of it, a row a block."""

    def __init__(self, spectra: FloatArray, spacing_hz: float) -> None:
        self.spectra = spectra
        self.spacing_hz = spacing_hz
        total = self.spectra.sum(axis=1)
        carries = total > 1e-4 * total.max()
        self.carries = carries | np.append(False, carries[:-1])
        in_thirds = self.in_bands(LOWER_HZ, UPPER_HZ)
        heard = in_thirds.sum(axis=0)
        steady = heard**2 / (len(total) * np.maximum((in_thirds**2).sum(axis=0), 1e-30))
        self.in_thirds = in_thirds
        self.steady_ratio = float(np.median(steady[heard > 1e-6 * heard.max()]))

    def in_bands(self, lower_hz: FloatArray, upper_hz: FloatArray) -> FloatArray:
        """Power of each block in each band, shape (n_blocks, n_bands)."""
        return log_frequency_mean(
            self.spectra, spacing_hz=self.spacing_hz, lower_hz=lower_hz, upper_hz=upper_hz
        )

    def mean_time_s(self) -> FloatArray:
        """Centre of gravity in time of each third-octave band; when a sweep passes it."""
        middle_s = (np.arange(self.spectra.shape[0]) + 0.5) / self.spacing_hz
        return np.asarray(middle_s @ self.in_thirds / np.maximum(self.in_thirds.sum(axis=0), 1e-30))


def _noise_scale(
    power: FloatArray, weight: FloatArray, first_lag: int, last_lag: int, fitted_share: float
) -> FloatArray:
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
    scale = (weight**2 @ power) / own**2 * total**2 / np.maximum(met, 1e-30 * total)
    return np.where(met > LEAST_MET * total, scale / (1.0 - fitted_share) ** 2, np.nan)


def _believed(power: FloatArray, weight: FloatArray, n_lags: int) -> FloatArray:
    """Share of each band's stimulus that fell into believed blocks, shape (n_lags, n_bands).

    A lag reaches that many blocks on: what rings is believed where it was heard. What the take
    was too short to hear is missing, not doubtful.
    """
    total = np.maximum(power.sum(axis=0), 1e-30)
    longer = np.append(weight, np.ones(n_lags))
    return np.stack([longer[lag : lag + weight.size] @ power / total for lag in range(n_lags)])


def _setup(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    n_taps: int,
    top_hz: float,
) -> tuple[_Fit, FloatArray]:
    """Flatten both signals by the reference's spectrum and lay them side by side."""
    n_fft = fft.next_fast_len(recording.size + 2 * n_taps, real=True)
    placed = np.zeros(n_fft, dtype=np.float32)
    placed[n_taps : n_taps + recording.size] = recording
    reference_f = fft.rfft(reference, n_fft)
    gain, covered_hz = flat_gain(reference_f, spacing_hz=rate_hz / n_fft, top_hz=top_hz)
    return _Fit(reference_f * gain, fft.rfft(placed) * gain, n_fft, n_taps), covered_hz


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
    fit.solve(everywhere, QUICK_STEPS)
    return fit.predicted[inside], fit.residual()[inside]


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
    fit, covered_hz = _setup(recording, reference, rate_hz=rate_hz, n_taps=n_taps, top_hz=top_hz)
    n_fft = fit.n_fft
    inside = slice(n_taps, n_taps + n_samples)
    block = int(BLOCK_S * rate_hz)
    n_blocks = -(-n_samples // block)

    def per_sample(weight: FloatArray) -> Float32Array:
        samples = np.zeros(n_fft, dtype=np.float32)
        # Least of a block and its neighbours at its middle, straight lines between: a slope,
        # where a step would smear what it cuts off over all frequencies.
        least = np.minimum(weight, np.minimum(np.roll(weight, 1), np.roll(weight, -1)))
        middle = (np.arange(n_blocks) + 0.5) * block
        samples[inside] = np.interp(np.arange(n_samples), middle, least)
        return samples

    def in_blocks(signal: Float32Array, window: Float32Array | None = None) -> FloatArray:
        fill = np.zeros(n_blocks * block - n_samples, dtype=np.float32)
        return _blocks(np.concatenate([signal, fill]), block, window)

    heard = fit.reference()[n_taps - lead : n_taps - lead + n_samples]
    # Faded blocks keep a sweep's bands apart; the residual's are not, lest a click hide between.
    fade = np.hanning(block).astype(np.float32)
    stimulus = _Stimulus(in_blocks(heard, fade), rate_hz / block)
    steady = stimulus.steady_ratio > STEADY_SHARE
    weight = np.ones(n_blocks)
    if unknown_history and steady:
        weight[: min(n_taps, n_samples // 8) // block + 1] = 0.0
    lags = fit.solve(per_sample(weight))
    residual = fit.residual()[inside]

    hum_hz = _hum_lines_hz(residual, fit.recording[inside], rate_hz)
    tones = _tones(residual, hum_hz, rate_hz)
    residual = residual - tones
    counted = stimulus.carries & (weight > 0.0)
    judged = _fit_weights(
        in_blocks(residual), in_blocks(fit.recording[inside]), counted, stimulus.spacing_hz
    )
    if hum_hz.size or judged[counted].min() < NEEDS_SECOND_PASS:
        weight = judged
        # From nothing again: what the misfit put where no data is left would stay there.
        covered_hz = cut(covered_hz, hum_hz - HUM_WIDTH_HZ, hum_hz + HUM_WIDTH_HZ)
        notched = _notches(fit.reference_f.size, hum_hz, rate_hz / n_fft)
        fit.recording[inside] -= tones
        fit = _Fit(fit.reference_f * notched, fft.rfft(fit.recording) * notched, n_fft, n_taps)
        lags = fit.solve(per_sample(weight))
        residual = fit.residual()[inside]

    fine_hz = LOWEST_HZ * (top_hz / LOWEST_HZ) ** np.linspace(0.0, 1.0, 121)
    fine = stimulus.in_bands(fine_hz[:-1], fine_hz[1:])
    ring = int(RING_S * rate_hz) // block + 1
    doubtful = _believed(fine, weight, ring).min(axis=0) < LEAST_BELIEVED
    n_lags = (n_taps - lead) // block
    heard_on = _believed(stimulus.in_thirds, weight, n_lags) >= LEAST_BELIEVED
    known_blocks = np.where(heard_on.all(axis=0), n_lags + 1, heard_on.argmin(axis=0))
    noise_scale = _noise_scale(
        stimulus.in_thirds,
        weight,
        (n_taps - lead) // block,
        (2 * n_taps - lead) // block,
        min(0.5, n_taps / n_samples) if steady else 0.0,
    )
    return Deconvolution(
        impulse=fit.impulse.astype(np.float64),
        noise=lags[n_taps : 2 * n_taps].astype(np.float64),
        noise_scale=noise_scale,
        covered_hz=cut(covered_hz, fine_hz[:-1][doubtful], fine_hz[1:][doubtful]),
        used_ratio=float(weight[counted].mean()),
        predicted=fit.predicted[inside],
        residual=residual,
        known_s=known_blocks * (block / rate_hz),
        leak_ratio=GAP_LEAK if not steady and weight[counted].min() < LEAST_BELIEVED else 0.0,
        steady=steady,
        stimulus_time_s=stimulus.mean_time_s(),
    )
