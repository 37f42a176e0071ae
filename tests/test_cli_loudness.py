"""`evenhall loudness` as a person types it: of recordings, and live through JACK."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from evenhall.cli import app
from evenhall.job.demo.folder import write_demo
from evenhall.job.live.loudness import louder_by
from evenhall.job.tune.result import BandLevel, Result, TakeResult, TargetCurve
from jackroom import JackRoom, jack_tests

EVENHALL = Path(sys.executable).with_name("evenhall")
RATE_HZ = 48_000
CABLE = np.eye(1, 64)[0]
ENVIRONMENT = {"COLUMNS": "80", "NO_COLOR": "1"}


def runner(place, more):
    environment = {**os.environ, **ENVIRONMENT, **more, "XDG_CONFIG_HOME": str(place / "settings")}

    def command(*words, stdin=""):
        return subprocess.run(
            [EVENHALL, "loudness", *map(str, words)],
            env=environment,
            input=stdin,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            cwd=place,
        )

    command.environment = environment
    return command


def rows_of(path):
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


class TestOfRecordings:
    @pytest.fixture
    def run(self, tmp_path):
        t = np.arange(6 * RATE_HZ) / RATE_HZ
        # Faded in: the onset of a full tone would be the highest peak.
        tone = 0.1 * np.minimum(10.0 * t, 1.0) * np.sin(2.0 * np.pi * 1000.0 * t)
        soundfile.write(tmp_path / "tone.wav", tone, RATE_HZ, subtype="PCM_24")
        both = np.stack([0.0 * tone, 2.0 * tone], axis=1)
        soundfile.write(tmp_path / "show.wav", both, RATE_HZ, subtype="PCM_24")
        return runner(tmp_path, {})

    def test_level_is_that_against_the_calibrator(self, run, tmp_path):
        soundfile.write(
            tmp_path / "tone2.wav",
            np.repeat(soundfile.read(tmp_path / "tone.wav")[0][:, None], 2, axis=1),
            RATE_HZ,
        )
        done = run(
            "show.wav", "show.wav", "--mic", 2, "--calibrator", 94, "--heard", "tone2.wav",
            "--louder-by", 3, "--log", "show.csv",
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        said = " ".join(done.stdout.split())
        assert "This is no certified measurement." in said
        assert "give or take 2 dB for a cheap microphone, by our own estimate" in said
        assert "3.0 dB are added" in said
        # 6 dB above the calibrator's tone, and 3 more.
        assert "LAeq of all 12 s: 103.0 dB(A). Highest C peak: 106.0 dB(C)." in said
        assert "Local law decides" in said
        rows = rows_of(tmp_path / "show.csv")
        assert [row["time"] for row in rows] == [f"0:00:{k + 1:02d}" for k in range(12)]
        # 6.02 dB above the calibrator's tone, and 3 more.
        assert float(rows[-1]["LAeq 1 s dB(A)"]) == pytest.approx(103.02, abs=0.02)
        again = run("show.wav", "--sensitivity", 114, "--log", "show.csv")
        assert again.returncode == 2
        assert again.stderr == "show.csv: is there already. Give another name for the log.\n"

    def test_chosen_limit_and_warnings_are_said(self, run):
        done = run("tone.wav", "--sensitivity", 140, "--audience-limit", 97, "--over", 1)
        said = " ".join(done.stdout.split())
        assert "% used of the audience limit, 97 dB(A) over 1 minute." in said
        assert "! TURN IT DOWN: the audience limit, 97 dB(A) over 1 minute, is passed." in said

    def test_what_the_microphone_adds_is_taken_off(self, run, tmp_path):
        (tmp_path / "mic.txt").write_text("20 -6\n500 0\n1000 2\n2000 2\n20000 6\n")
        t = np.arange(4 * RATE_HZ) / RATE_HZ
        low = 0.1 * np.minimum(10.0 * t, 1.0) * np.sin(2.0 * np.pi * 500.0 * t)
        soundfile.write(tmp_path / "low.wav", low, RATE_HZ, subtype="PCM_24")
        levels = []
        for more in ((), ("--microphone", "mic.txt")):
            done = run("low.wav", "--calibrator", 94, "--heard", "tone.wav", *more)
            assert done.returncode == 0, done.stderr
            said = " ".join(done.stdout.split())
            levels.append(float(said.split("LAeq of all 4 s: ")[1].split()[0]))
        assert "Its deviation from 20 Hz to 20 kHz is taken off by its calibration file." in said
        # The tone at 1 kHz was 2 dB higher in the file than this one.
        assert levels[1] - levels[0] == pytest.approx(2.0, abs=0.11)

    @pytest.mark.parametrize(
        ("words", "line"),
        [
            (
                ("tone.wav", "--sensitivity", 114, "--microphone", "gone.txt"),
                "gone.txt: ",
            ),
            (("show.wav",), "The level of a recording is not known by itself."),
            (("show.wav", "--calibrator", 94), "The level of a recording is not known"),
            (("--heard", "tone.wav", "--calibrator", 94), "--heard is for recordings."),
            (
                ("tone.wav", "--calibrator", 94, "--sensitivity", 114, "--heard", "tone.wav"),
                "Give one of --calibrator, --reads and --sensitivity.",
            ),
            (
                ("tone.wav", "--calibrator", 95, "--heard", "tone.wav"),
                "--calibrator = 95 is no calibrator that is known. Give 94 or 114 dB.",
            ),
            (
                ("tone.wav", "--calibrator", 94, "--heard", "show.wav"),
                "show.wav: Almost nothing is heard.",
            ),
            (
                ("tone.wav", "--sensitivity", 114, "--mic", 3),
                "tone.wav: The file has 1 channels: there is no channel 3.",
            ),
            (("gone.wav", "--sensitivity", 114), "gone.wav: no such file. Give"),
            (
                ("tone.wav", "--sensitivity", 114, "--louder-by", 1, "--takes", "job"),
                "Give --louder-by or --takes, not both.",
            ),
        ],
    )
    def test_fault_is_a_line(self, run, words, line):
        done = run(*words)
        assert done.returncode == 2
        assert done.stderr.startswith(line)
        assert done.stderr.count("\n") == 1

    def test_job_without_a_take_at_the_mixer_is_told(self, run, tmp_path):
        write_demo(tmp_path / "job")
        done = run("tone.wav", "--sensitivity", 114, "--takes", "job")
        assert done.returncode == 2
        assert 'job: no take at the spot "mixer" can be compared with another.' in done.stderr


def a_take(spot, side, level_db, **more):
    bands = tuple(
        BandLevel(hz=hz, level_db=level_db + more_db, uncertainty_db=0.5, usable=usable)
        for hz, more_db, usable in ((100.0, 0.0, True), (1000.0, 0.0, True), (8000.0, 30.0, False))
    )
    return TakeResult(
        file="a.wav", side=side, spot=spot, usable=True, bands=bands, **{"state": "before", **more}
    )


def of_takes(*takes):
    return Result(job="Set", takes=takes, target=TargetCurve(shape="flat", points=((1000.0, 0.0),)))


def test_loudest_place_is_compared_with_the_mixers():
    takes = [
        a_take("mixer", "left", -10.0),
        a_take("mixer", "right", -10.0),
        a_take("front", "left", -5.0),
        a_take("front", "right", -6.0),
        a_take("back", "left", -14.0),
        a_take("back", "right", -14.0),
        a_take("aisle", "left", 20.0),  # only one side
        a_take("front", "left", 20.0, with_subs=True),
        a_take("front", "left", 20.0, at="stage"),
    ]
    powers = 10.0 ** (np.array([-5.0, -6.0]) / 10.0)
    wanted = 10.0 * np.log10(powers.mean()) + 10.0
    assert louder_by(of_takes(*takes)) == pytest.approx(wanted, abs=1e-6)
    after = [
        a_take("mixer", "left", 0.0, state="after"),
        a_take("front", "left", 2.0, state="after"),
    ]
    assert louder_by(of_takes(*takes, *after)) == pytest.approx(2.0)
    assert louder_by(of_takes(*takes[2:])) is None
    assert louder_by(of_takes(takes[0])) is None


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    place = tmp_path_factory.mktemp("jack")
    with JackRoom(place, {(1, 1): CABLE}, rate_hz=RATE_HZ, period=1024) as running:
        running.source = place / "source"
        running.source.write_text("tone 0.1")
        running.run_client(Path(__file__).with_name("heard_source.py"), running.source)
        running._wait_for("source:out")
        running.connect("source:out", "hall:in_1")
        yield running


class TestLive:
    pytestmark = jack_tests("loudness")

    @pytest.fixture
    def run(self, room, tmp_path):
        room.source.write_text("tone 0.1")
        time.sleep(0.2)
        return runner(tmp_path, room.environment)

    def test_calibrated_once_it_tells_warns_and_logs(self, room, run, tmp_path):
        """A tone of 94 dB, then 106: 3:45 minutes of that are as much as 15 at 100."""
        missing = run("--device", "hall")
        assert missing.returncode == 2
        assert "is not calibrated. Give --calibrator 94" in missing.stderr
        asked = run("--device", "hall", "--calibrator", 94, "--gain", "noon", stdin="\n")
        assert asked.returncode == 0, asked.stderr
        assert "Push the microphone all the way into the calibrator of 94 dB" in asked.stderr
        said = " ".join(asked.stdout.split())
        assert said.startswith("Calibrated: a full-scale sine is 114.0 dB, give or take 2 dB.")
        turned = run("--device", "hall", "--gain", "two")
        assert turned.returncode == 2
        assert turned.stderr.endswith(
            'The microphone was calibrated at gain "noon", and now it is at "two". Put the gain '
            "back, or calibrate again.\n"
        )
        room.source.write_text("tone 0.4")
        heard = run("--device", "hall", "--length", 4, "--log", "show.csv", "--gain", "noon")
        assert heard.returncode == 0, heard.stderr
        told = " ".join(heard.stderr.split())
        assert "at gain noon. If the gain was turned since then, calibrate again." in told
        assert "This is no certified measurement." in told
        assert "Caution: sound comes" not in told
        line = " ".join(heard.stdout.split())
        assert line.startswith("106.0 dB(A) 106.0 dB(C) LAeq 1 min 106.0")
        # 3 dB above the tone; a little more where the tone is met in its midst.
        peak_db = float(line.split("Peak ")[1].split()[0])
        assert peak_db == pytest.approx(109.05, abs=0.4)
        assert "Time left at this level: audience 3 min, work 3 min" in line
        rows = rows_of(tmp_path / "show.csv")
        assert len(rows) >= 4
        assert float(rows[-1]["LAeq 1 s dB(A)"]) == pytest.approx(106.04, abs=0.05)

    def test_second_meter_calibrates_by_noise_and_refuses_a_change(self, room, run):
        room.source.write_text("noise 0.1")
        done = run("--device", "hall", "--reads", 87.5, "--ready")
        assert done.returncode == 0, done.stderr
        assert "give or take 3 dB" in done.stdout
        heard = run("--device", "hall", "--length", 2)
        assert heard.stdout.startswith("87.")
        refused = run("--device", "hall", "--calibrator", 94, "--ready")
        assert refused.returncode == 2
        assert refused.stderr.splitlines()[-1].startswith("No tone at 1 kHz is heard")

    def test_killed_in_the_middle_it_loses_the_second_under_way(self, room, run, tmp_path):
        words = ["--device", "hall", "--sensitivity", "114", "--log", "show.csv"]
        log = tmp_path / "show.csv"
        with subprocess.Popen(
            [EVENHALL, "loudness", *words],
            env=run.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=tmp_path,
        ) as process:
            until = time.monotonic() + 20.0
            while not log.exists() or len(rows_of(log)) < 4:
                assert time.monotonic() < until
                time.sleep(0.05)
            killed = datetime.now().astimezone()
            process.send_signal(signal.SIGKILL)
        last = datetime.fromisoformat(rows_of(log)[-1]["time"])
        # Times of rows are whole seconds, cut off.
        assert (killed - last).total_seconds() < 2.0
        before = len(rows_of(log))
        again = run(*words, "--length", 2)
        assert again.returncode == 0, again.stderr
        assert "The log goes on. Counted in so far: under a minute." in again.stderr
        assert len(rows_of(log)) >= before + 2

    def test_interrupted_it_says_its_last_levels(self, run, tmp_path):
        with subprocess.Popen(
            [EVENHALL, "loudness", "--device", "hall", "--sensitivity", "114", "--log", "a.csv"],
            env=run.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=tmp_path,
        ) as process:
            until = time.monotonic() + 20.0
            while not (tmp_path / "a.csv").exists() or len(rows_of(tmp_path / "a.csv")) < 2:
                assert time.monotonic() < until
                time.sleep(0.05)
            process.send_signal(signal.SIGINT)
            out, _ = process.communicate(timeout=10)
        assert process.returncode == 0
        assert out.startswith("94.0 dB(A)")


def test_recording_that_is_not_there_is_a_line(tmp_path):
    for more in (["--sensitivity", "114"], ["--calibrator", "94", "--heard", "tone.wav"]):
        done = CliRunner().invoke(app, ["loudness", str(tmp_path / "night.wav"), *more])
        assert done.exit_code == 2
        assert "night.wav: no such file. Give" in " ".join(done.output.split())


@pytest.mark.parametrize("more", [["--log", "night.csv"], ["--length", "60"]])
def test_calibrating_does_not_swallow_what_is_for_the_watch(more):
    done = CliRunner().invoke(app, ["loudness", "--calibrator", "94", "--ready", *more])
    assert done.exit_code == 2
    assert "Leave out --log and --length" in " ".join(done.output.split())
