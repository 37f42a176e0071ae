"""Recordings that no take names."""

import pytest

from evenhall.job.folder.model import Take
from evenhall.visits.orphans import Orphan, orphans
from evenhall.visits.store import Store
from visits.made import TAKE, add_sound, everything, taken_in


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "data")
    yield store
    store.close()


@pytest.fixture
def number(store):
    return store.new_visit("Quarry Lane Hall", {})


def found(store, number):
    return orphans(store.visit(number))


def test_recording_without_an_entry_is_found_until_it_has_one(store, number):
    assert found(store, number) == ()
    add_sound(store.visit(number).folder, TAKE.file)
    assert found(store, number) == (Orphan(TAKE.file, None),)
    store.add_take(number, TAKE)
    assert found(store, number) == ()


def test_recording_of_a_deleted_take_is_none(store, number):
    add_sound(store.visit(number).folder, TAKE.file)
    take = store.add_take(number, TAKE)
    store.set_deleted(number, take.number, deleted=True)
    assert found(store, number) == ()


def test_what_was_played_comes_with_its_recording_and_never_alone(store, number):
    folder = store.visit(number).folder
    add_sound(folder, "takes/left-front-played.wav")
    assert found(store, number) == ()
    add_sound(folder, "takes/left-front.wav")
    orphan = Orphan("takes/left-front.wav", "takes/left-front-played.wav")
    assert found(store, number) == (orphan,)
    take = Take(file=orphan.file, side="left", spot="front", reference_file=orphan.reference_file)
    store.add_take(number, take)
    assert found(store, number) == ()


def test_what_was_played_for_another_take_is_not_taken_from_it(store, number):
    folder = store.visit(number).folder
    for name in ("a", "a-played", "b"):
        add_sound(folder, f"takes/{name}.wav")
    store.add_take(
        number,
        Take(file="takes/b.wav", side="left", spot="x", reference_file="takes/a-played.wav"),
    )
    assert found(store, number) == (Orphan("takes/a.wav", None),)


def test_parts_and_other_files_are_none(store, number):
    folder = store.visit(number).folder
    for name in ("takes/a.wav.part", "takes/notes.txt", "a.wav"):
        (folder / name).write_bytes(b"")
    (folder / "takes" / "b.wav").mkdir()
    assert found(store, number) == ()


def test_shared_reference_among_the_takes_is_none(store, number):
    for name in ("takes/stimulus.wav", "takes/b.flac", "takes/a.WAV"):
        (store.visit(number).folder / name).write_bytes(b"")
    store.set_entry(number, "reference.file", "takes/../takes/stimulus.wav", was=0)
    assert found(store, number) == (Orphan("takes/a.WAV", None), Orphan("takes/b.flac", None))


def test_visit_of_a_folder_has_none_and_one_whose_folder_is_gone_neither(store, tmp_path):
    number = taken_in(store, everything(tmp_path / "chapel"))
    assert found(store, number) == ()
    place = store.visit(number).folder / "takes"
    place.rename(place.with_name("elsewhere"))
    assert found(store, number) == ()
