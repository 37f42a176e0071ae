"""Whether the path stayed as it was through a take: the gain is known, as it was moved here."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import rooms
from evenhall.acoustics.steadiness import LevelHistory, joined_in, moved
from evenhall.acoustics.transfer import transfer_function

RATE_HZ = 48_000
LENGTH_S = 8.0


def measured(stimulus, gain=1.0, *, impulse=None, snr_db=30.0, added=0.0):
    """A take whose loudspeaker plays at this gain, shape (n_samples,) or a figure."""
    impulse = rooms.hall(RATE_HZ, 0.7, 5) if impulse is None else impulse
    sent = rooms.take(stimulus, impulse, RATE_HZ)
    heard = rooms.take(stimulus * gain, impulse, RATE_HZ).recording.astype(float)
    noise = np.random.default_rng(6).standard_normal(heard.size)
    heard += sent.signal_rms * (10.0 ** (-snr_db / 20.0) * noise + added)
    return transfer_function(heard.astype(np.float32), sent.reference, rate_hz=RATE_HZ)


def pink():
    return rooms.pink(LENGTH_S, RATE_HZ, np.random.default_rng(4))


def time_s(length_s=LENGTH_S):
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


def until(at_s, before=1.0, after=0.0):
    return np.where(time_s() < at_s, before, after)


@pytest.mark.parametrize("at_s", [2.0, 4.0, 6.5])
def test_noise_that_stops_is_dated(at_s):
    change = measured(pink(), until(at_s)).change
    assert change.by_db < -20.0
    assert abs(change.from_s - at_s) <= 0.5
    assert change.back_s == np.inf


def test_noise_that_comes_late_is_dated():
    change = measured(pink(), until(3.0, 0.0, 1.0)).change
    assert change.by_db > 20.0
    assert abs(change.to_s - 3.0) <= 0.5


def test_noise_that_is_gone_for_a_while_is_told_from_when_to_when():
    change = measured(pink(), 1.0 - until(5.5) + until(3.5)).change
    assert change.by_db < -20.0
    assert abs(change.from_s - 3.5) <= 0.5
    assert abs(change.back_s - 5.5) <= 0.5


@pytest.mark.parametrize("by_db", [-6.0, -3.0, -1.5, 3.0])
def test_step_of_the_gain_is_measured(by_db):
    response = measured(pink(), until(5.0, 1.0, 10.0 ** (by_db / 20.0)))
    # The response has a fifth as many taps as the take has samples: they take a part of the
    # step for themselves.
    assert 0.8 <= response.change.by_db / by_db <= 1.1
    assert abs(response.change.from_s - 5.0) <= 0.6
    assert response.gain_range_db > 1.0


def test_fade_is_told_from_when_to_when():
    fade_db = -3.0 * np.clip((time_s() - 2.0) / 4.0, 0.0, 1.0)
    change = measured(pink(), 10.0 ** (fade_db / 20.0)).change
    assert abs(change.by_db + 3.0) <= 0.5
    assert 2.0 <= change.from_s <= 3.5
    assert 4.5 <= change.to_s <= 6.5


def ends(fade_s):
    """Both ends faded: a click would be all there is of the treble."""
    return np.minimum(1.0, np.minimum(time_s(), LENGTH_S - time_s()) / fade_s)


def sub_alone(seed, gain=1.0, *, snr_db=-8.0):
    """A take of a sub behind a crossover at 80 Hz; in its band noise is 25 dB lower still."""
    noise = rooms.pink(LENGTH_S, RATE_HZ, np.random.default_rng(seed), low_hz=20.0, high_hz=120.0)
    sos = signal.butter(4, 80.0, fs=RATE_HZ, output="sos")
    whole = rooms.hall(RATE_HZ, 0.7, seed)
    impulse = signal.sosfilt(sos, whole) + 1e-4 * whole
    return measured(noise * ends(0.5), gain, impulse=impulse, snr_db=snr_db)


def sub_sweep(gain=1.0):
    """A sweep from 20 to 300 Hz, as a sub alone gets it."""
    tone = signal.chirp(time_s(), 20.0, LENGTH_S, 300.0, method="logarithmic", phi=-90)
    return measured(0.3 * tone * ends(0.05), gain)


def test_sub_alone_that_stays_moves_by_less_than_is_blamed():
    moved_db = [sub_alone(seed).gain_range_db for seed in range(8)]
    assert max(moved_db) <= 0.5


@pytest.mark.parametrize("by_db", [-60.0, -3.0, 3.0])
def test_sub_alone_that_steps_is_found_and_measured(by_db):
    change = sub_alone(2, until(5.0, 1.0, 10.0 ** (by_db / 20.0)), snr_db=12.0).change
    # Noise blurs when it was: a span is told.
    assert change.from_s - 0.6 <= 5.0 <= change.to_s + 0.6
    assert change.by_db < -20.0 if by_db < -20.0 else 0.8 <= change.by_db / by_db <= 1.2


def test_sweep_that_ends_at_300_hz_is_no_sound_that_stopped():
    assert sub_sweep().gain_range_db <= 1.0
    change = sub_sweep(until(5.4)).change
    assert change.by_db < -26.0
    assert abs(change.from_s - 5.4) <= 0.25


def test_noise_in_a_long_silence_is_followed_all_the_same():
    silence = np.zeros(24 * RATE_HZ)
    gain = np.append(np.ones(silence.size), until(5.0, 1.0, 10.0 ** (-3.0 / 20.0)))
    whole = np.append(silence, pink())
    assert measured(whole).gain_range_db <= 0.5
    assert measured(whole, gain).change.by_db == pytest.approx(-3.0, abs=0.6)


def test_horn_that_shuts_down_moves_its_own_zone_alone():
    whole = pink()
    woofer = signal.sosfiltfilt(signal.butter(4, 1500.0, fs=RATE_HZ, output="sos"), whole)
    horn_gain = until(4.0, 1.0, 0.3)
    impulse = rooms.hall(RATE_HZ, 0.7, 5)
    heard = rooms.take(woofer + (whole - woofer) * horn_gain, impulse, RATE_HZ).recording
    reference = rooms.take(whole, impulse, RATE_HZ).reference
    change = transfer_function(heard, reference, rate_hz=RATE_HZ).change
    assert change.by_db < -6.0
    assert abs(change.from_s - 4.0) <= 0.5


@pytest.mark.parametrize("snr_db", [40.0, 20.0, 10.0])
@pytest.mark.parametrize(
    "stimulus", [pink(), rooms.sweep(LENGTH_S, RATE_HZ)], ids=["pink", "sweep"]
)
def test_path_that_stays_moves_by_less_than_is_blamed(stimulus, snr_db):
    assert measured(stimulus, snr_db=snr_db).gain_range_db <= 0.5


@pytest.mark.parametrize("at_s", [3.0, 4.0, 5.5])
def test_sweep_that_stops_is_dated(at_s):
    change = measured(rooms.sweep(LENGTH_S, RATE_HZ), until(at_s)).change
    assert change.by_db < -26.0
    assert abs(change.from_s - at_s) <= 0.25


def test_sweep_that_is_gone_for_a_second_is_told_from_when_to_when():
    change = measured(rooms.sweep(LENGTH_S, RATE_HZ), 1.0 - until(5.5) + until(4.5)).change
    assert change.by_db < -26.0
    assert abs(change.from_s - 4.5) <= 0.6 or abs(change.back_s - 5.5) <= 0.25


@pytest.mark.parametrize(
    ("kind", "corner_hz"), [("low", 5000.0), ("low", 12_000.0), ("high", 100.0), ("high", 300.0)]
)
def test_crossover_of_48_db_an_octave_is_no_break(kind, corner_hz):
    sos = signal.butter(8, corner_hz, kind, fs=RATE_HZ, output="sos")
    whole = rooms.hall(RATE_HZ, 0.7, 5)
    impulse = signal.sosfilt(sos, whole) + 1e-4 * whole  # no filter takes all away
    assert measured(rooms.sweep(LENGTH_S, RATE_HZ), impulse=impulse).gain_range_db <= 1.0


def test_player_that_cuts_off_at_16_khz_is_no_break():
    impulse = np.convolve(rooms.hall(RATE_HZ, 0.7, 5), signal.firwin(1023, 16e3, fs=RATE_HZ))
    assert measured(rooms.sweep(LENGTH_S, RATE_HZ), impulse=impulse).gain_range_db <= 1.0


def test_slam_during_a_sweep_is_no_break():
    n = round((LENGTH_S + rooms.AFTER_S) * RATE_HZ)
    slam = 10.0 * rooms.slams(n, RATE_HZ, np.random.default_rng(1), [4.0], decay_s=0.15)
    assert measured(rooms.sweep(LENGTH_S, RATE_HZ), added=slam).gain_range_db <= 1.0


def test_hiss_that_sets_in_is_dated_and_one_that_was_there_is_not_told():
    over_s = time_s(LENGTH_S + rooms.AFTER_S)
    hiss = 0.3 * np.random.default_rng(7).standard_normal(over_s.size)
    late = np.where(over_s < 5.0, 0.0, hiss)
    assert abs(measured(pink(), snr_db=40.0, added=late).joined_s - 5.0) <= 0.6
    assert measured(pink(), snr_db=40.0, added=hiss).joined_s is None


def test_too_few_pieces_tell_nothing():
    few = np.ones((3, 4))
    history = LevelHistory(np.arange(3.0), few, 0.01 * few, few > 0.0, 0.0 * few, few)
    assert moved(history) == (0.0, None)
    assert joined_in(history) is None
