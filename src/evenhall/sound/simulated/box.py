"""The simulated loudspeaker: a two-way box with faults, and where it stands.

`Box` is what it is: its response on its axis (`on_axis()`, complex) and what is lost off it
(`off_axis_db()`). `Element` is a box that hangs or stands in the hall, with the gain, delay and
polarity of the channel that feeds it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Box", "Element", "Peak"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# A small box keeps its angle from about here up (common practice, no source: the mouth of its
# horn and its woofer are 0.2 to 0.3 m wide) and opens to all sides an octave and a half below.
KEEPS_ANGLE_FROM_HZ = 1000.0
# Edges, stand and room never leave a box silent to one side (common practice, no source).
DEEPEST_OFF_AXIS_DB = -20.0
HALF_ANGLE_DB = -6.0  # what bounds the nominal coverage angle
HARD_SURFACE = 0.95  # pressure that a hard surface sends back, of what it gets
SPEED_M_S = 343.2  # ISO 9613-1 at 20 degrees Celsius


@dataclass(frozen=True)
class Peak:
    """A bump or dip in the box's response, as one peaking section.

    Parameters
    ----------
    freq_hz, gain_db, q : float
        Centre, height (negative = dip), and Q over the width at half the height in dB.
    """

    freq_hz: float
    gain_db: float
    q: float

    def response(self, freq_hz: FloatArray) -> ComplexArray:
        """Give the complex gain at `freq_hz`, from the section's analog form."""
        s = 1j * freq_hz / self.freq_hz
        amplitude = 10.0 ** (self.gain_db / 40.0)
        section = (s**2 + s * amplitude / self.q + 1.0) / (s**2 + s / (amplitude * self.q) + 1.0)
        return np.asarray(section)


@dataclass(frozen=True)
class Box:
    """A powered two-way loudspeaker.

    Parameters
    ----------
    coverage_h_deg, coverage_v_deg : float
        Nominal angles between the -6 dB directions, at high frequencies.
    low_limit_hz : float
        Where its fourth-order Butterworth high-pass is 3 dB down; 0 = none.
    high_limit_hz : float
        The same of its second-order low-pass; infinite = none.
    crossover_hz : float
        Fourth-order Linkwitz-Riley crossover between its drivers; 0 = one driver.
    high_driver_gain : float
        1 as built, 0 a blown driver, -1 one with its leads swapped.
    peaks : tuple of Peak
        What else is wrong.
    sensitivity_db : float
        Level at 1 m on the axis in mid-band, dB re the reference.
    """

    coverage_h_deg: float = 90.0
    coverage_v_deg: float = 60.0
    low_limit_hz: float = 60.0
    high_limit_hz: float = 18_000.0
    crossover_hz: float = 1800.0
    high_driver_gain: float = 1.0
    peaks: tuple[Peak, ...] = ()
    sensitivity_db: float = 0.0

    def on_axis(self, freq_hz: FloatArray) -> ComplexArray:
        """Give the response at 1 m on the axis, re the reference, without the flight.

        Parameters
        ----------
        freq_hz : ndarray, shape (n,)
            From 0 Hz.
        """
        s: ComplexArray = 1j * np.asarray(freq_hz, dtype=np.complex128)
        response = np.full(s.shape, 10.0 ** (self.sensitivity_db / 20.0), dtype=np.complex128)
        if self.low_limit_hz:
            response *= _high_pass(s / self.low_limit_hz, dampings=BUTTERWORTH_4)
        if np.isfinite(self.high_limit_hz):
            response /= (s / self.high_limit_hz) ** 2 + np.sqrt(2.0) * s / self.high_limit_hz + 1.0
        if self.crossover_hz:
            x = s / self.crossover_hz
            denominator = (x**2 + np.sqrt(2.0) * x + 1.0) ** 2
            response *= (1.0 + self.high_driver_gain * x**4) / denominator
        for peak in self.peaks:
            response *= peak.response(freq_hz)
        return response

    def off_axis_db(self, freq_hz: FloatArray, direction: FloatArray) -> FloatArray:
        """Give what is lost off the axis: 0 on it, -6 dB at half the nominal angles up high.

        The loss grows with the square of the angle and levels off at -20 dB, elliptically between
        the planes; the angles widen towards low frequencies until the box plays to all sides.

        Parameters
        ----------
        freq_hz : ndarray, shape (n_freq,)
        direction : ndarray, shape (n, 3)
            Unit vectors from the box, as (ahead, aside, up) in its own frame.

        Returns
        -------
        ndarray, shape (n, n_freq)
            dB, 0 or less.
        """
        ahead, aside, up = direction.T
        angle_deg = np.degrees(np.arccos(np.clip(ahead, -1.0, 1.0)))
        roll = np.arctan2(up, aside)
        halves = np.hypot(
            np.cos(roll) / (self.coverage_h_deg / 2.0), np.sin(roll) / (self.coverage_v_deg / 2.0)
        )
        narrowing = 1.0 / (1.0 + (KEEPS_ANGLE_FROM_HZ / np.maximum(freq_hz, 1.0)) ** 2)
        steepness = -np.log1p(HALF_ANGLE_DB / -DEEPEST_OFF_AXIS_DB)
        shape = 1.0 - np.exp(-steepness * (angle_deg * halves)[:, None] ** 2 * narrowing)
        return np.asarray(DEEPEST_OFF_AXIS_DB * shape)


