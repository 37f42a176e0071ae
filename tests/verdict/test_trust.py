"""Whether a take can be trusted, and the words the person reads if not."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.verdict.trust import flag_disagreement, response_problems
from verdict.builders import at, flat, response, take


def judged(heard, *, shared_clock=True, full_range=True):
    problems, usable = response_problems(heard, shared_clock=shared_clock, full_range=full_range)
    return {problem.code: problem.text for problem in problems}, usable


def hall_levels(**changes):
    """Levels as a loudspeaker in a room gives them: not flat, so no cable."""
    return np.linspace(4.0, -4.0, 31)


def test_sound_take_has_no_problem():
    assert judged(response(hall_levels())) == ({}, True)


@pytest.mark.parametrize("score", [0.0, 0.9])
def test_take_without_the_reference(score):
    problems, usable = judged(response(hall_levels(), match_score=score))
    assert not usable
    assert list(problems) == ["no_match"]
    assert "does not contain what was played" in problems["no_match"]


def test_sound_heard_before_it_is_played_means_swapped_channels():
    problems, usable = judged(response(hall_levels(), delay_s=-0.008))
    assert not usable
    assert "Swap mic_channel and reference_channel in job.toml" in problems["wrong_channel"]


def test_negative_delay_says_nothing_where_no_clock_is_shared():
    assert judged(response(hall_levels(), delay_s=-0.008), shared_clock=False) == ({}, True)


def test_reference_on_the_microphone_s_channel():
    problems, usable = judged(response(flat(0.0), delay_s=0.0))
    assert not usable
    assert "carries the reference itself" in problems["wrong_channel"]


def test_near_microphone_is_no_cable():
    assert judged(response(hall_levels(), delay_s=0.0004)) == ({}, True)


@pytest.mark.parametrize("ppm", [300.0, -300.0, 302.0])
def test_clock_at_the_limit_is_undone(ppm):
    assert judged(response(hall_levels(), clock_ppm=ppm), shared_clock=False) == ({}, True)


@pytest.mark.parametrize("ppm", [310.0, -450.0])
def test_clock_past_the_limit(ppm):
    problems, usable = judged(response(hall_levels(), clock_ppm=ppm), shared_clock=False)
    assert not usable
    assert f"{abs(ppm):.0f} ppm apart; up to 300 can be undone" in problems["clock"]


def test_reference_without_energy_names_the_bands():
    heard = response(hall_levels())
    covered = np.where(np.arange(31) < at(200.0), 0.0, 1.0)
    levels = np.where(covered > 0, heard.bands.level_db, np.nan)
    heard = replace(
        heard,
        bands=replace(
            heard.bands, covered_ratio=covered, level_db=levels, usable=np.isfinite(levels)
        ),
    )
    problems, usable = judged(heard)
    assert usable
    assert list(problems) == ["band_limited"]
    assert "no energy at 25 Hz to 160 Hz" in problems["band_limited"]


def noisy(usable_from_hz, usable_to_hz=20000.0):
    levels = hall_levels()
    levels[: at(usable_from_hz)] = np.nan
    levels[at(usable_to_hz) + 1 :] = np.nan
    return response(levels)


def test_noise_over_a_third_of_the_bands_that_matter():
    # 100 Hz to 10 kHz are 21 bands: noise over 8 is more than a third, over 7 is not.
    problems, usable = judged(noisy(630.0))
    assert usable
    assert "Noise covers 8 of 21 bands that matter" in problems["too_noisy"]
    assert judged(noisy(500.0)) == ({}, True)


def test_next_to_nothing_above_the_noise_is_not_usable():
    problems, usable = judged(noisy(2000.0, 4000.0))
    assert not usable
    assert "ears protected" in problems["too_noisy"]


def test_sub_is_not_asked_for_treble():
    levels = hall_levels()
    levels[at(160.0) :] = np.nan
    levels[: at(31.5)] = np.nan
    heard = response(levels)
    assert judged(heard, full_range=False) == ({}, True)
    assert "too_noisy" in judged(heard, full_range=True)[0]


def test_gain_that_moves_during_the_take():
    problems, _ = judged(response(hall_levels(), gain_range_db=3.0))
    assert "The gain moved by 3.0 dB during the take" in problems["time_varying"]
    assert "automatic gain" in problems["time_varying"]
    assert judged(response(hall_levels(), gain_range_db=0.8)) == ({}, True)


def test_delay_that_jumps_during_the_take():
    problems, _ = judged(response(hall_levels(), delay_range_s=0.002))
    assert "samples were lost" in problems["time_varying"]


def test_take_that_hardly_fits_itself():
    problems, _ = judged(response(hall_levels(), used_ratio=0.4))
    assert "Only 40 % of the take fits" in problems["time_varying"]


def problems_of(*takes):
    return [[(p.code, p.text) for p in judged.problems] for judged in flag_disagreement(takes)]


def test_takes_that_agree_have_no_problem():
    assert problems_of(
        take(flat(-10.0), file="a.wav"), take(flat(-10.9, {100.0: 2.0}), file="b.wav")
    ) == [[], []]


@pytest.mark.parametrize(("gain_db", "how"), [(3.0, "louder"), (-3.0, "softer")])
def test_gain_moved_between_two_takes_of_a_spot(gain_db, how):
    first, second = problems_of(
        take(flat(-10.0), file="a.wav"), take(flat(-10.0 + gain_db), file="b.wav")
    )
    assert first == []
    ((code, text),) = second
    assert code == "gain_moved"
    assert f"3.0 dB {how} than a.wav" in text


def test_gain_moved_by_1_db_is_allowed():
    assert problems_of(take(flat(0.0), file="a.wav"), take(flat(1.0), file="b.wav")) == [[], []]
    moved = problems_of(take(flat(0.0), file="a.wav"), take(flat(1.05), file="b.wav"))
    assert moved[1][0][0] == "gain_moved"


def test_takes_of_a_spot_that_differ_from_band_to_band():
    rng = np.random.default_rng(5)
    first, second = problems_of(
        take(flat(), file="a.wav"), take(rng.normal(0.0, 5.0, 31), file="b.wav")
    )
    assert first == []
    ((code, text),) = second
    assert code == "time_varying"
    assert "Differs from a.wav at the same spot" in text


def test_takes_of_other_spots_sides_and_states_may_differ():
    assert problems_of(
        take(flat()),
        take(flat(9.0), spot="back"),
        take(flat(5.0), side="right"),
        take(flat(-5.0), state="after"),
    ) == [[], [], [], []]


def test_unusable_take_disagrees_with_nothing():
    assert problems_of(take(flat()), take(flat(9.0), usable=False)) == [[], []]
