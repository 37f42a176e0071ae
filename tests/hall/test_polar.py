"""Polar data as plain text: points come back, faults get a line with a number."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenhall.errors import InputError
from evenhall.hall.polar import MOST_FAULTS, read_polar

HEAD = "frequency_hz,plane,angle_deg,level_db"
GOOD = "\n".join(
    [HEAD, "# a two-way box, 2 m, 5 degrees", ""]
    + [
        f"{hz},{plane},{angle},{90 - share * angle:.2f}"
        for hz, share in ((500, 0.05), (4000, 0.2))
        for plane in "hV"
        for angle in (0, 30, 60, 180)
    ]
)


def test_levels_are_those_of_the_file_re_the_axis():
    pattern = read_polar(GOOD, name="box.csv")
    loss = pattern.off_axis_db([0.0, 30.0, -60.0], 0.0, freq_hz=[500.0, 4000.0])
    assert loss == pytest.approx(np.array([[0.0, 0.0], [-1.5, -6.0], [-3.0, -12.0]]))
    assert pattern.off_axis_db(0.0, 60.0, freq_hz=[4000.0]).item() == pytest.approx(-12.0)
    assert pattern.directivity_q([4000.0]).item() > pattern.directivity_q([500.0]).item() > 1.0


def test_windows_file_with_a_mark_and_spaces_is_read():
    text = "\ufeff" + GOOD.replace(",", " , ").replace("\n", "\r\n")
    assert read_polar(text, name="box.csv").across_deg.tolist() == [0.0, 30.0, 60.0, 180.0]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("1000,h,0", r"box.csv, line 2: 3 columns\. Give 4"),
        ("1000,x,0,1", r"line 2: plane = 'x'\. Give h"),
        ("1000,h,0,loud", r"line 2: level_db = 'loud' is not a number"),
        ("0,h,0,1", r"line 2: frequency_hz = 0\. Give 1 to 100000 Hz"),
        ("1000,h,200,1", r"line 2: angle_deg = 200\. Give -180 to 180"),
        ("1000,h,0,nan", r"line 2: level_db = nan\. Give -240 to 240 dB"),
    ],
)
def test_bad_line_is_named_with_its_number(line, words):
    text = GOOD.replace(HEAD, f"{HEAD}\n{line}")
    with pytest.raises(InputError, match=words):
        read_polar(text, name="box.csv")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", r"no line for plane h"),
        ("hz,plane,angle,db\n1,h,0,0", r"line 1: the columns are 'hz,plane,angle,db'\. Give a"),
        (f"{HEAD}\n1000,h,0,0\n1000,h,0,1", r"line 3: 1000 Hz, h, 0 degrees is given twice"),
        (f"{HEAD}\n1000,h,10,0\n1000,v,0,0\n1000,v,9,0", r"plane h has no axis"),
        (GOOD.replace("4000,h,30,84.00\n", ""), r"plane h has other angles at 4000 Hz"),
        (GOOD.replace("4000,V", "4100,V"), r"h and v have other frequencies"),
    ],
)
def test_what_is_missing_is_named(text, words):
    with pytest.raises(InputError, match=words):
        read_polar(text, name="box.csv")


def test_faults_are_told_at_once_but_not_without_end():
    bad = "\n".join([HEAD, *["1000,h"] * 50])
    with pytest.raises(InputError) as caught:
        read_polar(bad, name="box.csv")
    assert len(caught.value.faults) == MOST_FAULTS + 1
    assert caught.value.faults[-1] == "box.csv: and 40 lines more."


@given(st.text(max_size=60))
def test_any_text_gives_a_line_and_no_traceback(text):
    with pytest.raises(InputError) as caught:
        read_polar(f"{HEAD}\n{text}", name="box.csv")
    assert all(fault.startswith("box.csv") for fault in caught.value.faults)
