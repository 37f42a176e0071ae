"""The simulated hall as a whole: a take is what its truth says, and the card is really applied."""

from dataclasses import replace

import numpy as np
import pytest

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ, log_frequency_mean
from evenhall.equalizer.graphic import graphic_unit, unit_gain_db
from evenhall.sound.simulated import (
    Box,
    Element,
    Microphone,
    Noise,
    Peak,
    Recorder,
    Room,
    SimulatedHall,
)
from evenhall.sound.simulated.walking import place_response

RATE_HZ = 48_000
SILENT = Noise(level_dbfs=-np.inf)


def hall(**changes) -> SimulatedHall:
    parts = {
        "room": Room(16.0, 9.0, 4.2, rt60_s=(1.1, 1.0, 0.9, 0.8, 0.8, 0.8, 0.7, 0.6)),
        "elements": {
            "left": Element(Box(peaks=(Peak(230.0, 5.0, 2.0),)), (1.0, 2.0, 1.8)),
            "right": Element(Box(), (1.0, 7.0, 1.8), delay_s=0.01, polarity=-1),
        },
        "spots": {"front": (4.0, 3.5, 1.2), "back": (13.0, 4.0, 1.2)},
    }
    return SimulatedHall(**(parts | changes))


def spectrum_of(impulse: np.ndarray, n_fft: int = 1 << 18) -> np.ndarray:
    return np.fft.rfft(impulse, n_fft)


def band_levels_db(impulse: np.ndarray) -> np.ndarray:
    n_fft = 1 << 18
    power = np.abs(spectrum_of(impulse, n_fft)) ** 2
    return 10.0 * np.log10(log_frequency_mean(power, spacing_hz=RATE_HZ / n_fft))


def test_take_of_an_impulse_is_the_true_response():
    impulse = np.zeros(RATE_HZ)
    impulse[0] = 1.0
    samples, _ = hall().take(
        "left",
        "front",
        impulse,
        rate_hz=RATE_HZ,
        seed=1,
        recorder=Recorder(bits=None),
        noise=SILENT,
        starts_s=0.0,
        length_s=2.0,
    )
    truth = hall().true_response("left", "front", rate_hz=RATE_HZ)
    np.testing.assert_allclose(samples[: truth.size, 0], truth[: len(samples)], atol=1e-12)


def test_take_is_the_convolution_of_stimulus_and_truth():
    stimulus = 0.1 * np.random.default_rng(3).standard_normal(3 * RATE_HZ)
    recorder = Recorder(bits=None, gain_db=6.0, latency_samples=21, reference_gain_db=-2.0)
    samples, _ = hall().take(
        "right", "back", stimulus, rate_hz=RATE_HZ, seed=1, recorder=recorder, noise=SILENT
    )
    assert len(samples) == 4 * RATE_HZ
    truth = hall().true_response("right", "back", rate_hz=RATE_HZ, recorder=recorder)
    again = np.fft.irfft(
        spectrum_of(samples[:, 1], 1 << 18) * spectrum_of(truth, 1 << 18), 1 << 18
    )[: len(samples)]
    # Less than a step of 24 bits: what the truth's last sample cuts off.
    np.testing.assert_allclose(samples[:, 0], again, atol=1e-7)


@pytest.mark.parametrize("starts_s", [-30.0, -0.25, 0.0, 30.0])
def test_recording_may_start_long_before_or_after_the_stimulus(starts_s):
    stimulus = np.zeros(40 * RATE_HZ)
    stimulus[35 * RATE_HZ] = 1.0
    samples, _ = hall().take(
        "left",
        "front",
        stimulus,
        rate_hz=RATE_HZ,
        seed=1,
        noise=SILENT,
        starts_s=starts_s,
        length_s=70.0,
    )
    assert np.flatnonzero(samples[:, 1]).tolist() == [round((35.0 - starts_s) * RATE_HZ)]


