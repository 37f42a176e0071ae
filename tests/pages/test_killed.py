"""What was acknowledged survives the killing of the server; bench/kills.py kills it more often."""

from killroom import kill_often

# Each kind of thing comes first once and is done; then some are killed in the middle.
KILLS, SEED = 12, 50


def test_what_was_acknowledged_survives_a_dozen_kills(tmp_path):
    done = kill_often(tmp_path / "data", kills=KILLS, seed=SEED)
    # It was no idle run.
    assert set(done) == {
        *("demo", "again", "import", "entry", "take", "upload", "deleted", "restored")
    }
