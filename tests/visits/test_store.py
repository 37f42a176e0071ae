"""The store: what was acknowledged is there, and nothing is lost silently."""

import os
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from threading import Thread

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.errors import InputError, StoreError
from evenhall.job.folder.model import Take
from evenhall.sound.recording import read_recording
from evenhall.visits.store import CARRIED, DATABASE_FILE, Changed, Store, VisitLine, data_path
from evenhall.visits.visit import Entry
from visits.made import TAKE, add_sound, below

HALL = "Quarry Lane Hall"
KNOWN = {
    "venue.length_m": 18.0,
    "audience.last_row_m": 14.0,
    "rig.low_limit_hz": 55.0,
    "equalizer.bands": 15,
    "target.shape": "speech",
    "microphone.sensitivity_db_spl": 112.0,
    "spots": [{"label": "front", "along_m": 2.5}],
    "note.hall": "cold",
    "tick.raise": True,
    "fader.left.1000": -2.5,
    "sound_check": "2026-05-02T18:30+02:00",
}


@contextmanager
def opened(folder, **options):
    store = Store(folder, **options)
    try:
        yield store
    finally:
        store.close()


@pytest.fixture
def store(tmp_path):
    with opened(tmp_path / "data") as store:
        yield store


@pytest.fixture
def number(store):
    return store.new_visit(HALL, {})


# Visits


def test_new_visit_knows_what_was_given_and_has_a_folder_for_takes(store):
    visit = store.visit(store.new_visit(HALL, KNOWN, demo=True))
    given = {name: entry.value for name, entry in visit.entries.items()}
    assert given == {**KNOWN, "venue.name": HALL}
    assert (visit.name, visit.demo, visit.takes) == (HALL, True, ())
    assert (visit.folder / "takes").is_dir()
    assert visit.folder.is_relative_to(store.folder)


def test_visits_are_listed_with_the_latest_first(tmp_path):
    times = (f"2026-03-0{day}T10:00:00+00:00" for day in count(1))
    with opened(tmp_path, now=lambda: next(times)) as store:
        one = store.new_visit(HALL, {})
        two = store.new_visit("Lower Mill Chapel", {}, demo=True)
        kept, gone = store.add_take(two, TAKE), store.add_take(two, TAKE)
        store.set_deleted(two, gone.number, deleted=True)
        assert store.visits() == (
            VisitLine(two, "Lower Mill Chapel", "2026-03-02T10:00:00+00:00", 1, True),
            VisitLine(one, HALL, "2026-03-01T10:00:00+00:00", 0, False),
        )
        assert kept.made_at == "2026-03-03T10:00:00+00:00"


def test_no_two_visits_share_a_folder(store):
    folders = {store.visit(store.new_visit(HALL, {})).folder for _ in range(5)}
    assert len(folders) == 5


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        ({"venue.length_m": -1}, "length_m = -1 is negative"),
        ({"colour": 3}, "no entry called 'colour'"),
    ],
)
def test_visit_that_begins_with_a_wrong_entry_leaves_nothing(store, entries, words):
    with pytest.raises(InputError, match=words):
        store.new_visit(HALL, entries)
    assert store.visits() == ()
    assert not (store.folder / "visits").exists()


def test_visit_that_could_not_be_entered_leaves_no_folder(store):
    store._connection.execute(
        f"PRAGMA max_page_count = {store._connection.execute('PRAGMA page_count').fetchone()[0]}"
    )
    with pytest.raises(StoreError, match="full"):
        store.new_visit(HALL, {f"note.{k}": "x" * 4000 for k in range(10)})
    assert list((store.folder / "visits").iterdir()) == []
    assert store.visits() == ()


def test_next_visit_in_the_same_venue_starts_from_what_stood_there(store):
    first = store.new_visit(HALL, KNOWN, demo=True)
    store.add_take(first, TAKE)
    visit = store.visit(store.next_visit(first))
    carried = {name: value for name, value in KNOWN.items() if name.startswith(CARRIED)}
    assert {name: one.value for name, one in visit.entries.items()} == {
        **carried,
        "venue.name": HALL,
    }
    assert not {"note.hall", "tick.raise", "fader.left.1000", "sound_check"} & set(visit.entries)
    assert (visit.takes, visit.demo) == ((), True)


