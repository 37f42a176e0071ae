"""Graphic equalizers: what a set of faders does to the sound, neighbours' interaction included.

A unit is a cascade of peaking sections, one a fader, in the analog domain. With
x = f / f0 - f0 / f every section is H = (n + j x) / (d + j x), so that |H|^2 is
(x^2 + n^2) / (x^2 + d^2): the model only says how the dampings n and d follow the fader.

Make a unit with `graphic_unit()`; ask it with `unit_response()`, `unit_gain_db()`,
`band_gain_db()`. What serves the solver (x^2 on a fixed grid, slopes) stands at the end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenhall.acoustics.bands import (
    BAND_COUNT,
    NOMINAL_HZ,
    band_nodes_hz,
    exact_from_nominal_hz,
)
from evenhall.errors import InputError

__all__ = [
    "MODELS",
    "GraphicUnit",
    "Law",
    "Model",
    "band_gain_db",
    "finer_unit",
    "graphic_unit",
    "positions_of",
    "section_gains_db",
    "unit_gain_db",
    "unit_response",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Model = Literal["proportional-q", "constant-q"]
MODELS: tuple[Model, ...] = ("proportional-q", "constant-q")

# Of a band N octaves wide, sqrt(2^N) / (2^N - 1), as the job folder contract rounds it.
STANDARD_Q = {31: 4.318, 15: 2.145, 10: 1.414}
STANDARD_HZ = {31: NOMINAL_HZ, 15: NOMINAL_HZ[1::2], 10: NOMINAL_HZ[2::3]}
LOWEST_HZ, HIGHEST_HZ = 10.0, 24_000.0


@dataclass(frozen=True, eq=False)
class Law:
    """How the faders of a unit that was learned stray from their scale.

    Attributes
    ----------
    share : ndarray, shape (n_faders,)
        Gain per dB of the scale, near 0; 1 where the scale is true.
    sag : ndarray, shape (n_faders,)
        Share of the gain that is missing at the end of the way.
    q_bend : ndarray, shape (n_faders,)
        Octaves by which Q is higher at 12 dB of gain than the model says.
    """

    share: FloatArray
    sag: FloatArray
    q_bend: FloatArray


@dataclass(frozen=True, eq=False)
class GraphicUnit:
    """A graphic equalizer: where its faders lie, how they shape, how far they go.

    Attributes
    ----------
    nominal_hz, centre_hz : ndarray, shape (n_faders,)
        What the faceplate says, and where the section really lies.
    q : ndarray, shape (n_faders,)
        Q of each section in the formulas of its model.
    model : "proportional-q" or "constant-q"
    range_db, max_boost_db : float
        A fader reaches -`range_db` to `range_db`; it is raised no further than `max_boost_db`.
    step_db : float
        The finest setting the hand can make; 0 for continuous faders.
    law : Law or None
        Of a unit that was learned; the scale is true without.
    most_moved : int or None
        How many faders the user is willing to set.
    """

    nominal_hz: FloatArray
    centre_hz: FloatArray
    q: FloatArray
    model: Model
    range_db: float
    step_db: float
    max_boost_db: float
    law: Law | None = None
    most_moved: int | None = None

    def settings(self, fader_db: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Gain, Q, and gain moved with each dB, of the faders where they stand on the scale.

        All of the shape of `fader_db`, (..., n_faders).
        """
        if self.law is None:
            one = np.ones_like(fader_db)
            return fader_db, self.q * one, one
        share, sag = self.law.share, self.law.sag
        out = np.abs(fader_db) / self.range_db
        gain_db = share * fader_db * (1.0 - sag * out)
        bend = 2.0 ** (self.law.q_bend * np.abs(gain_db) / 12.0)
        return gain_db, self.q * bend, share * (1.0 - 2.0 * sag * out)

    @property
    def fader_count(self) -> int:
        """Number of faders."""
        return self.nominal_hz.size

    @cached_property
    def band_nodes(self) -> tuple[FloatArray, FloatArray]:
        """Frequencies within each band and their weights, see `band_nodes_hz()`.

        As many as the narrowest peak of the unit needs for 0.01 dB (tested to Q = 20).
        """
        ends = self.settings(np.full(self.q.size, self.range_db))
        narrowest_q = float((ends[1] * 10.0 ** (ends[0] / 40.0)).max())
        return band_nodes_hz(max(5, math.ceil(0.8 * narrowest_q)))

    @cached_property
    def band_detune_sq(self) -> FloatArray:
        """x^2 of every section at every node, shape (n_faders, 31, n_nodes)."""
        ratio = self.band_nodes[0] / self.centre_hz[:, None, None]
        return np.square(ratio - 1.0 / ratio)


