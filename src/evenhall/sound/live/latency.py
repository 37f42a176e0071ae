"""How long the sound device takes from its output to its input, by a cable. Start at `latency_s()`.

With a cable that stays in (a reference by cable) nobody needs it. Where only what was sent is the
reference, the device's own delay would count as air: so a cable is put in once, from the output
to an input, and the figure is remembered.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from evenhall.acoustics.stimulus import exponential_sweep
from evenhall.acoustics.transfer import transfer_function
from evenhall.errors import DeviceError
from evenhall.sound.live.capture import capture
from evenhall.sound.live.open_devices import CEILING_DBFS
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup

__all__ = ["latency_s"]

SWEEP_S, LEVEL_DBFS = 2.0, -30.0
LOW_HZ, HIGH_HZ = 100.0, 18_000.0
REST_S = 1.0  # longer than any device keeps sound
LONGEST_S = 1.0
# A cable has no room in it: its level is the same in every band.
CABLE_RIPPLE_DB = 1.0


def latency_s(
    setup: SoundSetup, *, channel: int, stop_wanted: Callable[[], bool] = lambda: False
) -> float:
    """Measure the time from the output to the input that a cable joins.

    Parameters
    ----------
    setup : SoundSetup
        Its devices, which must share one clock, and its outputs.
    channel : int
        Input that the cable is plugged into, counted from 1.
    stop_wanted : callable
        Is asked often; the sound then ends at once.

    Returns
    -------
    float
        In seconds; it holds as long as the devices and the rate are the same.

    Raises
    ------
    DeviceError
        Input and output run on two clocks, there is no cable between them, or it was stopped.
    """
    setup = replace(
        setup, reference="inside", reference_channel=0, mic_channel=channel, latency_s=None
    )
    sweep = exponential_sweep(
        SWEEP_S,
        rate_hz=setup.rate_hz,
        level_dbfs=min(LEVEL_DBFS, CEILING_DBFS - 6.0),
        low_hz=LOW_HZ,
        high_hz=HIGH_HZ,
    )
    with Live(setup) as live:
        if not live.one_clock:
            raise DeviceError(
                "Use one device for input and output, or a reference by cable: these two have a "
                "clock each, and the time between them changes from take to take."
            )
        captured = capture(live, sweep, length_s=SWEEP_S, tail_s=REST_S, stop_wanted=stop_wanted)
    if captured.ended == "stopped":
        raise DeviceError("Stopped before the device's own delay was known. Nothing was changed.")
    assert captured.reference is not None, "one clock"
    response = transfer_function(captured.microphone, captured.reference, rate_hz=setup.rate_hz)
    no_cable = DeviceError(
        f"Input {channel} does not carry what output {setup.output_channels[0]} sent. Join them "
        "with a cable, turn the input's gain up a little, and try again."
    )
    if response is None or response.match_score < 1.0 or not np.isfinite(response.delay_s):
        raise no_cable
    level_db = response.bands.level_db[response.bands.usable]
    if np.ptp(level_db) > CABLE_RIPPLE_DB or not 0.0 <= response.delay_s <= LONGEST_S:
        raise no_cable
    return response.delay_s