def test_next_visit_elsewhere_takes_the_rig_along_and_not_the_room(store):
    first = store.new_visit(HALL, KNOWN, demo=True)
    visit = store.visit(store.next_visit(first, venue="Lower Mill Chapel"))
    assert {name: one.value for name, one in visit.entries.items()} == {
        "venue.name": "Lower Mill Chapel",
        "rig.low_limit_hz": 55.0,
        "equalizer.bands": 15,
        "target.shape": "speech",
        "microphone.sensitivity_db_spl": 112.0,
    }
    assert not visit.demo  # the simulated hall is no other hall


def test_next_visit_has_a_calibration_of_its_own(store, number):
    (store.visit(number).folder / "mic.txt").write_text("20 0\n20000 1\n")
    store.set_entry(number, "microphone.calibration", "mic.txt", was=0)
    visit = store.visit(store.next_visit(number))
    assert (visit.folder / "mic.txt").read_text() == "20 0\n20000 1\n"


@pytest.mark.parametrize("name", ["gone.txt", "../../secret.txt", "/etc/hostname", "takes", "a\0b"])
def test_next_visit_begins_without_a_calibration_that_cannot_be_carried(store, number, name):
    (store.folder / "secret.txt").write_text("20 0\n20000 1\n")
    store.set_entry(number, "microphone.calibration", name, was=0)
    visit = store.visit(store.next_visit(number))
    assert visit.value("microphone.calibration") == name  # a fault of that visit, see faults_of()
    assert below(visit.folder) == {}
    assert {name for name in below(store.folder) if not name.startswith("work/")} <= {
        "secret.txt",
        *(f"{DATABASE_FILE}{end}" for end in ("", "-wal", "-shm")),
    }


def test_venue_is_called_by_its_latest_name(store):
    first = store.new_visit(HALL, {})
    store.next_visit(first)
    store.set_entry(first, "venue.name", "Quarry Hall", was=1)
    assert {line.venue for line in store.visits()} == {"Quarry Hall"}
    assert store.visit(first).name == "Quarry Hall"


def test_deleted_visit_is_listed_apart_whole_and_comes_back(store, number):
    other = store.new_visit("Other", {})
    store.set_visit_deleted(number, deleted=True)
    assert [line.number for line in store.visits()] == [other]
    assert [line.number for line in store.visits(deleted=True)] == [number]
    assert store.visit(number).folder.is_dir()
    store.set_visit_deleted(number, deleted=False)
    assert {line.number for line in store.visits()} == {number, other}
    assert store.visits(deleted=True) == ()


@pytest.mark.parametrize("wrong", [0, 99, -1, 2**63, 2**70])
def test_visit_or_take_that_is_not_there_is_one_line(store, number, wrong):
    asks = (
        lambda: store.visit(wrong),
        lambda: store.next_visit(wrong),
        lambda: store.set_entry(wrong, "tick.raise", True, was=0),
        lambda: store.set_entry(wrong, "tick.raise", None, was=0),
        lambda: store.add_take(wrong, TAKE),
        lambda: store.set_deleted(wrong, 1, deleted=True),
    )
    for ask in asks:
        with pytest.raises(InputError, match=f"There is no visit {wrong}. Open one from the list"):
            ask()
    with pytest.raises(InputError, match=f"This visit has no take {wrong}."):
        store.set_deleted(number, wrong, deleted=True)
    assert store.visit(number).revision == 1


def test_take_of_another_visit_cannot_be_deleted(store, number):
    other = store.new_visit(HALL, {})
    take = store.add_take(other, TAKE)
    with pytest.raises(InputError, match="This visit has no take"):
        store.set_deleted(number, take.number, deleted=True)
    assert len(store.visit(other).kept_takes) == 1


def test_store_that_was_closed_is_one_line(tmp_path):
    store = Store(tmp_path)
    store.close()
    with pytest.raises(StoreError, match="closed database"):
        store.visits()


def test_visits_lie_in_the_folder_of_the_user(monkeypatch, tmp_path):
    # XDG Base Directory Specification 0.8: $XDG_DATA_HOME
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert data_path() == tmp_path / "evenhall"


# Entries


