"""The log of how loud it was: what is in it, how it goes on, and what a power cut leaves."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from evenhall.acoustics.loudness import LoudnessState, Second, resumed
from evenhall.errors import InputError, StoreError
from evenhall.job.live.loudness import Place
from evenhall.job.live.loudness_log import COLUMNS, LoudnessLog, past_of, power_of
from evenhall.verdict.loudness import AUDIENCE, Sensitivity

PLACE = Place(Sensitivity(114.0, "calibrator"), 3.0, AUDIENCE)
NOON = datetime(2026, 5, 1, 12, 0, 0, tzinfo=UTC)


def second(level_db, peak_db=110.0):
    power = 10.0 ** ((level_db - PLACE.offset_db) / 10.0)
    peak = 10.0 ** ((peak_db - PLACE.offset_db) / 10.0)
    return Second(power, power, power, power, peak, clipped=False)


def write(path, levels_db, *, start=NOON, peak_db=110.0):
    state = resumed(LoudnessState.start(48_000.0), np.ones(1))
    with LoudnessLog(path, PLACE.remarks) as log:
        for k, level_db in enumerate(levels_db):
            log.add(
                (start + timedelta(seconds=k)).isoformat(timespec="seconds"),
                second(level_db, peak_db),
                PLACE.loudness(state),
                offset_db=PLACE.offset_db,
                note="",
            )


def test_rows_can_be_handed_over(tmp_path):
    path = tmp_path / "log.csv"
    write(path, [91.25, 92.5])
    lines = path.read_text().splitlines()
    assert [line[:2] for line in lines[:3]] == ["# ", "# ", "# "]
    assert "no certified measurement" in lines[2]
    head, *rows = csv.reader(lines[3:])
    assert tuple(head) == COLUMNS
    assert len(rows) == 2
    row = dict(zip(head, rows[0], strict=True))
    assert row["time"] == "2026-05-01T12:00:00+00:00"
    assert row["LAeq 1 s dB(A)"] == "91.25"
    assert row["LC peak dB(C)"] == "110.00"
    assert row["LAeq 15 min dB(A)"] == "117.00"  # that of the state: full scale


def test_log_goes_on_and_the_break_is_no_silence(tmp_path):
    path = tmp_path / "log.csv"
    write(path, [90.0] * 5, peak_db=131.0)
    write(path, [96.0] * 5, start=NOON + timedelta(seconds=15))
    past = past_of(path, NOON + timedelta(seconds=21))
    assert past.heard_s == 10
    assert past.peak_db == 131.0
    np.testing.assert_array_equal(
        past.leq_db, [90.0] * 5 + [np.nan] * 10 + [96.0] * 5 + [np.nan] * 1
    )
    state = resumed(LoudnessState.start(48_000.0), power_of(past, PLACE.offset_db))
    assert PLACE.loudness(state).leq_db == pytest.approx(93.96, abs=0.01)
    assert path.read_text().count(",".join(COLUMNS)) == 1


@pytest.mark.parametrize("left", [b"2026-05-01T12:00:05+00:00,90.0", b"\x00" * 40, b"9"])
def test_torn_row_costs_only_itself(tmp_path, left):
    path = tmp_path / "log.csv"
    write(path, [90.0] * 5)
    with path.open("ab") as file:
        file.write(left)
    assert past_of(path, NOON + timedelta(seconds=6)).heard_s == 5
    write(path, [90.0] * 3, start=NOON + timedelta(seconds=10))
    assert past_of(path, NOON + timedelta(seconds=13)).heard_s == 8
    after = path.read_bytes().split(b"12:00:04")[1].split(b"\n")[1]
    assert after.startswith(b"# ")


def test_another_event_is_counted_from_its_own_start(tmp_path):
    path = tmp_path / "log.csv"
    write(path, [100.0] * 5)
    next_day = NOON + timedelta(hours=20)
    assert past_of(path, next_day) is None
    write(path, [90.0] * 5, start=next_day)
    assert past_of(path, next_day + timedelta(seconds=5)).heard_s == 5


def test_clock_that_was_set_back_leaves_no_gap(tmp_path):
    path = tmp_path / "log.csv"
    write(path, [90.0] * 5)
    write(path, [90.0] * 5, start=NOON - timedelta(hours=1))
    past = past_of(path, NOON - timedelta(hours=1, seconds=-5))
    assert (past.heard_s, past.leq_db.size) == (10, 10)


def test_no_log_is_none(tmp_path):
    assert past_of(tmp_path / "log.csv", NOON) is None


@pytest.mark.parametrize("text", ["", "a shopping list\n", "time,level\n1,2\n"])
def test_what_is_no_log_is_left_alone(tmp_path, text):
    path = tmp_path / "list.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=r"list.csv: is no loudness log, and nothing is written"):
        past_of(path, NOON)
    assert path.read_text() == text


def test_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(StoreError, match="the log could not be written"):
        write(tmp_path / "nowhere" / "log.csv", [90.0])
    with pytest.raises(StoreError, match="could not be"):
        past_of(tmp_path, NOON)
