"""Subs and mains: closed crossovers, random simulated halls, and the words."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import signal

import joinrooms
from evenhall.acoustics.bands import EXACT_HZ
from evenhall.equalizer.crossover import Crossover
from evenhall.verdict.joining.subs import join
from evenhall.verdict.joining.words import joining_moves
from evenhall.verdict.trust import response_problems
from verdict.builders import take

RATE_HZ = 48_000.0


def dry(side, spot, kind, *, late_s=0.0, gain=1.0, order=2, twice=True, split_hz=90.0, **fields):
    """Take of one branch of a crossover with no room: scipy.signal's filters, a pure delay."""
    n = 1 << 16
    freq_hz = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    b, a = signal.butter(order, 2 * np.pi * split_hz, kind, analog=True)
    _, response = signal.freqs(b, a, 2 * np.pi * freq_hz)
    response = gain * response ** (2 if twice else 1) * np.exp(-2j * np.pi * freq_hz * late_s)
    level_db = np.interp(EXACT_HZ, freq_hz, 20 * np.log10(np.abs(response) + 1e-9))
    return take(
        level_db,
        side=side,
        spot=spot,
        **{"impulse": np.fft.irfft(response, n), "rate_hz": RATE_HZ, "first_tap_s": 0.0} | fields,
    )


def crossed(sub_late_s, *, spots=("front", "back"), sides=("left",), gain=1.0, **filters):
    mains = [dry(side, spot, "high", late_s=0.02, **filters) for side in sides for spot in spots]
    sub = [
        dry("sub", spot, "low", late_s=0.02 + sub_late_s, gain=gain, **filters) for spot in spots
    ]
    return mains, sub


@pytest.mark.parametrize("late_ms", [-9.7, -3.2, 0.0, 0.4, 5.0, 9.9])
@pytest.mark.parametrize("polarity", [1, -1])
def test_linkwitz_riley_pair_is_put_in_time_again(late_ms, polarity):
    joining = join(*crossed(late_ms / 1e3, gain=polarity), has_processor=True)
    (sub,) = joining.subs
    assert sub.polarity == polarity
    assert 1e3 * (sub.delay_s - joining.mains_delay_s) == pytest.approx(-late_ms, abs=0.05)
    assert min(sub.delay_s, joining.mains_delay_s) == 0.0
    assert max(sub.delay_s, joining.mains_delay_s) >= 0.0
    assert joining.overall.expected_db == pytest.approx(0.0, abs=0.02)


def test_second_order_butterworth_pair_is_turned_over():
    # Half a turn apart at every frequency: only the switch makes them add (closed form).
    joining = join(*crossed(0.0, order=2, twice=False, split_hz=100.0), has_processor=True)
    assert joining.subs[0].polarity == -1
    assert joining.subs[0].fit.delay_s == pytest.approx(0.0, abs=5e-5)
    assert joining.overall.expected_db == pytest.approx(0.0, abs=0.02)
    # An octave above the split |1 - x^2| / (1 + x^2) = 3/5 is left as it is.
    at_200_hz = joining.overall.before_db[int(np.abs(EXACT_HZ - 200.0).argmin())]
    assert at_200_hz == pytest.approx(20 * np.log10(3 / 5), abs=0.1)


def test_crossover_region_is_found_around_the_split():
    joining = join(*crossed(0.0, split_hz=100.0), has_processor=True)
    assert joining.crossover_hz == pytest.approx(100.0, rel=0.06)
    low_hz, high_hz = joining.region_hz
    assert low_hz < 100.0 < high_hz
    # 24 dB an octave each: they part by 48 dB an octave, so 20 dB apart at 0.42 octaves.
    assert low_hz > 60.0
    assert high_hz < 170.0


def test_without_processor_the_sub_is_carried_by_what_the_delay_is_in_metres():
    joining = join(*crossed(-0.003), has_processor=False)
    (sub,) = joining.subs
    assert sub.back_m == pytest.approx(1.03, abs=0.06)  # 3 ms at 343.2 m/s, to a tenth of a metre
    assert (sub.delay_s, joining.mains_delay_s) == (0.0, 0.0)
    assert joining.overall.expected_db > -0.1
    (move,) = joining_moves(joining)
    assert move.kind == "relocate"
    assert "ove the sub 1.0 m back, away from the audience" in move.text
    assert "Two people carry a sub" in move.text


def test_without_processor_a_late_sub_comes_nearer():
    joining = join(*crossed(0.003), has_processor=False)
    assert joining.subs[0].back_m == pytest.approx(-1.03, abs=0.06)
    assert "towards the audience" in joining_moves(joining)[0].text


def test_inverted_sub_without_processor_is_the_switch_alone():
    joining = join(*crossed(0.0, gain=-1.0), has_processor=False)
    (move,) = joining_moves(joining)
    assert move.kind == "polarity"
    assert move.text.startswith("Flip the polarity of the sub: around 90 Hz")
    assert move.to == {"sub_polarity": -1.0}


