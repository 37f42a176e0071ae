"""The unit in the rack learned from the pages: a demo visit whose rack holds an old unit."""

import datetime
import shutil
from functools import partial

import numpy as np
import pytest

from evenhall.equalizer.graphic import unit_gain_db
from evenhall.errors import InputError
from evenhall.job.demo.folder import old_unit
from evenhall.job.folder.unit_file import read_unit
from evenhall.job.tune.tuning import unit_of
from evenhall.job.tune.unit import ROUND_FILE
from evenhall.pages import devices, shelf
from evenhall.pages.learning import begin_round, enter_unit, recorded, reuse_unit
from evenhall.pages.views import rack_page
from evenhall.pages.views.frame import frame_of
from evenhall.visits.visit import job_of
from hallclock import HallClock
from pages.demo_services import ME, ended, services_in, until

NOW = datetime.datetime(2026, 5, 2, 17, 0, tzinfo=datetime.UTC)


@pytest.fixture(autouse=True, scope="module")
def own_time():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(devices, "DEMO_PACE", 1.0)
        hall = partial(devices.SimulatedDevices, clock=HallClock())
        patch.setattr(devices, "SimulatedDevices", hall)
        yield


@pytest.fixture
def services(tmp_path):
    services = services_in(tmp_path / "data")
    services.new_demo()
    services.store.set_entry(1, "equalizer.bands", 10, was=None)
    yield services
    services.close()


@pytest.fixture(scope="module")
def learned_store(tmp_path_factory):
    """A demo visit whose left channel is learned, made once; and what was asked meanwhile."""
    folder = tmp_path_factory.mktemp("learned") / "data"
    services = services_in(folder)
    services.new_demo()
    services.store.set_entry(1, "equalizer.bands", 10, was=None)
    asked = led_through(services)
    now = services.player.now
    services.close()
    return folder, asked, now


@pytest.fixture
def learned(learned_store, tmp_path):
    shutil.copytree(learned_store[0], tmp_path / "learned")
    services = services_in(tmp_path / "learned")
    yield services
    services.close()


learned_once = pytest.mark.xdist_group("learned-unit")


def visit_of(services):
    return services.store.visit(1)


def start(services, **changes):
    order = {"right": False, "cable": 2, "again": False, "holder": ME, **changes}
    services.player.rack(1, **order)


def led_through(services, replies=(), **changes):
    """Say to every question that the faders stand, or the next of `replies`; give the questions."""
    start(services, **changes)
    asked, replies = [], list(replies)
    while True:
        until(lambda: services.player.now.phase == "asking" or not services.player.now.busy)
        now = services.player.now
        if not now.busy:
            return asked
        asked.append(now)
        services.player.answer(replies.pop(0) if replies else "on", holder=ME)
        until(lambda seen=now: services.player.now is not seen)


def wrong_fader(monkeypatch, hz):
    """Let the demo's hand forget a fader the first time that it should move."""
    real = devices.DemoHand

    class Forgetful(real):
        done = False

        def __init__(self, unit, fader_db, **fields):
            faders = np.array(fader_db)
            at = int(np.argmin(np.abs(unit.nominal_hz - hz)))
            if faders[at] and not Forgetful.done:
                Forgetful.done = True
                faders[at] = 0.0
            super().__init__(unit, faders, **fields)

    monkeypatch.setattr(devices, "DemoHand", Forgetful)


@learned_once
def test_round_teaches_the_unit_that_is_really_there_and_the_card_is_made_for_it(
    learned, learned_store
):
    _, asked, now = learned_store
    assert (now.what, now.phase, now.good, now.problems) == ("rack", "ended", True, ())
    assert now.text.startswith("Learned, to within 0.0")
    assert asked[0].text.startswith("1 of ")
    assert "bypass" in asked[1].text.lower() or "bypass" in asked[0].text.lower()
    assert [len(one.faders) for one in asked] == [10] * len(asked)
    visit = visit_of(learned)
    assert visit.value("equalizer.response") == "measured"
    unit = unit_of(job_of(visit), visit.folder)
    true = old_unit(unit)
    freq_hz = np.geomspace(20.0, 16_000.0, 200)
    rng = np.random.default_rng(4)
    for _ in range(5):
        faders_db = rng.uniform(-10.0, 6.0, 10)
        really_db = 20.0 * np.log10(np.abs(true.response(faders_db, freq_hz)))
        off_db = unit_gain_db(unit, faders_db, freq_hz) + true.insertion_db - really_db
        assert np.sqrt(np.mean(off_db**2)) <= 0.3  # the issue's own limit, at settings not learned


def test_fader_that_was_not_moved_is_named_at_once_and_asked_for_again(services, monkeypatch):
    wrong_fader(monkeypatch, 1000.0)
    asked = led_through(services, replies=())
    faults = [one for one in asked if one.problems]
    assert [one.problems for one in faults] == [
        ("Not moved as told: 1k. Set them, and record it again.",)
    ]
    # After "once more" it is not asked a second time whether they stand.
    assert len(asked) == len({one.text for one in asked}) + 1
    assert services.player.now.good


