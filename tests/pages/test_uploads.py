"""Files from outside: taken in whole and said what they are worth, or refused with nothing left."""

import io
import json
import os
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import numpy as np
import pytest
import soundfile

from apiroom import ask, demo_files, demo_zip, opened
from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.errors import InputError, StoreError
from evenhall.hall.label import TakeLabel
from evenhall.job.tune.tuning import unit_of
from evenhall.pages import uploads
from evenhall.pages.uploads import keep_calibration, keep_stimulus, keep_take
from evenhall.visits.visit import job_of
from visits.made import zip_of

GOOD = "takes/left-front.wav"
FORM = {"side": "left", "spot": "front"}


@pytest.fixture
def pages(tmp_path):
    """The demo's visit, set out and without takes."""
    with opened(tmp_path, demo=False) as pages:
        number = pages.services.new_demo()
        yield type(pages)(pages.services, pages.app, number)


def short(channels=2, *, format_="WAV", seconds=0.2, rate_hz=48_000, subtype="PCM_24"):
    """A sound file of faint noise."""
    noise = 0.1 * np.random.default_rng(3).standard_normal((round(seconds * rate_hz), channels))
    out = io.BytesIO()
    soundfile.write(out, noise, rate_hz, format=format_, subtype=subtype)
    return out.getvalue()


def as_flac(raw):
    samples, rate_hz = soundfile.read(io.BytesIO(raw), always_2d=True)
    out = io.BytesIO()
    soundfile.write(out, samples, rate_hz, format="FLAC", subtype="PCM_24")
    return out.getvalue()


def send(pages, where, raw, name, form=None):
    return ask(
        pages.app,
        "POST",
        f"/api/visits/{pages.visit}/{where}",
        files={"file": (name, raw)},
        data=form,
    )


def state(pages):
    """All that a refusal must leave as it was."""
    root = pages.services.store.folder
    files = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*")
        if path.is_file() and not path.name.startswith("visits.sqlite3")
    }
    return files, pages.services.store.visits(), pages.services.store.visit(pages.visit)


def refused(pages, where, raw, name, form=None):
    """The line with which a file is refused; nothing is left of it."""
    before = state(pages)
    answer = send(pages, where, raw, name, form)
    assert answer.status_code == 422, answer.text
    assert state(pages) == before
    lines = answer.json()["faults"]
    assert lines
    assert all(lines)
    return "\n".join(lines)


# Takes


@pytest.mark.parametrize("name", ["My take.WAV", "left front.flac"])
def test_good_recording_is_taken_in_and_told_as_usable(pages, name):
    raw = demo_files()[GOOD]
    raw = as_flac(raw) if name.endswith("flac") else raw
    answer = send(pages, "takes/upload", raw, name, FORM)
    assert answer.status_code == 201, answer.text
    told = answer.json()
    assert told["usable"]
    assert told["text"][0].isupper()
    (stored,) = pages.services.store.visit(pages.visit).takes
    assert stored.number == told["number"]
    assert (stored.take.side, stored.take.spot, stored.take.state) == ("left", "front", "before")
    assert stored.take.reference_channel == 2
    # The file is kept byte for byte, under a name of ours with its own ending.
    assert (pages.folder / stored.take.file).read_bytes() == raw
    assert stored.take.file == f"takes/left-front{name[name.index('.') :].lower()}"


def test_two_of_one_name_are_two_takes(pages):
    first, second = short(seconds=0.2), short(seconds=0.3)
    for raw in (first, second):
        assert send(pages, "takes/upload", raw, "take.wav", FORM).status_code == 201
    takes = pages.services.store.visit(pages.visit).takes
    assert [(pages.folder / one.take.file).read_bytes() for one in takes] == [first, second]


def test_two_that_arrive_at_once_do_not_write_over_one_another(pages, monkeypatch):
    """Both are looked at before either has its name."""
    together, look = Barrier(4), uploads._look

    def looked(part, name):
        look(part, name)
        together.wait(10)

    names = uploads.next_take_file
    chosen = Barrier(4)

    def same_name(*arguments, **options):
        name = names(*arguments, **options)
        chosen.wait(10)
        return name

    monkeypatch.setattr(uploads, "_look", looked)
    monkeypatch.setattr(uploads, "next_take_file", same_name)
    sounds = [short(seconds=0.2 + 0.01 * k) for k in range(4)]

    def keep(raw):
        return keep_take(
            pages.services,
            pages.visit,
            io.BytesIO(raw),
            name="take.wav",
            label=TakeLabel(side="left", spot="front"),
            reference_in_file=True,
        )

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(keep, sounds))
    takes = pages.services.store.visit(pages.visit).takes
    kept = [(pages.folder / one.take.file).read_bytes() for one in takes]
    assert sorted(kept) == sorted(sounds)


