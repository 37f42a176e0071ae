"""Air absorption and the speed of sound against the standard's table and a second library."""

from __future__ import annotations

import numpy as np
import pyfar as pf
import pytest

from evenhall.acoustics.air import air_absorption_db_per_m, distance_m, speed_of_sound_m_s
from evenhall.acoustics.bands import EXACT_HZ, exact_from_nominal_hz
from evenhall.errors import InputError


# ISO 9613-1:1993, Table 1, dB/km, three figures, as transcribed in a public test file.
@pytest.mark.parametrize(
    ("temperature_c", "humidity_pct", "nominal_hz", "table_db_per_km"),
    [
        (20, 70, 125, 0.339),
        (20, 70, 160, 0.518),
        (20, 70, 200, 0.776),
        (20, 70, 1000, 4.98),
        (20, 50, 125, 0.445),
        (20, 100, 1000, 5.42),
        (20, 100, 4000, 19.4),
        (20, 10, 4000, 109),
        (10, 70, 1000, 3.66),
        (10, 70, 4000, 32.8),
        (15, 70, 4000, 26.4),
        (30, 70, 1000, 7.41),
        (30, 70, 4000, 23.1),
        (0, 15, 1000, 18.3),
    ],
)
def test_absorption_is_that_of_the_standards_table(
    temperature_c, humidity_pct, nominal_hz, table_db_per_km
):
    absorption = air_absorption_db_per_m(
        exact_from_nominal_hz(nominal_hz), temperature_c=temperature_c, humidity_pct=humidity_pct
    )
    # Three printed figures: half a unit of the last one is at most 0.5 %.
    np.testing.assert_allclose(1000.0 * absorption, table_db_per_km, rtol=5e-3)


def test_absorption_row_from_50_hz_to_10_khz():
    # 25 C, 80 %: `acoustics` 0.2.6, tests/data/absorption_coefficient.csv, dB/km.
    row_db_per_km = [
        *(0.0426, 0.0673, 0.106, 0.167, 0.262, 0.409, 0.631, 0.963, 1.44, 2.10, 2.95, 3.97),
        *(5.12, 6.35, 7.62, 9.01, 10.7, 12.9, 16.2, 21.1, 28.8, 40.8, 59.8, 89.6),
    ]
    absorption = air_absorption_db_per_m(EXACT_HZ[4:28], temperature_c=25.0, humidity_pct=80.0)
    np.testing.assert_allclose(1000.0 * absorption, row_db_per_km, rtol=5e-3)


@pytest.mark.parametrize("temperature_c", [-10.0, 5.0, 20.0, 40.0])
@pytest.mark.parametrize("humidity_pct", [10.0, 50.0, 95.0])
def test_absorption_agrees_with_second_library(temperature_c, humidity_pct):
    absorption = air_absorption_db_per_m(
        EXACT_HZ[4:28], temperature_c=temperature_c, humidity_pct=humidity_pct
    )
    expected, *_ = pf.constants.air_attenuation(temperature_c, EXACT_HZ[4:28], humidity_pct / 100.0)
    np.testing.assert_allclose(absorption, expected, rtol=1e-6)


# 343.2 sqrt(T / 293.15 K): pyfar `speed_of_sound_simple`.
@pytest.mark.parametrize(
    ("temperature_c", "expected_m_s"),
    [(0, 331.286), (5, 334.304), (10, 337.296), (15, 340.261), (20, 343.2), (30, 349.005)],
)
def test_speed_of_sound(temperature_c, expected_m_s):
    assert abs(speed_of_sound_m_s(temperature_c) - expected_m_s) <= 6e-4
    second = float(pf.constants.speed_of_sound_simple(temperature_c))
    assert abs(speed_of_sound_m_s(temperature_c) - second) <= 1e-6


def test_ten_metres_take_29_14_ms_at_20_degrees():
    # Closed form: 10 / 343.2.
    assert abs(distance_m(0.02914, temperature_c=20.0) - 10.0) <= 2e-3
    np.testing.assert_allclose(
        distance_m([0.0, 0.01], temperature_c=30.0), [0.0, 3.49005], rtol=1e-5
    )


@pytest.mark.parametrize("temperature_c", [-20.1, 60.0, float("nan")])
def test_temperature_the_formulas_do_not_hold_for_is_refused(temperature_c):
    with pytest.raises(InputError, match=r"temperature_c = .* Give -20 to 50 degrees"):
        speed_of_sound_m_s(temperature_c)
    with pytest.raises(InputError, match=r"temperature_c"):
        air_absorption_db_per_m(1000.0, temperature_c=temperature_c, humidity_pct=50.0)


@pytest.mark.parametrize("humidity_pct", [0.0, 101.0, float("nan")])
def test_impossible_humidity_is_refused(humidity_pct):
    with pytest.raises(InputError, match=r"humidity_pct = .* Give above 0 to 100 percent"):
        air_absorption_db_per_m(1000.0, temperature_c=20.0, humidity_pct=humidity_pct)
