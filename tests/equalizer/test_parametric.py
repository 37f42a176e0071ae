"""Parametric sections: what they find, what they may, and how near the best they are."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import differential_evolution

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.equalizer.graphic import graphic_unit
from evenhall.equalizer.joint import Together, solve_jointly
from evenhall.equalizer.parametric import (
    EARNS_DB,
    SectionsWanted,
    channel_strip,
    console,
    solve_sections,
)
from evenhall.equalizer.sections import Section, sections_band_gain_db
from evenhall.equalizer.solver import Wanted, solve

NOWHERE = np.zeros(31, dtype=bool)
EVERYWHERE = np.ones(31, dtype=bool)


def hall(seed):
    """Broad faults with finer ones on top; the ends unanswered."""
    rng = np.random.default_rng(seed)
    broad = np.convolve(rng.normal(0, 4, 34), [0.25, 0.5, 0.5, 0.25], "valid")
    weight = rng.uniform(0.1, 1.0, 31)
    weight[: rng.integers(0, 6)] = 0
    weight[rng.integers(28, 32) :] = 0
    return broad + rng.normal(0, 1, 31), weight


def rms_db(sections, deviation_db, weight):
    """Weighted rms of what is left, by numpy's own weighted average."""
    left = deviation_db + sections_band_gain_db(sections)
    mean = np.average(left, weights=weight)
    return float(np.sqrt(np.average((left - mean) ** 2, weights=weight)))


@pytest.mark.parametrize(
    "made",
    [
        Section("peaking", 250.0, 6.0, 1.4),
        Section("peaking", 2500.0, 4.5, 4.0),
        Section("low-shelf", 150.0, 5.0, 0.71),
        Section("high-shelf", 3150.0, 4.0, 0.71),
    ],
)
def test_what_one_section_makes_one_section_takes_away(made):
    wanted = SectionsWanted(sections_band_gain_db([made]), np.ones(31), NOWHERE)
    (best, *_) = solve_sections(console(4), wanted)
    (found,) = best.sections
    assert found == Section(made.kind, made.centre_hz, -made.gain_db, made.q)
    # Power means over a band: a peak and its mirror come to a little more than nothing.
    assert best.rms_after_db < 0.05


@settings(deadline=None, max_examples=25)
@given(
    st.integers(0, 10_000),
    st.integers(1, 8),
    st.booleans(),
    st.sampled_from([0.0, 0.5, 1.0]),
    st.sampled_from([3.0, 6.0]),
)
def test_sections_keep_to_what_the_console_has(seed, count, shelves, step_db, most_db):
    deviation_db, weight = hall(seed)
    may_fill = np.random.default_rng(seed).random(31) < 0.5
    supply = console(
        count, shelves=shelves, step_db=step_db, max_boost_db=most_db, reach_hz=(60.0, 20_000.0)
    )
    found = solve_sections(supply, SectionsWanted(deviation_db, weight, may_fill))
    assert 1 <= len(found) <= count
    left_db = [one.rms_after_db for one in found]
    assert left_db == sorted(left_db, reverse=True)
    for many, one in enumerate(found, 1):
        assert len(one.sections) <= many
        assert one.rms_after_db == pytest.approx(rms_db(one.sections, deviation_db, weight))
        kinds = [section.kind for section in one.sections]
        assert kinds.count("low-shelf") <= shelves >= kinds.count("high-shelf")
        for section in one.sections:
            assert 60.0 <= section.centre_hz <= 20_000.0
            assert 0.4 <= section.q <= 6.0
            assert -15.0 <= section.gain_db <= most_db
            assert section.gain_db / (step_db or 0.1) == pytest.approx(
                round(section.gain_db / (step_db or 0.1))
            )
            if section.gain_db > 0:
                assert may_fill[np.abs(np.log(EXACT_HZ / section.centre_hz)).argmin()]


def test_centres_and_q_are_preferred_numbers():
    """ISO 3, series R40 and R20, rounded; from memory."""
    deviation_db, weight = hall(3)
    wanted = SectionsWanted(deviation_db, weight, EVERYWHERE)
    r40 = {100, 106, 112, 118, 125, 132, 140, 150, 160, 170, 180, 190, 200, 212, 224, 236, 250, 265}
    r40 |= {280, 300, 315, 335, 355, 375, 400, 425, 450, 475, 500, 530, 560, 600, 630, 670, 710}
    r40 |= {750, 800, 850, 900, 950}
    for section in solve_sections(console(8), wanted)[-1].sections:
        digits = section.centre_hz / 10.0 ** np.floor(np.log10(section.centre_hz)) * 100.0
        assert round(digits, 6) in r40
        assert round(section.q * 100, 6) in {q for q in r40 if q < 100} | {
            *(value / 10 for value in r40),
            *(float(value) for value in r40),
        }


