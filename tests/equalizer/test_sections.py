"""Parametric sections against the published cookbook and scipy.signal, and the slopes behind."""

import numpy as np
import pytest
from scipy import signal

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from evenhall.equalizer.sections import (
    KINDS,
    Section,
    section_response,
    section_slopes,
    sections_band_gain_db,
    sections_gain_db,
)

FREQ_HZ = np.geomspace(10.0, 24_000.0, 300)


def cookbook(kind: str, gain_db: float, q: float) -> tuple[list[float], list[float]]:
    """Bristow-Johnson, Audio EQ Cookbook (W3C note 2021), analog prototypes; from memory."""
    a = 10.0 ** (gain_db / 40.0)
    if kind == "peaking":
        return [1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0]
    near = [1.0, np.sqrt(a) / q, a]
    far = [a, np.sqrt(a) / q, 1.0]
    above, below = (near, far) if kind == "low-shelf" else (far, near)
    return [a * value for value in above], below


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("gain_db", "q"), [(-9.0, 0.71), (4.0, 0.5), (-3.0, 4.3), (6.0, 1.4)])
def test_sections_are_the_cookbooks(kind, gain_db, q):
    centre_hz = 630.0
    above, below = cookbook(kind, gain_db, q)
    _, wanted = signal.freqs(above, below, FREQ_HZ / centre_hz)
    found = section_response(Section(kind, centre_hz, gain_db, q), FREQ_HZ)
    assert found == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize(
    ("centre_hz", "gain_db", "q", "b0", "b1", "b2", "a2"),
    [  # the cookbook's digital peaking section at 48 kHz, a0 = 1, a1 = b1
        (1000.0, 6.0, 1.0, 1.0439530870, -1.8953207239, 0.8677222848, 0.9116753718),
        (1000.0, -12.0, 4.318, 0.9780793145, -1.9248426572, 0.9633727341, 0.9414520486),
        (100.0, 6.0, 4.318, 1.0010668059, -1.9976850706, 0.9967894259, 0.9978562318),
    ],
)
def test_a_digital_console_does_nearly_the_same(centre_hz, gain_db, q, b0, b1, b2, a2):
    """Warping of the bilinear transform: under 0.1 dB an octave each way, at 1 kHz and below."""
    freq_hz = centre_hz * np.geomspace(0.5, 2.0, 25)
    _, digital = signal.freqz([b0, b1, b2], [1.0, b1, a2], freq_hz, fs=48_000.0)
    found_db = sections_gain_db([Section("peaking", centre_hz, gain_db, q)], freq_hz)
    assert np.abs(found_db - 20.0 * np.log10(np.abs(digital))).max() < 0.1


def test_shelves_keep_their_promise_far_out():
    """All of the gain on the shelf, half of it at the centre, none on the other side."""
    low_db = sections_gain_db([Section("low-shelf", 200.0, -6.0, 0.71)], [1.0, 200.0, 40_000.0])
    assert low_db == pytest.approx([-6.0, -3.0, 0.0], abs=0.01)
    high_db = sections_gain_db([Section("high-shelf", 2e3, 4.0, 0.71)], [1.0, 2e3, 400_000.0])
    assert high_db == pytest.approx([0.0, 2.0, 4.0], abs=0.01)


def test_a_peak_is_a_fader_of_a_proportional_q_unit():
    unit = graphic_unit(31)
    faders_db = np.where(unit.nominal_hz == 500.0, -7.0, 0.0)
    one = Section("peaking", float(unit.centre_hz[14]), -7.0, float(unit.q[14]))
    assert sections_band_gain_db([one]) == pytest.approx(band_gain_db(unit, faders_db), abs=0.01)


def test_no_sections_do_nothing():
    assert sections_band_gain_db([]) == pytest.approx(np.zeros(31))


@pytest.mark.parametrize("kind", range(3))
def test_slopes_are_those_of_the_power(kind):
    """Against central differences of the response itself."""
    figures = np.array([np.log(700.0), -5.0, np.log(1.3)])

    def log_power(some):
        one = Section(KINDS[kind], float(np.exp(some[0])), some[1], float(np.exp(some[2])))
        return 2.0 * np.log(np.abs(section_response(one, EXACT_HZ)))

    power, slope = section_slopes(np.array(kind), *map(np.array, figures), EXACT_HZ)
    assert np.log(power) == pytest.approx(log_power(figures), abs=1e-9)
    for k in range(3):
        step = 1e-5 * np.eye(3)[k]
        wanted = (log_power(figures + step) - log_power(figures - step)) / 2e-5
        assert slope[k] == pytest.approx(wanted, abs=1e-7)