def test_entry_is_changed_by_whoever_saw_it(store, number):
    one = store.set_entry(number, "venue.length_m", 18.0, was=0)
    two = store.set_entry(number, "venue.length_m", 17.0, was=one.revision)
    assert two.revision > one.revision
    assert store.visit(number).entries["venue.length_m"] == two


def test_entry_is_not_changed_by_whoever_saw_an_older_one(store, number):
    one = store.set_entry(number, "venue.length_m", 18.0, was=0)
    two = store.set_entry(number, "venue.length_m", 17.0, was=one.revision)
    for was in (0, one.revision):
        with pytest.raises(Changed) as answer:
            store.set_entry(number, "venue.length_m", 16.0, was=was)
        assert answer.value.entry == two
    assert store.visit(number).entries["venue.length_m"] == two
    assert store.visit(number).revision == two.revision


def test_two_who_want_the_same_do_not_quarrel(store, number):
    one = store.set_entry(number, "venue.length_m", 18.0, was=0)
    assert store.set_entry(number, "venue.length_m", 18.0, was=0) == one
    assert store.visit(number).revision == one.revision


def test_two_things_changed_at_once_are_both_there(store, number):
    store.set_entry(number, "venue.length_m", 18.0, was=0)
    store.set_entry(number, "venue.width_m", 9.0, was=0)
    assert store.visit(number).values("venue.") == {"name": HALL, "length_m": 18.0, "width_m": 9.0}


def test_entry_that_was_taken_away_does_not_begin_again(store, number):
    one = store.set_entry(number, "note.hall", "cold", was=0)
    two = store.set_entry(number, "note.hall", None, was=one.revision)
    assert store.visit(number).value("note.hall") is None
    with pytest.raises(Changed):  # a page that saw it before there was any
        store.set_entry(number, "note.hall", "warm", was=0)
    assert store.set_entry(number, "note.hall", "warm", was=two.revision).value == "warm"


def test_entry_may_be_written_over_whatever_is_there(store, number):
    store.set_entry(number, "venue.rt60_s", 1.0, was=0)
    store.set_entry(number, "venue.rt60_s", 1.2, was=None)
    assert store.visit(number).value("venue.rt60_s") == 1.2


def test_wrong_entry_is_refused_and_changes_nothing(store, number):
    with pytest.raises(InputError, match=r"length_m = 0\.2 is too small"):
        store.set_entry(number, "venue.length_m", 0.2, was=0)
    assert store.visit(number).revision == 1


def test_every_change_raises_the_revision_of_the_visit(store, number):
    revisions = [store.visit(number).revision]
    take = store.add_take(number, TAKE)
    changes = (
        lambda: store.set_entry(number, "tick.raise", True, was=0),
        lambda: store.set_deleted(number, take.number, deleted=True),
        lambda: store.set_deleted(number, take.number, deleted=False),
        lambda: store.add_take(number, TAKE),
    )
    for change in changes:
        change()
        revisions.append(store.visit(number).revision)
    assert revisions == sorted(set(revisions))


# Takes


def test_take_is_there_as_it_was_given(store, number):
    take = Take(file="takes/a.wav", side="sub", spot="back", distance_m=3.25, state="after")
    stored = store.add_take(number, take)
    assert store.visit(number).takes == (stored,)
    assert store.visit(number).takes[0].take.model_fields_set == take.model_fields_set


def test_deleted_take_is_kept_and_comes_back_to_its_place(store, number):
    takes = [store.add_take(number, TAKE) for _ in range(3)]
    sound = add_sound(store.visit(number).folder, TAKE.file)
    before = store.visit(number).takes
    store.set_deleted(number, takes[1].number, deleted=True)
    assert [one.number for one in store.visit(number).kept_takes] == [
        takes[0].number,
        takes[2].number,
    ]
    assert sound.is_file()
    store.set_deleted(number, takes[1].number, deleted=False)
    assert store.visit(number).takes == before


# Any sequence of changes, held against a dict


