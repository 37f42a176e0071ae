"""One element as the line check heard it. Start at `hear()`.

LINE_SWEEP   what is played for each
hear()       recording, and the quiet ahead of it, to `Heard`
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.arrival import first_arrival
from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, NOMINAL_HZ, UPPER_HZ
from evenhall.acoustics.early import EarlyLevels, early_levels, onset_s
from evenhall.acoustics.harmonics import LINEAR_LEAD_S, Harmonics, harmonics
from evenhall.acoustics.level import rms_dbfs
from evenhall.acoustics.mains import MainsHum, mains_hum
from evenhall.acoustics.stimulus import Sweep
from evenhall.acoustics.transfer import Response, transfer_function
from evenhall.hall.elements import Element

__all__ = ["LINE_SWEEP", "ROUND_S", "Heard", "hear"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Float32Array = NDArray[np.float32]

# From the lower edge of 31.5 Hz, so that a sub is heard whole, up to what a line check needs. An
# octave takes half a second: harmonics then stand 0.16 s apart or more, and the room has died away
# by 10 dB or more between them even where it rings on.
LINE_SWEEP = Sweep(5.0, low_hz=float(LOWER_HZ[2]), high_hz=20_000.0, lead_s=1.0)
# One element in the round: quiet ahead, lead, sweep, and what the room needs to answer.
QUIET_S, ANSWER_S = 1.0, 1.5
ROUND_S = QUIET_S + LINE_SWEEP.lead_s + LINE_SWEEP.duration_s + ANSWER_S

TOP_RANGE = (EXACT_HZ > 95.0) & (EXACT_HZ < 10500.0)
SUB_RANGE = (NOMINAL_HZ >= 31.5) & (NOMINAL_HZ <= 125.0)
AUDIBLE_DB = 6.0  # over the noise: below, a level is a bound
FEWEST_BANDS = 3
SUB_LOW_HZ, SUB_HIGH_HZ = 35.0, 110.0  # what all subs play, small ones and crossed low ones too
# From here on the sweep is out of the way of the hum's lines, and its bass has died away.
HUM_CLEAR_HZ = 1200.0
SHORTEST_HUM_S = 0.5


@dataclass(frozen=True)
class Heard:
    """One element of the round.

    Parameters
    ----------
    element : str
        Its name: ``"left"``, ``"sub right"``, ``"delay"``.
    partner : str or None
        The other of its pair, if it has one.
    response : Response or None
        Of the sweep; None where nothing was recorded.
    early : EarlyLevels or None
        Of the linear response; None where there is no response.
    harmonics : Harmonics or None
        With the linear response, which harmonics leave alone.
    arrival_s : float
        Time of the direct sound in the linear response.
    rate_hz : float
        Sample rate of the linear response.
    delay_s : float
        Arrival behind what was sent, less the interface's latency; nan without a response.
    quiet_hum, playing_hum : MainsHum or None
        With nothing playing, and late in the sweep.
    level_dbfs, quiet_dbfs : float
        RMS of the microphone during the sweep and ahead of it, dB re a full-scale sine.
    """

    element: str
    partner: str | None
    response: Response | None
    early: EarlyLevels | None
    harmonics: Harmonics | None
    arrival_s: float
    rate_hz: float
    delay_s: float
    quiet_hum: MainsHum | None
    playing_hum: MainsHum | None
    level_dbfs: float
    quiet_dbfs: float

    @property
    def is_sub(self) -> bool:
        """Whether it is judged over a sub's band only."""
        return Element.named(self.element).is_sub

    @property
    def range(self) -> BoolArray:
        """Bands it is judged over."""
        return SUB_RANGE if self.is_sub else TOP_RANGE

    @property
    def audible(self) -> BoolArray:
        """Bands in which its first sound stands over the noise."""
        if self.early is None:
            return np.zeros(EXACT_HZ.size, dtype=np.bool_)
        return self.early.level_db - self.early.floor_db > AUDIBLE_DB

    @property
    def was_heard(self) -> bool:
        """Whether the sweep is in the recording, by more than chance."""
        return (
            self.response is not None
            and self.response.match_score >= 1.0
            and int((self.audible & self.range).sum()) >= FEWEST_BANDS
        )


