"""The filter that takes a microphone's deviation off, against the deviation itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as sps

from evenhall.acoustics.correction import Deviation
from evenhall.acoustics.level import db_from_power
from evenhall.acoustics.loudness import LoudnessState, mean_power, step_loudness

# A cheap microphone: deaf in the deep bass, a few dB too much in the treble.
FREQ_HZ = np.geomspace(20.0, 20_000.0, 60)
CHEAP = Deviation(
    FREQ_HZ, -4.0 / (1.0 + (FREQ_HZ / 40.0) ** 2) + 5.0 * np.exp(-(np.log2(FREQ_HZ / 9000.0) ** 2))
)


def answer_db(taps, rate_hz, freq_hz):
    return 20.0 * np.log10(np.abs(sps.freqz(taps, worN=freq_hz, fs=rate_hz)[1]))


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0])
def test_deviation_is_taken_off_and_1_khz_stays(rate_hz):
    error_db = answer_db(CHEAP.taps(rate_hz), rate_hz, FREQ_HZ) + CHEAP.deviation_db
    error_db -= np.interp(1000.0, FREQ_HZ, CHEAP.deviation_db)
    assert np.abs(error_db).max() < 0.05
    assert answer_db(CHEAP.taps(rate_hz), rate_hz, [1000.0]) == pytest.approx(0.0, abs=0.01)


def test_sound_comes_no_later():
    taps = CHEAP.taps(48_000.0)
    assert np.abs(taps).argmax() == 0
    energy = np.cumsum(taps**2)
    assert energy[48] > 0.98 * energy[-1]  # within a millisecond


@given(
    st.lists(st.floats(-60.0, 60.0), min_size=2, max_size=20),
    st.floats(1.0, 100.0),
)
def test_any_calibration_file_gives_a_bounded_filter(deviation_db, lowest_hz):
    freq_hz = np.geomspace(lowest_hz, 20_000.0, len(deviation_db))
    taps = Deviation(freq_hz, np.array(deviation_db)).taps(48_000.0)
    assert np.isfinite(taps).all()
    assert answer_db(taps, 48_000.0, np.linspace(0.0, 24_000.0, 2000)).max() < 26.0


@settings(max_examples=10)
@given(st.lists(st.integers(0, 20_000), max_size=5))
def test_blocks_of_any_size_are_corrected_alike(sizes):
    rate_hz, noise = 48_000.0, np.random.default_rng(2).standard_normal(50_000)
    start = LoudnessState.start(rate_hz, CHEAP.taps(rate_hz))
    whole, _ = step_loudness(start, noise, rate_hz=rate_hz)
    state, rest = start, noise
    for size in (*sizes, noise.size):
        state, _ = step_loudness(state, rest[:size], rate_hz=rate_hz)
        rest = rest[size:]
    assert mean_power(state, None) == pytest.approx(mean_power(whole, None), rel=1e-9)
    np.testing.assert_allclose(state.power_sum, whole.power_sum, rtol=1e-9)


@pytest.mark.parametrize("rate_hz", [44_100.0, 96_000.0])
def test_level_by_a_cheap_microphone_is_that_of_the_sound(rate_hz):
    """A shelf and a high-pass, whose response is its calibration file."""
    sections = np.vstack(
        [
            sps.butter(1, 50.0, "highpass", fs=rate_hz, output="sos"),
            [1.6, -0.4, 0.0, 1.0, 0.2, 0.0],
        ]
    )
    response = np.abs(sps.freqz_sos(sections, FREQ_HZ, fs=rate_hz)[1])
    mic = Deviation(FREQ_HZ, 20.0 * np.log10(response))
    # Of frequencies that the file knows: what lies beyond its end is taken for what is at it.
    sound = np.random.default_rng(5).standard_normal(round(10 * rate_hz))
    spectrum = np.fft.rfft(sound)
    spectrum[np.fft.rfftfreq(sound.size, 1.0 / rate_hz) > 20_000.0] = 0.0
    sound = np.fft.irfft(spectrum, sound.size)
    heard = sps.sosfilt(sections, sound)
    levels = {}
    for name, signal, taps in (
        ("true", sound, None),
        ("bare", heard, None),
        ("corrected", heard, mic.taps(rate_hz)),
    ):
        start = LoudnessState.start(rate_hz, taps)
        state, seconds = step_loudness(start, signal, rate_hz=rate_hz)
        c_power = np.mean([one.c_power for one in seconds])
        levels[name] = db_from_power([mean_power(state, None), c_power])
    at_1_khz_db = np.interp(np.log(1000.0), np.log(FREQ_HZ), mic.deviation_db)
    assert np.abs(levels["bare"] - at_1_khz_db - levels["true"]).min() > 0.5
    np.testing.assert_allclose(levels["corrected"] - at_1_khz_db, levels["true"], atol=0.05)