NAMES = ("note.a", "note.b", "tick.raise", "venue.length_m", "spots")
VALUES = {
    "note.a": st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    "note.b": st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    "tick.raise": st.booleans(),
    "venue.length_m": st.floats(1.0, 300.0) | st.integers(1, 300),
    "spots": st.floats(0.1, 300.0).map(lambda m: [{"label": "front", "along_m": m}]),
}
SETS = st.sampled_from(NAMES).flatmap(
    lambda name: st.tuples(st.just("set"), st.just(name), st.none() | VALUES[name])
)
STEPS = (
    SETS
    | st.tuples(st.just("add"), st.sampled_from(("left", "right", "sub")), st.none())
    | st.tuples(st.sampled_from(("delete", "restore")), st.integers(0, 9), st.none())
    | st.tuples(st.just("reopen"), st.none(), st.none())
)


@settings(max_examples=60, deadline=None)
@given(st.lists(STEPS, max_size=25))
def test_any_sequence_of_changes_is_what_a_dict_would_hold(steps):
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder))
        number = store.new_visit(HALL, {})
        values: dict = {}
        takes: list = []  # [number, side, deleted]
        for what, which, value in steps:
            if what == "set":
                seen = store.visit(number).entries.get(which, Entry()).revision
                store.set_entry(number, which, value, was=seen)
                values[which] = value
            elif what == "add":
                take = TAKE.model_copy(update={"side": which})
                takes.append([store.add_take(number, take).number, which, False])
            elif what == "reopen":
                store.close()
                store = Store(Path(folder))
            elif takes:
                one = takes[which % len(takes)]
                one[2] = what == "delete"
                store.set_deleted(number, one[0], deleted=one[2])
        for _ in range(2):
            visit = store.visit(number)
            for name in NAMES:
                assert visit.value(name) == values.get(name)
            assert [[one.number, one.take.side, one.deleted] for one in visit.takes] == takes
            store.close()
            store = Store(Path(folder))
        store.close()


# Two at once


ROUNDS = 150


def append(store, number, letter, losses):
    """Put a letter more at the end, again and again; whoever was too late looks again."""
    entry, written = store.visit(number).entries.get("note.a", Entry()), 0
    while written < ROUNDS:
        try:
            text = (entry.value or "") + letter
            entry = store.set_entry(number, "note.a", text, was=entry.revision)
            written += 1
        except Changed as answer:
            losses.append((entry.revision, answer.entry.revision))
            entry = answer.entry


