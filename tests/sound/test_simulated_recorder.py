"""The simulated recorder: each fault that is asked for is there, alone and in the size asked."""

import numpy as np
import pytest
import scipy.signal

from evenhall.acoustics.level import rms_dbfs
from evenhall.sound.simulated import Bump, Microphone, Noise, Recorder

RATE_HZ = 48_000
SILENT = Noise(level_dbfs=-np.inf)


def tone(freq_hz: float = 1000.0, duration_s: float = 2.0, rate_hz: float = RATE_HZ) -> np.ndarray:
    return 0.5 * np.sin(2.0 * np.pi * freq_hz * np.arange(round(duration_s * rate_hz)) / rate_hz)


def record(recorder: Recorder, heard: np.ndarray, noise: Noise = SILENT, seed: int = 1):
    return recorder.record(
        heard, 0.5 * heard, rate_hz=RATE_HZ, noise=noise, rng=np.random.default_rng(seed)
    )


def test_faultless_recorder_changes_nothing():
    heard = tone()
    samples, rate_hz = record(Recorder(bits=None), heard)
    assert rate_hz == RATE_HZ
    np.testing.assert_array_equal(samples, np.column_stack((heard, 0.5 * heard)))


@pytest.mark.parametrize("bits", [16, 24])
def test_converter_rounds_to_its_steps(bits):
    heard = tone()
    samples, _ = record(Recorder(bits=bits), heard)
    error = samples[:, 0] - heard
    step = 2.0 ** (1 - bits)
    assert 0.2 * step < np.abs(error).max() <= 0.5 * step * (1 + 1e-9)


def test_gain_reaches_the_microphone_channel_alone():
    samples, _ = record(Recorder(bits=None, gain_db=-20.0), tone())
    np.testing.assert_allclose(samples[:, 0], 0.1 * tone())
    np.testing.assert_allclose(samples[:, 1], 0.5 * tone())


@pytest.mark.parametrize("clips_at", [0.3, 1.0])
def test_preamp_and_converter_clip_where_they_should(clips_at):
    samples, _ = record(Recorder(gain_db=12.0, clips_at=clips_at), tone())
    assert samples[:, 0].max() == pytest.approx(clips_at, abs=1e-6)
    assert samples[:, 0].min() == pytest.approx(-clips_at, abs=1e-6)


@pytest.mark.parametrize("ppm", [-300.0, 120.0])
@pytest.mark.parametrize("freq_hz", [1000.0, 16_000.0])
def test_fast_clock_makes_more_samples_and_lower_tones(ppm, freq_hz):
    samples, rate_hz = record(Recorder(bits=None, clock_ppm=ppm), tone(freq_hz, 4.0))
    assert rate_hz == RATE_HZ
    assert len(samples) == pytest.approx(4.0 * RATE_HZ * (1.0 + 1e-6 * ppm), abs=1.0)
    # A tone of f Hz, counted by a clock that is fast by e, is f / (1 + e): compare with that tone.
    exact = tone(freq_hz / (1.0 + 1e-6 * ppm), 4.0)
    inner = slice(2000, 3 * RATE_HZ)
    np.testing.assert_allclose(samples[inner, 0], exact[inner], atol=1e-4)


def test_recorder_of_another_rate_keeps_tone_and_timing():
    samples, rate_hz = record(Recorder(rate_hz=44_100.0, bits=None), tone(5000.0))
    assert rate_hz == 44_100.0
    exact = tone(5000.0, rate_hz=44_100.0)
    np.testing.assert_allclose(samples[2000:-2000, 0], exact[2000:-2000], atol=1e-4)


def test_latency_delays_the_microphone_against_the_reference():
    heard = np.random.default_rng(1).standard_normal(4000) * 0.1
    samples, _ = record(Recorder(bits=None, latency_samples=37), heard)
    np.testing.assert_array_equal(samples[37:, 0], heard[:-37])
    np.testing.assert_array_equal(samples[:, 1], 0.5 * heard)


def test_without_reference_channel_the_take_is_mono():
    samples, _ = record(Recorder(reference_channel=False), tone())
    assert samples.shape == (2 * RATE_HZ, 1)


def test_lost_blocks_are_missing_from_both_channels():
    heard = np.arange(512 * 10) / 1e5
    samples, _ = record(Recorder(bits=None, lost_blocks=(3, 4)), heard)
    expected = np.delete(heard, np.s_[3 * 512 : 5 * 512])
    np.testing.assert_array_equal(samples, np.column_stack((expected, 0.5 * expected)))


def test_gain_jump_changes_what_follows():
    samples, _ = record(Recorder(bits=None, gain_jump=(1.0, -6.0)), tone())
    ratio = samples[:, 0] / np.where(tone() == 0.0, 1.0, tone())
    assert ratio[RATE_HZ - 7] == pytest.approx(1.0)
    assert ratio[RATE_HZ + 7] == pytest.approx(10 ** (-6 / 20))


def test_noise_stands_at_its_level_and_is_repeatable():
    recorder = Recorder(bits=None)
    first, _ = record(recorder, np.zeros(10 * RATE_HZ), Noise(level_dbfs=-50.0), seed=5)
    again, _ = record(recorder, np.zeros(10 * RATE_HZ), Noise(level_dbfs=-50.0), seed=5)
    other, _ = record(recorder, np.zeros(10 * RATE_HZ), Noise(level_dbfs=-50.0), seed=6)
    assert float(rms_dbfs(first[:, 0])) == pytest.approx(-50.0, abs=1e-6)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    assert not first[:, 1].any()