@pytest.mark.parametrize(("side", "spot"), [("left", "front"), ("right", "back")])
def test_direct_sound_arrives_after_distance_and_delay(side, spot):
    bare = Box(low_limit_hz=0.0, high_limit_hz=np.inf, crossover_hz=0.0)
    elements = {
        "left": Element(bare, (1.0, 2.0, 1.8)),
        "right": Element(bare, (1.0, 7.0, 1.8), delay_s=0.01),
    }
    simulated = hall(elements=elements)
    impulse = simulated.true_response(side, spot, rate_hz=RATE_HZ)
    late_s = simulated.distance_m(side, spot) / 343.2 + (0.01 if side == "right" else 0.0)
    first = np.argmax(np.abs(impulse) > 0.3 * np.abs(impulse[: round(late_s * RATE_HZ) + 9]).max())
    assert abs(first / RATE_HZ - late_s) <= 1.5 / RATE_HZ


def test_inverted_side_starts_downwards():
    impulse = hall().true_response("right", "front", rate_hz=RATE_HZ)
    first = impulse[: round((hall().distance_m("right", "front") / 343.2 + 0.0106) * RATE_HZ)]
    assert first[np.argmax(np.abs(first))] < 0.0


@pytest.mark.parametrize("model", ["proportional-q", "constant-q"])
def test_card_is_really_applied_to_its_side_alone(model):
    unit = graphic_unit(31, model=model)
    faders = np.zeros(31)
    faders[[10, 11, 12, 22]] = (-4.0, -6.0, -2.0, 3.0)
    flat = hall(unit=unit)
    carded = flat.with_faders({"left": faders})
    before = spectrum_of(flat.true_response("left", "back", rate_hz=RATE_HZ))
    after = spectrum_of(carded.true_response("left", "back", rate_hz=RATE_HZ))
    freq_hz = np.fft.rfftfreq(1 << 18, 1 / RATE_HZ)
    use = (freq_hz > 50.0) & (freq_hz < 18_000.0) & (np.abs(before) > 0.05 * np.abs(before).max())
    change_db = 20.0 * np.log10(np.abs(after[use] / before[use]))
    np.testing.assert_allclose(change_db, unit_gain_db(unit, faders, freq_hz[use]), atol=0.1)
    for one, other in ((flat, carded), (flat.with_faders({}), flat)):
        np.testing.assert_array_equal(
            one.true_response("right", "back", rate_hz=RATE_HZ),
            other.true_response("right", "back", rate_hz=RATE_HZ),
        )


def test_fault_of_the_box_shows_at_every_spot():
    whole = hall(elements={"left": Element(Box(), (1.0, 2.0, 1.8))})
    for spot in ("front", "back"):
        faulty_db = band_levels_db(hall().true_response("left", spot, rate_hz=RATE_HZ))
        whole_db = band_levels_db(whole.true_response("left", spot, rate_hz=RATE_HZ))
        change_db = faulty_db - whole_db
        at = np.argmin(np.abs(NOMINAL_HZ - 250.0))
        section_db = 20.0 * np.log10(np.abs(Peak(230.0, 5.0, 2.0).response(EXACT_HZ)))
        assert change_db[at] == pytest.approx(section_db[at], abs=0.7)
        assert np.abs(change_db[NOMINAL_HZ >= 2000]).max() <= 0.1


def test_clutter_behind_a_spot_takes_a_hole_out_there_and_nowhere_else():
    # 0.6 m: 343.2 / (4 * 0.6) = 143 Hz, where the way there and back is half a wave.
    cluttered = hall(clutter_behind_m={"front": 0.6})
    change_db = {
        spot: band_levels_db(cluttered.true_response("left", spot, rate_hz=RATE_HZ))
        - band_levels_db(hall().true_response("left", spot, rate_hz=RATE_HZ))
        for spot in ("front", "back")
    }
    assert np.argmin(change_db["front"]) in np.flatnonzero(np.isin(NOMINAL_HZ, (125, 160)))
    assert change_db["front"].min() < -5.0
    assert np.abs(change_db["front"][NOMINAL_HZ >= 2500]).max() < 0.5
    assert np.abs(change_db["back"]).max() == 0.0


