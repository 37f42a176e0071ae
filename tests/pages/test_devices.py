"""What a visit plays through; the simulated hall's hands."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.errors import InputError
from evenhall.job.demo.hall import Hung, demo_impulse, demo_way
from evenhall.job.live.watch import Progress, Solo, Walking
from evenhall.job.tune.result import Move, Result, TargetCurve
from evenhall.job.tune.tuning import unit_of
from evenhall.pages import devices
from evenhall.pages.devices import hands_done, hands_so_far, open_devices
from evenhall.pages.guide import move_key
from evenhall.sound.live.setup import SoundSetup
from evenhall.verdict.gain import GainHint
from evenhall.visits.visit import job_of
from pages.demo_services import services_in, visit_of

GAIN = Move(order=1, kind="gain", text="Turn it down.", to={"left_gain_db": -1.5})
RAISE = Move(
    order=2, kind="raise", text="Raise both.", to={"speaker_height_m": 2.8, "speaker_down_deg": 7.0}
)
DONE = Result(job="-", takes=(), target=TargetCurve(shape="tilt", points=()), moves=(GAIN, RAISE))


@pytest.fixture
def store(tmp_path):
    services = services_in(tmp_path / "data")
    services.new_demo()
    yield services.store
    services.close()


def tick(store, *moves):
    for move in moves:
        store.set_entry(1, move_key(move), True, was=None)


def connected(visit, result, *, state, side="left", spot="front"):
    """Impulse response that the simulated hall was given."""
    with open_devices(visit, result, state=state) as (live, hand):
        hand(Solo(side, spot))
        through, _ = live._connected
        return np.concatenate(list(through(np.ones(1, dtype=np.float32), 0)))


def same(heard, **changed):
    wanted = demo_impulse("left", "front", rate_hz=48_000.0, **changed)
    return heard.size == wanted.size and np.allclose(heard, wanted, rtol=0.0, atol=1e-6)


def test_hall_is_as_it_was_found_before_the_work(store):
    store.set_entry(1, "fader.left.1000", -6.0, was=None)
    tick(store, GAIN, RAISE)
    assert same(connected(store.visit(1), None, state="before"))


def test_ticked_moves_and_set_faders_are_heard_after_the_work(store):
    card = {"left": {1000.0: -6.0}}
    store.set_entry(1, "fader.left.1000", -6.0, was=None)
    store.set_entry(1, "fader.right.63", 3.0, was=None)
    unit = unit_of(job_of(store.visit(1)), store.visit(1).folder)
    assert same(connected(store.visit(1), DONE, state="after"), card=card, unit=unit)
    tick(store, RAISE)
    raised = {"hung": Hung(speaker_height_m=2.8, speaker_down_deg=7.0)}
    assert same(connected(store.visit(1), DONE, state="after"), card=card, unit=unit, **raised)
    tick(store, GAIN)
    assert same(
        connected(store.visit(1), DONE, state="after"),
        card=card,
        unit=unit,
        gain_db={"left": -1.5},
        **raised,
    )


def walked(visit, result, *, state, from_s=0.25, to_s=1.25):
    """What the microphone hears of half a second of noise in the middle of a short walk."""
    with open_devices(visit, result, state=state) as (live, hand):
        hand(Solo("left", "walk"))
        hand(Walking(from_s, to_s, None))
        through, besides = live._connected
        heard = np.concatenate(list(through(NOISE, 24_000)))
        return heard, besides


NOISE = np.random.default_rng(3).standard_normal(24_000).astype(np.float32)


def test_walk_waits_for_the_noise_and_hears_what_hands_have_done(store):
    visit = store.visit(1)
    heard, besides = walked(visit, None, state="before")
    way = demo_way("left", rate_hz=48_000.0, length_s=1.0, from_s=0.25)
    np.testing.assert_array_equal(heard, np.concatenate(list(way(NOISE, 24_000))))
    # Nobody steps before the noise.
    assert besides.size == 60_000
    assert not besides[:12_000].any()
    assert besides[12_000:].any()
    store.set_entry(1, "fader.left.1000", -6.0, was=None)
    after, _ = walked(store.visit(1), DONE, state="after")
    card, unit = {"left": {1000.0: -6.0}}, unit_of(job_of(visit), visit.folder)
    way = demo_way("left", rate_hz=48_000.0, length_s=1.0, from_s=0.25, card=card, unit=unit)
    np.testing.assert_array_equal(after, np.concatenate(list(way(NOISE, 24_000))))
    still, _ = walked(store.visit(1), None, state="before")
    np.testing.assert_array_equal(still, heard)


def test_fader_that_was_taken_back_is_flat(store):
    store.set_entry(1, "fader.left.1000", -6.0, was=None)
    store.set_entry(1, "fader.left.1000", None, was=None)
    visit = store.visit(1)
    assert same(
        connected(visit, DONE, state="after"), card={}, unit=unit_of(job_of(visit), visit.folder)
    )


def test_loudspeakers_hang_where_the_set_out_says(store):
    store.set_entry(1, "rig.speaker_height_m", 2.2, was=None)
    assert same(connected(store.visit(1), None, state="before"), hung=Hung(speaker_height_m=2.2))


def test_gain_of_today_adds_to_that_before_the_takes_were_begun_anew(store):
    store.set_entry(1, "hands", {"left_gain_db": 2.0, "left_polarity": 1.0}, was=None)
    tick(store, GAIN, RAISE)
    visit = store.visit(1)
    assert hands_so_far(visit, DONE) == {
        "left_gain_db": 0.5,
        "left_polarity": 1.0,
        "speaker_height_m": 2.8,
        "speaker_down_deg": 7.0,
    }
    assert hands_so_far(visit, None) == visit.value("hands")
    assert same(
        connected(visit, DONE, state="after"),
        card={},
        unit=unit_of(job_of(visit), visit.folder),
        gain_db={"left": 0.5},
        hung=Hung(speaker_height_m=2.8, speaker_down_deg=7.0),
    )


def test_each_recording_has_noise_of_its_own_and_the_gain_that_stands(store):
    def heard_noise():
        with open_devices(store.visit(1), None, state="before") as (live, _):
            live._origin_s -= 0.01
            return live.read().inputs[:, 0][:400], live

    one, _ = heard_noise()
    again, _ = heard_noise()
    assert np.array_equal(one, again)
    store.set_entry(1, "note.hall", "cold", was=None)
    other, _ = heard_noise()
    assert not np.array_equal(one, other)
    store.set_entry(1, "note.hall", None, was=None)
    store.set_entry(1, "gain", {"turned_db": 20.0}, was=None)
    _, live = heard_noise()
    assert live._gain == pytest.approx(10.0)


def test_knob_of_the_simulated_preamp_is_turned_on(store):
    store.set_entry(1, "gain", {"turned_db": 4.0}, was=None)
    with open_devices(store.visit(1), None, state="before") as (live, hand):
        for change_db in (1.0, -3.0):
            hint = GainHint("up", change_db / devices.TURNED, "")
            hand(Progress((), hint=hint))
        assert live._gain == pytest.approx(10 ** (2.0 / 20.0))


def test_own_visit_opens_what_was_chosen_and_closes_it(tmp_path, monkeypatch):
    services = services_in(tmp_path / "own")
    visit = services.store.visit(services.new_own("Quarry Lane Hall"))
    services.close()
    chosen, states = SoundSetup("Box", "Box", mic_channel=2), []

    class Opened:
        def __init__(self, setup):
            assert setup is chosen

        def __enter__(self):
            states.append("open")
            return self

        def __exit__(self, *_):
            states.append("closed")

    monkeypatch.setattr(devices, "remembered", lambda: chosen)
    monkeypatch.setattr(devices, "Live", Opened)

    def play():
        with open_devices(visit, None, state="before") as (live, hand):
            assert isinstance(live, Opened)
            hand(Solo("left", "front"))  # people do that
            assert states == ["open"]
            raise ZeroDivisionError  # whatever goes wrong

    with pytest.raises(ZeroDivisionError):
        play()
    assert states == ["open", "closed"]


def test_own_visit_without_a_chosen_device_is_refused(tmp_path, monkeypatch):
    services = services_in(tmp_path / "own")
    visit = services.store.visit(services.new_own())
    services.close()
    monkeypatch.setattr(devices, "remembered", lambda: None)
    with (
        pytest.raises(InputError, match=r"^No sound device is chosen yet\. Choose one on the page"),
        open_devices(visit, None, state="before"),
    ):
        pass


@given(
    ticks=st.tuples(st.booleans(), st.booleans()),
    earlier=st.dictionaries(
        st.sampled_from(("left_gain_db", "right_gain_db", "speaker_height_m")),
        st.floats(-12.0, 12.0),
    ),
)
def test_hands_forget_nothing_and_do_only_what_is_ticked(ticks, earlier):
    entries = {move_key(move): True for move, on in zip((GAIN, RAISE), ticks, strict=True) if on}
    visit = visit_of({**entries, "hands": earlier})
    done = hands_done(visit, DONE)
    figures = hands_so_far(visit, DONE)
    assert ("left_gain_db" in done, "speaker_height_m" in done) == ticks
    assert set(figures) == set(earlier) | set(done)
    assert visit.value("hands") == earlier  # asking changes nothing
    turned_db = earlier.get("left_gain_db", 0.0) + (-1.5 if ticks[0] else 0.0)
    assert figures.get("left_gain_db", 0.0) == pytest.approx(turned_db)
    if ticks[1]:
        assert figures["speaker_height_m"] == 2.8
