"""A name is on the disk before anybody is told so, as the file is.

POSIX, fsync(): to be sure of a file's entry its directory is synced too (Linux, fsync(2), notes).
"""

import os

import numpy as np
import pytest

from evenhall.job.folder.writing import write_whole
from evenhall.sound.live import setup as live_setup
from evenhall.sound.live.setup import SoundSetup, remember
from evenhall.sound.writing import TakeWriter
from evenhall.visits.carrying import read_folder
from evenhall.visits.store import Store
from visits.made import everything, packed


@pytest.fixture
def synced(monkeypatch):
    """Paths that were seen on to the disk, in their order."""
    paths = []
    sync = os.fsync

    def noted(number):
        paths.append(os.readlink(f"/proc/self/fd/{number}"))
        sync(number)

    monkeypatch.setattr(os, "fsync", noted)
    return paths


def in_order(paths, *wanted):
    places = [max(at for at, path in enumerate(paths) if path == str(one)) for one in wanted]
    return places == sorted(places)


def test_take_is_on_the_disk_with_its_name_and_its_new_folders(tmp_path, synced):
    path = tmp_path / "visit/takes/left.wav"
    with TakeWriter(path, rate_hz=48_000, channels=2) as writer:
        writer.write(np.zeros((100, 2)))
        writer.finish()
    assert {str(tmp_path), str(tmp_path / "visit")} <= set(synced)
    assert in_order(synced, f"{path}.part", path.parent)


def test_files_written_whole_are_on_the_disk_with_their_names(tmp_path, synced):
    write_whole({tmp_path / "out/result.json": b"{}"})
    assert str(tmp_path) in synced
    assert synced[-1] == str(tmp_path / "out")


def test_choice_of_devices_is_on_the_disk_with_its_name(tmp_path, synced, monkeypatch):
    monkeypatch.setattr(live_setup, "user_config_path", lambda *_, **__: tmp_path / "config")
    remember(SoundSetup("box", "box", 48_000, 1, "inside", 0, (1, 2), None))
    assert str(tmp_path) in synced
    assert synced[-1] == str(tmp_path / "config")


def test_visit_is_on_the_disk_with_all_its_folders_before_it_is_told(tmp_path, synced):
    store = Store(tmp_path / "data" / "store")
    assert {str(tmp_path), str(tmp_path / "data")} <= set(synced)
    folder = store.visit(read_folder(store, packed(everything(tmp_path / "job")))).folder
    last = "takes/delay-back.wav"
    assert in_order(synced, folder / last, folder / "takes")
    assert in_order(synced, folder / "mic.txt", folder)
    assert {str(folder.parent), str(folder.parent.parent)} <= set(synced)
    store.close()
