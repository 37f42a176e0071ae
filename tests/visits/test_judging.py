"""The verdict of a visit: what was measured once is measured once, and it is that of the folder."""

import io
import os
import zipfile
from collections import Counter
from threading import Thread

import numpy as np
import pytest

from evenhall.errors import InputError
from evenhall.job.folder.model import Take as JobTake
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.result import to_json
from evenhall.job.tune.tuning import tune
from evenhall.visits import judging
from evenhall.visits.carrying import write_folder
from evenhall.visits.judging import Judge
from evenhall.visits.store import Store
from job.folders import Folder, heard, played, room, sound_take, two_channels, with_peaks
from visits.made import CALIBRATION, taken_in

FILES = ("takes/left-front.wav", "takes/left-back.wav", "takes/right-front.wav")


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "data")
    yield store
    store.close()


@pytest.fixture
def number(store, tmp_path):
    """Three takes with something wrong about the hall, and a calibration."""
    folder = Folder(tmp_path / "hall")
    (folder.path / "takes").mkdir(parents=True)
    folder.head += '[rig]\nlow_limit_hz = 55.0\n[microphone]\ncalibration = "mic.txt"\n'
    (folder.path / "mic.txt").write_text(CALIBRATION)
    for seed, name in enumerate(FILES):
        side, spot = name[6:-4].split("-")
        impulse = with_peaks(room(seed, reverberant=0.008), ((250.0, 6.0, 2.0),))
        sound = two_channels(heard(played(), impulse, seed=seed), played())
        folder.add(sound, name, side=side, spot=spot)
    return taken_in(store, folder.write())


@pytest.fixture
def measured(monkeypatch):
    """How often each file was measured."""
    counts: Counter[str] = Counter()
    measure = judging.measure_take

    def counting(job, folder, take):
        counts[take.file] += 1
        return measure(job, folder, take)

    monkeypatch.setattr(judging, "measure_take", counting)
    return counts


def unpacked(visit, place):
    out = io.BytesIO()
    write_folder(visit, out)
    with zipfile.ZipFile(out) as archive:
        archive.extractall(place)
    return place


def test_result_is_that_of_the_exported_folder_to_the_byte(store, number, tmp_path):
    visit = store.visit(number)
    result = to_json(Judge().result(visit))
    folder = unpacked(visit, tmp_path / "out")
    assert result == to_json(tune(load_job(folder), folder))
    assert b'"kind": "leave"' in result  # it is not an empty one


def test_result_follows_a_deleted_take_and_one_that_comes_back(store, number, tmp_path, measured):
    judge = Judge()
    visit = store.visit(number)
    whole = judge.result(visit)
    store.set_deleted(number, visit.takes[1].number, deleted=True)
    without = judge.result(store.visit(number))
    assert [take.file for take in without.takes] == [FILES[0], FILES[2]]
    folder = unpacked(store.visit(number), tmp_path / "out")
    assert to_json(without) == to_json(tune(load_job(folder), folder))
    store.set_deleted(number, visit.takes[1].number, deleted=False)
    assert to_json(judge.result(store.visit(number))) == to_json(whole)
    assert measured == dict.fromkeys(FILES, 1)


def test_visit_without_takes_has_an_empty_result(store):
    visit = store.visit(store.new_visit("Quarry Lane Hall", {}))
    judge = Judge()
    assert judge.ready(visit)
    result = judge.result(visit)
    assert (result.job, result.takes, result.card) == ("Quarry Lane Hall", (), {})


def test_take_is_measured_once(store, number, measured):
    judge = Judge()
    visit = store.visit(number)
    assert not judge.ready(visit)
    first = judge.result(visit)
    assert judge.ready(visit)
    assert judge.result(store.visit(number)) is first
    judge.take(visit, visit.takes[0].take)
    assert measured == dict.fromkeys(FILES, 1)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("target.shape", "flat"),
        ("equalizer.bands", 15),
        ("equalizer.step_db", 1.0),
        ("venue.name", "Quarry Hall"),
        ("audience.last_row_m", 12.0),
        ("note.hall", "cold"),
    ],
)
def test_take_is_not_measured_anew_for_what_it_does_not_depend_on(
    store, number, measured, tmp_path, name, value
):
    judge = Judge()
    judge.result(store.visit(number))
    store.set_entry(number, name, value, was=None)
    assert judge.ready(store.visit(number))
    result = judge.result(store.visit(number))
    assert measured == dict.fromkeys(FILES, 1)
    folder = unpacked(store.visit(number), tmp_path / "out")
    assert to_json(result) == to_json(tune(load_job(folder), folder))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("rig.low_limit_hz", 200.0),
        ("venue.temperature_c", 5.0),
        ("microphone.calibration", None),
    ],
)
def test_every_take_is_measured_anew_for_what_all_depend_on(
    store, number, measured, tmp_path, name, value
):
    judge = Judge()
    judge.result(store.visit(number))
    store.set_entry(number, name, value, was=None)
    assert not judge.ready(store.visit(number))
    result = judge.result(store.visit(number))
    assert measured == dict.fromkeys(FILES, 2)
    folder = unpacked(store.visit(number), tmp_path / "out")
    assert to_json(result) == to_json(tune(load_job(folder), folder))


