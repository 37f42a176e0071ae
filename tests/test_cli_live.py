"""The commands that play and record, as a person types them, through JACK and a convolver."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from scipy.fft import irfft, rfftfreq

import rooms
from evenhall.cli.live import leftover_line
from evenhall.equalizer.graphic import graphic_unit, positions_of, unit_response
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.result import Fader, Result, TargetCurve, to_json
from jackroom import JackRoom, jack_tests

EVENHALL = Path(sys.executable).with_name("evenhall")
RATE_HZ = 48_000
CABLE = np.eye(1, 64)[0]
CARD = {250.0: -4.0, 2500.0: 3.0}
SET_UNIT = irfft(
    unit_response(
        graphic_unit(31), positions_of(graphic_unit(31), CARD), rfftfreq(2**14, 1.0 / RATE_HZ)
    )
)


def hall():
    response = rooms.hall(RATE_HZ, 0.5, 3)[:24_000]
    return 0.3 * response / np.abs(response).max()


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    with JackRoom(
        tmp_path_factory.mktemp("jack"),
        {(1, 1): hall(), (1, 2): CABLE, (1, 3): 0.0 * CABLE, (1, 4): 0.5 * SET_UNIT},
        rate_hz=RATE_HZ,
        period=1024,
    ) as running:
        yield running


@pytest.fixture
def run(room, tmp_path):
    environment = {
        **room.environment,
        "XDG_CONFIG_HOME": str(tmp_path / "settings"),
        "COLUMNS": "80",
        "NO_COLOR": "1",
    }

    def command(*words, stdin=""):
        return subprocess.run(
            [EVENHALL, *words],
            env=environment,
            input=stdin,
            capture_output=True,
            text=True,
            timeout=90,
            check=False,
            cwd=tmp_path,
        )

    command.environment = environment
    return command


@pytest.mark.usefixtures("room")
class TestThroughJack:
    pytestmark = jack_tests("cli")

    def test_faders_that_are_set_are_known_by_the_cable_behind_them(self, run, tmp_path):
        folder = tmp_path / "set"
        (folder / "out").mkdir(parents=True)
        (folder / "job.toml").write_text('[venue]\nname = "Set"\n[rig]\nlow_limit_hz = 55.0\n')
        result = Result(
            job="Set",
            takes=(),
            card={"both": tuple(Fader(hz=hz, fader_db=db) for hz, db in CARD.items())},
            target=TargetCurve(shape="flat", points=((1000.0, 0.0),)),
        )
        (folder / "out" / "result.json").write_bytes(to_json(result))
        done = run("faders", str(folder), "--device", "hall", "--cable", "4", "--ready")
        assert done.returncode == 0, done.stderr
        assert "All set." in done.stdout
        assert "Caution: sound comes." in " ".join(done.stderr.split())

    def test_unit_that_is_bypassed_is_named_at_the_first_setting(self, run, tmp_path):
        """The way through the room never changes: flat, bypass, and then nothing moves."""
        words = ("--live", "--bands", "10", "--device", "hall", "--mic", "2", "--ready")
        # Nobody says what to do with the third: it is not kept.
        done = run("learn-unit", "rack", *words, stdin="\n\n\n")
        assert done.returncode == 3, done.stderr
        said = " ".join(done.stderr.split())
        assert "1 of 15. All faders to 0, the unit switched in." in said
        assert "Nothing changes: the unit is bypassed" in said
        assert "evenhall learn-unit rack --live" in " ".join(done.stdout.split())
        assert len(list((tmp_path / "rack").glob("*.wav"))) == 2  # flat and bypass
        assert "record it with" not in said  # nobody has to play anything
        again = run("learn-unit", "rack", "--again", "--device", "hall", "--ready")
        assert again.returncode == 2
        assert "Learn the unit first" in " ".join(again.stderr.split())

    def test_setting_that_nobody_makes_is_not_played(self, run, tmp_path):
        words = ("--live", "--bands", "10", "--device", "hall", "--mic", "2", "--ready")
        done = run("learn-unit", "rack", *words)
        assert done.returncode == 2
        assert "Nobody answered: 1 of 15. All faders to 0" in " ".join(done.stderr.split())
        assert not list((tmp_path / "rack").glob("*.wav"))

    def test_new_user_chooses_a_device_takes_and_tunes(self, run, tmp_path):
        listed = run("devices")
        assert listed.returncode == 0
        device, program = listed.stdout.split("Programs on the sound server, no devices:")
        assert "system (JACK Audio Connection Kit)" in device
        assert "hall (JACK Audio Connection Kit)" in program
        assert "hall (JACK" not in device
        assert "Nothing is chosen yet: evenhall devices --device NAME" in listed.stdout

        chosen = run("devices", "--device", "hall", "--reference", "cable")
        assert chosen.returncode == 0
        words = " ".join(chosen.stdout.split())
        assert "Reference: a cable to input 2." in words
        assert any(line.startswith(">") for line in chosen.stdout.splitlines())

        asked = run("take", "job", "left", "front", "--length", "3", stdin="\n")
        assert asked.returncode == 0, asked.stderr
        assert "keep ears away from the loudspeakers" in " ".join(asked.stderr.split())
        assert "good: " in asked.stdout
        back = run("take", "job", "left", "back", "--length", "3", "--ready", "--distance", "9")
        assert back.returncode == 0
        assert [take.distance_m for take in load_job(tmp_path / "job").takes] == [None, 9.0]
        assert run("tune", "job").returncode == 0
        assert (tmp_path / "job" / "out" / "sheet.pdf").is_file()

        wire = run("take", "job", "left", "--cable", "4", "--length", "3", "--ready")
        assert wire.returncode == 0, wire.stderr
        assert "Left, by cable: " in wire.stdout
        last = load_job(tmp_path / "job").takes[-1]
        assert (last.at, last.spot, last.state, last.mic_channel) == ("cable", "cable", "after", 1)

    @pytest.mark.parametrize(
        ("words", "line"),
        [
            (("left",), "Give the SPOT at which the microphone is, or --cable."),
            (("left", "front", "--cable", "2"), "A cable has no place: leave SPOT,"),
            (("left", "--cable", "2", "--distance", "3"), "A cable has no place: leave SPOT,"),
            (("left", "--cable", "2", "--with-subs"), "A cable has no place: leave SPOT,"),
            (("left", "front", "--with-subs", "--stage"), "--with-subs is for spots among"),
            (("left", "front", "--with-subs"), "The subs play along where"),
        ],
    )
    def test_spot_or_cable(self, run, words, line):
        ended = run("take", "job", *words, "--ready")
        assert ended.returncode == 2
        assert ended.stderr.startswith(line)

    def test_nothing_sounds_before_the_caution_is_answered(self, run, tmp_path):
        run("devices", "--device", "hall", "--reference", "cable")
        refused = run("take", "job", "left", "front", "--length", "3", stdin="n\n")
        assert refused.returncode == 3
        assert refused.stderr.endswith("Nothing was played.\n")
        unanswered = run("take", "job", "left", "front", "--length", "3")
        assert unanswered.returncode == 2
        assert unanswered.stderr.endswith(
            "Nobody answered the caution, and nothing was played. Where everybody is warned, give "
            "--ready.\n"
        )
        assert not (tmp_path / "job").exists()

    def test_delay_of_the_device_is_measured_remembered_and_said(self, run):
        looped = run("devices", "--device", "hall", "--loop", "2", "--ready")
        assert looped.returncode == 0
        assert "The device's own delay, 21.33 ms, is taken off." in " ".join(looped.stdout.split())
        again = run("devices", "--mic", "1")
        assert "21.33 ms" in again.stdout
        other = run("devices", "--loop", "3", "--ready")
        assert other.returncode == 4
        assert "Input 3 does not carry what output 1 sent" in other.stderr

    def test_no_sweep_for_the_delay_before_the_caution_is_answered(self, run):
        refused = run("devices", "--device", "hall", "--loop", "2", stdin="n\n")
        assert refused.returncode != 0
        assert "keep ears away from the loudspeakers" in " ".join(refused.stderr.split())
        assert "Nothing is chosen yet" in run("devices").stdout

    def test_faults_speak_of_the_options_that_were_typed(self, run):
        run("devices", "--device", "hall", "--reference", "cable")
        ended = run("take", "job", "left", "front", "--low", "101", "--high", "105", "--ready")
        assert ended.returncode == 2
        assert "From --low = 101 to --high = 105 there is no third-octave band." in ended.stderr

    def test_line_check_wants_a_folder_that_is_there(self, run):
        ended = run("check-line", "--folder", "nowhere", "--ready")
        assert ended.returncode == 2
        assert ended.stderr.startswith("nowhere: no such folder.")

    def test_silent_microphone_ends_in_3_and_is_not_listed(self, run, tmp_path):
        run("devices", "--device", "hall", "--reference", "cable", "--mic", "3")
        taken = run("take", "job", "left", "front", "--length", "3", "--ready")
        assert taken.returncode == 3
        assert "! The microphone's channel (1) is silent." in taken.stdout
        assert "job.toml does not list it" in taken.stdout
        assert not (tmp_path / "job" / "job.toml").exists()

    def test_gain_is_judged_and_told_as_it_goes_where_there_is_no_terminal(self, run, tmp_path):
        run("devices", "--device", "hall", "--reference", "cable")
        with subprocess.Popen(
            [EVENHALL, "gain", "--ready"],
            env=run.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=tmp_path,
        ) as process:
            told = [line for line in process.stderr if "dBFS" in line and process.poll() is None]
            out = process.stdout.read()
        assert process.returncode == 0
        assert out.startswith("Hold: the microphone is level with the reference.")
        # Levels from the first moment; then it holds for three seconds before it ends.
        assert 2 <= len(told) <= 20
        assert "Hold: " not in told[0]
        assert "Hold: the microphone is level with the reference." in told[-1]

    def test_line_check_of_one_box_that_plays_for_both(self, run):
        run("devices", "--device", "hall", "--reference", "cable")
        ended = run("check-line", "--ready", stdin="\n\n")
        assert ended.returncode == 3
        assert ended.stdout.count("\n") >= 2
        assert "together" in ended.stdout
        asked = " ".join(ended.stderr.split())
        for side in ("left", "right"):
            assert (
                f"Only {side} may sound: mute or unplug the others. Enter plays, q ends:" in asked
            )

    def test_box_that_nobody_solos_is_not_played(self, run):
        run("devices", "--device", "hall", "--reference", "cable")
        ended = run("check-line", "--ready")
        assert ended.returncode == 2
        assert ended.stdout == ""
        assert " ".join(ended.stderr.split()).endswith(
            "Nobody answered: only left may sound: mute or unplug the others. A person has to do "
            "that: run it in a terminal, or give a line on standard input for each step."
        )

    def test_line_check_of_one_element_that_works(self, run):
        run("devices", "--device", "hall", "--reference", "cable")
        ended = run("check-line", "left", stdin="\n\n")
        assert ended.returncode == 0, ended.stdout + ended.stderr
        assert ended.stdout == "+ Left works.\n"
        assert (
            "Only left may sound: mute or unplug the others. Enter plays, q ends:" in ended.stderr
        )

    def test_any_key_stops_a_take(self, run, tmp_path):
        run("devices", "--device", "hall", "--reference", "cable")
        terminal, stdin = pty.openpty()
        with subprocess.Popen(
            [EVENHALL, "take", "job", "left", "front", "--length", "30", "--ready"],
            env=run.environment,
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=tmp_path,
        ) as process:
            time.sleep(7.0)
            started = time.monotonic()
            os.write(terminal, b" ")
            out, _ = process.communicate(timeout=20)
        os.close(stdin)
        os.close(terminal)
        assert time.monotonic() - started < 3.0
        assert out == "Stopped. Nothing was kept.\n"
        assert not any((tmp_path / "job").rglob("*.wav*"))

    def test_wrong_options_are_lines(self, run):
        ended = run("take", "job", "left", "front", "--rate", "7", "--reference", "air", "--ready")
        assert ended.returncode == 2
        assert ended.stderr.splitlines() == [
            '--reference = "air" is not known. Give inside, cable or outside.',
            "--rate = 7 is out of range. Give 44100 to 192000 Hz.",
        ]
        ended = run("take", "job", "left", "front", "--ceiling", "3", "--ready")
        assert ended.stderr == "--ceiling = 3 is out of range. Give -60 to 0 dBFS.\n"


def test_takes_that_were_broken_off_are_told_until_another_was_made(tmp_path):
    assert leftover_line(tmp_path / "nowhere") is None
    for age_s, name in enumerate(("a.wav.part", "b.wav.part", "left.wav", "c.wav.part"), 1):
        (tmp_path / name).touch()
        os.utime(tmp_path / name, (1e9 + age_s, 1e9 + age_s))
    assert leftover_line(tmp_path) == (
        f"Cut off earlier, and kept: {tmp_path}/c.wav.part. Rename to .wav what is worth it, and "
        "remove the rest."
    )
    (tmp_path / "left.wav").unlink()
    names = ", ".join(f"{tmp_path}/{one}.wav.part" for one in "abc")
    assert leftover_line(tmp_path).startswith(f"Cut off earlier, and kept: {names}. Rename")


def without_portaudio(tmp_path, *words):
    """Run a command where the sound system's library is missing."""
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    return subprocess.run(
        [EVENHALL, *words],
        env={**os.environ, "PYTHONPATH": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=tmp_path,
    )


@pytest.mark.parametrize(
    "words", [("devices",), ("take", "job", "left", "front", "--ready"), ("check-line", "--ready")]
)
def test_missing_library_is_told_in_one_line(tmp_path, words):
    ended = without_portaudio(tmp_path, *words)
    assert ended.returncode == 4
    assert ended.stderr == (
        "No sound devices: the PortAudio library is not installed. On Debian or Ubuntu: "
        "sudo apt-get install libportaudio2. Everything that needs no device works without it.\n"
    )


def test_what_needs_no_device_works_without_the_library(tmp_path):
    assert without_portaudio(tmp_path, "stimulus", "a.wav", "--length", "1").returncode == 0


def test_spoiled_folder_is_told_before_any_device_is_opened(tmp_path):
    (tmp_path / "job").mkdir()
    (tmp_path / "job" / "job.toml").write_text("[rig]\nheight = 3\n")
    ended = without_portaudio(tmp_path, "take", "job", "left", "front", "--ready")
    assert ended.returncode == 2
    assert ended.stderr.startswith('job.toml: [rig] has no field "height".')
