"""What the spots have in common: each lined up in level, then their mean by trust.

One position knows little: a reverberant band scatters from place to place by several dB, and
coherence does not see it. `scatter_db()` says by how much; `common_response()` weighs with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ, log_frequency_mean
from evenhall.acoustics.transfer import Response
from evenhall.verdict.take import SpotResponse, align_level_db, nan_mean

__all__ = ["CommonResponse", "common_of", "common_response", "direct_ratio", "scatter_db"]

FloatArray = NDArray[np.float64]

# Level of a sine in a diffuse field, standard deviation over places: (10 / ln 10) pi / sqrt(6).
SINE_SCATTER_DB = 5.57
DEFAULT_RT60_S = 1.0
# Below about this the modes of a small room lie too far apart for the statistics of many.
SCHROEDER_HZ = 100.0
MODAL_EXCESS = 1.25
DIRECT_S = 0.010  # the direct sound and what the ear joins to its tone
DIRECT_LOW_HZ = 300.0  # below, ten milliseconds cannot be told apart from what follows


def direct_ratio(response: Response) -> FloatArray:
    """Share of the energy in each third-octave band that comes with the direct sound, 0 to 1."""
    if not np.isfinite(response.arrival_s):
        return np.zeros(EXACT_HZ.size)
    rate_hz = response.rate_hz
    arrival = int(response.arrival_s * rate_hz)
    before, after = int(0.002 * rate_hz), int(DIRECT_S * rate_hz)
    early = response.impulse[max(0, arrival - before) : arrival + after].copy()
    fade = after // 4
    early[-fade:] *= np.cos(0.5 * np.pi * np.arange(fade) / fade) ** 2
    n_fft = fft.next_fast_len(int(0.1 * rate_hz), real=True)
    spectrum = fft.rfft(early, n_fft)
    power = log_frequency_mean(spectrum.real**2 + spectrum.imag**2, spacing_hz=rate_hz / n_fft)
    with np.errstate(invalid="ignore"):
        ratio = power / 10.0 ** (response.bands.level_db / 10.0)
    ratio = np.where(np.isfinite(ratio) & (EXACT_HZ > DIRECT_LOW_HZ), ratio, 0.0)
    return np.clip(ratio, 0.0, 1.0)


def scatter_db(rt60_s: float, direct: FloatArray | float = 0.0) -> FloatArray:
    """Return the standard deviation from place to place of each third-octave level.

    Parameters
    ----------
    rt60_s : float
        Reverberation time.
    direct : ndarray, shape (31,), or float
        Share of the energy that is direct sound, which does not scatter.

    References
    ----------
    5.57 dB / sqrt(1 + 0.238 B T), B the bandwidth in Hz: Lubman; Craik (from memory). The
    share is ours: with direct power d and reverberant 1 - d, the relative variance of the sum
    is (1 - d^2) times that of the diffuse field alone.

    Examples
    --------
    >>> scatter_db(0.9)[[7, 17]].round(2).tolist()
    [2.28, 0.78]
    """
    width_hz = UPPER_HZ - LOWER_HZ
    diffuse = SINE_SCATTER_DB / np.sqrt(1.0 + 0.238 * width_hz * rt60_s)
    diffuse = np.where(EXACT_HZ < SCHROEDER_HZ * 0.99, MODAL_EXCESS * diffuse, diffuse)
    return np.asarray(diffuse * np.sqrt(1.0 - np.asarray(direct) ** 2))


@dataclass(frozen=True)
class CommonResponse:
    """The response of the listening area and how sure it is.

    Parameters
    ----------
    spots : tuple of SpotResponse
        What went into it.
    aligned_db : ndarray, shape (n_spots, 31)
        Each spot's levels with its own mean over 200 Hz to 4 kHz taken off.
    trust : ndarray, shape (n_spots, 31)
        Reciprocal variance of each as a witness of the common response; 0 where unusable.
    level_db : ndarray, shape (31,)
        Mean by trust; nan where no spot is usable.
    uncertainty_db : ndarray, shape (31,)
        Standard error: from measured and expected scatter, whichever says more.
    spread_db : ndarray, shape (31,)
        Standard deviation between the spots of a side; nan with fewer than two.
    scatter_db : ndarray, shape (n_spots, 31)
        What one place alone strays by.
    early_db : ndarray, shape (n_spots, 31)
        Share of the energy that comes with the direct sound, its mean over the bands up to 4 kHz
        taken off; nan where it is not known.
    """

    spots: tuple[SpotResponse, ...]
    aligned_db: FloatArray
    trust: FloatArray
    level_db: FloatArray
    uncertainty_db: FloatArray
    spread_db: FloatArray
    scatter_db: FloatArray
    early_db: FloatArray


def _early(spot: SpotResponse) -> FloatArray:
    """Share of the energy at a spot that comes with the direct sound."""
    ratios = [direct_ratio(take.response) for take in spot.takes if take.response is not None]
    return nan_mean(np.stack(ratios))


def _early_db(ratio: FloatArray) -> FloatArray:
    level = 10.0 * np.log10(np.where(ratio > 0, ratio, np.nan))
    return level - align_level_db(level) if np.isfinite(level).any() else level


def common_response(spots: Sequence[SpotResponse], *, rt60_s: float | None) -> CommonResponse:
    """Join spots to what they share. `spots` is not empty.

    Two loudspeakers at one spot are not two places: the number of independent witnesses is
    between the number of spots and that of responses, and the places are what counts.
    """
    early = [_early(spot) for spot in spots]
    strays = np.stack([scatter_db(rt60_s or DEFAULT_RT60_S, ratio) for ratio in early])
    return _joined(spots, strays, np.stack([_early_db(ratio) for ratio in early]))


def common_of(common: CommonResponse, rows: Sequence[int]) -> CommonResponse:
    """Join some of the spots of a common response; `rows` is not empty."""
    some = list(rows)
    spots = [common.spots[k] for k in rows]
    return _joined(spots, common.scatter_db[some], common.early_db[some])


def _joined(
    spots: Sequence[SpotResponse], strays: FloatArray, early_db: FloatArray
) -> CommonResponse:
    aligned = np.stack([spot.level_db - align_level_db(spot.level_db) for spot in spots])
    own = np.stack([spot.uncertainty_db for spot in spots])
    known = np.isfinite(aligned)
    variance = np.where(known, own, 0.0) ** 2 + strays**2 + 0.01
    trust = np.where(known, 1.0 / variance, 0.0)
    total = trust.sum(axis=0)
    any_known = total > 0
    safe = np.where(any_known, total, 1.0)
    level = (trust * np.where(known, aligned, 0.0)).sum(axis=0) / safe
    share = trust / safe
    count = 1.0 / np.where(any_known, (share**2).sum(axis=0), 1.0)
    # What parts the sides is theirs, not the places': it is no doubt of what each spot says.
    of_side = np.empty_like(aligned)
    for side in {spot.side for spot in spots}:
        rows = [k for k, spot in enumerate(spots) if spot.side == side]
        of_side[rows] = nan_mean(aligned[rows])
    squares = (share * np.where(known, aligned - of_side, 0.0) ** 2).sum(axis=0)
    several = known.sum(axis=0) > 1
    spread = np.sqrt(squares * count / np.maximum(count - 1.0, 1e-9))
    expected = np.sqrt(1.0 / safe)
    measured = np.where(several, spread / np.sqrt(count), 0.0)
    return CommonResponse(
        spots=tuple(spots),
        aligned_db=aligned,
        trust=trust,
        level_db=np.where(any_known, level, np.nan),
        uncertainty_db=np.where(any_known, np.maximum(expected, measured), np.nan),
        spread_db=np.where(several, spread, np.nan),
        scatter_db=strays,
        early_db=early_db,
    )
