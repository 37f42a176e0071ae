"""The simulated devices by a clock of the test's own: what is due, heard, stopped and refused."""

from __future__ import annotations

import numpy as np
import pytest

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, UPPER_HZ
from evenhall.acoustics.level import rms_dbfs
from evenhall.acoustics.stimulus import pink_noise
from evenhall.acoustics.transfer import transfer_function
from evenhall.errors import DeviceError, InputError
from evenhall.sound.live.capture import DEAD_S, capture
from evenhall.sound.live.engine import FADE_S, LEASE_S
from evenhall.sound.live.open_devices import LIMIT_S, RING_S, ramped
from evenhall.sound.live.simulated import (
    CONVERTER_DBFS,
    LATE_S,
    SIMULATED_SETUP,
    SimulatedDevices,
)
from evenhall.sound.simulated import Noise
from hallclock import HallClock

RATE_HZ = 48_000
SILENT = Noise(level_dbfs=-np.inf)
DELAY = 480  # 10 ms


def box():
    """Direct sound, a reflection, and a tail."""
    rng = np.random.default_rng(5)
    response = np.zeros(24_000)
    response[DELAY] = 0.5
    response[DELAY + 331] = -0.2
    tail = np.arange(20_000)
    response[DELAY + 500 : DELAY + 20_500] += (
        0.01 * rng.standard_normal(20_000) * np.exp(-tail / 2500.0)
    )
    return response


RESPONSE = box()


class Clock:
    """Stands still until it is told to go on."""

    def __init__(self):
        self.now_s = 1000.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def devices(clock):
    """Devices in a hall without noise: its converter's is all that is heard beside the sound."""
    with SimulatedDevices(noise=SILENT, clock=clock) as opened:
        opened.connect(RESPONSE)
        yield opened


def noise(duration_s, level_dbfs=-30.0):
    return pink_noise(duration_s, rate_hz=RATE_HZ, seed=3, level_dbfs=level_dbfs)


def listen(devices, clock, seconds, *, alive=True, every_s=0.05):
    """Read as often as a take does; inputs, and what was sent."""
    heard = []
    for _ in range(round(seconds / every_s)):
        clock.now_s += every_s
        if alive:
            devices.keep_alive()
        heard.append(devices.read())
    inputs = np.concatenate([part.inputs[:, 0] for part in heard])
    return inputs, np.concatenate([part.sent for part in heard])


def assert_answer(inputs, sent):
    """Compare with numpy's convolution: the rest is the converter's noise."""
    error = inputs - np.convolve(sent.astype(np.float64), RESPONSE)[: inputs.size]
    assert rms_dbfs(error) == pytest.approx(CONVERTER_DBFS, abs=0.5)
    assert rms_dbfs(inputs) > CONVERTER_DBFS + 40.0


def true_levels_db():
    """Third-octave levels straight from the response: power averaged over log frequency."""
    n = 1 << 20
    power = np.abs(np.fft.rfft(RESPONSE, n)) ** 2
    hz = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    levels = []
    for low, high in zip(LOWER_HZ, UPPER_HZ, strict=True):
        inside = (hz >= low) & (hz < high)
        levels.append(10.0 * np.log10(np.average(power[inside], weights=1.0 / hz[inside])))
    return np.array(levels)


@pytest.mark.parametrize("pace", [1.0, 4.0])
def test_frames_are_due_by_the_clock_times_the_pace(clock, pace):
    devices = SimulatedDevices(pace=pace, clock=clock)
    sizes = []
    for step_s in (0.02, 0.0, 0.1, 1e-5, 0.03):
        clock.now_s += step_s
        heard = devices.read()
        assert heard.inputs.shape == (heard.sent.size, 1)
        sizes.append(heard.sent.size)
    assert sizes[1] == 0
    assert abs(sizes[2] - 0.1 * pace * RATE_HZ) <= 1
    assert abs(sum(sizes) - 0.15001 * pace * RATE_HZ) <= 1
    assert devices.read_frames == sum(sizes)
    assert devices.lost() == ()


def test_hall_waits_where_nobody_reads_for_long(clock):
    devices = SimulatedDevices(clock=clock)
    clock.now_s += 3600.0
    assert devices.read().sent.size == RING_S * RATE_HZ
    clock.now_s += 0.5
    assert abs(devices.read().sent.size - 0.5 * RATE_HZ) <= 1


