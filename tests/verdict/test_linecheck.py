"""The line check in simulated rooms: healthy pairs pass, each fault is named, and on the right box.

The boxes, rooms and faults are simulated; filters and curves are scipy's and closed forms. What a
fault is called is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import signal

from evenhall.cautions import MAINS
from evenhall.sound.simulated import Noise
from evenhall.sound.simulated.box import Peak
from evenhall.verdict.line.check import CODES, LINE_SWEEP, ROUND_S, check_line
from verdict.lines import RATE_HZ, Line, hall, heard

PARTNER = {
    "left": "right",
    "right": "left",
    "sub left": "sub right",
    "sub right": "sub left",
}
ROOMS = {"dry": (0.4, 11), "hall": (0.9, 12), "live": (1.5, 13)}  # reverberation time, seed
SNR_DB = 30.0


@cache
def room(name):
    rt_s, seed = ROOMS[name]
    return hall(rt_s, near_m=2.0, far_m=2.8, seed=seed)


@cache
def healthy(room_name):
    where = room(room_name)
    return {
        name: heard(where, Line(name, partner), seed=k, snr_db=SNR_DB)
        for k, (name, partner) in enumerate(PARTNER.items())
    }


def findings(round_of, *, delay_is_absolute=True):
    found = check_line(list(round_of.values()), delay_is_absolute=delay_is_absolute)
    codes = {name: [f.code for f in found if f.element == name] for name in round_of}
    return codes, " ".join(f.text for f in found)


def with_faults(room_name, snr_db=SNR_DB, **of_elements):
    """A healthy round but for the elements named, each with the changes to its `Line`."""
    round_of = dict(healthy(room_name))
    for name, changes in of_elements.items():
        element = name.replace("_", " ")
        line = Line(element, PARTNER[element], **changes)
        round_of[element] = heard(room(room_name), line, seed=77, snr_db=snr_db)
    return round_of


def gain(gain_db):
    return {"before": lambda played: played * 10.0 ** (gain_db / 20.0)}


def low_cut(freq_hz, order):
    sos = signal.butter(order, freq_hz, "high", fs=RATE_HZ, output="sos")
    return {"before": lambda played: signal.sosfilt(sos, played)}


def bell(freq_hz, gain_db):
    return {"change": {"peaks": (Peak(freq_hz, gain_db, 1.4),)}}


def bent(played):
    """15 % of second and 8 % of third harmonic, for a sweep at -20 dBFS."""
    amplitude = 0.1 * np.sqrt(2.0)
    return played + 0.4 / amplitude * played**2 + 0.4 / amplitude**2 * played**3


def bent_hard(played):
    """31 % of second harmonic: in a live room a sub's 15 % is not told from its partner's bound."""
    amplitude = 0.1 * np.sqrt(2.0)
    return played + 0.8 / amplitude * played**2 + 0.4 / amplitude**2 * played**3


def no_woofer(played):
    """Linkwitz-Riley of fourth order, as the box's own crossover: the upper branch alone."""
    sos = signal.butter(2, 1800.0, "high", fs=RATE_HZ, output="sos")
    return signal.sosfilt(sos, signal.sosfilt(sos, played))


NO_HORN = {"change": {"high_driver_gain": 0.0}}
INVERTED = {"change": {"polarity": -1}}

