"""The job folder out of the store and into it again: lossless, and safe from hostile files."""

import io
import json
import os
import stat
import struct
import warnings
import zipfile
import zlib
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from evenhall.errors import EvenhallError, InputError, StoreError
from evenhall.job.folder.adding import RecordedTake, add_take
from evenhall.job.folder.model import Take
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.result import to_json
from evenhall.job.tune.tuning import tune
from evenhall.visits import carrying
from evenhall.visits.carrying import VISIT_FILE, job_toml, read_folder, write_folder
from evenhall.visits.store import Store
from evenhall.visits.visit import job_of
from job.folders import Folder, sound_take
from visits.made import (
    CLOCK,
    EVERYTHING,
    TAKE,
    add_sound,
    below,
    everything,
    packed,
    taken_in,
    zip_of,
)

LEAST = '[venue]\nname = "Lower Mill Chapel"\n'
OWN = {
    "spots": [
        {"label": "front", "along_m": 2.5},
        {"label": "b\u00e4ck \u2013 \U0001f511", "along_m": 9},
    ],
    "sound_check": "2026-05-02T18:30+02:00",
    "line_check": {
        "at": "2026-05-02T16:10:00+00:00",
        "elements": ["left"],
        "findings": [{"element": "left", "code": "hum", "text": "It hums at 50 Hz."}],
    },
    "gain": {"text": "It stands.", "turn": "hold", "turned_db": -20.5},
    "tick.raise": False,
    "fader.left.1000": -2.5,
    "walk.row 3": True,
    "note.hall": 'The key: "hangs"\n\tbehind the bar.\u2028\x00\x7f\\ \U0001f511',
}


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "data")
    yield store
    store.close()


@pytest.fixture
def chapel(tmp_path):
    return everything(tmp_path / "chapel")


def exported(store, number) -> io.BytesIO:
    out = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # zipfile only warns of one name twice
        write_folder(store.visit(number), out)
    out.seek(0)
    return out


def files_in(source) -> dict[str, bytes]:
    with zipfile.ZipFile(source) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def unpacked(source, place) -> Path:
    with zipfile.ZipFile(source) as archive:
        archive.extractall(place)
    return place


def all_of(visit):
    """What of a visit has to come through; its numbers, place and revisions are the store's."""
    entries = {name: one.value for name, one in visit.entries.items() if one.value is not None}
    takes = [(one.take, one.made_at, one.deleted) for one in visit.takes]
    return entries, takes, below(visit.folder), visit.made_at, visit.demo


@pytest.fixture
def full(store, chapel):
    """A visit with everything in it, two of its takes deleted."""
    number = taken_in(store, chapel)
    for name, value in OWN.items():
        store.set_entry(number, name, value, was=0)
    store.set_entry(number, "note.gone", "away", was=0)
    store.set_entry(number, "note.gone", None, was=None)
    takes = store.visit(number).takes
    for at in (0, 3):
        store.set_deleted(number, takes[at].number, deleted=True)
    return number


def unfinished(store):
    """What is left of imports that have ended."""
    places = (store.folder / "work").glob("*/*")
    return [path for path in places if path.name != "making" or list(path.iterdir())]


def kept_in(store):
    ours = ("visits.sqlite3", "work/")
    return {name for name in below(store.folder) if not name.startswith(ours)}


def untouched(store, before):
    """Nothing was left behind by a folder that was refused."""
    assert kept_in(store) == before
    assert unfinished(store) == []


def refused(store, source, *, kind=InputError) -> str:
    """One line about a folder that is refused, and nothing left of it."""
    visits = store.visits()
    before = kept_in(store)
    with pytest.raises(kind) as error:
        read_folder(store, source)
    untouched(store, before)
    assert store.visits() == visits
    assert "\n" not in str(error.value)
    return str(error.value)


# Out and in


