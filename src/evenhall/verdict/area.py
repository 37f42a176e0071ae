"""What the listening area as a whole asks of the faders. Start at `area_wanted_db()`.

seat_share()       how many of the rows each spot speaks for
area_wanted_db()   the deviation that is sure to be the area's, and not only the spots'
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import BAND_COUNT
from evenhall.hall.setting import Audience, Loudspeaker
from evenhall.verdict.common import CommonResponse
from evenhall.verdict.take import SpotResponse

__all__ = ["area_wanted_db", "seat_share"]

FloatArray = NDArray[np.float64]

# A spot that no row lies nearest to still tells what the loudspeaker sends.
LEAST_SHARE = 0.1
ROWS = 100  # enough to share the rows out to a percent
# Two thirds of an octave to either side: broad faults are heard at smaller heights than narrow
# ones (Toole and Olive 1988, from memory), and several bands together are known better than one.
BROAD = np.array([1.0, 2.0, 3.0, 2.0, 1.0]) / 9.0
# A narrow dip is heard far less than a peak of its size (Buecklein 1981, from memory): to be
# mended it must stand out of the doubt by twice as much, in squares. The factor is ours.
DIP_DOUBT = 2.0


def seat_share(
    spots: Sequence[SpotResponse], audience: Audience | None, speaker: Loudspeaker | None
) -> FloatArray:
    """How many rows lie nearest to each spot, re the mean; 1 each where that is not known.

    Parameters
    ----------
    spots : sequence of SpotResponse
    audience : Audience or None
    speaker : Loudspeaker or None
        Its height turns a distance into one along the floor.

    Returns
    -------
    ndarray, shape (n_spots,)
    """
    places = list(dict.fromkeys(spot.spot for spot in spots))
    known = {
        name: [s.distance_m for s in spots if s.spot == name and s.distance_m is not None]
        for name in places
    }
    if audience is None or not all(known.values()):
        return np.ones(len(spots))
    rise_m = 0.0 if speaker is None else speaker.height_m - audience.ear_height_m
    distance_m = np.array([np.mean(known[name]) for name in places])
    along_m = np.sqrt(np.maximum(distance_m**2 - rise_m**2, 0.0))
    rows_m = np.linspace(audience.first_row_m, audience.last_row_m, ROWS)
    nearest = np.abs(rows_m[:, None] - along_m).argmin(axis=1)
    count = np.bincount(nearest, minlength=len(places)) * len(places) / ROWS
    share = dict(zip(places, np.maximum(count, LEAST_SHARE), strict=True))
    return np.array([share[spot.spot] for spot in spots])


def _smooth(values: FloatArray, weight: FloatArray, kernel: FloatArray) -> FloatArray:
    total = np.convolve(weight, kernel, "same")
    return np.convolve(weight * values, kernel, "same") / np.where(total > 0, total, 1.0)


def _sure(part: FloatArray, doubt_sq: FloatArray, known: FloatArray) -> FloatArray:
    power = _smooth(part**2, known, BROAD)
    return part * np.maximum(0.0, 1.0 - doubt_sq / np.maximum(power, 1e-12))


def area_wanted_db(
    common: CommonResponse,
    target: FloatArray,
    share: FloatArray,
    weight: FloatArray,
    *,
    caution: float = 1.0,
) -> FloatArray:
    """Deviation from the target that a card should mend, each part drawn towards 0 by its doubt.

    The spots are a sample of the seats. If the deviation of the area is d, with variance s^2
    over neighbouring bands, and the spots' mean y strays from it with variance u^2, the best
    guess of d is y s^2 / (s^2 + u^2); and as y has the variance s^2 + u^2 itself, that is
    y (1 - u^2 / m), m the mean square of y over the neighbouring bands, and 0 where m < u^2:
    James and Stein's positive-part estimate (1961, from memory). u^2 is the variance between the
    spots over the number of independent ones; as few spots tell their variance badly, what the
    statistics of rooms and the takes' own uncertainty lead one to expect counts in it like one
    more spot. Drawn in are, each with its own u^2, the
    broad part (a mean over five bands) and what it leaves: so the card is no finer in frequency
    than what the spots share.

    Parameters
    ----------
    common : CommonResponse
    target : ndarray, shape (31,)
    share : ndarray, shape (n_spots,)
        From `seat_share()`.
    weight : ndarray, shape (31,)
        Bands of weight 0 are not asked about, and tell nothing about their neighbours.
    caution : float
        Factor on every u^2; 1 is the estimate above, more is a softer card.

    Returns
    -------
    ndarray, shape (31,)
        nan where nothing is known.
    """
    trust = common.trust * share[:, None]
    total = trust.sum(axis=0)
    known = (total > 0) & (weight > 0)
    if not known.any():
        return np.full(BAND_COUNT, np.nan)
    part = trust / np.where(total > 0, total, 1.0)
    deviation = (part * np.nan_to_num(common.aligned_db)).sum(axis=0) - target
    # The median: one build-up must not make a deviation of all other bands.
    deviation = deviation - np.median(deviation[known])
    variance = 1.0 / np.where(common.trust > 0, common.trust, np.inf)
    expected = (part**2 * variance).sum(axis=0)
    between = (part**2).sum(axis=0) * np.nan_to_num(common.spread_db) ** 2
    freedom = max(len({spot.spot for spot in common.spots}) - 1, 0)
    doubt_sq = (expected + freedom * between) / (1 + freedom)
    counts = known.astype(np.float64)
    value = np.where(known, deviation, 0.0)
    broad = _smooth(value, counts, BROAD)
    fine = np.where(known, value - broad, 0.0)
    # Variances of a weighted mean of independent bands, and of a band less that mean.
    broad_sq = doubt_sq * (BROAD**2).sum()
    fine_sq = doubt_sq * (1.0 - 2.0 * BROAD.max() + (BROAD**2).sum())
    fine_sq = np.where(fine < 0, DIP_DOUBT * fine_sq, fine_sq)
    wanted = _sure(broad, caution * broad_sq, counts) + _sure(fine, caution * fine_sq, counts)
    assert wanted.shape == (BAND_COUNT,), "one value a third-octave band"
    return np.where(known, wanted, np.nan)
