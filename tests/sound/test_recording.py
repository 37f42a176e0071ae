"""Sound files as they come from recorders, whole and broken, and flat tops told from peaks."""

import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from evenhall.sound.clipping import clipped_places, clipping_problem
from evenhall.sound.recording import UnreadableRecording, read_recording

RATE_HZ = 48_000


def noise(n: int = 48_000, channels: int = 2, seed: int = 20) -> np.ndarray:
    return 0.05 * np.random.default_rng(seed).standard_normal((n, channels))


def pinkish(n: int, seed: int) -> np.ndarray:
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(n))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    spectrum[0] = 0.0
    signal = np.fft.irfft(spectrum, n)
    return signal / np.abs(signal).max()


def problem_of(path: Path) -> tuple[str, str]:
    with pytest.raises(UnreadableRecording) as caught:
        read_recording(path)
    assert caught.value.problem.text == str(caught.value)
    return caught.value.problem.code, caught.value.problem.text


@pytest.mark.parametrize(
    ("name", "kind", "subtype", "step"),
    [
        ("a.wav", "WAV", "PCM_16", 2.0**-15),
        ("a.wav", "WAV", "PCM_24", 2.0**-23),
        ("a.wav", "WAV", "PCM_32", 2.0**-24),
        ("a.wav", "WAV", "FLOAT", 2.0**-24),
        ("a.wav", "WAV", "DOUBLE", 2.0**-24),
        ("a.wav", "WAVEX", "PCM_24", 2.0**-23),
        ("a.flac", "FLAC", "PCM_16", 2.0**-15),
        ("a.flac", "FLAC", "PCM_24", 2.0**-23),
        ("a.aiff", "AIFF", "PCM_24", 2.0**-23),
        ("a.aiff", "AIFF", "FLOAT", 2.0**-24),
        ("a.rf64", "RF64", "PCM_24", 2.0**-23),
    ],
)
@pytest.mark.parametrize("rate_hz", [44_100, 192_000])
def test_every_format_gives_the_samples_that_were_written(
    tmp_path, name, kind, subtype, step, rate_hz
):
    samples = noise(1000)
    soundfile.write(tmp_path / name, samples, rate_hz, format=kind, subtype=subtype)
    recording = read_recording(tmp_path / name)
    assert recording.rate_hz == rate_hz
    assert recording.samples.dtype == np.float32
    assert recording.samples.shape == (1000, 2)
    assert recording.n_channels == 2
    assert recording.duration_s == pytest.approx(1000 / rate_hz)
    assert np.abs(recording.samples - samples).max() <= step
    assert recording.clipped_places == (0, 0)


def test_mono_file_has_one_channel(tmp_path):
    soundfile.write(tmp_path / "mono.wav", noise(100, 1), RATE_HZ)
    assert read_recording(tmp_path / "mono.wav").samples.shape == (100, 1)


@pytest.mark.parametrize("content", [b"[venue]\nname = 1\n" * 50, b"\0" * 4000, b"RIFF", b"fLaC"])
def test_foreign_file_is_unreadable(tmp_path, content):
    path = tmp_path / "take.wav"
    path.write_bytes(content)
    code, text = problem_of(path)
    assert code == "unreadable"
    assert "Give WAV, FLAC, AIFF or RF64." in text


def test_empty_file_says_so(tmp_path):
    path = tmp_path / "take.wav"
    path.touch()
    assert problem_of(path) == ("unreadable", "The file is empty. Record the take again.")


def test_file_that_holds_only_a_header_says_so(tmp_path):
    path = tmp_path / "take.wav"
    soundfile.write(path, noise(0), RATE_HZ)
    code, text = problem_of(path)
    assert code == "unreadable"
    assert "only a header" in text


def test_directory_in_place_of_a_file_is_unreadable(tmp_path):
    code, text = problem_of(tmp_path)
    assert code == "unreadable"
    assert "cannot be opened" in text


def test_lossy_file_is_refused_by_the_name_of_its_codec(tmp_path):
    path = tmp_path / "take.ogg"
    soundfile.write(path, noise(5000), RATE_HZ, format="OGG", subtype="VORBIS")
    code, text = problem_of(path)
    assert code == "unreadable"
    assert "Vorbis" in text


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_000])
def test_low_rate_is_told_in_khz(tmp_path, rate_hz):
    path = tmp_path / "take.wav"
    soundfile.write(path, noise(1000), rate_hz)
    code, text = problem_of(path)
    assert code == "low_rate"
    assert f"{rate_hz / 1000:g} kHz" in text


