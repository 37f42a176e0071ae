"""What can be wrong with a recording, each with the words that the person reads.

Every fault is made in a real file of a real folder and goes through the command line or
`tune()`. A take here is two to three seconds of pink noise in a small, simulated, decaying room.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
import soxr
from numpy.typing import NDArray
from typer.testing import CliRunner

from evenhall.acoustics.stimulus import exponential_sweep, pink_noise
from evenhall.cli import app
from evenhall.job.tune.result import PROBLEM_CODES, Result
from evenhall.sound.simulated import Box, Element, Room, SimulatedHall
from job.folders import (
    DELAY_S,
    RATE_HZ,
    Folder,
    heard,
    played,
    sound_take,
    two_channels,
)

FloatArray = NDArray[np.float64]
DATE = ("--date", "2026-11-25")


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def run(*words: object):
    return CliRunner().invoke(app, [*map(str, words), *DATE])


def text_of(take, code: str) -> str:
    """Words of the problem; the take must have it, once."""
    (text,) = [problem.text for problem in take.problems if problem.code == code]
    assert text.endswith(".")
    assert "\n" not in text
    return text


def hopeless(take, code: str) -> str:
    assert not take.usable
    assert take.problems[0].code == code
    assert take.level_db is None
    assert take.delay_s is None
    assert take.polarity == 0
    assert all(band.level_db is None and not band.usable for band in take.bands)
    assert len(take.bands) == 31
    return text_of(take, code)


def as_wav_bytes(samples: FloatArray, path: Path) -> bytes:
    soundfile.write(path / "whole.wav", samples, RATE_HZ, subtype="PCM_24")
    return (path / "whole.wav").read_bytes()


# Each makes a folder whose first take has the problem, and gives the words to expect. The
# codes are compared with the contract's list below, so that none goes untested.

MAKERS: dict[str, list[Callable[[Folder], str]]] = {}


def makes(code: str):
    def keep(maker: Callable[[Folder], str]):
        MAKERS.setdefault(code, []).append(maker)
        return maker

    return keep


@makes("unreadable")
def empty_file(folder: Folder) -> str:
    folder.add(b"")
    return "The file is empty. Record the take again."


@makes("unreadable")
def foreign_file(folder: Folder) -> str:
    folder.add(b"%PDF-1.7\n" + bytes(range(256)) * 40)
    return "This is not a sound file that can be read. Give WAV, FLAC, AIFF or RF64."


@makes("unreadable")
def header_without_sound(folder: Folder) -> str:
    folder.add(np.zeros((0, 2)))
    return "no sound"


@makes("damaged")
def truncated_wav(folder: Folder) -> str:
    whole = as_wav_bytes(sound_take(), folder.path)
    folder.add(whole[: len(whole) // 2])
    return "cut off: 50 % of what its header promises is there"


@makes("damaged")
def truncated_flac(folder: Folder) -> str:
    soundfile.write(folder.path / "whole.flac", sound_take(), RATE_HZ, subtype="PCM_16")
    whole = (folder.path / "whole.flac").read_bytes()
    folder.add(whole[: len(whole) // 2], "a.flac")
    return "cut off or broken inside"


@makes("damaged")
def nan_samples(folder: Folder) -> str:
    samples = sound_take()
    samples[5000, 0] = np.nan
    folder.add(samples)
    return "samples that are no numbers (NaN or infinite)"


@makes("damaged")
def infinite_samples_in_the_reference(folder: Folder) -> str:
    samples = sound_take()
    samples[-1, 1] = -np.inf
    folder.add(samples)
    return "samples that are no numbers (NaN or infinite)"


@makes("low_rate")
def low_rate(folder: Folder) -> str:
    low = soxr.resample(sound_take(), RATE_HZ, 22_050)
    folder.add(low, rate_hz=22_050)
    return "22.05 kHz: the treble is missing. Set the recorder to 48 kHz"


@makes("wrong_channel")
def mono_where_two_channels_are_named(folder: Folder) -> str:
    folder.add(heard(played()))
    return "reference_channel = 2, but the file has 1 channel."


@makes("wrong_channel")
def microphone_on_a_channel_that_is_not_there(folder: Folder) -> str:
    folder.add(sound_take(), fields="mic_channel = 4\nreference_channel = 2")
    return "mic_channel = 4, but the file has 2 channels."


@makes("wrong_channel")
def channels_swapped(folder: Folder) -> str:
    folder.add(sound_take()[:, ::-1])
    return "swapped. Swap mic_channel and reference_channel in job.toml."


@makes("wrong_channel")
def reference_on_both_channels(folder: Folder) -> str:
    rng = np.random.default_rng(3)
    microphone = 0.7 * played() + 1e-5 * rng.standard_normal(played().size)
    folder.add(two_channels(microphone, played()))
    return "The microphone's channel carries the reference itself, not a microphone."


@makes("silent")
def silent_microphone(folder: Folder) -> str:
    folder.add(two_channels(np.zeros(played().size), played()))
    return "The microphone's channel (1) is silent. Check cable, phantom power and preamp"


@makes("silent")
def microphone_that_gives_dither_alone(folder: Folder) -> str:
    dither = 1e-5 * np.random.default_rng(8).standard_normal(played().size)  # -100 dBFS
    folder.add(two_channels(dither, played()))
    return "The microphone's channel (1) is silent. Check cable, phantom power and preamp"


@makes("silent")
def silent_reference(folder: Folder) -> str:
    folder.add(two_channels(heard(played()), np.zeros(played().size)))
    return "The reference's channel (2) is silent. Check the cable from the mixer"


@makes("clipped")
def badly_clipped_microphone(folder: Folder) -> str:
    microphone = heard(played())
    microphone = np.clip(microphone * (2.5 / np.abs(microphone).max()), -1.0, 1.0)
    folder.add(two_channels(microphone, played()), subtype="PCM_24")
    return "Lower the preamp, then record every take again: they must share one gain."


@makes("no_match")
def unrelated_audio(folder: Folder) -> str:
    other = pink_noise(3.0, rate_hz=RATE_HZ, seed=99, level_dbfs=-20.0)
    folder.add(two_channels(heard(other), played()))
    return "What was played is not in the take."


def loose_notes(seed: int) -> FloatArray:
    """Plucked tones with rests: sound that is neither steady nor broad."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    notes = np.zeros(time_s.size)
    for start_s in np.arange(0.0, 2.6, 0.2):
        after_s = np.maximum(time_s - start_s, 0.0)
        pitch_hz = rng.choice([55.0, 73.4, 196.0, 246.9, 392.0])
        tone = sum(np.sin(2 * np.pi * k * pitch_hz * after_s) / k for k in range(1, 20))
        notes += tone * np.exp(-after_s / 0.15) * (time_s >= start_s)
    return 0.1 * notes / np.abs(notes).max()


