"""The interaction problem held against published designs: octave and third-octave cascades.

Välimäki and Liski, "Accurate cascade graphic equalizer", IEEE Signal Processing Letters 24 (2017)
176, and Liski and Välimäki, "The quest for the best graphic equalizer", DAFx-17: peaking filters
whose gain at the next band is a fixed share of their own (in dB; 0.3 an octave off, 0.4 a third),
least squares at the centres and half-way between (weights 1 and 0.5), prototype gain 17 dB, one
iteration. Published for commands within 12 dB, at the centres: under 1 dB for octaves, 0.81 dB at
worst for thirds. Filters, shares, weights and figures are from memory, and so are the bandwidths of
the octaves; those of the thirds follow from the share at the lower neighbour.

That design is free to choose its filters. Ours is given a unit, so the same commands are put to a
unit of analog sections with the same share.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.equalizer.graphic import band_gain_db, graphic_unit, unit_gain_db
from evenhall.equalizer.solver import Wanted, all_faders

RATE_HZ = 44_100.0
PROTOTYPE_DB = 17.0


@dataclass(frozen=True)
class Cascade:
    """The published design: one digital peaking filter a band."""

    centre: NDArray[np.float64]
    bandwidth: NDArray[np.float64]
    share: float

    def section_db(self, gain_db, band, at):
        """One filter at some angular frequencies."""
        gain, at_edge = 10 ** (gain_db / 20), 10 ** (self.share * gain_db / 20)
        steep = np.sqrt(abs(at_edge**2 - 1) / abs(gain**2 - at_edge**2))
        width = steep * np.tan(self.bandwidth[band] / 2)
        middle = -2 * np.cos(self.centre[band])
        z = np.exp(-1j * at)
        above = (1 + gain * width) + middle * z + (1 - gain * width) * z**2
        below = (1 + width) + middle * z + (1 - width) * z**2
        return 20 * np.log10(np.abs(above / below))

    def response_db(self, gains, at):
        return sum(self.section_db(gain, band, at) for band, gain in enumerate(gains))

    def designed(self, command_db):
        """Gains by the published rule: least squares with the prototype, then once more."""
        points = np.sort(np.concatenate([self.centre, np.sqrt(self.centre[1:] * self.centre[:-1])]))
        root_weight = np.sqrt(np.where(np.arange(points.size) % 2 == 0, 1.0, 0.5))
        wanted = np.interp(np.log(points), np.log(self.centre), command_db)
        gains = np.full(self.centre.size, PROTOTYPE_DB)
        for _ in range(2):
            each = [self.section_db(gain, band, points) / gain for band, gain in enumerate(gains)]
            matrix = np.stack(each, axis=1) * root_weight[:, None]
            gains = np.linalg.lstsq(matrix, wanted * root_weight, rcond=None)[0]
        return gains

    def error_db(self, gains, command_db):
        return float(np.max(np.abs(self.response_db(gains, self.centre) - command_db)))

    def band_mean_db(self, gains, width):
        """Mean power over each band, as our solver judges a unit."""
        across = np.exp(np.linspace(-0.5, 0.5, 33) * width)
        at = self.centre[:, None] * across
        power = 10 ** (self.response_db(gains, at.ravel()).reshape(at.shape) / 10)
        return 10 * np.log10(power.mean(axis=1))


def octaves():
    centre = 2.0 * np.pi * 31.25 * 2.0 ** np.arange(10) / RATE_HZ
    return Cascade(centre, centre * np.array([1.5] * 7 + [0.93, 0.78, 0.76]), 0.3)


def thirds():
    centre = 2.0 * np.pi * 1000.0 * 2.0 ** (np.arange(-17, 14) / 3.0) / RATE_HZ
    share = 0.4

    def bandwidth(band):
        below = np.array([centre[band] * 2.0 ** (-1.0 / 3.0)])

        def off(width):
            one = Cascade(centre, np.full(31, width), share)
            return one.section_db(PROTOTYPE_DB, band, below)[0] / PROTOTYPE_DB - share

        return brentq(off, 1e-4, 3.1)

    return Cascade(centre, np.array([bandwidth(band) for band in range(31)]), share)


OCTAVES, THIRDS = octaves(), thirds()
PUBLISHED_DB, PUBLISHED_THIRDS_DB = 1.0, 0.81
COMMANDS = {
    "alternating": np.array([12.0, -12.0] * 5),
    "all up": np.full(10, 12.0),
    "one up, two down": np.array([12.0, -12, -12, 12, -12, -12, 12, -12, -12, 12]),
}


def unit_like(cascade, faders, next_hz):
    """Analog sections that have the share of a cascade's prototype at the next band."""

    def off(q):
        two = graphic_unit([1000.0, 2000.0], q=q, range_db=24.0)
        gain_db = unit_gain_db(two, np.array([PROTOTYPE_DB, 0.0]), np.array([next_hz]))[0]
        return float(gain_db) / PROTOTYPE_DB - cascade.share

    q = brentq(off, 0.5, 8.0)
    return graphic_unit(faders, q=q, range_db=24.0, max_boost_db=24.0, step_db=0.0)


