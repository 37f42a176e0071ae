"""Stimuli: their spectrum by other means than those that made them, level, peaks, harmonics."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as sps
from scipy import special, stats

from evenhall.acoustics.bands import LOWER_HZ, UPPER_HZ
from evenhall.acoustics.level import crest_factor_db, rms_dbfs
from evenhall.acoustics.stimulus import Sweep, exponential_sweep, pink_noise
from evenhall.errors import InputError


def periodogram_bands_db(samples, rate_hz):
    """Band levels from scipy's periodogram, each line spread over its own width."""
    freq_hz, density = sps.periodogram(samples, rate_hz)
    borders_hz = np.append(freq_hz, freq_hz[-1] + freq_hz[1]) - freq_hz[1] / 2
    area = np.append(0.0, np.cumsum(density * freq_hz[1]))
    upper, lower = (np.interp(edge_hz, borders_hz, area) for edge_hz in (UPPER_HZ, LOWER_HZ))
    return 10 * np.log10(upper - lower)


def filtered_bands_db(samples, rate_hz, bands):
    """Band levels by Butterworth filters in the time domain, free of run-out."""
    padded = np.concatenate([samples, np.zeros(round(rate_hz))])
    levels_db = []
    for band in bands:
        sos = sps.butter(6, [LOWER_HZ[band], UPPER_HZ[band]], "bandpass", fs=rate_hz, output="sos")
        levels_db.append(10 * np.log10(np.sum(sps.sosfilt(sos, padded) ** 2)))
    return np.array(levels_db)


@pytest.mark.parametrize(
    ("duration_s", "rate_hz"),
    [(1.0, 48000), (2.0, 44100 * 2), (12.0, 48000), (12.0, 96000), (10.0, 192000)],
)
def test_pink_noise_has_every_third_octave_within_a_tenth_of_a_decibel(duration_s, rate_hz):
    noise = pink_noise(duration_s, rate_hz=rate_hz, seed=1)
    levels_db = periodogram_bands_db(noise, rate_hz)
    assert np.abs(levels_db - levels_db.mean()).max() <= 0.1


def test_pink_noise_at_44_1_khz_misses_only_what_the_rate_cannot_hold():
    levels_db = periodogram_bands_db(pink_noise(12.0, rate_hz=44100, seed=1), 44100)
    assert np.abs(levels_db[:-1] - levels_db[:-1].mean()).max() <= 0.1
    # Up to 0.498 * 44.1 kHz of a band that ends at 22.39 kHz, in equal power an octave.
    covered = np.log(0.498 * 44100 / LOWER_HZ[-1]) / np.log(UPPER_HZ[-1] / LOWER_HZ[-1])
    assert abs(levels_db[-1] - levels_db[:-1].mean() - 10 * np.log10(covered)) <= 0.1


def test_pink_noise_passes_real_filters_alike():
    levels_db = filtered_bands_db(pink_noise(10.0, rate_hz=48000, seed=4), 48000, range(1, 30))
    assert np.abs(levels_db - levels_db.mean()).max() <= 0.1


def test_pink_noise_density_falls_three_decibels_an_octave():
    noise = pink_noise(20.0, rate_hz=48000, seed=2)
    freq_hz, density = sps.welch(noise, 48000, nperseg=16384)
    inside = (freq_hz > 100) & (freq_hz < 20e3)
    slope = np.polyfit(np.log2(freq_hz[inside]), 10 * np.log10(density[inside]), 1)[0]
    assert abs(slope + 10 * np.log10(2.0)) <= 0.02


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    level_dbfs=st.floats(-60, -16),
    duration_s=st.floats(0.5, 3.0),
)
def test_pink_noise_keeps_its_level_and_repeats_itself(seed, level_dbfs, duration_s):
    noise = pink_noise(duration_s, rate_hz=44100, seed=seed, level_dbfs=level_dbfs)
    # AES17: rms of a full-scale sine is 0 dBFS.
    assert abs(10 * np.log10(2 * np.mean(noise**2)) - level_dbfs) <= 1e-6
    assert np.abs(noise).max() <= 1.0
    assert noise.size == round(duration_s * 44100)
    again = pink_noise(duration_s, rate_hz=44100, seed=seed, level_dbfs=level_dbfs)
    np.testing.assert_array_equal(noise, again)