def test_microphone_hears_the_response_to_all_that_was_sent(devices, clock):
    listen(devices, clock, 0.3)
    signal = noise(2.0)
    devices.play(signal)
    assert devices.playing
    assert devices.ended == ""
    inputs, sent = listen(devices, clock, 3.0)
    assert (devices.playing, devices.ended) == (False, "finished")
    assert devices.played_frames == signal.size
    np.testing.assert_array_equal(sent[: signal.size], ramped(signal, RATE_HZ))
    assert not sent[signal.size :].any()
    assert_answer(inputs, sent)


def test_second_sound_plays_into_what_still_rings_and_another_box_does_not_change_that(
    devices, clock
):
    devices.play(noise(1.0))
    first, first_sent = listen(devices, clock, 1.05)
    devices.connect(-0.5 * RESPONSE)
    devices.play(noise(1.0))
    second, second_sent = listen(devices, clock, 2.0)
    whole = np.concatenate([first, second])
    truth = np.convolve(np.append(first_sent, np.zeros(second.size)), RESPONSE)[: whole.size]
    truth[first.size :] -= 0.5 * np.convolve(second_sent, RESPONSE)[: second.size]
    assert rms_dbfs(whole - truth) == pytest.approx(CONVERTER_DBFS, abs=0.5)


def test_stop_fades_at_once_and_the_room_rings_on(devices, clock):
    signal = noise(10.0)
    devices.play(signal)
    before, sent_before = listen(devices, clock, 1.5)
    clock.now_s += 0.01
    devices.stop()
    after, sent_after = listen(devices, clock, 1.0)
    assert devices.ended == "stopped"
    asked = round(0.01 * RATE_HZ)
    last = int(np.flatnonzero(sent_after)[-1])
    assert asked <= last <= asked + FADE_S * RATE_HZ
    assert devices.played_frames == sent_before.size + asked + round(FADE_S * RATE_HZ)
    # No step in it: what fades lies below what was to be sent, and ends in nothing.
    faded = sent_after[asked : last + 1]
    wanted = signal[sent_before.size + asked :][: faded.size]
    gain = faded[np.abs(wanted) > 1e-3] / wanted[np.abs(wanted) > 1e-3]
    assert np.all(np.diff(gain) < 1e-3)
    assert gain[0] > 0.99
    assert gain[-1] < 0.01
    # It rings on, and as the answer to what was really sent.
    assert rms_dbfs(after[last + 480 : last + 960]) > CONVERTER_DBFS + 40.0
    assert_answer(np.append(before, after), np.append(sent_before, sent_after))


def test_stop_once_more_or_with_nothing_playing_does_nothing(devices, clock):
    devices.stop()
    assert (devices.ended, devices.played_frames) == ("", 0)
    devices.play(noise(1.0))
    listen(devices, clock, 0.3)
    devices.stop()
    clock.now_s += 0.002
    devices.stop()
    _, sent = listen(devices, clock, 0.2)
    assert np.flatnonzero(sent)[-1] < FADE_S * RATE_HZ


@pytest.mark.parametrize("way", ["reads on", "does nothing", "comes back late"])
def test_sound_fades_when_the_asker_falls_silent(devices, clock, way):
    devices.play(noise(10.0))
    sent_before = listen(devices, clock, 0.5)[1].size
    if way == "reads on":
        _, sent = listen(devices, clock, LEASE_S + 1.0, alive=False)
    else:
        clock.now_s += LEASE_S + 1.0
        if way == "comes back late":
            devices.keep_alive()
        sent = devices.read().sent
    assert devices.ended == "asker gone"
    end = np.flatnonzero(sent)[-1]
    assert LEASE_S * RATE_HZ - 1 <= end <= (LEASE_S + FADE_S) * RATE_HZ
    assert abs(devices.played_frames - sent_before - end) <= 2


def test_lease_is_of_the_clock_at_any_pace(clock):
    devices = SimulatedDevices(pace=4.0, clock=clock)
    devices.play(noise(20.0))
    clock.now_s += LEASE_S - 0.01
    devices.keep_alive()
    clock.now_s += LEASE_S - 0.01
    assert devices.playing
    clock.now_s += 0.02 + FADE_S
    assert devices.ended == "asker gone"


def test_busy_asker_can_play_again(devices, clock):
    clock.now_s += 3.0 * LEASE_S
    devices.play(noise(1.0))
    listen(devices, clock, 1.5)
    assert devices.ended == "finished"


def test_peaks_above_the_ceiling_are_refused_until_it_is_raised(devices, clock):
    loud = noise(1.0, level_dbfs=-16.0)
    with pytest.raises(InputError, match=r"would pass the ceiling of -10 dBFS\. Lower the lev"):
        devices.play(loud)
    assert not devices.playing
    raised = SimulatedDevices(ceiling_dbfs=0.0, clock=clock)
    raised.play(loud)
    assert raised.playing


