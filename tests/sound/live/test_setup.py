"""The choice of devices, kept from visit to visit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from evenhall.errors import StoreError
from evenhall.sound.live.setup import SoundSetup, remember, remembered, setup_path

SETUP = SoundSetup(
    input='Green "USB" box (ALSA)',
    output='Green "USB" box (ALSA)',
    rate_hz=44_100,
    mic_channel=2,
    reference="cable",
    reference_channel=1,
    output_channels=(2,),
)


@pytest.fixture(autouse=True)
def own_place(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


def test_choice_is_found_again():
    remember(SETUP)
    assert remembered() == SETUP


def test_nothing_is_remembered_at_first():
    assert remembered() is None


@pytest.mark.parametrize(
    "text",
    ["", "input =", 'input = "a"\noutput = "a"', "\xff", 'colour = "blue"\noutput_channels = [1]'],
)
def test_spoiled_file_is_no_choice(text):
    remember(SETUP)
    setup_path().write_text(text, encoding="latin-1")
    assert remembered() is None


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("rate_hz", "0"),
        ("mic_channel", '"one"'),
        ("reference", '"air"'),
        ("latency_s", '"x"'),
        ("output_channels", "[]"),
    ],
)
def test_senseless_value_is_no_choice(field, value):
    remember(replace(SETUP, latency_s=0.01))
    lines = setup_path().read_text(encoding="utf-8").splitlines()
    lines = [f"{field} = {value}" if line.startswith(field) else line for line in lines]
    setup_path().write_text("\n".join(lines), encoding="utf-8")
    assert remembered() is None


def test_latency_is_kept_with_the_rest():
    remember(replace(SETUP, latency_s=0.0123))
    assert remembered().latency_s == 0.0123


def test_unwritable_place_is_told(tmp_path):
    (tmp_path / "settings").write_text("a file where a folder should be")
    with pytest.raises(StoreError, match="could not be kept"):
        remember(SETUP)