@pytest.mark.parametrize("name", ["a.wav", "a.aiff", "a.rf64", "a.flac"])
@pytest.mark.parametrize("share", [0.25, 0.999])
def test_cut_off_file_is_damaged(tmp_path, name, share):
    path = tmp_path / name
    soundfile.write(
        path, noise(), RATE_HZ, subtype="PCM_24", format=name[2:].upper() if "64" in name else None
    )
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    code, text = problem_of(path)
    assert code == "damaged"
    assert "cut off" in text


def test_cut_off_file_tells_how_much_is_there(tmp_path):
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(), RATE_HZ, subtype="PCM_24")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 4])
    assert "25 %" in problem_of(path)[1]


def test_flipped_bytes_inside_a_flac_are_damage(tmp_path):
    path = tmp_path / "a.flac"
    soundfile.write(path, noise(), RATE_HZ, subtype="PCM_24")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 40] = bytes(40)
    path.write_bytes(data)
    assert problem_of(path)[0] == "damaged"


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
@pytest.mark.parametrize("kind", ["WAV", "RF64"])
def test_streamed_wav_of_unknown_length_is_read_to_its_end(tmp_path, size, kind):
    path = tmp_path / "streamed.wav"
    samples = noise(1000)
    soundfile.write(path, samples, RATE_HZ, format=kind, subtype="PCM_24")
    data = bytearray(path.read_bytes())
    at = data.find(b"data") + 4
    data[at : at + 4] = data[4:8] = struct.pack("<I", size)
    if kind == "RF64":
        at = data.find(b"ds64") + 8
        data[at : at + 24] = bytes(24)
    path.write_bytes(data)
    assert np.abs(read_recording(path).samples - samples).max() <= 2.0**-23


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_one_sample_that_is_no_number_is_damage(tmp_path, value):
    samples = noise(1000)
    samples[777, 1] = value
    soundfile.write(tmp_path / "a.wav", samples, RATE_HZ, subtype="FLOAT")
    code, text = problem_of(tmp_path / "a.wav")
    assert code == "damaged"
    assert "no numbers" in text


def test_float_recording_above_full_scale_is_not_clipped(tmp_path):
    soundfile.write(tmp_path / "a.wav", 40.0 * noise(), RATE_HZ, subtype="FLOAT")
    recording = read_recording(tmp_path / "a.wav")
    assert np.abs(recording.samples).max() > 1.0
    assert recording.clipped_places == (0, 0)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_converter_that_clipped_is_found_in_its_own_channel_only(tmp_path, subtype):
    samples = noise()
    samples[:, 0] = np.clip(1.5 * pinkish(len(samples), 3), -1.0, 1.0)
    soundfile.write(tmp_path / "a.wav", samples, RATE_HZ, subtype=subtype)
    recording = read_recording(tmp_path / "a.wav")
    assert recording.clipped_places[0] >= 1
    assert recording.clipped_ratio[0] > 0.0
    assert recording.clipped_places[1] == 0
    assert recording.clipped_ratio[1] == 0.0


@pytest.mark.parametrize("noise_db", [-200.0, -80.0])
@pytest.mark.parametrize("top", [0.02, 0.7])
def test_preamp_that_clipped_before_the_converter_is_found(top, noise_db):
    rng = np.random.default_rng(6)
    signal = np.clip(2.0 * pinkish(480_000, 5), -1.0, 1.0)
    signal += 10.0 ** (noise_db / 20.0) * rng.standard_normal(signal.size)
    places, ratio = clipped_places((top * signal).astype(np.float32))
    assert places >= 5
    assert 0.0 < ratio < 0.1


@pytest.mark.parametrize("freq_hz", [20.0, 55.5, 200.0, 1000.0])
@pytest.mark.parametrize("top", [0.3, 1.0])
def test_clipped_tone_has_two_flat_tops_a_period(freq_hz, top):
    tone = 1.2 * np.sin(2.0 * np.pi * freq_hz * np.arange(RATE_HZ) / RATE_HZ)
    places, ratio = clipped_places((top * np.clip(tone, -1.0, 1.0)).astype(np.float32))
    assert abs(places - 2 * freq_hz) <= 2
    # Closed form: |sin| > 1 / 1.2 for 1 - (2 / pi) arcsin(1 / 1.2) of the time.
    assert ratio == pytest.approx(1.0 - 2.0 / np.pi * np.arcsin(1.0 / 1.2), abs=0.03)