def test_everything_comes_through_twice(store, full, tmp_path):
    one = store.visit(full)
    assert sum(each.deleted for each in one.takes) == 2
    other_store = Store(tmp_path / "other")
    number = read_folder(other_store, exported(store, full))
    two = other_store.visit(number)
    assert all_of(two) == all_of(one)
    again = read_folder(store, exported(other_store, number))
    assert all_of(store.visit(again)) == all_of(one)
    assert unfinished(other_store) == []
    other_store.close()


def test_second_export_holds_the_same_files_byte_for_byte(store, full):
    first = files_in(exported(store, full))
    second = files_in(exported(store, read_folder(store, exported(store, full))))
    assert first == second
    assert {"job.toml", VISIT_FILE, "mic.txt", "takes/left-back-played.wav"} < set(first)
    assert "note.gone" not in json.loads(first[VISIT_FILE])["entries"]


def test_job_toml_has_its_fields_in_the_order_of_the_docs(store, chapel):
    text = job_toml(store.visit(taken_in(store, chapel)))
    fields = [line.split(" =")[0] for line in text.splitlines() if " = " in line]
    wanted = [line.split(" =")[0] for line in EVERYTHING.splitlines() if " = " in line]
    assert fields == wanted


def test_files_are_those_of_the_folder(store, chapel):
    files = files_in(exported(store, taken_in(store, chapel)))
    del files["job.toml"], files[VISIT_FILE]
    assert files == {name: data for name, data in below(chapel).items() if name != "job.toml"}


def test_exported_job_is_that_of_the_folder(store, chapel, tmp_path):
    folder = unpacked(exported(store, taken_in(store, chapel)), tmp_path / "out")
    assert load_job(folder) == load_job(chapel)


def test_exported_folder_of_a_visit_that_was_made_here_can_be_tuned(store, tmp_path):
    number = store.new_visit("Quarry Lane Hall", {"venue.rt60_s": 0.35, "rig.sides": ["left"]})
    visit = store.visit(number)
    for seed, spot in enumerate(("front", "back")):
        Folder(visit.folder).add(sound_take(seed), f"takes/{spot}.wav")
        take = TAKE.model_copy(update={"file": f"takes/{spot}.wav", "spot": spot})
        store.add_take(number, take)
    folder = unpacked(exported(store, number), tmp_path / "out")
    result = tune(load_job(folder), folder)
    assert [take.usable for take in result.takes] == [True, True]
    assert load_job(folder) == job_of(store.visit(number))
    again = read_folder(store, exported(store, number))
    other = unpacked(exported(store, again), tmp_path / "again")
    assert to_json(tune(load_job(other), other)) == to_json(result)


def test_demo_stays_a_demo(store):
    number = store.new_visit("Ottersfold Hall", {}, demo=True)
    assert store.visit(read_folder(store, exported(store, number))).demo
    assert not store.visit(read_folder(store, zip_of({"job.toml": LEAST}))).demo


def test_reference_that_was_taken_away_stays_away(store, chapel):
    number = taken_in(store, chapel)
    (only,) = [one for one in store.visit(number).takes if one.take.side == "sub"]
    store.set_deleted(number, only.number, deleted=True)  # it has no other reference
    store.set_entry(number, "reference.file", None, was=None)
    again = store.visit(read_folder(store, exported(store, number)))
    assert again.value("reference.file") is None
    assert job_of(again).reference is None


def test_visit_without_takes_comes_through_and_takes_can_be_added_to_its_folder(store, tmp_path):
    number = store.new_visit("Lower Mill Chapel", {"venue.length_m": 12})
    again = store.visit(read_folder(store, exported(store, number)))
    assert (again.name, again.value("venue.length_m"), again.takes) == ("Lower Mill Chapel", 12, ())
    folder = unpacked(exported(store, number), tmp_path / "out")
    add_sound(folder, TAKE.file)
    take = RecordedTake(**{"distance_m": None, **TAKE.model_dump()})
    add_take(folder, take)
    assert [one.file for one in load_job(folder).takes] == [TAKE.file]