FAULTS = {
    "left silent": ({"left": {"before": np.zeros_like}}, {"left": "silent"}),
    "right silent": ({"right": {"before": np.zeros_like}}, {"right": "silent"}),
    "left on crosstalk": ({"left": gain(-45.0)}, {"left": "silent"}),
    "sides swapped": (
        {"left": {"box": "right"}, "right": {"box": "left"}},
        {"left": "wrong_side", "right": "wrong_side"},
    ),
    "both out of left": (
        {"right": {"box": "left"}},
        {"left": "wrong_side", "right": "wrong_side"},
    ),
    "both out of right": (
        {"left": {"box": "right"}},
        {"left": "wrong_side", "right": "wrong_side"},
    ),
    "both play each time": (
        {"left": {"along": ("right", 0.0)}, "right": {"along": ("left", 0.0)}},
        {"left": "wrong_side", "right": "wrong_side"},
    ),
    "right plays along with left": (
        {"left": {"along": ("right", 0.0)}},
        {"left": "not_alone", "right": "not_alone"},
    ),
    "left plays along with right": (
        {"right": {"along": ("left", -3.0)}},
        {"left": "unclear", "right": "unclear"},
    ),
    "subs swapped": (
        {"sub_left": {"box": "sub right"}, "sub_right": {"box": "sub left"}},
        {"sub left": "wrong_side", "sub right": "wrong_side"},
    ),
    "right 6 dB down": ({"right": gain(-6.0)}, {"right": "weak"}),
    "left 9 dB down": ({"left": gain(-9.0)}, {"left": "weak"}),
    "sub 12 dB down": ({"sub_right": gain(-12.0)}, {"sub right": "weak"}),
    "right inverted": ({"right": INVERTED}, {"right": "inverted"}),
    "left inverted": ({"left": INVERTED}, {"left": "inverted"}),
    "sub inverted": ({"sub_right": INVERTED}, {"sub right": "inverted"}),
    "low cut at 75 Hz": ({"left": low_cut(75.0, 3)}, {"left": "filtered"}),
    "low cut at 100 Hz": ({"right": low_cut(100.0, 3)}, {"right": "filtered"}),
    "low cut at 120 Hz": ({"left": low_cut(120.0, 2)}, {"left": "filtered"}),
    "low cut at 200 Hz": ({"left": low_cut(200.0, 4)}, {"left": "filtered"}),
    "bell up at 2.5 kHz": ({"right": bell(2500.0, 8.0)}, {"right": "equalized"}),
    "bell down at 2.5 kHz": ({"right": bell(2500.0, -6.0)}, {"right": "equalized"}),
    "bell down at 500 Hz": ({"right": bell(500.0, -9.0)}, {"right": "equalized"}),
    "right horn dead": ({"right": NO_HORN}, {"right": "no_highs"}),
    "left horn dead": ({"left": NO_HORN}, {"left": "no_highs"}),
    "right woofer dead": ({"right": {"after": no_woofer}}, {"right": "no_lows"}),
    "left woofer dead": ({"left": {"after": no_woofer}}, {"left": "no_lows"}),
    "right distorts": ({"right": {"before": bent}}, {"right": "distorted"}),
    "sub distorts": ({"sub_left": {"after": bent_hard}}, {"sub left": "distorted"}),
    "hum at 50 Hz": (
        {"right": {"noise": Noise(hum_hz=50.03, hum_dbfs=-50.0)}},
        {"right": "hum"},
    ),
    "hum at 60 Hz": (
        {"sub_left": {"noise": Noise(hum_hz=59.98, hum_dbfs=-50.0)}},
        {"sub left": "hum"},
    ),
}


# Each in one of the rooms, in turn; bench/line_check.py goes through all of them.
@pytest.mark.parametrize(
    ("fault", "room_name"), [(fault, [*ROOMS][k % 3]) for k, fault in enumerate(FAULTS)]
)
def test_fault_is_named_on_its_element_and_the_others_work(fault, room_name):
    changes, expected = FAULTS[fault]
    round_of = with_faults(room_name, **changes)
    for delay_is_absolute in (True, False):
        codes, _ = findings(round_of, delay_is_absolute=delay_is_absolute)
        assert codes == {name: [expected.get(name, "works")] for name in PARTNER}


def test_low_cut_is_said_with_its_corner():
    for cut_hz, order in ((100.0, 3), (160.0, 2)):
        _, text = findings(with_faults("hall", right=low_cut(cut_hz, order)))
        assert "Right has " in text
        assert "Look for a low cut left in" in text
        said_hz = float(text.split(" less than left below ")[1].split(" Hz")[0])
        assert abs(np.log2(said_hz / cut_hz)) <= 0.5


@pytest.mark.parametrize("name", ["subwoofer", "left sub", "Sub 1"])
def test_sub_works_whatever_it_is_called(name):
    # Judged as one of the mains it would lack its horn.
    round_of = {name: heard(room("dry"), Line(name, box="sub left"), seed=5, snr_db=SNR_DB)}
    assert findings(round_of)[0] == {name: ["works"]}


@pytest.mark.parametrize("room_name", ROOMS)
def test_low_cut_on_both_is_asked_about_where_no_sub_could_explain_it(room_name):
    both = with_faults(room_name, left=low_cut(150.0, 3), right=low_cut(150.0, 3))
    tops = {name: both[name] for name in ("left", "right")}
    codes, text = findings(tops)
    assert codes == {"left": ["filtered"], "right": ["filtered"]}
    assert "Left and right both end at " in text
    codes, _ = findings(both)
    assert codes == {name: ["works"] for name in PARTNER}


@pytest.mark.parametrize("room_name", ROOMS)
def test_pair_of_small_boxes_without_a_sub_is_asked_nothing(room_name):
    small = {"change": {"low_limit_hz": 80.0}}
    both = with_faults(room_name, left=small, right=small)
    codes, _ = findings({name: both[name] for name in ("left", "right")})
    assert codes == {"left": ["works"], "right": ["works"]}


