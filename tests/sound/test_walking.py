"""The walking microphone against closed forms, convolution, and the room in which one stands."""

import numpy as np
import pytest

from evenhall.acoustics.air import air_absorption_db_per_m, speed_of_sound_m_s
from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ, log_frequency_mean
from evenhall.acoustics.stimulus import pink_noise
from evenhall.sound.simulated import Box, Element, Room
from evenhall.sound.simulated.room import room_response
from evenhall.sound.simulated.walking import Source, Walk, place_response

RATE_HZ = 16_000  # but where the treble is asked for: three times quicker
ROOM = Room(16.0, 9.0, 4.2, rt60_s=(0.95, 0.85, 0.75, 0.66, 0.6, 0.58, 0.55, 0.5))
SPEED_M_S = speed_of_sound_m_s(ROOM.temperature_c)
BOX = Element(Box(), (0.9, 2.2, 1.6), turn_deg=8.0)
LEFT = Source(BOX.position_m, BOX.off_axis_db)
RIGHT = Source((0.9, 6.8, 1.6), impulse=0.5 * np.eye(1, 40, 17)[0])
# Down one aisle, across the back, up the other: some 0.8 m/s.
CORNERS_M = np.array([(2.9, 2.3, 1.2), (13.4, 2.3, 1.2), (13.4, 6.8, 1.2), (2.9, 6.8, 1.2)])
CORNERS_S = np.array((0.0, 13.5, 19.5, 33.0))
BANDS = (NOMINAL_HZ >= 63) & (NOMINAL_HZ <= 6300)


def walked(walk, programme, from_frame=0):
    return np.concatenate(list(walk.heard(programme, from_frame)))


def band_power(samples, n_fft, rate_hz=RATE_HZ):
    """Third-octave levels as power, those of `BANDS`."""
    power = np.abs(np.fft.rfft(samples, n_fft)) ** 2
    return log_frequency_mean(power, spacing_hz=rate_hz / n_fft)[BANDS]


