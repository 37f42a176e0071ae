"""Spoilt job folders and recordings: no traceback, no undocumented exit code.

bench/fuzz_files.py makes a thousand folders and five hundred recordings; these are a few of them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from fuzz_files import fuzz, mutate_folder, mutate_recording


@pytest.mark.parametrize(("mutate", "count"), [(mutate_folder, 20), (mutate_recording, 5)])
def test_spoilt_files_end_in_a_line_and_a_documented_exit_code(mutate, count):
    tally = fuzz(count, mutate, seed=2)
    assert not tally.failures
    assert sum(tally.codes.values()) == count
    assert tally.codes.keys() <= {"exit 0", "exit 2", "exit 3"}
