"""Set the microphone's gain by the sound itself, once for the visit. Start at `set_gain()`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.meter import MeterState, Reading, step_meter
from evenhall.acoustics.stimulus import pink_noise
from evenhall.job.live.taking import CREST_LIMIT_DB
from evenhall.job.live.watch import Progress, Watch
from evenhall.sound.live.capture import capture
from evenhall.sound.live.open_devices import RAMP_S, OpenDevices
from evenhall.verdict.gain import GainHint, gain_hint

__all__ = ["set_gain"]

LONGEST_S = 60.0
# The hint must stand for so long: a hand on the knob passes the right place on its way.
STANDS_S = 3.0
# Slow levels have followed the sound once it has been up for that long.
SETTLED_S = RAMP_S + 3.0
LOWEST_HZ, HIGHEST_HZ = 100.0, 10_000.0  # what sets the level, and strains nobody


def set_gain(live: OpenDevices, *, level_dbfs: float, watch: Watch) -> GainHint | None:
    """Play noise and say which way to turn, until the gain stands or a minute is over.

    Parameters
    ----------
    live : OpenDevices
        Open devices. With a reference from outside nothing is played.
    level_dbfs : float
        RMS level of the noise.
    watch : Watch
        Is told the levels of microphone and reference twenty times a second or more, and the hint
        once there is one worth saying.

    Returns
    -------
    GainHint or None
        The last one; None where there was none yet.
    """
    rate_hz = live.setup.rate_hz
    signal = None
    if live.setup.plays:
        signal = pink_noise(
            LONGEST_S,
            rate_hz=rate_hz,
            seed=1,
            level_dbfs=level_dbfs,
            low_hz=LOWEST_HZ,
            high_hz=HIGHEST_HZ,
            crest_limit_db=CREST_LIMIT_DB,
        )
    state, frames, stood_since_s = MeterState.start(2), 0, 0.0
    hint: GainHint | None = None
    sent = Reading(level_dbfs, level_dbfs, level_dbfs, level_dbfs, clipped=False)

    def on_block(block: NDArray[np.float32]) -> None:
        nonlocal state, frames, stood_since_s, hint
        state, readings = step_meter(state, block, rate_hz=rate_hz)
        frames += len(block)
        if frames < SETTLED_S * rate_hz:
            watch.tell(Progress(readings))  # the meter moves from the first moment
            return
        if len(readings) < 2:
            # Two clocks: what was sent is not beside what was heard, but its level is known.
            readings = (*readings, sent)
        hint = gain_hint(readings[0], readings[1], before=hint)
        if hint.turn != "hold":
            stood_since_s = frames / rate_hz
        watch.tell(Progress(readings, hint=hint))

    def over() -> bool:
        stands = hint is not None and frames / rate_hz - stood_since_s > STANDS_S
        return watch.stop_wanted() or (stands and frames > (SETTLED_S + STANDS_S) * rate_hz)

    capture(live, signal, length_s=LONGEST_S, on_block=on_block, stop_wanted=over)
    return hint