def test_text_of_job_toml_holds_what_was_typed_even_if_it_cannot_be(store, tmp_path):
    number = store.new_visit(
        "Quarry Lane Hall", {"venue.length_m": 5.0, "audience.last_row_m": 14.0}
    )
    text = job_toml(store.visit(number))
    assert "length_m = 5.0" in text
    assert "last_row_m = 14.0" in text
    assert refused(store, exported(store, number)).startswith(
        "job.toml: [audience] last_row_m = 14.0 is above [venue] length_m = 5.0."
    )


def test_part_of_a_recording_and_links_are_not_packed(store, tmp_path):
    number = store.new_visit("Lower Mill Chapel", {})
    folder = store.visit(number).folder
    (folder / "takes" / "a.wav.part").write_bytes(b"broken off")
    (tmp_path / "secret.txt").write_text("mine")
    (folder / "link.txt").symlink_to(tmp_path / "secret.txt")
    (folder / ".hidden.txt").write_text("kept")
    (folder / "job.toml").write_text("stray")
    files = files_in(exported(store, number))
    assert set(files) == {"job.toml", VISIT_FILE, ".hidden.txt"}
    assert b"Lower Mill Chapel" in files["job.toml"]


def test_recording_of_a_recorder_whose_clock_was_never_set_is_packed(store, number_with_sound):
    number, sound = number_with_sound
    os.utime(sound, (0, 0))  # zip files begin in 1980
    assert files_in(exported(store, number))[TAKE.file] == sound.read_bytes()


@pytest.fixture
def number_with_sound(store):
    number = store.new_visit("Lower Mill Chapel", {})
    sound = add_sound(store.visit(number).folder, TAKE.file)
    store.add_take(number, TAKE)
    return number, sound


def test_disk_that_fills_up_while_a_folder_is_packed_is_one_line(store, number_with_sound):
    class Full(io.BytesIO):
        def write(self, data):
            raise OSError(28, "No space left on device")

    with pytest.raises(StoreError, match=r"could not be packed \(No space left on device\)"):
        write_folder(store.visit(number_with_sound[0]), Full())


# Folders of other origin


def test_folder_without_visit_json_becomes_a_visit(store, chapel):
    visit = store.visit(taken_in(store, chapel))
    assert job_of(visit) == load_job(chapel)
    assert not any(one.deleted for one in visit.takes)


def test_folder_that_was_packed_as_a_whole_is_found(store, chapel):
    files = {f"My hall/{name}": data for name, data in below(chapel).items()}
    visit = store.visit(read_folder(store, zip_of({**files, "__MACOSX/._job.toml": b"junk"})))
    assert job_of(visit) == load_job(chapel)
    assert set(below(visit.folder)) == set(below(chapel)) - {"job.toml"}


@pytest.mark.parametrize(
    ("name", "venue"), [("job.toml", "Unnamed venue"), ("Upper Mill/job.toml", "Upper Mill")]
)
def test_venue_without_a_name_is_called_as_its_folder(store, name, venue):
    visit = store.visit(read_folder(store, zip_of({name: "[equalizer]\nbands = 15\n"})))
    assert visit.name == venue


def test_backslashes_of_a_careless_packer_are_folders(store, chapel):
    raw = packed(chapel).getvalue().replace(b"takes/", b"takes\\")
    assert job_of(store.visit(read_folder(store, io.BytesIO(raw)))) == load_job(chapel)


def edited(source, **changes):
    """The zip file with some of its files made anew: each value is a function of the bytes."""
    files = files_in(source)
    for name, change in changes.items():
        key = {"job": "job.toml", "visit": VISIT_FILE}[name]
        files[key] = change(files[key])
    return zip_of(files)


