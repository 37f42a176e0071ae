"""The demo's hand on the faders, as nobody is there to move them. Start at `DemoHand`.

It does what a person does: looks, takes the fader that is shown, goes a little too far, comes
back, and lets go.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from evenhall.equalizer.graphic import GraphicUnit, unit_response
from evenhall.sound.simulated.unit import LyingUnit
from evenhall.verdict.proof.guiding import Guidance

__all__ = ["DemoHand"]

FloatArray = NDArray[np.float64]

LOOKS_S = 0.8
OUT_DB_S, BACK_DB_S = 5.0, 2.5
TOO_FAR_DB = 2.0
# Long enough for the lowest fader of a usual unit to ring out to -60 dB.
IMPULSE_S = 0.35
LEAD_S = 0.002


class DemoHand:
    """A hand on a simulated unit.

    Parameters
    ----------
    fader_db : array_like, shape (n_faders,)
        Where the faders stand.
    real : LyingUnit, optional
        What the unit really is, where its scale lies.
    """

    def __init__(
        self, unit: GraphicUnit, fader_db: ArrayLike, *, real: LyingUnit | None = None
    ) -> None:
        self._unit, self._real = unit, real
        self.fader_db: FloatArray = np.array(fader_db, dtype=np.float64)
        self._shown_hz: float | None = None
        self._looked_s = 0.0
        self._stops_db: list[float] = []

    def see(self, guidance: Guidance, *, elapsed_s: float) -> bool:
        """Do what is shown for `elapsed_s`; says whether a fader was moved."""
        if guidance.hz is None:
            return False
        at = int(np.argmin(np.abs(self._unit.nominal_hz - guidance.hz)))
        if guidance.hz != self._shown_hz:
            self._shown_hz, self._looked_s = guidance.hz, 0.0
            way = np.sign(guidance.wanted_db - self.fader_db[at])
            self._stops_db = [guidance.wanted_db + way * TOO_FAR_DB, guidance.wanted_db]
        self._looked_s += elapsed_s
        if self._looked_s < LOOKS_S or not self._stops_db:
            return False
        pace_db_s = OUT_DB_S if len(self._stops_db) > 1 else BACK_DB_S
        left_db = self._stops_db[0] - self.fader_db[at]
        self.fader_db[at] += np.clip(left_db, -pace_db_s * elapsed_s, pace_db_s * elapsed_s)
        if abs(left_db) <= pace_db_s * elapsed_s:
            self._stops_db.pop(0)
        return True

    def impulse(self, *, rate_hz: float) -> FloatArray:
        """Give what the unit now does to a sound, shape (n_samples,)."""
        n_samples = fft.next_fast_len(round(IMPULSE_S * rate_hz), real=True)
        freq_hz = np.arange(n_samples // 2 + 1) * (rate_hz / n_samples)
        if self._real is None:
            response = unit_response(self._unit, self.fader_db, freq_hz)
        else:
            response = self._real.response(self.fader_db, freq_hz)
        # What rings ahead of it, as the response ends at half the rate, is not to come last.
        return np.roll(fft.irfft(response, n_samples), round(LEAD_S * rate_hz))