def test_free_field_has_doppler_shift_and_inverse_distance_law():
    # A hall so large that no wall answers: x(t - r(t)/c) / r(t), and the air. Past the source.
    open_air = Room(200.0, 200.0, 200.0, rt60_s=(1.0,) * 8)
    source = (95.0, 100.0, 100.0)
    rate_hz = 48_000
    walk = Walk(
        open_air,
        [Source(source)],
        (0.2, 1.8),
        [(94.2, 101.0, 100.0), (96.2, 102.0, 100.0)],
        rate_hz=rate_hz,
    )
    t = np.arange(2 * rate_hz) / rate_hz
    x = np.interp(t, (0.2, 1.8), (94.2, 96.2)) - source[0]
    y = np.interp(t, (0.2, 1.8), (101.0, 102.0)) - source[1]
    distance_m = np.hypot(x, y)
    inside = slice(rate_hz // 5, 9 * rate_hz // 5)
    for freq_hz, within_db in ((500.0, 0.1), (4000.0, 0.1), (10_000.0, 0.1), (16_000.0, 0.3)):
        heard = walked(walk, np.sin(2.0 * np.pi * freq_hz * t))[: t.size]
        air_db = air_absorption_db_per_m(freq_hz, temperature_c=20.0, humidity_pct=50.0)
        turn = 2.0 * np.pi * freq_hz * (t - distance_m / SPEED_M_S)
        truth = np.exp(1j * turn) / distance_m * 10.0 ** (-air_db * distance_m / 20.0)
        # Complex gain of every 20 ms.
        parts = 2j * (heard / truth)[inside].reshape(-1, rate_hz // 50)
        gain = parts.mean(axis=1)
        assert np.abs(20.0 * np.log10(np.abs(gain))).max() <= within_db
        # The air's loss is a filter of least phase: some degrees, that the closed form has not.
        assert np.abs(np.degrees(np.angle(gain))).max() <= 5.0


@pytest.mark.parametrize("place_m", [(3.0, 2.3, 1.2), (12.5, 6.0, 1.2)])
def test_microphone_that_stands_hears_the_convolution_with_the_response_there(place_m):
    rate_hz = 48_000
    walk = Walk(ROOM, [LEFT, RIGHT], (0.0, 1.0), (place_m, place_m), rate_hz=rate_hz)
    noise = np.random.default_rng(2).standard_normal(6 * rate_hz)
    heard = walked(walk, noise)
    responses = [place_response(ROOM, one, place_m, rate_hz=rate_hz) for one in (LEFT, RIGHT)]
    n_fft = 1 << 19
    response = sum(np.fft.rfft(one, n_fft) for one in responses)
    truth = np.fft.irfft(np.fft.rfft(noise, n_fft) * response)[: heard.size]
    freq_hz = np.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    power, error = (
        np.histogram(freq_hz, (40, 200, 1000, 5000, 10_000, 14_000, 18_000), weights=abs(one) ** 2)[
            0
        ]
        for one in (np.fft.rfft(truth, n_fft), np.fft.rfft(heard[: truth.size] - truth, n_fft))
    )
    # As far off in all as a level would be that is wrong by so many dB.
    off_db = 20.0 * np.log10(1.0 + np.sqrt(error / power))
    assert off_db[:4].max() <= 0.1
    assert off_db[4:].max() <= 0.3


def test_walk_is_linear_and_parts_of_a_programme_add_up_to_the_whole():
    walk = Walk(ROOM, [LEFT], CORNERS_S, CORNERS_M, rate_hz=RATE_HZ)
    programme = np.random.default_rng(3).standard_normal(20 * RATE_HZ).astype(np.float32)
    whole = walked(walk, programme)
    cut = 7 * RATE_HZ + 1234  # within a block, and within a piece
    first, second = walked(walk, programme[:cut]), walked(walk, programme[cut:], cut)
    summed = np.zeros(whole.size)
    summed[: first.size] += first
    summed[cut : cut + second.size] += second
    # Single precision: 100 dB down.
    assert np.abs(summed - whole).max() <= 1e-5 * np.abs(whole).max()
    # Nothing is cut off at the end: by then it is as quiet as rounding.
    assert np.abs(whole[-100:]).max() <= 1e-5 * np.abs(whole).max()


def test_walked_noise_has_the_power_mean_of_the_places_it_was_carried_through():
    seconds = CORNERS_S[-1]
    noise = pink_noise(seconds, rate_hz=RATE_HZ, seed=5, level_dbfs=-20.0)
    walk = Walk(ROOM, [LEFT], CORNERS_S, CORNERS_M, rate_hz=RATE_HZ)
    heard = walked(walk, noise)
    n_fft = 1 << 20
    found = band_power(heard, n_fft) / band_power(noise, n_fft)
    places = []
    for at_s in (np.arange(160) + 0.5) / 160 * seconds:
        x, y, z = (np.interp(at_s, CORNERS_S, line) for line in CORNERS_M.T)
        impulse = place_response(ROOM, LEFT, (x, y, z), rate_hz=RATE_HZ)
        places.append(band_power(impulse, 1 << 15))
    truth = np.mean(places, axis=0)
    # Noise of bandwidth B in a time T is louder at some places by chance: the mean scatters by the
    # places' own scatter over sqrt(B T). So does that of 160 places where they are independent.
    bandwidth_hz = EXACT_HZ[BANDS] * (10.0**0.05 - 10.0**-0.05)
    scatter = np.std(places, axis=0) / truth
    chance = scatter * np.sqrt(1.0 / (bandwidth_hz * seconds) + 1.0 / 160)
    error = (found / truth - 1.0) / chance
    assert np.abs(error).max() <= 3.5  # of 21 bands
    assert np.sqrt(np.mean(error**2)) <= 1.5


def test_neighbouring_places_share_the_tail_as_in_a_diffuse_field():
    # Cook et al. 1955, from memory: sin(kr)/(kr) between the pressures at two places r apart.
    apart_m, n_rooms, n_fft = 0.3, 48, 1 << 15
    rng = np.random.default_rng(1)
    freq_hz = np.fft.rfftfreq(n_fft, 1.0 / RATE_HZ)
    kr = 2.0 * np.pi * freq_hz * apart_m / SPEED_M_S
    edges = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0)
    shared, power = np.zeros((2, len(edges) - 1))
    for seed in range(n_rooms):
        room = Room(*ROOM.size_m, rt60_s=(0.8,) * 8, seed=seed)
        here = rng.uniform(0.25, 0.75, 3) * ROOM.size_m
        aside = rng.standard_normal(3)
        there = here + apart_m * aside / np.linalg.norm(aside)
        one, other = (
            np.fft.rfft(
                place_response(room, RIGHT, tuple(place), rate_hz=RATE_HZ)[RATE_HZ // 8 :], n_fft
            )
            for place in (here, there)
        )
        shared += np.histogram(kr, edges, weights=(one * other.conj()).real)[0]
        power += np.histogram(kr, edges, weights=abs(one) ** 2 + abs(other) ** 2)[0] / 2.0
    theory = np.histogram(kr, edges, weights=np.sinc(kr / np.pi))[0] / np.histogram(kr, edges)[0]
    # In one room these scatter by 0.15, of 48 the mean by 0.02: four times that, and 0.02 for 20
    # waves instead of all.
    assert np.abs(shared / power - theory).max() <= 0.1


def test_level_and_decay_are_those_of_the_room_in_which_the_microphone_stands():
    rng = np.random.default_rng(7)
    n_fft = 1 << 16
    power = {"walk": [], "room": []}
    late = {"walk": [], "room": []}
    rooms = [Room(*ROOM.size_m, rt60_s=ROOM.rt60_s, seed=seed) for seed in range(10)]
    for room in rooms:
        for place in rng.uniform((0.2, 0.1, 0.1), (0.9, 0.9, 0.9), (6, 3)) * ROOM.size_m:
            ours = place_response(room, LEFT, tuple(place), rate_hz=RATE_HZ)
            theirs = room_response(
                room, LEFT.position_m, tuple(place), rate_hz=RATE_HZ, off_axis_db=LEFT.off_axis_db
            )
            for name, impulse in (("walk", ours), ("room", theirs)):
                power[name].append(band_power(impulse, n_fft))
                late[name].append(
                    [
                        band_power(impulse[begin:][:800], n_fft)
                        for begin in range(RATE_HZ // 10, RATE_HZ // 2, 800)
                    ]
                )
    use = NOMINAL_HZ[BANDS] >= 125  # below, 50 ms are too short
    mean = {name: np.mean(one, axis=0) for name, one in power.items()}
    level_db = 10.0 * np.log10(mean["walk"] / mean["room"])
    # What 60 places leave to chance, in either room.
    chance_db = 4.34 * np.hypot(*(np.std(power[one], axis=0) / mean[one] for one in mean)) / 60**0.5
    assert np.abs(level_db / chance_db).max() <= 3.5  # of 21 bands
    assert abs(level_db[NOMINAL_HZ[BANDS] >= 200].mean()) <= 0.3
    decay_db = {
        name: np.polyfit(np.arange(8) * 0.05, 10.0 * np.log10(np.mean(one, axis=0))[:, use], 1)[0]
        for name, one in late.items()
    }
    ratio = decay_db["walk"] / decay_db["room"]
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.02)
    # What 60 places and eight spans of 50 ms leave to chance.
    assert np.std(ratio) <= 0.08
