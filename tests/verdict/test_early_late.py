"""Early against late sound: halls whose direct sound and reverberation are coloured apart."""

import numpy as np
import pytest

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ, log_frequency_mean
from evenhall.verdict.early_late import unshared_db
from verdict.builders import flat, judged, take

RATE_HZ = 48_000
N = 48_000
ARRIVAL_S = 0.02
HIGH = (EXACT_HZ > 2300.0) & (EXACT_HZ < 17_000.0)
MIDDLE = (EXACT_HZ > 300.0) & (EXACT_HZ < 1500.0)
SPOTS = {"front": (3.0, 0.5), "middle": (7.0, -3.0), "back": (13.0, -6.0)}  # metres, early re late


def coloured(impulse, level_db):
    """Impulse response with these third-octave levels laid on."""
    freq_hz = np.fft.rfftfreq(N, 1.0 / RATE_HZ)
    gain_db = np.interp(np.log(np.maximum(freq_hz, 1.0)), np.log(EXACT_HZ), level_db)
    return np.fft.irfft(np.fft.rfft(impulse) * 10.0 ** (gain_db / 20.0), N)


def hall(direct_db, late_db, early_over_late_db, seed):
    """Direct sound, and a decay of 0.8 s that begins 15 ms after it."""
    rng = np.random.default_rng(seed)
    direct = np.zeros(N)
    at = round(ARRIVAL_S * RATE_HZ)
    direct[at] = 10.0 ** (early_over_late_db / 20.0)
    since_s = np.arange(N) / RATE_HZ - ARRIVAL_S - 0.015
    late = rng.standard_normal(N) * 10.0 ** (-3.0 * since_s / 0.8) * (since_s > 0)
    late /= np.sqrt((late**2).sum())
    return coloured(direct, direct_db) + coloured(late, late_db)


def takes_of(direct_db, late_db, softer_db):
    """Make takes at all spots, the direct sound softer by so much."""
    made = []
    for seed, (side, (name, (metres, ratio_db))) in enumerate(
        (side, spot) for side in ("left", "right") for spot in SPOTS.items()
    ):
        impulse = hall(direct_db, late_db, ratio_db - softer_db, seed)
        power = np.abs(np.fft.rfft(impulse)) ** 2
        level_db = 10.0 * np.log10(log_frequency_mean(power, spacing_hz=RATE_HZ / N))
        made.append(
            take(
                level_db,
                side=side,
                spot=name,
                distance_m=metres,
                impulse=impulse,
                arrival_s=ARRIVAL_S,
            )
        )
    return made


def high(level_db):
    return np.where(HIGH, level_db, 0.0)


def verdict_of(direct_db, late_db, softer_db=0.0):
    return judged(*takes_of(direct_db, late_db, softer_db), rt60_s=0.8)


def lifted_db(verdict):
    """How much the card lifts the treble against the middle."""
    gain_db = verdict.card.gain_db("left")
    return np.mean(gain_db[HIGH]) - np.mean(gain_db[MIDDLE])


def early_and_late(verdict):
    deviation = verdict.forecast.before_db
    return deviation, unshared_db(verdict.common, deviation)


@pytest.mark.parametrize("level_db", [5.0, -5.0])
def test_fault_of_the_loudspeaker_is_in_both_and_mended_whole(level_db):
    verdict = verdict_of(high(level_db), high(level_db))
    deviation, unshared = early_and_late(verdict)
    assert np.all(unshared == 0.0)
    assert np.mean(deviation[HIGH]) * level_db > 0
    if level_db > 0:  # a cut is no matter of patterns
        after = deviation + verdict.card.gain_db("left")
        assert np.ptp(after[(EXACT_HZ > 300.0) & HIGH]) < 2.5
        assert np.mean(verdict.card.gain_db("left")[HIGH]) < -3.0


def test_dull_loudspeaker_in_a_bright_room_is_not_cut():
    dull, bright = high(-8.0), high(8.0)
    verdict = verdict_of(dull, bright)
    deviation, unshared = early_and_late(verdict)
    assert np.mean(deviation[HIGH]) > 3.0  # what all of the sound together would ask a cut for
    assert np.all(unshared[HIGH & (EXACT_HZ > 3000.0)] > 0.5)
    plain = verdict_of(bright * 0.6, bright * 0.6)  # as bright, and all of it the loudspeaker's
    assert np.mean(plain.card.gain_db("left")[HIGH]) < -3.0
    assert np.mean(verdict.card.gain_db("left")[HIGH]) > -1.0
    (pattern,) = [one for one in verdict.patterns if one.scope == "common" and one.hz > 2000.0]
    assert pattern.remedy == "leave"
    assert "late sound alone" in pattern.why


def test_clear_loudspeaker_among_curtains_is_not_brightened():
    verdict = verdict_of(flat(), high(-12.0), softer_db=6.0)
    deviation, unshared = early_and_late(verdict)
    assert np.mean(deviation[HIGH]) < -4.0
    assert unshared[HIGH] == pytest.approx(-deviation[HIGH], abs=1.5)
    plain = verdict_of(high(-6.5), high(-6.5))  # as dull, and all of it the loudspeaker's
    assert lifted_db(plain) > 4.0
    assert lifted_db(verdict) < 0.5 * lifted_db(plain)


def test_dull_direct_sound_is_brightened_once_and_no_more():
    """The room hides half of it: the boost is what all of the sound lacks, not the direct sound."""
    verdict = verdict_of(high(-7.0), high(-3.0))
    deviation, unshared = early_and_late(verdict)
    assert np.all(unshared == 0.0)
    assert lifted_db(verdict) <= np.mean(deviation[MIDDLE]) - np.mean(deviation[HIGH]) + 0.5


def test_below_300_hz_and_without_an_arrival_nothing_is_told():
    low = np.where(NOMINAL_HZ <= 250.0, 6.0, 0.0)
    verdict = verdict_of(flat(), low)
    assert np.all(unshared_db(verdict.common, verdict.forecast.before_db)[NOMINAL_HZ <= 250.0] == 0)
    blind = judged(take(high(6.0)), take(high(6.0), spot="back"))
    assert not np.isfinite(blind.common.early_db).any()
    assert np.all(unshared_db(blind.common, high(6.0)) == 0.0)
