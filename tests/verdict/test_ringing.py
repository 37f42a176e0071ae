"""Ringing bands from a take: a loop made of known peaks, with and without a card."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.bandlevel import BandLevels
from evenhall.acoustics.bands import BAND_COUNT, log_frequency_mean
from evenhall.equalizer.graphic import band_gain_db
from evenhall.verdict.talker.ringing import likely_ringing, ringing_at, ringing_texts
from verdict.builders import at, flat, judged, response, take, visit

RATE_HZ = 48_000.0


def loop(*peaks_hz_db):
    """Response of a flat path with resonances of 5 Hz width, each so high over it."""
    n_fft = 1 << 17
    freq = np.fft.rfftfreq(n_fft, 1.0 / RATE_HZ)
    spectrum = np.ones(freq.size, dtype=complex)
    for hz, db in peaks_hz_db:
        gain = 10.0 ** (db / 20.0) - 1.0
        spectrum += gain / (1.0 + 1j * (freq - hz) / 2.5)
    impulse = np.fft.irfft(spectrum, n_fft)
    power = np.abs(np.fft.rfft(impulse)) ** 2
    level = 10.0 * np.log10(log_frequency_mean(power, spacing_hz=RATE_HZ / n_fft))
    ones = np.ones(BAND_COUNT)
    levels = BandLevels(level, 0.1 * ones, ones > 0, ones, ones)
    return response(level, impulse=impulse, rate_hz=RATE_HZ, bands=levels)


LOOP = loop((260.0, 12.0), (2600.0, 10.0))


def test_highest_peak_is_found_in_its_band():
    ringing = likely_ringing(LOOP)
    first, second = ringing.bands[:2]
    assert (first.band_hz, second.band_hz) == (250.0, 2500.0)
    assert abs(first.peak_hz - 260.0) <= 0.5
    # The mean over 200 Hz to 4 kHz lies a little over the flat path's 0 dB, by the peaks.
    assert abs(first.over_db - 12.0) <= 0.5
    assert abs(first.over_db - second.over_db - 2.0) <= 0.1
    assert first.above_band_db > 5.0
    assert ringing.card_gain_db == 0.0


def test_card_that_cuts_the_first_band_helps_until_the_next():
    ringing = likely_ringing(LOOP, card_gain_db=flat(0.0, {250.0: -6.0}))
    # 2 dB to the next peak; the mean over 14 bands moves by 6 / 14.
    assert abs(ringing.card_gain_db - (2.0 - 6.0 / 14.0)) <= 0.15
    assert ringing.first_with_card_hz == 2500.0
    _, text = ringing_texts(ringing, with_card=True)
    assert text.startswith("The card helps: it takes 6.0 dB off 250 Hz and gives 1.6 dB more gain")
    assert text.endswith("Then 2.5 kHz rings first.")


def test_card_that_lifts_a_peak_hurts():
    ringing = likely_ringing(LOOP, card_gain_db=flat(0.0, {2500.0: 5.0}))
    assert abs(ringing.card_gain_db + (3.0 - 5.0 / 14.0)) <= 0.15
    assert ringing.first_with_card_hz == 2500.0
    _, text = ringing_texts(ringing, with_card=True)
    assert text.startswith("The card hurts: it lifts 2.5 kHz by 5.0 dB and leaves 2.")
    assert "talker's own channel" in text


def on_stage(response_of_take):
    """A take on stage of left."""
    return replace(take(flat(), side="left", spot="lectern"), response=response_of_take, at="stage")


def card_with(fader_db):
    """A card whose faders stand so, by nominal frequency; the rest at 0."""
    made = judged(*visit(flat(0.0, {250.0: 6.0}))).card
    faders = np.zeros(31)
    for hz, db in fader_db.items():
        faders[hz == made.unit.nominal_hz] = db
    solution = replace(
        made.solutions["both"], fader_db=faders, gain_db=band_gain_db(made.unit, faders)
    )
    return replace(made, solutions={"both": solution})


def said_of(card):
    """What is said of the card at a place that rings at 260 Hz, then at 2.6 kHz."""
    (place,) = ringing_at([on_stage(LOOP)], card)
    return ringing_texts(place.ringing, with_card=True, raised=place.raised)[1]


CUTS = dict.fromkeys((200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0), -6.0)


def test_fader_that_is_raised_is_named_without_what_is_turned_up_for_the_cuts():
    card = card_with(CUTS | {2500.0: 4.0})
    text = said_of(card)
    # So far its band goes up, from 2 dB below the highest peak.
    less_db = card.gain_db("left")[at(2500.0)] - 2.0
    found = re.match(
        r"The card hurts: its 2.5 kHz fader is raised by 4 dB and leaves (\d\.\d) dB less", text
    )
    assert float(found[1]) == pytest.approx(less_db, abs=0.15)
    assert text.endswith("or leave that fader down.")


def test_card_that_only_cuts_is_not_blamed_for_what_is_turned_up_again():
    """250 Hz stays at 0 and is the highest peak; all around it is cut, and turned up again."""
    cuts = dict.fromkeys((500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0), -8.0)
    card = card_with(cuts)
    text = said_of(card)
    gain_db = card.gain_db("left")
    assert gain_db.max() <= 0.0
    assert "fader" not in text
    assert not text.startswith("The card hurts")
    assert text.startswith(
        "Cut 250 Hz on the talker's own channel. The card itself makes nothing ring sooner"
    )
    turned_up = float(re.search(r"once its (\d\.\d) dB are made up", text)[1])
    assert turned_up == pytest.approx(-gain_db[at(200.0) : at(4000.0) + 1].mean(), abs=0.06)
    less = float(re.search(r"with (\d\.\d) dB less", text)[1])
    assert less == pytest.approx(turned_up + gain_db[at(250.0)], abs=0.06)


def test_fader_above_0_far_from_what_rings_is_not_named():
    cuts = dict.fromkeys((500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0), -8.0)
    (place,) = ringing_at([on_stage(LOOP)], card_with(cuts | {8000.0: 3.0}))
    assert place.ringing.first_with_card_hz == 250.0
    assert place.raised is None


@pytest.mark.parametrize("gain_db", [0.0, -9.0])
def test_card_that_only_turns_down_changes_nothing(gain_db):
    ringing = likely_ringing(LOOP, card_gain_db=flat(gain_db))
    assert abs(ringing.card_gain_db) <= 1e-9
    assert ringing_texts(ringing, with_card=True)[1] == ("The card makes no difference there.")


def test_bands_are_named_and_the_frequency_is_not_promised():
    (text,) = ringing_texts(likely_ringing(LOOP), with_card=False)
    assert text.startswith("This mic rings first near 260 Hz, then around 2.5 kHz and ")
    assert "The highest peak is 12 dB above the average" in text
    assert text.endswith("and shifts as the mic moves.")


def test_unusable_bands_do_not_ring():
    levels = LOOP.bands
    usable = levels.usable.copy()
    usable[at(250.0)] = False
    changed = BandLevels(
        levels.level_db, levels.uncertainty_db, usable, levels.covered_ratio, levels.length_s
    )
    ringing = likely_ringing(
        response(levels.level_db, impulse=LOOP.impulse, rate_hz=RATE_HZ, bands=changed)
    )
    assert ringing.bands[0].band_hz == 2500.0
    assert 250.0 not in [band.band_hz for band in ringing.bands]


def test_take_without_bands_says_so():
    ringing = likely_ringing(response(np.full(BAND_COUNT, np.nan)))
    assert ringing.bands == ()
    (text,) = ringing_texts(ringing, with_card=True)
    assert text.startswith("Take it on stage again: no band is usable")


def test_peaks_of_a_room_lie_some_10_db_over_its_mean():
    # Schroeder 1954, from memory: about 10 dB; a band of 1 kHz in 2 s has some hundreds.
    rng = np.random.default_rng(3)
    time_s = np.arange(2 * int(RATE_HZ)) / RATE_HZ
    impulse = rng.normal(size=time_s.size) * 10.0 ** (-3.0 * time_s / 1.0)
    power = np.abs(np.fft.rfft(impulse)) ** 2
    level = 10.0 * np.log10(log_frequency_mean(power, spacing_hz=0.5))
    ones = np.ones(BAND_COUNT)
    levels = BandLevels(level, 0.1 * ones, ones > 0, ones, ones)
    room = response(level, impulse=impulse, rate_hz=RATE_HZ, bands=levels)
    above = [band.above_band_db for band in likely_ringing(room).bands if band.band_hz > 500.0]
    assert 7.0 <= np.median(above) <= 11.0