def test_delay_and_polarity_are_one_sentence_with_figures_and_reason():
    joining = join(
        *crossed(0.0032, spots=("front", "middle", "back"), gain=-1.0), has_processor=True
    )
    (move,) = joining_moves(joining)
    assert move.kind == "delay"
    assert move.text.startswith(
        "Flip the polarity of the sub and delay the mains by 3.2 ms: around 90 Hz mains and sub "
        "then sum to within 0.0 dB of a perfect sum at all three spots; now "
    )
    assert move.to["mains_delay_s"] == pytest.approx(0.0032, abs=5e-5)
    assert move.expected["sum_below_best_db"] < 0.1 < move.expected["was_db"]


def test_sub_in_time_is_left_alone():
    (move,) = joining_moves(join(*crossed(0.0), has_processor=True))
    assert move.kind == "leave"


def test_all_spots_count_and_not_one():
    # 2 ms late at one spot and 4 ms late at another: 3 ms is best for both together.
    mains = [dry("left", spot, "high") for spot in ("front", "back")]
    sub = [dry("sub", "front", "low", late_s=0.002), dry("sub", "back", "low", late_s=0.004)]
    joining = join(mains, sub, has_processor=True)
    assert joining.mains_delay_s == pytest.approx(0.003, abs=2e-4)
    assert joining.subs[0].fit.uncertainty_s > 2e-4  # they disagree by 2 ms, and it says so


def test_both_sides_of_the_mains_count():
    mains = [
        dry("left", "front", "high", late_s=0.010),
        dry("right", "front", "high", late_s=0.012),
    ]
    sub = [dry("sub", "front", "low", late_s=0.011)]
    joining = join(mains, sub, has_processor=True)
    assert joining.subs[0].fit.delay_s == pytest.approx(0.0, abs=2e-4)
    assert [one.side for one in joining.spots] == ["left", "right"]


def test_two_subs_are_set_each_against_its_side():
    mains = [dry(side, "front", "high", late_s=0.02) for side in ("left", "right")]
    subs = [
        dry("sub left", "front", "low", late_s=0.022, gain=0.7),
        dry("sub right", "front", "low", late_s=0.019, gain=-0.7),
    ]
    joining = join(mains, subs, has_processor=True)
    left, right = joining.subs
    assert (left.polarity, right.polarity) == (1, -1)
    assert joining.mains_delay_s == pytest.approx(0.002, abs=5e-5)
    assert left.delay_s == pytest.approx(0.0, abs=5e-5)
    assert right.delay_s == pytest.approx(0.003, abs=5e-5)
    assert joining.overall.expected_db == pytest.approx(0.0, abs=0.05)
    (move,) = joining_moves(joining)
    assert "delay the sub right by 3.0 ms" in move.text


def test_sub_ten_db_up_is_turned_down_to_the_target_and_no_more_than_is_allowed():
    loud = 10 ** (10 / 20)
    flat = np.zeros(31)
    joining = join(*crossed(0.0, gain=loud), has_processor=True, target_db=flat)
    assert joining.subs[0].gain_db == pytest.approx(-10.0, abs=0.5)
    assert joining_moves(joining)[0].kind == "gain"
    weak = join(*crossed(0.0, gain=1 / loud), has_processor=True, target_db=flat)
    assert weak.subs[0].gain_db == 6.0
    assert join(*crossed(0.0, gain=loud), has_processor=True).subs[0].gain_db == 0.0


def test_takes_without_a_common_clock_say_so_and_what_to_do():
    mains, sub = crossed(0.0)
    apart = [dry("sub", "front", "low", first_tap_s=float("nan"))]
    joining = join(mains, apart, has_processor=True)
    assert "the takes of the sub carry no reference channel" in joining.problem
    (move,) = joining_moves(joining)
    assert (move.kind, move.text) == ("check", joining.problem)
    assert "No take of the mains alone is usable" in join([], sub, has_processor=True).problem
    elsewhere = [dry("sub", "balcony", "low")]
    assert (
        "No spot has a take of both, the mains"
        in join(mains, elsewhere, has_processor=True).problem
    )


def test_sub_that_is_not_heard_beside_the_mains_is_a_check():
    mains, sub = crossed(0.0, gain=1e-5)
    joining = join(mains, sub, has_processor=True)
    assert "there is no third octave in which the two" in joining.problem


# In simulated halls


@cache
def joined(seed):
    case = joinrooms.random_case(seed)
    return case, join(case.takes("left"), case.takes("sub"), has_processor=True)


def test_delay_within_a_tenth_of_a_millisecond_and_polarity_right_in_random_halls():
    # bench/joining.py does the same in 200 others.
    wrong = []
    for seed in range(4):
        case, joining = joined(seed)
        delay_s, polarity, *_ = joinrooms.truth(case)
        fit = joining.subs[0].fit
        if fit.polarity != polarity or abs(fit.delay_s - delay_s) > 1e-4:
            wrong.append((seed, fit.delay_s, fit.polarity, delay_s, polarity))
    assert wrong == []