def graphic_unit(
    bands: int | Sequence[float],
    *,
    model: Model = "proportional-q",
    range_db: float = 12.0,
    step_db: float = 0.5,
    max_boost_db: float = 6.0,
    q: float | None = None,
) -> GraphicUnit:
    """Graphic unit of 31, 15 or 10 faders, or with a fader at each frequency listed.

    Parameters
    ----------
    bands : int or sequence of float
        31 (third octaves, 20 Hz to 20 kHz), 15 (two thirds, 25 Hz to 16 kHz), 10 (octaves,
        31.5 Hz to 16 kHz), or the frequencies in Hz, rising, within 10 Hz to 24 kHz. One
        within 3 % of a nominal third octave is taken at its exact mid-band.
    model : "proportional-q" or "constant-q"
    range_db, step_db : float
        Reach to both sides, and the finest setting (0 = continuous).
    max_boost_db : float
        No fader is raised further; never above `range_db`.
    q : float, optional
        Q of every section; else the standard one, or of a list from its spacing.

    Raises
    ------
    InputError
        One line for each fault in the list or the limits.

    References
    ----------
    Q from the spacing r of centres is sqrt(r) / (r - 1): a section as wide as its band.
    An inner fader's r is the geometric mean of the ratios to its two neighbours.

    Examples
    --------
    >>> graphic_unit(10).nominal_hz.tolist()
    [31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0]
    >>> graphic_unit([100, 1000, 10000]).q.round(3).tolist()
    [0.351, 0.351, 0.351]
    """
    faults = _limit_faults(model, range_db=range_db, step_db=step_db, max_boost_db=max_boost_db)
    if q is not None and not 0.1 <= q <= 30.0:
        faults.append(f"[equalizer] q = {q:g} is out of range. Give 0.1 to 30, or leave it out.")
    nominal_hz = _fader_hz(bands, faults)
    centre_hz = exact_from_nominal_hz(nominal_hz) if nominal_hz.size else nominal_hz
    if not faults and np.any(np.diff(centre_hz) <= 0):
        twin = int(np.argmax(np.diff(centre_hz) <= 0))
        faults.append(
            f"[equalizer] bands: {nominal_hz[twin]:g} and {nominal_hz[twin + 1]:g} Hz are the "
            "same third octave. List each fader once."
        )
    if faults:
        raise InputError(*faults)
    if q is not None:
        section_q = np.full(centre_hz.size, float(q))
    elif isinstance(bands, int):
        section_q = np.full(centre_hz.size, STANDARD_Q[bands])
    else:
        section_q = _spacing_q(centre_hz)
    for array in (nominal_hz, centre_hz, section_q):
        array.setflags(write=False)
    return GraphicUnit(
        nominal_hz=nominal_hz,
        centre_hz=centre_hz,
        q=section_q,
        model=model,
        range_db=float(range_db),
        step_db=float(step_db),
        max_boost_db=min(float(max_boost_db), float(range_db)),
    )


def finer_unit(unit: GraphicUnit) -> GraphicUnit | None:
    """31-band unit of the same model, range, limits and step; None if it has 31 faders already."""
    if unit.fader_count >= BAND_COUNT:
        return None
    return graphic_unit(
        BAND_COUNT,
        model=unit.model,
        range_db=unit.range_db,
        step_db=unit.step_db,
        max_boost_db=unit.max_boost_db,
    )