@makes("no_match")
def unrelated_music(folder: Folder) -> str:
    folder.add(two_channels(heard(loose_notes(0)), played()))
    return "What was played is not in the take."


@makes("no_match")
def steady_tone(folder: Folder) -> str:
    folder.add(two_channels(0.1 * np.sin(0.13 * np.arange(played().size)), played()))
    return "What was played is not in the take."


@makes("no_match")
def unrelated_audio_beside_a_reference_file(folder: Folder) -> str:
    soundfile.write(folder.path / "stimulus.wav", played(), RATE_HZ, subtype="PCM_24")
    folder.head += '[reference]\nfile = "stimulus.wav"\n'
    other = pink_noise(3.0, rate_hz=RATE_HZ, seed=99, level_dbfs=-20.0)
    folder.add(heard(other), fields="")
    return "What was played is not in the take."


@makes("short")
def shorter_than_a_second(folder: Folder) -> str:
    folder.add(sound_take()[: int(0.9 * RATE_HZ)])
    return "The take is 0.90 s long. Record ten seconds or more"


@makes("short")
def less_than_a_second_of_the_stimulus(folder: Folder) -> str:
    soundfile.write(folder.path / "stimulus.wav", played(), RATE_HZ, subtype="PCM_24")
    folder.head += '[reference]\nfile = "stimulus.wav"\n'
    rng = np.random.default_rng(4)
    quiet = 1e-4 * rng.standard_normal(4 * RATE_HZ)
    late = heard(played())[: int(0.8 * RATE_HZ)]
    folder.add(np.concatenate((quiet, late)), fields="")
    return "Less than a second of what was played is in the take."


@makes("too_noisy")
def noise_far_above_the_sound(folder: Folder) -> str:
    folder.add(two_channels(0.05 * heard(played(12.0), noise_db=25.0), played(12.0)))
    return "louder with ears protected, or wait for quiet"


@makes("clock")
def clock_past_the_limit(folder: Folder) -> str:
    reference = played(8.0)
    soundfile.write(folder.path / "stimulus.wav", reference, RATE_HZ, subtype="PCM_24")
    folder.head += '[reference]\nfile = "stimulus.wav"\n'
    drifted = soxr.resample(heard(reference), 1.0, 1.0 + 450e-6, quality="VHQ")
    folder.add(drifted, fields="")
    return "450 ppm apart, and at most 300 can be corrected."