def test_forecast_is_what_the_hall_then_does():
    case, joining = joined(0)
    fit = joining.subs[0].fit
    settled = joinrooms.reset(case, polarity=fit.polarity, delay_s=fit.delay_s)
    freq_hz = np.arange(22.0, 360.0, 0.25)
    for hall, forecast_db in (
        (case, joining.overall.was_db),
        (settled, joining.overall.expected_db),
    ):
        main, sub = (hall.true_spectra(element, freq_hz) for element in ("left", "sub"))
        real_db = joinrooms.scores(main, sub, freq_hz, np.zeros(1))[0, 0]
        assert real_db == pytest.approx(forecast_db, abs=0.1)


@pytest.mark.parametrize("seed", [3, 6, 8])
def test_sub_whose_resonance_is_louder_than_its_first_sound_is_no_noisy_take(seed):
    # Placed by that resonance, 60 ms late, all bands of these takes counted as noise once.
    for sub in joinrooms.random_case(seed).takes("sub"):
        problems, usable = response_problems(sub.response, shared_clock=True, full_range=False)
        assert (problems, usable) == ((), True)


def test_time_base_and_arrival_agree():
    for main in joinrooms.random_case(6).takes("left"):
        response = main.response
        assert response.first_tap_s + response.arrival_s == pytest.approx(response.delay_s)


# The crossover: full-range mains and a sub that plays up to 250 Hz, both unfiltered.


def unfiltered(*, sub_late_s=0.0, extra=None, spots=("front", "back")):
    """Mains down to 45 Hz and a sub up to 250 Hz; `extra` filters both as a crossover would."""
    low, high = (1.0, 1.0) if extra is None else extra

    def filtered(made, gain):
        n = 1 << 16
        freq_hz = np.maximum(np.fft.rfftfreq(n, 1.0 / RATE_HZ), 1e-3)
        gain = gain(freq_hz) if callable(gain) else gain
        impulse = np.fft.irfft(np.fft.rfft(made.response.impulse) * gain, n)
        level_db = 20 * np.log10(np.abs(np.interp(EXACT_HZ, freq_hz, np.abs(np.fft.rfft(impulse)))))
        bands = replace(made.response.bands, level_db=level_db)
        return replace(made, response=replace(made.response, impulse=impulse, bands=bands))

    mains = [
        dry(side, spot, "high", late_s=0.02, gain=0.5, split_hz=45.0)
        for side in ("left", "right")
        for spot in spots
    ]
    sub = [
        dry("sub", spot, "low", late_s=0.02 + sub_late_s, split_hz=250.0, gain=1.0)
        for spot in spots
    ]
    return [filtered(one, high) for one in mains], [filtered(one, low) for one in sub]


FLAT = np.zeros(31)


def test_crossover_between_mains_and_sub_brings_the_bass_to_the_target():
    joining = join(
        *unfiltered(sub_late_s=0.004), has_processor=True, target_db=FLAT, crossover=Crossover()
    )
    filters = joining.filters
    assert 60.0 <= filters.hz <= 120.0
    assert filters.bass_db < 2.0
    assert filters.bass_db < filters.was_db - 0.3
    (move,) = [one for one in joining_moves(joining) if "crossover" in one.text]
    assert move.text.startswith(f"Set the crossover to {filters.hz:g} Hz (the sub's low-pass")
    assert move.to["crossover_hz"] == filters.hz
    assert move.kind == "delay"


def test_forecast_of_the_crossover_is_what_the_filters_then_do():
    """The same filters by scipy.signal in the takes: joined again, the bass is as was promised."""
    late_s = 0.003
    joining = join(
        *unfiltered(sub_late_s=late_s), has_processor=True, target_db=FLAT, crossover=Crossover()
    )

    def branch(kind):
        b, a = signal.butter(2, 2 * np.pi * joining.filters.hz, kind, analog=True)
        return lambda freq_hz: signal.freqs(b, a, 2 * np.pi * freq_hz)[1] ** 2

    mains, sub = unfiltered(sub_late_s=late_s, extra=(branch("low"), branch("high")))
    then = join(mains, sub, has_processor=True, target_db=FLAT)
    (promised,), (found,) = joining.subs, then.subs
    assert found.polarity == promised.polarity
    assert found.delay_s - then.mains_delay_s == pytest.approx(
        promised.delay_s - joining.mains_delay_s, abs=1e-4
    )
    assert then.overall.expected_db == pytest.approx(joining.overall.expected_db, abs=0.1)


def test_crossover_that_is_set_well_already_is_left():
    joining = join(*crossed(0.0), has_processor=True, target_db=FLAT, crossover=Crossover())
    assert joining.filters is None
    plain = join(*crossed(0.0), has_processor=True, target_db=FLAT)
    assert joining_moves(joining) == joining_moves(plain)


def test_sub_with_a_low_pass_alone_leaves_the_mains_as_they_are():
    joining = join(
        *unfiltered(), has_processor=True, target_db=FLAT, crossover=Crossover(high_pass=False)
    )
    if joining.filters is not None:
        (move,) = [one for one in joining_moves(joining) if "crossover" in one.text]
        assert "high-pass" not in move.text
    with_both = join(*unfiltered(), has_processor=True, target_db=FLAT, crossover=Crossover())
    assert with_both.filters is not None
