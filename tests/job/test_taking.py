"""Takes recorded into a job folder through JACK and a convolver, and what is said of them."""

from __future__ import annotations

import time
from dataclasses import replace
from threading import Thread

import numpy as np
import pytest

import rooms
from evenhall.acoustics.bands import EXACT_HZ
from evenhall.errors import DeviceError, InputError
from evenhall.job.folder.reading import load_job
from evenhall.job.live.gain import set_gain
from evenhall.job.live.taking import Order, element_band_hz, record_into_folder
from evenhall.job.live.watch import Planned, Progress, Watch
from evenhall.sound.live.open_devices import CEILING_DBFS
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup
from evenhall.sound.recording import read_recording
from evenhall.sound.writing import leftovers
from jackroom import JackRoom, jack_tests

pytestmark = jack_tests("taking")

RATE_HZ = 48_000
DELAY = 350
CABLE = np.eye(1, 64)[0]


def hall(seed=3):
    response = rooms.hall(RATE_HZ, 0.5, seed)[:24_000]
    response = np.roll(response, DELAY - int(np.argmax(np.abs(response))))
    response[: DELAY - 8] = 0.0
    return 0.3 * response / np.abs(response).max()


RESPONSE = hall()
# Outputs of the hall: 1 microphone, 2 cable, 3 a microphone that is far too loud, 4 nothing.
PATHS = {(1, 1): RESPONSE, (1, 2): CABLE, (1, 3): 20.0 * RESPONSE, (1, 4): 0.0 * CABLE}
CABLED = SoundSetup("hall", "hall", reference="cable", reference_channel=2, output_channels=(1,))
ORDER = Order(side="left", spot="front", length_s=3.0)


class Watcher(Watch):
    """Looks on and remembers; stops after so many seconds."""

    def __init__(self, stop_after_s=np.inf):
        self.stop_after_s = stop_after_s
        self.plan, self.elapsed, self.readings, self.hints = None, [], [], []

    def tell(self, news):
        if isinstance(news, Planned):
            self.plan = news.plan
        elif isinstance(news, Progress):
            self.elapsed.append(news.elapsed_s)
            self.readings.append(news.readings)
            self.hints += [] if news.hint is None else [news.hint]

    def stop_wanted(self):
        return bool(self.elapsed) and self.elapsed[-1] > self.stop_after_s


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    with JackRoom(tmp_path_factory.mktemp("jack"), PATHS, rate_hz=RATE_HZ, period=1024) as running:
        yield running


@pytest.fixture(autouse=True)
def in_room(room, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)


def record(folder, order=ORDER, setup=CABLED, watch=None):
    with Live(setup) as live:
        return record_into_folder(
            folder, order, live, ceiling_dbfs=CEILING_DBFS, watch=watch or Watcher()
        )


def true_level_db():
    power = np.abs(np.fft.rfft(RESPONSE, 1 << 18)) ** 2
    hz = np.fft.rfftfreq(1 << 18, 1.0 / RATE_HZ)
    inside = (hz > 891.0) & (hz < 1122.0)
    return 10.0 * np.log10(np.average(power[inside], weights=1.0 / hz[inside]))


def level_at_1_khz_db(take):
    return take.level_db[int(np.argmin(np.abs(EXACT_HZ - 1000.0)))]


def test_take_by_cable_is_good_true_and_listed(room, tmp_path):
    watch = Watcher()
    taken = record(tmp_path / "hall", watch=watch)
    assert taken.usable
    assert not taken.problems
    assert abs(level_at_1_khz_db(taken.take) - true_level_db()) <= 0.1
    assert abs(taken.take.response.delay_s - DELAY / RATE_HZ) <= 1e-4
    assert taken.take.distance_m == pytest.approx(DELAY / RATE_HZ * 343.2, abs=0.05)
    (listed,) = load_job(tmp_path / "hall").takes
    assert (listed.file, listed.side, listed.spot) == ("takes/left-front.wav", "left", "front")
    # The person sees what happens twenty times a second.
    assert len(watch.elapsed) / watch.elapsed[-1] >= 20.0
    assert max(reading[1].fast_dbfs for reading in watch.readings) == pytest.approx(-20, abs=1.5)


def test_inside_reference_without_a_known_latency_claims_no_distance(room, tmp_path):
    inside = replace(CABLED, reference="inside", reference_channel=0)
    taken = record(tmp_path / "hall", setup=inside)
    assert taken.usable
    assert taken.take.distance_m is None
    assert load_job(tmp_path / "hall").takes[0].delay_is_relative
    assert abs(level_at_1_khz_db(taken.take) - true_level_db()) <= 0.1