def positions_of(unit: GraphicUnit, card: Mapping[float, float]) -> FloatArray:
    """Give the positions of all faders of the unit by a card; those that it leaves out are at 0.

    Parameters
    ----------
    card : mapping of float to float
        Positions in dB by frequency in Hz.

    Raises
    ------
    InputError
        The card names a fader that the unit has not.
    """
    positions = np.zeros(unit.fader_count)
    for hz, fader_db in card.items():
        at = np.flatnonzero(np.isclose(unit.nominal_hz, hz, rtol=1e-3))
        if not at.size:
            raise InputError(
                f"The card moves a fader at {hz:g} Hz, which this unit has not. Tune again."
            )
        positions[at[0]] = fader_db
    return positions


def unit_response(unit: GraphicUnit, fader_db: ArrayLike, freq_hz: ArrayLike) -> ComplexArray:
    """Complex response of the whole unit, re its input.

    Parameters
    ----------
    fader_db : array_like, shape (n_faders,)
        Where each fader stands.

    Returns
    -------
    ndarray, complex, of the shape of `freq_hz`

    Examples
    --------
    >>> unit = graphic_unit(10)
    >>> abs(unit_response(unit, [0, 0, 0, 0, 0, 20, 0, 0, 0, 0], 1000.0)).round(6)
    np.float64(10.0)
    """
    faders = _fader_column(unit, fader_db)
    freq = np.asarray(freq_hz, dtype=np.float64)
    ratio = freq.ravel() / unit.centre_hz[:, None]
    gain, q, _ = unit.settings(faders)
    numerator, denominator = _damping(unit.model, q[:, None], gain[:, None])
    # Not divided by j f / f0, so that 0 Hz needs no exception.
    rest = 1.0 - np.square(ratio)
    response = (rest + 1j * ratio * numerator) / (rest + 1j * ratio * denominator)
    return np.asarray(response.prod(axis=0).reshape(freq.shape))


def unit_gain_db(unit: GraphicUnit, fader_db: ArrayLike, freq_hz: ArrayLike) -> FloatArray:
    """Gain of the whole unit in dB, re its input; of the shape of `freq_hz`."""
    return np.asarray(20.0 * np.log10(np.abs(unit_response(unit, fader_db, freq_hz))))


def band_gain_db(unit: GraphicUnit, fader_db: ArrayLike) -> FloatArray:
    """Gain of the whole unit in each third-octave band, in dB, the band's spectrum being flat.

    The power mean of the gain over log frequency between the band's edges, by Gauss-Legendre
    quadrature, within 0.01 dB for any faders.

    Parameters
    ----------
    fader_db : array_like, shape (n_faders,)

    Returns
    -------
    ndarray, shape (31,)
        For the bands 20 Hz to 20 kHz.

    Examples
    --------
    >>> faders_db = [0, 0, 0, 0, 0, 6, 0, 0, 0, 0]
    >>> band_gain_db(graphic_unit(10), faders_db)[14:21].round(1).tolist()
    [1.2, 2.2, 4.2, 5.8, 4.2, 2.2, 1.2]
    """
    power = unit_power(unit, _fader_column(unit, fader_db), unit.band_detune_sq)
    return np.asarray(10.0 * np.log10(power.prod(axis=0) @ unit.band_nodes[1]))


def unit_power(
    unit: GraphicUnit,
    fader_db: FloatArray,
    detune_sq: FloatArray,
) -> FloatArray:
    """|H|^2 of the sections where x^2 is `detune_sq`, shape (..., n_faders, n_bands, n_nodes)."""
    gain_db, q, _ = unit.settings(fader_db)
    numerator, denominator = _damping(unit.model, q[..., None, None], gain_db[..., None, None])
    return np.asarray((detune_sq + numerator**2) / (detune_sq + denominator**2))


def section_gains_db(unit: GraphicUnit, fader_db: FloatArray, freq_hz: FloatArray) -> FloatArray:
    """Gain of each section at each frequency, shape (..., n_faders, n_freq)."""
    ratio = freq_hz / unit.centre_hz[:, None]
    power = unit_power(unit, fader_db, np.square(ratio - 1.0 / ratio)[:, None, :])
    return np.asarray(10.0 * np.log10(power[..., 0, :]))


