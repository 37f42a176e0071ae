"""Whether a take can be trusted, and the words the person reads if not."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.steadiness import Change
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
    assert "What was played is not in the take" in problems["no_match"]


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
    assert f"{abs(ppm):.0f} ppm apart, and at most 300 can be corrected" in problems["clock"]


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
    assert "no energy at 25 to 160 Hz" in problems["band_limited"]


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


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (Change(4.02, 4.02, -60.0), "The sound stopped 4.0 s into the take. Check mutes"),
        (Change(4.0, 4.0, -40.0, back_s=5.5), "The sound was gone from 4.0 to 5.5 s."),
        (Change(3.0, 3.0, 60.0), "The sound came only 3.0 s into the take"),
        (Change(2.0, 2.5, -3.0), "The sound fell by 3.0 dB at 2.0 s. Leave every gain"),
        (Change(2.0, 6.0, -3.0), "The sound fell by 3.0 dB between 2.0 and 6.0 s."),
        (Change(2.0, 2.0, 3.0, back_s=4.0), "The sound rose by 3.0 dB from 2.0 to 4.0 s."),
    ],
)
def test_level_that_moves_during_the_take_makes_it_unusable(change, words):
    moved = response(hall_levels(), gain_range_db=abs(change.by_db), change=change)
    problems, usable = judged(moved)
    assert words in problems["time_varying"]
    assert problems["time_varying"].endswith("record the take again.")
    assert not usable


def test_level_that_moves_by_less_than_a_decibel_is_let_be():
    wanders = response(hall_levels(), gain_range_db=0.8, change=Change(2.0, 2.0, -0.8))
    assert judged(wanders) == ({}, True)


def test_noise_after_the_sound_stopped_is_not_given_as_the_reason():
    levels = hall_levels()
    levels[at(500.0) :] = np.nan
    stopped = response(levels, gain_range_db=60.0, change=Change(4.0, 4.0, -60.0))
    problems, usable = judged(stopped)
    assert list(problems) == ["time_varying"]
    assert not usable


def test_something_that_begins_to_sound_is_told_and_the_take_kept():
    problems, usable = judged(response(hall_levels(), joined_s=5.0))
    assert "Something else began to play at 5.0 s" in problems["time_varying"]
    assert usable


def test_sweep_with_a_clock_out_of_the_ordinary_is_doubted_not_refused():
    odd = response(hall_levels(), clock_ppm=310.0, clock_sure=False)
    problems, usable = judged(odd, shared_clock=False)
    assert "Try twenty seconds of pink noise" in problems["clock"]
    assert usable


def test_delay_that_jumps_during_the_take():
    problems, _ = judged(response(hall_levels(), delay_range_s=0.002))
    assert "samples were lost" in problems["time_varying"]


def test_take_that_hardly_fits_itself():
    problems, _ = judged(response(hall_levels(), used_ratio=0.4))
    assert "Only 40 % of the take agrees with itself" in problems["time_varying"]


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