def test_a_channel_strip_keeps_what_is_fixed():
    """Two fixed shelves and one middle that only sweeps."""
    strip = channel_strip(mid_q=0.8)
    deviation_db = sections_band_gain_db(
        [Section("low-shelf", 80.0, 5.0, 0.71), Section("peaking", 400.0, 6.0, 0.8)]
    )
    best = solve_sections(strip, SectionsWanted(deviation_db, np.ones(31), NOWHERE))[-1]
    assert best.sections == (
        Section("low-shelf", 80.0, -5.0, 0.71),
        Section("peaking", 400.0, -6.0, 0.8),
    )


def test_a_section_that_earns_next_to_nothing_is_left_out():
    made = Section("peaking", 500.0, 6.0, 1.4)
    wanted = SectionsWanted(sections_band_gain_db([made]), np.ones(31), NOWHERE)
    found = solve_sections(console(8), wanted)
    assert {len(one.sections) for one in found} == {1}
    assert found[0].rms_after_db - found[-1].rms_after_db <= EARNS_DB


def test_an_even_response_needs_no_section():
    (only, *_) = solve_sections(
        console(4), SectionsWanted(np.full(31, 3.0), np.ones(31), EVERYWHERE)
    )
    assert only.sections == ()
    assert only.rms_after_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("low_hz", [50.0, 80.0])
def test_nothing_is_raised_below_where_the_loudspeakers_end(low_hz):
    """A dip at the limit and at the band above: peaks stand at or above it, no low shelf rises."""
    may_fill = low_hz <= NOMINAL_HZ
    deviation_db = np.where((low_hz <= NOMINAL_HZ) & (low_hz * 1.4 >= NOMINAL_HZ), -8.0, 0.0)
    weight = np.where(may_fill, 1.0, 0.02)
    found = solve_sections(console(4), SectionsWanted(deviation_db, weight, may_fill))[-1]
    raised = [one for one in found.sections if one.gain_db > 0]
    assert raised
    assert all(one.kind == "peaking" and one.centre_hz >= 0.97 * low_hz for one in raised)


@pytest.mark.parametrize("seed", range(4))
def test_two_sections_are_as_good_as_a_global_search_finds(seed):
    """Against differential evolution over both centres, gains and Q, without steps."""
    deviation_db, weight = hall(seed)

    def left_db(figures):
        log_hz, gain_db, log_q = figures.reshape(3, 2)
        return rms_db(
            [
                Section("peaking", float(np.exp(u)), float(g), float(np.exp(v)))
                for u, g, v in zip(log_hz, gain_db, log_q, strict=True)
            ],
            deviation_db,
            weight,
        )

    bounds = [np.log([20.0, 20e3])] * 2 + [(-15.0, 6.0)] * 2 + [np.log([0.4, 6.0])] * 2
    best = differential_evolution(left_db, bounds, rng=np.random.default_rng(seed), maxiter=80)
    wanted = SectionsWanted(deviation_db, weight, EVERYWHERE)
    found = solve_sections(console(2, shelves=False), wanted)[-1]
    # Steps of half a dB and preferred numbers cost a little.
    assert found.rms_after_db <= 1.01 * best.fun + 0.02


@pytest.mark.parametrize("bands", [31, 15, 10])
@pytest.mark.parametrize("seed", range(4))
def test_strip_and_faders_together_are_no_worse_than_faders_alone(bands, seed):
    deviation_db, weight = hall(seed)
    unit = graphic_unit(bands)
    wanted = Wanted(deviation_db, weight, np.zeros(bands, dtype=bool))
    alone = solve(unit, wanted)
    both = solve_jointly(channel_strip(), unit, wanted)
    assert both.cost_db <= Together((), alone).cost_db
    assert all(one.gain_db < 0 for one in both.sections)
    left = deviation_db + sections_band_gain_db(both.sections) + both.solution.gain_db
    mean = np.average(left, weights=weight)
    rms = np.sqrt(np.average((left - mean) ** 2, weights=weight))
    assert both.solution.rms_after_db == pytest.approx(rms)


def test_what_a_strip_can_do_no_fader_does():
    broad = [Section("low-shelf", 80.0, 6.0, 0.71), Section("peaking", 500.0, 4.0, 0.7)]
    wanted = Wanted(sections_band_gain_db(broad), np.ones(31), np.zeros(31, dtype=bool))
    unit = graphic_unit(31)
    both = solve_jointly(channel_strip(), unit, wanted)
    assert both.sections == tuple(replace(one, gain_db=-one.gain_db) for one in broad)
    moved = np.count_nonzero(both.solution.fader_db)
    assert moved < 0.3 * np.count_nonzero(solve(unit, wanted).fader_db)