def test_inside_reference_with_a_known_latency_knows_the_distance(room, tmp_path):
    inside = replace(CABLED, reference="inside", reference_channel=0)
    relative = record(tmp_path / "hall", setup=inside)
    latency_s = relative.take.response.delay_s - DELAY / RATE_HZ
    taken = record(tmp_path / "hall", setup=replace(inside, latency_s=latency_s))
    assert taken.take.distance_m == pytest.approx(DELAY / RATE_HZ * 343.2, abs=0.05)


def test_two_devices_with_a_clock_each_keep_what_was_played(room, tmp_path):
    room.add_convolver("tap", {(1, 1): CABLE})
    room.connect("hall:out_1", "tap:in_1")
    two = SoundSetup("tap", "hall", reference="inside", output_channels=(1,))
    taken = record(tmp_path / "hall", order=replace(ORDER, length_s=6.0), setup=two)
    assert taken.usable
    (listed,) = load_job(tmp_path / "hall").takes
    assert listed.reference_file == "takes/left-front-played.wav"
    assert listed.reference_channel is None
    assert not np.isfinite(taken.take.response.delay_s)
    assert abs(taken.take.response.clock_ppm) <= 2.0
    assert abs(level_at_1_khz_db(taken.take) - true_level_db()) <= 0.2


def test_mixer_that_plays_by_itself_is_listened_to(room, tmp_path):
    outside = replace(CABLED, output="", reference="outside")
    playing = replace(CABLED, reference="cable")
    with Live(playing) as mixer:
        signal = rooms.pink(12.0, RATE_HZ, np.random.default_rng(1)) * 0.05
        mixer.play(signal)
        alive = True

        def keep():
            while alive:
                mixer.keep_alive()
                mixer.read()
                time.sleep(0.05)

        keeper = Thread(target=keep)
        keeper.start()
        try:
            taken = record(tmp_path / "hall", order=replace(ORDER, length_s=4.0), setup=outside)
        finally:
            alive = False
            keeper.join()
    assert taken.usable
    assert abs(level_at_1_khz_db(taken.take) - true_level_db()) <= 0.2


def test_sweep_is_taken_from_its_first_frequency_on(room, tmp_path):
    order = replace(ORDER, kind="sweep", length_s=4.0, low_hz=50.0)
    taken = record(tmp_path / "hall", order=order)
    assert taken.usable
    assert abs(level_at_1_khz_db(taken.take) - true_level_db()) <= 0.1
    assert taken.take.response.bands.usable[(EXACT_HZ > 60.0) & (EXACT_HZ < 17_000.0)].all()


def test_take_ends_as_soon_as_every_band_is_known(room, tmp_path):
    watch = Watcher()
    taken = record(tmp_path / "hall", order=replace(ORDER, length_s=None), watch=watch)
    assert taken.ended == "enough"
    assert watch.elapsed[-1] < watch.plan.length_s + 1.6
    assert taken.usable


def test_clipped_take_says_what_to_change_and_is_not_listed(room, tmp_path):
    taken = record(tmp_path / "hall", setup=replace(CABLED, mic_channel=3))
    assert not taken.usable
    assert any(problem.code == "clipped" for problem in taken.problems)
    assert (tmp_path / "hall" / taken.recorded.file).is_file()
    assert not (tmp_path / "hall" / "job.toml").exists()


def test_silent_microphone_says_what_to_check(room, tmp_path):
    taken = record(tmp_path / "hall", setup=replace(CABLED, mic_channel=4))
    assert not taken.usable
    # The server may be late, and say so as well.
    (problem,) = (one for one in taken.problems if one.code == "silent")
    assert "phantom power" in problem.text


def test_gain_that_was_moved_between_two_takes_is_told(room, tmp_path):
    record(tmp_path / "hall")
    # Half the level from the same place: as if the preamp had been turned.
    room.add_convolver("quieter", {(1, 1): 0.5 * CABLE, (2, 2): CABLE})
    room.connect("hall:out_1", "quieter:in_1")
    room.connect("hall:out_2", "quieter:in_2")
    turned = replace(CABLED, input="quieter", output="hall")
    taken = record(tmp_path / "hall", setup=turned)
    assert [problem.code for problem in taken.problems] == ["gain_moved"]
    assert "6.0 dB softer than takes/left-front.wav" in taken.problems[0].text


