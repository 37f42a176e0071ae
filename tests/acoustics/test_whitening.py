"""A flattened spectrum is flat where there is energy, and nothing where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import rooms
from evenhall.acoustics.whitening import covered_share, cut, flat_gain

RATE_HZ = 48000
N_FFT = 1 << 18
SPACING_HZ = RATE_HZ / N_FFT
HZ = np.arange(N_FFT // 2 + 1) * SPACING_HZ


def flattened(stimulus):
    spectrum = np.fft.rfft(stimulus, N_FFT).astype(np.complex64)
    gain, covered_hz = flat_gain(spectrum, spacing_hz=SPACING_HZ, top_hz=23_900.0)
    return np.abs(spectrum * gain) ** 2, covered_hz


@pytest.mark.parametrize("make", [rooms.pink, lambda s, rate, rng: rooms.sweep(s, rate)])
def test_every_band_of_the_stimulus_comes_out_with_the_same_density(make):
    power, _ = flattened(make(4.0, RATE_HZ, np.random.default_rng(100)))
    density = [
        power[(low < HZ) & (low * 10**0.1 > HZ)].mean()
        for low in rooms.MIDBAND_HZ[2:29] * 10**-0.05
    ]
    assert 10.0 * np.log10(max(density) / min(density)) <= 1.0


@pytest.mark.parametrize("top_hz", [8_000.0, 17_900.0, 18_000.0, 20_000.0, 22_000.0])
def test_twelfth_octave_in_which_the_stimulus_ends_is_not_blown_up(top_hz):
    # It was divided by a mean over its empty part, and stood out by 15 dB and more.
    noise = rooms.pink(4.0, RATE_HZ, np.random.default_rng(101), high_hz=top_hz)
    power, covered_hz = flattened(noise)
    last = power[(top_hz * 0.97 < HZ) & (top_hz > HZ)]
    middle = power[(HZ > 500.0) & (HZ < 5000.0)]
    assert 10.0 * np.log10(last.mean() / middle.mean()) <= 3.0
    assert covered_hz[-1, 1] <= top_hz * 2 ** (1.0 / 12.0)


def test_covered_is_what_sounds_and_nothing_between():
    rng = np.random.default_rng(102)
    low = rooms.pink(4.0, RATE_HZ, rng, low_hz=100.0, high_hz=500.0)
    high = rooms.pink(4.0, RATE_HZ, rng, low_hz=2000.0, high_hz=8000.0)
    _, covered_hz = flattened(low + high)
    share = covered_share(HZ, covered_hz)
    assert share[((HZ > 101) & (HZ < 499)) | ((HZ > 2001) & (HZ < 7999))].all()
    twelfth = 2.0 ** (2.0 / 12.0)
    assert not share[(500 * twelfth < HZ) & (2000 / twelfth > HZ)].any()
    assert not share[8000 * twelfth < HZ].any()


def test_silence_is_covered_nowhere():
    gain, covered_hz = flat_gain(
        np.zeros(HZ.size, np.complex64), spacing_hz=SPACING_HZ, top_hz=20_000.0
    )
    assert not gain.any()
    assert covered_hz.shape == (0, 2)


@given(
    holes=st.lists(
        st.tuples(st.floats(10.0, 1000.0), st.floats(0.1, 200.0)), min_size=0, max_size=6
    )
)
@settings(max_examples=40, deadline=None)
def test_cutting_holes_takes_out_just_the_holes(holes):
    spans_hz = np.array([[20.0, 300.0], [400.0, 2000.0]])
    lower = np.array([low for low, _ in holes])
    upper = np.array([low + width for low, width in holes])
    left = cut(spans_hz, lower, upper)
    hz = np.linspace(5.0, 2500.0, 5001) + 0.0123
    expected = covered_share(hz, spans_hz) > 0
    for low, high in zip(lower, upper, strict=True):
        expected &= ~((hz > low) & (hz < high))
    assert np.array_equal(covered_share(hz, left) > 0, expected)
    assert np.all(np.diff(left.ravel()) >= 0)