@pytest.fixture(scope="module")
def unit():
    return unit_like(OCTAVES, 10, 2000.0)


@pytest.fixture(scope="module")
def unit_of_thirds():
    return unit_like(THIRDS, 31, 1000.0 * 2.0 ** (1.0 / 3.0))


def ours_db(unit, command_db):
    """Worst error in the ten bands, the level free as it always is."""
    bands = [int(np.abs(np.log(EXACT_HZ / hz)).argmin()) for hz in unit.centre_hz]
    weight = np.zeros(31)
    weight[bands] = 1.0
    wanted = -np.interp(np.log(EXACT_HZ), np.log(unit.centre_hz), command_db)
    found = all_faders(unit, Wanted(wanted, weight, np.ones(10, dtype=bool)))
    off = band_gain_db(unit, found)[bands] - command_db
    return float(np.max(np.abs(off - off.mean())))


@pytest.mark.parametrize("name", COMMANDS)
def test_published_design_comes_out_under_its_one_decibel(name):
    command = COMMANDS[name]
    assert OCTAVES.error_db(OCTAVES.designed(command), command) < PUBLISHED_DB
    # Taking each band's gain for the command is what the design mends.
    assert OCTAVES.error_db(command, command) > 3.0


@pytest.mark.parametrize("name", ["all up", "one up, two down"])
def test_all_our_faders_do_as_well_with_a_unit_of_such_sections(unit, name):
    assert ours_db(unit, COMMANDS[name]) < PUBLISHED_DB


def test_alternating_command_is_met_as_far_as_the_faders_reach(unit):
    """It wants 22 dB of the published sections, and more than the 24 dB that these faders have."""
    assert np.abs(OCTAVES.designed(COMMANDS["alternating"])).max() > 22.0
    assert ours_db(unit, COMMANDS["alternating"]) < 2.0
    assert ours_db(unit, COMMANDS["alternating"] * 10.0 / 12.0) < 0.1


def test_any_command_within_12_db_keeps_the_published_limit(unit):
    rng = np.random.default_rng(1)
    commands = rng.uniform(-12.0, 12.0, (60, 10))
    assert max(OCTAVES.error_db(OCTAVES.designed(one), one) for one in commands) < PUBLISHED_DB
    assert max(ours_db(unit, one) for one in commands) < PUBLISHED_DB


def test_third_octave_design_comes_out_within_its_published_worst():
    rng = np.random.default_rng(0)
    commands = rng.choice([-12.0, 12.0], (100, 31))
    errors = [THIRDS.error_db(THIRDS.designed(one), one) for one in commands]
    assert 0.5 < max(errors) < PUBLISHED_THIRDS_DB


def test_over_whole_bands_our_faders_come_closer_than_the_third_octave_design(unit_of_thirds):
    """The design meets the centres; ours is judged, as ears judge, over the width of each band.

    Half the commands: the design's gains go beyond 24 dB for all of them, no unit's faders do.
    """
    rng = np.random.default_rng(2)
    for command in rng.uniform(-6.0, 6.0, (30, 31)):
        gains = THIRDS.designed(command)
        theirs = THIRDS.band_mean_db(gains, np.log(2.0) / 3.0) - command
        found = all_faders(unit_of_thirds, Wanted(-command, np.ones(31), np.ones(31, dtype=bool)))
        ours = band_gain_db(unit_of_thirds, found) - command
        # The last band of the design ends at half the rate and is bent by it: both do without.
        assert np.std(ours[:-1]) < np.std(theirs[:-1])
