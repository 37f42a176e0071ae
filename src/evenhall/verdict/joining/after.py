"""Whether mains and subs, taken together, sound as they were asked to be joined: `heard_as()`.

Takes of each alone tell what the sum would be as they stood, as the worklist asks, and so but with
the sub inverted. A take of both together sounds like one of these, or like none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.summation import LOW_BANDS, band_power
from evenhall.verdict.joining.responses import Solo, soloed
from evenhall.verdict.joining.subs import Joining
from evenhall.verdict.joining.summing import Pairs, pairs
from evenhall.verdict.take import ALIGN_BANDS, Take

__all__ = ["HeardAs", "heard_as"]

FloatArray = NDArray[np.float64]
HeardAs = Literal["asked", "before", "turned over", "neither", "unknown"]
Both = tuple[Sequence[Solo], Sequence[Solo]]

# A sub that is fed by one channel is softer than by both, and its knob may have been turned since.
SUB_GAINS_DB = np.arange(-9.0, 9.01, 0.5)
FITS_DB = 0.5  # rms: a microphone that was carried back to its place, and noise
CLEARLY_DB = 0.3  # by so much the next must fit less
STRANGE_DB = 1.5  # what fits no better than that is something else
FEWEST_BANDS = 3


def heard_as(joining: Joining, together: Sequence[Take]) -> HeardAs:
    """Say whether takes of mains and subs together sound as asked for, or otherwise.

    Parameters
    ----------
    joining : Joining
        From takes of each alone.
    together : sequence of Take
        Of the mains, the subs playing along, at some of the same spots.

    Returns
    -------
    str
        "unknown" where nothing is asked that would be heard, or no spot has all takes.
    """
    if joining.problem:
        return "unknown"
    heard = soloed(together)
    mains, subs = joining.then
    ways: dict[HeardAs, Both] = {
        "asked": joining.then,
        "before": joining.taken,
        "turned over": (mains, [replace(sub, spectrum=-sub.spectrum) for sub in subs]),
    }
    off_db = {way: _error_db(both, heard, joining.region_hz) for way, both in ways.items()}
    best_db = min(off_db.values())
    if STRANGE_DB < best_db < np.inf:
        return "neither"
    if best_db > FITS_DB:
        return "unknown"
    alike: list[HeardAs] = [way for way in ways if off_db[way] < best_db + CLEARLY_DB]
    # Where all that is asked is to turn it over, not turned is turned over again.
    return alike[0] if len(alike) == 1 or alike == ["before", "turned over"] else "unknown"


def _error_db(alone: Both, heard: Sequence[Solo], region_hz: tuple[float, float]) -> float:
    """Rms of what was heard less the sum, for the level of the sub that suits best; inf if none."""
    both: Pairs = pairs(*alone)
    inside = (EXACT_HZ[LOW_BANDS] >= region_hz[0] * 0.99) & (
        EXACT_HZ[LOW_BANDS] <= region_hz[1] * 1.01
    )
    found = {(one.side, one.spot): one for one in heard}
    meet = [
        (main, sub, found[main.side, main.spot])
        for main, sub in both
        if (main.side, main.spot) in found
    ]
    if not meet or inside.sum() < FEWEST_BANDS:
        return float("inf")
    turned_db = np.array([_mid_db(one, main) for main, _, one in meet])
    mains = np.stack([main.spectrum for main, _, _ in meet])
    subs = np.stack([sub.spectrum for _, sub, _ in meet])
    told_db = _power_db(np.stack([one.spectrum for _, _, one in meet])) - turned_db[:, None]
    errors_db = [
        np.sqrt(
            np.mean(
                np.square(told_db - _power_db(mains + subs * 10.0 ** (gain_db / 20.0)))[:, inside]
            )
        )
        for gain_db in SUB_GAINS_DB
    ]
    return float(np.min(errors_db))


def _power_db(spectra: NDArray[np.complex128]) -> FloatArray:
    return np.asarray(10.0 * np.log10(np.maximum(band_power(spectra), 1e-30)))


def _mid_db(one: Solo, main: Solo) -> float:
    """How much louder the one is than the other where no sub plays: a gain that was turned."""
    apart_db = (one.level_db - main.level_db)[ALIGN_BANDS]
    known = np.isfinite(apart_db)
    return float(np.mean(apart_db[known])) if known.any() else float("nan")
