"""Seats, several loudspeakers, reflections: closed forms and another library's image sources."""

from dataclasses import replace

import numpy as np
import pyroomacoustics
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ, log_frequency_mean
from evenhall.errors import InputError
from evenhall.hall.field import band_coherence, forecast, forecast_points
from evenhall.hall.level import level_by_row
from evenhall.hall.pattern import MeasuredPattern, NominalPattern
from evenhall.hall.seats import Placed, Seats, check_places, directions, usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.hall.surfaces import even_absorption

OUTDOORS = Room()
HALL = Room(18.0, 10.0, 4.5, rt60_s=0.9)
BASS, KILO = 7, 17  # 100 Hz, 1 kHz
ROUND = MeasuredPattern(
    np.array([10.0, 30e3]), np.array([0.0, 180.0]), np.zeros((2, 2)),
    np.array([0.0, 180.0]), np.zeros((2, 2)),
)  # fmt: skip
SPEED_M_S = 343.2


def test_direct_sound_of_one_box_is_the_closed_form():
    # 20 lg(1/r), and -6 dB at half the nominal angle: r = 5 m, box turned 45 degrees away.
    box = Placed("left", 0.0, 0.0, 1.2, turn_deg=45.0, pattern=NominalPattern(90.0, 60.0))
    field = forecast_points([box], np.array([[5.0, 0.0, 1.2]]), OUTDOORS)
    assert abs(field.direct_db[0, KILO] - (-13.979 - 6.0)) <= 0.1
    # At 100 Hz a tenth as narrow: 90 degrees off a 900-degree beam.
    assert abs(field.direct_db[0, BASS] + 13.979) <= 0.1


def test_one_box_down_its_axis_is_the_forecast_of_the_rows():
    # Our older module, itself held to the closed form: the two must not part.
    rows = level_by_row(Loudspeaker(2.6, 7.0), OUTDOORS, Audience(2.0, 14.0), row_m=[2, 6, 14])
    box = Placed("left", 1.0, 5.0, 2.6, 7.0)
    points = np.array([[3.0, 5.0, 1.2], [7.0, 5.0, 1.2], [15.0, 5.0, 1.2]])
    assert np.allclose(forecast_points([box], points, OUTDOORS).direct_db, rows.direct_db)


def test_directions_are_those_of_geometry():
    # Straight ahead; 30 degrees to the right; 20 below; tipped 20 down that last is ahead.
    ahead = np.array([[1.0, 0.0, 0.0], [np.cos(np.pi / 6), 0.5, 0.0],
                      [np.cos(np.pi / 9), 0.0, -np.sin(np.pi / 9)], [-1.0, 0.0, 0.0]])  # fmt: skip
    across, down = directions(ahead, np.array([0.0, 20.0]), np.array([0.0, 0.0]))
    assert across[0, :3] == pytest.approx([0.0, 30.0, 0.0], abs=1e-6)
    assert down[0, :3] == pytest.approx([0.0, 0.0, 20.0], abs=1e-6)
    assert np.hypot(across[1, 2], down[1, 2]) == pytest.approx(0.0, abs=1e-6)
    turned = directions(ahead, np.array([0.0]), np.array([30.0]))
    assert turned[0][0, 1] == pytest.approx(0.0, abs=1e-6)
    assert turned[0][0, 0] == pytest.approx(-30.0, abs=1e-6)


# Several loudspeakers


def pair(turn_deg=0.0):
    return [
        Placed("left", 0.0, 3.0, 1.2, pattern=ROUND),
        Placed("right", 0.0, 7.0, 1.2, pattern=ROUND),
    ]


def test_two_boxes_add_as_pressures_on_the_centre_line():
    # +6.02 dB re one: two equal sources in phase; exactly there, at every frequency
    point = np.array([[8.0, 5.0, 1.2]])
    both, one = (
        forecast_points(boxes, point, OUTDOORS).direct_db for boxes in (pair(), pair()[:1])
    )
    assert np.abs(both - one - 6.0206).max() <= 0.01


def test_two_boxes_add_as_powers_far_from_the_centre_line():
    # +3.01 dB re the power mean, where delay times bandwidth is far over 1
    point = np.array([[3.0, 1.0, 1.2]])
    both = forecast_points(pair(), point, OUTDOORS).direct_db[0]
    each = [forecast_points([box], point, OUTDOORS).direct_db[0] for box in pair()]
    powers = 10 * np.log10(sum(10 ** (level / 10) for level in each))
    late_s = (np.hypot(3.0, 6.0) - np.hypot(3.0, 2.0)) / SPEED_M_S
    wide = (UPPER_HZ - LOWER_HZ) * late_s > 5.0
    assert wide.sum() >= 9
    assert np.abs(both - powers)[wide].max() <= 0.3
    # and at 20 Hz, a third of the wavelength off, nearly as pressures
    bass = 20 * np.log10(sum(10 ** (level[0] / 20) for level in each))
    phase = 2 * np.pi * EXACT_HZ[0] * late_s
    assert abs(both[0] - bass - 20 * np.log10(np.cos(phase / 2))) <= 0.25


