"""A device, or the file that keeps its choice, gives what no device does."""

from __future__ import annotations

import numpy as np
import pytest

from evenhall.errors import DeviceError
from evenhall.sound.live.capture import capture
from evenhall.sound.live.open_devices import Heard
from evenhall.sound.live.setup import SoundSetup, remembered


class BrokenDevice:
    """Two inputs of noise; one sample in one of them is absurd."""

    setup = SoundSetup("a", "a", reference="cable", reference_channel=2)
    one_clock = True
    rate_hz = 48_000
    read_frames = 0

    def __init__(self, value: float, channel: int) -> None:
        self._inputs = 0.01 * np.ones((960, 2), dtype=np.float32)
        self._inputs[100, channel] = value

    def keep_alive(self) -> None:
        pass

    def lost(self) -> tuple:
        return ()

    def read(self) -> Heard:
        return Heard(self._inputs, np.zeros(960, dtype=np.float32))


@pytest.mark.parametrize("value", [1e25, -1e7, np.inf, np.nan])
@pytest.mark.parametrize("channel", [0, 1])
def test_absurd_sample_of_a_device_ends_the_take_in_a_clear_word(value, channel):
    with pytest.raises(DeviceError, match="no numbers, or absurd ones: its driver is broken"):
        capture(BrokenDevice(value, channel), length_s=0.5)


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 5000, "rate_hz = " + "9" * 5000, "a" + ".a" * 4000 + " = 1", "\0"]
)
def test_spoilt_choice_of_devices_is_made_anew(tmp_path, monkeypatch, text):
    (tmp_path / "sound.toml").write_text(text)
    monkeypatch.setattr("evenhall.sound.live.setup.setup_path", lambda: tmp_path / "sound.toml")
    assert remembered() is None
