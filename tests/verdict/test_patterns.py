"""Patterns: what all spots share, what one has alone, and that each sentence tells the card."""

import numpy as np
import pytest
from scipy.signal import butter

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ, log_frequency_mean
from evenhall.verdict.card.estimate import estimate
from evenhall.verdict.card.patterns import cancelled_bands
from verdict.builders import at, diffuse_levels_db, flat, judged, spots_of, take, visit


def found(verdict, **wanted):
    return [
        pattern
        for pattern in verdict.patterns
        if all(getattr(pattern, name) == value for name, value in wanted.items())
    ]


def test_even_response_has_no_pattern():
    assert judged(*visit(flat(-14.0))).patterns == ()


def test_common_build_up():
    levels = flat(0.0, {800.0: 2.0, 1000.0: 6.0, 1250.0: 9.0, 1600.0: 6.0, 2000.0: 2.0})
    (pattern,) = judged(*visit(levels)).patterns
    assert (pattern.hz, pattern.scope, pattern.remedy) == (1250.0, "common", "equalize")
    assert 6.0 < pattern.depth_db < 9.0
    assert pattern.width_octaves == pytest.approx(1.0, abs=0.34)
    assert pattern.spots == ("front", "middle", "back")
    assert pattern.certain
    assert "1.25 kHz is" in pattern.why
    assert f"takes out {-pattern.card_db:.1f} dB" in pattern.why


def test_broad_common_dip_is_equalized():
    levels = flat(0.0, {400.0: -3.0, 500.0: -4.0, 630.0: -4.5, 800.0: -4.0, 1000.0: -3.0})
    dips = [p for p in judged(*visit(levels)).patterns if p.depth_db < 0]
    assert [(p.scope, p.remedy) for p in dips] == [("common", "equalize")]
    assert dips[0].hz in (500.0, 630.0)
    assert dips[0].width_octaves == pytest.approx(5 / 3, abs=0.34)
    assert f"fills in {dips[0].card_db:.1f} dB" in dips[0].why


def test_local_dip_is_left_and_its_place_is_named():
    verdict = judged(*visit(flat(), local={"middle": flat(0.0, {2000.0: -8.0})}))
    (local,) = found(verdict, scope="local")
    assert (local.hz, local.spots, local.remedy) == (2000.0, ("middle",), "leave")
    assert local.depth_db == pytest.approx(-8.0, abs=0.7)
    assert f"{-local.depth_db:.1f} dB down at middle only" in local.why


def test_gain_between_spots_is_no_pattern():
    local = {"front": flat(8.0), "back": flat(-6.0)}
    assert judged(*visit(flat(), local=local)).patterns == ()


@pytest.mark.parametrize("sides", [["left"], ["left", "right"]])
def test_one_place_is_never_certain(sides):
    takes = [take(flat(0.0, {1250.0: 8.0, 200.0: -6.0}), side=side) for side in sides]
    verdict = judged(*takes)
    assert verdict.patterns
    assert all(p.scope == "common" and not p.certain for p in verdict.patterns)


@pytest.mark.parametrize("order", [2, 4])
@pytest.mark.parametrize("low_hz", [45.0, 63.0, 80.0])
@pytest.mark.parametrize("stated", [True, False])
def test_end_of_a_box_is_no_dip_and_no_cancellation(low_hz, order, stated):
    """Butterworth high-passes in closed form; a broad dip beside the fall is still found."""
    fall = -10.0 * np.log10(1.0 + (low_hz / EXACT_HZ) ** (2 * order))
    spectrum_hz = np.fft.rfftfreq(48000, 1.0 / 48000.0)
    s = 1j * np.maximum(spectrum_hz, 0.5) / low_hz
    b, a = butter(order, 1.0, "high", analog=True)
    impulse = np.roll(np.fft.irfft(np.polyval(b, s) / np.polyval(a, s), 48000), 480)
    dip = flat(0.0, {200.0: -3.0, 250.0: -5.0, 315.0: -5.0, 400.0: -3.0})
    limit_hz = low_hz * 9.0 ** (-0.5 / order) if stated else None
    heard = {"impulse": impulse, "arrival_s": 0.01}
    verdict = judged(*visit(fall + dip, **heard), low_limit_hz=limit_hz)
    said = " ".join([*(p.why for p in verdict.patterns), *(m.text for m in verdict.moves)])
    assert "cancel" not in said
    assert "Move the loudspeaker" not in said
    assert any(p.depth_db < -2.0 and 200.0 <= p.hz <= 400.0 for p in verdict.patterns)
    assert all(p.hz > 1.5 * low_hz for p in verdict.patterns if p.depth_db < 0)


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
        certain += sum(p.certain for p in judged(*takes, rt60_s=0.9).patterns)
    assert certain / (rooms * inside.sum()) < 0.05