def test_noise_may_be_set_against_the_signal():
    samples, _ = record(Recorder(bits=None), tone(), Noise(snr_db=30.0))
    noise = samples[:, 0] - tone()
    assert float(rms_dbfs(tone()) - rms_dbfs(noise)) == pytest.approx(30.0, abs=1e-6)


@pytest.mark.parametrize("slope_db", [-5.0, 0.0, 3.0103])
def test_octave_levels_of_noise_fall_by_their_slope(slope_db):
    noise = Noise(level_dbfs=-20.0, slope_db=slope_db)
    samples, _ = record(Recorder(bits=None), np.zeros(20 * RATE_HZ), noise)
    # scipy.signal as the independent reference; white noise rises 3.01 dB an octave band.
    freq_hz, density = scipy.signal.welch(samples[:, 0], RATE_HZ, nperseg=16_384)
    levels_db = [
        10.0 * np.log10(density[(freq_hz >= mid / 2**0.5) & (freq_hz < mid * 2**0.5)].sum())
        for mid in 125.0 * 2.0 ** np.arange(7)
    ]
    np.testing.assert_allclose(np.diff(levels_db), slope_db, atol=0.7)
    assert np.mean(np.diff(levels_db)) == pytest.approx(slope_db, abs=0.15)


def test_hum_has_its_fundamental_and_harmonics_and_nothing_between():
    noise = Noise(level_dbfs=-np.inf, hum_hz=50.0, hum_dbfs=-40.0)
    samples, _ = record(Recorder(bits=None), np.zeros(2 * RATE_HZ), noise)
    assert float(rms_dbfs(samples[:, 0])) == pytest.approx(-40.0, abs=0.01)
    amplitude = np.abs(np.fft.rfft(samples[:, 0])) / RATE_HZ  # lines 0.5 Hz apart
    lines = amplitude[100 * np.arange(1, 8)]
    np.testing.assert_allclose(lines / lines[0], 1.0 / np.arange(1, 8), rtol=1e-3)
    assert amplitude[150] < 1e-6


def test_slam_comes_when_it_should_and_dies_away():
    noise = Noise(level_dbfs=-np.inf, bumps=(Bump("slam", 0.8, -12.0),))
    samples, _ = record(Recorder(bits=None), np.zeros(3 * RATE_HZ), noise)
    at = round(0.8 * RATE_HZ)
    slam = np.abs(samples[:, 0])
    assert not slam[:at].any()
    assert slam.max() == pytest.approx(10 ** (-12 / 20), rel=1e-6)
    assert slam[at + RATE_HZ :].max() < 0.01


@pytest.mark.parametrize(
    ("kind", "low_hz", "high_hz", "length_s"),
    [("step", 40, 300, 0.15), ("knock", 20, 300, 0.2), ("cough", 300, 6000, 0.35)],
)
def test_bump_comes_when_it_should_in_its_band_and_is_soon_over(kind, low_hz, high_hz, length_s):
    bump = Bump(kind, 0.5, -20.0)
    samples = bump.samples(RATE_HZ, rate_hz=RATE_HZ, rng=np.random.default_rng(3))
    assert not samples[: RATE_HZ // 2].any()
    assert np.abs(samples).max() == pytest.approx(0.1, rel=1e-6)
    assert np.abs(samples[round((0.5 + length_s) * RATE_HZ) :]).max() <= 0.1 * 10 ** (-30 / 20)
    power = np.abs(np.fft.rfft(samples)) ** 2  # a line a Hz
    assert power[low_hz:high_hz].sum() >= 0.75 * power.sum()
    # One that is cut by the recording's end, or came before it, is cut.
    late = Bump(kind, 0.99, -20.0).samples(RATE_HZ, rate_hz=RATE_HZ, rng=np.random.default_rng(3))
    begun = slice(RATE_HZ // 2, RATE_HZ // 2 + RATE_HZ // 100)
    np.testing.assert_array_equal(late[-RATE_HZ // 100 :], samples[begun])


def test_microphone_deviates_as_its_calibration_file_says():
    deviation = ((20.0, -2.0), (100.0, 0.0), (4000.0, 0.5), (10_000.0, 3.0), (20_000.0, -1.0))
    microphone = Microphone(deviation)
    freq_hz = np.fft.rfftfreq(1 << 16, 1 / RATE_HZ)
    level_db = 20.0 * np.log10(np.abs(microphone.response(freq_hz)))
    for at_hz, wanted_db in deviation:
        found_db = np.interp(at_hz, freq_hz, level_db)
        assert found_db == pytest.approx(wanted_db, abs=0.03)
    rows = [line.split("\t") for line in microphone.calibration_text().splitlines()[1:]]
    assert [(float(hz), float(db)) for hz, db in rows] == list(deviation)


def test_microphone_is_minimum_phase():
    # Causal with its energy first: nothing arrives before time zero (the second half of a
    # transform), and the first sample leads.
    microphone = Microphone(((50.0, 0.0), (8000.0, 4.0), (20_000.0, -3.0)))
    impulse = np.fft.irfft(microphone.response(np.fft.rfftfreq(1 << 14, 1 / RATE_HZ)))
    assert np.argmax(np.abs(impulse)) == 0
    assert np.abs(impulse[1 << 13 :]).max() < 1e-4 * impulse[0]


def test_flat_microphone_is_one():
    np.testing.assert_array_equal(Microphone().response(np.linspace(0, 24_000, 5)), 1.0)