@pytest.mark.parametrize("stores", [1, 2])
def test_no_update_is_lost_between_two_threads(tmp_path, stores):
    with opened(tmp_path) as one, opened(tmp_path) as other:
        number = one.new_visit(HALL, {})
        losses: list[tuple[int, int]] = []
        threads = [
            Thread(target=append, args=(store, number, letter, losses))
            for letter, store in (("a", one), ("b", one if stores == 1 else other))
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        for store in (one, other):
            visit = store.visit(number)
            text = visit.value("note.a")
            assert (text.count("a"), text.count("b"), len(text)) == (ROUNDS, ROUNDS, 2 * ROUNDS)
            assert visit.revision == 1 + 2 * ROUNDS
        assert all(seen < now for seen, now in losses)


def test_of_two_threads_with_one_revision_one_wins_and_one_is_told(tmp_path):
    with opened(tmp_path) as one, opened(tmp_path) as other:
        number = one.new_visit(HALL, {})
        for k in range(100):
            seen = one.visit(number).entries.get("note.a", Entry()).revision
            outcomes: dict = {}

            def change(store, text, seen=seen, outcomes=outcomes):
                try:
                    outcomes[text] = store.set_entry(number, "note.a", text, was=seen)
                except Changed as answer:
                    outcomes[text] = answer

            threads = [
                Thread(target=change, args=(store, f"{name} {k}"))
                for name, store in (("one", one), ("other", other))
            ]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            (won,) = [each for each in outcomes.values() if isinstance(each, Entry)]
            (lost,) = [each for each in outcomes.values() if isinstance(each, Changed)]
            assert lost.entry == won == one.visit(number).entries["note.a"]


def test_two_stores_on_one_file_see_each_other(tmp_path):
    with opened(tmp_path) as one, opened(tmp_path) as other:
        number = one.new_visit(HALL, {})
        take = other.add_take(number, TAKE)
        one.set_deleted(number, take.number, deleted=True)
        first = one.set_entry(number, "note.a", "b", was=0)
        with pytest.raises(Changed) as answer:
            other.set_entry(number, "note.a", "c", was=0)
        assert answer.value.entry == first
        assert one.visit(number) == other.visit(number)


def test_visit_is_read_as_of_one_moment_while_another_store_writes(tmp_path):
    with opened(tmp_path) as one, opened(tmp_path) as other:
        number = one.new_visit(HALL, {})
        meanwhile = []

        def write(statement):
            if "FROM entry" in statement:  # the row of the visit has been read by now
                meanwhile.append(one.set_entry(number, "note.a", "b", was=0))

        other._connection.set_trace_callback(write)
        visit = other.visit(number)
        other._connection.set_trace_callback(None)
        assert len(meanwhile) == 1
        # Only this entry was changed, so that its revision would be the visit's.
        assert max(entry.revision for entry in visit.entries.values()) == visit.revision
        assert other.visit(number).entries["note.a"] == meanwhile[0]


# Killed


RECORDER = """
import sys
from pathlib import Path
import numpy as np
from evenhall.job.folder.model import Take
from evenhall.sound.writing import TakeWriter
from evenhall.visits.store import Store

store = Store(Path(sys.argv[1]))
number, start = int(sys.argv[2]), int(sys.argv[3])
folder = store.visit(number).folder
for k in range(start, start + 100_000):
    name = f"takes/{k}.wav"
    with TakeWriter(folder / name, rate_hz=48_000, channels=2) as writer:
        for block in range(4):
            writer.write(np.full((600, 2), (k % 1000) / 1000.0, dtype=np.float32))
        writer.finish()
    take = store.add_take(number, Take(file=name, side="left", spot="front", reference_channel=2))
    print(take.number, k, flush=True)
"""


def test_every_acknowledged_take_survives_a_kill_at_any_moment(tmp_path):
    with opened(tmp_path) as store:
        number = store.new_visit(HALL, {})
    rng = np.random.default_rng(20)
    acknowledged: dict[int, int] = {}
    start = 0
    for attempt in range(20):
        child = subprocess.Popen(
            [sys.executable, "-c", RECORDER, str(tmp_path), str(number), str(start)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        lines = [child.stdout.readline() for _ in range(int(rng.integers(1, 4)))]
        time.sleep(rng.uniform(0.0, 0.02))  # anywhere between two takes, and within one
        os.kill(child.pid, signal.SIGKILL)
        lines += child.stdout.read().splitlines()
        assert child.wait() == -signal.SIGKILL
        child.stdout.close()
        whole = [line.split() for line in lines if len(line.split()) == 2]
        assert whole, attempt
        acknowledged |= {int(row): int(k) for row, k in whole}
        start = (attempt + 1) * 100_000

        with opened(tmp_path) as store:
            visit = store.visit(number)
            there = {one.number: one.take for one in visit.takes}
            for row, k in acknowledged.items():
                assert there[row].file == f"takes/{k}.wav"
            # Whatever has an entry has its recording, whole, acknowledged or not.
            for take in there.values():
                recording = read_recording(visit.folder / take.file)
                assert recording.samples.shape == (2400, 2)
                k = int(Path(take.file).stem)
                wanted = (k % 1000) / 1000.0
                assert np.abs(recording.samples - wanted).max() <= 2.0**-23  # a step of 24 bits
            store.set_entry(number, "note.kills", str(attempt), was=None)
    assert len(acknowledged) >= 20


def test_rig_that_is_another_now_has_its_entries_changed_and_its_takes_deleted_at_once(
    store, number
):
    store.set_entry(number, "tick.raise-1", True, was=None)
    take = store.add_take(number, TAKE)
    store.begin_anew(number, {"rig.speaker_height_m": 2.6, "tick.raise-1": None})
    visit = store.visit(number)
    assert (visit.value("rig.speaker_height_m"), visit.value("tick.raise-1")) == (2.6, None)
    assert visit.kept_takes == ()
    store.set_deleted(number, take.number, deleted=False)
    assert [one.number for one in store.visit(number).kept_takes] == [take.number]


def test_rig_with_a_wrong_entry_changes_nothing(store, number):
    store.add_take(number, TAKE)
    before = store.visit(number)
    with pytest.raises(InputError, match="speaker_height_m"):
        store.begin_anew(number, {"tick.raise-1": None, "rig.speaker_height_m": -1.0})
    assert store.visit(number) == before
