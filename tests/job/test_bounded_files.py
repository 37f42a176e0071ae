"""Text files with absurd numbers, depths and lengths: one line each, and never a long wait."""

import json
import time

import pytest

from evenhall.errors import InputError
from evenhall.hall.polar import read_polar
from evenhall.job.folder.calibration import parse_calibration
from evenhall.job.folder.reading import load_job, parse_job
from evenhall.job.folder.tomlfile import MAX_BYTES, read_toml
from evenhall.job.folder.unit_file import read_unit
from evenhall.job.tune.unit import read_round
from job.folders import Folder

LONG_S = 10.0  # a machine that is busy with other things included; each takes well under one

# What is too deep or too long for any file of ours, and the line that it stands on.
WILD = {
    "ten thousand dots": ("\n\na" + ".a" * 10_000 + " = 1", 3),
    "dots with spaces": ("a" + " . a" * 10_000 + " = 1", 1),
    "dots in a head": ("# x\n[" + "a." * 9_999 + "a]", 2),
    "quoted dots": ("'a'" + ".'a'" * 10_000 + " = 1", 1),
    "lists in lists": ("a = " + "[" * 50_000, 1),
    "tables in tables": ("a = " + "{a=" * 20_000, 1),
    "sixty thousand digits": ("a = 1\nb = " + "9" * 60_000, 2),
    "digits in hexadecimal": ("a = 0x" + "f" * 60_000, 1),
    "digits behind the point": ("a = 1." + "9" * 60_000, 1),
    "a long date": ("a = 2026-05-02T18:00:00." + "1" * 60_000, 1),
    "a long key": ("a" * 60_000 + " = 1", 1),
    "behind a text of many lines": ('a = """\n[[[[\n"""\nb' + ".b" * 10_000 + " = 1", 4),
}


@pytest.mark.parametrize("name", WILD)
@pytest.mark.parametrize("file", ["job.toml", "unit.toml"])
def test_wild_toml_is_one_line_with_its_place_at_once(tmp_path, name, file):
    text, line = WILD[name]
    (tmp_path / file).write_text(text)
    start_s = time.monotonic()
    with pytest.raises(InputError) as caught:
        load_job(tmp_path) if file == "job.toml" else read_round(tmp_path)
    assert time.monotonic() - start_s < LONG_S
    (fault,) = caught.value.faults
    assert fault.startswith(f"{file}, line {line}: ")
    assert len(fault) < 250


@pytest.mark.parametrize(
    "text",
    [
        'a = "' + "[" * 50 + '"',
        "a = '" + "." * 500 + "'",
        'a = """\n' + "[[{{..." * 100 + '\n""\\""" x"""',
        "a = '''\n" + "[[{{..." * 100 + "\n'' x'''",
        "# " + "[" * 50 + "." * 5000 + "9" * 5000,
        'a = "x\\"[[[[[[[[[[[["',
        'note = """' + "A line of a note, with [brackets] and dots...\n" * 1000 + '"""',
        "a = [" + "[63, 4.0], " * 100 + "]",
        "a.b.c.d = 1.5",
        "\n".join(f"[t{number}]\na.b = [1.5, 2.5]" for number in range(500)),
    ],
)
def test_brackets_dots_and_digits_in_text_and_comments_are_no_depth(text):
    assert isinstance(read_toml(text.encode(), name="job.toml"), dict)


def test_largest_toml_that_is_let_in_is_parsed_at_once():
    lines = b"".join(b"a.b.c.d.e.f.g%d = 1\n" % number for number in range(20_000))[
        : MAX_BYTES - 20
    ]
    start_s = time.monotonic()
    read_toml(lines[: lines.rindex(b"\n")], name="job.toml")
    assert time.monotonic() - start_s < LONG_S


def test_integer_that_no_float_holds_is_a_fault_of_its_field(tmp_path):
    (tmp_path / "job.toml").write_text("[venue]\nlength_m = " + "9" * 190 + "\n")
    with pytest.raises(InputError, match=r"length_m = 9+… is too large"):
        load_job(tmp_path)


def test_ten_thousand_takes_are_one_line_at_once(tmp_path):
    text = '[[take]]\nfile="a"\n' * 10_000
    start_s = time.monotonic()
    with pytest.raises(InputError) as caught:
        parse_job(text.encode(), folder=tmp_path)
    assert time.monotonic() - start_s < LONG_S
    assert caught.value.faults == (
        "job.toml: there are 10000 [[take]]. Give at most 200: the takes of one visit.",
    )


def test_two_hundred_takes_are_let_in(tmp_path):
    (tmp_path / "a.wav").touch()
    takes = "".join(
        f'[[take]]\nfile = "a.wav"\nside = "left"\nspot = "s"\nmic_channel = {number}\n'
        "reference_channel = 256\n"
        for number in range(1, 201)
    )
    assert len(parse_job(takes.encode(), folder=tmp_path).takes) == 200