def test_job_toml_that_was_edited_by_hand_is_right(store, full):
    def by_hand(raw):
        text = raw.decode().replace("length_m = 18.0", "length_m = 16.5")
        text = text.replace('[reference]\nfile = "stimulus.wav"\n', "")
        return text.replace("humidity_pct = 61.0\n", "").encode()

    source = edited(exported(store, full), job=by_hand)
    # The take that had no other reference goes with it.
    files = files_in(source)
    text = files["job.toml"].decode()
    head, *takes = text.split("[[take]]")
    takes = [take for take in takes if "sub-front" not in take]
    files["job.toml"] = "[[take]]".join((head, *takes)).encode()
    visit = store.visit(read_folder(store, zip_of(files)))
    assert visit.value("venue.length_m") == 16.5
    assert visit.value("venue.humidity_pct") is None
    assert visit.value("reference.file") is None
    assert {name: visit.value(name) for name in OWN} == OWN
    # What was taken out by hand is no take, deleted or not; its recording is still there.
    assert "takes/sub-front.wav" not in [one.take.file for one in visit.takes]
    assert (visit.folder / "takes/sub-front.wav").is_file()
    assert sum(one.deleted for one in visit.takes) == 2


def test_deleted_take_that_was_listed_again_by_hand_is_back(store, full):
    (gone, *_) = [one for one in store.visit(full).takes if one.deleted]

    def by_hand(raw):
        return (
            raw
            + (
                f'\n[[take]]\nfile = "{gone.take.file}"\nside = "right"\nspot = "back"\n'
                "reference_channel = 2\n"
            ).encode()
        )

    visit = store.visit(read_folder(store, edited(exported(store, full), job=by_hand)))
    (back,) = [one for one in visit.takes if one.take.file == gone.take.file]
    assert not back.deleted
    assert back.take.side == "right"
    assert back.made_at == gone.made_at


def test_two_channels_of_one_recording_are_two_takes(store, tmp_path):
    number = store.new_visit("Lower Mill Chapel", {})
    add_sound(store.visit(number).folder, "takes/both.wav")
    takes = [
        Take(file="takes/both.wav", side="left", spot=spot, mic_channel=k, reference_channel=3)
        for k, spot in ((1, "front"), (2, "back"))
    ]
    stored = [store.add_take(number, take) for take in takes]
    store.set_deleted(number, stored[1].number, deleted=True)
    again = store.visit(read_folder(store, exported(store, number)))
    assert [(one.take, one.deleted) for one in again.takes] == [(takes[0], False), (takes[1], True)]


# Refused


@pytest.mark.parametrize(
    "name",
    [
        "../job.toml",
        "takes/../../job.toml",
        "/etc/job.toml",
        "..\\job.toml",
        "C:\\job.toml",
        "C:/job.toml",
        "c:job.toml",
        "\\\\server\\share\\job.toml",
        "..",
        "/",
    ],
)
def test_path_that_leads_out_is_refused(store, name):
    source = zip_of({"job.toml": LEAST, "fine.txt": "a"})
    raw = zip_of({"job.toml": LEAST, "x" * len(name.encode()): "mine"}).getvalue()
    # Written over the name: zipfile would not write some of them as they stand.
    raw = raw.replace(b"x" * len(name.encode()), name.encode())
    if name == "/":
        assert store.visit(read_folder(store, io.BytesIO(raw))).name == "Lower Mill Chapel"
        return
    outside = below(store.folder.parent).keys()
    line = refused(store, io.BytesIO(raw))
    assert line.startswith("The zip file holds a path that leads out of it: ")
    assert below(store.folder.parent).keys() == outside
    assert read_folder(store, source)


def link(name, target):
    entry = zipfile.ZipInfo(name)
    entry.create_system = 3
    entry.external_attr = (stat.S_IFLNK | 0o777) << 16
    return entry, target


