"""Sensitivities, kept for each input of each device."""

from __future__ import annotations

from dataclasses import replace

import pytest

from evenhall.errors import StoreError
from evenhall.sound.live.sensitivity import Calibrated, keep_sensitivity, kept_sensitivity
from evenhall.sound.live.setup import setup_path

FOUND = Calibrated('Green "USB" box (ALSA)', 2, 114.25, "calibrator", "12 o'clock", "2026-05-01")


@pytest.fixture(autouse=True)
def own_place(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


def kept_file():
    return setup_path().with_name("microphones.toml")


def test_each_input_keeps_its_own():
    other = replace(FOUND, mic_channel=1, how="meter", gain="")
    keep_sensitivity(FOUND)
    keep_sensitivity(other)
    assert kept_sensitivity(FOUND.input, 2) == FOUND
    assert kept_sensitivity(FOUND.input, 1) == other
    assert kept_sensitivity("Red box", 1) is None
    again = replace(FOUND, db_spl=110.0)
    keep_sensitivity(again)
    assert kept_sensitivity(FOUND.input, 2) == again
    assert kept_file().read_text().count("[[microphone]]") == 2


def test_file_stays_small():
    for k in range(60):
        keep_sensitivity(replace(FOUND, mic_channel=k + 1))
    assert kept_sensitivity(FOUND.input, 1) is None
    assert kept_sensitivity(FOUND.input, 60) is not None


@pytest.mark.parametrize(
    "text",
    ["", "microphone = 3", "[[microphone]]\ninput = 1", "\xff", "[[microphone]]\nhow = 'x'"],
)
def test_spoiled_file_is_none(text):
    keep_sensitivity(FOUND)
    kept_file().write_text(text, encoding="latin-1")
    assert kept_sensitivity(FOUND.input, 2) is None
    keep_sensitivity(FOUND)
    assert kept_sensitivity(FOUND.input, 2) == FOUND


@pytest.mark.parametrize(
    ("field", "value"), [("db_spl", '"loud"'), ("how", '"by ear"'), ("gain", "4")]
)
def test_senseless_value_is_none(field, value):
    keep_sensitivity(FOUND)
    lines = kept_file().read_text(encoding="utf-8").splitlines()
    lines = [f"{field} = {value}" if line.startswith(field) else line for line in lines]
    kept_file().write_text("\n".join(lines), encoding="utf-8")
    assert kept_sensitivity(FOUND.input, 2) is None


def test_unwritable_place_is_told(tmp_path):
    (tmp_path / "settings").write_text("a file where a folder should be")
    with pytest.raises(StoreError, match="the sensitivity could not be kept"):
        keep_sensitivity(FOUND)
