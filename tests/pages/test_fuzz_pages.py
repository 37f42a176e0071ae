"""After each call that was accepted every page opens: a short run of bench/fuzz_pages.py."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))
from fuzz_pages import fuzz


def test_whatever_is_accepted_every_page_opens_after_it(tmp_path):
    tally = fuzz(tmp_path / "store", calls=40, seed=1)
    assert tally.failed == []
    assert tally.asked == 40
    # It is no idle run, and not everything is accepted.
    assert 8 <= tally.accepted <= 35
    assert tally.opened >= 17 * tally.accepted
    assert tally.statuses[422] >= 5