def through_gain(reference: FloatArray, gain: FloatArray | float) -> FloatArray:
    """What is heard of a loudspeaker whose gain moves; the reference stays as it was."""
    quiet = 1e-4 * np.random.default_rng(5).standard_normal(reference.size)
    return heard(reference * gain) + quiet


def before_and_after(size: int, at_s: float, after: float) -> FloatArray:
    return np.where(np.arange(size) < at_s * RATE_HZ, 1.0, after)


@makes("time_varying")
def sound_that_stops(folder: Folder) -> str:
    reference = played(6.0)
    gain = before_and_after(reference.size, 4.1, 0.0)
    folder.add(two_channels(through_gain(reference, gain), reference))
    return "The sound stopped 4.1 s into the take. Check mutes, cables, loudspeaker"


@makes("time_varying")
def sweep_that_stops(folder: Folder) -> str:
    sweep = exponential_sweep(8.0, rate_hz=RATE_HZ, low_hz=40.0, high_hz=20e3)
    gain = before_and_after(sweep.size, 4.1, 0.0)
    folder.add(two_channels(through_gain(sweep, gain), sweep))
    return "The sound stopped 4."


@makes("time_varying")
def automatic_gain(folder: Folder) -> str:
    reference = played(6.0)
    gain = before_and_after(reference.size, 3.0, 10.0 ** (-3.0 / 20.0))
    folder.add(two_channels(through_gain(reference, 1.0) * gain, reference))
    return "switch off automatic gain and limiters, and record the take again."


HOPELESS = [
    pytest.param(code, maker, id=maker.__name__)
    for code, makers in MAKERS.items()
    for maker in makers
]


@pytest.mark.parametrize(("code", "maker"), HOPELESS)
def test_take_that_is_of_no_use_says_why(folder, code, maker):
    words = maker(folder)
    assert words in hopeless(folder.only_take(), code)


# Problems that leave the take in use: what is known is still worth having.

USABLE: dict[str, Callable[[Folder], str]] = {}


def leaves_usable(code: str):
    def keep(maker: Callable[[Folder], str]):
        USABLE[code] = maker
        return maker

    return keep


@makes("stood_still")
def walk_that_is_none(folder: Folder) -> str:
    reference = np.concatenate([np.zeros(2 * RATE_HZ), played(22.0)])
    folder.add(two_channels(heard(reference), reference), spot="walk")
    return "The microphone stood still: this is a spot, and no walk."


@leaves_usable("too_fast")
def walk_at_a_run(folder: Folder) -> str:
    reference = np.concatenate([np.zeros(2 * RATE_HZ), played(24.0)])
    hall = SimulatedHall(
        Room(30.0, 12.0, 5.0, (0.8,) * 8), {"left": Element(Box(), (1.0, 4.0, 2.0))}, {}
    )
    corners = [(4.0, 3.0, 1.2), (26.0, 3.0, 1.2), (26.0, 8.0, 1.2), (4.0, 8.0, 1.2)]
    times = 2.0 + 24.0 * np.array([0.0, 22.0, 27.0, 49.0]) / 49.0
    samples, _ = hall.walk(["left"], times, corners, reference, rate_hz=RATE_HZ, seed=1)
    folder.add(samples, spot="walk")
    return "so steps and wind are heard and few places are covered. Stroll"


@leaves_usable("band_limited")
def reference_from_200_hz_to_5_khz(folder: Folder) -> str:
    reference = played(3.0, 200.0, 5000.0)
    folder.add(two_channels(heard(reference), reference))
    return "has no energy at 25 to 160 Hz and 6.3 to 16 kHz: nothing is known there."


@leaves_usable("time_varying")
def talk_that_begins(folder: Folder) -> str:
    reference = played(6.0)
    other = heard(pink_noise(6.0, rate_hz=RATE_HZ, seed=98, level_dbfs=-28.0))
    other *= 1.0 - before_and_after(other.size, 3.6, 0.0)
    folder.add(two_channels(heard(reference) + other, reference))
    return "Something else began to play at 3."


@leaves_usable("gain_moved")
def two_takes_of_a_spot_3_db_apart(folder: Folder) -> str:
    take = sound_take()
    folder.add(take * [10.0 ** (3.0 / 20.0), 1.0], "b.wav")
    folder.add(take, "c.wav")
    return "Is 3.0 dB softer than b.wav at the same spot"


@pytest.mark.parametrize("code", USABLE)
def test_take_that_is_doubtful_says_why(folder, code):
    words = USABLE[code](folder)
    take = folder.tune().takes[-1]
    assert words in text_of(take, code)
    assert take.usable
    assert take.level_db is not None