def test_calibration_that_is_given_anew_is_used(store, number, measured):
    judge = Judge()
    visit = store.visit(number)
    first = judge.result(visit)
    (visit.folder / "mic.txt").write_text("20 -1.5\n1000 6.0\n20000 2.0\n")
    second = judge.result(visit)
    assert measured == dict.fromkeys(FILES, 2)
    at_1_khz = [
        next(band.level_db for band in result.takes[0].bands if band.hz == 1000)
        for result in (first, second)
    ]
    # The band is 231 Hz wide and the deviation falls on both sides of its middle.
    assert at_1_khz[0] - at_1_khz[1] == pytest.approx(6.0, abs=0.3)


def test_recording_that_was_replaced_is_measured_anew_and_the_others_are_not(
    store, number, measured, tmp_path
):
    judge = Judge()
    visit = store.visit(number)
    first = judge.result(visit)
    path = visit.folder / FILES[1]
    before = path.stat()
    Folder(tmp_path).add(sound_take(9), "other.wav")
    path.write_bytes((tmp_path / "other.wav").read_bytes())
    assert path.stat().st_size == before.st_size  # only its time tells
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns + 1))
    second = judge.result(visit)
    assert measured == {FILES[0]: 1, FILES[1]: 2, FILES[2]: 1}
    assert second.takes[1].level_db != first.takes[1].level_db
    assert second.takes[0] == first.takes[0]


def test_recording_that_went_away_is_a_problem_of_its_take_alone(store, number):
    judge = Judge()
    visit = store.visit(number)
    before = judge.result(visit)
    (visit.folder / FILES[0]).rename(visit.folder / "away.wav")
    gone, *others = judge.result(visit).takes
    assert [problem.code for problem in gone.problems] == ["unreadable"]
    assert not gone.usable
    assert [take.usable for take in others] == [take.usable for take in before.takes[1:]]
    (visit.folder / "away.wav").rename(visit.folder / FILES[0])
    assert judge.result(visit) == before


def test_take_measured_elsewhere_is_remembered(store, number, measured):
    judge = Judge()
    visit = store.visit(number)
    known = {
        file: judge.take(visit, one.take) for file, one in zip(FILES, visit.takes, strict=True)
    }
    assert measured == dict.fromkeys(FILES, 1)
    other = Judge()
    for one in visit.takes:
        # Spelled out by whoever recorded it: every field is set, and it is the same take.
        take = JobTake(**one.take.model_dump())
        other.remember(visit, take, known[take.file])
    assert other.ready(visit)
    assert to_json(other.result(visit)) == to_json(judge.result(visit))
    assert measured == dict.fromkeys(FILES, 1)


def test_many_who_ask_at_once_get_it_measured_and_judged_once(store, number, measured, monkeypatch):
    judge = Judge()
    results, judged, judge_them = [], [], judging.result_from
    monkeypatch.setattr(judging, "result_from", lambda *job: judged.append(job) or judge_them(*job))
    threads = [
        Thread(target=lambda: results.append(judge.result(store.visit(number)))) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(results) == 4
    assert all(one is results[0] for one in results)
    assert len(judged) == 1
    assert measured == dict.fromkeys(FILES, 1)


def test_what_was_used_last_is_kept_when_there_is_too_much(store, number, measured, monkeypatch):
    monkeypatch.setattr(judging, "KEPT_TAKES", 2)
    judge = Judge()
    visit = store.visit(number)
    one, two, three = (each.take for each in visit.takes)
    for take in (one, two, one, three, one, two):
        judge.take(visit, take)
    assert measured == {one.file: 1, two.file: 2, three.file: 1}


def test_visits_do_not_share_what_was_measured(store, number, measured, tmp_path):
    judge = Judge()
    judge.result(store.visit(number))
    other = store.visit(taken_in(store, unpacked(store.visit(number), tmp_path / "out")))
    path = other.folder / FILES[0]
    Folder(tmp_path).add(sound_take(9), "other.wav")
    path.write_bytes((tmp_path / "other.wav").read_bytes())
    levels = [judge.result(each).takes[0].level_db for each in (store.visit(number), other)]
    assert not np.isclose(*levels, atol=0.01)


def test_figure_that_cannot_be_is_told(store, number):
    store.set_entry(number, "venue.length_m", 10.0, was=None)
    store.set_entry(number, "audience.last_row_m", 14.0, was=None)
    judge, visit = Judge(), store.visit(number)
    for ask in (
        lambda: judge.result(visit),
        lambda: judge.ready(visit),
        lambda: judge.take(visit, visit.takes[0].take),
    ):
        with pytest.raises(InputError, match=r"last_row_m = 14\.0 is above"):
            ask()