@pytest.mark.parametrize(
    ("phase_deg", "level_db"),
    # 20 lg(2 cos(phi / 2)): closed form
    [(0, 6.021), (60, 4.771), (90, 3.010), (120, 0.0), (150, -5.719)],
)
def test_two_tones_of_given_phase_add_as_the_closed_form(phase_deg, level_db):
    # A band a thousandth wide is a tone.
    delay_s = phase_deg / 360 / 1000.0
    joined = band_coherence(delay_s, lower_hz=[999.5], upper_hz=[1000.5]).item()
    assert abs(10 * np.log10(2 + 2 * joined) - level_db) <= 0.02


def test_band_coherence_is_the_mean_over_log_frequency():
    # Second method: numerical mean over 20 001 frequencies of the band.
    delay_s = np.array([0.0002, 0.0011, 0.0173])
    log_hz = np.linspace(np.log(LOWER_HZ), np.log(UPPER_HZ), 20_001)
    for at, delay in enumerate(delay_s):
        mean = np.trapezoid(np.cos(2 * np.pi * np.exp(log_hz) * delay), dx=1.0, axis=0) / 20_000
        assert np.abs(band_coherence(delay_s)[at] - mean).max() <= 1e-3


def test_a_seat_hears_no_lobe_narrower_than_itself():
    # At 4 kHz the centre lobe of boxes 4 m apart is 0.1 m wide at 5 m: a seat hears +3, not +6.
    seats = Seats(np.array([5.0]), np.array([5.0]))
    both = forecast(pair(), seats, OUTDOORS).direct_db[0]
    one = forecast(pair()[:1], seats, OUTDOORS).direct_db[0]
    assert abs((both - one)[23] - 3.01) <= 0.5
    assert abs((both - one)[0] - 6.02) <= 0.1


def test_delayed_box_no_longer_adds_as_pressure():
    point = np.array([[8.0, 5.0, 1.2]])
    left, right = pair()
    late = Placed("right", 0.0, 7.0, 1.2, pattern=ROUND, delay_s=0.010)
    early = forecast_points([left, late], point, OUTDOORS).direct_db[0]
    assert (
        abs(early[KILO] - forecast_points([left], point, OUTDOORS).direct_db[0, KILO] - 3.0) < 0.5
    )
    # 50 Hz, 10 ms: opposed
    assert early[4] < forecast_points([left], point, OUTDOORS).direct_db[0, 4] - 5.0
    assert right.delay_s == 0.0


# Reflections


@pytest.mark.parametrize("seed", range(6))
def test_early_part_is_that_of_another_library(seed):
    # pyroomacoustics, direct sound and six first images, as the band levels of its response
    rng = np.random.default_rng(seed)
    size = rng.uniform([9, 6, 3], [20, 12, 6])
    source, place = (rng.uniform([0.5, 0.5, 0.8], size - 0.5) for _ in range(2))
    absorbed = rng.uniform(0.1, 0.5)
    kept = pyroomacoustics.constants.get("rir_hpf_enable")
    pyroomacoustics.constants.set("rir_hpf_enable", False)
    try:
        room = pyroomacoustics.ShoeBox(size, fs=48_000, max_order=1, air_absorption=False,
                                       materials=pyroomacoustics.Material(absorbed))  # fmt: skip
        room.add_source(source)
        room.add_microphone(place)
        room.compute_rir()
    finally:
        pyroomacoustics.constants.set("rir_hpf_enable", kept)
    n_fft = 1 << 17
    power = np.abs(np.fft.rfft(room.rir[0][0], n_fft)) ** 2
    theirs_db = 10 * np.log10(log_frequency_mean(power, spacing_hz=48_000 / n_fft))
    # Their direct sound at 1 m: told by a second response far from everything, or by theory.
    box = Placed("left", *source, pattern=ROUND)
    room = Room(*size, rt60_s=1.0)
    ours = forecast_points([box], place[None], room, absorption=np.full((6, 31), absorbed))
    rest = 10 ** (ours.reverberant_db / 10)
    early_db = 10 * np.log10(10 ** (ours.total_db / 10) - rest)
    air_db = ours.direct_db[0] + 20 * np.log10(np.linalg.norm(source - place))
    error_db = early_db[0] - air_db - theirs_db
    error_db = error_db[:30]  # their fractional delays roll off at 20 kHz
    scale_db = np.median(error_db)
    # they scale by 1 / r or by 1 / (4 pi r), as the version may be
    assert min(abs(scale_db), abs(scale_db - 20 * np.log10(4 * np.pi))) <= 0.2
    assert np.abs(error_db - scale_db).max() <= 1.0