def test_two_sounds_at_once_and_one_without_end_are_refused(devices):
    with pytest.raises(InputError, match=r"No sound may last longer than 130 s\."):
        devices.play(np.full(round(LIMIT_S * RATE_HZ) + 1, 0.1))
    devices.play(noise(2.0))
    with pytest.raises(InputError, match="Something plays already"):
        devices.play(noise(2.0))


def test_input_is_never_at_zero(devices, clock):
    inputs, _ = listen(devices, clock, 2.0 * DEAD_S)
    assert inputs.all()
    assert rms_dbfs(inputs) == pytest.approx(CONVERTER_DBFS, abs=0.5)


def test_noise_is_as_loud_as_asked_goes_on_without_a_seam_and_follows_from_its_seed(clock):
    def quiet(seed):
        devices = SimulatedDevices(noise=Noise(-50.0, hum_hz=50.0), seed=seed, clock=clock)
        return listen(devices, clock, 30.0, every_s=0.5)[0]

    first = quiet(1)
    assert rms_dbfs(first) == pytest.approx(-50.0, abs=0.5)
    seam = 20 * RATE_HZ
    assert np.abs(np.diff(first[seam - 2 : seam + 2])).max() <= np.abs(np.diff(first)).max() * 0.9
    np.testing.assert_array_equal(first, quiet(1))
    assert np.abs(first - quiet(2)).max() > 1e-3


def test_input_that_is_too_loud_clips_at_full_scale(devices, clock):
    devices.connect(100.0 * RESPONSE)
    devices.play(noise(2.0))
    inputs, _ = listen(devices, clock, 2.0)
    assert np.abs(inputs).max() == 1.0


def test_gain_is_turned_in_mid_sound_and_leaves_what_is_sent_alone(devices, clock):
    devices.play(noise(4.0))
    before = listen(devices, clock, 2.0)
    devices.turn_gain(7.0)
    after = listen(devices, clock, 1.0)
    inputs, sent = (np.concatenate(parts) for parts in zip(before, after, strict=True))
    truth = np.convolve(sent.astype(np.float64), RESPONSE)[: inputs.size]
    truth[before[0].size :] *= 10.0 ** (7.0 / 20.0)
    assert rms_dbfs(inputs - truth) < CONVERTER_DBFS + 7.0
    assert rms_dbfs(inputs) > CONVERTER_DBFS + 40.0


def test_device_that_is_pulled_out_is_told_in_the_words_of_a_real_one(devices, clock):
    devices.play(noise(5.0))
    listen(devices, clock, 0.5)
    devices.unplug()
    assert not devices.playing
    with pytest.raises(DeviceError, match=r'"Simulated hall" stopped in the middle: it was pulled'):
        devices.read()


def test_capture_through_it_measures_the_true_response_within_a_tenth_of_a_db():
    with SimulatedDevices(noise=Noise(-90.0), clock=HallClock()) as devices:
        devices.connect(RESPONSE)
        captured = capture(devices, noise(10.0), length_s=10.0, tail_s=1.0)
    assert captured.ended == "finished"
    assert captured.lost == ()
    assert captured.reference is not None
    response = transfer_function(captured.microphone, captured.reference, rate_hz=RATE_HZ)
    inside = (EXACT_HZ > 80.0) & (EXACT_HZ < 17_000.0)
    assert response.bands.usable[inside].all()
    error_db = (response.bands.level_db - true_levels_db())[inside]
    assert np.abs(error_db).max() <= 0.1
    assert abs(response.delay_s - DELAY / RATE_HZ) <= 1e-5
    assert response.polarity == 1


def test_capture_stops_at_once():
    with SimulatedDevices(clock=HallClock()) as devices:
        devices.connect(RESPONSE)
        heard = []
        captured = capture(
            devices,
            noise(60.0),
            length_s=60.0,
            on_block=lambda block: heard.append(len(block)),
            stop_wanted=lambda: sum(heard) > 4 * RATE_HZ,
        )
        assert captured.ended == "stopped"
        assert captured.microphone.size < 30 * RATE_HZ


def test_setup_claims_what_holds():
    assert SIMULATED_SETUP.one_clock
    assert SIMULATED_SETUP.plays
    assert (SIMULATED_SETUP.latency_s, SIMULATED_SETUP.last_input) == (0.0, 1)


