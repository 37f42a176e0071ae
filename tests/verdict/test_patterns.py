"""Patterns: what all spots share apart from what one has alone, and what is beyond chance."""

import numpy as np
import pytest

from evenhall.acoustics.bands import NOMINAL_HZ, log_frequency_mean
from evenhall.verdict.common import common_response
from evenhall.verdict.patterns import cancelled_bands
from evenhall.verdict.take import spot_responses
from verdict.builders import at, diffuse_levels_db, flat, judged, response, take, visit


def found(verdict, **wanted):
    return [
        pattern
        for pattern in verdict.patterns
        if all(getattr(pattern, name) == value for name, value in wanted.items())
    ]


def test_even_response_has_no_pattern():
    assert judged(*visit(flat(-14.0))).patterns == ()


def test_common_build_up():
    levels = flat(0.0, {1000.0: 3.0, 1250.0: 6.0, 1600.0: 3.0})
    (pattern,) = judged(*visit(levels)).patterns
    assert (pattern.hz, pattern.scope, pattern.remedy) == (1250.0, "common", "equalize")
    # The mean over 14 bands, 12 / 14, is taken off.
    assert pattern.depth_db == pytest.approx(6.0 - 12.0 / 14.0, abs=0.05)
    assert pattern.width_octaves == pytest.approx(2 / 3, abs=0.34)
    assert pattern.spots == ("front", "middle", "back")
    assert pattern.certain
    assert pattern.why.endswith(".")
    assert "1.25 kHz" in pattern.why


def test_broad_common_dip_is_equalized():
    levels = flat(0.0, {400.0: -3.0, 500.0: -4.0, 630.0: -4.5, 800.0: -4.0, 1000.0: -3.0})
    dips = [p for p in judged(*visit(levels)).patterns if p.depth_db < 0]
    assert [(p.hz, p.scope, p.remedy) for p in dips] == [(630.0, "common", "equalize")]
    assert dips[0].width_octaves == pytest.approx(5 / 3)


def test_dip_narrower_than_a_fader_is_left():
    levels = flat(0.0, {1000.0: -4.0})
    coarse = judged(*visit(levels), bands=15)
    (pattern,) = coarse.patterns
    assert pattern.remedy == "leave"
    assert "narrower than a fader" in pattern.why
    assert max(coarse.card.solutions["both"].fader_db) <= 0.0
    assert judged(*visit(levels), bands=31).patterns[0].remedy == "equalize"


def test_local_dip_is_left_and_its_place_is_named():
    verdict = judged(*visit(flat(), local={"middle": flat(0.0, {2000.0: -8.0})}))
    (local,) = found(verdict, scope="local")
    assert (local.hz, local.spots, local.remedy) == (2000.0, ("middle",), "leave")
    assert local.depth_db == pytest.approx(-8.0, abs=0.7)
    assert "middle only" in local.why


def test_gain_between_spots_is_no_pattern():
    local = {"front": flat(8.0), "back": flat(-6.0)}
    assert judged(*visit(flat(), local=local)).patterns == ()


def test_one_spot_has_no_local_pattern_and_nothing_certain():
    verdict = judged(take(flat(0.0, {1250.0: 8.0, 200.0: -6.0})))
    assert verdict.patterns
    assert all(p.scope == "common" and not p.certain for p in verdict.patterns)


def test_two_loudspeakers_at_one_spot_are_one_place():
    levels = flat(0.0, {1250.0: 8.0})
    verdict = judged(take(levels, side="left"), take(levels, side="right"))
    assert not any(p.certain for p in verdict.patterns)


def test_dip_within_chance_is_not_certain_and_not_raised():
    # At 125 Hz, 0.9 s: one place strays by 2.1 dB (formula from memory: Lubman; Craik).
    levels = flat(0.0, {100.0: -2.0, 125.0: -2.5, 160.0: -2.0})
    verdict = judged(
        take(levels, spot="front", distance_m=3.0), take(levels, spot="back", distance_m=14.0)
    )
    (dip,) = [p for p in verdict.patterns if p.depth_db < 0]
    assert not dip.certain
    assert dip.remedy == "leave"
    assert "may be chance" in dip.why
    assert max(verdict.card.solutions["both"].fader_db) <= 0.0


