"""The response of a loudspeaker in a room, from a recording and what was played.

Any broad-band reference serves: noise, a sweep, music. It lies in a channel of the recording
(one clock) or in a file of its own (two clocks, another rate, an unknown start). Start at
`transfer_function()`, which goes: common rate, place (alignment), response (deconvolution),
clock again, arrival, band levels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import soxr
from numpy.typing import NDArray

from evenhall.acoustics.alignment import (
    Found,
    SegmentDelays,
    clock_error,
    find_stimulus,
    segment_delays,
    shared_lag,
    sweep_clock_error,
)
from evenhall.acoustics.arrival import Arrival, bass_onset, first_arrival
from evenhall.acoustics.bandlevel import BandLevels, band_levels
from evenhall.acoustics.bands import LOWER_HZ, MID_BANDS, UPPER_HZ, log_frequency_mean
from evenhall.acoustics.decay import t20_s
from evenhall.acoustics.deconvolution import Deconvolution, deconvolve, expect
from evenhall.acoustics.steadiness import (
    Change,
    joined_in,
    level_history,
    moved,
    sweep_break,
)
from evenhall.acoustics.timetable import Stimulus, block_powers, has_gaps
from evenhall.acoustics.windows import hann

__all__ = ["Response", "at_common_rate", "level_mean_db", "transfer_function"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# The response is followed for a fifth of the take, and no longer than this.
LONGEST_RESPONSE_S = 2.0
RESPONSE_SHARE = 0.2
SWEEP_SHARE = 0.6  # a sweep tells each frequency once: a longer look costs it no certainty
LEAD_S = 0.1  # taps kept ahead of the loudest arrival
LONGEST_TAKE_S = 60.0  # more adds time and memory, and no certainty that a room would keep
# And of a recorder that was left running: that take, what comes late, and what rings on.
LONGEST_STRETCH_S = 66.0
SHORTEST_TAKE_S = 1.0
# Higher rates are brought down to the 44.1 or 48 kHz that they are multiples of.
HIGHEST_RATE_HZ = 50e3
# Resampling filters are flat up to this share of the lower Nyquist frequency (measured: soxr).
FLAT_SHARE = 0.925
DECAY_BANDS_HZ = (500.0, 1000.0, 2000.0)
FEWEST_FOR_ARRIVAL = 5  # of fewer bands an onset cannot be told
ONSET_UNCERTAINTY_DB = 1.5
LATE_S = 0.02  # behind the onset of the bass, the loudest arrival is not what to count from
CLOCK_ROUNDS = 4
# Longest response fitted for the clock: the early sound keeps time, the late only costs.
CLOCK_RESPONSE_S = 0.4
CLOCK_SETTLED_PPM = 0.05
# Crystals keep within 100 ppm, two of them within 200 (common practice, from memory): where a
# sweep, which tells its clock to some tens of ppm, reads more, that is doubted first.
PLAUSIBLE_PPM = 200.0
# A channel that already sounds at the start of the take may have sounded before it.
SOUNDS_AT_START = 1e-3
STEADY_BLOCK_S = 0.085
# What still rings after that long is left to the weights.
SETTLE_S = 0.4


@dataclass(frozen=True, eq=False)
class Response:
    """What one take says about one loudspeaker at one place.

    Parameters
    ----------
    impulse : ndarray, shape (n_taps,)
        Impulse response, full scale re the reference's.
    arrival_s : float
        Time of the direct sound in `impulse`; nan if it cannot be told.
    delay_s : float
        Arrival of the direct sound behind the reference; nan where they share no clock.
    start_s : float
        Recorder time at which the reference's first sample arrives.
    clock_ppm : float
        How much faster the recorder ran than the player.
    clock_sure : bool
        Whether that can be believed. A sweep whose clock is out of the ordinary may be misled by
        echoes; its levels are as true.
    polarity : int
        1 upright, -1 inverted, 0 cannot tell.
    bands : BandLevels
        Third-octave levels.
    coherence : ndarray, shape (31,)
        Share of the recording's power in each band that the reference explains, 0 to 1.
    match_score : float
        Height of the match over chance; below about 1 the reference is not in the take.
    overlap_s : float
        How much of the reference the take holds.
    used_ratio : float
        How far the take was believed, 0 to 1.
    gain_range_db : float
        Span of the gain during the take, beyond what noise makes of it, where it is widest.
    delay_range_s : float
        Span of the delay during the take, once the clock is undone, beyond what noise makes.
    first_tap_s : float
        Time of `impulse[0]` behind the reference; nan where they share no clock. It holds where
        no arrival can be told, as of a sub: what puts two responses on one time base.
    change : Change or None
        How the gain moved, where it did; times are the recording's.
    joined_s : float or None
        When something else began to sound, and went on.
    """

    impulse: FloatArray
    rate_hz: float
    arrival_s: float
    delay_s: float
    start_s: float
    clock_ppm: float
    polarity: int
    bands: BandLevels
    coherence: FloatArray
    match_score: float
    overlap_s: float
    used_ratio: float
    gain_range_db: float
    delay_range_s: float
    first_tap_s: float = float("nan")
    change: Change | None = None
    joined_s: float | None = None
    clock_sure: bool = True

    @property
    def level_db(self) -> float:
        """Power mean of the response from 200 Hz to 4 kHz, dB re the reference."""
        return level_mean_db(self.bands)

    @cached_property  # a take is judged again with every take that is made after it
    def t20_s(self) -> tuple[float, ...]:
        """T20 in the bands of 500 Hz, 1 and 2 kHz; nan where no decay is long enough."""
        arrival = int(self.arrival_s * self.rate_hz) if self.arrival_s > 0 else None
        return tuple(
            t20_s(self.impulse, rate_hz=self.rate_hz, band_hz=hz, arrival_index=arrival)
            for hz in DECAY_BANDS_HZ
        )


def level_mean_db(bands: BandLevels) -> float:
    """Power mean over the usable bands from 200 Hz to 4 kHz; nan if there is none."""
    level_db = bands.level_db[MID_BANDS][bands.usable[MID_BANDS]]
    if not level_db.size:
        return float("nan")
    return float(10.0 * np.log10(np.mean(10.0 ** (level_db / 10.0))))


def at_common_rate(signal: Float32Array, rate_hz: float) -> tuple[Float32Array, float]:
    """Bring a high rate down by a whole factor: nothing above 22.4 kHz is wanted."""
    factor = round(rate_hz / 46000.0)
    if rate_hz <= HIGHEST_RATE_HZ or factor < 2:
        return signal, rate_hz
    return soxr.resample(signal, rate_hz, rate_hz / factor, quality="VHQ"), rate_hz / factor


def _slice(signal: Float32Array, start: int, length: int) -> Float32Array:
    """`length` samples from `start` on, with silence where the signal has none."""
    taken = np.zeros(length, dtype=np.float32)
    first, last = max(0, start), min(signal.size, start + length)
    if last > first:
        taken[first - start : last - start] = signal[first:last]
    return taken


def _loudest_stretch(
    recording: Float32Array, reference: Float32Array, *, rate_hz: float
) -> tuple[Float32Array, Float32Array]:
    """Cut two channels of a recorder that was left running to where the reference sounds."""
    second = int(rate_hz)
    seconds = int(LONGEST_STRETCH_S)
    if reference.size < (seconds + 1) * second:
        return recording, reference
    rows = reference[: reference.size // second * second].reshape(-1, second)
    energy = np.array([float(np.dot(row, row)) for row in rows])
    within = np.convolve(energy, np.ones(seconds), "valid")
    # Of those that are next to equal the first.
    start = int(np.argmax(within > 0.99 * within.max())) * second
    stretch = slice(start, start + seconds * second)
    return recording[stretch], reference[stretch]


@dataclass(frozen=True)
class _Placed:
    """A stretch of the recording beside the reference that belongs to it."""

    recording: Float32Array
    reference: Float32Array
    n_taps: int
    lead: int
    lag: int
    overlap_s: float


def _place(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    lag: int,
    longest_s: float = LONGEST_RESPONSE_S,
    share: float = RESPONSE_SHARE,
) -> _Placed:
    """Cut both signals so that ``reference[i]`` meets ``recording[i + lag]`` at tap `lead`."""
    begin = max(0, lag)
    overlap = min(recording.size, reference.size + lag) - begin
    overlap = max(0, min(overlap, int(LONGEST_TAKE_S * rate_hz)))
    n_taps = int(min(longest_s * rate_hz, max(share * overlap, 0.3 * rate_hz)))
    lead = int(LEAD_S * rate_hz)
    # What rings on after the last of the stimulus belongs to it.
    end = min(recording.size, begin + overlap + n_taps)
    begin_reference = begin - lag + lead - n_taps
    return _Placed(
        recording=_slice(recording, begin, end - begin),
        reference=_slice(reference, begin_reference, n_taps + end - begin),
        n_taps=n_taps,
        lead=lead,
        lag=lag,
        overlap_s=overlap / rate_hz,
    )


def _solve(placed: _Placed, *, rate_hz: float, top_hz: float, settle: int = 0) -> Deconvolution:
    return deconvolve(
        placed.recording,
        placed.reference,
        rate_hz=rate_hz,
        n_taps=placed.n_taps,
        lead=placed.lead,
        settle=settle,
        top_hz=top_hz,
    )


def _is_steady(reference: Float32Array, rate_hz: float) -> bool:
    """Whether each band of the reference sounds most of the time."""
    block = int(STEADY_BLOCK_S * rate_hz)
    if reference.size < block:
        return False
    rows = reference[: reference.size // block * block].reshape(-1, block)
    # Every third block tells as well: a sweep stays in few of them too.
    thinned = np.ascontiguousarray(rows[:: 3 if len(rows) > 60 else 1]).ravel()
    spectra = block_powers(thinned, block, hann(block))
    return Stimulus(spectra, rate_hz / block).steady


def _unknown_samples(placed: _Placed, rate_hz: float) -> int:
    """Length of the beginning in which what sounded before the take may still ring.

    A steady reference that sounds at the start of the take sounded before it too. A sweep
    would lose its bass: that it began just there is the likelier case.
    """
    reference = placed.reference[placed.n_taps :]
    early = reference[: int(0.1 * rate_hz)]
    if float(np.mean(early**2)) <= SOUNDS_AT_START * float(np.mean(reference**2)):
        return 0
    return min(int(SETTLE_S * rate_hz), placed.recording.size // 8)


def transfer_function(
    recording: Float32Array,
    reference: Float32Array,
    *,
    rate_hz: float,
    reference_rate_hz: float | None = None,
) -> Response | None:
    """Response of the path from the reference to the microphone.

    Parameters
    ----------
    recording : ndarray, shape (n_samples,)
        Microphone signal, full scale 1.
    reference : ndarray, shape (m_samples,)
        What was played: another channel of the same recording, or a signal of its own.
    reference_rate_hz : float, optional
        Nominal rate of a reference of its own, made by another clock. Leave it out where the
        reference is a channel of the recording.

    Returns
    -------
    Response or None
        None where either is silent, or less than a second of the reference is in the take.
        Whether the take holds it at all is for `match_score` and the bands to say.
    """
    if not (np.any(recording) and np.any(reference)):
        return None
    shared = reference_rate_hz is None
    decimated_hz = rate_hz
    if shared:
        recording, reference = _loudest_stretch(recording, reference, rate_hz=rate_hz)
    recording, rate_hz = at_common_rate(recording, rate_hz)
    if reference_rate_hz is None:
        reference, _ = at_common_rate(reference, decimated_hz)
        resampled = decimated_hz > rate_hz
        top_hz = rate_hz / 2.0 * (FLAT_SHARE if resampled else 0.999)
        steady = _is_steady(reference, rate_hz)
        found = shared_lag(recording, reference, rate_hz=rate_hz, steady=steady)
        played, lag = reference, round(found.start_s * rate_hz)
    else:
        top_hz = min(rate_hz, reference_rate_hz) / 2.0 * FLAT_SHARE
        steady = _is_steady(reference, reference_rate_hz)
        found = find_stimulus(
            recording,
            reference,
            rate_hz=rate_hz,
            reference_rate_hz=reference_rate_hz,
            steady=steady,
        )
        found = _settle_clock(
            recording, reference, found, rate_hz=rate_hz, reference_rate_hz=reference_rate_hz
        )
        played = _on_clock(reference, reference_rate_hz, rate_hz, found.clock_ppm)
        lag = round(found.start_s * rate_hz)

    share = RESPONSE_SHARE if steady else SWEEP_SHARE
    placed = _place(recording, played, rate_hz=rate_hz, lag=lag, share=share)
    if placed.overlap_s < SHORTEST_TAKE_S and found.score < 1.0:
        # Chance laid them end to end: that the take holds something else is for the score to say.
        placed = _place(recording, played, rate_hz=rate_hz, lag=0, share=share)
    if placed.overlap_s < SHORTEST_TAKE_S:
        return None
    settle = _unknown_samples(placed, rate_hz) if shared and steady else 0
    solved = _solve(placed, rate_hz=rate_hz, top_hz=top_hz, settle=settle)
    sweep = not solved.steady and not has_gaps(solved.sounded_ratio)
    if reference_rate_hz is not None and sweep:
        # A sweep passes each frequency once: its fit takes any drift for a delay that depends
        # on frequency. What arrives has none, so the clock that makes it sharp is right.
        error_ppm = sweep_clock_error(
            solved.impulse,
            solved.stimulus_time_s,
            rate_hz=rate_hz,
            lead=placed.lead,
            assumed_ppm=found.clock_ppm,
        )
        found = replace(found, clock_ppm=found.clock_ppm + error_ppm)
        played = _on_clock(reference, reference_rate_hz, rate_hz, found.clock_ppm)
        placed = _place(recording, played, rate_hz=rate_hz, lag=lag, share=share)
        solved = _solve(placed, rate_hz=rate_hz, top_hz=top_hz)
    response = _response(solved, placed, found, rate_hz=rate_hz, top_hz=top_hz, shared=shared)
    if not shared and sweep:
        # Tens of ppm are in doubt, and so little turns the phase of the treble round.
        return replace(response, polarity=0, clock_sure=abs(response.clock_ppm) <= PLAUSIBLE_PPM)
    if not shared or np.isfinite(response.delay_s):
        return response
    begins = bass_onset(solved.impulse, rate_hz=rate_hz)
    if begins is None or begins > placed.lead - LATE_S * rate_hz:
        return response
    # The loudest of a sub is a resonance: what sounds ahead of it would be taken for noise.
    lag += begins - placed.lead
    placed = _place(recording, played, rate_hz=rate_hz, lag=lag, share=share)
    solved = _solve(placed, rate_hz=rate_hz, top_hz=top_hz, settle=settle)
    return _response(solved, placed, found, rate_hz=rate_hz, top_hz=top_hz, shared=shared)


def _on_clock(
    reference: Float32Array, reference_rate_hz: float, rate_hz: float, clock_ppm: float
) -> Float32Array:
    """Resample the reference to what the recorder's clock would have counted."""
    return np.asarray(
        soxr.resample(
            reference, reference_rate_hz, rate_hz * (1.0 + clock_ppm * 1e-6), quality="VHQ"
        ),
        dtype=np.float32,
    )