def test_every_problem_of_the_contract_is_tested():
    assert set(MAKERS) | set(USABLE) == set(PROBLEM_CODES)


def test_sound_take_has_no_problem(folder):
    """What all the makers above start from must not be at fault itself."""
    take = folder.add(sound_take()).only_take()
    assert take.problems == ()
    assert take.usable
    assert take.delay_s == pytest.approx(DELAY_S, abs=50e-6)
    assert take.polarity == 1


def test_band_limited_take_knows_nothing_beyond_its_band(folder):
    reference_from_200_hz_to_5_khz(folder)
    take = folder.only_take()
    unusable_hz = [band.hz for band in take.bands if not band.usable]
    assert set(unusable_hz) >= {63.0, 100.0, 125.0, 8000.0, 10000.0, 16000.0}
    assert all(band.usable for band in take.bands if 250.0 <= band.hz <= 4000.0)


def test_two_takes_of_a_spot_that_differ_in_shape(folder):
    first = sound_take()
    numbers = scipy.signal.iirpeak(1000.0, 0.7, fs=RATE_HZ)
    peak = scipy.signal.lfilter(*numbers, first[:, 0])
    second = two_channels(first[:, 0] + 4.0 * peak, first[:, 1])
    folder.add(first, "a.wav").add(second, "b.wav")
    take = folder.tune().takes[1]
    assert take.usable
    assert "Differs from a.wav at the same spot" in text_of(take, "time_varying")


def test_noise_alone_is_not_taken_for_automatic_gain(folder):
    folder.add(two_channels(heard(played(12.0), noise_db=10.0), played(12.0)))
    take = folder.only_take()
    assert take.usable
    assert "time_varying" not in [problem.code for problem in take.problems]


@pytest.mark.xfail(strict=True, reason="pieces that do not fit are left out of the delays")
def test_samples_lost_during_the_take_are_told(folder):
    reference = played(8.0)
    microphone = heard(reference)
    half = microphone.size // 2
    soundfile.write(folder.path / "stimulus.wav", reference, RATE_HZ, subtype="PCM_24")
    folder.head += '[reference]\nfile = "stimulus.wav"\n'
    folder.add(np.concatenate((microphone[:half], microphone[half + 512 :])), fields="")
    assert "samples were lost" in text_of(folder.only_take(), "time_varying")


def test_samples_lost_on_both_channels_alike_do_no_harm(folder, tmp_path_factory):
    other = Folder(tmp_path_factory.mktemp("other"))
    whole = two_channels(heard(played(8.0)), played(8.0))
    half = len(whole) // 2
    folder.add(np.concatenate((whole[:half], whole[half + 512 :])))
    lost, kept = folder.only_take(), other.add(whole).only_take()
    assert lost.delay_s == pytest.approx(kept.delay_s, abs=10e-6)
    for one, two in zip(lost.bands[3:], kept.bands[3:], strict=True):  # 40 Hz to 20 kHz
        assert one.level_db == pytest.approx(two.level_db, abs=0.3)


def test_few_clipped_samples_leave_the_take_in_use(folder):
    microphone = heard(played())
    top = np.sort(np.abs(microphone))[-40]
    microphone = np.clip(microphone / top, -1.0, 1.0)
    folder.add(two_channels(microphone, played()), subtype="PCM_24")
    take = folder.only_take()
    assert take.usable
    assert "Clipped at" in text_of(take, "clipped")


def test_one_bad_take_leaves_the_others_in_use(folder):
    folder.add(b"not sound", "a.wav", spot="front")
    folder.add(sound_take(1), "b.wav", spot="middle")
    folder.add(sound_take(2), "c.wav", spot="back")
    folder.write()
    done = run("tune", folder.path)
    assert done.exit_code == 0, done.output
    written = json.loads((folder.path / "out" / "result.json").read_text())
    assert [take["usable"] for take in written["takes"]] == [False, True, True]
    assert written["forecast"] is not None
    assert written["moves"][0]["kind"] == "check"
    assert "left at front (a.wav)" in written["moves"][0]["text"]