def healthy_round(seed):
    """A round without a fault in a room that nobody chose, in noise."""
    rng = np.random.default_rng([31, seed])
    near_m = rng.uniform(1.6, 3.0)
    far_m = near_m + rng.uniform(0.6, 1.2)
    apart_m = rng.uniform(far_m - near_m + 0.5, 0.8 * (near_m + far_m))
    where = hall(
        rng.uniform(0.35, 1.6),
        near_m=near_m,
        far_m=far_m,
        apart_m=apart_m,
        seed=seed,
        size_m=(rng.uniform(9.0, 20.0), rng.uniform(7.0, 12.0), rng.uniform(3.0, 6.0)),
    )
    return {
        name: heard(where, Line(name, partner), seed=seed * 4 + k, snr_db=20.0)
        for k, (name, partner) in enumerate(PARTNER.items())
    }


@pytest.mark.parametrize("seed", range(4))
def test_healthy_round_works_in_any_room_and_in_noise(seed):
    round_of = healthy_round(seed)
    for delay_is_absolute in (True, False):
        codes, text = findings(round_of, delay_is_absolute=delay_is_absolute)
        assert codes == {name: ["works"] for name in PARTNER}
    assert "Left works, and agrees with right." in text


def test_six_elements_take_less_than_two_minutes():
    assert 6 * (LINE_SWEEP.lead_s + LINE_SWEEP.duration_s) < 120.0
    assert 6 * ROUND_S < 120.0


def test_microphone_midway_is_told_from_one_box_under_two_names():
    where = hall(0.9, near_m=2.4, far_m=2.4001, seed=5)
    round_of = {
        name: heard(where, Line(name, PARTNER[name]), seed=k, snr_db=SNR_DB)
        for k, name in enumerate(("left", "right"))
    }
    codes, text = findings(round_of)
    assert codes == {"left": ["unclear"], "right": ["unclear"]}
    assert "move the microphone clearly nearer left" in text
    assert "unplug left while right plays" in text


def test_sound_hidden_by_noise_is_unclear_not_silent_and_not_well():
    pink = {"noise": Noise(slope_db=0.0)}
    codes, text = findings(with_faults("hall", snr_db=-25.0, left=pink))
    assert codes["left"] == ["unclear"]
    assert codes["right"] == ["works"]
    assert "wait for quiet" in text


def test_nothing_heard_of_any_element_points_at_the_microphone():
    where = room("dry")
    round_of = {
        name: heard(where, Line(name, PARTNER[name], before=np.zeros_like), seed=k)
        for k, name in enumerate(("left", "right"))
    }
    codes, text = findings(round_of)
    assert codes == {"left": ["silent"], "right": ["silent"]}
    assert "look at the microphone first" in text


def test_several_faults_of_one_element_stand_worst_first():
    def soft_and_bent(played):
        return 10.0 ** (-9.0 / 20.0) * bent(played)

    hum = Noise(hum_hz=50.0, hum_dbfs=-50.0)
    changes = {"before": soft_and_bent, "noise": hum, **INVERTED}
    codes, _ = findings(with_faults("hall", right=changes))
    assert codes["right"] == ["inverted", "weak", "distorted", "hum"]
    assert codes["left"] == ["works"]


def test_element_without_a_partner_is_held_against_itself():
    where = room("hall")
    lines = {"well": {}, "no_highs": NO_HORN, "no_lows": {"after": no_woofer}}
    lines |= {"distorted": {"before": bent}}
    for code, changes in lines.items():
        alone = replace(
            heard(where, Line("left", **changes), seed=3, snr_db=SNR_DB), element="delay"
        )
        codes, _ = findings({"delay": alone})
        assert codes == {"delay": ["works" if code == "well" else code]}


def test_partner_of_a_silent_element_is_judged_alone():
    codes, text = findings(with_faults("hall", right={"before": np.zeros_like}))
    assert codes["left"] == ["works"]
    assert "Left works." in text


def test_level_that_is_said_is_the_level_that_was_set():
    for below_db in (8.0, 14.0):
        _, text = findings(with_faults("hall", right=gain(-below_db)))
        said_db = float(text.split("Right is ")[1].split(" dB")[0])
        assert abs(said_db - below_db) <= 2.0  # what the far box's angle takes is in it


def test_hum_says_which_mains_when_and_never_to_lift_the_earth():
    noise = Noise(hum_hz=60.0, hum_dbfs=-50.0)
    _, text = findings(with_faults("hall", right={"noise": noise}))
    assert "Right hums at 60 Hz and its multiples with nothing playing" in text
    assert MAINS in text
    assert "licensed electrician" in text


def test_hum_of_all_elements_points_at_what_they_share():
    noise = Noise(hum_hz=50.0, hum_dbfs=-50.0)
    faults = {name.replace(" ", "_"): {"noise": noise} for name in PARTNER}
    codes, text = findings(with_faults("dry", **faults))
    assert codes == {name: ["hum"] for name in PARTNER}
    assert "All elements hum alike" in text


def test_every_code_that_the_faults_expect_is_one_of_ours():
    expected = {code for _, of_elements in FAULTS.values() for code in of_elements.values()}
    assert expected | {"works", "unclear"} == set(CODES)
