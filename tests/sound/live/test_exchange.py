"""The memory that two processes share, where there is no room for it."""

from __future__ import annotations

import errno
import os
import tempfile

import pytest

from evenhall.errors import StoreError
from evenhall.sound.live.device import Device
from evenhall.sound.live.exchange import Exchange, Layout
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup

BOX = Device(0, "Box", "ALSA", 2, 2, 48_000.0, True, True)


@pytest.mark.skipif(not hasattr(os, "posix_fallocate"), reason="room cannot be set aside here")
def test_its_room_is_set_aside_at_once(tmp_path):
    layout = Layout(inputs=1, ring_frames=480_000, longest_frames=480_000)
    Exchange.create(layout, tmp_path / "sound")
    # A sparse file that a full disk has no room for ends whoever writes into it (SIGBUS).
    assert (tmp_path / "sound").stat().st_blocks * 512 >= Exchange.size(layout)


def test_full_disk_is_told_before_anything_sounds(tmp_path, monkeypatch):
    def full(file, start, size):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "posix_fallocate", full, raising=False)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with (
        pytest.raises(StoreError) as caught,
        Live(SoundSetup("Box", "Box"), devices=(BOX,)),
    ):
        pass
    assert str(caught.value) == (
        f"{tmp_path}: no room for the sound (No space left on device). Make room there, and try "
        "again; the takes made so far are safe."
    )
    assert not list(tmp_path.iterdir())