def test_twenty_thousand_unknown_fields_are_told_of_in_a_few_lines(tmp_path):
    text = "[venue]\n" + "".join(f"x{number} = 1\n" for number in range(20_000))
    start_s = time.monotonic()
    with pytest.raises(InputError) as caught:
        parse_job(text.encode(), folder=tmp_path, takes_needed=False)
    assert time.monotonic() - start_s < LONG_S
    assert len(caught.value.faults) < 30
    assert caught.value.faults[-1] == "job.toml: [venue] has 19980 faults more."


@pytest.mark.parametrize(
    ("field", "words"),
    [
        (
            f"[equalizer]\nbands = {[round(20 * 1.1**k, 3) for k in range(61)]}",
            "more than 60 faders",
        ),
        ("[equalizer]\nbands = [990, 1010, 2000]", "less than a tenth of an octave apart"),
        ("[equalizer]\nbands = [10.0, 10.000001]", "less than a tenth of an octave apart"),
        (f"[target]\npoints = {[[20 + k, 0] for k in range(101)]}", "more than 100 points"),
        (f"[rig]\nsides = {[f's{k}' for k in range(33)]}", "more than 32 elements"),
        (f'[venue]\nname = "{"x" * 201}"', "longer than 200 characters"),
    ],
)
def test_lists_and_names_have_an_end(tmp_path, field, words):
    with pytest.raises(InputError, match=words):
        parse_job(field.replace("'", '"').encode(), folder=tmp_path, takes_needed=False)


def learned() -> dict:
    fader = {"centre_hz": 1.0, "q": 4.3, "q_bend": 0.0, "share": 1.0, "sag": 0.0, "moved": True}
    faders = [{**fader, "hz": hz, "centre_hz": hz} for hz in (100.0, 1000.0)]
    return {"schema": 1, "name": "x", "model": "constant-q", "range_db": 12.0,
            "insertion_db": 0.0, "residual_db": 0.1, "faders": faders}  # fmt: skip


@pytest.mark.parametrize(
    ("field", "value"),
    [("centre_hz", 1e300), ("q", 1e300), ("q", 1e-300), ("q_bend", -1e300), ("share", 1e300),
     ("sag", -1e300), ("hz", 1e300), ("hz", 5000.0), ("share", 5.0)],
)  # fmt: skip
def test_learned_unit_with_absurd_figures_is_refused(tmp_path, field, value):
    unit = learned()
    (tmp_path / "unit.json").write_text(json.dumps(unit))
    read_unit(tmp_path / "unit.json")
    unit["faders"][0][field] = value
    (tmp_path / "unit.json").write_text(json.dumps(unit))
    with pytest.raises(InputError, match=r"unit.json: .* is not as a learned unit has it"):
        read_unit(tmp_path / "unit.json")


@pytest.mark.parametrize(
    "text",
    ['{"a":' * 10_000, "[" * 60_000, '{"schema":' + "9" * 60_000 + "}",
     '{"faders":[' + ",".join(["{}"] * 20_000) + "]}", '{"name":"' + "a" * 60_000 + '"}'],
)  # fmt: skip
def test_wild_json_of_a_unit_is_one_line_at_once(tmp_path, text):
    (tmp_path / "unit.json").write_text(text)
    start_s = time.monotonic()
    with pytest.raises(InputError) as caught:
        read_unit(tmp_path / "unit.json")
    assert time.monotonic() - start_s < LONG_S
    (fault,) = caught.value.faults
    assert len(fault) < 400


@pytest.mark.parametrize("line", ["1" * 4_000_000, "1 " * 2_000_000, " " * 4_000_000])
def test_line_of_megabytes_is_one_line_at_once(line):
    start_s = time.monotonic()
    with pytest.raises(InputError, match=r"mic.txt, line 2: has \d+ characters"):
        parse_calibration("Hz dB\n" + line, name="mic.txt")
    with pytest.raises(InputError, match=r"box.csv, line 2: has \d+ characters"):
        read_polar("frequency_hz,plane,angle_deg,level_db\n" + line, name="box.csv")
    assert time.monotonic() - start_s < LONG_S


def test_calibration_beyond_any_frequency_is_refused():
    with pytest.raises(InputError, match=r"1e[+]300 is above 1e[+]06 Hz"):
        parse_calibration("20 0\n1000 0\n1e300 0", name="mic.txt")


def test_foreign_words_in_polar_data_are_cut_short():
    text = "frequency_hz,plane,angle_deg,level_db\n1000," + "x" * 900 + ",0,0"
    with pytest.raises(InputError) as caught:
        read_polar(text, name="box.csv")
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize("count", [199, 3000])
def test_folder_with_as_much_as_is_let_in_is_checked_at_once(tmp_path, count):
    # Two hundred takes whose files do not exist, in a folder full of others: names are compared.
    for number in range(count):
        (tmp_path / f"left-front-{number}.wav").touch()
    folder = Folder(tmp_path)
    folder.takes = [
        f'[[take]]\nfile = "left-frnt-{number}.wave"\nside = "left"\nspot = "s"\n'
        "reference_channel = 2\n"
        for number in range(200)
    ]
    start_s = time.monotonic()
    with pytest.raises(InputError) as caught:
        load_job(folder.write())
    assert time.monotonic() - start_s < LONG_S
    assert len(caught.value.faults) == 101
