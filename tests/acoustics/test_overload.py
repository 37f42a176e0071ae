"""Where a box overloads, and how it hisses: made of clippers and noise of known level."""

import numpy as np
import pytest
from scipy import optimize

from evenhall.acoustics.level import FULL_SCALE_RMS
from evenhall.acoustics.overload import hiss_dbfs, overload, rising_tone
from evenhall.acoustics.stimulus import exponential_sweep

RATE_HZ = 48_000
TONE = rising_tone(4.0, rate_hz=RATE_HZ, highest_dbfs=-1.0)
RNG = np.random.default_rng(2)


def clipped_thd(amplitude):
    """Harmonics 2 to 5 of a sine clipped at 1, over its fundamental, by Fourier's integral."""
    phase = 2.0 * np.pi * (np.arange(4096) + 0.5) / 4096
    lines = np.abs(np.fft.rfft(np.clip(amplitude * np.sin(phase), -1.0, 1.0)))
    return np.sqrt(np.sum(lines[2:6] ** 2)) / lines[1]


def test_tone_rises_evenly_in_db_and_ends_at_its_level():
    rms_dbfs = [
        20 * np.log10(np.sqrt(np.mean(TONE[at : at + 480] ** 2)) / FULL_SCALE_RMS)
        for at in (48_000, 96_000, 144_000)
    ]
    assert np.diff(rms_dbfs) == pytest.approx([9.75, 9.75], abs=0.05)
    assert np.abs(TONE).max() <= 10 ** (-1.0 / 20.0)


@pytest.mark.parametrize("clips_dbfs", [-20.0, -12.0, -6.0])
@pytest.mark.parametrize("gain_db", [0.0, -15.0])
def test_clipper_overloads_where_its_harmonics_reach_one_percent(clips_dbfs, gain_db):
    ceiling = 10 ** (clips_dbfs / 20.0)
    behind = 10 ** (gain_db / 20.0) * np.clip(TONE, -ceiling, ceiling)
    behind = behind + 1e-5 * RNG.standard_normal(TONE.size)
    over = optimize.brentq(lambda ratio: clipped_thd(ratio) - 0.01, 1.001, 2.0)
    found = overload(behind, TONE, rate_hz=RATE_HZ)
    assert found.at_dbfs == pytest.approx(clips_dbfs + 20 * np.log10(over), abs=0.3)
    assert found.clean_to_dbfs <= found.at_dbfs
    assert found.clean_to_dbfs >= found.at_dbfs - 0.5


def test_clean_box_is_clean_as_far_as_was_tried():
    found = overload(0.3 * TONE + 1e-5 * RNG.standard_normal(TONE.size), TONE, rate_hz=RATE_HZ)
    assert np.isnan(found.at_dbfs)
    assert found.clean_to_dbfs == pytest.approx(-1.0, abs=0.5)


def test_input_that_clips_is_not_taken_for_the_box():
    found = overload(np.clip(3.0 * TONE, -1.0, 1.0), TONE, rate_hz=RATE_HZ)
    assert np.isnan(found.at_dbfs)
    assert found.clean_to_dbfs == pytest.approx(20 * np.log10(1 / 3), abs=0.6)


def test_click_is_no_overload():
    behind = 0.5 * TONE
    behind[100_000:100_010] += 0.3
    assert np.isnan(overload(behind, TONE, rate_hz=RATE_HZ).at_dbfs)


@pytest.mark.parametrize("behind", [np.zeros(TONE.size), 1e-4 * RNG.standard_normal(TONE.size)])
def test_nothing_that_comes_through_tells_nothing(behind):
    found = overload(behind, TONE, rate_hz=RATE_HZ)
    assert np.isnan(found.at_dbfs)
    assert np.isnan(found.clean_to_dbfs)
    assert np.isnan(overload(behind[:100], TONE[:100], rate_hz=RATE_HZ).clean_to_dbfs)


def test_sweep_in_place_of_the_tone_tells_nothing():
    sweep = exponential_sweep(4.0, rate_hz=RATE_HZ, level_dbfs=-6.0)
    assert np.isnan(overload(0.5 * sweep, sweep, rate_hz=RATE_HZ).clean_to_dbfs)


@pytest.mark.parametrize("level_dbfs", [-60.0, -90.0])
def test_hiss_is_the_level_where_nothing_was_sent(level_dbfs):
    sent = np.concatenate((0.1 * RNG.standard_normal(96_000), np.zeros(40_000)))
    noise = 10 ** (level_dbfs / 20.0) * FULL_SCALE_RMS * RNG.standard_normal(sent.size)
    assert hiss_dbfs(0.5 * sent + noise + 0.01, sent, rate_hz=RATE_HZ) == pytest.approx(
        level_dbfs, abs=0.2
    )


def test_recording_without_a_quiet_part_tells_no_hiss():
    sent = 0.1 * RNG.standard_normal(96_000)
    assert np.isnan(hiss_dbfs(sent, sent, rate_hz=RATE_HZ))
    assert np.isnan(hiss_dbfs(sent[:10], sent[:10], rate_hz=RATE_HZ))