def test_link_is_not_followed_but_is_the_text_that_it_is_made_of(store, tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("mine")
    out = zip_of({"job.toml": LEAST})
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr(*link("link.txt", str(secret)))
        archive.writestr(*link("folder", str(tmp_path)))
    visit = store.visit(read_folder(store, out))
    assert not any(path.is_symlink() for path in visit.folder.rglob("*"))
    assert below(visit.folder) == {
        "link.txt": str(secret).encode(),
        "folder": str(tmp_path).encode(),
    }


def test_nothing_is_written_through_a_link(store, tmp_path):
    out = zip_of({"job.toml": LEAST})
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr(*link("takes", str(tmp_path)))
        archive.writestr("takes/planted.txt", "mine")
    assert refused(store, out).startswith("The zip file holds one file twice, or ")
    assert not (tmp_path / "planted.txt").exists()


@pytest.mark.parametrize("second", ["notes.txt", "./notes.txt", "notes.txt/inside.txt"])
def test_one_file_twice_is_refused(store, second):
    out = zip_of({"job.toml": LEAST, "notes.txt": "a"})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with zipfile.ZipFile(out, "a") as archive:
            archive.writestr(second, "b")
    assert refused(store, out) == (
        "The zip file holds one file twice, or two names that are one on this disk: "
        f"{second!r}. Rename one, in job.toml too, and pack it again."
    )


def test_two_names_that_are_one_on_this_disk_are_refused(store, monkeypatch):
    inside = carrying._inside
    monkeypatch.setattr(carrying, "_inside", lambda name: inside(name.lower()))
    out = zip_of({"job.toml": LEAST, "takes/left.wav": "a", "takes/Left.wav": "b"})
    assert "two names that are one on this disk: 'takes/Left.wav'." in refused(store, out)


@pytest.mark.parametrize(
    "name", ["takes/aux.wav", "takes/NUL", "takes/left.wav.", "takes/a:b.wav", "takes/hall /a.wav"]
)
def test_name_that_windows_does_not_take_is_refused_there_and_named(store, monkeypatch, name):
    out = zip_of({"job.toml": LEAST, name: "a"})
    read_folder(store, out)
    monkeypatch.setattr("evenhall.disk.WINDOWS", True)
    bad = name.split("/")[1]
    assert refused(store, out) == (
        f"The zip file holds a name that Windows does not take: {bad!r}. Rename that file, in "
        "job.toml too, and pack it again."
    )


def test_too_many_files_are_refused(store, monkeypatch):
    monkeypatch.setattr(carrying, "MAX_FILES", 3)
    files = {"job.toml": LEAST, "a": "a", "b": "b"}
    assert read_folder(store, zip_of(files))
    line = refused(store, zip_of({**files, "c": "c"}))
    assert line == "The zip file holds more than 3 files."


def test_folder_that_unpacks_to_too_much_is_refused(store, monkeypatch):
    monkeypatch.setattr(carrying, "MAX_FOLDER_BYTES", 2**20)
    half = b"\0" * 2**19
    assert read_folder(store, zip_of({"job.toml": LEAST, "a": half}))
    source = zip_of({"job.toml": LEAST, "a": half, "b": half})
    assert len(source.getvalue()) < 2**14
    assert refused(store, source).startswith("The zip file unpacks to over ")


def test_size_that_the_zip_file_tells_is_not_believed(store, monkeypatch):
    monkeypatch.setattr(carrying, "MAX_FOLDER_BYTES", 2**20)
    raw = zip_of({"job.toml": LEAST, "a": b"\0" * 2**22}).getvalue()
    raw = raw.replace(struct.pack("<L", 2**22), struct.pack("<L", 100))
    line = refused(store, io.BytesIO(raw))
    assert line.startswith(("The zip file unpacks to over", "This is no zip file that can be read"))


def test_locked_zip_file_is_refused(store):
    raw = bytearray(zip_of({"job.toml": LEAST}).getvalue())
    # APPNOTE.TXT 4.3.7 and 4.3.12: general purpose flags, bit 0 = encrypted.
    raw[6] |= 1
    raw[raw.index(b"PK\x01\x02") + 8] |= 1
    line = refused(store, io.BytesIO(bytes(raw)))
    assert line == "The zip file is locked by a password. Give one without."


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_zip_file_of_a_rare_kind_is_refused(store, method):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        archive.writestr("job.toml", LEAST)
    assert refused(store, out) == "The zip file is packed in a rare way. Pack it as plain zip."


@pytest.mark.parametrize("content", [b"", b"holiday photographs", b"PK\x03\x04", LEAST.encode()])
def test_what_is_no_zip_file_is_refused(store, content):
    assert refused(store, io.BytesIO(content)).startswith("This is no zip file that can be read")


def test_zip_file_that_is_cut_off_is_refused(store, chapel):
    raw = packed(chapel).getvalue()
    for share in (0.1, 0.5, 0.99):
        line = refused(store, io.BytesIO(raw[: int(share * len(raw))]))
        assert line.startswith("This is no zip file that can be read")


def test_zip_file_that_is_damaged_inside_is_refused(store):
    noise = zlib.compress(bytes(range(256)) * 9)
    raw = bytearray(zip_of({"job.toml": LEAST, "a": noise * 30}).getvalue())
    at = raw.index(b"a", 60) + 40
    raw[at : at + 30] = b"\xff" * 30
    line = refused(store, io.BytesIO(bytes(raw)))
    assert line.startswith("This is no zip file that can be read")


@pytest.mark.parametrize(
    "files", [{}, {"notes.txt": "a"}, {"a/b/job.toml": LEAST}, {"a/job.toml": "", "b/job.toml": ""}]
)
def test_zip_file_without_a_job_is_refused(store, files):
    assert refused(store, zip_of(files)) == (
        "There is no job.toml in the zip file. Pack a job folder."
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "job.toml: is empty."),
        ("[venue]\nname = ", "job.toml, last line: cannot be read"),
        ("[venue]\nlength_m = -3\n", "job.toml: [venue] length_m = -3 is negative. Give 1 to 300"),
        ("[venue]\nlenght_m = 3\n", 'job.toml: [venue] has no field "lenght_m". Did you mean'),
        ('[microphone]\ncalibration = "mic.txt"\n', '"mic.txt" does not exist.'),
        ('[microphone]\ncalibration = "/etc/hostname"\n', "lies outside the folder."),
        ('[microphone]\ncalibration = "empty.txt"\n', "empty.txt: holds 0 calibration points."),
        ('[[take]]\nfile = "a.wav"\nside = "left"\nspot = "x"\nreference_channel = 2\n', "a.wav"),
        ("x" * 2**21, "is larger than a job.toml can be."),
    ],
)
def test_job_with_a_fault_is_refused_with_its_line(store, text, words):
    assert words in refused(store, zip_of({"job.toml": text, "empty.txt": ""}))


