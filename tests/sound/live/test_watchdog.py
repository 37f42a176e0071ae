"""A device that is gone, or runs at another rate, told from the count of frames alone."""

from __future__ import annotations

import pytest

from evenhall.errors import DeviceError
from evenhall.sound.live.watchdog import Watchdog


def run(dog, seconds, *, rate_hz, start_s=0.0, frames=0, lost=0, gone=False):
    """Look fifty times a second; gives the time and count at the end."""
    for k in range(1, round(seconds * 50) + 1):
        now_s = start_s + k / 50
        dog.look(frames + round(rate_hz * k / 50), lost=lost, gone=gone, now_s=now_s)
    return now_s, frames + round(rate_hz * seconds)


def test_device_at_its_rate_is_left_in_peace():
    run(Watchdog("box", 48_000.0, 0.0), 60.0, rate_hz=48_000 * 1.0003)


def test_device_that_delivers_nothing_more_is_gone():
    dog = Watchdog("box", 48_000.0, 0.0)
    now_s, frames = run(dog, 2.0, rate_hz=48_000)
    run(dog, 0.9, rate_hz=0, start_s=now_s, frames=frames)
    with pytest.raises(DeviceError, match=r'^"box" stopped in the middle: it was pulled out'):
        run(dog, 0.3, rate_hz=0, start_s=now_s + 0.9, frames=frames)


def test_device_that_never_delivers_is_gone():
    with pytest.raises(DeviceError, match="stopped in the middle"):
        run(Watchdog("box", 48_000.0, 0.0), 1.5, rate_hz=0)


def test_sound_process_that_says_so_is_believed_at_once():
    with pytest.raises(DeviceError, match="stopped in the middle"):
        run(Watchdog("box", 48_000.0, 0.0), 0.1, rate_hz=48_000, gone=True)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_rate_that_was_changed_in_the_middle_is_told_within_six_seconds(rate_hz):
    dog = Watchdog("box", 48_000.0, 0.0)
    now_s, frames = run(dog, 20.0, rate_hz=48_000)
    with pytest.raises(DeviceError, match=r'^"box" delivers \d+ samples a second, not 48000: '):
        run(dog, 6.0, rate_hz=rate_hz, start_s=now_s, frames=frames)


def test_sound_that_was_lost_is_no_change_of_rate():
    dog = Watchdog("box", 48_000.0, 0.0)
    now_s, frames = run(dog, 2.5, rate_hz=48_000)
    run(dog, 5.0, rate_hz=48_000, start_s=now_s + 0.5, frames=frames, lost=1)
