"""What an entry may be, and the job that a visit is."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.errors import InputError
from evenhall.job.demo.folder import write_demo
from evenhall.job.folder.model import Take
from evenhall.job.folder.reading import SECTIONS, load_job
from evenhall.visits.entries import MAX_TEXT, OWN_ENTRIES, check_entry, field_model
from evenhall.visits.store import Store
from evenhall.visits.visit import (
    Entry,
    StoredTake,
    Visit,
    faults_of,
    job_of,
)
from visits.made import CLOCK, TAKE, add_sound, everything, taken_in

SPOT = {"label": "front", "along_m": 2.5}


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "data")
    yield store
    store.close()


def visit_of(folder, takes=(), **entries) -> Visit:
    entries = {"venue.name": "Lower Mill Chapel", **entries}
    return Visit(
        number=1,
        folder=folder,
        demo=False,
        revision=1,
        made_at=CLOCK,
        entries={name: Entry(value, 1) for name, value in entries.items()},
        takes=tuple(takes),
    )


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("venue.name", "St Osk's"),
        ("venue.length_m", 18),
        ("venue.length_m", None),
        ("rig.sides", ["left", "sub"]),
        ("equalizer.bands", 15),
        ("equalizer.bands", [63, 125.0, 250]),
        ("equalizer.max_boost_db", 9.0),
        ("equalizer.file", None),
        ("target.points", [[63, 4.0], [1000, 0.0]]),
        ("microphone.calibration", "mic.txt"),
        ("reference.file", "stimulus.wav"),
        ("reference.file", None),
        ("spots", [SPOT]),
        ("spots", None),
        ("sound_check", "2026-05-02T18:30+02:00"),
        ("sound_check", "2026-05-02T16:30:00.000Z"),
        ("line_check", {"elements": ["left"], "findings": []}),
        ("gain", {}),
        ("tick.raise", True),
        ("fader.left.1000", -2.5),
        ("fader.left.1000", 3),
        ("walk.row 3", False),
        ("note.hall", "The key hangs\nbehind the bar.\U0001f511"),
    ],
)
def test_entry_that_can_be_is_taken(name, value):
    check_entry(name, value)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        # Fields of job.toml: what is wrong, and what is allowed.
        ("venue.length_m", 0.2, "length_m = 0.2 is too small. Give 1 to 300 metres."),
        ("venue.length_m", -3, "length_m = -3 is negative. Give 1 to 300 metres."),
        ("venue.length_m", "18", 'length_m = "18" is not a number. Give 1 to 300 metres.'),
        ("venue.length_m", True, "length_m = true is not a number. Give 1 to 300 metres."),
        ("venue.name", None, "name is missing. Give the name of the venue, such as "),
        ("venue.name", " ", 'name = " " is empty. Give the name of the venue, such as '),
        ("venue.lenght_m", 18.0, 'There is no venue.lenght_m. Did you mean "length_m"?'),
        ("rig.sides", [], "sides = [] is empty. Give a list of names"),
        ("equalizer.bands", 12, "bands = 12 is not a unit that is known here. Give 31, 15 or 10"),
        ("equalizer.bands", [100, 50], "does not rise from fader to fader."),
        ("target.shape", "warm", 'shape = "warm" is not known here. Give "tilt", "flat"'),
        ("reference.file", 3, "file = 3 is not text in quotes. Give a file in the folder"),
        # Names that are none.
        ("venue", 3, "There is no entry called 'venue'."),
        ("venue.", 3, "There is no entry called 'venue.'."),
        ("take.file", "x", "There is no entry called 'take.file'."),
        ("tick.", True, "There is no entry called 'tick.'."),
        ("tick", True, "There is no entry called 'tick'."),
        ("spots.front", [SPOT], "There is no entry called 'spots.front'."),
        ("note." + "x" * 196, "", "There is no entry called 'note.xxxx"),
        ("", 1, "There is no entry called ''."),
        # Our own.
        ("tick.raise", 1, "tick.raise does not take int."),
        ("fader.left.1000", True, "fader.left.1000 does not take bool."),
        ("fader.left.1000", "3", "fader.left.1000 does not take str."),
        ("fader.left.1000", 10**400, "fader.left.1000 is out of range."),
        ("note.hall", "x" * (MAX_TEXT + 1), "note.hall is longer than 4000 characters. Shorten it"),
        ("sound_check", "half past six", 'sound_check = "half past six" is not a time. Give date'),
        ("sound_check", "2026-05-02T18:30", "is not a time. Give date, time and offset"),
        ("spots", [], "Give 1 to 12 spots."),
        ("spots", [{"label": str(k), "along_m": 1.0} for k in range(13)], "Give 1 to 12 spots."),
        ("spots", ["front"], "A spot has a label and a distance, along_m."),
        ("spots", [{"label": "front"}], "A spot has a label and a distance, along_m."),
        ("spots", [{**SPOT, "row": 3}], "A spot has a label and a distance, along_m."),
        ("spots", [{"label": " ", "along_m": 1.0}], "A spot has a label and a distance, along_m."),
        ("spots", [{"label": "a\nb", "along_m": 1.0}], "holds a line break or control character."),
        (
            "spots",
            [{**SPOT, "along_m": "2"}],
            "The distance of front is not a number. Give metres.",
        ),
        (
            "spots",
            [{**SPOT, "along_m": True}],
            "The distance of front is not a number. Give metres.",
        ),
        ("spots", [{**SPOT, "along_m": 0.01}], "front: 0.01 m is too near or too far. Give 0.1"),
        ("spots", [{**SPOT, "along_m": 10**400}], "is too near or too far. Give 0.1 to 300"),
        ("spots", [SPOT, SPOT], "Two spots have one name. Give each its own."),
        # What neither JSON nor a file can hold.
        ("fader.left.1000", float("nan"), "fader.left.1000 holds something that cannot be kept."),
        ("gain", {"db": float("inf")}, "gain holds something that cannot be kept."),
        ("gain", {"db": object()}, "gain holds something that cannot be kept."),
        ("note.hall", "\ud800", "note.hall holds something that cannot be kept."),
        ("venue.name", "a\udfff", "venue.name holds something that cannot be kept."),
        ("note.\ud800", "", r"note.\ud800 holds something that cannot be kept."),
    ],
)
def test_entry_that_cannot_be_is_told_in_a_line(name, value, words):
    with pytest.raises(InputError) as error:
        check_entry(name, value)
    text = str(error.value)
    assert words in text
    assert not text.startswith(" ")
    assert "\n" not in text
    text.encode()  # it is shown, so it must be whole characters
    assert len(text) < 300


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=8,
)
NAMES = [
    f"{section}.{field}" for section, model in SECTIONS.items() for field in model.model_fields
]
NAMES += [name + ("a.1" if name.endswith(".") else "") for name in OWN_ENTRIES]


@given(st.sampled_from(NAMES) | st.text(max_size=20), ANY_JSON)
def test_any_entry_is_taken_or_refused_in_words_and_what_is_taken_can_be_kept(name, value):
    faults = None
    try:
        check_entry(name, value)
    except InputError as error:
        faults = error.faults
    if faults is not None:
        assert len(faults) == 1
        assert faults[0].strip().endswith(".")
    else:
        assert json.loads(json.dumps(value, allow_nan=False)) == value
        assert field_model(name) is not None or name.partition(".")[0] not in SECTIONS


def test_value_that_is_not_there_is_none(tmp_path):
    visit = visit_of(tmp_path, **{"tick.raise": True, "tick.card": None, "note.a": "b"})
    assert visit.value("venue.length_m") is None
    assert visit.values("tick.") == {"raise": True, "card": None}
    assert visit.name == "Lower Mill Chapel"


def test_kept_takes_are_those_that_were_not_deleted(tmp_path):
    takes = [StoredTake(k, TAKE, CLOCK, deleted=k == 2) for k in (1, 2, 3)]
    assert [one.number for one in visit_of(tmp_path, takes).kept_takes] == [1, 3]


def test_job_of_the_demo_is_that_of_its_folder(tmp_path, store):
    write_demo(tmp_path / "demo", bands=15)
    visit = store.visit(taken_in(store, tmp_path / "demo"))
    assert faults_of(visit) == ()
    assert job_of(visit) == load_job(tmp_path / "demo")


def test_job_with_every_field_is_that_of_its_folder(tmp_path, store):
    job = load_job(everything(tmp_path / "chapel"))
    for name, model in SECTIONS.items():
        # The files are those of learned units, and shape stands instead of points.
        missing = {"equalizer": {"file", "file_right"}, "target": {"shape"}}.get(name, set())
        assert getattr(job, name).model_fields_set == set(model.model_fields) - missing
    assert set().union(*(take.model_fields_set for take in job.takes)) == set(Take.model_fields)
    visit = store.visit(taken_in(store, tmp_path / "chapel"))
    assert job_of(visit) == job


def test_job_of_the_least_there_can_be_is_that_of_its_folder(tmp_path, store):
    folder = tmp_path / "Upper Mill"
    add_sound(folder, "a.wav")
    text = (
        '[equalizer]\n[[take]]\nfile = "a.wav"\nside = "mono"\nspot = "x"\nreference_channel = 2\n'
    )
    (folder / "job.toml").write_text(f'[venue]\nname = "Upper Mill"\n{text}')
    visit = store.visit(taken_in(store, folder))
    assert job_of(visit) == load_job(folder)
    assert job_of(visit).rig.sides == ("mono",)


def test_deleted_take_is_no_take_of_the_job(tmp_path, store):
    visit = store.visit(taken_in(store, everything(tmp_path / "chapel")))
    store.set_deleted(visit.number, visit.takes[2].number, deleted=True)
    files = [take.file for take in job_of(store.visit(visit.number)).takes]
    assert files == [one.take.file for one in visit.takes if one is not visit.takes[2]]


def test_reference_that_was_taken_away_is_none(tmp_path, store):
    add_sound(tmp_path, "stimulus.wav")
    visit = visit_of(tmp_path, **{"reference.file": "stimulus.wav"})
    assert job_of(visit).reference is not None
    assert job_of(visit_of(tmp_path, **{"reference.file": None})).reference is None


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        (
            {"venue.length_m": 12.0, "audience.last_row_m": 14.0},
            "[audience] last_row_m = 14.0 is above [venue] length_m = 12.0.",
        ),
        (
            {"audience.first_row_m": 9.0, "audience.last_row_m": 8.0},
            "[audience] first_row_m = 9.0 is above last_row_m = 8.0.",
        ),
        (
            {"venue.height_m": 3.0, "rig.speaker_height_m": 3.5},
            "[rig] speaker_height_m = 3.5 is above [venue] height_m = 3.0.",
        ),
        ({"target.shape": "flat", "target.points": [[100, 0]]}, "[target] has both shape and"),
        ({"microphone.calibration": "mic.txt"}, '"mic.txt" does not exist.'),
        ({"microphone.calibration": "../mic.txt"}, '"../mic.txt" lies outside the folder.'),
        # An earlier version may have kept what this one refuses; one slip is one line.
        (
            {"audience.last_row_m": "far", "venue.length_m": 12.0},
            '[audience] last_row_m = "far" is not a number.',
        ),
        (
            {"equalizer.range_db": 99.0, "equalizer.max_boost_db": 20.0},
            "[equalizer] range_db = 99.0 is too large.",
        ),
    ],
)
def test_what_cannot_be_as_a_whole_is_told_and_is_no_job(tmp_path, entries, words):
    visit = visit_of(tmp_path, **entries)
    (line,) = faults_of(visit)
    assert line.startswith(words) or words in line
    assert "job.toml" not in line
    with pytest.raises(InputError) as error:
        job_of(visit)
    assert error.value.faults == (line,)


def test_take_of_a_side_that_the_rig_has_not_is_named_by_its_file(tmp_path):
    add_sound(tmp_path, TAKE.file)
    visit = visit_of(
        tmp_path, [StoredTake(1, TAKE, CLOCK, deleted=False)], **{"rig.sides": ["right"]}
    )
    (line,) = faults_of(visit)
    assert (
        line == 'takes/left-front.wav side = "left" is not among [rig] sides. There are: "right".'
    )


def test_all_faults_come_at_once(tmp_path):
    visit = visit_of(
        tmp_path,
        **{"venue.length_m": 5.0, "audience.last_row_m": 14.0, "microphone.calibration": "mic.txt"},
    )
    assert len(faults_of(visit)) == 2