def comb(ratio, *, null_hz=200.0):
    """Direct sound and one reflection of `ratio` re it, half a period of `null_hz` later."""
    impulse = np.zeros(48000)
    impulse[480] = 1.0
    impulse[480 + round(24000.0 / null_hz)] += ratio
    return impulse


def area_of(impulse, low_db=0.0):
    spectrum = np.fft.rfft(impulse)
    level = 10.0 * np.log10(log_frequency_mean(np.abs(spectrum) ** 2, spacing_hz=1.0))
    level[at(200.0)] = min(level[at(200.0)], np.median(level) + low_db)
    heard = take(level, impulse=impulse, arrival_s=0.01, uncertainty_db=0.1)
    return estimate(spots_of(heard), np.zeros(31), rt60_s=5.0, low_limit_hz=20.0)


@pytest.mark.parametrize(
    ("ratio", "cancelled"),
    [
        (0.45, False),  # weaker than the direct sound: minimum-phase, an equalizer can undo it
        (1.3, True),  # stronger: the zeros lie outside, it cannot
        (0.99, True),  # as strong: a null
    ],
)
def test_cancellation_is_told_from_a_dip(ratio, cancelled):
    assert bool(cancelled_bands(area_of(comb(ratio), -12.0))[at(200.0)]) is cancelled


def test_null_is_left_to_hands_and_no_fader_is_raised_into_it():
    impulse = comb(0.99, null_hz=200.0)
    spectrum = np.fft.rfft(impulse)
    level = 10.0 * np.log10(log_frequency_mean(np.abs(spectrum) ** 2, spacing_hz=1.0))
    level[at(500.0) :] = level[at(500.0)]
    level[[at(160.0), at(200.0), at(250.0)]] -= 6.0
    verdict = judged(*visit(level, impulse=impulse, arrival_s=0.01), low_limit_hz=20.0, rt60_s=5.0)
    (null,) = [p for p in verdict.patterns if p.hz == 200.0]
    assert null.remedy == "move"
    assert "boost cancels too" in null.why
    assert verdict.card.gain_db("left")[at(200.0)] < 1.5


@pytest.mark.parametrize("seed", range(12))
def test_no_sentence_contradicts_the_card(seed):
    """Random halls: what is called taken out is cut, filled in is raised, left alone is left."""
    rng = np.random.default_rng([94, seed])
    levels = np.convolve(rng.normal(0, 4.0, 35), [0.2, 0.5, 0.7, 0.5, 0.2], "valid")
    local = {spot: rng.normal(0, 2.0, 31) for spot in ("front", "middle", "back")}
    bands = int(rng.choice([31, 15, 10]))
    verdict = judged(*visit(levels, local=local), bands=bands, target="tilt")
    gain = verdict.card.gain_db("left")
    assert verdict.patterns
    for pattern in verdict.patterns:
        change = gain[at(pattern.hz)]
        assert pattern.card_db == pytest.approx(change)
        assert ("takes out" in pattern.why) == (pattern.remedy == "equalize" and change < 0)
        assert ("fills in" in pattern.why) == (pattern.remedy == "equalize" and change > 0)
        if pattern.remedy == "equalize":
            assert pattern.depth_db * change < 0
        elif abs(change) >= 1.0:
            assert "for the bands beside it" in pattern.why
        if pattern.scope == "local":
            assert abs(change) < 1.0
