"""Sums of two sources against closed forms and published crossover filters."""

import numpy as np
import pytest
from scipy import signal

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.summation import LOW_BANDS, LOW_FREQ_HZ, Meeting, band_power, low_spectrum

ONES = np.ones((1, LOW_FREQ_HZ.size), dtype=complex)


def branch(order, split_hz, kind, *, twice=False):
    """One branch of a crossover, from scipy.signal's analog Butterworth filters."""
    b, a = signal.butter(order, 2 * np.pi * split_hz, kind, analog=True)
    _, response = signal.freqs(b, a, 2 * np.pi * LOW_FREQ_HZ)
    return response[None, :] ** (2 if twice else 1)


def band_of(hz):
    return int(np.abs(np.log(EXACT_HZ[LOW_BANDS] / hz)).argmin())


@pytest.mark.parametrize(
    ("phase_deg", "level_db"),
    # Two equal coherent sources, level re one: 20 lg(2 cos(phi / 2)), closed form.
    [(0, 6.021), (30, 5.719), (60, 4.771), (90, 3.010), (120, 0.0), (150, -5.719), (170, -15.17)],
)
def test_two_equal_sources_add_by_their_phase(phase_deg, level_db):
    loss_db = Meeting(ONES, ONES * np.exp(-1j * np.radians(phase_deg))).loss_db(0.0)
    assert loss_db + 20 * np.log10(2) == pytest.approx(level_db, abs=0.005)


@pytest.mark.parametrize(
    ("below_db", "in_phase_db", "opposed_db"),
    # 20 lg(1 +- 10^(-d / 20)), closed form.
    [(1, 5.535, -19.27), (3, 4.649, -10.69), (6, 3.529, -6.041), (12, 1.946, -2.513)],
)
def test_unequal_sources_add_and_cancel_by_their_levels(below_db, in_phase_db, opposed_db):
    meeting = Meeting(ONES, ONES)
    perfect_db = 20 * np.log10(1 + 10 ** (-below_db / 20))
    up = meeting.loss_db(0.0, gain_db=-below_db) + perfect_db
    down = meeting.loss_db(0.0, gain_db=-below_db, polarity=-1) + perfect_db
    assert up == pytest.approx(in_phase_db, abs=0.005)
    assert down == pytest.approx(opposed_db, abs=0.005)


def test_linkwitz_riley_branches_add_perfectly_at_every_frequency():
    # Linkwitz, J. Audio Eng. Soc. 24 (1976) 2: both branches in phase, the sum all-pass.
    low, high = branch(2, 90, "low", twice=True), branch(2, 90, "high", twice=True)
    assert Meeting(high, low).loss_db(0.0) == pytest.approx(0.0, abs=1e-9)
    assert np.abs(low + high) == pytest.approx(1.0, abs=1e-9)


def test_second_order_butterworth_branches_add_only_with_one_turned_over():
    # Their phases differ by 180 degrees at every frequency (closed form).
    meeting = Meeting(branch(2, 100, "high"), branch(2, 100, "low"))
    assert meeting.loss_db(0.0, polarity=-1) == pytest.approx(0.0, abs=1e-9)
    assert meeting.loss_db(0.0)[0, 0, band_of(100)] < -20.0


@pytest.mark.parametrize("polarity", [1, -1])
def test_third_order_butterworth_branches_add_to_three_db_below_perfect(polarity):
    # A quarter turn apart everywhere, each 3.01 dB down at the crossover: |1 + j| / 2.
    meeting = Meeting(branch(3, 100, "high"), branch(3, 100, "low"))
    loss_db = meeting.loss_db(0.0, polarity=polarity)
    assert loss_db[0, 0, band_of(100)] == pytest.approx(-3.01, abs=0.1)


def test_delay_turns_the_phase_as_a_flight_does():
    # 60 degrees at 100 Hz are 1.667 ms and cost 1.25 dB of the 6 (closed form).
    loss_db = Meeting(ONES, ONES).loss_db([0.0, 1 / 600])
    assert loss_db[0] == pytest.approx(0.0, abs=1e-9)
    # A third octave around it: the mean of cos^2 hardly differs from its middle.
    assert loss_db[1, 0, band_of(100)] == pytest.approx(-1.25, abs=0.03)


def test_time_base_of_the_first_tap_is_kept():
    impulse = np.zeros(48_000)
    impulse[4800] = 1.0
    early = low_spectrum(impulse, rate_hz=48_000.0, first_tap_s=-0.09)
    late = low_spectrum(impulse, rate_hz=48_000.0, first_tap_s=-0.085)
    meeting = Meeting(early[None, :], late[None, :])
    assert meeting.loss_db(-0.005) == pytest.approx(0.0, abs=1e-6)
    assert np.abs(early - np.exp(-2j * np.pi * LOW_FREQ_HZ * 0.01)).max() < 1e-9


def test_other_sample_rate_gives_the_same_spectrum():
    spectra = []
    for rate_hz in (44_100.0, 48_000.0):
        impulse = np.zeros(round(0.5 * rate_hz))
        impulse[round(0.1 * rate_hz)] = 1.0
        spectra.append(low_spectrum(impulse, rate_hz=rate_hz, first_tap_s=0.0))
    assert spectra[0] == pytest.approx(spectra[1], abs=1e-6)


def test_pink_power_of_a_flat_spectrum_is_one_in_every_band():
    assert band_power(ONES) == pytest.approx(1.0, abs=1e-12)


def test_noise_behind_the_end_is_left_out():
    rng = np.random.default_rng(3)
    impulse = np.zeros(96_000)
    impulse[4800] = 1.0
    noisy = impulse + np.where(np.arange(96_000) > 30_000, 0.05 * rng.standard_normal(96_000), 0)
    kept = low_spectrum(noisy, rate_hz=48_000.0, first_tap_s=0.0, end_tap=30_000)
    assert np.abs(kept) == pytest.approx(1.0, abs=1e-9)
