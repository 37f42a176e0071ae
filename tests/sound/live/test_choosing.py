"""From what is said, remembered and there to a setup."""

from __future__ import annotations

import pytest

from evenhall.errors import InputError
from evenhall.sound.live.choosing import Choice, chosen_setup
from evenhall.sound.live.device import Device
from evenhall.sound.live.setup import remember

JACK = "JACK Audio Connection Kit"


@pytest.fixture(autouse=True)
def own_place(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


def box(host, rate_hz):
    return (Device(0, "box", host, 2, 2, rate_hz, True, True),)


@pytest.mark.parametrize(
    ("host", "rate_hz"),
    [
        (JACK, 44_100),  # a sound server has one rate, whatever was remembered
        ("Windows WASAPI", 44_100),
        ("ALSA", 48_000),  # such a device is set to what was chosen
    ],
)
def test_device_of_one_rate_is_taken_at_the_rate_that_it_has_now(host, rate_hz):
    remember(chosen_setup(Choice(device="box"), box(host, 48_000.0)))
    assert chosen_setup(Choice(), box(host, 44_100.0)).rate_hz == rate_hz


def test_rate_that_a_device_of_one_rate_has_not_is_refused_with_the_one_that_it_has():
    with pytest.raises(InputError) as caught:
        chosen_setup(Choice(rate_hz=96_000), box(JACK, 44_100.0))
    assert str(caught.value) == (
        f'"box ({JACK})" runs at 44100 Hz, not at 96000. Leave rate_hz out, or set the device '
        "itself to 96000 Hz."
    )
    assert chosen_setup(Choice(rate_hz=96_000), box("ALSA", 44_100.0)).rate_hz == 96_000