def test_recording_without_a_second_channel_is_kept_and_told_as_not_usable(pages):
    answer = send(pages, "takes/upload", short(1), "mono.wav", FORM)
    assert answer.status_code == 201
    assert not answer.json()["usable"]
    assert any("channel" in line for line in answer.json()["problems"])


def test_recording_whose_reference_is_a_file_needs_that_file_first(pages):
    form = {**FORM, "reference": "file"}
    line = refused(pages, "takes/upload", short(1), "mono.wav", form)
    assert line == "Give the file that was played first."
    assert send(pages, "stimulus", short(1, seconds=1.2), "played.wav").status_code == 204
    answer = send(pages, "takes/upload", short(1), "mono.wav", form)
    assert answer.status_code == 201
    (stored,) = pages.services.store.visit(pages.visit).takes
    assert stored.take.reference_channel is None


BAD = {
    "text named .wav": (b"dear hall, all is well\n", "notes.wav", "not a sound file"),
    "empty": (b"", "empty.wav", "empty"),
    "header only": (short(seconds=0), "header.wav", "no sound"),
    "cut off": (short()[:20_000], "cut.wav", "cut off"),
    "cut off FLAC": (short(format_="FLAC")[:9_000], "cut.flac", "cut off or broken"),
    "low rate": (short(rate_hz=16_000), "low.wav", "16 kHz"),
    "lossy": (short(format_="WAV", subtype="ULAW"), "phone.wav", "alters the sound"),
    "no ending": (short(), "take", "Give WAV, FLAC or AIFF"),
    "wrong ending": (short(), "take.mp3", "Give WAV, FLAC or AIFF"),
    "a picture": (b"\x89PNG\r\n\x1a\n" + bytes(500), "hall.png", "Give WAV, FLAC or AIFF"),
    "name with a path": (b"x", "../../../etc/passwd", "'passwd' is not a recording"),
    "long name": (b"x", "a" * 3000, "Give WAV, FLAC or AIFF"),
}


@pytest.mark.parametrize("case", BAD)
@pytest.mark.parametrize("where", ["takes/upload", "stimulus"])
def test_what_is_no_recording_is_refused(pages, where, case):
    raw, name, words = BAD[case]
    line = refused(pages, where, raw, name, FORM if where == "takes/upload" else None)
    assert words in line
    assert len(line) < 300
    assert "/" not in line.replace("WAV, FLAC, AIFF", "")  # no path of this computer


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"side": "centre", "spot": "front"}, "There is no 'centre' in this rig."),
        ({"side": "left", "spot": "balcony"}, "There is no spot 'balcony' in this visit."),
        ({"side": "../left", "spot": "front"}, "There is no '../left'"),
        ({"side": "left"}, "spot: Field required"),
        ({**FORM, "state": "during"}, "state: "),
        ({**FORM, "reference": "thin air"}, "reference: "),
        ({"side": "l" * 201, "spot": "front"}, "side: "),
    ],
)
def test_take_of_what_is_not_there_is_refused(pages, form, words):
    assert words in refused(pages, "takes/upload", short(), "take.wav", form)


def test_file_that_was_forgotten_is_asked_for(pages):
    before = state(pages)
    answer = ask(pages.app, "POST", f"/api/visits/{pages.visit}/takes/upload", data=FORM)
    assert answer.status_code == 422
    assert "file: Field required." in answer.json()["faults"]
    assert state(pages) == before


def test_figures_that_cannot_be_are_said_before_a_take_is_kept(pages):
    store = pages.services.store
    store.set_entry(pages.visit, "audience.last_row_m", 40.0, was=None)  # of a hall of 16 m
    assert "last_row_m" in refused(pages, "takes/upload", short(), "take.wav", FORM)


def test_calibration_that_is_gone_is_said_before_a_take_is_kept(pages):
    pages.services.store.set_entry(pages.visit, "microphone.calibration", "gone.txt", was=None)
    assert "gone.txt" in refused(pages, "takes/upload", short(), "take.wav", FORM)


def test_disk_that_is_full_is_a_line_and_leaves_nothing(pages, monkeypatch):
    def full(source, target, length):
        target.write(source.read(100))
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(uploads.shutil, "copyfileobj", full)
    before = state(pages)
    for where, form in (("takes/upload", FORM), ("calibration", None), ("stimulus", None)):
        answer = send(pages, where, short(), "take.wav", form)
        assert answer.status_code == 507
        assert "No space left on device. Make room on the disk." in answer.json()["faults"][0]
        assert state(pages) == before