def test_other_seed_is_other_noise():
    one, other = (pink_noise(1.0, rate_hz=48000, seed=seed) for seed in (1, 2))
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.2


@pytest.mark.parametrize("limit_db", [10.0, 6.0, 4.5])
def test_crest_factor_is_limited_and_the_shape_kept(limit_db):
    noise = pink_noise(10.0, rate_hz=48000, seed=3, crest_limit_db=limit_db)
    crest_db = 20 * np.log10(np.abs(noise).max() / np.sqrt(np.mean(noise**2)))
    assert limit_db - 1.0 <= crest_db <= limit_db
    levels_db = periodogram_bands_db(noise, 48000)
    assert np.abs(levels_db - levels_db.mean()).max() <= 0.1


def test_peaks_of_unlimited_noise_are_those_of_normal_deviates():
    # 12 dB is what the trade calls the crest factor of pink noise (common practice, no source):
    # four standard deviations, 12.04 dB, which erfc(4 / sqrt(2)) of all samples pass.
    peaks_db, beyond = [], []
    for seed in range(20):
        noise = pink_noise(10.0, rate_hz=48000, seed=seed)
        peaks_db.append(crest_factor_db(noise))
        beyond.append(np.mean(np.abs(noise) > 4.0 * noise.std()))
    assert 0.7 <= np.mean(beyond) / special.erfc(4.0 / np.sqrt(2.0)) <= 1.4
    # The highest of n normal deviates: passed by one sample in n, on either side.
    highest_db = 20.0 * np.log10(stats.norm.isf(0.5 / noise.size))
    assert abs(np.mean(peaks_db) - highest_db) <= 0.5
    assert np.ptp(peaks_db) <= 3.0


def test_crest_factor_out_of_reach_is_refused_with_what_can_be_had():
    with pytest.raises(InputError, match=r"crest_limit_db = 1 is out of reach .* Give [\d.]+ dB"):
        pink_noise(0.5, rate_hz=48000, seed=3, crest_limit_db=1.0)


def test_noise_has_nothing_outside_its_band():
    noise = pink_noise(5.0, rate_hz=48000, seed=5, low_hz=200.0, high_hz=2000.0)
    freq_hz, density = sps.periodogram(noise, 48000)
    inside = (freq_hz >= 200) & (freq_hz <= 2000)
    far = (freq_hz < 150) | (freq_hz > 2500)
    assert density[far].sum() < 1e-5 * density[inside].sum()


@pytest.mark.parametrize("make", [lambda **kw: pink_noise(seed=1, **kw), exponential_sweep])
def test_stimulus_begins_and_ends_without_a_click(make):
    samples = make(duration_s=4.0, rate_hz=48000)
    peak = np.abs(samples).max()
    assert np.abs(samples[:8]).max() < 1e-3 * peak
    assert np.abs(samples[-2:]).max() < 1e-3 * peak


@pytest.mark.parametrize("make", [lambda **kw: pink_noise(seed=1, **kw), exponential_sweep])
def test_level_that_would_clip_is_refused_and_the_highest_named_works(make):
    with pytest.raises(
        InputError, match=r"level_dbfs = 0 would clip.*at most -[\d.]+ dBFS"
    ) as info:
        make(duration_s=2.0, rate_hz=48000, level_dbfs=0.0)
    highest_dbfs = float(str(info.value).split("at most ")[1].split(" ")[0])
    loudest = make(duration_s=2.0, rate_hz=48000, level_dbfs=highest_dbfs)
    assert 10 ** (-0.11 / 20) <= np.abs(loudest).max() <= 1.0


@pytest.mark.parametrize("make", [lambda **kw: pink_noise(seed=1, **kw), exponential_sweep])
@pytest.mark.parametrize(
    ("option", "says"),
    [
        ({"duration_s": 0.0}, r"duration_s = 0 .* Give 0.5 to 600 seconds"),
        ({"duration_s": float("nan")}, r"duration_s = nan"),
        ({"rate_hz": 0}, r"rate_hz = 0 is not a sample rate"),
        (
            {"rate_hz": 30000, "high_hz": 16000.0},
            r"high_hz = 16000 is too high .* at most 14\d\d\d",
        ),
        ({"low_hz": 0.0}, r"low_hz = 0 does not fit. Give 1 Hz or more"),
        ({"low_hz": 900.0, "high_hz": 1000.0}, r"low_hz = 900 does not fit"),
        ({"level_dbfs": float("nan")}, r"level_dbfs = nan is not a level"),
    ],
)
def test_option_that_makes_no_stimulus_is_refused(make, option, says):
    with pytest.raises(InputError, match=says):
        make(**{"duration_s": 2.0, "rate_hz": 48000} | option)