def _settle_clock(
    recording: Float32Array,
    reference: Float32Array,
    found: Found,
    *,
    rate_hz: float,
    reference_rate_hz: float,
) -> Found:
    """Refine the clock until what is heard keeps step with what is expected."""
    # Phases are read higher up as the drift that is left gets smaller.
    for top_hz in np.geomspace(3000.0, 12000.0, CLOCK_ROUNDS):
        played = _on_clock(reference, reference_rate_hz, rate_hz, found.clock_ppm)
        placed = _place(
            recording,
            played,
            rate_hz=rate_hz,
            lag=round(found.start_s * rate_hz),
            longest_s=CLOCK_RESPONSE_S,
        )
        if placed.overlap_s < SHORTEST_TAKE_S:
            return found
        predicted, residual = expect(
            placed.recording,
            placed.reference,
            rate_hz=rate_hz,
            n_taps=placed.n_taps,
            top_hz=min(16000.0, 0.45 * rate_hz),
        )
        segments = segment_delays(predicted, residual, rate_hz=rate_hz, top_hz=float(top_hz))
        error_ppm = clock_error(segments)
        found = replace(found, clock_ppm=found.clock_ppm + error_ppm)
        if abs(error_ppm) < CLOCK_SETTLED_PPM:
            break
    return found


