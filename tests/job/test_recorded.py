"""A take more in a job folder."""

from __future__ import annotations

import os
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from evenhall.errors import InputError, StoreError
from evenhall.hall.label import TakeLabel
from evenhall.job.folder import adding as recorded
from evenhall.job.folder.adding import (
    LOCK_FILE,
    RecordedTake,
    add_take,
    next_take_file,
    recordable_job,
)
from evenhall.job.folder.reading import load_job

LEFT = TakeLabel(side="left", spot="front")
LEFT_AND_SUBS = TakeLabel(side="left", spot="front", with_subs=True)
TAKE = RecordedTake(
    file="takes/left-front.wav",
    side="left",
    spot="front",
    state="before",
    distance_m=None,
    mic_channel=1,
    reference_channel=2,
    reference_file=None,
    delay_is_relative=False,
)
OWN = """\
# my hall \u2013 do not touch
[venue]
name   =  "Lower Mill Chapel"   # three spaces

[rig]
sides = ["left", "right"]"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "hall" / "takes").mkdir(parents=True)
    return tmp_path / "hall"


def sound(folder, name):
    soundfile.write(folder / name, np.zeros((10, 2)), 48_000)


def test_new_folder_gets_a_job_that_can_be_loaded_and_filled_in(folder):
    sound(folder, TAKE.file)
    add_take(folder, TAKE)
    job = load_job(folder)
    assert job.venue.name == "hall"
    assert job.takes[0].file == TAKE.file
    assert job.takes[0].reference_channel == 2
    assert "# low_limit_hz = 55.0" in (folder / "job.toml").read_text()


def test_second_side_is_recorded_into_a_folder_that_names_no_sides(folder):
    # Refused once: the sides that the takes name were taken for sides that were given.
    sound(folder, TAKE.file)
    add_take(folder, TAKE)
    job = recordable_job(folder, TakeLabel(side="right", spot="front"))
    assert job.rig.sides == ("left",)
    sound(folder, "takes/right-front.wav")
    add_take(folder, replace(TAKE, file="takes/right-front.wav", side="right"))
    assert load_job(folder).rig.sides == ("left", "right")
    assert "sides" not in load_job(folder).rig.model_fields_set


def test_hints_of_a_new_job_are_fields_that_exist(folder):
    sound(folder, TAKE.file)
    add_take(folder, TAKE)
    text = (folder / "job.toml").read_text()
    lines = [line[2:] if " = " in line and line[0] == "#" else line for line in text.splitlines()]
    (folder / "job.toml").write_text("\n".join(lines))
    job = load_job(folder)
    assert (job.rig.low_limit_hz, job.audience.last_row_m, job.venue.length_m) == (55, 14, 18)


def test_every_byte_that_stood_there_stays(folder):
    (folder / "job.toml").write_text(OWN, encoding="utf-8")
    for name in ("takes/left-front.wav", "takes/left-front-2.wav"):
        sound(folder, name)
        add_take(folder, replace(TAKE, file=name, distance_m=2.5))
    after = (folder / "job.toml").read_text(encoding="utf-8")
    assert after.startswith(OWN + "\n")
    assert [take["file"] for take in tomllib.loads(after)["take"]] == [
        "takes/left-front.wav",
        "takes/left-front-2.wav",
    ]
    assert load_job(folder).takes[1].distance_m == 2.5


def test_what_needs_no_telling_is_not_written(folder):
    sound(folder, TAKE.file)
    add_take(folder, TAKE)
    entry = (folder / "job.toml").read_text().split("[[take]]")[1]
    assert "distance_m" not in entry
    assert "delay_is_relative" not in entry
    sound(folder, "takes/b.wav")
    sound(folder, "takes/played.wav")
    add_take(
        folder,
        replace(
            TAKE,
            file="takes/b.wav",
            reference_channel=None,
            reference_file="takes/played.wav",
            delay_is_relative=True,
        ),
    )
    take = load_job(folder).takes[1]
    assert take.reference_file == "takes/played.wav"
    assert take.delay_is_relative


def test_job_without_takes_can_be_recorded_into(folder):
    (folder / "job.toml").write_text(OWN, encoding="utf-8")
    assert recordable_job(folder, LEFT).venue.name == "Lower Mill Chapel"


def test_folder_that_does_not_exist_is_not_made_by_looking(tmp_path):
    assert recordable_job(tmp_path / "new hall", LEFT).venue.name == "new hall"
    assert not (tmp_path / "new hall").exists()


def test_element_that_the_rig_does_not_have_is_named_before_any_sound(folder):
    (folder / "job.toml").write_text(OWN, encoding="utf-8")
    with pytest.raises(
        InputError, match=r'^job\.toml: "lift" is not among \[rig\] sides\. Did you'
    ):
        recordable_job(folder, TakeLabel(side="lift", spot="front"))


def test_subs_that_cannot_play_along_are_told_before_any_sound(folder):
    with pytest.raises(InputError, match=r"Write feeds_subs = true below \[equalizer\]"):
        recordable_job(folder, LEFT_AND_SUBS)
    with pytest.raises(InputError, match=r"The subs play along with the mains: left, say, and not"):
        recordable_job(folder, TakeLabel(side="sub", spot="front", with_subs=True))
    (folder / "job.toml").write_text("[equalizer]\nfeeds_subs = true\n")
    assert recordable_job(folder, LEFT_AND_SUBS).equalizer.feeds_subs


def test_take_with_the_subs_is_listed_as_such_under_a_name_of_its_own(folder):
    (folder / "job.toml").write_text("[equalizer]\nfeeds_subs = true\n")
    name = next_take_file(folder, LEFT_AND_SUBS)
    assert name == "takes/left-and-subs-front.wav"
    sound(folder, name)
    add_take(folder, replace(TAKE, file=name, with_subs=True))
    assert load_job(folder).takes[-1].with_subs


def test_spoiled_job_is_told_before_any_sound(folder):
    (folder / "job.toml").write_text("[venue]\nname = 3\n[rig]\nheight = 2\n")
    with pytest.raises(InputError) as caught:
        recordable_job(folder, LEFT)
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize(
    "takes", ["[]", '[{file = "a.wav", side = "left", spot = "front", reference_channel = 2}]']
)
def test_takes_written_as_a_list_are_told_before_any_sound(folder, takes):
    sound(folder, "a.wav")
    (folder / "job.toml").write_text(f"take = {takes}\n[venue]\nname = 'x'\n")
    with pytest.raises(InputError, match=r"take = \[\.\.\.\] is a list.*below a \[\[take\]\]"):
        recordable_job(folder, LEFT)


def test_job_from_another_system_is_added_to(folder):
    # A byte order mark and the line ends of Windows.
    own = b"\xef\xbb\xbf[venue]\r\nname = 'Chapel'\r\n"
    (folder / "job.toml").write_bytes(own)
    sound(folder, TAKE.file)
    assert recordable_job(folder, LEFT).venue.name == "Chapel"
    add_take(folder, TAKE)
    assert (folder / "job.toml").read_bytes().startswith(own)
    assert len(load_job(folder).takes) == 1


def test_file_in_the_folders_place_is_told(tmp_path):
    (tmp_path / "hall").write_text("")
    with pytest.raises(InputError, match="is a file"):
        recordable_job(tmp_path / "hall", LEFT)


@pytest.mark.parametrize(
    ("spot", "name"),
    [
        ("front", "takes/left-front.wav"),
        ("Row 3 / aisle", "takes/left-row-3-aisle.wav"),
        ("../../etc", "takes/left-etc.wav"),
        ("Br\u00fccke", "takes/left-brucke.wav"),
        ("\u540e\u9762", "takes/left-take.wav"),
    ],
)
def test_any_spot_makes_a_name_that_every_file_system_takes(folder, spot, name):
    assert next_take_file(folder, TakeLabel(side="left", spot=spot)) == name


def test_no_take_is_ever_replaced(folder):
    sound(folder, "takes/left-front.wav")
    (folder / "takes/left-front-2.wav.part").write_bytes(b"")
    name = next_take_file(folder, LEFT)
    assert name == "takes/left-front-3.wav"


def test_two_at_once_lose_no_take(folder):
    names = [f"takes/{k}.wav" for k in range(12)]
    for name in names:
        sound(folder, name)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda name: add_take(folder, replace(TAKE, file=name)), names))
    assert sorted(take.file for take in load_job(folder).takes) == sorted(names)
    assert not (folder / LOCK_FILE).exists()


def test_lock_of_a_process_that_died_is_no_hindrance(folder, monkeypatch):
    monkeypatch.setattr(recorded, "LOCK_DEAD_S", 0.2)
    sound(folder, TAKE.file)
    (folder / LOCK_FILE).touch()
    add_take(folder, TAKE)
    assert load_job(folder).takes


def test_clock_that_is_set_ahead_takes_no_lock_from_its_holder(folder, monkeypatch):
    monkeypatch.setattr(recorded, "LOCK_WAIT_S", 0.2)
    sound(folder, TAKE.file)
    lock = folder / LOCK_FILE
    lock.touch()
    an_hour_ago = time.time() - 3600.0
    os.utime(lock, (an_hour_ago, an_hour_ago))
    with pytest.raises(StoreError, match=r"another program is writing job\.toml"):
        add_take(folder, TAKE)
    assert lock.exists()


def test_job_that_was_spoiled_meanwhile_is_left_alone(folder):
    sound(folder, TAKE.file)
    (folder / "job.toml").write_text("take = 5\n")
    with pytest.raises(InputError):
        add_take(folder, TAKE)
    assert (folder / "job.toml").read_text() == "take = 5\n"


def test_folder_that_is_gone_is_told(tmp_path):
    with pytest.raises(StoreError, match="could not be written"):
        add_take(tmp_path / "gone", TAKE)
