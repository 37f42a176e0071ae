"""What the air does on the way: it absorbs the treble, and takes its time.

air_absorption_db_per_m()   ISO 9613-1
speed_of_sound_m_s()        the form ISO 9613-1 uses
distance_m()                from a delay
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.errors import InputError

__all__ = ["air_absorption_db_per_m", "distance_m", "speed_of_sound_m_s"]

FloatArray = NDArray[np.float64]

# ISO 9613-1:1993: reference air temperature, triple point of water.
_REFERENCE_K = 293.15
_TRIPLE_POINT_K = 273.16
_REFERENCE_SPEED_M_S = 343.2

TEMPERATURE_RANGE_C = (-20.0, 50.0)  # where the standard's formulas hold


def _kelvin(temperature_c: float) -> float:
    lowest, highest = TEMPERATURE_RANGE_C
    if not lowest <= temperature_c <= highest:
        raise InputError(
            f"temperature_c = {temperature_c:g} is outside what the formulas for air hold for. "
            f"Give {lowest:g} to {highest:g} degrees Celsius."
        )
    return temperature_c + 273.15


def air_absorption_db_per_m(
    freq_hz: ArrayLike,
    *,
    temperature_c: float,
    humidity_pct: float,
) -> FloatArray:
    """Pure-tone attenuation of sound by the air at sea level (101.325 kPa), in dB a metre.

    Parameters
    ----------
    freq_hz : array_like
        Frequencies; the standard states +-10 % accuracy from 50 Hz to 10 kHz, and the
        formula is used as it stands beyond.
    temperature_c : float
        -20 to 50 degrees Celsius.
    humidity_pct : float
        Relative humidity, above 0 to 100 %.

    Raises
    ------
    InputError
        Temperature or humidity out of range.

    References
    ----------
    ISO 9613-1:1993, equations (3) to (5) and annex B.

    Examples
    --------
    Fourteen metres at 8 kHz, 20 degrees, 50 %:

    >>> float((14 * air_absorption_db_per_m(7943.3, temperature_c=20, humidity_pct=50)).round(2))
    1.45
    """
    kelvin = _kelvin(temperature_c)
    if not 0.0 < humidity_pct <= 100.0:
        raise InputError(
            f"humidity_pct = {humidity_pct:g} is not a relative humidity. Give above 0 to 100 "
            "percent."
        )
    f2 = np.asarray(freq_hz, dtype=np.float64) ** 2
    t = kelvin / _REFERENCE_K
    saturation = 10.0 ** (-6.8346 * (_TRIPLE_POINT_K / kelvin) ** 1.261 + 4.6151)
    h = humidity_pct * saturation  # molar concentration of water vapour, percent
    relax_oxygen_hz = 24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h)
    relax_nitrogen_hz = t**-0.5 * (9.0 + 280.0 * h * np.exp(-4.170 * (t ** (-1.0 / 3.0) - 1.0)))
    classical = 1.84e-11 * t**0.5
    oxygen = 0.01275 * np.exp(-2239.1 / kelvin) / (relax_oxygen_hz + f2 / relax_oxygen_hz)
    nitrogen = 0.1068 * np.exp(-3352.0 / kelvin) / (relax_nitrogen_hz + f2 / relax_nitrogen_hz)
    return np.asarray(8.686 * f2 * (classical + t**-2.5 * (oxygen + nitrogen)))


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in air; humidity adds up to 0.3 % more, which is left out.

    Raises
    ------
    InputError
        Outside -20 to 50 degrees Celsius.

    References
    ----------
    ISO 9613-1:1993, annex A: 343.2 m/s at 20 degrees, as the root of the absolute temperature.

    Examples
    --------
    >>> round(speed_of_sound_m_s(20.0), 1), round(speed_of_sound_m_s(0.0), 1)
    (343.2, 331.3)
    """
    return float(_REFERENCE_SPEED_M_S * (_kelvin(temperature_c) / _REFERENCE_K) ** 0.5)


def distance_m(delay_s: ArrayLike, *, temperature_c: float) -> FloatArray:
    """How far sound travels in `delay_s`.

    Examples
    --------
    >>> float(distance_m(0.01, temperature_c=20.0).round(2))
    3.43
    """
    return np.asarray(np.asarray(delay_s, dtype=np.float64) * speed_of_sound_m_s(temperature_c))