def test_job_with_two_faults_is_refused_with_a_line_for_each(store):
    text = "[venue]\nlength_m = -3\nwidth_m = -3\n"
    with pytest.raises(InputError) as error:
        read_folder(store, zip_of({"job.toml": text}))
    assert len(error.value.faults) == 2
    untouched(store, set())


def visit_json(**changes):
    whole = {"version": 1, "made_at": "2026-03-01T10:00:00+00:00", "entries": {}, "takes": []}
    return json.dumps(whole | changes)


GONE = {"take": TAKE.model_dump(mode="json"), "made_at": CLOCK, "deleted": True}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", ""),
        ("[]", ""),
        ("{}", ""),
        ('{"a": ' * 5000, ""),
        (visit_json(version=2), ""),
        (visit_json(more=1), ""),
        (visit_json(takes=[{**GONE, "take": {"file": "a"}}]), ""),
        (visit_json(entries={f"note.{number}": "x" for number in range(5001)}), ""),
        (visit_json(takes=[GONE] * 1001), ""),
        (visit_json(entries={"colour": 1}), " (There is no entry called 'colour')"),
        (visit_json(entries={"tick.raise": "yes"}), " (tick.raise does not take str)"),
        (
            visit_json(takes=[{**GONE, "take": {**GONE["take"], "file": "../../secret.wav"}}]),
            " (a take lies outside the folder)",
        ),
        (
            visit_json(takes=[{**GONE, "take": {**GONE["take"], "file": "/etc/hostname"}}]),
            " (a take lies outside the folder)",
        ),
    ],
)
def test_visit_json_that_is_not_ours_is_refused(store, text, why):
    assert refused(store, zip_of({"job.toml": LEAST, VISIT_FILE: text})) == (
        f"visit.json is not as Evenhall wrote it{why}. Take it out of the folder, and the visit is "
        "read from job.toml alone."
    )


