"""Watching loudness on devices that deliver a made-up evening at once: warnings, log, ends."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from evenhall.errors import DeviceError
from evenhall.job.live.loudness import Place, watch_loudness
from evenhall.job.live.watch import Metered, Said, Watch
from evenhall.sound.live import capture
from evenhall.sound.live.open_devices import Heard, Lost
from evenhall.sound.live.setup import SoundSetup
from evenhall.verdict.loudness import Limit, Sensitivity

RATE_HZ = 48_000
# A minute, so that an evening is short.
PLACE = Place(Sensitivity(114.0, "calibrator"), 0.0, Limit("audience", 100.0, 60.0))


class Evening:
    """Devices that hear a tone of given levels, a second each, in tenths of a second."""

    setup = SoundSetup("hall", "", reference="outside")
    rate_hz = float(RATE_HZ)

    def __init__(self, levels_db, *, lost_at=None):
        t = np.arange(RATE_HZ) / RATE_HZ
        tone = np.sin(2.0 * np.pi * 1000.0 * t).astype(np.float32)
        self.blocks = [
            piece
            for level_db in levels_db
            for piece in np.split(tone * np.float32(10.0 ** ((level_db - 114.0) / 20.0)), 10)
        ]
        self.at, self.lost_at = -1, lost_at  # the first is what came before it began

    def read(self):
        block = np.zeros(0, np.float32) if self.at < 0 else self.blocks[self.at]
        self.at += 1
        return Heard(block[:, None], np.zeros(block.size, np.float32))

    def lost(self):
        return (Lost(0, "nobody read it"),) if self.at == self.lost_at else ()

    def keep_alive(self):
        pass


class Looks(Watch):
    def __init__(self, devices):
        self.devices, self.said, self.metered = devices, [], []

    def tell(self, news):
        if isinstance(news, Said):
            self.said.append(news.text)
        elif isinstance(news, Metered):
            self.metered.append(news.loudness)

    def stop_wanted(self):
        return self.devices.at >= len(self.devices.blocks)


@pytest.fixture(autouse=True)
def at_once(monkeypatch):
    monkeypatch.setattr(capture, "LISTEN_S", 0.0)


def watched(levels_db, *, lost_at=None, **more):
    devices = Evening(levels_db, lost_at=lost_at)
    watch = Looks(devices)
    return watch, watch_loudness(devices, PLACE, watch=watch, **more)


def test_levels_and_time_left_are_told_all_the_time():
    watch, last = watched([94.0] * 5)
    assert len(watch.metered) == 50
    assert last.leq_db == pytest.approx(94.0, abs=0.02)
    assert last.a_fast_db == pytest.approx(94.0, abs=0.05)
    assert last.audience_left_s == np.inf
    assert watch.said == []


def test_each_warning_is_said_once_while_the_level_wavers():
    # Up through both limits, about the upper one for a while, and down again.
    levels_db = [98.0] * 60 + [100.6] * 60 + [99.7, 100.2] * 60 + [90.0] * 60 + [98.0] * 60
    watch, _ = watched(levels_db)
    audience = [text for text in watch.said if "audience" in text]
    near = "Within 3 dB of the audience limit, 100 dB(A) over 1 minute."
    above = "TURN IT DOWN: the audience limit, 100 dB(A) over 1 minute, is passed."
    assert audience == [near, above, near, near]
    assert [text for text in watch.said if "work" in text] == []


def test_clipping_and_loss_are_said_once_and_logged(tmp_path):
    log = tmp_path / "log.csv"
    watch, _ = watched([114.0, 94.0, 114.0, 94.0], lost_at=15, log=log)
    assert len([text for text in watch.said if text.startswith("The input clips")]) == 1
    assert len([text for text in watch.said if text.startswith("Sound was lost")]) == 1
    rows = [line for line in log.read_text().splitlines() if not line.startswith("#")]
    notes = [row["note"] for row in csv.DictReader(rows)]
    assert notes == ["clipped", "lost", "clipped", ""]


def test_log_counts_what_was_heard_before(tmp_path):
    log = tmp_path / "log.csv"
    watched([100.0] * 10, log=log)
    watch, last = watched([90.0] * 10, log=log)
    assert watch.said[-1] == "The log goes on. Counted in so far: under a minute."
    assert last.leq_db == pytest.approx(10.0 * np.log10((1e10 + 1e9) / 2.0), abs=0.02)


def test_it_ends_by_itself_after_so_long():
    watch, _ = watched([94.0] * 20, longest_s=4.0)
    assert len(watch.metered) == 40


def test_input_that_goes_dead_is_told_and_the_log_is_kept(tmp_path):
    log = tmp_path / "log.csv"
    with pytest.raises(DeviceError, match="start again; what was heard so far is safe"):
        watched([94.0] * 3 + [-np.inf] * 3, log=log)
    assert len(log.read_text().splitlines()) >= 3 + 1 + 3
