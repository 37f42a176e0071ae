"""Whether mains and sub together sound as they were asked to be joined."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import signal

import joinrooms
from evenhall.acoustics.bands import EXACT_HZ
from evenhall.acoustics.summation import LOW_FREQ_HZ
from evenhall.verdict.joining.after import heard_as
from evenhall.verdict.joining.subs import Joining, join
from evenhall.verdict.joining.words import joining_moves, together_move
from verdict.builders import take

SEEDS = (2000, 2003, 2004)  # three spots, two and one; bench/joining.py goes on from there
pytestmark = pytest.mark.xdist_group("joined")  # halls that several tests share take a while


# Where all that is asked is to turn the sub over, turned over after that is as before.
SAID = {
    "asked": {"asked", "unknown"},
    "before": {"before", "unknown"},
    "turned over": {"turned over", "before", "unknown"},
}


@cache
def recorded(seed):
    """A joining, and takes of both together: as it was, as asked, and turned over."""
    case = joinrooms.random_case(seed)
    joining = join(case.takes("left"), case.takes("sub"), has_processor=True)
    fit = joining.subs[0].fit
    asked = joinrooms.reset(case, polarity=fit.polarity, delay_s=fit.delay_s)
    over = joinrooms.reset(case, polarity=-fit.polarity, delay_s=fit.delay_s)
    ways = {"before": case, "asked": asked, "turned over": over}
    return joining, {way: hall.takes_together("left") for way, hall in ways.items()}


def test_takes_of_both_tell_how_they_are_joined():
    for way, said in SAID.items():
        told = [heard_as(recorded(seed)[0], recorded(seed)[1][way]) for seed in SEEDS]
        assert set(told) <= said - {"unknown"}


def test_sub_that_was_only_to_be_turned_over_and_was_not_is_as_before():
    joining, together = recorded(2000)
    mains, subs = joining.taken
    only = replace(
        joining, then=(mains, tuple(replace(one, spectrum=-one.spectrum) for one in subs))
    )
    assert heard_as(only, together["before"]) == "before"


def test_sub_fed_by_one_channel_is_still_told():
    joining, together = recorded(2003)
    softer = [replace(sub, spectrum=0.5 * sub.spectrum) for sub in joining.then[1]]
    mains = joining.then[0]
    heard = [
        replace(
            one,
            response=replace(
                one.response, impulse=sum_of(main, sub), rate_hz=RATE_HZ, first_tap_s=0.0
            ),
        )
        for one, main, sub in zip(together["asked"], mains, softer, strict=True)
    ]
    assert heard_as(joining, heard) == "asked"


RATE_HZ, N_TAPS = 3000.0, 1 << 13
FREQ_HZ = np.fft.rfftfreq(N_TAPS, 1.0 / RATE_HZ)


def sum_of(main, sub):
    """Impulse of the sum of two spectra on the grid of the low bands."""
    both = main.spectrum + sub.spectrum
    real = np.interp(FREQ_HZ, LOW_FREQ_HZ, both.real, left=0.0, right=0.0)
    imaginary = np.interp(FREQ_HZ, LOW_FREQ_HZ, both.imag, left=0.0, right=0.0)
    return np.fft.irfft(real + 1j * imaginary, N_TAPS)


# A shoebox by its images (Allen and Berkley 1979): there the microphone may be carried.


def shoebox(source, microphone, size, reflection, order=12):
    """Spectrum from a source to a microphone between six walls of one reflection factor."""
    n = np.arange(-order, order + 1)
    places = [
        np.concatenate([2 * n * a + s, 2 * n * a - s]) for a, s in zip(size, source, strict=True)
    ]
    walls = np.concatenate([np.abs(2 * n), np.abs(2 * n - 1)])
    apart = [place - at for place, at in zip(places, microphone, strict=True)]
    x, y, z = np.meshgrid(*apart, indexing="ij")
    hits = sum(np.meshgrid(walls, walls, walls, indexing="ij"))
    distance_m = np.sqrt(x**2 + y**2 + z**2).ravel()
    at = distance_m / 343.0 * RATE_HZ
    near = at < N_TAPS - 2
    first, gain = np.floor(at[near]).astype(int), (reflection ** hits.ravel() / distance_m)[near]
    impulse = np.zeros(N_TAPS)
    np.add.at(impulse, first, gain * (1.0 - (at[near] - first)))
    np.add.at(impulse, first + 1, gain * (at[near] - first))
    return np.fft.rfft(impulse)


def heard(spectrum, side, **fields):
    level_db = np.interp(EXACT_HZ, FREQ_HZ, 20.0 * np.log10(np.abs(spectrum) + 1e-9))
    level_db[EXACT_HZ > 350.0] = 0.0
    impulse = np.fft.irfft(spectrum, N_TAPS)
    one = take(
        level_db, side=side, spot="middle", impulse=impulse, rate_hz=RATE_HZ, first_tap_s=0.0
    )
    return replace(one, **fields)


def branch(kind, split_hz, late_s):
    b, a = signal.butter(2, 2 * np.pi * split_hz, kind, analog=True)
    return signal.freqs(b, a, 2 * np.pi * FREQ_HZ)[1] ** 2 * np.exp(-2j * np.pi * FREQ_HZ * late_s)


def test_microphone_carried_back_within_a_hands_breadth_does_no_harm():
    told = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        size = (rng.uniform(9, 20), rng.uniform(6, 12), rng.uniform(3, 5.5))
        reflection, split_hz = rng.uniform(0.8, 0.93), rng.uniform(70, 120)
        top, bass = (1.0, 0.22 * size[1], 2.2), (1.2, rng.uniform(0.2, 0.8) * size[1], 0.4)
        there = np.array([*(rng.uniform(0.3, 0.7, 2) * size[:2]), 1.2])
        beside = there + 0.05 * np.array([*(rng.normal(size=2) / np.sqrt(2)), 0.0])
        polarity, late_s = rng.choice([-1, 1]), rng.uniform(0, 0.01)

        def both(
            at,
            size=size,
            reflection=reflection,
            top=top,
            bass=bass,
            split_hz=split_hz,
            polarity=polarity,
            late_s=late_s,
        ):
            main = shoebox(top, at, size, reflection) * branch("high", split_hz, 0.005)
            low = shoebox(bass, at, size, reflection) * branch("low", split_hz, late_s)
            return main, 1.4 * polarity * low

        main, sub = both(there)
        joining = join([heard(main, "left")], [heard(sub, "sub")], has_processor=True)
        fit = joining.subs[0].fit
        main, sub = both(beside)
        late = np.exp(-2j * np.pi * FREQ_HZ * fit.delay_s)
        for way, there_too in (
            ("before", sub),
            ("asked", fit.polarity * sub * late),
            ("turned over", -fit.polarity * sub * late),
        ):
            found = heard_as(joining, [heard(main + there_too, "left", with_subs=True)])
            told.append((way, found))
    assert all(found in SAID[way] for way, found in told)
    assert sum(found != "unknown" for _, found in told) >= 24


def test_nothing_is_told_without_takes_of_both_or_at_other_spots():
    joining, together = recorded(2003)
    assert heard_as(joining, []) == "unknown"
    elsewhere = [replace(one, spot="balcony") for one in together["asked"]]
    assert heard_as(joining, elsewhere) == "unknown"
    assert heard_as(Joining("No take of the sub."), together["asked"]) == "unknown"


def test_something_else_that_was_changed_is_neither():
    joining, together = recorded(2003)

    def filtered(one):
        # A low cut that somebody left in: second order at 160 Hz (scipy.signal).
        b, a = signal.butter(4, 160.0, "high", fs=one.response.rate_hz)
        impulse = signal.lfilter(b, a, one.response.impulse)
        return replace(one, response=replace(one.response, impulse=impulse))

    assert heard_as(joining, [filtered(one) for one in together["asked"]]) == "neither"


# Words


def texts(heard_so, seed=2003):
    return [(move.kind, move.text) for move in joining_moves(recorded(seed)[0], heard_so)]


def test_what_stands_is_left_alone():
    ((kind, text),) = texts("asked")
    assert kind == "leave"
    assert text.startswith("Leave the sub's delay and polarity as they are now")


def test_what_is_not_done_yet_is_asked_for_again():
    (kind, text), (was_kind, was_text) = texts("before")[-1], texts("unknown")[-1]
    assert kind == was_kind == "delay"
    told, _, rest = text.partition(": ")
    assert told == "Not done yet, going by the takes of both together"
    assert rest.capitalize() == was_text.capitalize()


def test_sub_that_stands_the_wrong_way_round_is_named_alone():
    ((kind, text),) = texts("turned over")
    assert kind == "polarity"
    assert "it is inverted" in text
    assert "Mute it before" in text


def test_change_of_something_else_is_a_matter_to_look_into():
    ((kind, text),) = texts("neither")
    assert kind == "check"
    assert "unlike either setting, old or new" in text


def test_takes_of_both_are_asked_for_in_words_that_fit_the_rig():
    assert "the sub playing along" in together_move([take(np.zeros(31), side="sub")]).text
    two = [take(np.zeros(31), side=side) for side in ("sub left", "sub right")]
    assert "the subs playing along" in together_move(two).text
