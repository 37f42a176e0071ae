"""Takes with absurd samples or of absurd length: each is told of alone, and the others go on."""

import subprocess
import sys

import numpy as np
import pytest
import soundfile

from job.folders import RATE_HZ, Folder, played, sound_take, two_channels


@pytest.mark.parametrize("what", ["scaled", "one sample", "reference"])
def test_extreme_numbers_spoil_their_own_take_alone(tmp_path, what):
    samples = sound_take().copy()
    if what == "scaled":
        samples *= 1e18
    else:
        samples[70_000, int(what == "reference")] = 1e25
    folder = Folder(tmp_path).add(samples, "bad.wav").add(sound_take(1), "good.wav", spot="back")
    bad, good = folder.tune().takes
    assert not bad.usable
    assert [problem.code for problem in bad.problems] == ["damaged"]
    assert bad.level_db is None
    assert good.usable
    assert good.level_db is not None


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("scales", [(1e6, 1e6), (1e6, 1.0), (1.0, 1e6)])
def test_largest_samples_that_are_let_in_are_measured(tmp_path, scales):
    plain = sound_take()
    peaks = np.abs(plain).max(axis=0)
    extreme = plain * [
        scale if scale == 1.0 else 0.99 * scale / peak
        for scale, peak in zip(scales, peaks, strict=True)
    ]
    first, second = Folder(tmp_path).add(plain).add(extreme, "b.wav", spot="back").tune().takes
    gains_db = 20.0 * np.log10(np.abs(extreme).max(axis=0) / peaks)
    assert abs(second.level_db - first.level_db - (gains_db[0] - gains_db[1])) < 0.05


def test_take_of_half_an_hour_is_told_of_and_the_other_goes_on(tmp_path):
    folder = Folder(tmp_path).add(sound_take(), "good.wav", spot="back").add(b"", "long.wav")
    with soundfile.SoundFile(tmp_path / "long.wav", "w", RATE_HZ, 2, subtype="PCM_16") as file:
        file.seek(1800 * RATE_HZ - 1)  # silence that takes no room on the disk
        file.write(np.zeros((1, 2), dtype=np.int16))
    good, long = folder.tune().takes
    assert good.usable
    assert [problem.code for problem in long.problems] == ["unreadable"]
    assert "is 30 minutes long" in long.problems[0].text


def test_recorder_that_was_left_running_is_measured_where_the_sound_is(tmp_path):
    take = sound_take()
    rng = np.random.default_rng(3)
    quiet = 1e-5 * rng.standard_normal((40 * RATE_HZ, 2))
    left_running = np.concatenate((quiet, take, quiet))
    folder = Folder(tmp_path).add(take).add(left_running, "long.wav", spot="back")
    alone, inside = folder.tune().takes
    assert inside.usable
    assert abs(inside.level_db - alone.level_db) < 0.1
    assert abs(inside.delay_s - alone.delay_s) < 1e-4


def test_recorder_left_running_beside_a_player_is_measured_where_the_sound_is(tmp_path):
    take = sound_take()[:, 0]
    quiet = 1e-5 * np.random.default_rng(3).standard_normal(50 * RATE_HZ)
    soundfile.write(tmp_path / "played.wav", played(), RATE_HZ, subtype="FLOAT")
    folder = Folder(tmp_path)
    folder.head += '[reference]\nfile = "played.wav"\n'
    folder.add(take[:, None], fields="")
    folder.add(np.concatenate((quiet, take, quiet))[:, None], "long.wav", spot="back", fields="")
    alone, inside = folder.tune().takes
    assert inside.usable
    assert abs(inside.level_db - alone.level_db) < 0.1


def test_longest_take_goes_through_the_whole_job_within_600_mb(tmp_path):
    # Ten minutes of it, on another clock than the player's: that takes the most.
    code = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "import evenhall.job.tune.serializing, evenhall.verdict.stance.moves\n"
        "import evenhall.verdict.judge\n"
        "from evenhall.job.folder.reading import load_job\n"
        "from evenhall.job.tune.tuning import tune\n"
        "folder = Path(sys.argv[1])\n"
        "job = load_job(folder)\n"
        "base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "(take,) = tune(job, folder).takes\n"
        "assert take.usable, take.problems\n"
        "print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - base) / 1024)\n"
    )
    take = sound_take()[:, 0]
    quiet = (1e-5 * np.random.default_rng(3).standard_normal(RATE_HZ * 10)).astype(np.float32)
    with soundfile.SoundFile(tmp_path / "a.wav", "w", RATE_HZ, 1, subtype="PCM_24") as file:
        for at in range(59):
            file.write(take if at == 30 else quiet)
    soundfile.write(tmp_path / "played.wav", played(), RATE_HZ, subtype="FLOAT")
    (tmp_path / "job.toml").write_text(
        '[reference]\nfile = "played.wav"\n'
        '[[take]]\nfile = "a.wav"\nside = "left"\nspot = "front"\n'
    )
    done = subprocess.run(
        [sys.executable, "-c", code, tmp_path], capture_output=True, text=True, check=True
    )
    assert float(done.stdout) < 600


def test_two_channels_of_nothing_but_full_scale_are_told_of(tmp_path):
    flat = np.full((3 * RATE_HZ, 1), 1e6)
    take = Folder(tmp_path).add(two_channels(flat[:, 0], played()), subtype="FLOAT").only_take()
    assert not take.usable
