"""Harmonics of an exponential sweep against curves whose harmonics are known in closed form."""

import numpy as np
import pytest
from scipy import signal

import rooms
from evenhall.acoustics.bands import EXACT_HZ, UPPER_HZ
from evenhall.acoustics.harmonics import ORDERS, harmonics
from evenhall.acoustics.stimulus import Sweep, exponential_sweep

RATE_HZ = 48_000
SWEEP = Sweep(5.0, 28.2, 20_000.0, 1.0)
MID = (EXACT_HZ > 95.0) & (EXACT_HZ < 3000.0)


def sent():
    """A second of silence, lead and sweep, and a second in which the room rings on."""
    swept = exponential_sweep(
        SWEEP.duration_s,
        rate_hz=RATE_HZ,
        low_hz=SWEEP.low_hz,
        high_hz=SWEEP.high_hz,
        lead_s=SWEEP.lead_s,
    )
    ramp = np.minimum(1.0, np.arange(swept.size) / RATE_HZ)  # as a careful player does
    return np.concatenate([np.zeros(RATE_HZ), ramp * swept, np.zeros(RATE_HZ)])


def amplitude_of(played):
    """Of the sweep between its ends, where it is constant."""
    return float(np.sqrt(2.0) * played[3 * RATE_HZ : -2 * RATE_HZ].std())


def polynomial(played, second, third):
    return played + second * played**2 + third * played**3


def expected_db(amplitude, second, third):
    """Second and third harmonic re the fundamental.

    cos^2 t = 1/2 + 1/2 cos 2t and cos^3 t = 3/4 cos t + 1/4 cos 3t.
    """
    fundamental = amplitude + 0.75 * third * amplitude**3
    parts = np.array([second * amplitude**2 / 2.0, third * amplitude**3 / 4.0])
    return 20.0 * np.log10(np.abs(parts / fundamental))


# Each order by itself, and both.
@pytest.mark.parametrize(
    ("second", "third"), [(0.5, 0.0), (0.0, 3.0), (0.0, -0.5), (0.5, 2.0), (0.1, -0.5)]
)
def test_harmonics_of_a_polynomial_have_their_closed_form(second, third):
    played = sent()
    found = harmonics(polynomial(played, second, third), played, rate_hz=RATE_HZ, sweep=SWEEP)
    with np.errstate(divide="ignore"):
        truth = expected_db(amplitude_of(played), second, third)
    total_db = 10.0 * np.log10(np.sum(10.0 ** (truth / 10.0)))
    assert found.known[MID].all()
    assert np.abs(found.distortion_db[MID] - total_db).max() <= 0.3


@pytest.mark.parametrize(("second", "third", "order"), [(0.5, 0.0, 2), (0.0, 2.0, 3)])
def test_filter_behind_the_curve_weighs_each_harmonic_at_its_own_frequency(second, third, order):
    played = sent()
    # A gentle slope, so that the mid-band value is the band's: the bilinear first-order low-pass.
    b, a = signal.butter(1, 1000.0, fs=RATE_HZ)
    heard = signal.lfilter(b, a, polynomial(played, second, third))
    found = harmonics(np.roll(heard, 317), played, rate_hz=RATE_HZ, sweep=SWEEP)

    def gain_db(freq_hz):
        return 20.0 * np.log10(np.abs(signal.freqz(b, a, freq_hz, fs=RATE_HZ)[1]))

    with np.errstate(divide="ignore"):
        truth = expected_db(amplitude_of(played), second, third)
    weighed_db = truth[order - 2] + gain_db(order * EXACT_HZ[MID]) - gain_db(EXACT_HZ[MID])
    assert np.abs(found.distortion_db[MID] - weighed_db).max() <= 0.3


def test_harmonics_are_found_in_a_room_whose_tail_they_share():
    played = sent()
    impulse = rooms.hall(RATE_HZ, 0.9, 3)
    curved = polynomial(played, 0.5, 0.0)
    heard = signal.oaconvolve(curved, impulse)[: played.size]
    found = harmonics(heard, played, rate_hz=RATE_HZ, sweep=SWEEP)
    with np.errstate(divide="ignore"):
        truth = expected_db(amplitude_of(played), 0.5, 0.0)
    error_db = found.distortion_db[MID] - truth[0]
    # One place in a room scatters between two frequencies; the mean over bands does not.
    assert np.isfinite(error_db).sum() >= 12
    assert abs(np.nanmean(error_db)) <= 1.5
    assert np.nanmax(np.abs(error_db)) <= 6.0


def test_linear_path_has_no_harmonic():
    played = sent()
    heard = signal.oaconvolve(played, rooms.hall(RATE_HZ, 0.9, 4))[: played.size]
    found = harmonics(heard, played, rate_hz=RATE_HZ, sweep=SWEEP)
    assert not (found.distortion_db > -80.0).any()
    assert (found.most_db[MID] < -60.0).all()


def test_noise_is_not_taken_for_harmonics_and_its_floor_is_told():
    played = sent()
    rng = np.random.default_rng(6)
    heard_bands = 0
    for _ in range(10):
        noise = rng.standard_normal(played.size) * amplitude_of(played) / np.sqrt(2.0) * 0.1
        found = harmonics(played + noise, played, rate_hz=RATE_HZ, sweep=SWEEP)
        heard_bands += int(found.known.sum())
        assert np.isfinite(found.most_db[MID]).all()
        assert found.most_db[MID].max() > -45.0
    # 10 times some 21 bands: a few by chance.
    assert heard_bands <= 6


def test_harmonic_over_the_noise_is_told_and_one_under_it_is_not():
    played = sent()
    rng = np.random.default_rng(7)
    # 20 dB under the sweep: at -32 dB the second harmonic leads, at -46 dB the third does not.
    noise = rng.standard_normal(played.size) * amplitude_of(played) / np.sqrt(2.0) * 0.1
    heard = polynomial(played, 0.5, 2.0) + noise
    found = harmonics(heard, played, rate_hz=RATE_HZ, sweep=SWEEP)
    low = MID & (EXACT_HZ < 1000.0)
    truth = expected_db(amplitude_of(played), 0.5, 2.0)
    assert np.abs(found.distortion_db[low] - truth[0]).max() <= 2.0


def test_harmonic_above_the_sweep_s_end_is_out_of_reach():
    played = sent()
    found = harmonics(polynomial(played, 0.5, 2.0), played, rate_hz=RATE_HZ, sweep=SWEEP)
    beyond = min(ORDERS) * UPPER_HZ > SWEEP.high_hz
    assert np.isnan(found.most_db[beyond]).all()
    assert np.isfinite(found.most_db[MID]).all()


def test_level_of_the_recording_does_not_matter():
    played = sent()
    curved = polynomial(played, 0.5, 2.0)
    loud = harmonics(curved, played, rate_hz=RATE_HZ, sweep=SWEEP)
    soft = harmonics(curved * 0.01, played, rate_hz=RATE_HZ, sweep=SWEEP)
    assert np.abs(loud.distortion_db[MID] - soft.distortion_db[MID]).max() <= 1e-6
