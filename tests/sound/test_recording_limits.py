"""What no take can be is refused before it fills the memory, and no absurd sample gets in."""

import resource
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from evenhall.acoustics.level import HIGHEST_SAMPLE
from evenhall.sound.recording import UnreadableRecording, read_recording

RATE_HZ = 48_000
MOST_MB = 600  # over what the program itself takes


def noise(n: int = 48_000, channels: int = 2) -> np.ndarray:
    return 0.05 * np.random.default_rng(20).standard_normal((n, channels))


def problem_of(path: Path) -> tuple[str, str]:
    with pytest.raises(UnreadableRecording) as caught:
        read_recording(path)
    return caught.value.problem.code, caught.value.problem.text


def sparse_wav(path: Path, *, data_bytes: int, told_bytes: int, channels: int = 1) -> Path:
    """WAV of 16 bits whose silence takes no room on the disk."""
    frame = 2 * channels
    form = struct.pack("<HHIIHH", 1, channels, RATE_HZ, RATE_HZ * frame, frame, 16)
    head = b"WAVEfmt " + struct.pack("<I", len(form)) + form
    head += b"data" + struct.pack("<I", told_bytes)
    whole = min(len(head) + data_bytes, 0xFFFFFFFF)
    with path.open("wb") as file:
        file.write(b"RIFF" + struct.pack("<I", whole) + head)
        file.truncate(8 + len(head) + data_bytes)
    return path


def peak_mb(script: str, *words: object) -> float:
    """Run a script in a process of its own; memory at its highest, over what `BASE` was."""
    code = (
        "import resource, sys\n"
        "import numpy as np\n"
        "from pathlib import Path\n"
        "def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024\n"
        f"{script}\n"
        "print(peak() - BASE)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


@pytest.mark.parametrize("scale", [1e18, 1e9, -1e18])
def test_float_recording_scaled_beyond_reason_is_damaged(tmp_path, scale):
    soundfile.write(tmp_path / "a.wav", scale * noise(), RATE_HZ, subtype="FLOAT")
    code, text = problem_of(tmp_path / "a.wav")
    assert code == "damaged"
    assert "dB above full scale" in text
    assert "Export it again as 24 bit" in text


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("value", [1e25, -1e25])
def test_one_absurd_sample_is_damage_in_whatever_channel(tmp_path, channel, value):
    samples = noise()
    samples[777, channel] = value
    soundfile.write(tmp_path / "a.wav", samples, RATE_HZ, subtype="FLOAT")
    assert problem_of(tmp_path / "a.wav")[0] == "damaged"
    with pytest.raises(UnreadableRecording):
        read_recording(tmp_path / "a.wav", channels=(2 - channel,))


def test_double_that_float_cannot_hold_is_damage(tmp_path):
    samples = noise()
    samples[777, 0] = 1e300
    soundfile.write(tmp_path / "a.wav", samples, RATE_HZ, subtype="DOUBLE")
    assert problem_of(tmp_path / "a.wav")[0] == "damaged"


def test_integers_written_as_floats_are_read(tmp_path):
    soundfile.write(tmp_path / "a.wav", 32768.0 * noise(), RATE_HZ, subtype="FLOAT")
    samples = read_recording(tmp_path / "a.wav").samples
    assert 5000.0 < np.abs(samples).max() < HIGHEST_SAMPLE


def test_only_the_channels_asked_for_are_kept_in_the_order_asked(tmp_path):
    samples = np.arange(1, 5) / 10.0 * np.ones((100, 1))
    soundfile.write(tmp_path / "a.wav", samples, RATE_HZ, subtype="FLOAT")
    recording = read_recording(tmp_path / "a.wav", channels=(3, 1, 9))
    assert recording.n_channels == 4
    assert recording.channels == (3, 1)
    assert recording.samples[0].tolist() == pytest.approx([0.3, 0.1])
    assert recording.channel(1)[0] == pytest.approx(0.1)
    assert len(recording.clipped_places) == 2


def test_recording_of_three_quarters_of_an_hour_is_refused_by_its_length(tmp_path):
    path = sparse_wav(tmp_path / "a.wav", data_bytes=270_720_000, told_bytes=270_720_000)
    code, text = problem_of(path)
    assert code == "unreadable"
    assert text == "The file is 47 minutes long. Give at most 10 minutes: cut the take out of it."


def test_recording_of_ten_minutes_is_read(tmp_path):
    path = sparse_wav(tmp_path / "a.wav", data_bytes=57_600_000, told_bytes=57_600_000)
    assert read_recording(path).duration_s == 600.0


def test_high_rate_names_the_shorter_limit_that_goes_with_it(tmp_path):
    path = tmp_path / "a.flac"
    with soundfile.SoundFile(path, "w", 192_000, 1, subtype="PCM_16") as file:
        for _ in range(200):
            file.write(np.zeros(192_000))
    code, text = problem_of(path)
    assert code == "unreadable"
    assert text.endswith(
        "is 3.33 minutes long. Give at most 2.6 minutes with 192 kHz: cut the take out of it."
    )


def test_more_channels_than_a_mixer_has_are_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", noise(100, 65), RATE_HZ)
    code, text = problem_of(tmp_path / "a.wav")
    assert code == "unreadable"
    assert "65 channels" in text


def test_rate_that_no_recorder_has_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", noise(1000), 1_000_000)
    code, text = problem_of(tmp_path / "a.wav")
    assert code == "unreadable"
    assert "1000 kHz" in text


@pytest.mark.parametrize(
    ("data_bytes", "told_bytes"),
    [(3 * 2**30, 3 * 2**30), (3 * 2**30, 0), (3 * 2**30, 0xFFFFFFFF), (5 * 2**30, 0)],
)
def test_sparse_file_of_gigabytes_takes_no_memory(tmp_path, data_bytes, told_bytes):
    path = sparse_wav(tmp_path / "a.wav", data_bytes=data_bytes, told_bytes=told_bytes)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    code, text = problem_of(path)
    assert code == "unreadable"
    assert "long. Give at most 10 minutes" in text
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 50 * 1024


def test_file_of_a_million_chunks_is_answered(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"RIFF\xff\xff\xff\x7fWAVE" + b"junk\0\0\0\0" * 2**20)
    assert problem_of(path)[0] == "unreadable"


def test_flac_of_eight_channels_of_which_two_are_wanted_keeps_two(tmp_path):
    with soundfile.SoundFile(tmp_path / "a.flac", "w", RATE_HZ, 8, subtype="PCM_16") as file:
        for _ in range(9):
            file.write(np.zeros((10 * RATE_HZ, 8), dtype=np.int16))
    peak = peak_mb(
        "from evenhall.sound.recording import read_recording\n"
        "BASE = peak()\n"
        "assert read_recording(Path(sys.argv[1]), channels=(1, 2)).n_channels == 8\n",
        tmp_path / "a.flac",
    )
    # Two channels of 90 s are 35 MB, eight 138.
    assert peak < 100


def test_longest_recording_flat_at_full_scale_stays_within_memory(tmp_path):
    # The worst for the search for flat tops: every second sample is one.
    path = tmp_path / "a.wav"
    block = np.tile([32767, -32768], RATE_HZ * 5).astype(np.int16)
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, subtype="PCM_16") as file:
        for _ in range(60):
            file.write(block)
    peak = peak_mb(
        "from evenhall.sound.recording import read_recording\n"
        "BASE = peak()\n"
        "assert read_recording(Path(sys.argv[1])).duration_s == 600.0\n",
        path,
    )
    assert peak < MOST_MB
