"""Speech at the spots: takes of known decays, levels and noise."""

from __future__ import annotations

import numpy as np

from evenhall.acoustics.voice import room_noise_db
from evenhall.verdict.talker.speech import speech_by_spot, speech_texts
from verdict.builders import flat, spots_of, take

RATE_HZ = 48_000
SILENCE = np.full(7, -np.inf)


def decay(decay_s, seed=0, noise_db=-80.0):
    """A tenth of a second of noise alone, then decaying noise in it."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    sound = np.concatenate(
        [np.zeros(RATE_HZ // 10), rng.normal(size=time_s.size) * 10.0 ** (-3.0 * time_s / decay_s)]
    )
    return sound + 10.0 ** (noise_db / 20.0) * rng.normal(size=sound.size)


def at(spot, impulse, *, level_db=0.0, side="left", changes_db=None, **fields):
    fields = {"impulse": impulse, "rate_hz": float(RATE_HZ), "arrival_s": 0.1} | fields
    return take(flat(level_db, changes_db), side=side, spot=spot, **fields)


def test_spots_are_read_by_their_decays():
    spots = spots_of(at("front", decay(0.5)), at("back", decay(2.0)))
    front, back = speech_by_spot(spots, noise_db_spl=SILENCE)
    # Closed forms 0.736 and 0.437; single responses scatter by 0.01, masking takes up to 0.03.
    assert 0.70 <= front.speech.sti <= 0.75
    assert 0.41 <= back.speech.sti <= 0.45
    assert (front.spot, back.spot) == ("front", "back")


def test_arrival_that_cannot_be_told_is_found():
    (known,) = speech_by_spot(spots_of(at("front", decay(1.0))))
    (unknown,) = speech_by_spot(spots_of(at("front", decay(1.0), arrival_s=np.nan)))
    assert abs(known.speech.sti - unknown.speech.sti) <= 0.01


def test_softer_spot_has_less_over_the_noise():
    impulse = decay(0.5)
    spots = spots_of(at("front", impulse, level_db=3.0), at("back", impulse, level_db=-3.0))
    front, back = speech_by_spot(spots, speech_dba=60.0, noise_db_spl=room_noise_db(55.0))
    assert abs(front.speech.level_dba - 63.0) <= 1e-6
    assert abs(back.speech.level_dba - 57.0) <= 1e-6
    assert back.speech.sti < front.speech.sti - 0.08
    assert abs(back.speech.quiet_sti - front.speech.quiet_sti) <= 0.02


def test_missing_treble_costs_clarity_in_noise():
    dull = dict.fromkeys((1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0), -20.0)
    (clear,), (dulled,) = (
        speech_by_spot(
            spots_of(at("front", decay(0.5), changes_db=changes)), noise_db_spl=room_noise_db(45.0)
        )
        for changes in (None, dull)
    )
    assert dulled.speech.sti < clear.speech.sti - 0.1


def test_subs_are_passed_over_and_sides_kept_apart():
    spots = spots_of(
        at("front", decay(0.5), side="left"),
        at("front", decay(2.0), side="right"),
        at("front", decay(0.5), side="sub"),
    )
    found = speech_by_spot(spots)
    assert [spot.side for spot in found] == ["left", "right"]
    text, assumed = speech_texts(found)
    assert text.startswith("At front, from the right loudspeaker alone, speech is ")
    assert "give or take 0.03" in text
    assert "35 dB(A) of background noise" in assumed
    assert speech_by_spot(spots_of(at("front", decay(0.5), side="sub"))) == ()
    assert speech_texts(()) == ()


def test_octave_hidden_by_noise_makes_it_unknown():
    (spot,) = speech_by_spot(spots_of(at("front", decay(0.5, noise_db=10.0))))
    assert np.isnan(spot.speech.sti)
    assert speech_texts([spot])[0] == (
        "Play longer at front: noise hides an octave there, so the speech index is unknown."
    )