def _sounding(bands: BandLevels) -> NDArray[np.bool_]:
    """Bands that tell an onset, if not a level: less is needed for that."""
    return np.nan_to_num(bands.uncertainty_db, nan=np.inf) <= ONSET_UNCERTAINTY_DB


def _well_known_hz(bands: BandLevels) -> tuple[float, float]:
    """Lowest and highest frequency of the widest run of sounding bands."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], _sounding(bands).astype(np.int8), [0]])))
    runs = edges.reshape(-1, 2)
    first, last = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return float(LOWER_HZ[first]), float(UPPER_HZ[last - 1])


def _coherence(segments: SegmentDelays, fitted_share: float) -> FloatArray:
    """Share of the power in each band that the reference explains.

    A fit explains some of the noise too: `fitted_share` of it.
    """
    explained, left = log_frequency_mean(
        np.stack([segments.explained, segments.left]), spacing_hz=segments.spacing_hz
    )
    noise = left / (1.0 - fitted_share)
    total = explained + left
    known = total > 0.0
    return np.where(known, np.clip(1.0 - noise / np.where(known, total, 1.0), 0.0, 1.0), 0.0)


def _response(
    solved: Deconvolution,
    placed: _Placed,
    found: Found,
    *,
    rate_hz: float,
    top_hz: float,
    shared: bool,
) -> Response:
    bands = band_levels(solved, rate_hz=rate_hz, arrival=placed.lead)
    arrival = Arrival(np.nan, 0)
    if _sounding(bands).sum() >= FEWEST_FOR_ARRIVAL:
        low_hz, high_hz = _well_known_hz(bands)
        arrival = first_arrival(
            solved.impulse,
            rate_hz=rate_hz,
            low_hz=low_hz,
            high_hz=min(high_hz, 16000.0, 0.9 * top_hz),
            known_hz=min(high_hz, float(solved.covered_hz[-1:, 1].max(initial=0.0)) or high_hz),
            quiet=placed.lead // 2,
        )
        if np.isfinite(arrival.tap) and arrival.tap < placed.lead - 0.001 * rate_hz:
            bands = band_levels(solved, rate_hz=rate_hz, arrival=int(arrival.tap))
    segments = segment_delays(solved.predicted, solved.residual, rate_hz=rate_hz, top_hz=4000.0)
    sure = segments.information > 0.2 * np.median(segments.information)
    sure &= segments.power > 0.1 * np.median(segments.power)  # not what rings on at the end
    delay_s = segments.delay_s[sure]
    # Of so many pieces noise alone spreads nine in ten by some four standard deviations.
    delay_chance_s = 4.0 / float(np.sqrt(max(np.median(segments.information), 1e-30)))
    fitted_share = min(0.5, placed.n_taps / placed.recording.size) if solved.steady else 0.0
    gain_range_db, change, joined_s = _steadiness(
        solved, placed, rate_hz=rate_hz, top_hz=top_hz, arrival=arrival
    )
    return Response(
        impulse=solved.impulse,
        rate_hz=rate_hz,
        arrival_s=arrival.tap / rate_hz,
        delay_s=(arrival.tap - placed.lead + placed.lag) / rate_hz if shared else float("nan"),
        start_s=found.start_s,
        clock_ppm=found.clock_ppm,
        polarity=arrival.polarity,
        bands=bands,
        coherence=_coherence(segments, fitted_share),
        match_score=found.score,
        overlap_s=placed.overlap_s,
        used_ratio=solved.used_ratio,
        gain_range_db=gain_range_db,
        delay_range_s=max(0.0, float(np.ptp(delay_s)) - delay_chance_s) if sure.any() else 0.0,
        first_tap_s=(placed.lag - placed.lead) / rate_hz if shared else float("nan"),
        change=change,
        joined_s=joined_s,
    )


def _steadiness(
    solved: Deconvolution, placed: _Placed, *, rate_hz: float, top_hz: float, arrival: Arrival
) -> tuple[float, Change | None, float | None]:
    """Tell how far the gain moved, how, and when something else began, in the recording's time."""
    begin_s = max(0, placed.lag) / rate_hz
    history = level_history(solved.predicted, solved.residual, rate_hz=rate_hz, top_hz=top_hz)
    if solved.steady or has_gaps(solved.sounded_ratio):
        range_db, change = moved(history)
    else:
        # The fit takes what the gain did while a sweep passed a frequency for the response there.
        change = sweep_break(
            solved.impulse,
            solved.stimulus_time_s,
            rate_hz=rate_hz,
            arrival=int(arrival.tap) if np.isfinite(arrival.tap) else placed.lead,
            covered_hz=solved.covered_hz,
        )
        range_db = 0.0 if change is None else abs(change.by_db)
    joined_s = joined_in(history)
    return (
        range_db,
        change and change.later_by(begin_s),
        None if joined_s is None else joined_s + begin_s,
    )