def hear(
    recording: Float32Array,
    sent: Float32Array,
    *,
    rate_hz: float,
    sweep: Sweep,
    quiet: Float32Array,
    element: str,
    partner: str | None = None,
    latency_s: float = 0.0,
) -> Heard:
    """Take in one element of the round.

    Parameters
    ----------
    recording : ndarray, shape (n_samples,)
        Microphone, full scale 1, from the start of `sent` on and for as long as the room answers.
    sent : ndarray, shape (m_samples,)
        What was played by the same clock: the sweep after its lead, from the first sample on.
    rate_hz : float
        Sample rate of all.
    sweep : Sweep
        What the sweep in `sent` is made of.
    quiet : ndarray, shape (k_samples,)
        About a second of microphone with nothing playing.
    element, partner : str
        Its name, and the other of its pair.
    latency_s : float
        Of the interface, where it is known: taken off the delay.
    """
    response = transfer_function(recording, sent, rate_hz=rate_hz)
    early, overtones, arrival_s = None, None, float("nan")
    if response is not None:
        overtones = harmonics(recording, sent, rate_hz=rate_hz, sweep=sweep)
        arrival_s = _arrival_s(overtones.linear, rate_hz, sweep, sub=Element.named(element).is_sub)
        early = early_levels(overtones.linear, rate_hz=rate_hz, arrival_s=arrival_s)
    clear_s = sweep.lead_s + sweep.octave_s * float(np.log2(HUM_CLEAR_HZ / sweep.first_hz))
    end_s = sweep.lead_s + sweep.duration_s
    late = recording[round(clear_s * rate_hz) : round(end_s * rate_hz)]
    body = recording[round(sweep.lead_s * rate_hz) : round(end_s * rate_hz)]
    return Heard(
        element=element,
        partner=partner,
        response=response,
        early=early,
        harmonics=overtones,
        arrival_s=arrival_s,
        rate_hz=rate_hz,
        delay_s=arrival_s - LINEAR_LEAD_S - latency_s,
        quiet_hum=_hum(quiet, rate_hz),
        playing_hum=_hum(late, rate_hz),
        level_dbfs=float(rms_dbfs(body)) if body.size else float("-inf"),
        quiet_dbfs=float(rms_dbfs(quiet)) if quiet.size else float("-inf"),
    )


def _arrival_s(linear: FloatArray, rate_hz: float, sweep: Sweep, *, sub: bool) -> float:
    """Time of the direct sound in the linear response: of a top by its phase, of a sub its onset.

    Without an arrival that stands over the noise it is the loudest tap: levels need some time.
    """
    if sub:
        return onset_s(linear, rate_hz=rate_hz, low_hz=SUB_LOW_HZ, high_hz=SUB_HIGH_HZ)
    loudest_s = float(np.argmax(np.abs(linear))) / rate_hz
    rough = early_levels(linear, rate_hz=rate_hz, arrival_s=loudest_s)
    sounds = TOP_RANGE & (rough.level_db - rough.floor_db > AUDIBLE_DB)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sounds.astype(np.int8), [0]])))
    if edges.size == 0:
        return loudest_s
    runs = edges.reshape(-1, 2)
    first, last = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    if last - first < FEWEST_BANDS:
        return loudest_s
    arrival = first_arrival(
        linear,
        rate_hz=rate_hz,
        low_hz=float(LOWER_HZ[first]),
        high_hz=float(UPPER_HZ[last - 1]),
        known_hz=sweep.high_hz,
        quiet=round(0.5 * LINEAR_LEAD_S * rate_hz),
    )
    return arrival.tap / rate_hz if np.isfinite(arrival.tap) else loudest_s


def _hum(stretch: Float32Array, rate_hz: float) -> MainsHum | None:
    if stretch.size < SHORTEST_HUM_S * rate_hz:
        return None
    return mains_hum(stretch, rate_hz=rate_hz)