@settings(max_examples=60, deadline=None)
@given(
    freq_hz=st.floats(15.0, 20_000.0),
    top=st.floats(1e-4, 1.0),
    bits=st.sampled_from([16, 24]),
)
def test_clean_tone_is_never_clipped_however_long_it_dwells(freq_hz, top, bits):
    tone = top * np.sin(2.0 * np.pi * freq_hz * np.arange(RATE_HZ) / RATE_HZ + 0.3)
    full = 2.0 ** (bits - 1)
    rounded = np.clip(np.round(tone * full), -full, full - 1) / full
    assert clipped_places(rounded.astype(np.float32)) == (0, 0.0)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**31), top=st.sampled_from([3e-4, 0.01, 0.5, 1.0]), white=st.booleans())
def test_clean_noise_is_never_clipped_even_when_normalized(seed, top, white):
    signal = np.random.default_rng(seed).standard_normal(96_000) if white else pinkish(96_000, seed)
    signal *= top / np.abs(signal).max()
    rounded = np.clip(np.round(signal * 2**15), -(2**15), 2**15 - 1) / 2**15
    assert clipped_places(rounded.astype(np.float32)) == (0, 0.0)


def test_clean_sweep_is_not_clipped():
    time_s = np.arange(10 * RATE_HZ) / RATE_HZ
    slope = 10.0 / np.log(1000.0)
    sweep = np.sin(2.0 * np.pi * 20.0 * slope * (np.exp(time_s / slope) - 1.0))
    for top in (0.5, 1.0):
        assert clipped_places((top * sweep).astype(np.float32)) == (0, 0.0)


@pytest.mark.parametrize("bits", [2.0**-15, 2.0**-23])
def test_quiet_recording_of_a_few_steps_is_not_clipped(bits):
    steps = np.clip(np.round(0.4 * np.random.default_rng(2).standard_normal(96_000)), -1, 1)
    assert clipped_places((bits * steps).astype(np.float32)) == (0, 0.0)


@pytest.mark.parametrize("over_db", [2.0, 4.0, 10.0])
@pytest.mark.parametrize("top", [0.3, 1.0])
def test_noise_clipped_a_little_or_a_lot_is_found(over_db, top):
    signal = np.random.default_rng(9).standard_normal(576_000)
    signal *= 10.0 ** (over_db / 20.0) / np.abs(signal).max()
    places, _ = clipped_places((top * np.clip(signal, -1.0, 1.0)).astype(np.float32))
    assert places >= 5


@pytest.mark.parametrize("value", [0.0, 0.1, 1.0, -1.0])
def test_constant_channel_is_not_clipped(value):
    assert clipped_places(np.full(48_000, value, np.float32)) == (0, 0.0)


def test_no_samples_are_not_clipped():
    assert clipped_places(np.zeros(0, np.float32)) == (0, 0.0)


@pytest.mark.parametrize(
    ("places", "words"), [(1, "Clipped at one place."), (4, "Clipped at 4 places.")]
)
def test_clipping_is_told_with_what_to_do(places, words):
    problem = clipping_problem(places)
    assert problem is not None
    assert problem.code == "clipped"
    assert problem.text.startswith(words)
    assert "Lower the preamp" in problem.text
    assert clipping_problem(0) is None


def test_flac_of_a_recorder_that_was_switched_off_is_read_as_far_as_it_goes(tmp_path):
    script = (
        "import os, sys, numpy as np, soundfile\n"
        "file = soundfile.SoundFile(sys.argv[1], 'w', samplerate=48000, channels=1,\n"
        "                           format='FLAC', subtype='PCM_16')\n"
        "file.write(np.full(100_000, 0.25))\n"
        "os._exit(0)\n"
    )
    path = tmp_path / "off.flac"
    subprocess.run([sys.executable, "-c", script, str(path)], check=True)
    samples = read_recording(path).samples
    assert 90_000 <= len(samples) <= 100_000
    assert (np.abs(samples - 0.25) < 1e-4).all()
