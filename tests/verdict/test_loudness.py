"""Doses, time left and what is said of them, against published figures.

NIOSH: the table of its page on the recommended noise limit. WHO: global standard for safe
listening venues and events (2022), 100 dB LAeq over 15 minutes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.acoustics.level import power_from_db
from evenhall.acoustics.loudness import LoudnessState, resumed
from evenhall.verdict.loudness import (
    AUDIENCE,
    WORK,
    Limit,
    audience_dose,
    audience_left_s,
    loudness_lines,
    loudness_of,
    warning,
    work_dose,
    work_left_s,
)

NIOSH_MIN = [(85, 480), (88, 240), (91, 120), (94, 60), (97, 30), (100, 15)]


@pytest.mark.parametrize(("level_db", "minutes"), NIOSH_MIN)
def test_time_at_work_is_that_of_the_table(level_db, minutes):
    left_s = work_left_s(0.0, float(power_from_db(level_db)))
    assert left_s / 60.0 == pytest.approx(minutes, rel=0.02)  # energy, not 2 ^ (3 dB / 3)
    assert work_dose(60.0 * minutes * float(power_from_db(level_db))) == pytest.approx(1, rel=0.02)


def test_limit_of_the_audience_is_that_of_the_who():
    assert (AUDIENCE.level_db, AUDIENCE.over_s) == (100.0, 900.0)
    exactly = power_from_db(np.full(900, 100.0))
    assert audience_dose(exactly) == pytest.approx(1.0)
    assert audience_left_s(exactly, float(power_from_db(100.0))) == np.inf
    assert audience_left_s(exactly, float(power_from_db(100.5))) == 0.0
    # 5 minutes at 103 and 10 at 97 dB(A) are 99.997 over 15.
    mixed = power_from_db(np.repeat([103.0, 97.0], [300, 600]))
    assert 10.0 * np.log10(mixed.mean()) == pytest.approx(99.997, abs=0.001)
    assert audience_dose(mixed) < 1.0


levels = st.lists(st.tuples(st.floats(70.0, 112.0), st.integers(1, 500)), max_size=6)


@given(levels, st.floats(80.0, 115.0))
def test_time_left_is_when_the_average_passes_the_limit(past, level_db):
    """Against the sum itself, a second at a time."""
    seconds = np.concatenate([np.zeros(0), *(np.full(n, 10 ** (db / 10)) for db, n in past)])
    power = 10.0 ** (level_db / 10.0)
    left_s = audience_left_s(seconds, power)
    coming = np.concatenate([np.zeros(900), seconds, np.full(901, power)])
    now = coming.size - 901

    def dose(after_s):
        return coming[now + after_s - 900 : now + after_s].sum() / AUDIENCE.full

    if left_s == np.inf:
        assert max(dose(k) for k in range(0, 902, 7)) <= 1.0 + 1e-6
    else:
        k = int(left_s)
        assert dose(k + 1) > 1.0
        assert k == 0 or dose(k) <= 1.0 + 1e-6


def test_gap_counts_as_loud_as_the_rest():
    loud = np.full(900, 1e10)
    loud[300:600] = np.nan
    assert audience_dose(loud) == pytest.approx(1.0)
    assert audience_dose(np.full(20, np.nan)) == 0.0


def test_quiet_warning_3_db_below_and_a_plain_one_above():
    limit = Limit("audience", 99.0, 1800.0)
    for below_db, said in ((3.1, ""), (2.9, "Within 3 dB of the audience limit, 99 dB(A)")):
        seconds = power_from_db(np.full(1800, 99.0 - below_db))
        assert warning(audience_dose(seconds, limit), limit)[: max(len(said), 1)] == said
    above = warning(audience_dose(power_from_db(np.full(1800, 99.1)), limit), limit)
    assert above == "TURN IT DOWN: the audience limit, 99 dB(A) over 30 minutes, is passed."
    assert warning(work_dose(WORK.full * 0.6), WORK).startswith("Within 3 dB of the work limit")


def test_levels_are_those_at_the_place():
    state = resumed(LoudnessState.start(48_000.0), np.full(900, 0.01), highest_peak=2.0)
    loudness = loudness_of(state, 114.0 + 3.0, AUDIENCE)
    assert loudness.leq_15_db == pytest.approx(97.0)
    assert loudness.peak_db == pytest.approx(120.01, abs=0.01)
    assert loudness.audience_dose == pytest.approx(0.5, abs=0.01)
    assert loudness.work_dose == pytest.approx(0.5, abs=0.01)
    assert loudness.work_left_s == pytest.approx(900.0, rel=0.03)


def test_line_of_a_meter_that_has_heard_nothing():
    line = loudness_lines(loudness_of(LoudnessState.start(48_000.0), 114.0, AUDIENCE))
    assert line.splitlines() == [
        "-- dB(A) -- dB(C)  LAeq 1 min --  15 min --  60 min --  all --",
        "Peak -- dB(C)  Time left at this level: audience unlimited, work unlimited",
    ]


def test_each_line_fits_a_terminal():
    state = resumed(LoudnessState.start(48_000.0), np.full(3600, 1.0), highest_peak=2.0)
    loudness = replace(
        loudness_of(state, 125.0, AUDIENCE),
        a_fast_db=118.4,
        c_fast_db=121.3,
        audience_left_s=899.0,
        work_left_s=86_000.0,
    )
    assert max(map(len, loudness_lines(loudness).splitlines())) <= 80
