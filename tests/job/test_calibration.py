"""Calibration files as makers of microphones and people with spreadsheets write them."""

import numpy as np
import pytest

from evenhall.errors import InputError, StoreError
from evenhall.job.folder.calibration import parse_calibration, read_calibration
from evenhall.job.folder.textfile import MAX_BYTES


def points(text: str) -> list[tuple[float, float]]:
    freq_hz, deviation_db = parse_calibration(text, name="mic.txt")
    assert freq_hz.dtype == deviation_db.dtype == np.float64
    return list(zip(freq_hz.tolist(), deviation_db.tolist(), strict=True))


WANTED = [(20.0, -1.5), (1000.5, 0.25)]


@pytest.mark.parametrize(
    "text",
    [
        "20 -1.5\n1000.5 0.25",
        "20\t-1.5\n1000.5\t0.25\n",
        "20,-1.5\n1000.5,0.25",
        "20, -1.5\n1000.5, 0.25",
        "20;-1.5\n1000.5;0.25",
        "20;-1,5\n1000,5;0,25",
        "20\t-1,5\r\n1000,5\t0,25\r\n",
        "20 -1,5\n1000,5 0,25",
        "  20.0   -1.5   12.0  \n 1000.5 0.25 -3",
        '"20","-1.5"\n"1000.5","0.25"',
        "20 −1.5\n1000.5 0.25",
        "2.0e1 -1.5\n1.0005e3 +.25",
        "20,\t-1.5\n1000.5,\t0.25",
    ],
)
def test_columns_parted_in_every_usual_way(text):
    assert points(text) == WANTED


def test_headers_comments_and_further_columns_are_passed_over():
    text = (
        "2024-03-01 calibrated at 0 degrees\nSensitivity = -1.8 dB\n* note\nFreq(Hz) SPL(dB)\n\n"
        "20 -1.5 178.2\n# in between\n1000.5 0.25 3.1 ; end\n"
    )
    assert points(text) == WANTED


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "20 0\n1000 1\n500 2\n",
            "mic.txt, line 3: 500 Hz does not rise above the 1000 Hz before it. "
            "Sort the lines by frequency, each once.",
        ),
        (
            "20 0\n20 1\n",
            "mic.txt, line 2: 20 Hz does not rise above the 20 Hz before it. "
            "Sort the lines by frequency, each once.",
        ),
        ("20 0\n40 nan\n", "mic.txt, line 2: the deviation nan dB is not within +-60 dB."),
        ("20 0\n40 1e9\n", "mic.txt, line 2: the deviation 1e+09 dB is not within +-60 dB."),
        ("0 0\n40 1\n50 1\n", "mic.txt, line 1: the frequency 0 is not above 0 Hz."),
        (
            "20 0\n40\n50 1\n",
            "mic.txt, line 2: '40' is not a frequency in Hz and a deviation in dB.",
        ),
        (
            "20 0\n",
            "mic.txt: holds 1 calibration points. Give at least two lines, "
            "each a frequency in Hz and a deviation in dB.",
        ),
        (
            "",
            "mic.txt: holds 0 calibration points. Give at least two lines, "
            "each a frequency in Hz and a deviation in dB.",
        ),
    ],
)
def test_fault_names_the_line(text, line):
    with pytest.raises(InputError) as caught:
        parse_calibration(text, name="mic.txt")
    assert caught.value.faults == (line,)


def test_many_faults_are_cut_short():
    text = "20 0\n40 0\n" + "10 0\n" * 9
    with pytest.raises(InputError) as caught:
        parse_calibration(text, name="mic.txt")
    assert len(caught.value.faults) == 6
    assert caught.value.faults[-1] == "mic.txt: 4 more such lines."


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_file_in_any_usual_encoding(tmp_path, encoding):
    path = tmp_path / "mic.txt"
    path.write_bytes("Gerät\n20 -1.5\n1000.5 0.25\n".encode(encoding))
    freq_hz, deviation_db = read_calibration(path)
    assert freq_hz.tolist() == [20.0, 1000.5]
    assert deviation_db.tolist() == [-1.5, 0.25]


def test_file_that_is_no_text_is_a_fault(tmp_path):
    path = tmp_path / "mic.txt"
    path.write_bytes(bytes(range(256)) * 8)
    with pytest.raises(InputError, match=r"^mic\.txt"):
        read_calibration(path)


def test_huge_file_is_refused(tmp_path):
    path = tmp_path / "mic.txt"
    path.write_bytes(b"#" * (MAX_BYTES + 1))
    with pytest.raises(InputError, match=r"mic\.txt: is too large for a calibration file"):
        read_calibration(path)


def test_file_that_is_gone(tmp_path):
    with pytest.raises(StoreError, match=r"mic\.txt: cannot be read \(No such file"):
        read_calibration(tmp_path / "mic.txt")