def test_visit_json_that_is_ours_is_taken(store):
    source = zip_of({"job.toml": LEAST, VISIT_FILE: visit_json(takes=[GONE])})
    visit = store.visit(read_folder(store, source))
    assert visit.made_at == "2026-03-01T10:00:00+00:00"
    assert [(one.take, one.deleted) for one in visit.takes] == [(TAKE, True)]


def test_visit_json_may_be_wrong_about_what_job_toml_says(store):
    text = visit_json(entries={"venue.length_m": -5, "note.hall": "cold"})
    visit = store.visit(read_folder(store, zip_of({"job.toml": LEAST, VISIT_FILE: text})))
    assert (visit.value("venue.length_m"), visit.value("note.hall")) == (None, "cold")


def test_visit_json_that_is_too_large_is_refused(store, monkeypatch):
    monkeypatch.setattr(carrying, "MAX_VISIT_BYTES", 1000)
    text = visit_json(entries={"note.hall": "x" * 1000})
    assert "(is too large)" in refused(store, zip_of({"job.toml": LEAST, VISIT_FILE: text}))


def test_disk_that_fills_up_is_one_line_and_leaves_nothing(store, chapel, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    source = packed(chapel)
    monkeypatch.setattr("evenhall.disk.os.fsync", full)
    line = refused(store, source, kind=StoreError)
    assert line.endswith("could not be written (No space left on device). Make room.")


def test_file_whose_name_no_disk_takes_is_one_line(store):
    for name in ("x" * 300, "x/" * 3000 + "a", "\u00e9" * 130):
        line = refused(store, zip_of({"job.toml": LEAST, name: "a"}))
        assert line.startswith("The zip file holds a name that no disk takes: '")
        assert line.endswith("'. Shorten it, and pack it again.")
        assert len(line) < 500


def test_file_that_unpacks_to_more_than_any_recording_is_refused(store, monkeypatch):
    monkeypatch.setattr(carrying, "MAX_FILE_BYTES", 2**20)
    exact = b"\0" * 2**20
    assert read_folder(store, zip_of({"job.toml": LEAST, "a": exact, "b": exact}))
    line = refused(store, zip_of({"job.toml": LEAST, "a": exact + b"\0"}))
    assert line.startswith("The file 'a' in the zip file unpacks to over 1 MB.")


def test_what_a_visit_can_be_is_far_below_what_a_disk_holds():
    assert carrying.MAX_FILE_BYTES <= 256 * 2**20
    assert carrying.MAX_FOLDER_BYTES <= 2**30


def test_folder_that_says_that_it_is_too_large_is_refused_before_it_is_unpacked(store, monkeypatch):
    monkeypatch.setattr(carrying, "MAX_FOLDER_BYTES", 2**20)
    monkeypatch.setattr(carrying, "_unpack_one", None)  # it is not come to
    line = refused(store, zip_of({"job.toml": LEAST, "a": b"\0" * 2**20}))
    assert line.startswith("The zip file unpacks to over 1 MB.")


SMALL = zip_of(
    {"job.toml": LEAST, VISIT_FILE: visit_json(), "takes/a.wav": b"RIFF" * 40}
).getvalue()


@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(
        st.tuples(st.integers(0, len(SMALL) - 1), st.binary(min_size=1, max_size=4)),
        min_size=1,
        max_size=4,
    )
)
def test_zip_file_with_any_damage_is_taken_or_refused_in_words(store, places):
    raw = bytearray(SMALL)
    for at, content in places:
        raw[at : at + len(content)] = content
    with suppress(EvenhallError):
        read_folder(store, io.BytesIO(bytes(raw)))
    assert unfinished(store) == []