def test_floor_under_an_ear_on_it_doubles_the_pressure():
    # Both on a hard floor: direct and reflected arrive together, +6.02 dB
    floor = np.ones((6, 31))
    floor[4] = 0.0
    box = Placed("left", 5.0, 5.0, 0.0, pattern=ROUND)
    open_hall = replace(HALL, rt60_s=None)
    field = forecast_points([box], np.array([[9.0, 5.0, 0.0]]), open_hall, absorption=floor)
    assert np.abs(field.total_db - field.direct_db - 6.0206).max() <= 0.01


def test_total_follows_image_sources_of_all_orders():
    # pyroomacoustics' images to order 60, power sum, no air; walls absorbing what Sabine's 0.9 s
    # asks for, as the revised theory is Sabine's
    absorbed = 24 * np.log(10) / 343.2 * 810 / (612 * 0.9)
    room = pyroomacoustics.ShoeBox([18.0, 10.0, 4.5], max_order=60,
                                   materials=pyroomacoustics.Material(absorbed))  # fmt: skip
    room.add_source([1.0, 3.1, 2.0])
    ears = np.array([[3.0, 7.0, 11.0, 15.0], [4.1, 6.3, 2.7, 5.2], [1.2] * 4])
    room.add_microphone(ears)
    room.image_source_model()
    source = room.sources[0]
    path_m = np.linalg.norm(source.images[:, None, :] - ears[:, :, None], axis=0)
    theirs_db = 10 * np.log10(((source.damping[0] / path_m) ** 2).sum(axis=1))
    box = Placed("left", 1.0, 3.1, 2.0, pattern=ROUND)
    walls = np.full((6, 31), absorbed)
    ours = forecast_points([box], ears.T, HALL, absorption=walls).total_db[:, 18:22].mean(axis=1)
    assert np.abs(ours - theirs_db).max() <= 1.0


def test_surfaces_absorb_what_a_known_time_asks_for():
    # 18 x 10 x 4.5 m, 0.9551 s after Eyring with a mean absorption of 0.20 (pyroomacoustics,
    # c = 343.2, no air): the air of 1 kHz takes some of it here.
    room = Room(18.0, 10.0, 4.5, rt60_s=0.9551)
    absorbed = even_absorption(room)
    taken = -np.log1p(-absorbed) * 612.0 + 4.0 * room.air_db_per_m(1000.0) * np.log(10) / 10 * 810.0
    assert absorbed.shape == (6, 31)
    assert np.abs(1.0 - np.exp(-taken / 612.0) - 0.2).max() <= 5e-4
    assert even_absorption(Room(18.0, 10.0)) is None


# Places


def test_bad_places_get_a_line_each():
    seats = usual_seats(Audience(2.0, 14.0), HALL)
    boxes = [Placed("left", 1.0, -1.0, 2.0), Placed("right", 1.0, 7.0, 6.0, down_deg=120.0)]
    with pytest.raises(InputError) as caught:
        check_places(boxes, seats, HALL)
    assert len(caught.value.faults) == 3
    assert "left across_m = -1 is outside the room (width_m = 10)" in caught.value.faults[0]
    with pytest.raises(InputError, match=r"Seats from 3 to 25 m do not lie in the room"):
        check_places(boxes[:0], usual_seats(Audience(2.0, 24.0), HALL), HALL)
    with pytest.raises(InputError, match=r"within 0.3 m of somebody's ear"):
        check_places([Placed("left", 3.0, 1.1, 1.3)], seats, HALL)


def test_usual_pair_and_seats_are_symmetric():
    left, right = usual_pair(Loudspeaker(2.0), HALL)
    seats = usual_seats(Audience(2.0, 14.0), HALL)
    assert left.across_m + right.across_m == pytest.approx(10.0)
    assert seats.shape == (12, 9)
    mid = forecast([left, right], seats, HALL).mid_db
    assert np.allclose(mid, mid[:, ::-1], atol=1e-9)
    assert mid[0].mean() > mid[-1].mean()


@settings(max_examples=20, deadline=None)
@given(st.floats(1.0, 12.0), st.floats(0.5, 9.5), st.floats(0.3, 3.0))
def test_a_livelier_room_is_never_softer(along_m, across_m, rt60_s):
    point = np.array([[2.0 + along_m, across_m, 1.2]])
    box = Placed("left", 1.0, 4.0, 2.4)
    open_air, live = (
        forecast_points([box], point, room) for room in (OUTDOORS, Room(18, 10, 4.5, rt60_s=rt60_s))
    )
    assert (10.0 ** (live.total_db / 10.0) > 10.0 ** (live.reverberant_db / 10.0)).all()
    assert np.allclose(open_air.direct_db, live.direct_db)