@pytest.mark.parametrize("where", ["takes/upload", "calibration", "stimulus"])
def test_what_cannot_be_entered_leaves_no_file(pages, monkeypatch, where):
    def fail(*_, **__):
        raise StoreError("visits.sqlite3: the disk is full. Make room.")

    for name in ("add_take", "set_entry"):
        monkeypatch.setattr(pages.services.store, name, fail)
    before = state(pages)
    raw = b"20 0\n20000 1\n" if where == "calibration" else short(seconds=1.2)
    answer = send(pages, where, raw, "a.wav", FORM if where == "takes/upload" else None)
    assert answer.status_code == 507
    assert state(pages) == before


def test_recording_is_on_the_disk_before_it_is_entered(pages, monkeypatch):
    order = []
    fsync, add_take = os.fsync, pages.services.store.add_take
    monkeypatch.setattr(os, "fsync", lambda file: (order.append("disk"), fsync(file)))
    monkeypatch.setattr(
        pages.services.store,
        "add_take",
        lambda *given: (order.append("entered"), add_take(*given))[1],
    )
    send(pages, "takes/upload", short(), "take.wav", FORM)
    assert order.index("disk") < order.index("entered")


# A learned unit


def unit_json(hz=tuple(NOMINAL_HZ), model="constant-q"):
    fader = {"q": 4.3, "q_bend": 0.0, "share": 0.9, "sag": 0.1, "moved": True}
    faders = [{"hz": float(one), "centre_hz": float(one) * 1.01, **fader} for one in hz]
    head = {"schema": 1, "name": "Rack", "model": model, "range_db": 15.0}
    return json.dumps(head | {"insertion_db": None, "residual_db": 0.03, "faders": faders}).encode()


def test_learned_unit_is_what_the_card_is_made_for(pages):
    assert send(pages, "unit", unit_json(), "unit.json").status_code == 204
    visit = pages.services.store.visit(pages.visit)
    job = job_of(visit)
    assert (job.equalizer.bands, job.equalizer.range_db) == (31, 15.0)
    assert unit_of(job, visit.folder).model == "constant-q"
    other = unit_json(model="proportional-q")
    assert send(pages, "unit?side=right", other, "r.json").status_code == 204
    job = job_of(pages.services.store.visit(pages.visit))
    assert unit_of(job, visit.folder, "right").model == "proportional-q"
    assert unit_of(job, visit.folder, "left").model == "constant-q"
    gone = ask(pages.app, "DELETE", f"/api/visits/{pages.visit}/unit")
    assert gone.status_code == 204
    job = job_of(pages.services.store.visit(pages.visit))
    assert (job.equalizer.response, job.equalizer.file) == ("proportional-q", None)


def test_learned_unit_that_cannot_be_entered_leaves_nothing(pages, monkeypatch):
    def fail(*_, **__):
        raise StoreError("visits.sqlite3: the disk is full. Make room.")

    monkeypatch.setattr(pages.services.store, "set_entries", fail)
    before = state(pages)
    assert send(pages, "unit", unit_json(), "unit.json").status_code == 507
    assert state(pages) == before


def test_learned_unit_of_own_frequencies_is_listed(pages):
    send(pages, "unit", unit_json((80.0, 400.0, 3150.0)), "unit.json")
    assert job_of(pages.services.store.visit(pages.visit)).equalizer.bands == (80.0, 400.0, 3150.0)


def test_what_is_no_learned_unit_is_refused_and_changes_nothing(pages):
    before = state(pages)
    assert "a.json" in refused(pages, "unit", b'{"schema": 2}', "a.json")
    line = refused(pages, "unit?side=right", unit_json(), "r.json")
    assert line == "Give the left channel's unit first."
    assert state(pages) == before
    send(pages, "unit", unit_json(), "unit.json")
    line = refused(pages, "unit?side=right", unit_json((80.0, 400.0)), "r.json")
    assert line == "That unit has other faders than the left channel's."


# Calibration


def test_calibration_is_taken_in_under_a_new_name(pages):
    before = pages.services.store.visit(pages.visit).value("microphone.calibration")
    raw = b"Hz\tdB\n20\t-1.5\n1000\t0\n20000\t2\n"
    assert send(pages, "calibration", raw, "My mic 0-1.txt").status_code == 204
    name = pages.services.store.visit(pages.visit).value("microphone.calibration")
    assert name != before
    assert (pages.folder / name).read_bytes() == raw
    assert (pages.folder / before).is_file()


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "my mic.txt: holds 0 calibration points"),
        (b"a letter about a microphone", "my mic.txt: holds 0 calibration points"),
        (bytes(range(256)) * 20, "my mic.txt"),
        (b"20 0\n1000 0\n100 0\n", "my mic.txt, line 3: 100 Hz does not rise"),
        (b"20 0\n1000 900\n", "my mic.txt, line 2"),
        (short(), "my mic.txt"),
    ],
)
def test_what_is_no_calibration_is_refused_by_its_own_name(pages, raw, words):
    line = refused(pages, "calibration", raw, "my mic.txt")
    assert words in line
    assert ".part" not in line