def unit_slope(unit: GraphicUnit, fader_db: FloatArray, detune_sq: FloatArray) -> FloatArray:
    """How many dB each section's gain moves with each dB on the scale; as `unit_power()`."""
    gain_db, q, slope = (part[..., None, None] for part in unit.settings(fader_db))
    numerator_sq, denominator_sq = (damping**2 for damping in _damping(unit.model, q, gain_db))
    if unit.model == "constant-q":
        moving_sq = np.where(gain_db >= 0, numerator_sq, denominator_sq)
        return np.asarray(slope * (moving_sq / (detune_sq + moving_sq)))
    return np.asarray(
        slope
        * (
            0.5 * numerator_sq / (detune_sq + numerator_sq)
            + 0.5 * denominator_sq / (detune_sq + denominator_sq)
        )
    )


def _damping(model: Model, q: FloatArray, fader_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Dampings of numerator and denominator; a cut swaps those of a boost."""
    g = 10.0 ** (fader_db / 20.0)
    if model == "constant-q":
        return np.maximum(g, 1.0) / q, np.maximum(1.0 / g, 1.0) / q
    return np.sqrt(g) / q, 1.0 / (np.sqrt(g) * q)


def _fader_column(unit: GraphicUnit, fader_db: ArrayLike) -> FloatArray:
    faders = np.asarray(fader_db, dtype=np.float64)
    assert faders.shape == unit.nominal_hz.shape, "one setting a fader"
    return faders


def _spacing_q(centre_hz: FloatArray) -> FloatArray:
    step = np.log(centre_hz[1:] / centre_hz[:-1])
    # Ends have one neighbour; in between, the mean of logarithms is the geometric mean of ratios.
    ratio = np.exp(0.5 * (np.append(step[0], step) + np.append(step, step[-1])))
    return np.asarray(np.sqrt(ratio) / (ratio - 1.0))


def _limit_faults(
    model: Model, *, range_db: float, step_db: float, max_boost_db: float
) -> list[str]:
    faults = []
    if model not in MODELS:
        allowed = " or ".join(f'"{name}"' for name in MODELS)
        faults.append(f'[equalizer] response = "{model}" is not known. Give {allowed}.')
    if not 0.0 < range_db <= 24.0:
        faults.append(
            f"[equalizer] range_db = {range_db:g} is out of range. Give more than 0, at most 24."
        )
    if not 0.0 <= step_db <= max(range_db, 0.0):
        faults.append(
            f"[equalizer] step_db = {step_db:g} must lie between 0 and range_db. "
            "Give 0 for continuous faders, or a step such as 0.5."
        )
    if not 0.0 <= max_boost_db < math.inf:
        faults.append(
            f"[equalizer] max_boost_db = {max_boost_db:g} must be 0 or more. "
            "Give 0 to cut only, or a limit such as 6."
        )
    return faults


def _fader_hz(bands: int | Sequence[float], faults: list[str]) -> FloatArray:
    """Nominal frequencies; what is wrong with them is added to `faults`."""
    if isinstance(bands, int):
        if bands not in STANDARD_HZ:
            faults.append(
                f"[equalizer] bands = {bands} is not a number of faders known here. "
                "Give 31, 15 or 10, or list the frequencies in Hz."
            )
            return np.empty(0)
        return STANDARD_HZ[bands].copy()
    listed = np.array([float(hz) for hz in bands])
    faults += [
        f"[equalizer] bands: {hz:g} Hz is out of range. Give 10 Hz to 24 kHz."
        for hz in listed
        if not LOWEST_HZ <= hz <= HIGHEST_HZ
    ]
    if listed.size < 2:
        faults.append(f"[equalizer] bands: {listed.size} listed. Give at least 2 frequencies.")
    for below, above in pairwise(listed):
        if above == below:
            faults.append(f"[equalizer] bands: {above:g} Hz is listed twice. List each once.")
        elif above < below:
            faults.append(
                f"[equalizer] bands: {above:g} Hz comes after {below:g} Hz. "
                "List the faders from low to high."
            )
    return listed
