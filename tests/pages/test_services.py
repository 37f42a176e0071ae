"""Visits as the pages begin them, and takes begun anew."""

import datetime

import pytest

from evenhall.job.folder.calibration import read_calibration
from evenhall.job.tune.result import Move, Result, TargetCurve
from evenhall.pages.guide import missing, move_key, spots
from evenhall.visits.visit import faults_of, job_of
from pages.demo_services import services_in
from visits.made import TAKE, add_sound

NOW = datetime.datetime(2026, 3, 1, 18, 0, tzinfo=datetime.UTC)
GAIN = Move(order=1, kind="gain", text="Turn it down.", to={"left_gain_db": -1.5})
RAISE = Move(
    order=2, kind="raise", text="Raise both.", to={"speaker_height_m": 2.8, "speaker_down_deg": 7.0}
)
FLIP = Move(order=3, kind="polarity", text="Flip left.", to={"left_polarity": 1.0})


@pytest.fixture
def services(tmp_path, monkeypatch):
    services = services_in(tmp_path / "data")
    services.now = lambda: NOW
    yield services
    services.close()


@pytest.fixture
def judged(services, monkeypatch):
    """Takes are judged to want these moves."""
    result = Result(
        job="-",
        takes=(),
        target=TargetCurve(shape="tilt", points=()),
        moves=(GAIN, RAISE, FLIP),
    )
    monkeypatch.setattr(services.judge, "result", lambda visit: result)


def with_takes(services, number, count=3):
    folder = services.store.visit(number).folder
    numbers = []
    for k in range(count):
        take = TAKE.model_copy(update={"file": f"takes/{k}.wav"})
        add_sound(folder, take.file)
        numbers.append(services.store.add_take(number, take).number)
    return numbers


def tick(services, number, *moves):
    for move in moves:
        services.store.set_entry(number, move_key(move), True, was=None)


def test_demo_is_all_set_out_and_nothing_is_done(services):
    number = services.new_demo()
    visit = services.store.visit(number)
    assert (visit.demo, visit.takes, missing(visit), faults_of(visit)) == (True, (), (), ())
    assert [spot.label for spot in spots(visit)] == ["front", "middle", "back"]
    assert visit.values("tick.") == visit.values("fader.") == {}
    assert read_calibration(visit.folder / job_of(visit).microphone.calibration) is not None
    assert services.result(visit) is None


def test_sound_check_is_forty_minutes_away(services):
    for number in (services.new_demo(), services.new_own()):
        assert services.store.visit(number).value("sound_check") == "2026-03-01T18:40+00:00"


def test_own_visit_knows_what_a_newcomer_may_leave(services):
    visit = services.store.visit(services.new_own("Quarry Lane Hall"))
    assert (visit.demo, visit.name, len(missing(visit))) == (False, "Quarry Lane Hall", 6)
    job = job_of(visit)
    assert (job.rig.sides, job.equalizer.bands) == (("left", "right"), 31)


def test_latest_visit_is_given_and_none_is_made(services):
    assert services.latest() is None
    assert services.latest() is None
    own = services.new_own()
    assert services.latest() == own


def test_next_visit_starts_where_the_hands_put_things(services, judged):
    number = services.new_demo()
    with_takes(services, number)
    tick(services, number, GAIN, RAISE)
    services.store.set_entry(number, "fader.left.1000", -6.0, was=None)
    services.now = lambda: NOW + datetime.timedelta(days=7)
    visit = services.store.visit(services.next_visit(number))
    assert (visit.demo, visit.name, visit.takes) == (True, services.store.visit(number).name, ())
    assert visit.value("rig.speaker_height_m") == 2.8
    assert visit.value("rig.speaker_down_deg") == 7.0
    assert visit.value("sound_check") == "2026-03-08T18:40+00:00"
    assert visit.values("tick.") == visit.values("fader.") == {}
    assert faults_of(visit) == ()
    # The earlier one stays as it was.
    assert services.store.visit(number).value("rig.speaker_height_m") == 1.6


def test_next_visit_without_a_tick_starts_as_the_last_one_did(services, judged):
    number = services.new_demo()
    with_takes(services, number)
    assert services.store.visit(services.next_visit(number)).value("rig.speaker_height_m") == 1.6


def test_visit_in_another_venue_has_the_rig_as_it_was_found(services, judged):
    number = services.new_demo()
    with_takes(services, number)
    tick(services, number, RAISE)
    visit = services.store.visit(services.next_visit(number, venue="Chapel B"))
    assert (visit.demo, visit.name) == (False, "Chapel B")
    assert visit.value("rig.speaker_height_m") == 1.6
    assert visit.value("venue.length_m") is None


def test_takes_anew_move_the_rig_delete_the_takes_and_clear_the_ticks(services, judged):
    number = services.new_demo()
    takes = with_takes(services, number)
    tick(services, number, GAIN, RAISE)
    services.store.set_entry(number, "tick.leave-1", True, was=None)
    services.take_anew(number)
    visit = services.store.visit(number)
    assert visit.value("rig.speaker_height_m") == 2.8
    assert visit.value("rig.speaker_down_deg") == 7.0
    # What job.toml has no figure for, and nothing that was not ticked.
    assert visit.value("hands") == {"left_gain_db": -1.5}
    assert set(visit.values("tick.").values()) == {None}
    did = {move_key(move).removeprefix("tick.") for move in (GAIN, RAISE)}
    kept = visit.values("did.")
    assert kept.pop("leave-1") is True  # what no move says has no words
    assert set(kept) == set(did)
    assert {one.text for one in visit.did} == {"Raise both.", "Turn it down."}
    assert visit.kept_takes == ()
    assert services.result(visit) is None
    for take in takes:
        services.store.set_deleted(number, take, deleted=False)
    again = services.store.visit(number)
    assert [one.number for one in again.kept_takes] == takes
    assert all((again.folder / one.take.file).is_file() for one in again.kept_takes)


def test_takes_anew_a_second_time_add_the_gain_and_keep_the_rest(services, judged):
    number = services.new_demo()
    with_takes(services, number)
    tick(services, number, GAIN, FLIP)
    services.take_anew(number)
    with_takes(services, number)
    tick(services, number, GAIN)
    services.take_anew(number)
    visit = services.store.visit(number)
    assert visit.value("hands") == {"left_gain_db": -3.0, "left_polarity": 1.0}
    assert visit.value("rig.speaker_height_m") == 1.6


def test_takes_anew_without_a_tick_only_delete_the_takes(services, judged):
    number = services.new_demo()
    with_takes(services, number)
    before = services.store.visit(number).entries
    services.take_anew(number)
    visit = services.store.visit(number)
    entries = dict(visit.entries)
    assert entries.pop("first_round").value == [f"takes/{k}.wav" for k in range(3)]
    assert (entries, visit.kept_takes) == (before, ())


def test_takes_anew_where_there_are_none_change_nothing(services):
    number = services.new_demo()
    before = services.store.visit(number)
    services.take_anew(number)
    assert services.store.visit(number) == before