def test_sound_that_dies_in_mid_take_makes_it_unusable_and_says_when(room, tmp_path):
    """The cable to the loudspeaker is pulled: the reference goes on, the room falls silent."""
    room.add_convolver("dying", {(1, 1): CABLE, (2, 2): CABLE})
    room.add_convolver("leak", {(1, 1): 1e-3 * CABLE})  # no microphone hears nothing at all
    for source, sink in (
        ("hall:out_1", "dying:in_1"),
        ("hall:out_2", "dying:in_2"),
        ("hall:out_2", "leak:in_1"),
        ("leak:out_1", "dying:in_1"),
    ):
        room.connect(source, sink)
    cut_s = []

    class Puller(Watcher):
        def tell(self, news):
            super().tell(news)
            if self.elapsed and self.elapsed[-1] > 2.5 and not cut_s:
                cut_s.append(self.elapsed[-1])
                Thread(target=room.disconnect, args=("hall:out_1", "dying:in_1")).start()

    watch = Puller()
    order = replace(ORDER, length_s=5.0)
    taken = record(tmp_path / "hall", order, replace(CABLED, input="dying", output="hall"), watch)
    assert not taken.usable
    (text,) = (one.text for one in taken.problems if one.text.startswith("The sound"))
    assert "The sound stopped" in text
    # Pulled while the sound went on, and no sooner than it was asked for.
    assert cut_s[0] - 0.6 <= taken.take.response.change.from_s <= 4.8
    assert not (tmp_path / "hall" / "job.toml").exists()


def test_sweep_on_two_clocks_with_an_echo_above_the_direct_sound(room, tmp_path):
    """Far back: an echo 4 dB above the direct sound, and a room that rings on for longer."""
    echoing = rooms.room(
        RATE_HZ,
        np.random.default_rng(33),
        rt_s=1.5,
        delay_s=0.04,
        direct_over_reverberant_db=-9.0,
        reflections=((0.045, 4.0), (0.02, 1.0)),
    )
    echoing *= 0.3 / np.abs(echoing).max()
    room.add_convolver("far", {(1, 1): echoing})
    room.connect("hall:out_2", "far:in_1")
    two = SoundSetup("far", "hall", reference="inside", output_channels=(1,))
    order = replace(ORDER, kind="sweep", length_s=6.0, low_hz=50.0)
    taken = record(tmp_path / "hall", order, two)
    assert taken.usable
    response = taken.take.response
    assert abs(response.clock_ppm) <= 40.0  # both run on the server's one clock
    assert response.polarity == 0
    inside = rooms.bands_between(100, 10_000) & response.bands.usable
    error_db = (response.bands.level_db - rooms.true_levels_db(echoing, RATE_HZ))[inside]
    assert inside.sum() >= 18
    assert np.abs(error_db).max() <= 0.5


def test_stopped_take_leaves_nothing(room, tmp_path):
    taken = record(
        tmp_path / "hall", order=replace(ORDER, length_s=20.0), watch=Watcher(stop_after_s=1.5)
    )
    assert taken.ended == "stopped"
    assert taken.take is None
    assert list((tmp_path / "hall" / "takes").iterdir()) == []


def test_port_parted_in_mid_take_keeps_what_was_recorded_and_earlier_takes(room, tmp_path):
    record(tmp_path / "hall")

    def part():
        time.sleep(5.0)
        room.disconnect("hall:out_1", "PortAudio:in_0")

    puller = Thread(target=part)
    puller.start()
    with pytest.raises(DeviceError, match="went dead"):
        record(tmp_path / "hall", order=replace(ORDER, length_s=10.0))
    puller.join()
    assert len(load_job(tmp_path / "hall").takes) == 1
    (part,) = leftovers(tmp_path / "hall" / "takes")
    assert read_recording(part).duration_s >= 2.0


def test_noise_above_the_ceiling_is_refused_before_anything_sounds(room, tmp_path):
    with pytest.raises(InputError, match=r"Give at most -18\.0 dBFS, or raise the ceiling"):
        record(tmp_path / "hall", order=replace(ORDER, level_dbfs=-17.0))
    assert not (tmp_path / "hall").exists()


def test_gain_that_stands_is_left_alone(room):
    watch = Watcher()
    louder = replace(CABLED, mic_channel=2, reference_channel=2)
    with Live(replace(louder, mic_channel=2, reference_channel=2)) as live:
        hint = set_gain(live, level_dbfs=-30.0, watch=watch)
    assert hint.turn == "hold"
    assert {one.turn for one in watch.hints} == {"hold"}
    # The meter moves before anything can be said.
    assert len(watch.readings) > len(watch.hints) + 10


def test_gain_that_is_too_high_is_said_so_until_the_person_stops(room):
    class Stops(Watcher):
        def stop_wanted(self):
            return len(self.hints) > 20

    with Live(replace(CABLED, mic_channel=3)) as live:
        hint = set_gain(live, level_dbfs=-40.0, watch=Stops())
    assert hint.turn == "down"


def test_small_boxes_get_no_deep_bass():
    low_hz, high_hz = element_band_hz("left", low_limit_hz=80.0)
    assert 50.0 < low_hz < 80.0
    assert high_hz == 20_000.0


def test_subs_get_no_treble():
    assert element_band_hz("sub left", low_limit_hz=80.0) == (20.0, 300.0)
