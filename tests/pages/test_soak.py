"""A visit of four minutes with a kill in it; `bench/soak.py` goes through one of two hours."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))
import soak

pytestmark = pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks at a process in /proc")


def test_nothing_is_lost_or_fails_and_no_file_stays_open(tmp_path):
    one = soak.soak(4, tmp_path / "data")
    assert one.kills == 1
    assert one.lost == []
    assert one.failed == []
    assert sum(map(len, one.takes.values())) >= 3
    assert one.held[-1].files <= one.held[0].files + 1
