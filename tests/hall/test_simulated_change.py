"""The forecast of a move against the simulated hall's real change. More halls: bench/hall.py."""

import numpy as np

from evenhall.acoustics.bands import log_frequency_mean
from evenhall.hall.level import front_minus_back_db, mid_mean_db
from evenhall.hall.pair import best_stance
from evenhall.hall.search import Limits
from evenhall.hall.seats import usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.sound.simulated import Box, Element, SimulatedHall
from evenhall.sound.simulated import Room as SimulatedRoom

RATE_HZ = 10_000.0  # nothing above 4.5 kHz is asked for
FINE = 1 << 16


def real_db(room, speaker, people, seed):
    """Front less back of one box, mean of 200 Hz to 4 kHz, from its impulse responses."""
    width = room.width_m / 2
    rt60_s = tuple(room.rt60_s * np.linspace(1.1, 0.85, 8))
    simulated = SimulatedRoom(room.length_m, room.width_m, room.height_m, rt60_s, seed=seed)
    element = Element(Box(), (1.0, width - 2.2, speaker.height_m), down_deg=speaker.down_deg)
    rows = (people.first_row_m, people.last_row_m)
    spots = {str(row): (1.0 + row, width - 1.9, people.ear_height_m) for row in rows}
    hall = SimulatedHall(simulated, {"left": element}, spots)
    mids = []
    for spot in spots:
        impulse = hall.true_response("left", spot, rate_hz=RATE_HZ, microphone=False)
        power = np.abs(np.fft.rfft(impulse, FINE)) ** 2
        band_db = log_frequency_mean(power, spacing_hz=RATE_HZ / (FINE)) + 1e-30
        mids.append(mid_mean_db(10 * np.log10(band_db)))
    return float(mids[0] - mids[1])


def test_forecast_of_a_move_is_within_a_decibel_in_nine_of_ten_simulated_halls():
    # The forecast that moves are computed from. Of ten halls alone, chance decides: 40.
    errors_db = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        room = Room(rng.uniform(12, 20), rng.uniform(8, 12), 4.5, rt60_s=rng.uniform(0.6, 1.3))
        people = Audience(2.0, room.length_m - 3.5)
        boxes = Loudspeaker(1.8), Loudspeaker(2.8, float(rng.integers(7, 11)))
        expected_db = [mid_mean_db(front_minus_back_db(box, room, people)) for box in boxes]
        measured_db = [real_db(room, box, people, seed) for box in boxes]
        change_db = measured_db[1] - measured_db[0]
        assert change_db < -0.3  # there is something to forecast
        errors_db.append(float(expected_db[1] - expected_db[0] - change_db))
    assert np.sum(np.abs(errors_db) <= 1.0) >= 36, errors_db


def spread_db(room, pair, seats, seed):
    """Loudest less softest seat, both sides playing, as the simulated hall has it."""
    rt60_s = tuple(room.rt60_s * np.linspace(1.1, 0.85, 8))
    simulated = SimulatedRoom(room.length_m, room.width_m, room.height_m, rt60_s, seed=seed)
    elements = {
        box.name: Element(
            Box(),
            (box.along_m, box.across_m, box.height_m),
            down_deg=box.down_deg,
            turn_deg=box.turn_deg,
        )
        for box in pair
    }
    spots = {str(at): tuple(point) for at, point in enumerate(seats.point_m)}
    hall = SimulatedHall(simulated, elements, spots)
    mids = []
    for spot in spots:
        both = [
            np.fft.rfft(hall.true_response(name, spot, rate_hz=RATE_HZ, microphone=False), FINE)
            for name in elements
        ]
        band_db = log_frequency_mean(np.abs(sum(both)) ** 2, spacing_hz=RATE_HZ / (FINE))
        mids.append(mid_mean_db(10 * np.log10(band_db + 1e-30)))
    return float(np.ptp(mids))


def test_seats_are_not_promised_more_than_simulated_halls_give():
    # Told in full, for a room that answers as its size and decay say, it was more than a decibel
    # too much on average. Four halls at 108 seats: 0.6 dB a hall, so 0.3 dB in the mean.
    too_much_db = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        room = Room(rng.uniform(12, 20), rng.uniform(8, 12), 4.5, rt60_s=rng.uniform(0.6, 1.3))
        people = Audience(2.0, room.length_m - 3.5)
        pair = usual_pair(Loudspeaker(1.8), room)
        seats = usual_seats(people, room)
        found = best_stance(pair, seats, room, limits=Limits(max_height_m=2.8))
        assert found.gain_db > 0.2  # there is something to promise
        true_db = spread_db(room, pair, seats, seed) - spread_db(room, found.pair, seats, seed)
        too_much_db.append(found.gain_db - true_db)
    assert abs(np.mean(too_much_db)) <= 0.7, too_much_db