def test_unit_in_the_way_is_heard_from_the_next_frame_on(devices, clock):
    noise = pink_noise(2.0, rate_hz=RATE_HZ, seed=8, level_dbfs=-30.0)
    half = np.zeros(400)
    half[0] = 0.5
    devices.put_in(np.eye(1, 400)[0])
    devices.play(noise)
    clock.now_s += 1.5
    before = devices.read().inputs[:, 0]
    devices.put_in(half)
    clock.now_s += 0.4
    after = devices.read().inputs[:, 0]
    whole = np.convolve(ramped(noise, RATE_HZ), RESPONSE[:24_000].astype(np.float32))
    # The converter's noise at -115 dBFS is all that may be between.
    assert np.abs(before - whole[: before.size]).max() <= 5e-5
    assert np.abs(after - 0.5 * whole[before.size :][: after.size]).max() <= 5e-5


def swelling(asked):
    """A way on which the response grows louder; it notes when it is asked for more."""

    def way(programme, from_frame):
        whole = np.convolve(programme, RESPONSE)
        whole *= 0.2 + (from_frame + np.arange(whole.size)) / (10.0 * RATE_HZ)
        for start in range(0, whole.size, 7000):
            asked.append(from_frame + start)
            yield whole[start : start + 7000].astype(np.float32)

    return way


@pytest.mark.parametrize("stopped", [False, True])
def test_way_that_changes_is_heard_as_it_falls_due_and_a_stop_takes_out_what_is_left(
    devices, clock, stopped
):
    asked = []
    devices.connect(swelling(asked))
    listen(devices, clock, 0.3)
    signal = noise(2.0)
    devices.play(signal)
    assert asked == [0]  # whoever plays does not wait for the rest
    inputs, sent = listen(devices, clock, 0.8)
    assert asked[-1] <= 0.8 * RATE_HZ
    if stopped:
        devices.stop()
    more, more_sent = listen(devices, clock, 2.5)
    sent = np.concatenate([sent, more_sent])
    assert (np.flatnonzero(sent)[-1] < RATE_HZ) == stopped
    truth = np.convolve(sent.astype(np.float64), RESPONSE)[: sent.size]
    truth *= 0.2 + np.arange(sent.size) / (10.0 * RATE_HZ)
    error = np.concatenate([inputs, more]) - truth
    assert rms_dbfs(error) == pytest.approx(CONVERTER_DBFS, abs=0.5)


def test_way_holds_for_the_sound_that_began_on_it(devices, clock):
    devices.connect(swelling([]))
    devices.play(noise(1.0))
    inputs, sent = listen(devices, clock, 0.5)
    devices.connect(np.zeros(1))
    more, more_sent = listen(devices, clock, 1.0)
    sent = np.append(sent, more_sent).astype(np.float64)
    truth = np.convolve(sent, RESPONSE)[: sent.size]
    truth *= 0.2 + np.arange(truth.size) / (10.0 * RATE_HZ)
    assert rms_dbfs(np.append(inputs, more) - truth) == pytest.approx(CONVERTER_DBFS, abs=0.5)


@pytest.mark.parametrize("stopped", [False, True])
def test_steps_are_heard_while_the_sound_plays(devices, clock, stopped):
    steps = np.full(3 * RATE_HZ, 0.01)
    devices.connect(np.zeros(1), steps)
    before, _ = listen(devices, clock, 0.3)
    devices.play(noise(2.0))
    inputs, _ = listen(devices, clock, 0.5)
    if stopped:
        devices.stop()
    more, _ = listen(devices, clock, 2.0)
    inputs = np.concatenate([before, inputs, more])
    heard = np.flatnonzero(inputs > 0.005)
    assert heard[0] == before.size
    assert heard.size == heard[-1] - heard[0] + 1 == devices.played_frames


def test_hall_waits_for_a_way_that_takes_long_to_compute():
    clock_s, pace, piece = 100.0, 100.0, 24_000

    def way(programme, _from_frame):
        nonlocal clock_s
        for start in range(0, programme.size, piece):
            clock_s += 0.05  # five seconds of the hall for half a second of sound
            yield programme[start : start + piece]

    signal = 0.05 * np.random.default_rng(1).standard_normal(4 * 48_000).astype(np.float32)
    devices = SimulatedDevices(pace=pace, noise=Noise(level_dbfs=-120.0), clock=lambda: clock_s)
    devices.connect(way)
    devices.read()
    devices.play(signal)
    sent, heard = [], []
    while devices.playing:
        devices.keep_alive()
        clock_s += 0.001
        block = devices.read()
        sent.append(block.sent)
        heard.append(block.inputs[:, 0])
    whole = np.concatenate(sent)
    # From when it was asked for, and no later at the end than one answer may take.
    assert np.flatnonzero(whole)[0] < 48
    assert signal.size - LATE_S * 48_000 <= whole.size <= signal.size + 5_000
    np.testing.assert_allclose(np.concatenate(heard), whole, atol=1e-3, rtol=0.0)