def test_depth_that_is_certain_in_the_treble_is_not_in_the_bass():
    def certain(*hz):
        levels = flat(0.0, dict.fromkeys(hz, 3.0))
        verdict = judged(*visit(levels, sides=["left"]))
        return [p.certain for p in verdict.patterns if p.depth_db > 0]

    assert certain(5000.0, 6300.0) == [True]
    assert certain(63.0, 80.0) == [False]


def test_nothing_below_the_low_limit_is_a_dip():
    levels = flat(0.0, {40.0: -15.0, 50.0: -9.0})
    verdict = judged(*visit(levels), low_limit_hz=60.0)
    assert [p for p in verdict.patterns if p.hz < 60.0 and p.depth_db < 0] == []


def test_common_patterns_come_first_and_large_ones_first():
    levels = flat(0.0, {250.0: 4.0, 3150.0: 7.0})
    verdict = judged(*visit(levels, local={"back": flat(0.0, {1000.0: -9.0})}))
    scopes = [p.scope for p in verdict.patterns]
    assert scopes == sorted(scopes)
    for scope in ("common", "local"):
        sizes = [abs(p.depth_db) for p in found(verdict, scope=scope)]
        assert sizes == sorted(sizes, reverse=True)


@pytest.mark.parametrize("sides", [("left",), ("left", "right")])
def test_scatter_alone_is_hardly_ever_called_certain(sides):
    """Purely reverberant fields without any pattern, three spots: the share of certain bands."""
    rng = np.random.default_rng(70)
    inside = (NOMINAL_HZ >= 63.0) & (NOMINAL_HZ <= 4000.0)
    rooms, spots = 60, ("front", "middle", "back")
    fields = diffuse_levels_db(
        rng, rooms * len(spots) * len(sides), rt60_s=0.9, hz=NOMINAL_HZ[inside]
    ).reshape(rooms, len(sides), len(spots), -1)
    # Of a level in dB the mean over places lies lower the more it scatters: known, taken off.
    fields = fields - fields.mean(axis=(0, 1, 2))
    certain = 0
    for room in fields:
        takes = []
        for side, at_side in zip(sides, room, strict=True):
            for k, (name, own) in enumerate(zip(spots, at_side, strict=True)):
                levels = np.full(31, np.nan)
                levels[inside] = own
                takes.append(take(levels, side=side, spot=name, distance_m=3.0 + 5.0 * k))
        bands = {band for p in judged(*takes, rt60_s=0.9).patterns if p.certain for band in p.bands}
        certain += len(bands)
    share = certain / (rooms * inside.sum())
    assert share < 0.05


def comb(ratio, *, null_hz=200.0):
    """Direct sound and one reflection of `ratio` re it, half a period of `null_hz` later."""
    impulse = np.zeros(48000)
    impulse[480] = 1.0
    impulse[480 + round(24000.0 / null_hz)] += ratio
    return impulse


def common_of(impulse):
    spectrum = np.fft.rfft(impulse)
    level = 10.0 * np.log10(log_frequency_mean(np.abs(spectrum) ** 2, spacing_hz=1.0))
    heard = take(level, impulse=impulse, arrival_s=0.01)
    return common_response(spot_responses([heard], state="before"), rt60_s=0.9), level


@pytest.mark.parametrize(
    ("ratio", "cancelled"),
    [
        (0.45, False),  # weaker than the direct sound: minimum-phase, an equalizer can undo it
        (1.3, True),  # stronger: the zeros lie outside, it cannot
        (0.99, True),  # as strong: a null
    ],
)
def test_cancellation_is_told_from_a_dip(ratio, cancelled):
    common, level = common_of(comb(ratio))
    deviation = level - np.median(level)
    deviation[at(200.0)] = min(deviation[at(200.0)], -2.5)
    assert bool(cancelled_bands(common, deviation)[at(200.0)]) is cancelled


def test_build_up_is_never_a_cancellation():
    common, _ = common_of(comb(1.3))
    assert not cancelled_bands(common, flat(3.0)).any()


def test_response_of_builders_is_what_it_says():
    assert response(flat(-3.0)).bands.level_db == pytest.approx(flat(-3.0))