def test_calibration_larger_than_any_is_refused(pages):
    line = refused(pages, "calibration", b"20 0\n" * 300_000, "mic.txt")
    assert line == "That file is too large: at most 1024 kB."
    answer = send(pages, "calibration", bytes(3 * 2**20), "mic.txt")
    assert answer.status_code == 413


def test_calibration_without_a_name_is_still_named_in_its_line(pages):
    with pytest.raises(InputError, match=r"^The file: holds 0"):
        keep_calibration(pages.services, pages.visit, io.BytesIO(b"-"), name="")


# What was played


def test_stimulus_is_taken_in(pages):
    raw = short(1, format_="AIFF", seconds=1.2)
    assert send(pages, "stimulus", raw, "pink.aiff").status_code == 204
    name = pages.services.store.visit(pages.visit).value("reference.file")
    assert (pages.folder / name).read_bytes() == raw


def test_stimulus_by_which_no_take_could_be_judged_is_refused(pages):
    # Once entered it would be a fault of the whole visit.
    line = refused(pages, "stimulus", short(1, seconds=0.4), "beep.wav")
    assert line == "beep.wav is 0.40 s long. Give what was played, a second or more of it."
    silence = io.BytesIO()
    soundfile.write(silence, np.zeros(96_000), 48_000, format="WAV")
    assert "rest.wav is silent" in refused(pages, "stimulus", silence.getvalue(), "rest.wav")


def test_stimulus_for_no_visit_is_refused(pages):
    with pytest.raises(InputError, match="There is no visit 99"):
        keep_stimulus(pages.services, 99, io.BytesIO(short()), name="a.wav")


# A job folder


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "no zip file"),
        (b"PK\x03\x04 and then nothing", "no zip file"),
        (os.urandom(5000), "no zip file"),
        (zip_of({}).getvalue(), "no job.toml"),
        (zip_of({"readme.txt": "hello"}).getvalue(), "no job.toml"),
        (zip_of({"job.toml": "[venue"}).getvalue(), "job.toml"),
        (zip_of({"job.toml": '[venue]\nlength_m = "long"\n'}).getvalue(), "length_m"),
        (zip_of({"job.toml": "", "../evil.txt": "x"}).getvalue(), "leads out"),
        (demo_zip().getvalue()[:-500], "no zip file"),
    ],
    ids=["empty", "head", "noise", "nothing in it", "no job", "toml", "faults", "out", "cut"],
)
def test_nonsense_is_no_job_folder(pages, raw, words):
    before = state(pages)
    answer = ask(pages.app, "POST", "/api/visits/import", files={"file": ("hall.zip", raw)})
    assert answer.status_code == 422
    assert words in "\n".join(answer.json()["faults"])
    assert state(pages) == before


def test_job_folder_comes_in_and_goes_out(pages):
    answer = ask(
        pages.app, "POST", "/api/visits/import", files={"file": ("hall.zip", demo_zip().getvalue())}
    )
    assert answer.status_code == 201
    number = answer.json()["number"]
    out = ask(pages.app, "GET", f"/api/visits/{number}/folder.zip")
    assert out.headers["content-type"] == "application/zip"
    again = ask(pages.app, "POST", "/api/visits/import", files={"file": ("b.zip", out.content)})
    visits = [pages.services.store.visit(one) for one in (number, again.json()["number"])]
    first, second = ([one.take for one in visit.takes] for visit in visits)
    assert first == second
    assert len(first) == 6


# Mains with the subs


def feed_subs(pages):
    for name, value in (
        ("rig.sides", ["left", "right", "sub"]),
        ("equalizer.feeds_subs", True),
    ):
        pages.services.store.set_entry(pages.visit, name, value, was=None)


def test_recording_with_the_subs_is_taken_in_as_such(pages):
    feed_subs(pages)
    form = {**FORM, "with_subs": "true"}
    answer = send(pages, "takes/upload", demo_files()[GOOD], "any.wav", form)
    assert answer.status_code == 201, answer.text
    (stored,) = pages.services.store.visit(pages.visit).takes
    assert stored.take.with_subs
    assert stored.take.file == "takes/left-and-subs-front.wav"


def test_subs_play_along_with_mains_alone_and_where_the_equalizer_feeds_them(pages):
    form = {**FORM, "with_subs": "true"}
    assert "Say so on Set out" in refused(pages, "takes/upload", short(), "a.wav", form)
    feed_subs(pages)
    form["side"] = "sub"
    assert "and not 'sub'" in refused(pages, "takes/upload", short(), "a.wav", form)
