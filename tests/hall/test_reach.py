"""What would help where height and aim do not."""

import numpy as np
import pytest

from evenhall.hall.field import forecast
from evenhall.hall.reach import what_would
from evenhall.hall.seats import usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room

LONG = Room(30.0, 10.0, 4.0, rt60_s=0.5)
PEOPLE = Audience(2.0, 27.0)
PAIR = usual_pair(Loudspeaker(2.4, 3.0), LONG)
SEATS = usual_seats(PEOPLE, LONG, rows=10, seats=5)


@pytest.fixture(scope="module")
def ways():
    return {way.kind: way for way in what_would(PAIR, SEATS, LONG)}


def test_even_hall_needs_nothing():
    live = Room(14.0, 10.0, 5.0, rt60_s=1.5)
    assert what_would(usual_pair(Loudspeaker(2.8, 8.0), live),
                      usual_seats(Audience(3.0, 11.0), live), live) == ()  # fmt: skip


def test_long_dry_hall_gets_every_way_with_its_forecast(ways):
    now = forecast(PAIR, SEATS, LONG).mid_db.mean(axis=1)
    assert np.ptp(now) > 6.0
    assert set(ways) >= {"delay", "nearer"}
    for way in ways.values():
        assert way.was_db == pytest.approx(np.ptp(now))
        assert way.spread_db < way.was_db - 0.5
        assert f"{way.spread_db:.1f} dB" in way.text


def test_delay_is_time_of_flight_and_five_to_fifteen_milliseconds(ways):
    # Precedence effect: Haas 1951, from memory; 343.2 m/s at 20 degrees: ISO 9613-1
    delay = ways["delay"]
    late_ms = []
    for box, main in zip(delay.added, PAIR, strict=True):
        behind = SEATS.point_m[SEATS.point_m[:, 0] > box.along_m + 1.0]
        ways_m = [np.linalg.norm(behind - one.point_m, axis=1) for one in (box, main)]
        late_ms.append(1e3 * (box.delay_s + (ways_m[0] - ways_m[1]) / 343.2))
    late_ms = np.concatenate(late_ms)
    assert late_ms.min() >= 0.0  # nobody hears the delay loudspeaker first
    assert 5.0 <= np.median(late_ms) <= 15.0


def test_delay_pair_is_at_most_ten_decibels_over_the_stage(ways):
    added = ways["delay"].added
    behind = SEATS.along_m > added[0].along_m + 0.5
    over = (forecast(added, SEATS, LONG).direct_db - forecast(PAIR, SEATS, LONG).direct_db)[
        :, 10:24
    ]
    assert over.mean(axis=1).reshape(SEATS.shape)[behind].max() <= 10.0 + 1e-9


def test_delay_pair_forecast_is_that_of_all_four(ways):
    delay = ways["delay"]
    rows = forecast([*PAIR, *delay.added], SEATS, LONG).mid_db.mean(axis=1)
    assert np.ptp(rows) == pytest.approx(delay.spread_db)
    assert "to keep the stage the source" in delay.text
    assert "rated for the weight" in delay.text


def test_coming_nearer_is_as_near_as_the_limit_asks(ways):
    rows = forecast(PAIR, SEATS, LONG).mid_db.mean(axis=1)
    nearer = ways["nearer"]
    kept = SEATS.along_m <= nearer.along_m
    assert np.ptp(rows[kept]) <= 6.0
    assert np.ptp(rows[: kept.sum() + 1]) > 6.0
