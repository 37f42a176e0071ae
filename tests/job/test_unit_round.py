"""A unit learned from recordings, and a card computed for it."""

import json
import re
import tomllib

import numpy as np
import pytest
import soundfile

from evenhall.acoustics.overload import rising_tone
from evenhall.acoustics.stimulus import exponential_sweep
from evenhall.equalizer.graphic import graphic_unit, unit_gain_db
from evenhall.errors import InputError
from evenhall.job.demo.folder import demo_job
from evenhall.job.folder.reading import load_job
from evenhall.job.folder.unit_file import read_unit
from evenhall.job.tune.tuning import unit_of
from evenhall.job.tune.unit import UnitHead, learn, read_round, round_toml, setting_words
from evenhall.sound.simulated.unit import lying_unit
from test_cli import run

RATE_HZ = 48_000
FACE = graphic_unit(10)
CLIPS = 0.4  # -8 dBFS: where the unit's output ends
TRUE = lying_unit(FACE.centre_hz, FACE.q, seed=2)


def through(true, faders_db, *, bypass=False, gain=0.3, seed=0):
    """Record a sweep through the unit: behind it on channel 1, what is played on channel 2."""
    played = np.concatenate([exponential_sweep(2.0, rate_hz=RATE_HZ), np.zeros(RATE_HZ // 2)])
    spectrum = np.fft.rfft(played)
    hz = np.fft.rfftfreq(played.size, 1 / RATE_HZ)
    response = np.ones(hz.size) if bypass else true.response(faders_db, hz)
    heard = gain * np.fft.irfft(spectrum * response, played.size)
    noise = 1e-4 * np.random.default_rng(seed).standard_normal(played.size)
    return np.column_stack((heard + noise, played))


def write_round(folder, *, true=TRUE, spoilt=None, bypassed=False):
    """Write a folder with unit.toml and its recordings; `spoilt` changes one setting."""
    folder.mkdir(exist_ok=True)
    (folder / "unit.toml").write_text(round_toml(UnitHead(name="Old rack", bands=10)))
    for at, one in enumerate(tomllib.loads((folder / "unit.toml").read_text())["setting"]):
        faders = np.zeros(10)
        for hz in one.get("faders_hz", []):
            faders[np.isclose(FACE.nominal_hz, hz)] = one["at_db"]
        if spoilt is not None and spoilt[0] == one["file"]:
            faders[spoilt[1]] = spoilt[2]
        sound = through(true, faders, bypass=bypassed or one.get("bypass", False), seed=at)
        if one.get("rising"):
            tone = rising_tone(4.0, rate_hz=RATE_HZ, highest_dbfs=-1.0)
            sound = np.column_stack((0.3 * np.clip(tone, -CLIPS, CLIPS), tone))
        soundfile.write(folder / one["file"], sound, RATE_HZ, subtype="PCM_24")
    return folder


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    return write_round(tmp_path_factory.mktemp("rack"))


@pytest.fixture(scope="module")
def learned(rack):
    return learn(read_round(rack), rack)


def test_unit_is_right_at_settings_that_were_not_recorded(learned):
    unit = learned[0].unit(step_db=0.5, max_boost_db=6.0)
    hz = np.geomspace(25.0, 16_000.0, 200)
    rng = np.random.default_rng(1)
    for _ in range(10):
        faders = rng.uniform(-12.0, 12.0, 10)
        flat = TRUE.response(np.zeros(10), hz)
        really = 20.0 * np.log10(np.abs(TRUE.response(faders, hz) / flat))
        assert np.abs(unit_gain_db(unit, faders, hz) - really).max() <= 0.3
    assert learned[1] == ()


def test_insertion_gain_is_that_against_bypass(learned):
    assert learned[0].insertion_db == pytest.approx(TRUE.insertion_db, abs=0.05)


def test_hiss_and_overload_are_learned_and_said(learned):
    unit = learned[0]
    # White noise of 1e-4 re full scale, dB re a full-scale sine.
    assert unit.hiss_dbfs == pytest.approx(20 * np.log10(1e-4 * np.sqrt(2.0)), abs=0.5)
    # 1 % of harmonics is 0.4 dB over the amplitude at which a clipper begins (see test_overload).
    assert unit.overload_dbfs == pytest.approx(20 * np.log10(CLIPS) + 0.4, abs=0.4)
    assert unit.limits_text == (
        "It hisses at -77 dBFS, measured at its output. It overloads from -8 dBFS sent "
        "(1 % of harmonics at 1 kHz): keep what is played below that."
    )


def test_sweep_in_place_of_the_rising_tone_is_named(tmp_path):
    folder = write_round(tmp_path / "rack")
    (file,) = [one.file for one in read_round(folder).settings if one.rising]
    soundfile.write(folder / file, through(TRUE, np.zeros(10)), RATE_HZ, subtype="PCM_24")
    with pytest.raises(InputError, match=f"{file}: the rising tone is not in it"):
        learn(read_round(folder), folder)


def test_round_without_the_rising_tone_still_serves(tmp_path, learned):
    folder = write_round(tmp_path / "rack")
    text = (folder / "unit.toml").read_text()
    (folder / "unit.toml").write_text(text[: text.rindex("[[setting]]")])
    unit = learn(read_round(folder), folder)[0]
    assert (unit.overload_dbfs, unit.clean_to_dbfs) == (None, None)
    assert unit.faders == learned[0].faders


def test_file_gives_the_same_unit_back(tmp_path, learned):
    (tmp_path / "unit.json").write_bytes(learned[0].to_json())
    assert read_unit(tmp_path / "unit.json") == learned[0]


def test_fader_that_was_not_moved_is_named_with_its_recording(tmp_path):
    folder = write_round(tmp_path / "rack", spoilt=("03.wav", 3, 0.0))
    doubts = learn(read_round(folder), folder)[1]
    assert len(doubts) == 1
    assert doubts[0].text.startswith("03.wav: the 250 Hz fader was near ")
    assert "not at -12" in doubts[0].text


def test_bypass_left_in_is_said_at_once(tmp_path):
    folder = write_round(tmp_path / "rack", bypassed=True)
    with pytest.raises(InputError, match=r"No setting changes the sound: the unit is bypassed"):
        learn(read_round(folder), folder)


def test_cable_that_carries_nothing_and_clipping_are_named_by_file(tmp_path, rack):
    folder = write_round(tmp_path / "rack")
    noise = 1e-4 * np.random.default_rng(0).standard_normal((3 * RATE_HZ, 2))
    noise[:, 1] = through(TRUE, np.zeros(10))[:, 1].repeat(2)[: 3 * RATE_HZ]
    soundfile.write(folder / "02.wav", noise, RATE_HZ, subtype="PCM_24")
    loud = through(TRUE, np.zeros(10), gain=30.0)
    loud[:, 0] = np.clip(loud[:, 0], -1.0, 1.0)
    soundfile.write(folder / "04.wav", loud, RATE_HZ, subtype="PCM_24")
    with pytest.raises(InputError) as error:
        learn(read_round(folder), folder)
    lines = str(error.value).splitlines()
    assert lines[0].startswith("02.wav: what was played is not in it.")
    assert lines[1].startswith("04.wav: clips behind the unit.")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("bands = 10", "bands = 11", "bands = 11"),
        ("range_db = 12.0", "range_dbs = 12.0", 'Did you mean "range_db"?'),
        ('file = "02.wav"', 'file = "../02.wav"', "does not exist in the folder"),
        ("at_db = 12.0", "at_db = 13.0", "beyond range_db = 12"),
        ("faders_hz = [31.5", "faders_hz = [33.0", "no fader at 33 Hz"),
        ("[unit]", "[units]", 'Did you mean "unit"?'),
    ],
)
def test_wrong_figure_of_the_round_is_one_line(tmp_path, old, new, says):
    folder = write_round(tmp_path / "rack")
    text = (folder / "unit.toml").read_text()
    assert old in text
    (folder / "unit.toml").write_text(text.replace(old, new, 1))
    with pytest.raises(InputError) as error:
        read_round(folder)
    assert says in str(error.value)


def test_settings_are_said_as_a_person_makes_them():
    assert setting_words((), 0.0) == "All faders to 0, the unit switched in."
    assert setting_words((63.0,), 12.0) == "Push 63 up to 12 dB, all others to 0."


def measured_job(folder, **equalizer):
    figures = {"bands": "10", "response": '"measured"', "file": '"unit.json"', **equalizer}
    lines = "\n".join(f"{name} = {value}" for name, value in figures.items())
    (folder / "job.toml").write_text(f'[venue]\nname = "Mill"\n[equalizer]\n{lines}\n')
    return load_job(folder, takes_needed=False)


def test_job_takes_the_learned_unit(tmp_path, learned):
    (tmp_path / "unit.json").write_bytes(learned[0].to_json())
    unit = unit_of(measured_job(tmp_path, step_db="1.0", max_boost_db="3.0"), tmp_path)
    assert unit.centre_hz.tolist() == [fader.centre_hz for fader in learned[0].faders]
    assert (unit.step_db, unit.max_boost_db) == (1.0, 3.0)
    assert unit_of(demo_job(), tmp_path).law is None


@pytest.mark.parametrize(
    ("figures", "says"),
    [
        ({"bands": "31"}, "bands are not the 10 faders of unit.json"),
        ({"range_db": "6.0"}, "range_db = 6, but unit.json was learned at 12"),
    ],
)
def test_unit_of_another_faceplate_is_refused(tmp_path, learned, figures, says):
    (tmp_path / "unit.json").write_bytes(learned[0].to_json())
    job = measured_job(tmp_path, **figures)
    with pytest.raises(InputError, match=says):
        unit_of(job, tmp_path)


@pytest.mark.parametrize("content", ["", "{}", '{"schema": 2}', "[1]", "\x00"])
def test_file_that_is_no_unit_is_one_line(tmp_path, content):
    (tmp_path / "unit.json").write_text(content)
    with pytest.raises(InputError) as error:
        measured_job(tmp_path)
    assert "unit.json: " in str(error.value)
    assert "Learn the unit again" in str(error.value)


def test_measured_response_needs_its_file(tmp_path):
    (tmp_path / "job.toml").write_text(
        '[venue]\nname = "Mill"\n[equalizer]\nresponse = "measured"\n'
    )
    with pytest.raises(InputError, match=r'needs file, the learned unit\. Give file = "unit.json"'):
        load_job(tmp_path, takes_needed=False)


def test_command_writes_a_round_and_learns_it(tmp_path, rack):
    begun = run("learn-unit", tmp_path / "new", "--new", "--bands", "15")
    assert begun.exit_code == 0, begun.output
    assert (tmp_path / "new" / "stimulus.wav").is_file()
    assert "Push 25" in (tmp_path / "new" / "unit.toml").read_text()
    again = run("learn-unit", tmp_path / "new", "--new")
    assert again.exit_code == 2
    assert "is there already" in again.stderr
    done = run("learn-unit", rack, "--out", tmp_path)
    assert done.exit_code == 0, done.output
    assert "Old rack" in done.stdout
    assert json.loads((tmp_path / "unit.json").read_text())["schema"] == 1
    missing = run("learn-unit", tmp_path / "nowhere")
    assert missing.exit_code == 2
    assert "--new" in missing.stderr


def test_swapped_inputs_are_named(tmp_path):
    folder = write_round(tmp_path / "swapped")
    for one in folder.glob("*.wav"):
        sound, rate_hz = soundfile.read(one)
        soundfile.write(one, sound[:, ::-1], rate_hz, subtype="PCM_24")
    with pytest.raises(InputError, match="input 1 and input 2 are swapped"):
        learn(read_round(folder), folder)


def test_right_channel_has_its_own_file(tmp_path, learned):
    (tmp_path / "unit.json").write_bytes(learned[0].to_json())
    other = learned[0].model_copy(update={"model": "constant-q"})
    (tmp_path / "right.json").write_bytes(other.to_json())
    job = measured_job(tmp_path, file_right='"right.json"')
    assert unit_of(job, tmp_path).model == unit_of(job, tmp_path, "left").model
    assert unit_of(job, tmp_path, "right").model == "constant-q"
    (tmp_path / "right.json").unlink()
    with pytest.raises(InputError, match=r"file_right = .right\.json. does not exist"):
        measured_job(tmp_path, file_right='"right.json"')


def test_one_thing_at_a_time_is_asked_for(tmp_path):
    for words in (("--new", "--live"), ("--live", "--again")):
        done = run("learn-unit", tmp_path / "rack", *words)
        assert done.exit_code == 2
        assert "give one of them at a time" in done.stderr
    assert not (tmp_path / "rack").exists()


def test_channels_that_part_are_told_with_where_and_alike_ones_too(learned):
    left = learned[0]
    assert left.beside(left) == (
        "With the same settings the two channels differ by up to 0.0 dB: one card does for both."
    )
    weak = tuple(
        fader.model_copy(update={"share": 0.6 * fader.share}) if fader.hz == 500.0 else fader
        for fader in left.faders
    )
    right = left.model_copy(update={"faders": weak, "insertion_db": left.insertion_db - 2.0})
    # 40 % of what that fader gives at 12 dB is missing.
    gives_db = 12.0 * left.faders[4].share * (1.0 - left.faders[4].sag)
    (part_db,) = re.findall(r"differ by up to ([0-9.]+) dB, most around", left.beside(right))
    assert float(part_db) == pytest.approx(0.4 * gives_db, abs=0.3)
    (where_hz,) = re.findall(r"around (\d+) Hz: give each its own card", left.beside(right))
    assert float(where_hz) == pytest.approx(left.faders[4].centre_hz, rel=0.06)
    assert left.beside(right).endswith("All flat, the right one is 2.0 dB softer.")


def test_other_channel_is_named_on_the_command_line(tmp_path, rack, learned):
    (tmp_path / "left.json").write_bytes(learned[0].to_json())
    told = run(
        "learn-unit", str(rack), "--out", str(tmp_path), "--beside", str(tmp_path / "left.json")
    )
    assert told.exit_code == 0
    assert "one card does for both" in told.stdout
    wrong = learned[0].model_copy(update={"faders": learned[0].faders[:5]})
    (tmp_path / "left.json").write_bytes(wrong.to_json())
    told = run(
        "learn-unit", str(rack), "--out", str(tmp_path), "--beside", str(tmp_path / "left.json")
    )
    assert told.exit_code == 2
    assert "has other faders than this unit" in told.stderr