def test_no_usable_take_ends_with_3_and_a_result_that_says_why(folder):
    folder.add(b"", "a.wav", spot="front").add(sound_take()[:1000], "b.wav", spot="back")
    folder.write()
    done = run("tune", folder.path)
    assert done.exit_code == 3
    assert "Traceback" not in done.output
    result = Result.model_validate_json((folder.path / "out" / "result.json").read_bytes())
    assert [take.problems[0].code for take in result.takes] == ["unreadable", "short"]
    assert result.evenness is None
    assert result.match is None
    assert result.forecast is None
    assert result.proof is None
    assert result.patterns == ()
    assert result.card == {}
    assert (folder.path / "out" / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_json_prints_the_bytes_that_the_file_holds(folder):
    folder.add(sound_take()).write()
    done = run("tune", folder.path, "--json")
    assert done.exit_code == 0
    assert done.stdout_bytes == (folder.path / "out" / "result.json").read_bytes()


def test_json_prints_the_bytes_even_where_no_take_is_usable(folder):
    folder.add(b"").write()
    done = run("tune", folder.path, "--json")
    assert done.exit_code == 3
    assert done.stdout_bytes == (folder.path / "out" / "result.json").read_bytes()


def refused(*words: object) -> list[str]:
    """Run a command that must end with 2 and print nothing but lines on standard error."""
    done = run(*words)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    return done.stderr.splitlines()


def test_take_that_does_not_exist(folder):
    folder.add(sound_take(), "left-front.wav").write()
    text = (folder.path / "job.toml").read_text()
    (folder.path / "job.toml").write_text(text.replace("left-front.wav", "left-frnt.wav"))
    (line,) = refused("tune", folder.path)
    assert 'file = "left-frnt.wav" does not exist. Did you mean "left-front.wav"?' in line
    assert not (folder.path / "out").exists()


@pytest.mark.parametrize("name", ["../outside.wav", "/etc/passwd", "takes/../../outside.wav"])
def test_take_outside_the_folder_is_refused(tmp_path, name):
    soundfile.write(tmp_path / "outside.wav", sound_take(), RATE_HZ)
    inner = tmp_path / "job"
    (inner / "takes").mkdir(parents=True)
    folder = Folder(inner)
    folder.takes.append(
        f'[[take]]\nfile = "{name}"\nside = "left"\nspot = "front"\nreference_channel = 2\n'
    )
    folder.write()
    (line,) = refused("tune", inner)
    assert "lies outside the folder" in line


def test_link_out_of_the_folder_is_refused(tmp_path):
    soundfile.write(tmp_path / "outside.wav", sound_take(), RATE_HZ)
    inner = tmp_path / "job"
    inner.mkdir()
    folder = Folder(inner)
    (inner / "a.wav").symlink_to(tmp_path / "outside.wav")
    folder.takes.append(
        '[[take]]\nfile = "a.wav"\nside = "left"\nspot = "front"\nreference_channel = 2\n'
    )
    folder.write()
    (line,) = refused("tune", inner)
    assert "lies outside the folder" in line


def file_reference(folder: Folder, content: FloatArray | bytes) -> Folder:
    folder.head += '[reference]\nfile = "stimulus.wav"\n'
    if isinstance(content, bytes):
        (folder.path / "stimulus.wav").write_bytes(content)
    else:
        soundfile.write(folder.path / "stimulus.wav", content, RATE_HZ, subtype="PCM_24")
    return folder.add(heard(played()), fields="")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "The file is empty"),
        (b"no sound at all, just text", "not a sound file that can be read"),
        (np.zeros(3 * RATE_HZ), "is silent. Give what was played."),
        (np.full(RATE_HZ // 2, 0.1), "is 0.50 s long. Give what was played"),
    ],
    ids=["empty", "foreign", "silent", "short"],
)
def test_reference_file_that_cannot_be_used(folder, content, words):
    file_reference(folder, content).write()
    (line,) = refused("tune", folder.path)
    assert line.startswith("job.toml: [reference] file = ")
    assert "stimulus.wav" in line
    assert words in line


def test_result_that_cannot_be_written(folder):
    folder.add(sound_take()).write()
    (folder.path / "out").write_text("a file where the folder should be")
    (line,) = refused("tune", folder.path)
    assert "could not be written" in line
    assert (folder.path / "out").read_text() == "a file where the folder should be"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_folder_that_may_not_be_written(folder):
    folder.add(sound_take()).write()
    folder.path.chmod(0o500)
    try:
        (line,) = refused("tune", folder.path)
    finally:
        folder.path.chmod(0o700)
    assert "could not be written (Permission denied)" in line


def test_full_disk_keeps_what_was_there(folder, monkeypatch):
    folder.add(sound_take()).write()
    assert run("tune", folder.path).exit_code == 0
    before = {path.name: path.read_bytes() for path in (folder.path / "out").iterdir()}

    def no_room(fd):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", no_room)
    (line,) = refused("tune", folder.path)
    assert "could not be written (No space left on device)" in line
    assert "what was there before is unchanged" in line
    assert {path.name: path.read_bytes() for path in (folder.path / "out").iterdir()} == before
