"""The least-squares response against other ways to it, and what it says about itself."""

from __future__ import annotations

import numpy as np
import pyfar as pf
import pytest
from scipy import signal

import rooms
from evenhall.acoustics.transfer import transfer_function
from rooms import bands_between

RATE_HZ = 48000


def levels_of_spectrum_db(power, spacing_hz):
    """Power mean over log frequency of a spectrum at 0, `spacing_hz` ... Hz."""
    hz = np.arange(1, power.size) * spacing_hz
    area = np.append(0.0, np.cumsum(np.diff(np.log(hz)) * 0.5 * (power[2:] + power[1:-1])))
    lower, upper = rooms.MIDBAND_HZ * 10**-0.05, rooms.MIDBAND_HZ * 10**0.05
    between = np.interp(np.log(upper), np.log(hz), area) - np.interp(
        np.log(lower), np.log(hz), area
    )
    return 10.0 * np.log10(between / np.log(10**0.1))


def test_agrees_with_averaged_cross_spectra_where_their_window_is_long_enough():
    # H1 = Sxy / Sxx by scipy.signal, windows of 2.7 s over a response of 0.1 s.
    rng = np.random.default_rng(90)
    stimulus = rooms.pink(20.0, RATE_HZ, rng)
    take = rooms.take(stimulus, rooms.dry(RATE_HZ), RATE_HZ, after_s=0.0)
    take = take.with_noise(rng.standard_normal(take.recording.size), snr_db=40.0)
    window = {"fs": RATE_HZ, "nperseg": 1 << 17, "noverlap": 3 << 15}
    _, cross = signal.csd(take.reference, take.recording, **window)
    _, own = signal.welch(take.reference, **window)
    expected_db = levels_of_spectrum_db(np.abs(cross / own) ** 2, RATE_HZ / (1 << 17))
    response = transfer_function(take.recording, take.reference, rate_hz=RATE_HZ)
    difference_db = (response.bands.level_db - expected_db)[bands_between(100, 12_500)]
    assert np.abs(difference_db).max() <= 0.1


@pytest.mark.parametrize("rt_s", [0.3, 0.8])
def test_agrees_with_another_librarys_deconvolution_of_a_sweep(rt_s):
    take = rooms.take(
        rooms.sweep(6.0, RATE_HZ), rooms.hall(RATE_HZ, rt_s, 91), RATE_HZ, after_s=1.5
    )
    played = pf.Signal(take.reference.astype(float), RATE_HZ)
    inverse = pf.dsp.RegularizedSpectrumInversion.from_frequency_range(
        played, (20.0, 20_000.0), beta="max"
    ).invert
    result = pf.Signal(take.recording.astype(float), RATE_HZ) * inverse
    expected_db = levels_of_spectrum_db(np.abs(result.freq_raw[0]) ** 2, RATE_HZ / result.n_samples)
    response = transfer_function(take.recording, take.reference, rate_hz=RATE_HZ)
    difference_db = (response.bands.level_db - expected_db)[bands_between(40, 16_000)]
    assert np.abs(difference_db).max() <= 0.1
    peak_s = np.abs(result.time[0]).argmax() / RATE_HZ
    assert abs(response.delay_s - peak_s) <= 1.5 / RATE_HZ


def test_impulse_response_is_that_of_the_room_sample_by_sample():
    # Within the band of the stimulus: both are passed through the same band filter.
    rng = np.random.default_rng(92)
    impulse = rooms.hall(RATE_HZ, 0.4, 93)
    take = rooms.take(rooms.pink(12.0, RATE_HZ, rng), impulse, RATE_HZ)
    response = transfer_function(take.recording, take.reference, rate_hz=RATE_HZ)
    sos = signal.butter(4, [80.0, 14_000.0], "band", fs=RATE_HZ, output="sos")
    found, truth = (signal.sosfilt(sos, taps) for taps in (response.impulse, impulse))
    lead = round((response.arrival_s - response.delay_s) * RATE_HZ)
    found = found[lead : lead + RATE_HZ // 2]
    truth = truth[: found.size]
    assert np.sum((found - truth) ** 2) <= 1e-4 * np.sum(truth**2)


def test_what_does_not_fit_is_told_by_the_share_that_was_used():
    rng = np.random.default_rng(94)
    take = rooms.take(rooms.pink(10.0, RATE_HZ, rng), rooms.hall(RATE_HZ, 0.5, 95), RATE_HZ)
    take = take.with_noise(rng.standard_normal(take.recording.size), snr_db=30.0)
    doors = rooms.slams(take.recording.size, RATE_HZ, rng, np.arange(1.0, 9.5, 1.0))
    used = [
        transfer_function(sound.recording, sound.reference, rate_hz=RATE_HZ).used_ratio
        for sound in (take, take.plus(take.signal_rms * 18.0 * doors))
    ]
    assert used[0] > 0.99
    assert 0.05 < used[1] < 0.75
