"""Dips that a fader may fill, and dips that cancel themselves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import rooms
from evenhall.acoustics.cancellation import is_cancellation

RATE_HZ = 48000
ARRIVAL_S = 0.05
FREQUENCIES_HZ = [63.0, 90.0, 200.0, 500.0, 1250.0, 4000.0]


def direct(n=RATE_HZ):
    return rooms.fractional_delay(ARRIVAL_S, n, RATE_HZ)


def judged(impulse, freq_hz):
    return is_cancellation(impulse, rate_hz=RATE_HZ, arrival_s=ARRIVAL_S, freq_hz=freq_hz)


@pytest.mark.parametrize("freq_hz", FREQUENCIES_HZ)
@pytest.mark.parametrize(("gain_db", "q"), [(-3.0, 1.0), (-6.0, 2.0), (-9.0, 3.0), (-12.0, 2.0)])
def test_dip_of_a_peaking_section_is_none(freq_hz, gain_db, q):
    # Minimum-phase by construction: its poles and zeros lie inside the unit circle.
    impulse = signal.sosfilt(rooms.peaking(freq_hz, gain_db, q, RATE_HZ), direct())
    assert not judged(impulse, freq_hz)


@pytest.mark.parametrize("freq_hz", FREQUENCIES_HZ)
def test_even_response_and_peak_are_none(freq_hz):
    assert not judged(direct(), freq_hz)
    assert not judged(signal.sosfilt(rooms.peaking(freq_hz, 9.0, 2.0, RATE_HZ), direct()), freq_hz)


@pytest.mark.parametrize("freq_hz", FREQUENCIES_HZ)
@pytest.mark.parametrize("louder_db", [0.5, 1.5, 3.0, 4.0])
def test_dip_of_a_comb_whose_reflection_is_louder_is_one(freq_hz, louder_db):
    # 1 + g z^-n with g > 1 has its zeros outside the unit circle: maximum phase.
    after_s = 0.5 / freq_hz
    reflection = rooms.fractional_delay(ARRIVAL_S + after_s, RATE_HZ, RATE_HZ)
    assert judged(direct() + 10 ** (louder_db / 20) * reflection, freq_hz)


@pytest.mark.parametrize("freq_hz", FREQUENCIES_HZ)
@pytest.mark.parametrize("softer_db", [6.0, 10.0])
def test_dip_of_a_comb_whose_reflection_is_clearly_softer_is_none(freq_hz, softer_db):
    # 1 + g z^-n with g < 1 is minimum-phase: deep as it may be, it can be undone.
    after_s = 0.5 / freq_hz
    reflection = rooms.fractional_delay(ARRIVAL_S + after_s, RATE_HZ, RATE_HZ)
    assert not judged(direct() + 10 ** (-softer_db / 20) * reflection, freq_hz)


def test_null_of_two_sounds_nearly_alike_is_one_whichever_is_louder():
    reflection = rooms.fractional_delay(ARRIVAL_S + 0.5 / 250.0, RATE_HZ, RATE_HZ)
    assert judged(direct() + 0.97 * reflection, 250.0)


def test_box_in_front_of_a_comb_hides_nothing_and_adds_nothing():
    reflection = rooms.fractional_delay(ARRIVAL_S + 0.5 / 250.0, RATE_HZ, RATE_HZ)
    through = rooms.box(direct() + 1.3 * reflection, RATE_HZ)
    assert judged(through, 250.0)
    assert not judged(rooms.box(direct(), RATE_HZ), 500.0)  # the box's own dip


def test_response_too_short_for_the_frequency_is_none():
    assert not is_cancellation(np.zeros(6), rate_hz=RATE_HZ, arrival_s=0.0, freq_hz=100.0)
