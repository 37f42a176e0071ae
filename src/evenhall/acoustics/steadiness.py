"""Whether the path stayed as it was through a take, and when it changed.

    level_history()   gain of each half second against what the whole take explains, zone by zone
    moved()           how far the gain moved, beyond what noise makes of it, and when
    joined_in()       when something else began to sound, and went on
    sweep_break()     a sweep passes each frequency once, so that its pieces have nothing in common:
                      only where its sound goes, or comes, faster than any filter lets it

What is played is known, and a path that stays as it is answers it alike all the time. What a sweep
loses slowly cannot be told from a tone control: noise, or a second sweep, would show it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.windows import hann

__all__ = ["Change", "LevelHistory", "joined_in", "level_history", "moved", "sweep_break"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

FRAME_S = 0.17
FRAMES_A_PIECE = 3
# A horn that shuts down or a woofer's limiter moves one zone alone.
ZONE_EDGES_HZ = (100.0, 300.0, 900.0, 2700.0, 8000.0)
# Variance of a sum over bins of what two Hann windows give, re that of as many independent ones:
# neighbours correlate by 2/3, next ones by 1/6, and so 1 + 2 (4/9 + 1/36).
HANN_PRODUCT = 1.0 + 2.0 * (4.0 / 9.0 + 1.0 / 36.0)
LEAST_POWER = 0.1  # of the strongest piece: less is what rings on, or a rest in the music
LEAST_ZONE = 1e-4  # of the strongest zone's density: less is played there by chance
SURE_SHARE = 0.15  # standard deviation, re the gain: a piece that noise covers tells none
FEWEST_PIECES = 5
CHANCE = 4.0  # standard deviations that noise alone spreads nine in ten of a dozen pieces by
FLOOR_DB = -60.0  # below is nothing
LASTING_SHARE = 0.6  # of the range: so far apart, first and last pieces differ for good
JOINED_DB = 10.0  # more noise, and for good
JOINED_OVER_SOUND_DB = -20.0  # softer than that, re the sound, it does no harm
JOINED_S = 1.5

# Of a sweep: 1/24 octave a step; either side of a break a quarter of an octave is looked at, clear
# of it by a step. Between the middles of both lie 0.29 octaves: a crossover of 48 dB an octave
# falls by 14 dB over that, two filters in a row by 21 dB; sound that stops by 40 dB and more.
STEPS_AN_OCTAVE = 24
CLEAR_STEPS, SIDE_STEPS = 1, 6
BREAK_DB = 26.0
EARLY_S = 0.05  # of the response: what comes later is the room's
BREAK_LOW_HZ, BREAK_HIGH_HZ = 110.0, 12_500.0  # cut off above: what packs sound does that
GONE_STEPS = 18
PASSING = 0.3  # of the usual time that a step is passed in: less is no part of the sweep
SOUNDS_DB = 25.0  # what lies further below the most of it, a filter has taken away already
AS_LOUD_DB = 6.0
SPAN_MARGIN = 1.03  # beside what a slam took out, the response is not its own either


@dataclass(frozen=True)
class Change:
    """A change of the path during a take.

    Parameters
    ----------
    from_s, to_s : float
        When it began and when it was over; alike for a sudden one.
    by_db : float
        Level after it re that before; -60 or below where nothing was left, 60 or above where
        nothing had been.
    back_s : float
        When all was as before; infinite where it never was.
    """

    from_s: float
    to_s: float
    by_db: float
    back_s: float = np.inf

    def later_by(self, shift_s: float) -> Change:
        """Give the same change on a clock that reads so much more."""
        return Change(self.from_s + shift_s, self.to_s + shift_s, self.by_db, self.back_s + shift_s)


@dataclass(frozen=True, eq=False)
class LevelHistory:
    """What was heard against what was expected, half second by half second.

    Parameters
    ----------
    time_s : ndarray, shape (n_pieces,)
        Middle of each.
    gain, spread : ndarray, shape (n_pieces, n_zones)
        Amplitude re the whole, and the standard deviation that noise gives it.
    sure : ndarray of bool, shape (n_pieces, n_zones)
        Whether enough was played, and little enough noise there.
    left, expected : ndarray, shape (n_pieces, n_zones)
        Power that what was played does not explain, and power that was expected.
    """

    time_s: FloatArray
    gain: FloatArray
    spread: FloatArray
    sure: BoolArray
    left: FloatArray
    expected: FloatArray


def level_history(
    predicted: Float32Array, residual: Float32Array, *, rate_hz: float, top_hz: float
) -> LevelHistory:
    """Follow the gain through a take, by the whitened recording as explained, and the rest."""
    frame = 1 << int(np.log2(rate_hz * FRAME_S))
    piece = frame * FRAMES_A_PIECE
    n_pieces = predicted.size // piece
    rows = (n_pieces * FRAMES_A_PIECE, frame)
    window = hann(frame)
    # Fourth powers follow: those of the faintest reference would not fit.
    scale = np.float32(max(np.abs(predicted).max(), np.abs(residual).max(), 1e-30))
    expected, rest = (
        fft.rfft(signal[: n_pieces * piece].reshape(rows) / scale * window)
        for signal in (predicted, residual)
    )
    edges_hz = [min(hz, top_hz) for hz in ZONE_EDGES_HZ]
    edges = np.round(np.array(edges_hz) * frame / rate_hz).astype(int)
    bins = np.maximum(np.diff(edges), 1)

    def in_zones(values: NDArray[np.float32]) -> FloatArray:
        whole = values.astype(np.float64).reshape(n_pieces, FRAMES_A_PIECE, -1).sum(axis=1)
        total = np.cumsum(np.pad(whole, ((0, 0), (1, 0))), axis=1)
        return np.asarray(np.diff(total[:, edges], axis=1))

    squared = expected.real**2 + expected.imag**2
    product = rest.real * expected.real + rest.imag * expected.imag
    rest_squared = rest.real**2 + rest.imag**2
    power = in_zones(squared)
    safe = np.maximum(power, 1e-30)
    more = in_zones(product) / safe
    gain = 1.0 + more
    left = np.maximum(in_zones(rest_squared) - more**2 * power, 0.0)
    # Noise counts where the sound is: a sub fills few bins of a zone, and little averages out.
    met = (
        in_zones(rest_squared * squared)
        - 2.0 * more * in_zones(product * squared)
        + more**2 * in_zones(squared * squared)
    )
    spread = np.asarray(np.sqrt(0.5 * HANN_PRODUCT * np.maximum(met, 0.0)) / safe)
    density = power.max(axis=0, initial=0.0) / bins
    played = power > LEAST_POWER * power.max(axis=0, initial=1e-30)
    played &= density > LEAST_ZONE * density.max(initial=0.0)
    sure = played & (spread < SURE_SHARE * np.maximum(np.abs(gain), 1.0))
    time_s: FloatArray = (np.arange(n_pieces, dtype=np.float64) + 0.5) * (piece / rate_hz)
    return LevelHistory(time_s, gain, spread, sure, left, power)


def moved(history: LevelHistory) -> tuple[float, Change | None]:
    """Tell how far the gain moved in the zone where it moved most, in dB beyond chance, and when.

    The middle nine tenths count: a piece that catches a slam is let be. None where too few pieces
    are sure.
    """
    most_db, change = 0.0, None
    for gain, spread, sure in zip(history.gain.T, history.spread.T, history.sure.T, strict=True):
        if sure.sum() < FEWEST_PIECES:
            continue
        level_db = 20.0 * np.log10(np.maximum(gain[sure], 10.0 ** (FLOOR_DB / 20.0)))
        spread_db = (
            20.0 / np.log(10.0) * float(np.median(spread[sure] / np.maximum(gain[sure], 0.1)))
        )
        low_db, high_db = np.percentile(level_db, [5.0, 95.0])
        range_db = float(high_db - low_db) - CHANCE * spread_db
        if range_db > most_db:
            most_db, change = range_db, _change(history.time_s[sure], level_db)
    return most_db, change


def _change(time_s: FloatArray, level_db: FloatArray) -> Change:
    """Describe the change that a course of levels shows best."""
    half_s = 0.5 * float(np.median(np.diff(time_s)))
    first, last = float(np.median(level_db[:3])), float(np.median(level_db[-3:]))
    low, high = np.percentile(level_db, [5.0, 95.0])
    if abs(last - first) > LASTING_SHARE * (high - low):
        done = (level_db - first) / (last - first)
        begun = int(np.argmax(done > 0.2))
        over = int(done.size - np.argmax(done[::-1] < 0.8))
        from_s = float(time_s[begun]) - half_s
        to_s = float(time_s[min(over, done.size - 1)]) - half_s
        return Change(min(from_s, to_s), max(from_s, to_s), last - first)
    off = level_db - 0.5 * (first + last)
    peak = int(np.abs(off).argmax())
    away = off * np.sign(off[peak]) > 0.5 * abs(off[peak])
    begun = peak - int(np.argmin(np.append(away[peak::-1], False))) + 1
    over = peak + int(np.argmin(np.append(away[peak:], False))) - 1
    from_s = float(time_s[begun]) - half_s
    return Change(from_s, from_s, float(off[peak]), back_s=float(time_s[over]) + half_s)


def joined_in(history: LevelHistory) -> float | None:
    """Tell when something else began to sound and went on to the end; None if nothing did."""
    left_db = 10.0 * np.log10(np.maximum(history.left.sum(axis=1), 1e-30))
    sound_db = 10.0 * np.log10(max(float(np.median(history.expected.sum(axis=1))), 1e-30))
    if left_db.size < 2:
        return None
    fewest = int(np.ceil(JOINED_S / float(history.time_s[1] - history.time_s[0])))
    best_db, at_s = JOINED_DB, None
    for k in range(fewest, left_db.size - fewest + 1):
        before, after = left_db[:k], left_db[k:]
        # The loudest before and the softest after, but for a cough and a breath.
        step_db = float(np.percentile(after, 20.0) - np.percentile(before, 80.0))
        if step_db > best_db and float(np.median(after)) > sound_db + JOINED_OVER_SOUND_DB:
            best_db, at_s = step_db, float(0.5 * (history.time_s[k - 1] + history.time_s[k]))
    return at_s


def sweep_break(
    impulse: FloatArray,
    stimulus_time_s: FloatArray,
    *,
    rate_hz: float,
    arrival: int,
    covered_hz: FloatArray,
) -> Change | None:
    """Where a sweep's sound went away, or came, faster than any filter lets it.

    Parameters
    ----------
    impulse : ndarray, shape (n_taps,)
    stimulus_time_s : ndarray, shape (31,)
        When the sweep passes each third-octave band.
    arrival : int
        Tap of the direct sound.
    covered_hz : ndarray, shape (n_spans, 2)
        Spans in which the response is known: a slam takes a piece out of it.
    """
    octaves = np.log2(BREAK_HIGH_HZ / BREAK_LOW_HZ)
    n_steps = int(STEPS_AN_OCTAVE * octaves)
    edges_hz = BREAK_LOW_HZ * 2.0 ** (np.arange(n_steps + 1) / STEPS_AN_OCTAVE)
    length = int(EARLY_S * rate_hz)
    begin = max(0, arrival - length // 2)
    piece = impulse[begin : begin + 2 * length]
    n_fft = fft.next_fast_len(int(rate_hz), real=True)
    spectrum = fft.rfft(piece * np.hanning(piece.size), n_fft)
    total = np.cumsum(np.append(0.0, spectrum.real**2 + spectrum.imag**2))
    edges = np.round(edges_hz * n_fft / rate_hz).astype(int)
    power = np.diff(total[edges]) / np.maximum(np.diff(edges), 1)
    heard_db = 10.0 * np.log10(np.maximum(power, 1e-30))
    known = np.zeros(n_steps, dtype=bool)
    for low_hz, high_hz in covered_hz:
        known |= (edges_hz[:-1] >= low_hz * SPAN_MARGIN) & (edges_hz[1:] * SPAN_MARGIN <= high_hz)
    level_db = np.where(known, heard_db, np.nan)
    passes_s = np.interp(np.log(edges_hz), np.log(EXACT_HZ), stimulus_time_s)
    # Above the sweep's own end, a sub's say, nothing was to be heard: no time passes there.
    takes_s = np.diff(np.maximum.accumulate(passes_s))
    passing = takes_s > PASSING * np.median(takes_s[known]) if known.any() else known
    played_db = float(np.percentile(heard_db, 75.0))
    most_db, change = BREAK_DB, None
    for k in range(CLEAR_STEPS + SIDE_STEPS, n_steps - CLEAR_STEPS - SIDE_STEPS + 1):
        before = level_db[k - CLEAR_STEPS - SIDE_STEPS : k - CLEAR_STEPS]
        after = level_db[k + CLEAR_STEPS : k + CLEAR_STEPS + SIDE_STEPS]
        by_db = float(np.median(after) - np.median(before))
        rest_db = heard_db[k + CLEAR_STEPS :][passing[k + CLEAR_STEPS :]]
        if np.isnan(by_db) and rest_db.size >= GONE_STEPS:
            # Its end left a piece out that does not fit. A slam does too, but the sound comes back.
            held_db = float(np.median(heard_db[k - CLEAR_STEPS - SIDE_STEPS : k - CLEAR_STEPS]))
            by_db = min(0.0, float(np.percentile(rest_db, 90.0)) - held_db)
        louder = heard_db[k - SIDE_STEPS : k] if by_db < 0.0 else after
        if not abs(by_db) > most_db or np.median(louder) < played_db - SOUNDS_DB:
            continue
        at_s = float(passes_s[k])
        if by_db < 0.0:
            most_db, change = -by_db, Change(at_s, at_s, by_db)
            continue
        was = np.flatnonzero(heard_db[: k - CLEAR_STEPS] > np.median(after) - AS_LOUD_DB)
        if was.size:
            gone_s = float(passes_s[was[-1] + 1])
            most_db, change = by_db, Change(gone_s, gone_s, -by_db, back_s=at_s)
        else:
            most_db, change = by_db, Change(at_s, at_s, by_db)
    return change
