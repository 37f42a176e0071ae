"""What must not be played, whatever opens the devices."""

from __future__ import annotations

import numpy as np
import pytest

from evenhall.errors import InputError
from evenhall.sound.live.open_devices import check_sound, highest_peak
from evenhall.sound.live.simulated import SimulatedDevices

RATE_HZ = 48_000


def check(signal, ceiling_dbfs=-10.0):
    check_sound(signal, rate_hz=RATE_HZ, ceiling_dbfs=ceiling_dbfs, playing=False)


def quiet_with(value):
    signal = np.full(1000, 0.01)
    signal[500] = value
    return signal


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_sound_with_a_sample_that_is_no_number_is_refused(value):
    with pytest.raises(InputError) as caught:
        check(quiet_with(value))
    assert str(caught.value) == (
        "The sound holds samples that are no numbers, and was not played. Check the level and the "
        "band that were asked for."
    )
    with pytest.raises(InputError, match="samples that are no numbers"), SimulatedDevices() as hall:
        hall.play(quiet_with(value))


def test_ceiling_that_is_no_number_lets_nothing_pass():
    with pytest.raises(InputError, match="would pass the ceiling of nan dBFS"):
        check(quiet_with(0.01), ceiling_dbfs=float("nan"))


def test_peaks_at_the_ceiling_pass_and_above_it_do_not():
    at_ceiling = 10.0 ** (-10.0 / 20.0)  # 0.3162
    check(quiet_with(-at_ceiling))
    with pytest.raises(InputError, match=r"peaks at -9\.9 dBFS would pass the ceiling of -10 dBFS"):
        check(quiet_with(-1.0115 * at_ceiling))  # 0.1 dB


def test_what_passes_is_not_touched_by_the_clipping_before_the_device():
    assert 10.0 ** (-10.0 / 20.0) <= highest_peak(-10.0) <= 1.002 * 10.0 ** (-10.0 / 20.0)