def test_microphone_is_in_the_truth_unless_left_out():
    coloured = hall(microphone=Microphone(((20.0, 0.0), (1000.0, 0.0), (10_000.0, 4.0))))
    plain = hall().true_response("left", "front", rate_hz=RATE_HZ)
    np.testing.assert_array_equal(
        coloured.true_response("left", "front", rate_hz=RATE_HZ, microphone=False), plain
    )
    change_db = band_levels_db(coloured.true_response("left", "front", rate_hz=RATE_HZ))
    change_db -= band_levels_db(plain)
    assert change_db[NOMINAL_HZ == 10_000].item() == pytest.approx(4.0, abs=0.3)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_truth_does_not_depend_on_the_rate(rate_hz):
    # The tail is drawn anew at each rate, so compare what comes before it.
    early_s = 0.08
    levels_db = []
    for rate in (RATE_HZ, rate_hz):
        impulse = hall().true_response("left", "front", rate_hz=rate)[: round(early_s * rate)]
        n_fft = 1 << 18
        power = np.abs(np.fft.rfft(impulse, n_fft)) ** 2
        level = 10.0 * np.log10(log_frequency_mean(power, spacing_hz=rate / n_fft))
        levels_db.append(level[(NOMINAL_HZ >= 100) & (NOMINAL_HZ <= 16_000)])
    assert np.abs(levels_db[0] - levels_db[1]).max() <= 0.1


def test_same_arguments_give_the_same_samples():
    stimulus = 0.1 * np.random.default_rng(3).standard_normal(RATE_HZ)
    first, _ = hall().take("left", "back", stimulus, rate_hz=RATE_HZ, seed=8)
    again, _ = hall().take("left", "back", stimulus, rate_hz=RATE_HZ, seed=8)
    other, _ = hall().take("left", "back", stimulus, rate_hz=RATE_HZ, seed=9)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


WAY_S = (0.5, 2.5)
WAY_M = ((4.0, 3.0, 1.2), (5.6, 3.0, 1.2))


def test_walked_take_is_that_of_both_sides_with_their_cards_gain_and_microphone():
    unit = graphic_unit(31)
    rig = hall(
        unit=unit,
        faders={"left": np.full(31, -3.0)},
        microphone=Microphone(((20.0, 0.0), (1000.0, 0.0), (10_000.0, 4.0))),
    )
    stimulus = 0.1 * np.random.default_rng(3).standard_normal(3 * RATE_HZ)
    recorder = Recorder(bits=None, gain_db=6.0)

    def walked(elements, **changes):
        asked = {"rate_hz": RATE_HZ, "seed": 1, "recorder": recorder, "noise": SILENT}
        return rig.walk(elements, WAY_S, WAY_M, stimulus, **(asked | changes))[0]

    both = walked(("left", "right"))
    assert both.shape == (4 * RATE_HZ, 2)
    np.testing.assert_array_equal(both[:, 1], np.pad(stimulus, RATE_HZ // 2))
    left, right = walked("left")[:, 0], walked("right")[:, 0]
    assert np.abs(both[:, 0] - left - right).max() <= 1e-5 * np.abs(left).max()
    gone = walked("left", starts_s=1.0, length_s=0.5)[:, 0]
    np.testing.assert_array_equal(gone, left[3 * RATE_HZ // 2 : 2 * RATE_HZ])
    # As loud as what a microphone that stands on the way hears through the same rig.
    on_the_way = replace(rig, spots={"here": (4.8, 3.0, 1.2)})
    standing = on_the_way.true_response("left", "here", rate_hz=RATE_HZ, recorder=recorder)
    power = np.square(left).mean() * left.size / stimulus.size / np.square(stimulus).mean()
    assert 10 * np.log10(power / np.square(standing).sum()) == pytest.approx(0.0, abs=0.7)


def test_microphone_that_stands_still_hears_the_field_of_the_walk_through_the_rig():
    rig = hall(microphone=Microphone(((20.0, 0.0), (1000.0, 0.0), (10_000.0, 4.0))))
    stimulus = 0.1 * np.random.default_rng(3).standard_normal(2 * RATE_HZ)
    place_m = (4.0, 3.0, 1.2)
    samples, _ = rig.walk(
        "right",
        (0.0, 1.0),
        (place_m, place_m),
        stimulus,
        rate_hz=RATE_HZ,
        seed=1,
        recorder=Recorder(bits=None),
        noise=SILENT,
        starts_s=0.0,
    )
    source = rig.source("right", rate_hz=RATE_HZ)
    truth = place_response(rig.room, source, place_m, rate_hz=RATE_HZ)
    heard = np.fft.irfft(spectrum_of(stimulus) * spectrum_of(truth))[: len(samples)]
    assert np.sqrt(np.mean((samples[:, 0] - heard) ** 2) / np.mean(heard**2)) <= 0.01