def with_surface(freq_hz: FloatArray, distance_m: float, strength: FloatArray) -> ComplexArray:
    """Give what a surface that far behind source or microphone does, by its reflection alone."""
    return np.asarray(1.0 + strength * np.exp(-4j * np.pi * freq_hz * distance_m / SPEED_M_S))


# Dampings of the two sections of a fourth-order Butterworth filter: 2 cos(22.5), 2 cos(67.5 deg).
BUTTERWORTH_4 = (2.0 * np.cos(np.pi / 8.0), 2.0 * np.cos(3.0 * np.pi / 8.0))


def _high_pass(x: ComplexArray, *, dampings: tuple[float, ...]) -> ComplexArray:
    """Second-order high-pass sections in series, x = j f / f0."""
    response = np.ones_like(x)
    for damping in dampings:
        response *= x**2 / (x**2 + damping * x + 1.0)
    return response


@dataclass(frozen=True)
class Element:
    """A box in its place.

    Parameters
    ----------
    position_m : tuple of float
        Acoustic centre: down the room from the front wall, across from the left wall, up.
    down_deg : float
        Tilt, positive towards the floor.
    turn_deg : float
        Turn in plan, positive towards the right wall (rising second coordinate).
    gain_db, delay_s, polarity
        Of the channel that feeds it; polarity 1 or -1.
    wall_behind_m : float, optional
        Distance of a hard surface behind it, beside the walls of the room: what the box sends
        backwards returns late, and cancels where the way there and back is half a wave.
    """

    box: Box
    position_m: tuple[float, float, float]
    down_deg: float = 0.0
    turn_deg: float = 0.0
    gain_db: float = 0.0
    delay_s: float = 0.0
    polarity: int = 1
    wall_behind_m: float | None = None

    def response(self, freq_hz: FloatArray) -> ComplexArray:
        """Give the box's response on its axis, with gain, delay and polarity of its channel."""
        gain = self.polarity * 10.0 ** (self.gain_db / 20.0)
        delay = np.exp(-2j * np.pi * freq_hz * self.delay_s)
        response = gain * delay * self.box.on_axis(freq_hz)
        if self.wall_behind_m is not None:
            backwards_db = self.box.off_axis_db(freq_hz, np.array([[-1.0, 0.0, 0.0]]))[0]
            strength = HARD_SURFACE * 10.0 ** (backwards_db / 20.0)
            response = response * with_surface(freq_hz, self.wall_behind_m, strength)
        return np.asarray(response)

    def off_axis_db(self, freq_hz: FloatArray, direction: FloatArray) -> FloatArray:
        """Give what is lost in a `direction` of the hall, see `Box.off_axis_db()`."""
        down, turn = np.radians(self.down_deg), np.radians(self.turn_deg)
        ahead = (np.cos(down) * np.cos(turn), np.cos(down) * np.sin(turn), -np.sin(down))
        aside = (-np.sin(turn), np.cos(turn), 0.0)
        frame = np.column_stack((ahead, aside, np.cross(ahead, aside)))
        return self.box.off_axis_db(freq_hz, direction @ frame)