def test_all_faults_are_named_at_once():
    with pytest.raises(InputError) as info:
        pink_noise(0.0, rate_hz=48000, seed=1, low_hz=0.0, high_hz=30e3)
    assert len(info.value.faults) == 3


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_sweep_has_every_third_octave_alike(rate_hz):
    levels_db = periodogram_bands_db(exponential_sweep(10.0, rate_hz=rate_hz), rate_hz)
    mean_db = levels_db[1:-1].mean()
    assert np.abs(levels_db[1:-1] - mean_db).max() <= 0.05
    # The ripple of the lower fade lies in the lowest band; the rate may cut the highest.
    assert abs(levels_db[0] - mean_db) <= 0.25
    assert rate_hz == 44100 or abs(levels_db[-1] - mean_db) <= 0.05


def test_sweep_has_its_level():
    sweep = exponential_sweep(5.0, rate_hz=48000, level_dbfs=-12.0)
    assert abs(10 * np.log10(2 * np.mean(sweep**2)) + 12.0) <= 1e-9
    assert abs(rms_dbfs(sweep) + 12.0) <= 1e-9
    # A sine but for its fades: peak over RMS is the square root of two.
    assert abs(crest_factor_db(sweep) - 3.01) <= 0.15
    assert abs(crest_factor_db(sweep[48000:-24000]) - 10.0 * np.log10(2.0)) <= 0.01


def test_sweep_rises_by_as_many_octaves_every_second_and_covers_its_band():
    rate_hz, low_hz, high_hz = 48000, 50.0, 12000.0
    sweep = exponential_sweep(6.0, rate_hz=rate_hz, low_hz=low_hz, high_hz=high_hz)
    analytic = sps.hilbert(sweep)
    freq_hz = np.diff(np.unwrap(np.angle(analytic))) * rate_hz / (2 * np.pi)
    envelope = np.abs(analytic)
    wanted = (freq_hz[4800:-480] > 1.05 * low_hz) & (freq_hz[4800:-480] < 0.95 * high_hz)
    octaves = np.log2(freq_hz[4800:-480][wanted])
    time_s = (np.flatnonzero(wanted) + 0.5) / rate_hz
    slope, offset = np.polyfit(time_s, octaves, 1)
    assert np.abs(octaves - (slope * time_s + offset)).max() <= 0.02
    # The whole runs from a quarter of an octave below to a twenty-fourth above in 6 s.
    assert abs(slope - (np.log2(high_hz / low_hz) + 0.25 + 1 / 24) / 6.0) <= 1e-3
    full = envelope[4800:-480][:-1][wanted]
    assert np.ptp(full) <= 0.02 * full.mean()