def test_setting_can_be_kept_as_it_is(services, monkeypatch):
    wrong_fader(monkeypatch, 1000.0)
    begin_round(visit_of(services), right=False)
    at = next(
        number
        for number, setting in enumerate(
            sorted(
                begin_round(visit_of(services), right=False).settings,
                key=lambda one: (one.rising, bool(one.faders_hz), one.bypass),
            )
        )
        if 1000.0 in setting.faders_hz
    )
    led_through(services, replies=["on"] * (at + 1) + ["keep"])
    now = services.player.now
    assert not now.good
    assert any("fader was near" in doubt for doubt in now.problems)
    # What was left out for it is asked for again.
    done, count = recorded(visit_of(services), right=False)
    assert done == count - len([one for one in now.problems if "fader was near" in one])
    led_through(services)
    assert services.player.now.good


def test_round_that_is_stopped_goes_on_where_it_ended(services):
    start(services)
    until(lambda: services.player.now.phase == "asking")
    services.player.answer("on", holder=ME)
    until(lambda: recorded(visit_of(services), right=False)[0] == 1)
    until(lambda: services.player.now.phase == "asking")
    services.player.stop()
    now = ended(services.player)
    assert now.text == "Stopped. The recordings are kept; go on from there."
    assert now.faders == ()
    count = recorded(visit_of(services), right=False)[1]
    assert len(led_through(services)) == count - 1


@learned_once
def test_other_faders_in_set_out_begin_another_round(learned):
    assert recorded(visit_of(learned), right=False)[0] > 0
    learned.store.set_entry(1, "equalizer.bands", 15, was=None)
    assert begin_round(visit_of(learned), right=False).head.bands == 15
    assert recorded(visit_of(learned), right=False)[0] == 0


@learned_once
def test_second_look_says_that_it_is_as_it_was(learned):
    assert len(led_through(learned, again=True)) == 2
    now = learned.player.now
    assert now.good
    assert now.text.startswith("Still as it was learned")


def test_right_channel_does_not_come_before_the_left(services):
    with pytest.raises(InputError, match="Learn the left channel first"):
        start(services, right=True)
    assert not services.player.now.busy


@learned_once
def test_right_channel_comes_after_the_left_and_has_a_card_of_its_own(learned):
    led_through(learned, right=True)
    visit = visit_of(learned)
    left, right = (unit_of(job_of(visit), visit.folder, side) for side in ("left", "right"))
    assert not np.allclose(left.centre_hz, right.centre_hz, rtol=1e-3)


def test_second_look_without_a_first_is_a_line(services):
    start(services, again=True)
    now = ended(services.player)
    assert (now.phase, now.good) == ("failed", False)
    assert "is not learned yet" in now.text


@learned_once
def test_unit_is_kept_by_its_name_and_serves_a_later_visit(learned, tmp_path, monkeypatch):
    """At a visit of one's own; its device is the demo's, as there is none here."""
    demo = visit_of(learned)
    unit = read_unit(demo.folder / demo.value("equalizer.file"))
    assert shelf.names(learned.store) == ()  # what is invented is not kept
    first, second = learned.new_own("Corn Exchange"), learned.new_own("Drill Hall")
    left, right = unit.model_copy(update={"name": "Old rack"}), unit
    right = right.model_copy(update={"name": "Old rack", "residual_db": 0.5})
    enter_unit(learned.store, learned.store.visit(first), left, right=False)
    enter_unit(learned.store, learned.store.visit(first), right, right=True)
    assert shelf.names(learned.store) == ("Old rack",)
    reuse_unit(learned.store, second, "Old rack")
    visit = learned.store.visit(second)
    assert visit.value("equalizer.response") == "measured"
    assert visit.value("equalizer.bands") == 10
    assert read_unit(visit.folder / visit.value("equalizer.file")) == left
    assert read_unit(visit.folder / visit.value("equalizer.file_right")) == right
    # Learned anew it takes the place of the old one, and of its right channel.
    enter_unit(learned.store, visit, left.model_copy(update={"residual_db": 0.1}), right=False)
    assert shelf.take(learned.store, "Old rack")[0].residual_db == 0.1
    assert shelf.take(learned.store, "Old rack")[1] is None
    with pytest.raises(InputError, match="No unit called 'Another' is kept"):
        reuse_unit(learned.store, second, "Another")


def test_shelf_with_a_spoilt_file_shows_the_others(services):
    demo = visit_of(services)
    assert demo.demo
    folder = services.store.folder / "units"
    folder.mkdir()
    (folder / "broken-12345678.json").write_text("{")
    assert shelf.names(services.store) == ()


def test_name_of_the_rack_is_the_unit_s(services):
    services.store.set_entry(1, "rack_name", "Grey box", was=None)
    assert begin_round(visit_of(services), right=False).head.name == "Grey box"


def test_page_shows_where_the_faders_stand_now(services):
    def page():
        visit = visit_of(services)
        frame = frame_of(visit, None, at="set-out", playing=services.player.now, here=True, now=NOW)
        return rack_page(visit, frame, cable=2)

    assert page().drawing is None
    assert [one.count for one in page().channels] == [0, 0]
    start(services)
    until(lambda: services.player.now.phase == "asking")
    assert page().drawing.title == "Set to"
    services.player.stop()
    ended(services.player)


@pytest.mark.parametrize("left", ["[unit", "[unit]\nname = 3\n", "[unit]\ncolour = 1\n"])
def test_round_that_cannot_be_read_is_begun_anew(services, left):
    begin_round(visit_of(services), right=False)
    assert recorded(visit_of(services), right=False)[1] > 0
    path = visit_of(services).folder / "rack/left" / ROUND_FILE
    path.write_text(left)
    assert recorded(visit_of(services), right=False) == (0, 0)
    begin_round(visit_of(services), right=False)
    assert recorded(visit_of(services), right=False)[1] > 0
