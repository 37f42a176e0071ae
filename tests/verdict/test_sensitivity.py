"""The sensitivity by a calibrator or a second meter, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from evenhall.acoustics.stimulus import pink_noise
from evenhall.errors import InputError
from evenhall.verdict.sensitivity import by_calibrator, by_meter

RATE_HZ = 48_000


def tone(length_s=5.0, hz=1000.0, level_dbfs=-20.0):
    n = round(length_s * RATE_HZ)
    return 10 ** (level_dbfs / 20) * np.sin(2.0 * np.pi * hz * np.arange(n) / RATE_HZ)


def noise(level_dbfs=-30.0, length_s=10.0):
    return pink_noise(length_s, rate_hz=RATE_HZ, seed=2, level_dbfs=level_dbfs)


@pytest.mark.parametrize("level_db", [94.0, 114.0])
@pytest.mark.parametrize("hz", [985.0, 1000.0, 1015.0])
def test_calibrator_gives_the_level_of_full_scale(level_db, hz):
    quiet = 1e-4 * np.random.default_rng(1).standard_normal(5 * RATE_HZ)
    found = by_calibrator(tone(hz=hz) + quiet, rate_hz=RATE_HZ, level_db=level_db)
    assert found.db_spl == pytest.approx(level_db + 20.0, abs=0.02)
    assert found.how == "calibrator"
    assert found.uncertainty_db == 2.0


def test_knock_while_it_is_put_on_is_left_out():
    heard = tone()
    heard[2000:4000] += 0.5
    found = by_calibrator(heard, rate_hz=RATE_HZ, level_db=94.0)
    assert found.db_spl == pytest.approx(114.0, abs=0.02)


@pytest.mark.parametrize(
    ("heard", "line"),
    [
        (tone(hz=250.0), "No tone at 1 kHz is heard: the loudest is at 250 Hz."),
        (noise(), "No tone at 1 kHz is heard"),
        (tone() + noise(-30.0, 5.0), "The tone is not steady and alone"),
        (tone() * np.repeat([1.0, 0.9], 2.5 * RATE_HZ), "The tone is not steady and alone"),
        (tone(level_dbfs=0.1), "The input clips."),
        (tone(level_dbfs=-90.0), "Almost nothing is heard."),
        (np.zeros(5 * RATE_HZ), "Almost nothing is heard"),
        (tone(length_s=2.0), "Only 2.0 s are heard. Give at least 5 s of it."),
    ],
)
def test_what_is_no_calibrator_is_refused(heard, line):
    with pytest.raises(InputError) as refused:
        by_calibrator(heard, rate_hz=RATE_HZ, level_db=94.0)
    assert str(refused.value).startswith(line)
    assert "\n" not in str(refused.value)


def test_second_meter_gives_the_level_of_full_scale():
    # Pink noise in all bands: A is 3.0 dB below unweighted (sum of the weighting over the bands).
    found = by_meter(noise(-30.0), rate_hz=RATE_HZ, reads_db=87.5)
    assert found.db_spl == pytest.approx(87.5 + 30.0 + 3.0, abs=0.4)
    assert found.uncertainty_db == 3.0


def test_music_is_no_noise_for_a_meter():
    swelling = noise() * np.repeat([1.0, 0.5], 5 * RATE_HZ)
    with pytest.raises(InputError, match=r"^The sound is not steady: its level moves by 6\.\d dB"):
        by_meter(swelling, rate_hz=RATE_HZ, reads_db=87.5)


def test_impossible_microphone_is_refused():
    with pytest.raises(InputError, match="no microphone is like that"):
        by_meter(noise(-70.0), rate_hz=RATE_HZ, reads_db=140.0)
