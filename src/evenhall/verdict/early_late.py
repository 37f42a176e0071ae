"""Where early and late sound differ: what the direct sound does not share. See `unshared_db()`.

Ears take the tone of a loudspeaker from what comes first, and the room's from the rest (Toole
2006, from memory). A fader bends both alike. So what only the late sound has too much or too
little of is no reason to bend the direct sound: a dull loudspeaker in a bright room is not cut, a
clear one among curtains not brightened.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenhall.verdict.common import CommonResponse
from evenhall.verdict.take import nan_mean

__all__ = ["unshared_db"]

FloatArray = NDArray[np.float64]

# Loudspeakers gather treble and rooms hold bass: so far early and late part in any healthy hall
# (common practice, no source).
USUAL_DB = 1.5
# Beyond so many standard errors of what the spots say.
SURE = 2.0
# With less than this many spots their scatter is no better known than this.
SCATTER_DB = 1.0


def unshared_db(common: CommonResponse, deviation_db: FloatArray) -> FloatArray:
    """Part of a deviation that the direct sound surely does not share, 0 or more.

    Parameters
    ----------
    common : CommonResponse
    deviation_db : ndarray, shape (31,)
        Common response less target, its mean taken off.

    Returns
    -------
    ndarray, shape (31,)
        0 where the direct sound strays as far or farther, where the two hardly part, and where
        it is not known how the direct sound strays: below 300 Hz, or without an arrival.

    Notes
    -----
    With r the early share of the energy in dB, each spot's mean taken off, the direct sound
    strays by the deviation plus r. Both agree in the smaller of the two where their signs do,
    and in nothing where they do not.
    """
    early_db = common.early_db
    spots = np.isfinite(early_db).sum(axis=0)
    more_db = nan_mean(early_db)
    known = np.isfinite(more_db) & np.isfinite(deviation_db)
    more_db = np.where(known, more_db, 0.0)
    spread_db = np.sqrt(np.nan_to_num(nan_mean((early_db - more_db) ** 2)))
    doubt_db = np.maximum(spread_db, SCATTER_DB) / np.sqrt(np.maximum(spots, 1))
    size_db = np.abs(np.where(known, deviation_db, 0.0))
    # The direct sound's own deviation, counted the way that the whole strays.
    same_way_db = np.sign(np.nan_to_num(deviation_db)) * more_db + size_db
    agreed_db = np.clip(same_way_db, 0.0, size_db)
    apart_db = size_db - agreed_db
    # From where it is sure, over as much again, to all of it: no step where a dB decides.
    sure = np.clip((apart_db - USUAL_DB - SURE * doubt_db) / USUAL_DB, 0.0, 1.0)
    return np.where(known, sure * apart_db, 0.0)
