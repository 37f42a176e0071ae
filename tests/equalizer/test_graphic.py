"""A graphic unit against scipy.signal.freqs on the printed transfer functions."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import freqs, freqz

from evenhall.acoustics.bands import EXACT_HZ, LOWER_HZ, NOMINAL_HZ, UPPER_HZ
from evenhall.equalizer.graphic import (
    MODELS,
    band_gain_db,
    finer_unit,
    graphic_unit,
    unit_gain_db,
    unit_response,
)
from evenhall.errors import InputError

STANDARD_Q = {31: 4.318, 15: 2.145, 10: 1.414}


def section_by_scipy(model, q, fader_db, centre_hz, freq_hz):
    """One section as its transfer function is printed, in s = j f / f0."""
    g = 10 ** (fader_db / 20)
    if model == "constant-q":
        numerator, denominator = [1, max(g, 1) / q, 1], [1, max(1 / g, 1) / q, 1]
    else:
        numerator, denominator = [1, np.sqrt(g) / q, 1], [1, 1 / (np.sqrt(g) * q), 1]
    return freqs(numerator, denominator, worN=np.asarray(freq_hz) / centre_hz)[1]


def unit_by_scipy(model, q, faders_db, centres_hz, freq_hz):
    return np.prod(
        [
            section_by_scipy(model, q, fader_db, centre_hz, freq_hz)
            for fader_db, centre_hz in zip(faders_db, centres_hz, strict=True)
        ],
        axis=0,
    )


def db(response):
    return 20 * np.log10(np.abs(response))


def random_faders(unit, seed):
    return np.random.default_rng(seed).uniform(-unit.range_db, unit.range_db, unit.fader_count)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("bands", [31, 15, 10])
def test_response_is_the_product_of_the_printed_sections(bands, model):
    unit = graphic_unit(bands, model=model)
    faders_db = random_faders(unit, 3)
    freq_hz = np.geomspace(5.0, 40e3, 500)
    expected = unit_by_scipy(model, STANDARD_Q[bands], faders_db, unit.centre_hz, freq_hz)
    np.testing.assert_allclose(unit_response(unit, faders_db, freq_hz), expected, rtol=1e-10)


# Gain in dB at 0, 1/2, 1, 2, 3 base-ten spacings (a third octave is 10^0.1) from the centre of
# one section, and its width at half that gain in octaves; from the printed formulas with
# scipy.signal.freqs (section_by_scipy).
SECTIONS = [
    ("constant-q", 31, 0.1, 3.0, (3, 1.759, 0.785, 0.234, 0.100), 0.396),
    ("constant-q", 31, 0.1, 6.0, (6, 3.972, 2.023, 0.667, 0.294), 0.470),
    ("constant-q", 31, 0.1, 12.0, (12, 9.269, 5.972, 2.616, 1.298), 0.661),
    ("constant-q", 15, 0.2, 6.0, (6, 3.972, 1.972, 0.563, 0.195), 0.934),
    ("constant-q", 10, 0.3, 6.0, (6, 3.973, 1.891, 0.428, 0.104), 1.387),
    ("proportional-q", 31, 0.1, 3.0, (3, 1.505, 0.603, 0.170, 0.072), 0.333),
    ("proportional-q", 31, 0.1, 6.0, (6, 3.010, 1.239, 0.356, 0.151), 0.333),
    ("proportional-q", 31, 0.1, 12.0, (12, 6.018, 2.724, 0.852, 0.371), 0.333),
    ("proportional-q", 15, 0.2, 6.0, (6, 3.010, 1.201, 0.298, 0.099), 0.667),
    ("proportional-q", 10, 0.3, 6.0, (6, 3.011, 1.143, 0.223, 0.053), 1.000),
]


@pytest.mark.parametrize(("model", "bands", "decades", "fader_db", "table_db", "width"), SECTIONS)
def test_one_section_by_distance_from_its_centre(model, bands, decades, fader_db, table_db, width):
    unit = graphic_unit(bands, model=model)
    middle = int(np.flatnonzero(unit.nominal_hz == 1000)[0])
    faders_db = np.where(np.arange(unit.fader_count) == middle, fader_db, 0.0)
    for side in (-1, 1):
        freq_hz = 1000 * 10 ** (side * decades * np.array([0, 0.5, 1, 2, 3]))
        by_scipy = db(section_by_scipy(model, STANDARD_Q[bands], fader_db, 1000, freq_hz))
        gain_db = unit_gain_db(unit, faders_db, freq_hz)
        np.testing.assert_allclose(gain_db, by_scipy, atol=1e-9)
        np.testing.assert_allclose(gain_db, table_db, atol=0.00051)
    edges_hz = 1000 * 2 ** (np.array([-width, width]) / 2)
    slope_db_per_octave = fader_db / width
    np.testing.assert_allclose(
        unit_gain_db(unit, faders_db, edges_hz), fader_db / 2, atol=0.001 * slope_db_per_octave
    )


# Whole units, read at their centres: three adjacent faders at +6 around 1 kHz at centres
# -2 ... +2; all at +6 at 1 kHz and at the end faders; the size of the response to alternating
# +-12 in mid-range. From the printed formulas with scipy.signal.freqs (unit_by_scipy).
UNITS = [
    ("constant-q", 31, (2.98, 8.69, 10.05, 8.69, 2.98), 12.69, 9.35, 3.6),
    ("constant-q", 15, (2.73, 8.53, 9.94, 8.53, 2.73), 11.69, 8.85, 3.5),
    ("constant-q", 10, (2.42, 8.32, 9.78, 8.32, 2.42), 10.90, 8.46, 3.4),
    ("proportional-q", 31, (1.75, 7.60, 8.48, 7.60, 1.75), 9.86, 7.93, 7.8),
    ("proportional-q", 15, (1.60, 7.50, 8.40, 7.50, 1.60), 9.31, 7.66, 7.8),
    ("proportional-q", 10, (1.42, 7.37, 8.29, 7.37, 1.42), 8.87, 7.44, 7.8),
]


@pytest.mark.parametrize(("model", "bands", "three", "all_mid", "all_end", "alternating"), UNITS)
def test_whole_unit_with_its_neighbours(model, bands, three, all_mid, all_end, alternating):
    unit = graphic_unit(bands, model=model)
    count = unit.fader_count
    middle = int(np.flatnonzero(unit.nominal_hz == 1000)[0])

    def at_centres(faders_db):
        gain_db = unit_gain_db(unit, faders_db, unit.centre_hz)
        q = STANDARD_Q[bands]
        by_scipy = db(unit_by_scipy(model, q, faders_db, unit.centre_hz, unit.centre_hz))
        np.testing.assert_allclose(gain_db, by_scipy, atol=1e-9)
        return gain_db

    near = np.abs(np.arange(count) - middle)
    five = at_centres(np.where(near <= 1, 6.0, 0.0))[middle - 2 : middle + 3]
    np.testing.assert_allclose(five, three, atol=0.0051)
    every = at_centres(np.full(count, 6.0))
    np.testing.assert_allclose([every[middle], every[0]], [all_mid, all_end], atol=0.0051)
    zigzag = at_centres(12.0 * (-1.0) ** np.arange(count))
    assert abs(zigzag[count // 2]) == pytest.approx(alternating, abs=0.051)


@pytest.mark.parametrize(("model", "most_db"), [("constant-q", 3.7), ("proportional-q", 14.2)])
def test_alternating_faders_saturate_on_constant_q(model, most_db):
    unit = graphic_unit(31, model=model, range_db=24.0)
    signs = (-1.0) ** np.arange(31)
    reached_db = []
    for fader_db in (1, 2, 3, 6, 9, 12, 15, 24):
        by_scipy = unit_by_scipy(model, 4.318, fader_db * signs, EXACT_HZ, EXACT_HZ)
        gain_db = unit_gain_db(unit, fader_db * signs, EXACT_HZ)
        np.testing.assert_allclose(gain_db, db(by_scipy), atol=1e-9)
        reached_db.append(abs(gain_db[15]))
    # Reached at 6 dB of fader, from the printed formulas with scipy.signal.freqs.
    assert reached_db[3] == pytest.approx(
        {"constant-q": 2.90, "proportional-q": 4.03}[model], abs=0.01
    )
    assert 0.95 * most_db <= max(reached_db) <= most_db
    saturated = reached_db[-1] < reached_db[-3] + 0.1
    assert saturated == (model == "constant-q")


# Audio EQ Cookbook (R. Bristow-Johnson), peaking EQ in its Q form at 48 kHz, a0 = 1:
# f0, dB, Q, b0, b1 = a1, b2, a2.
COOKBOOK = [
    (1000, 6.0, 1.0, 1.0439530870, -1.8953207239, 0.8677222848, 0.9116753718),
    (1000, -12.0, 4.318, 0.9780793145, -1.9248426572, 0.9633727341, 0.9414520486),
    (100, 6.0, 4.318, 1.0010668059, -1.9976850706, 0.9967894259, 0.9978562318),
]


@pytest.mark.parametrize(("centre_hz", "fader_db", "q", "b0", "a1", "b2", "a2"), COOKBOOK)
def test_proportional_q_is_the_cookbook_peak_before_its_bilinear_transform(
    centre_hz, fader_db, q, b0, a1, b2, a2
):
    unit = graphic_unit([centre_hz, 10_000], model="proportional-q", q=q)
    digital_hz = np.array([50.0, 100, 300, 900, 1000, 1100, 3000, 8000])
    digital = freqz([b0, a1, b2], [1, a1, a2], worN=digital_hz, fs=48e3)[1]
    # The bilinear transform reads the analog section at tan(w/2) / tan(w0/2) of its centre.
    warped_hz = centre_hz * np.tan(np.pi * digital_hz / 48e3) / np.tan(np.pi * centre_hz / 48e3)
    # The coefficients have ten decimals, and at 100 Hz nine of them cancel.
    np.testing.assert_allclose(unit_response(unit, [fader_db, 0], warped_hz), digital, rtol=2e-5)


@pytest.mark.parametrize("model", MODELS)
@given(seed=st.integers(0, 2**32 - 1))
def test_cut_mirrors_boost(model, seed):
    unit = graphic_unit(15, model=model)
    faders_db = random_faders(unit, seed)
    freq_hz = np.geomspace(10, 24e3, 60)
    both = unit_response(unit, faders_db, freq_hz) * unit_response(unit, -faders_db, freq_hz)
    np.testing.assert_allclose(both, 1.0, atol=1e-9)


def test_nothing_happens_with_faders_at_zero_nor_at_the_ends_of_the_spectrum():
    unit = graphic_unit(31)
    flat = unit_response(unit, np.zeros(31), [0.0, 20.0, 1e3, 20e3])
    np.testing.assert_allclose(flat, 1.0, atol=1e-12)
    assert unit_gain_db(unit, np.full(31, 6.0), 0.0) == 0.0
    assert np.all(np.abs(band_gain_db(unit, np.zeros(31))) < 1e-12)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize(
    ("bands", "options"),
    [(31, {}), (15, {}), (10, {}), (31, {"range_db": 6.0}), (31, {"q": 10.0}), (31, {"q": 20.0})],
)
def test_band_gain_is_the_power_mean_within_a_hundredth_of_a_db(bands, options, model):
    unit = graphic_unit(bands, model=model, **options)
    # Closed form by brute force: 1001 midpoints over log frequency within each band.
    place = (np.arange(1001) + 0.5) / 1001
    freq_hz = LOWER_HZ[:, None] * (UPPER_HZ / LOWER_HZ)[:, None] ** place
    signs = (-1.0) ** np.arange(unit.fader_count)
    worst_db = 0.0
    for faders_db in (unit.range_db * signs, random_faders(unit, 1), random_faders(unit, 2)):
        power = 10 ** (unit_gain_db(unit, faders_db, freq_hz) / 10)
        error_db = band_gain_db(unit, faders_db) - 10 * np.log10(power.mean(axis=1))
        worst_db = max(worst_db, np.abs(error_db).max())
    assert worst_db <= 0.01


def test_standard_units_have_their_faders_and_base_two_q():
    for bands, octaves in ((31, 1 / 3), (15, 2 / 3), (10, 1)):
        unit = graphic_unit(bands)
        # Q of a band N octaves wide: sqrt(2^N) / (2^N - 1); the contract rounds to 0.001.
        np.testing.assert_allclose(unit.q, np.sqrt(2**octaves) / (2**octaves - 1), atol=0.00051)
        assert set(unit.centre_hz) <= set(EXACT_HZ)
    assert graphic_unit(31).nominal_hz.tolist() == NOMINAL_HZ.tolist()
    # ISO 266 preferred frequencies, every second and every third of them.
    assert graphic_unit(15).nominal_hz.tolist() == [
        *(25, 40, 63, 100, 160, 250, 400, 630, 1000, 1600, 2500, 4000, 6300, 10000, 16000)
    ]
    assert graphic_unit(10).nominal_hz.tolist() == [
        *(31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
    ]


def test_listed_nominal_frequencies_are_taken_at_exact_mid_bands():
    unit = graphic_unit(NOMINAL_HZ.tolist())
    assert unit.centre_hz.tolist() == EXACT_HZ.tolist()
    # Base-ten third octave: r = 10^0.1, sqrt(r) / (r - 1) = 4.3334.
    np.testing.assert_allclose(unit.q, 4.3334, atol=5e-5)


def test_uneven_list_takes_q_from_its_neighbours():
    unit = graphic_unit([60, 250, 900, 3500])
    assert unit.centre_hz.tolist() == [60.0, pytest.approx(251.1886, abs=1e-4), 900.0, 3500.0]
    first, second, third = 251.1886 / 60, 900 / 251.1886, 3500 / 900
    for q, r in zip(
        unit.q, (first, np.sqrt(first * second), np.sqrt(second * third), third), strict=True
    ):
        assert q == pytest.approx(np.sqrt(r) / (r - 1), rel=1e-5)


def test_given_q_wins_and_boost_never_exceeds_the_range():
    unit = graphic_unit(15, q=3.0, range_db=4.0)
    assert np.all(unit.q == 3.0)
    assert unit.max_boost_db == 4.0


def test_finer_unit_has_31_faders_and_the_same_hand():
    unit = graphic_unit(10, model="constant-q", range_db=9.0, step_db=1.0, max_boost_db=3.0)
    finer = finer_unit(unit)
    assert finer is not None
    assert finer.fader_count == 31
    assert (finer.model, finer.range_db, finer.step_db, finer.max_boost_db) == (
        *("constant-q", 9.0, 1.0, 3.0),
    )
    assert finer_unit(finer) is None


@pytest.mark.parametrize(
    ("bands", "words"),
    [
        (30, r"bands = 30 is not .* Give 31, 15 or 10, or list"),
        ([1000], r"bands: 1 listed\. Give at least 2"),
        ([], r"bands: 0 listed"),
        ([100, 100], r"100 Hz is listed twice"),
        ([400, 200], r"200 Hz comes after 400 Hz\. List the faders from low to high"),
        ([5, 100], r"5 Hz is out of range\. Give 10 Hz to 24 kHz"),
        ([100, 30_000], r"30000 Hz is out of range"),
        ([100, float("nan")], r"nan Hz is out of range"),
        ([995, 1005], r"995 and 1005 Hz are the same third octave"),
    ],
)
def test_bad_list_of_bands_is_named(bands, words):
    with pytest.raises(InputError, match=words):
        graphic_unit(bands)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"model": "graphic"}, r'response = "graphic" is not known\. Give "proportional-q" or'),
        ({"range_db": 0.0}, r"range_db = 0 is out of range"),
        ({"range_db": float("inf")}, r"range_db = inf is out of range"),
        ({"step_db": -0.5}, r"step_db = -0\.5 must lie between 0 and range_db"),
        ({"step_db": 13.0}, r"step_db = 13 must lie"),
        ({"max_boost_db": float("nan")}, r"max_boost_db = nan must be 0 or more"),
        ({"q": 0.0}, r"q = 0 is out of range\. Give 0\.1 to 30"),
    ],
)
def test_bad_limit_is_named(options, words):
    with pytest.raises(InputError, match=words):
        graphic_unit(31, **options)


def test_every_fault_gets_its_line():
    with pytest.raises(InputError) as caught:
        graphic_unit([400, 200, 1], step_db=-1.0, q=99.0)
    assert len(caught.value.faults) == 5


def test_extreme_but_allowed_units_warn_of_nothing():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for model in MODELS:
            unit = graphic_unit([10, 24_000], model=model, range_db=24.0)
            assert np.all(np.isfinite(band_gain_db(unit, [-24.0, 24.0])))
