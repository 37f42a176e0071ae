"""What the set-out asks for, and what it says beside it."""

import pytest

from evenhall.pages.views.hall import hall_forecast
from evenhall.visits.judging import Judge
from evenhall.visits.store import Store

HALL = {
    "venue.length_m": 18.0,
    "venue.width_m": 10.0,
    "venue.height_m": 4.5,
    "audience.first_row_m": 2.0,
    "audience.last_row_m": 14.0,
    "rig.speaker_height_m": 2.2,
}
# Halving the way from mouth to microphone brings 6 dB (inverse square).
TALKER = {"talker.talker_m": 0.4, "talker.behind_m": 1.5}


@pytest.fixture
def lines(tmp_path):
    store = Store(tmp_path)

    def of(**entries):
        visit = store.visit(store.new_visit("Quarry Lane Hall", entries))
        return hall_forecast(visit, Judge().result(visit)).lines

    yield of
    store.close()


def test_gain_before_feedback_is_said_once_the_talkers_microphone_is_known(lines):
    without, told = lines(**HALL), lines(**HALL, **TALKER)
    assert told[: len(without)] == without
    assert any("before" in line and "dB" in line for line in told[len(without) :])
    assert any("0.20 m" in line and "6.0 dB" in line for line in told[len(without) :])


def test_talkers_microphone_waits_for_the_rows(lines):
    rows_unknown = {k: v for k, v in HALL.items() if not k.startswith("audience.")}
    assert lines(**rows_unknown, **TALKER) == lines(**rows_unknown)