def test_harmonics_of_a_distorting_system_lead_by_l_ln_k_and_in_phase():
    # Farina, AES 108 (2000), paper 5093; Novak, Lotton and Simon, JAES 63 (2015) 786: the
    # k-th harmonic's response stands L ln(k) before the linear one. x^2 and x^3 have the
    # second harmonic -cos(2 phi)/2 and the third -sin(3 phi)/4 (power reduction formulas).
    rate_hz, low_hz, high_hz, duration_s = 48000, 50.0, 6000.0, 8.0
    sweep = exponential_sweep(
        duration_s, rate_hz=rate_hz, low_hz=low_hz, high_hz=high_hz, level_dbfs=-1.0
    )
    amplitude = np.sqrt(2.0) * np.sqrt(np.mean(sweep[48000:-48000] ** 2))
    distorted = sweep + 0.2 * sweep**2 + 0.2 * sweep**3
    octaves = np.log2(high_hz / low_hz) + 0.25 + 1 / 24
    sweep_l_s = duration_s / octaves / np.log(2.0)
    # The synchronized inverse in closed form (Novak 2015, eq. 43) over the sweep's own band.
    n_fft = 2 ** int(np.ceil(np.log2(2 * sweep.size)))
    freq_hz = np.fft.rfftfreq(n_fft, 1 / rate_hz)
    first_hz = low_hz * 2.0**-0.25
    inverse = np.zeros(freq_hz.size, dtype=complex)
    inside = (freq_hz >= 1.05 * low_hz) & (freq_hz <= 0.95 * high_hz)
    f = freq_hz[inside]
    inverse[inside] = (
        2 * np.sqrt(f / sweep_l_s)
        * np.exp(-2j * np.pi * f * sweep_l_s * (1 - np.log(f / first_hz)) + 0.25j * np.pi)
    )  # fmt: skip
    impulse = np.fft.irfft(np.fft.rfft(distorted, n_fft) / rate_hz * inverse, n_fft)
    peaks = {}
    for order in (2, 3):
        lead = round(sweep_l_s * np.log(order) * rate_hz)
        around = np.abs(sps.hilbert(np.roll(impulse, lead + 200)))[:400]
        peaks[order] = around.max()
        assert abs(int(around.argmax()) - 200) <= 2
    fundamental = np.abs(impulse[:100]).max()
    assert abs(int(np.abs(impulse[:100]).argmax())) <= 2
    # Ratio of the harmonics: 0.2 A^2 / 2 and 0.2 A^3 / 4 against A + 0.75 * 0.2 A^3.
    linear = amplitude + 0.15 * amplitude**3
    assert abs(peaks[2] / fundamental - 0.1 * amplitude**2 / linear) <= 0.01
    assert abs(peaks[3] / fundamental - 0.05 * amplitude**3 / linear) <= 0.01


def instantaneous_hz(samples, rate_hz):
    """Frequency from the phase of the analytic signal."""
    return np.diff(np.unwrap(np.angle(sps.hilbert(samples)))) * rate_hz / (2.0 * np.pi)


@pytest.mark.parametrize("low_hz", [28.2, 80.0])
def test_lead_is_a_steady_tone_at_the_sweep_s_first_frequency(low_hz):
    rate_hz, lead_s, duration_s = 48000, 1.0, 5.0
    swept = exponential_sweep(duration_s, rate_hz=rate_hz, low_hz=low_hz, lead_s=lead_s)
    assert swept.size == round((lead_s + duration_s) * rate_hz)
    freq_hz = instantaneous_hz(swept, rate_hz)
    first_hz = low_hz * 2.0**-0.25  # a quarter of an octave below the band, as documented
    tone = freq_hz[round(0.4 * rate_hz) : round(0.95 * rate_hz)]
    assert np.abs(tone / first_hz - 1.0).max() <= 0.02
    # Nothing lower is played, from the end of the fade-in on.
    assert freq_hz[round(0.4 * rate_hz) : -round(0.1 * rate_hz)].min() >= 0.98 * first_hz


def test_lead_is_joined_without_a_step_and_leaves_the_sweep_as_it_was():
    plain = exponential_sweep(5.0, rate_hz=48000, low_hz=30.0)
    led = exponential_sweep(5.0, rate_hz=48000, low_hz=30.0, lead_s=1.0)
    rise = round(48000 * 0.25 * Sweep(5.0, 30.0, 22_400.0).octave_s)
    same = led[48000 + rise :] / led[96000:].std(), plain[rise:] / plain[48000:].std()
    assert np.abs(same[0] - same[1]).max() <= 1e-9
    # A sine of 25 Hz changes by at most 2 pi 25 / 48000 of its amplitude from sample to sample.
    around = led[48000 - 100 : 48000 + 100]
    limit = 2.0 * np.pi * 30.0 / 48000 * np.abs(led).max()
    assert np.abs(np.diff(around)).max() <= limit


def test_fade_in_lies_in_the_lead():
    led = exponential_sweep(5.0, rate_hz=48000, low_hz=60.0, lead_s=1.0)
    envelope = np.abs(sps.hilbert(led))
    amplitude = np.median(envelope)
    assert envelope[:10].max() < 0.1 * amplitude
    assert np.abs(envelope[40_000:-30_000] / amplitude - 1.0).max() <= 0.02


@pytest.mark.parametrize("lead_s", [-0.1, 11.0, float("nan")])
def test_lead_out_of_range_is_refused(lead_s):
    with pytest.raises(InputError, match=r"lead_s = .* out of range. Give 0 to 10 seconds"):
        exponential_sweep(5.0, rate_hz=48000, lead_s=lead_s)
